"""Filters of the lines of a feedback delay network while the decay time moves: the room stays, its losses change.

A decay time `p` times as short asks every line for `p` times as many decibels in a pass, at every frequency. The
logarithm of the loss at 1 kHz is multiplied by just that, and so is the logarithm of the ratio of every zero's
corner to its pole's: the middle of both and their quality stay. Levels far from all corners are then exact, those
near them are within a few per cent as long as a filter changes level by less than some 10 dB. Zeros and poles stay
in the left half of the plane, so every filter on the way is stable.

The logarithm of `p` is a number that glides. From it filters are made 16 samples apart, and half way between; in
between, their coefficients go by the parabola through the three. What the jump of a decay time leaves above the
sound is ruled by the glide then, and a filter changes too little in 16 samples for one in between to be another.

New sound enters at the level with which it will leave. It is not the output whose level is changed: what has
sounded before would be too loud, or too soft, until it has gone.
"""

import math
from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Integers2, Precise, Precises2, Precises3, Reals2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import cosine_of_turns, exponential, logarithm, sine_of_turns
from tapeemu.dsp.kernels.glides import AT, NODES, Glide, glide_value
from tapeemu.dsp.kernels.line_filters import FILTER_ROWS, pass_power, section_count
from tapeemu.dsp.kernels.network import (
    CHUNK,
    LEFT,
    LINE_DELAY,
    MADE,
    NOWHERE,
    POSITION,
    SCALE,
    Network,
    NetworkState,
    place,
)

__all__ = [
    "DECAY_COURSE",
    "MOVING_ARRAYS",
    "MovingDecay",
    "absorb_moving",
    "decay_left",
    "into_segment",
    "leave_design",
    "make_segment",
    "moving_shapes",
    "read_moving",
    "scale_input",
    "write_law",
]

DECAY_COURSE = 4
"""Number of the glide that is the logarithm of how much shorter the decay is than as designed."""

MOVING_ARRAYS = 4
_SEGMENT = 16
_HALF = 8
_MOST_NEPERS = 10.36  # 90 dB: more is never lost in a pass at 1 kHz
_WIDEST = 7.0  # logarithm of a corner over the middle, 60 dB to each side
_ALMOST_REAL = -1e-9
_COSINE, _SINE, _AT_REST = 1, 2, 3
_ON_THE_WAY = 1e300


class MovingDecay(NamedTuple):
    """The design as a law, and filters of a segment.

    Attributes
    ----------
    law : ndarray, shape (FILTER_ROWS, 4, lines)
        Row 0: logarithm of what a pass leaves at 1 kHz; then, of no line, cosine and sine of that frequency, and
        where the glide stands, if it does. Of every section, where zeros and poles are real: logarithms of the
        middle of a zero and its pole, and of the square root of their ratio; the same of the other pair. Where
        they are not: the same of both frequencies, then the widths of zeros and poles.
    base, step, bend : ndarray, shape (FILTER_ROWS, 4, lines)
        Filters as in :data:`tapeemu.dsp.kernels.line_filters.FILTER_ROWS`, as ``base + u (step + u bend)``, u
        samples into the segment. The second part of row 0 has the gain of what enters.
    """

    law: Precises3
    base: Precises3
    step: Precises3
    bend: Precises3


@kernel()
def moving_shapes(lines: int, first: int, shapes: Integers2) -> None:
    """Write the shapes of a :class:`MovingDecay` into rows of `shapes`, from row `first` on."""
    for row in range(first, first + MOVING_ARRAYS):
        shapes[row, 0] = FILTER_ROWS
        shapes[row, 1] = 4
        shapes[row, 2] = lines


@kernel()
def _root(once: Precise, twice: Precise, side: Precise) -> Precise:
    """A real root of ``z^2 + once z + twice`` as the bilinear transform's corner."""
    root = 0.5 * (side * math.sqrt(max(once * once - 4.0 * twice, 0.0)) - once)
    return (1.0 - root) / (1.0 + root)


