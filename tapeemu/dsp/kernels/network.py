"""The loop of the feedback delay network: diffuser, absorbing lines, mixing, in chunks of up to 64 samples.

Rows are lines, columns are time: all but the recursive filters runs along contiguous memory, and nothing
is summed along time, so no result depends on where a chunk starts or ends.

Rings hold `ring length` columns and a margin of one chunk that repeats their beginning, so that a chunk
can always be read in one piece; ring lengths are multiples of CHUNK and chunks end on that grid, so that
it can always be written in one piece. Offsets into rings are unsigned: a signed one might be negative for
all the compiler knows, and would keep it from using vector instructions.
"""

from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import (
    Hashes2,
    Integers1,
    Integers2,
    Precise,
    Precises1,
    Precises2,
    Precises3,
    Reals1,
    Reals2,
)
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import cosine_of_turns, sine_of_turns
from tapeemu.dsp.kernels.kept_rows import clear_rows

__all__ = [
    "CELL",
    "CHUNK",
    "COMMON",
    "COMMON_ROW",
    "COUNTERS",
    "COURSES",
    "CURVED",
    "DELAYS",
    "DEPTH",
    "DIFFUSER_DELAY",
    "DIFFUSER_GAIN",
    "DIFFUSER_ORDER",
    "DRY",
    "DRY_ROW",
    "FED",
    "GAINS",
    "HEARD",
    "HEARD_ROW",
    "HELD",
    "INPUT_DELAY",
    "INPUT_GAIN",
    "LEFT",
    "LINE_DELAY",
    "LINE_ORDER",
    "LONGEST_CELL",
    "MADE",
    "MIXING_GAIN",
    "MOVING",
    "NOWHERE",
    "NUMBERS",
    "OWN",
    "OWN_ROW",
    "POSITION",
    "SCALE",
    "SHORTEST",
    "SILENCE",
    "SWINGS",
    "TURNED",
    "Network",
    "NetworkState",
    "absorb",
    "add_rows",
    "clear_network",
    "clear_stale",
    "mix",
    "place",
    "read_filtered",
    "read_rows",
    "spread",
    "turn_rows",
    "write_input",
    "write_moving_output",
    "write_output",
    "write_rows",
]

CHUNK = 64
"""Longest chunk; also the grid on which the states of filters are cleared."""

SILENCE = 1e-30
"""600 dB down: a smaller sample is silence, long before arithmetic on it would get slow in single precision."""

ABREAST = 8
"""Lines that are filtered side by side: what divides all numbers of lines."""

LONGEST_CELL = 256
"""Most samples between exact angles."""

SWINGS = 2
"""Swings that add up to a pair's angle."""

DELAYS = 5
INPUT_DELAY, DIFFUSER_DELAY, LINE_DELAY, DIFFUSER_ORDER, LINE_ORDER = range(5)
GAINS = 3
INPUT_GAIN, DIFFUSER_GAIN, MIXING_GAIN = range(3)
NUMBERS = 8
DRY, OWN, COMMON, SCALE, DEPTH, DEPTH_OF_SECOND, HEARD, HELD = range(8)

DRY_ROW, HEARD_ROW, OWN_ROW, COMMON_ROW = range(4)
COURSES = 4
"""Numbers of the output that glide, and rows of them sample by sample."""

COUNTERS = 9
FED, POSITION, TURNED, SHORTEST, MOVING, CELL, CURVED, LEFT, MADE = range(9)

NOWHERE = 1  # no cell begins there
_SHIFT_11 = np.uint64(11)
_PER_2_53 = 2.0**-53


