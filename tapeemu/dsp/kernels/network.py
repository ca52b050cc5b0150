"""The loop of the feedback delay network: diffuser, absorbing lines, mixing, in chunks of up to 64 samples.

Rows are lines, columns are time: all but the recursive filters runs along contiguous memory, and nothing
is summed along time, so no result depends on where a chunk starts or ends.

Rings hold `ring length` columns and a margin of one chunk that repeats their beginning, so that a chunk
can always be read in one piece; ring lengths are multiples of CHUNK and chunks end on that grid, so that
it can always be written in one piece. Offsets into rings are unsigned: a signed one might be negative for
all the compiler knows, and would keep it from using vector instructions.
"""

import math
from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Integers1, Integers2, Precises1, Precises2, Reals1, Reals2, Reals3
from tapeemu.dsp.kernels.compilation import kernel

__all__ = ["CHUNK", "SILENCE", "Motion", "Network", "NetworkMemory", "reverberate"]

CHUNK = 64
"""Longest chunk; also the grid on which the states of filters are cleared."""

SILENCE = 1e-60
"""1200 dB down: a smaller sample is silence, long before arithmetic on it would get slow."""


class Network(NamedTuple):
    """Delays, gains and filters, which never change.

    Attributes
    ----------
    input_delays, diffuser_delays, line_delays : ndarray of int64, shape (lines,)
        In samples. The first two may be zero; lines are at least one sample long.
    input_gains : ndarray, shape (lines,)
        Line i is fed by channel i modulo their number, and also by channels i + lines, i + 2 lines, ...
    diffuser_order, line_order : ndarray of int64, shape (lines,)
        Row of the mixed chunk that goes into each row of the ring.
    diffuser_gains, line_gains, mixing_gains : ndarray, shape (lines,)
        Applied on the way into the diffuser's ring, out of the lines, and into the lines: signs, decay,
        and the scale factor of the mixing.
    coefficients : ndarray, shape (sections, 4, lines)
        See `absorb`.
    dry_gain : float
        Of the input in the output.
    tap_delays, tap_gains : ndarray of int64, and ndarray, shape (channels, lines / 2)
        What even channels hear of what goes into the first half of the lines, and odd channels of what
        goes into the second. Delays in samples, at most those of the longest line.
    """

    input_delays: Integers1
    input_gains: Reals1
    diffuser_delays: Integers1
    diffuser_order: Integers1
    diffuser_gains: Reals1
    line_delays: Integers1
    line_order: Integers1
    line_gains: Reals1
    mixing_gains: Reals1
    coefficients: Reals3
    dry_gain: float
    tap_delays: Integers2
    tap_gains: Reals2


class Motion(NamedTuple):
    """How the mixing turns.

    Attributes
    ----------
    rates, phases : ndarray, shape (swings, lines / 2)
        Turns per sample, and turns at sample 0, of the swings that add up to each pair's angle.
    depths : ndarray, shape (swings,)
        Their largest angles in radians; if all are 0 the rotation is left out.
    ramp : ndarray, shape (2, cell)
        u = k / cell and u (1 - u): the way through a cell, the grid on the tape on which angles are exact.
    curved : bool
        See `rotate`: for turns that are too fast for straight lines between exact angles.
    """

    rates: Precises2
    phases: Precises2
    depths: Precises1
    ramp: Reals2
    curved: bool


class NetworkMemory(NamedTuple):
    """What is kept from one block to the next, and scratch; all of it is changed in place.

    Attributes
    ----------
    counters : ndarray of int64, shape (2,)
        Samples fed so far, and place on the tape of the next one.
    input_ring : ndarray, shape (channels, ring length + CHUNK)
        What was fed.
    diffuser_ring, line_ring : ndarray, shape (lines, ring length + CHUNK)
        What goes through the diffuser's second stage, and through the lines.
    filter_state : ndarray, shape (sections, 2, lines)
        See `absorb`.
    rows, rotation : ndarray, shapes (lines, CHUNK) and (4, lines / 2)
        Scratch: a chunk; cosines and sines at both ends of a cell.
    """

    counters: Integers1
    input_ring: Reals2
    diffuser_ring: Reals2
    line_ring: Reals2
    filter_state: Reals3
    rows: Reals2
    rotation: Reals2


