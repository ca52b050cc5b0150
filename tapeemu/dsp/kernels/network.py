"""The loop of the feedback delay network: diffuser, absorbing lines, mixing, in chunks of up to 64 samples.

Rows are lines, columns are time: all but the recursive filters runs along contiguous memory, and nothing
is summed along time, so no result depends on where a chunk starts or ends.

Rings hold `ring length` columns and a margin of one chunk that repeats their beginning, so that a chunk
can always be read in one piece; ring lengths are multiples of CHUNK and chunks end on that grid, so that
it can always be written in one piece. Offsets into rings are unsigned: a signed one might be negative for
all the compiler knows, and would keep it from using vector instructions.
"""

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from tapeemu.dsp.kernels.compilation import kernel

__all__ = ["CHUNK", "SILENCE", "reverberate"]

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

CHUNK = 64
"""Longest chunk; also the grid on which the states of filters are cleared."""

SILENCE = 1e-60
"""1200 dB down: a smaller sample is silence, long before arithmetic on it would get slow."""


@kernel()
def mix(rows: Floats, samples: Any) -> None:
    """Multiply by the Hadamard matrix in Sylvester's order, in place, without its scale factor."""
    lines = rows.shape[0]
    half = 1
    while half * 2 < lines:  # two of the fast transform's stages at once: half the traffic
        for start in range(0, lines, 4 * half):
            for row in range(start, start + half):
                for k in range(samples):
                    a = rows[row, k]
                    b = rows[row + half, k]
                    c = rows[row + 2 * half, k]
                    d = rows[row + 3 * half, k]
                    ab = a + b
                    ba = a - b
                    cd = c + d
                    dc = c - d
                    rows[row, k] = ab + cd
                    rows[row + half, k] = ba + dc
                    rows[row + 2 * half, k] = ab - cd
                    rows[row + 3 * half, k] = ba - dc
        half *= 4
    if half < lines:
        for row in range(half):
            for k in range(samples):
                a = rows[row, k]
                b = rows[row + half, k]
                rows[row, k] = a + b
                rows[row + half, k] = a - b


@kernel()
def place(now: int, delay: int, length: int) -> Any:
    """Offset in a ring of what was written `delay` samples ago; a division would cost more than the row."""
    return np.uint64(now - delay if now >= delay else now - delay + length)


@kernel()
def write_input(ring: Floats, audio: Floats, start: int, fed: int, samples: Any) -> None:
    """Store a chunk of the input."""
    length = ring.shape[1] - CHUNK
    write = np.uint64(fed % length)
    first = np.uint64(start)
    for channel in range(ring.shape[0]):
        for k in range(samples):
            x = audio[channel, first + k]
            ring[channel, write + k] = x if abs(x) > SILENCE else 0.0
        if write < CHUNK:
            margin = write + np.uint64(length)
            for k in range(samples):
                ring[channel, margin + k] = ring[channel, write + k]


@kernel()
def spread(ring: Floats, delays: Integers, gains: Floats, rows: Floats, fed: int, samples: Any) -> None:
    """Give every line its channel, or its channels if there are more of them, at the line's delay."""
    length = ring.shape[1] - CHUNK
    now = fed % length
    channels = ring.shape[0]
    for row in range(rows.shape[0]):
        read = place(now, delays[row], length)
        gain = gains[row]
        channel = row % channels
        for k in range(samples):
            rows[row, k] = gain * ring[channel, read + k]
        for other in range(channel + rows.shape[0], channels, rows.shape[0]):
            for k in range(samples):
                rows[row, k] += gain * ring[other, read + k]


@kernel()
def write_rows(ring: Floats, order: Integers, gains: Floats, rows: Floats, fed: int, samples: Any) -> None:
    """Store the rows, in another order and with gains."""
    length = ring.shape[1] - CHUNK
    write = np.uint64(fed % length)
    for row in range(rows.shape[0]):
        source = order[row]
        gain = gains[row]
        for k in range(samples):
            x = gain * rows[source, k]
            ring[row, write + k] = x if abs(x) > SILENCE else 0.0
        if write < CHUNK:
            margin = write + np.uint64(length)
            for k in range(samples):
                ring[row, margin + k] = ring[row, write + k]