class Network(NamedTuple):
    """Delays, gains and filters, which never change.

    Attributes
    ----------
    numbers : ndarray, shape (NUMBERS,)
        Gains of the dry sound, of a channel's own reverberation, and of that of all channels together; what the
        lines are scaled by, so that the mixing itself has no factor but signs; largest angles of both swings in
        turns; whether the reverberation is heard, 1 or 0; the level of it that the taps hold.
    delays : ndarray of int64, shape (DELAYS, lines)
        Of input, diffuser and lines, in samples: the first two may be zero, lines are at least one sample long.
        Then which row of the mixed chunk goes into each row of the diffuser's ring, and of the lines'.
    gains : ndarray, shape (GAINS, lines)
        Into the first mixing (line i is fed by channel i modulo their number, and also by channels i + lines,
        i + 2 lines, ...); into the diffuser's ring; and into the lines: signs, decay, and scale factors.
    filters : ndarray, shape (FILTER_ROWS, 4, lines)
        See :data:`tapeemu.dsp.kernels.line_filters.FILTER_ROWS`.
    tap_delays, tap_gains : ndarray of int64, and ndarray, shape (channels, lines / 2)
        What even channels hear of what goes into the first half of the lines, and odd channels of what
        goes into the second. Delays in samples, at most those of the longest line.
    rates, phases : ndarray of uint64, shape (SWINGS, lines / 2)
        Turns per sample, and turns at sample 0, of the swings that add up to each pair's angle, in units of 2^-64:
        exact at any hour.
    ramp : ndarray, shape (2, LONGEST_CELL)
        u = k / cell and u (1 - u): the way through a cell, the grid on the tape on which angles are exact.
    """

    numbers: Precises1
    delays: Integers2
    gains: Reals2
    filters: Precises3
    tap_delays: Integers2
    tap_gains: Reals2
    rates: Hashes2
    phases: Hashes2
    ramp: Reals2


class NetworkState(NamedTuple):
    """What is kept from one block to the next, and scratch; all of it is changed in place.

    Attributes
    ----------
    counters : ndarray of int64, shape (COUNTERS,)
        Samples fed so far; place on the tape of the next one; beginning of the cell whose angles are known. Then
        what never changes: samples of the shortest line; whether the mixing turns; samples of a cell; whether
        lines between exact angles are curved, see `rotate`. Last, whether the filters have left their design, and
        for which segment they are made, see :mod:`tapeemu.dsp.kernels.moving_decay`.
    input_ring : ndarray, shape (channels, ring length + CHUNK)
        What was fed.
    diffuser_ring, line_ring : ndarray, shape (lines, ring length + CHUNK)
        What goes through the diffuser's second stage, and through the lines.
    filter_state : ndarray, shape (FILTER_ROWS - 1, 2, lines)
        See `absorb`.
    rows : ndarray, shape (lines, CHUNK)
        Scratch: a chunk.
    rotation : ndarray, shape (4, lines / 2)
        Cosines and sines at both ends of a cell.
    filtered : ndarray, shape (CHUNK, lines)
        Scratch: a chunk on its way through the filters, all lines of a moment side by side; in double precision,
        for one section may take away what another one brings back.
    heard : ndarray, shape (channels + 1, CHUNK)
        Scratch: what each channel hears, and all together.
    """

    counters: Integers1
    input_ring: Reals2
    diffuser_ring: Reals2
    line_ring: Reals2
    filter_state: Precises3
    rows: Reals2
    rotation: Reals2
    filtered: Precises2
    heard: Reals2


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
def place(now: np.int64, delay: np.int64, length: int) -> np.uintp:
    """Offset in a ring of what was written `delay` samples ago; a division would cost more than the row."""
    return np.uintp(now - delay if now >= delay else now - delay + length)


@kernel()
def write_input(ring: Reals2, audio: Reals2, first: np.uintp, fed: np.int64, samples: np.uintp) -> None:
    """Store a chunk of the input.

    Parameters
    ----------
    ring : ndarray, shape (channels, ring length + CHUNK)
        Gets the chunk.
    audio : ndarray, shape (channels, samples)
        The block.
    first : int
        First sample of the chunk in it.
    fed, samples : int
        Samples fed before this chunk, and its length (at most CHUNK).
    """
    length = ring.shape[1] - CHUNK
    write = np.uintp(fed % length)
    for channel in range(ring.shape[0]):
        for k in range(samples):
            x = audio[channel, first + k]
            ring[channel, write + k] = x if abs(x) > SILENCE else 0.0
        if write < CHUNK:
            margin = write + np.uintp(length)
            for k in range(samples):
                ring[channel, margin + k] = ring[channel, write + k]


@kernel()
def spread(ring: Reals2, delays: Integers1, gains: Reals1, rows: Reals2, fed: np.int64, samples: np.uintp) -> None:
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
def write_rows(
    ring: Reals2, order: Integers1, gains: Reals1, rows: Reals2, fed: np.int64, samples: np.uintp
) -> None:
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
def read_rows(ring: Reals2, network: Network, rows: Precises2, fed: np.int64, samples: np.uintp) -> None:
    """Fetch every line at its delay, with its gain; shapes as for `write_rows`, but `rows` is (CHUNK, lines).

    The gain is of double precision: it is met again at every pass, and its rounding would add up.
    """
    length = ring.shape[1] - CHUNK
    now = fed % length
    scale = network.numbers[SCALE]
    for row in range(rows.shape[1]):
        read = place(now, network.delays[LINE_DELAY, row], length)
        gain = scale * network.filters[0, 0, row]
        for k in range(samples):
            rows[k, row] = gain * ring[row, read + k]