@kernel()
def _square(once: Precise, twice: Precise) -> Precise:
    """Square of the bilinear transform's frequency of ``1 + once / z + twice / z^2``."""
    return (1.0 + once + twice) / (1.0 - once + twice)


@kernel()
def _width(once: Precise, twice: Precise) -> Precise:
    """One over the quality of ``1 + once / z + twice / z^2``."""
    return 2.0 * (1.0 - twice) / math.sqrt((1.0 + once + twice) * (1.0 - once + twice))


@kernel()
def _are_real(filters: Precises3, section: int, line: int) -> bool:
    """Whether zeros and poles of a section are real: two shelves of first order."""
    e = filters[section, 2, line]
    f = filters[section, 3, line]
    c = filters[section, 0, line] + e
    d = filters[section, 1, line] + f
    least: Precise = min(e * e - 4.0 * f, c * c - 4.0 * d)
    return least > _ALMOST_REAL


@kernel()
def write_law(network: Network, turns: Precise, law: Precises3) -> None:
    """Read the design as a law, exact at a frequency in turns per sample."""
    filters = network.filters
    cosine = cosine_of_turns(turns)
    sine = sine_of_turns(turns)
    law[0, _COSINE, 0] = cosine
    law[0, _SINE, 0] = sine
    for line in range(filters.shape[2]):
        law[0, 0, line] = 0.5 * logarithm(pass_power(filters, line, cosine, sine))
        for section in range(1, 1 + section_count(filters)):
            e = filters[section, 2, line]
            f = filters[section, 3, line]
            c = filters[section, 0, line] + e
            d = filters[section, 1, line] + f
            if _are_real(filters, section, line):
                for pair in range(2):
                    side: Precise = 1 - 2 * pair
                    zero = logarithm(_root(c, d, side))
                    pole = logarithm(_root(e, f, side))
                    law[section, 2 * pair, line] = 0.5 * (zero + pole)
                    law[section, 2 * pair + 1, line] = 0.5 * (zero - pole)
            else:
                zeros = 0.5 * logarithm(_square(c, d))
                poles = 0.5 * logarithm(_square(e, f))
                law[section, 0, line] = 0.5 * (zeros + poles)
                law[section, 1, line] = 0.5 * (zeros - poles)
                law[section, 2, line] = _width(c, d)
                law[section, 3, line] = _width(e, f)


@kernel()
def _spread(law: Precises3, section: int, part: int, line: int, times: Precise) -> Precise:
    """Half the ratio of a zero to its pole, that many times as large as designed."""
    return exponential(min(max(times * law[section, part, line], -_WIDEST), _WIDEST))


@kernel()
def _corner_root(corner: Precise) -> Precise:
    """The root in the plane of z of a corner of the bilinear transform."""
    return (1.0 - corner) / (1.0 + corner)


@kernel()
def _make_section(
    filters: Precises3, law: Precises3, section: int, line: int, times: Precise, out: Precises3
) -> None:
    """Make a section whose levels are a multiple of those designed."""
    if _are_real(filters, section, line):
        first = exponential(law[section, 0, line])
        second = exponential(law[section, 2, line])
        wide = _spread(law, section, 1, line, times)
        other = _spread(law, section, 3, line, times)
        first_zero = _corner_root(first * wide)
        first_pole = _corner_root(first / wide)
        second_zero = _corner_root(second * other)
        second_pole = _corner_root(second / other)
        e = -(first_pole + second_pole)
        f = first_pole * second_pole
        out[section, 0, line] = -(first_zero + second_zero) - e
        out[section, 1, line] = first_zero * second_zero - f
    else:
        middle = exponential(law[section, 0, line])
        wide = _spread(law, section, 1, line, times)
        zero = middle * wide
        pole = middle / wide
        zero_width = law[section, 2, line] * zero
        pole_width = law[section, 3, line] * pole
        above = 1.0 + zero_width + zero * zero
        below = 1.0 + pole_width + pole * pole
        e = 2.0 * (pole * pole - 1.0) / below
        f = (1.0 - pole_width + pole * pole) / below
        out[section, 0, line] = 2.0 * (zero * zero - 1.0) / above - e
        out[section, 1, line] = (1.0 - zero_width + zero * zero) / above - f
    out[section, 2, line] = e
    out[section, 3, line] = f