@kernel()
def read_rows(ring: Floats, delays: Integers, gains: Floats, rows: Floats, fed: int, samples: Any) -> None:
    """Fetch every line at its delay, with its gain."""
    length = ring.shape[1] - CHUNK
    now = fed % length
    for row in range(rows.shape[0]):
        read = place(now, delays[row], length)
        gain = gains[row]
        for k in range(samples):
            rows[row, k] = gain * ring[row, read + k]


@kernel()
def read_filtered(
    ring: Floats,
    delays: Integers,
    gains: Floats,
    coefficients: Floats,
    state: Floats,
    added_ring: Floats,
    added_delays: Integers,
    rows: Floats,
    fed: int,
    samples: Any,
) -> None:
    """Fetch every line through its filter of one section, and add every line of another ring at its delay.

    The ring itself remembers what went in before, so the section's numerator runs along time; only the two
    multiply-adds of the denominator must wait for one another, and they do so for four lines abreast.
    """
    length = ring.shape[1] - CHUNK
    now = fed % length
    for row in range(rows.shape[0]):
        r0 = place(now, delays[row], length)
        r1 = place(now, delays[row] + 1, length)
        r2 = place(now, delays[row] + 2, length)
        g0 = gains[row]
        g1 = gains[row] * (coefficients[0, 0, row] + coefficients[0, 2, row])
        g2 = gains[row] * (coefficients[0, 1, row] + coefficients[0, 3, row])
        for k in range(samples):
            rows[row, k] = g0 * ring[row, r0 + k] + (g1 * ring[row, r1 + k] + g2 * ring[row, r2 + k])
    added_length = added_ring.shape[1] - CHUNK
    added_now = fed % added_length
    for row in range(0, rows.shape[0], 4):
        r0 = place(added_now, added_delays[row], added_length)
        r1 = place(added_now, added_delays[row + 1], added_length)
        r2 = place(added_now, added_delays[row + 2], added_length)
        r3 = place(added_now, added_delays[row + 3], added_length)
        e0 = coefficients[0, 2, row]
        f0 = coefficients[0, 3, row]
        y0 = state[0, 0, row]
        z0 = state[0, 1, row]
        e1 = coefficients[0, 2, row + 1]
        f1 = coefficients[0, 3, row + 1]
        y1 = state[0, 0, row + 1]
        z1 = state[0, 1, row + 1]
        e2 = coefficients[0, 2, row + 2]
        f2 = coefficients[0, 3, row + 2]
        y2 = state[0, 0, row + 2]
        z2 = state[0, 1, row + 2]
        e3 = coefficients[0, 2, row + 3]
        f3 = coefficients[0, 3, row + 3]
        y3 = state[0, 0, row + 3]
        z3 = state[0, 1, row + 3]
        for k in range(samples):
            w0 = (rows[row, k] - f0 * z0) - e0 * y0
            w1 = (rows[row + 1, k] - f1 * z1) - e1 * y1
            w2 = (rows[row + 2, k] - f2 * z2) - e2 * y2
            w3 = (rows[row + 3, k] - f3 * z3) - e3 * y3
            rows[row, k] = w0 + added_ring[row, r0 + k]
            rows[row + 1, k] = w1 + added_ring[row + 1, r1 + k]
            rows[row + 2, k] = w2 + added_ring[row + 2, r2 + k]
            rows[row + 3, k] = w3 + added_ring[row + 3, r3 + k]
            z0 = y0
            z1 = y1
            z2 = y2
            z3 = y3
            y0 = w0
            y1 = w1
            y2 = w2
            y3 = w3
        state[0, 0, row] = y0
        state[0, 1, row] = z0
        state[0, 0, row + 1] = y1
        state[0, 1, row + 1] = z1
        state[0, 0, row + 2] = y2
        state[0, 1, row + 2] = z2
        state[0, 0, row + 3] = y3
        state[0, 1, row + 3] = z3