@kernel()
def read_filtered(network: Network, state: NetworkState, fed: np.int64, samples: np.uintp) -> None:
    """Fetch every line through its filter of one section, and add the diffuser's ring, every line at its delay.

    The ring itself remembers what went in before, so the section's numerator runs along time; only the two
    multiply-adds of the denominator must wait for one another, and they do so for four lines abreast. Both are of
    double precision: where a corner is low, they are small differences of large numbers.

    Writes `samples` columns of ``state.rows``; `fed` samples have been fed before.
    """
    ring = state.line_ring
    delays = network.delays
    filters = network.filters
    past = state.filter_state
    added_ring = state.diffuser_ring
    rows = state.rows
    filtered = state.filtered
    scale = network.numbers[SCALE]
    length = ring.shape[1] - CHUNK
    now = fed % length
    added_length = added_ring.shape[1] - CHUNK
    added_now = fed % added_length
    for row in range(0, rows.shape[0], 4):
        for part in range(4):
            line = row + part
            r0 = place(now, delays[LINE_DELAY, line], length)
            r1 = place(now, delays[LINE_DELAY, line] + 1, length)
            r2 = place(now, delays[LINE_DELAY, line] + 2, length)
            g0 = scale * filters[0, 0, line]
            g1 = g0 * (filters[1, 0, line] + filters[1, 2, line])
            g2 = g0 * (filters[1, 1, line] + filters[1, 3, line])
            for k in range(samples):
                filtered[k, part] = g0 * ring[line, r0 + k] + (g1 * ring[line, r1 + k] + g2 * ring[line, r2 + k])
        a0 = place(added_now, delays[DIFFUSER_DELAY, row], added_length)
        a1 = place(added_now, delays[DIFFUSER_DELAY, row + 1], added_length)
        a2 = place(added_now, delays[DIFFUSER_DELAY, row + 2], added_length)
        a3 = place(added_now, delays[DIFFUSER_DELAY, row + 3], added_length)
        e0 = filters[1, 2, row]
        f0 = filters[1, 3, row]
        y0 = past[0, 0, row]
        z0 = past[0, 1, row]
        e1 = filters[1, 2, row + 1]
        f1 = filters[1, 3, row + 1]
        y1 = past[0, 0, row + 1]
        z1 = past[0, 1, row + 1]
        e2 = filters[1, 2, row + 2]
        f2 = filters[1, 3, row + 2]
        y2 = past[0, 0, row + 2]
        z2 = past[0, 1, row + 2]
        e3 = filters[1, 2, row + 3]
        f3 = filters[1, 3, row + 3]
        y3 = past[0, 0, row + 3]
        z3 = past[0, 1, row + 3]
        for k in range(samples):
            w0 = (filtered[k, 0] - f0 * z0) - e0 * y0
            w1 = (filtered[k, 1] - f1 * z1) - e1 * y1
            w2 = (filtered[k, 2] - f2 * z2) - e2 * y2
            w3 = (filtered[k, 3] - f3 * z3) - e3 * y3
            rows[row, k] = w0 + added_ring[row, a0 + k]
            rows[row + 1, k] = w1 + added_ring[row + 1, a1 + k]
            rows[row + 2, k] = w2 + added_ring[row + 2, a2 + k]
            rows[row + 3, k] = w3 + added_ring[row + 3, a3 + k]
            z0 = y0
            z1 = y1
            z2 = y2
            z3 = y3
            y0 = w0
            y1 = w1
            y2 = w2
            y3 = w3
        past[0, 0, row] = y0
        past[0, 1, row] = z0
        past[0, 0, row + 1] = y1
        past[0, 1, row + 1] = z1
        past[0, 0, row + 2] = y2
        past[0, 1, row + 2] = z2
        past[0, 0, row + 3] = y3
        past[0, 1, row + 3] = z3


@kernel()
def add_rows(
    ring: Reals2, delays: Integers1, filtered: Precises2, rows: Reals2, fed: np.int64, samples: np.uintp
) -> None:
    """Add every line of another ring at its delay to what was filtered; shapes as for `write_rows`.

    `filtered` has the shape (CHUNK, lines); `delays` are in samples.
    """
    length = ring.shape[1] - CHUNK
    now = fed % length
    for row in range(rows.shape[0]):
        read = place(now, delays[row], length)
        for k in range(samples):
            rows[row, k] = filtered[k, row] + ring[row, read + k]