@kernel()
def _loop_power(law: Precises3, times: Precise) -> Precise:
    """Power that a pass leaves on average where levels are held, with a multiple of the decibels designed."""
    total: Precise = 0.0
    lines: Precise = law.shape[2]
    for line in range(law.shape[2]):
        total += exponential(2.0 * max(times * law[0, 0, line], min(-_MOST_NEPERS, law[0, 0, line])))
    return total / lines


@kernel()
def _make(network: Network, law: Precises3, course: Precise, out: Precises3) -> None:
    """Make the filters of all lines, and the gain of what enters, for a place of the glide."""
    filters = network.filters
    sections = section_count(filters)
    times = exponential(course)
    for line in range(filters.shape[2]):
        level = law[0, 0, line]
        nepers = max(times * level, min(-_MOST_NEPERS, level))
        for section in range(1, 1 + sections):
            _make_section(filters, law, section, line, nepers / level, out)
        out[0, 0, line] = 1.0
        out[0, 1, 0] = sections
        power = pass_power(out, line, law[0, _COSINE, 0], law[0, _SINE, 0])
        out[0, 0, line] = exponential(nepers) / math.sqrt(power)
    out[0, 1, 0] = math.sqrt((1.0 - _loop_power(law, times)) / (1.0 - _loop_power(law, 1.0)))


@kernel()
def _level_out(network: Network, moving: MovingDecay) -> None:
    """Let filters stand as they are at the beginning of the segment."""
    for row in range(1 + section_count(network.filters)):
        for part in range(4):
            for line in range(moving.law.shape[2]):
                moving.step[row, part, line] = 0.0
                moving.bend[row, part, line] = 0.0


@kernel()
def _bend(network: Network, moving: MovingDecay) -> None:
    """Lay parabolas through filters at the beginning, in the middle and at the end of the segment."""
    for row in range(1 + section_count(network.filters)):
        for part in range(4):
            for line in range(moving.law.shape[2]):
                first = moving.base[row, part, line]
                last = moving.bend[row, part, line]
                bend = (first - moving.step[row, part, line]) + (last - moving.step[row, part, line])
                moving.step[row, part, line] = ((last - first) - 2.0 * bend) / _SEGMENT
                moving.bend[row, part, line] = 2.0 * bend / (_SEGMENT * _SEGMENT)


@kernel()
def decay_left(glide: Glide) -> bool:
    """Whether the decay is another than designed, or on its way."""
    left = False
    for column in range(1, NODES):
        left = left or glide.values[DECAY_COURSE, column] != 0.0
    return left


@kernel()
def leave_design(network: Network, state: NetworkState, fed: np.int64) -> None:
    """Go on with filters that move, in the observer form that sections have in `absorb`.

    A single section has kept its last two outputs; what went into it is still in the ring.
    """
    state.counters[LEFT] = 1
    filters = network.filters
    if section_count(filters) != 1:
        return
    ring = state.line_ring
    past = state.filter_state
    length = ring.shape[1] - CHUNK
    now = fed % length
    for line in range(filters.shape[2]):
        gain = network.numbers[SCALE] * filters[0, 0, line]
        delay = network.delays[LINE_DELAY, line]
        last = gain * ring[line, place(now, delay + 1, length)]
        before = gain * ring[line, place(now, delay + 2, length)]
        s = past[0, 0, line] - last
        t = filters[1, 1, line] * before - filters[1, 3, line] * (past[0, 1, line] - before)
        past[0, 0, line] = (filters[1, 0, line] * last + t) - filters[1, 2, line] * s
        past[0, 1, line] = filters[1, 1, line] * last - filters[1, 3, line] * s