@kernel()
def add_rows(ring: Floats, delays: Integers, rows: Floats, fed: int, samples: Any) -> None:
    """Add every line of another ring at its delay."""
    length = ring.shape[1] - CHUNK
    now = fed % length
    for row in range(rows.shape[0]):
        read = place(now, delays[row], length)
        for k in range(samples):
            rows[row, k] += ring[row, read + k]


@kernel()
def absorb(rows: Floats, coefficients: Floats, state: Floats, samples: Any) -> None:
    """Filter every line with its cascade of second-order sections, in place, four lines abreast.

    Sections are 1 + c z^-1 + d z^-2 over 1 + e z^-1 + f z^-2, in observer form: the first state goes into
    the next one through a single multiply-add, half the waiting time of the transposed direct form.
    `coefficients` holds c - e, d - f, e and f.
    """
    for section in range(coefficients.shape[0]):
        for row in range(0, rows.shape[0], 4):
            c0 = coefficients[section, 0, row]
            d0 = coefficients[section, 1, row]
            e0 = coefficients[section, 2, row]
            f0 = coefficients[section, 3, row]
            s0 = state[section, 0, row]
            t0 = state[section, 1, row]
            c1 = coefficients[section, 0, row + 1]
            d1 = coefficients[section, 1, row + 1]
            e1 = coefficients[section, 2, row + 1]
            f1 = coefficients[section, 3, row + 1]
            s1 = state[section, 0, row + 1]
            t1 = state[section, 1, row + 1]
            c2 = coefficients[section, 0, row + 2]
            d2 = coefficients[section, 1, row + 2]
            e2 = coefficients[section, 2, row + 2]
            f2 = coefficients[section, 3, row + 2]
            s2 = state[section, 0, row + 2]
            t2 = state[section, 1, row + 2]
            c3 = coefficients[section, 0, row + 3]
            d3 = coefficients[section, 1, row + 3]
            e3 = coefficients[section, 2, row + 3]
            f3 = coefficients[section, 3, row + 3]
            s3 = state[section, 0, row + 3]
            t3 = state[section, 1, row + 3]
            for k in range(samples):
                x0 = rows[row, k]
                x1 = rows[row + 1, k]
                x2 = rows[row + 2, k]
                x3 = rows[row + 3, k]
                rows[row, k] = x0 + s0
                rows[row + 1, k] = x1 + s1
                rows[row + 2, k] = x2 + s2
                rows[row + 3, k] = x3 + s3
                u0 = c0 * x0 + t0
                u1 = c1 * x1 + t1
                u2 = c2 * x2 + t2
                u3 = c3 * x3 + t3
                t0 = d0 * x0 - f0 * s0
                t1 = d1 * x1 - f1 * s1
                t2 = d2 * x2 - f2 * s2
                t3 = d3 * x3 - f3 * s3
                s0 = u0 - e0 * s0
                s1 = u1 - e1 * s1
                s2 = u2 - e2 * s2
                s3 = u3 - e3 * s3
            state[section, 0, row] = s0
            state[section, 1, row] = t0
            state[section, 0, row + 1] = s1
            state[section, 1, row + 1] = t1
            state[section, 0, row + 2] = s2
            state[section, 1, row + 2] = t2
            state[section, 0, row + 3] = s3
            state[section, 1, row + 3] = t3


@kernel()
def clear_stale(state: Floats) -> None:
    """Set states that have decayed to silence to zero."""
    for section in range(state.shape[0]):
        for part in range(2):
            for row in range(state.shape[2]):
                if abs(state[section, part, row]) < SILENCE:
                    state[section, part, row] = 0.0