@kernel()
def mix(rows: Reals2, samples: np.uintp) -> None:
    """Multiply by the Hadamard matrix in Sylvester's order, in place, without its scale factor.

    `rows` has the shape (lines, CHUNK), lines a power of two; the first `samples` columns are changed.
    """
    lines = rows.shape[0]
    half = 1
    while half * 2 < lines:  # two of the fast transform's stages at once: half the traffic
        start = 0
        while start < lines:
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
            start += 4 * half
        half *= 4
    if half < lines:
        for row in range(half):
            for k in range(samples):
                a = rows[row, k]
                b = rows[row + half, k]
                rows[row, k] = a + b
                rows[row + half, k] = a - b


@kernel()
def place(now: int, delay: int, length: int) -> np.uintp:
    """Offset in a ring of what was written `delay` samples ago; a division would cost more than the row."""
    return np.uintp(now - delay if now >= delay else now - delay + length)


@kernel()
def write_input(ring: Reals2, audio: Reals2, start: int, fed: int, samples: np.uintp) -> None:
    """Store a chunk of the input.

    Parameters
    ----------
    ring : ndarray, shape (channels, ring length + CHUNK)
        Gets the chunk.
    audio : ndarray, shape (channels, samples)
        The block.
    start : int
        First sample of the chunk in it.
    fed, samples : int
        Samples fed before this chunk, and its length (at most CHUNK).
    """
    length = ring.shape[1] - CHUNK
    write = np.uintp(fed % length)
    first = np.uintp(start)
    for channel in range(ring.shape[0]):
        for k in range(samples):
            x = audio[channel, first + k]
            ring[channel, write + k] = x if abs(x) > SILENCE else 0.0
        if write < CHUNK:
            margin = write + np.uintp(length)
            for k in range(samples):
                ring[channel, margin + k] = ring[channel, write + k]


@kernel()
def spread(ring: Reals2, delays: Integers1, gains: Reals1, rows: Reals2, fed: int, samples: np.uintp) -> None:
    """Give every line its channel, or its channels if there are more of them, at the line's delay.

    Parameters
    ----------
    ring : ndarray, shape (channels, ring length + CHUNK)
        The input.
    delays, gains : ndarray, shape (lines,)
        Of the lines, in samples.
    rows : ndarray, shape (lines, CHUNK)
        Gets the chunk.
    fed, samples
        As for `write_input`.
    """
    length = ring.shape[1] - CHUNK
    now = fed % length
    channels = ring.shape[0]
    for row in range(rows.shape[0]):
        read = place(now, delays[row], length)
        gain = gains[row]
        channel = row % channels
        for k in range(samples):
            rows[row, k] = gain * ring[channel, read + k]
        other = channel + rows.shape[0]
        while other < channels:
            for k in range(samples):
                rows[row, k] += gain * ring[other, read + k]
            other += rows.shape[0]


@kernel()
def write_rows(ring: Reals2, order: Integers1, gains: Reals1, rows: Reals2, fed: int, samples: np.uintp) -> None:
    """Store the rows, in another order and with gains.

    `ring` has the shape (lines, ring length + CHUNK), `order` and `gains` (lines,), `rows` (lines, CHUNK); `fed`
    and `samples` as for `write_input`.
    """
    length = ring.shape[1] - CHUNK
    write = np.uintp(fed % length)
    for row in range(rows.shape[0]):
        source = order[row]
        gain = gains[row]
        for k in range(samples):
            x = gain * rows[source, k]
            ring[row, write + k] = x if abs(x) > SILENCE else 0.0
        if write < CHUNK:
            margin = write + np.uintp(length)
            for k in range(samples):
                ring[row, margin + k] = ring[row, write + k]