@kernel(abreast=True)
def absorb(rows: Precises2, filters: Precises3, sections: int, state: Precises3, samples: np.uintp) -> None:
    """Filter every line with its cascade of second-order sections, in place, eight lines abreast.

    Sections are 1 + c z^-1 + d z^-2 over 1 + e z^-1 + f z^-2, in observer form: the first state goes into
    the next one through a single multiply-add, half the waiting time of the transposed direct form. Eight lines
    are written out, for only so the compiler keeps their states in vector registers.

    Parameters
    ----------
    rows : ndarray, shape (CHUNK, lines)
        The first `samples` rows are filtered.
    filters : ndarray, shape (FILTER_ROWS, 4, lines)
        c - e, d - f, e and f of each section, in the rows behind the first.
    sections : int
        How many there are.
    state : ndarray, shape (FILTER_ROWS - 1, 2, lines)
        Both states of each section, changed in place; in double precision, for poles may be slow.
    """
    for section in range(sections):
        for line in range(0, rows.shape[1], ABREAST):
            c0 = filters[section + 1, 0, line]
            d0 = filters[section + 1, 1, line]
            e0 = filters[section + 1, 2, line]
            f0 = filters[section + 1, 3, line]
            s0 = state[section, 0, line]
            t0 = state[section, 1, line]
            c1 = filters[section + 1, 0, line + 1]
            d1 = filters[section + 1, 1, line + 1]
            e1 = filters[section + 1, 2, line + 1]
            f1 = filters[section + 1, 3, line + 1]
            s1 = state[section, 0, line + 1]
            t1 = state[section, 1, line + 1]
            c2 = filters[section + 1, 0, line + 2]
            d2 = filters[section + 1, 1, line + 2]
            e2 = filters[section + 1, 2, line + 2]
            f2 = filters[section + 1, 3, line + 2]
            s2 = state[section, 0, line + 2]
            t2 = state[section, 1, line + 2]
            c3 = filters[section + 1, 0, line + 3]
            d3 = filters[section + 1, 1, line + 3]
            e3 = filters[section + 1, 2, line + 3]
            f3 = filters[section + 1, 3, line + 3]
            s3 = state[section, 0, line + 3]
            t3 = state[section, 1, line + 3]
            c4 = filters[section + 1, 0, line + 4]
            d4 = filters[section + 1, 1, line + 4]
            e4 = filters[section + 1, 2, line + 4]
            f4 = filters[section + 1, 3, line + 4]
            s4 = state[section, 0, line + 4]
            t4 = state[section, 1, line + 4]
            c5 = filters[section + 1, 0, line + 5]
            d5 = filters[section + 1, 1, line + 5]
            e5 = filters[section + 1, 2, line + 5]
            f5 = filters[section + 1, 3, line + 5]
            s5 = state[section, 0, line + 5]
            t5 = state[section, 1, line + 5]
            c6 = filters[section + 1, 0, line + 6]
            d6 = filters[section + 1, 1, line + 6]
            e6 = filters[section + 1, 2, line + 6]
            f6 = filters[section + 1, 3, line + 6]
            s6 = state[section, 0, line + 6]
            t6 = state[section, 1, line + 6]
            c7 = filters[section + 1, 0, line + 7]
            d7 = filters[section + 1, 1, line + 7]
            e7 = filters[section + 1, 2, line + 7]
            f7 = filters[section + 1, 3, line + 7]
            s7 = state[section, 0, line + 7]
            t7 = state[section, 1, line + 7]
            for k in range(samples):
                lanes = rows[k, line : line + ABREAST]
                x0 = lanes[0]
                x1 = lanes[1]
                x2 = lanes[2]
                x3 = lanes[3]
                x4 = lanes[4]
                x5 = lanes[5]
                x6 = lanes[6]
                x7 = lanes[7]
                lanes[0] = x0 + s0
                lanes[1] = x1 + s1
                lanes[2] = x2 + s2
                lanes[3] = x3 + s3
                lanes[4] = x4 + s4
                lanes[5] = x5 + s5
                lanes[6] = x6 + s6
                lanes[7] = x7 + s7
                u0 = c0 * x0 + t0
                u1 = c1 * x1 + t1
                u2 = c2 * x2 + t2
                u3 = c3 * x3 + t3
                u4 = c4 * x4 + t4
                u5 = c5 * x5 + t5
                u6 = c6 * x6 + t6
                u7 = c7 * x7 + t7
                t0 = d0 * x0 - f0 * s0
                t1 = d1 * x1 - f1 * s1
                t2 = d2 * x2 - f2 * s2
                t3 = d3 * x3 - f3 * s3
                t4 = d4 * x4 - f4 * s4
                t5 = d5 * x5 - f5 * s5
                t6 = d6 * x6 - f6 * s6
                t7 = d7 * x7 - f7 * s7
                s0 = u0 - e0 * s0
                s1 = u1 - e1 * s1
                s2 = u2 - e2 * s2
                s3 = u3 - e3 * s3
                s4 = u4 - e4 * s4
                s5 = u5 - e5 * s5
                s6 = u6 - e6 * s6
                s7 = u7 - e7 * s7
            state[section, 0, line] = s0
            state[section, 1, line] = t0
            state[section, 0, line + 1] = s1
            state[section, 1, line + 1] = t1
            state[section, 0, line + 2] = s2
            state[section, 1, line + 2] = t2
            state[section, 0, line + 3] = s3
            state[section, 1, line + 3] = t3
            state[section, 0, line + 4] = s4
            state[section, 1, line + 4] = t4
            state[section, 0, line + 5] = s5
            state[section, 1, line + 5] = t5
            state[section, 0, line + 6] = s6
            state[section, 1, line + 6] = t6
            state[section, 0, line + 7] = s7
            state[section, 1, line + 7] = t7