@kernel()
def into_segment(glide: Glide) -> int:
    """Samples from the beginning of the segment to where the glide is."""
    return int(glide.counts[AT]) % _SEGMENT


@kernel()
def make_segment(network: Network, state: NetworkState, glide: Glide, moving: MovingDecay) -> int:
    """Make the filters of the segment at which the glide is, unless they are made; samples that they hold for."""
    law = moving.law
    course = glide.values[DECAY_COURSE, 1]
    stands = True
    for column in range(2, NODES):
        stands = stands and glide.values[DECAY_COURSE, column] == course
    into = into_segment(glide)
    begin = int(glide.counts[AT]) - into
    place_of_segment = state.counters[POSITION] - into
    if stands:
        if law[0, _AT_REST, 0] != course or state.counters[MADE] == NOWHERE:
            _make(network, law, course, moving.base)
            _level_out(network, moving)
        law[0, _AT_REST, 0] = course
    elif state.counters[MADE] != place_of_segment:
        _make(network, law, glide_value(DECAY_COURSE, begin, glide), moving.base)
        _make(network, law, glide_value(DECAY_COURSE, begin + _HALF, glide), moving.step)
        _make(network, law, glide_value(DECAY_COURSE, begin + _SEGMENT, glide), moving.bend)
        _bend(network, moving)
        law[0, _AT_REST, 0] = _ON_THE_WAY
    state.counters[MADE] = place_of_segment
    return CHUNK if stands else _SEGMENT - into


@kernel()
def scale_input(rows: Reals2, moving: MovingDecay, into: int, samples: int) -> None:
    """Give what enters its level; `rows` is (lines, CHUNK)."""
    base = moving.base[0, 1, 0]
    step = moving.step[0, 1, 0]
    bend = moving.bend[0, 1, 0]
    for row in range(rows.shape[0]):
        for k in range(samples):
            u = np.double(into + k)
            rows[row, k] = (base + u * (step + u * bend)) * rows[row, k]


@kernel()
def read_moving(
    network: Network, state: NetworkState, moving: MovingDecay, fed: np.int64, into: int, samples: int
) -> None:
    """Fetch every line at its delay with a gain that moves, into `state.filtered`."""
    ring = state.line_ring
    filtered = state.filtered
    length = ring.shape[1] - CHUNK
    now = fed % length
    scale = network.numbers[SCALE]
    for line in range(ring.shape[0]):
        read = int(place(now, network.delays[LINE_DELAY, line], length))
        base = moving.base[0, 0, line]
        step = moving.step[0, 0, line]
        bend = moving.bend[0, 0, line]
        for k in range(samples):
            u = np.double(into + k)
            filtered[k, line] = scale * (base + u * (step + u * bend)) * ring[line, read + k]


@kernel()
def absorb_moving(
    rows: Precises2, moving: MovingDecay, sections: int, into: int, state: Precises3, samples: int
) -> None:
    """As :func:`tapeemu.dsp.kernels.network.absorb`, with filters that move; `into` samples into the segment."""
    base = moving.base
    step = moving.step
    bend = moving.bend
    for section in range(sections):
        for k in range(samples):
            u = np.double(into + k)
            for line in range(rows.shape[1]):
                c = base[section + 1, 0, line] + u * (step[section + 1, 0, line] + u * bend[section + 1, 0, line])
                d = base[section + 1, 1, line] + u * (step[section + 1, 1, line] + u * bend[section + 1, 1, line])
                e = base[section + 1, 2, line] + u * (step[section + 1, 2, line] + u * bend[section + 1, 2, line])
                f = base[section + 1, 3, line] + u * (step[section + 1, 3, line] + u * bend[section + 1, 3, line])
                x = rows[k, line]
                s = state[section, 0, line]
                rows[k, line] = x + s
                state[section, 0, line] = (c * x + state[section, 1, line]) - e * s
                state[section, 1, line] = d * x - f * s