@kernel()
def read_rows(ring: Reals2, delays: Integers1, gains: Reals1, rows: Reals2, fed: int, samples: np.uintp) -> None:
    """Fetch every line at its delay, with its gain; shapes as for `write_rows`, `delays` in samples."""
    length = ring.shape[1] - CHUNK
    now = fed % length
    for row in range(rows.shape[0]):
        read = place(now, delays[row], length)
        gain = gains[row]
        for k in range(samples):
            rows[row, k] = gain * ring[row, read + k]


@kernel()
def read_filtered(network: Network, memory: NetworkMemory, fed: int, samples: np.uintp) -> None:
    """Fetch every line through its filter of one section, and add the diffuser's ring, every line at its delay.

    The ring itself remembers what went in before, so the section's numerator runs along time; only the two
    multiply-adds of the denominator must wait for one another, and they do so for four lines abreast.

    Writes `samples` columns of ``memory.rows``; `fed` samples have been fed before.
    """
    ring = memory.line_ring
    delays = network.line_delays
    gains = network.line_gains
    coefficients = network.coefficients
    state = memory.filter_state
    added_ring = memory.diffuser_ring
    added_delays = network.diffuser_delays
    rows = memory.rows
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
def add_rows(ring: Reals2, delays: Integers1, rows: Reals2, fed: int, samples: np.uintp) -> None:
    """Add every line of another ring at its delay; shapes as for `write_rows`, `delays` in samples."""
    length = ring.shape[1] - CHUNK
    now = fed % length
    for row in range(rows.shape[0]):
        read = place(now, delays[row], length)
        for k in range(samples):
            rows[row, k] += ring[row, read + k]