@kernel()
def clear_stale(state: Precises3) -> None:
    """Set states, shape (sections, 2, lines), that have decayed to silence to zero."""
    for section in range(state.shape[0]):
        for part in range(2):
            for row in range(state.shape[2]):
                if abs(state[section, part, row]) < SILENCE:
                    state[section, part, row] = 0.0


@kernel()
def turn(position: np.int64, network: Network, cosines: Reals1, sines: Reals1) -> None:
    """Write cosine and sine of every pair's angle at a place on the tape: a pure function of it.

    Parameters
    ----------
    position : int
        Sample of the tape.
    network : Network
        How the pairs turn.
    cosines, sines : ndarray, shape (lines / 2,)
        Get the result.
    """
    rates = network.rates
    phases = network.phases
    there = np.uint64(position)
    for pair in range(rates.shape[1]):
        angle: Precise = 0.0
        for swing in range(SWINGS):
            depth = network.numbers[DEPTH + swing]
            if depth > 0.0:
                phase = rates[swing, pair] * there + phases[swing, pair]
                angle += depth * sine_of_turns(np.float64(np.int64(phase >> _SHIFT_11)) * _PER_2_53)
        cosines[pair] = cosine_of_turns(angle)
        sines[pair] = sine_of_turns(angle)


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
        See :class:`Network` and :class:`NetworkState`.
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
def add_taps(
    channel: int,
    network: Network,
    ring: Reals2,
    fed: np.int64,
    first: np.uintp,
    samples: np.uintp,
    out: Reals2,
    row: int,
) -> None:
    """Add what a channel hears of the lines, each at its own delay and with its own gain, to a row of `out`.

    Parameters
    ----------
    channel : int
        Whose taps they are.
    network : Network
        Delays and gains of the taps.
    ring : ndarray, shape (lines, ring length + CHUNK)
        What goes into the lines.
    fed : int
        Samples fed before this chunk.
    first, samples : int
        First column that is added to, and how many.
    out : ndarray, shape (rows, columns)
        Is added to in place.
    row : int
        Row of it that is added to.
    """
    delays = network.tap_delays
    gains = network.tap_gains
    length = ring.shape[1] - CHUNK
    now = fed % length
    half = ring.shape[0] // 2
    offset = half * (channel % 2)
    for tap in range(0, half, 4):
        line = offset + tap
        r0 = place(now, delays[channel, tap], length)
        r1 = place(now, delays[channel, tap + 1], length)
        r2 = place(now, delays[channel, tap + 2], length)
        r3 = place(now, delays[channel, tap + 3], length)
        g0 = gains[channel, tap]
        g1 = gains[channel, tap + 1]
        g2 = gains[channel, tap + 2]
        g3 = gains[channel, tap + 3]
        for k in range(samples):
            left = g0 * ring[line, r0 + k] + g1 * ring[line + 1, r1 + k]
            right = g2 * ring[line + 2, r2 + k] + g3 * ring[line + 3, r3 + k]
            out[row, first + k] += left + right