@kernel()
def turn(position: int, rates: Floats, phases: Floats, depths: Floats, cosines: Floats, sines: Floats) -> None:
    """Write cosine and sine of every pair's angle at a place on the tape: a pure function of it."""
    for pair in range(rates.shape[1]):
        angle = 0.0
        for swing in range(rates.shape[0]):
            if depths[swing] > 0.0:
                turns = rates[swing, pair] * position + phases[swing, pair]
                angle += depths[swing] * math.sin(2.0 * math.pi * (turns - math.floor(turns)))
        cosines[pair] = math.cos(angle)
        sines[pair] = math.sin(angle)


@kernel()
def rotate(rows: Floats, rotation: Floats, ramp: Floats, curved: bool, into: int, samples: Any) -> None:
    """Rotate every pair of rows by an angle that moves along the cell.

    Cosine and sine are interpolated between exact values d radians apart: a pair loses d^2/6 of its energy
    on average. If `curved`, they are lengthened by 1 + u (1 - u) (1 - cos d), u of the way along: it then
    loses d^4/40. It never gains any.
    """
    half = rows.shape[0] // 2
    first = np.uint64(into)
    for row in range(half):
        cosine = rotation[0, row]
        sine = rotation[1, row]
        cosine_step = rotation[2, row] - cosine
        sine_step = rotation[3, row] - sine
        if not curved:
            for k in range(samples):
                c = cosine + cosine_step * ramp[0, first + k]
                s = sine + sine_step * ramp[0, first + k]
                a = rows[row, k]
                b = rows[row + half, k]
                rows[row, k] = c * a - s * b
                rows[row + half, k] = s * a + c * b
            continue
        bulge = 0.5 * (cosine_step * cosine_step + sine_step * sine_step)  # 1 - cos d
        for k in range(samples):
            length = 1.0 + bulge * ramp[1, first + k]
            c = length * (cosine + cosine_step * ramp[0, first + k])
            s = length * (sine + sine_step * ramp[0, first + k])
            a = rows[row, k]
            b = rows[row + half, k]
            rows[row, k] = c * a - s * b
            rows[row + half, k] = s * a + c * b


@kernel()
def write_output(
    audio: Floats,
    dry: float,
    ring: Floats,
    delays: Integers,
    gains: Floats,
    out: Floats,
    start: int,
    fed: int,
    samples: Any,
) -> None:
    """Give every channel the input and the lines that it hears, each at its own delay and with its own gain."""
    length = ring.shape[1] - CHUNK
    now = fed % length
    first = np.uint64(start)
    half = ring.shape[0] // 2
    for channel in range(out.shape[0]):
        offset = half * (channel % 2)
        for k in range(samples):
            out[channel, first + k] = dry * audio[channel, first + k]
        for tap in range(0, half, 4):
            row = offset + tap
            r0 = place(now, delays[channel, tap], length)
            r1 = place(now, delays[channel, tap + 1], length)
            r2 = place(now, delays[channel, tap + 2], length)
            r3 = place(now, delays[channel, tap + 3], length)
            g0 = gains[channel, tap]
            g1 = gains[channel, tap + 1]
            g2 = gains[channel, tap + 2]
            g3 = gains[channel, tap + 3]
            for k in range(samples):
                left = g0 * ring[row, r0 + k] + g1 * ring[row + 1, r1 + k]
                right = g2 * ring[row + 2, r2 + k] + g3 * ring[row + 3, r3 + k]
                out[channel, first + k] += left + right