@kernel()
def absorb(rows: Reals2, coefficients: Reals3, state: Reals3, samples: np.uintp) -> None:
    """Filter every line with its cascade of second-order sections, in place, four lines abreast.

    Sections are 1 + c z^-1 + d z^-2 over 1 + e z^-1 + f z^-2, in observer form: the first state goes into
    the next one through a single multiply-add, half the waiting time of the transposed direct form.

    Parameters
    ----------
    rows : ndarray, shape (lines, CHUNK)
        The first `samples` columns are filtered.
    coefficients : ndarray, shape (sections, 4, lines)
        c - e, d - f, e and f.
    state : ndarray, shape (sections, 2, lines)
        Both states, changed in place.
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
def clear_stale(state: Reals3) -> None:
    """Set states, shape (sections, 2, lines), that have decayed to silence to zero."""
    for section in range(state.shape[0]):
        for part in range(2):
            for row in range(state.shape[2]):
                if abs(state[section, part, row]) < SILENCE:
                    state[section, part, row] = 0.0


@kernel()
def turn(position: int, motion: Motion, cosines: Reals1, sines: Reals1) -> None:
    """Write cosine and sine of every pair's angle at a place on the tape: a pure function of it.

    Parameters
    ----------
    position : int
        Sample of the tape.
    motion : Motion
        How the pairs turn.
    cosines, sines : ndarray, shape (lines / 2,)
        Get the result.
    """
    rates = motion.rates
    phases = motion.phases
    depths = motion.depths
    for pair in range(rates.shape[1]):
        angle = 0.0
        for swing in range(rates.shape[0]):
            if depths[swing] > 0.0:
                turns = rates[swing, pair] * position + phases[swing, pair]
                angle += depths[swing] * math.sin(2.0 * math.pi * (turns - math.floor(turns)))
        cosines[pair] = math.cos(angle)
        sines[pair] = math.sin(angle)


@kernel()
def rotate(rows: Reals2, rotation: Reals2, ramp: Reals2, curved: bool, into: int, samples: np.uintp) -> None:
    """Rotate every pair of rows by an angle that moves along the cell.

    Cosine and sine are interpolated between exact values d radians apart: a pair loses d^2/6 of its energy
    on average. If `curved`, they are lengthened by 1 + u (1 - u) (1 - cos d), u of the way along: it then
    loses d^4/40. It never gains any.

    Parameters
    ----------
    rows : ndarray, shape (lines, CHUNK)
        The first `samples` columns are rotated.
    rotation : ndarray, shape (4, lines / 2)
        Cosine and sine at the beginning of the cell, then at its end.
    ramp, curved
        See :class:`Motion`.
    into : int
        Place of the chunk in the cell.
    """
    half = rows.shape[0] // 2
    first = np.uintp(into)
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
    audio: Reals2, out: Reals2, start: int, network: Network, ring: Reals2, fed: int, samples: np.uintp
) -> None:
    """Give every channel the input and the lines that it hears, each at its own delay and with its own gain.

    Parameters
    ----------
    audio, out : ndarray, shape (channels, samples)
        The block, and what becomes of it.
    start : int
        First sample of the chunk in them.
    network : Network
        Its dry gain and taps are used.
    ring : ndarray, shape (lines, ring length + CHUNK)
        What goes into the lines.
    fed, samples : int
        Samples fed before this chunk, and its length.
    """
    delays = network.tap_delays
    gains = network.tap_gains
    dry = network.dry_gain
    length = ring.shape[1] - CHUNK
    now = fed % length
    first = np.uintp(start)
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
def reverberate(audio: Reals2, out: Reals2, network: Network, motion: Motion, memory: NetworkMemory) -> None:
    """Reverberate a block of any length.

    Parameters
    ----------
    audio, out : ndarray, shape (channels, samples)
        The block, and what becomes of it.
    network : Network
        Delays, gains and filters.
    motion : Motion
        How the mixing turns.
    memory : NetworkMemory
        All state, changed in place.
    """
    counters = memory.counters
    rows = memory.rows
    rotation = memory.rotation
    length = audio.shape[1]
    longest = network.line_delays[0]
    for line in range(network.line_delays.size):
        longest = min(longest, network.line_delays[line])
    cell = motion.ramp.shape[1]
    moving = False
    for swing in range(motion.depths.size):
        moving = moving or motion.depths[swing] > 0.0
    done = 0
    while done < length:
        fed = counters[0]
        position = counters[1]
        into = position % cell
        count = min(CHUNK - fed % CHUNK, cell - into)
        count = min(count, longest)
        count = min(count, length - done)
        samples = np.uintp(count)

        write_input(memory.input_ring, audio, done, fed, samples)
        spread(memory.input_ring, network.input_delays, network.input_gains, rows, fed, samples)
        mix(rows, samples)
        write_rows(memory.diffuser_ring, network.diffuser_order, network.diffuser_gains, rows, fed, samples)

        if network.coefficients.shape[0] == 1:
            read_filtered(network, memory, fed, samples)
        else:
            read_rows(memory.line_ring, network.line_delays, network.line_gains, rows, fed, samples)
            absorb(rows, network.coefficients, memory.filter_state, samples)
            add_rows(memory.diffuser_ring, network.diffuser_delays, rows, fed, samples)
        if moving:
            if into == 0 or done == 0:
                if done == 0:
                    turn(position - into, motion, rotation[0], rotation[1])
                else:  # where the last cell ended
                    for pair in range(rotation.shape[1]):
                        rotation[0, pair] = rotation[2, pair]
                        rotation[1, pair] = rotation[3, pair]
                turn(position - into + cell, motion, rotation[2], rotation[3])
            rotate(rows, rotation, motion.ramp, motion.curved, into, samples)
        mix(rows, samples)
        write_rows(memory.line_ring, network.line_order, network.mixing_gains, rows, fed, samples)
        write_output(audio, out, done, network, memory.line_ring, fed, samples)

        done += count
        counters[0] = fed + count
        counters[1] = position + count
        if counters[0] % CHUNK == 0:
            clear_stale(memory.filter_state)