@kernel()
def write_output(
    audio: Reals2,
    out: Reals2,
    first: np.uintp,
    network: Network,
    state: NetworkState,
    fed: np.int64,
    samples: np.uintp,
) -> None:
    """Give every channel the input and what it hears of the lines; `out` may be `audio` itself.

    Parameters
    ----------
    audio, out : ndarray, shape (channels, samples)
        The block, and what becomes of it.
    first : int
        First sample of the chunk in them.
    network : Network
    state : NetworkState
    fed, samples : int
        Samples fed before this chunk, and its length.
    """
    dry: float = network.numbers[DRY]
    own: float = network.numbers[OWN]
    common: float = network.numbers[COMMON]
    channels = out.shape[0]
    if common == 0.0 or network.numbers[HEARD] == 0.0:
        for channel in range(channels):
            for k in range(samples):
                out[channel, first + k] = dry * audio[channel, first + k]
            if network.numbers[HEARD] != 0.0:
                add_taps(channel, network, state.line_ring, fed, first, samples, out, channel)
        return
    hear(channels, network, state, fed, samples)
    heard = state.heard
    for channel in range(channels):
        for k in range(samples):
            wet = own * heard[channel, k] + common * heard[channels, k]
            out[channel, first + k] = wet + dry * audio[channel, first + k]


@kernel()
def write_moving_output(
    audio: Reals2,
    out: Reals2,
    first: np.uintp,
    network: Network,
    state: NetworkState,
    fed: np.int64,
    samples: np.uintp,
    courses: Reals2,
) -> None:
    """As :func:`write_output`, with gains that move.

    Parameters
    ----------
    audio, out, first, network, state, fed, samples
        As there.
    courses : ndarray, shape (COURSES, samples or more)
        Sample by sample: gain of the dry sound, of all that taps give, of a channel's own, and of all channels'.
    """
    channels = out.shape[0]
    hear(channels, network, state, fed, samples)
    heard = state.heard
    for channel in range(channels):
        for k in range(samples):
            wet = courses[OWN_ROW, k] * heard[channel, k] + courses[COMMON_ROW, k] * heard[channels, k]
            dry = courses[DRY_ROW, k] * audio[channel, first + k]
            out[channel, first + k] = courses[HEARD_ROW, k] * wet + dry


@kernel()
def hear(channels: int, network: Network, state: NetworkState, fed: np.int64, samples: np.uintp) -> None:
    """Write what every channel hears of the lines into `state.heard`, and behind that of all the sum."""
    heard = state.heard
    for k in range(samples):
        heard[channels, k] = 0.0
    for channel in range(channels):
        for k in range(samples):
            heard[channel, k] = 0.0
        add_taps(channel, network, state.line_ring, fed, np.uintp(0), samples, heard, channel)
        for k in range(samples):
            heard[channels, k] += heard[channel, k]


@kernel()
def turn_rows(network: Network, state: NetworkState, samples: np.uintp) -> None:
    """Rotate all pairs of rows by their angles at this place on the tape."""
    rotation = state.rotation
    counters = state.counters
    into = counters[POSITION] % counters[CELL]
    begin = counters[POSITION] - into
    if counters[TURNED] != begin:
        if counters[TURNED] == begin - counters[CELL]:
            for pair in range(rotation.shape[1]):
                rotation[0, pair] = rotation[2, pair]
                rotation[1, pair] = rotation[3, pair]
        else:
            turn(begin, network, rotation[0], rotation[1])
        turn(begin + counters[CELL], network, rotation[2], rotation[3])
        counters[TURNED] = begin
    rotate(state.rows, rotation, network.ramp, counters[CURVED] != 0, int(into), samples)


@kernel()
def clear_network(state: NetworkState, position: np.int64) -> None:
    """Forget what sounded, and go to a place on the tape."""
    clear_rows(state.input_ring)
    clear_rows(state.diffuser_ring)
    clear_rows(state.line_ring)
    for section in range(state.filter_state.shape[0]):
        for part in range(2):
            for row in range(state.filter_state.shape[2]):
                state.filter_state[section, part, row] = 0.0
    state.counters[FED] = 0
    state.counters[POSITION] = position
    state.counters[TURNED] = NOWHERE
    state.counters[LEFT] = 0
    state.counters[MADE] = NOWHERE