@kernel()
def reverberate(
    audio: Floats,
    out: Floats,
    counters: Integers,
    input_ring: Floats,
    diffuser_ring: Floats,
    line_ring: Floats,
    filter_state: Floats,
    rows: Floats,
    rotation: Floats,
    ramp: Floats,
    input_delays: Integers,
    input_gains: Floats,
    diffuser_delays: Integers,
    diffuser_order: Integers,
    diffuser_gains: Floats,
    line_delays: Integers,
    line_order: Integers,
    line_gains: Floats,
    mixing_gains: Floats,
    coefficients: Floats,
    dry_gain: float,
    tap_delays: Integers,
    tap_gains: Floats,
    rates: Floats,
    phases: Floats,
    depths: Floats,
    curved: bool,
) -> None:
    """Reverberate a block of any length. All state is in `counters`, the rings and `filter_state`.

    Parameters
    ----------
    audio, out : float64, shape (channels, samples)
    counters : int64, shape (2,)
        Samples fed so far, and place on the tape of the next one.
    input_ring : float64, shape (channels, ring length + CHUNK)
    diffuser_ring, line_ring : float64, shape (lines, ring length + CHUNK)
    filter_state : float64, shape (sections, 2, lines)
    rows, rotation : float64, shapes (lines, CHUNK) and (4, lines / 2)
        Scratch.
    ramp : float64, shape (2, cell)
        u = k / cell and u (1 - u): the way through a cell, the grid on the tape on which angles are exact.
    input_delays, diffuser_delays, line_delays : int64, shape (lines,)
        The first two may be zero; lines are at least one sample long.
    input_gains : float64, shape (lines,)
        Line i is fed by channel i modulo their number, and also by channels i + lines, i + 2 lines, ...
    diffuser_order, line_order : int64, shape (lines,)
        Row of the mixed chunk that goes into each row of the ring.
    diffuser_gains, line_gains, mixing_gains : float64, shape (lines,)
        Applied on the way into the diffuser's ring, out of the lines, and into the lines: signs, decay,
        and the scale factor of the mixing.
    coefficients : float64, shape (sections, 4, lines)
        See `absorb`.
    dry_gain : float
    tap_delays, tap_gains : int64 and float64, shape (channels, lines / 2)
        What even channels hear of what goes into the first half of the lines, and odd channels of what
        goes into the second. Delays are at most those of the longest line.
    rates, phases : float64, shape (swings, lines / 2)
        Turns per sample, and turns at sample 0, of the swings that add up to each pair's angle.
    depths : float64, shape (swings,)
        Their largest angles in radians; if all are 0 the rotation is left out.
    curved : bool
        See `rotate`: for turns that are too fast for straight lines between exact angles.
    """
    length = audio.shape[1]
    longest = line_delays.min()
    cell = ramp.shape[1]
    moving = depths.max() > 0.0
    done = 0
    while done < length:
        fed = counters[0]
        position = counters[1]
        into = position % cell
        count = min(CHUNK - fed % CHUNK, cell - into)
        count = min(count, longest)
        count = min(count, length - done)
        samples = np.uint64(count)

        write_input(input_ring, audio, done, fed, samples)
        spread(input_ring, input_delays, input_gains, rows, fed, samples)
        mix(rows, samples)
        write_rows(diffuser_ring, diffuser_order, diffuser_gains, rows, fed, samples)

        if coefficients.shape[0] == 1:
            read_filtered(
                line_ring,
                line_delays,
                line_gains,
                coefficients,
                filter_state,
                diffuser_ring,
                diffuser_delays,
                rows,
                fed,
                samples,
            )
        else:
            read_rows(line_ring, line_delays, line_gains, rows, fed, samples)
            absorb(rows, coefficients, filter_state, samples)
            add_rows(diffuser_ring, diffuser_delays, rows, fed, samples)
        if moving:
            if into == 0 or done == 0:
                if done == 0:
                    turn(position - into, rates, phases, depths, rotation[0], rotation[1])
                else:  # where the last cell ended
                    for pair in range(rotation.shape[1]):
                        rotation[0, pair] = rotation[2, pair]
                        rotation[1, pair] = rotation[3, pair]
                turn(position - into + cell, rates, phases, depths, rotation[2], rotation[3])
            rotate(rows, rotation, ramp, curved, into, samples)
        mix(rows, samples)
        write_rows(line_ring, line_order, mixing_gains, rows, fed, samples)
        write_output(audio, dry_gain, line_ring, tap_delays, tap_gains, out, done, fed, samples)

        done += count
        counters[0] = fed + count
        counters[1] = position + count
        if counters[0] % CHUNK == 0:
            clear_stale(filter_state)
