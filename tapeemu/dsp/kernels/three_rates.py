"""Filters linear in phase that resolve lows as finely as a law of wavelengths needs, at little work.

What is heard of a neighbour on the tape, an echo or the track beside, follows a law of ``|k|``, the wave number:
it has a corner at 0 Hz, so its impulse response is long, but only in the lowest octaves. So the filter works at
three rates, each an eighth of the one before, as the hiss of :mod:`tapeemu.dsp.kernels.tape_noise` does. A filter
takes what lies above the reach of the next one, which gets what is left as its law: their sum is the law asked
for.

The taps are those of least squares, by the relative error from 20 Hz on. What is not heard below may go its own
way, and so 50 ms of taps are enough for a law that falls within a few Hz.

Sound is filtered in hops of 64 samples, which lie on a fixed grid of the tape: the cut of the input cannot matter,
and the lower rates are those of the tape.
"""

import math
from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Integers1, Integers2, Precise, Precises1, Precises2, Reals1, Reals2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.dot_products import dot_product
from tapeemu.dsp.kernels.elementary import bessel_i0, cosine_of_turns, fade, sine_of_turns
from tapeemu.dsp.kernels.kept_rows import clear_rows
from tapeemu.dsp.kernels.lanes import eight_lanes
from tapeemu.dsp.kernels.memory_shapes import shape_row
from tapeemu.dsp.kernels.small_systems import factorise_rows, solve_rows

__all__ = [
    "HOP",
    "POINTS",
    "ThreeRates",
    "clear_three_rates",
    "design_three_rates",
    "filter_hop",
    "filter_hop_at_sample_rate",
    "half_slow",
    "next_hop",
    "next_hop_alone",
    "odd_taps",
    "past_columns",
    "point_turns",
    "three_rates_half",
    "three_rates_latency",
    "three_rates_shapes",
    "three_rates_work",
]

HOP = 64
"""Samples that are filtered at a time: one step of the slowest rate."""

POINTS = 512
"""Points of a law for each rate."""

_STEP = 8
_HOPS = 32
"""Hops that a line holds beside its past, before that is moved to the front."""

_HALF_FAST = 64
_HALF_MIDDLE = 96
_HALF_SLOW_SECONDS = 0.05
_RAISE_TAPS = 12
_LOWER_TAPS = 95
_LOWER_HALF = 47
_PI = 3.141592653589793
_KAISER = 6.76
"""Shape of the window of what changes a rate: images 70 dB down."""

_BEGIN, _REACH, _END = 0.05, 0.27, 0.32
"""Where a slower filter takes over, is alone, and ends, in turns of its own rate."""

_FLAT = 0.65
"""Share of a filter that its window leaves as it is; the rest falls as a raised cosine."""

_HEARD_HZ = 20.0
_FREE = 0.002
"""Weight of what is not heard, or is left to a slower filter: a little, so that it stays bounded."""

_FAINT = 0.03
"""Share of the law's highest value below which errors no longer count by their ratio to the law."""

_DAMPING = 1e-11

# Places in ThreeRates.counts.
_HOP_OF_LINE = 0

_1, _2, _3, _EIGHT = np.uintp(1), np.uintp(2), np.uintp(3), np.uintp(8)


class ThreeRates(NamedTuple):
    """Plan and state of a filter.

    Attributes
    ----------
    counts : ndarray, shape (1,)
        Hop of the line that is next.
    fast, middle, slow : ndarray, shape (2 * half + 1,)
        Taps at the three rates, in the order of the samples that they multiply.
    raising : ndarray, shape (12, 8)
        Taps that raise a rate by eight, one column a phase.
    lowering : ndarray, shape (95,)
        Taps that lower it.
    line, middles, slows, slows_out, middles_out : ndarray, shape (channels, columns)
        Sound at the three rates, then what is made of it at the two lower ones.
    laws : ndarray, shape (3, POINTS)
        Law of the response at the points of each rate, for the design.
    """

    counts: Integers1
    fast: Reals1
    middle: Reals1
    slow: Reals1
    raising: Reals2
    lowering: Reals1
    line: Reals2
    middles: Reals2
    slows: Reals2
    slows_out: Reals2
    middles_out: Reals2
    laws: Precises2


@kernel()
def half_slow(sample_rate: Precise) -> int:
    """Half length of the filter at the slowest rate: 50 ms."""
    return 4 * max(6, int(0.25 * _HALF_SLOW_SECONDS * sample_rate / HOP + 0.5))


@kernel()
def three_rates_half(sample_rate: Precise) -> int:
    """Samples by which the response reaches to either side."""
    return 2 * 48 + _STEP * 2 * 48 + HOP * half_slow(sample_rate)


@kernel()
def three_rates_latency(sample_rate: Precise) -> int:
    """Samples by which the output of a hop, given out during the next, is late."""
    return HOP * (13 + half_slow(sample_rate)) + 48


@kernel()
def past_columns(sample_rate: Precise) -> int:
    """Columns of the line that lie before the next hop's, at least; a line has 2048 more."""
    return HOP * (12 + half_slow(sample_rate)) + 48 + _HALF_FAST


@kernel()
def _past_of_middles(sample_rate: Precise) -> int:
    """Columns at an eighth of the rate that lie before the next hop, at least."""
    return _STEP * (12 + half_slow(sample_rate)) + _HALF_MIDDLE


@kernel()
def three_rates_work(sample_rate: Precise) -> int:
    """Numbers that the design works with: a system of as many unknowns as half the longest filter has."""
    unknowns = max(half_slow(sample_rate), _HALF_MIDDLE) + 1
    return unknowns * unknowns + 3 * unknowns


@kernel()
def three_rates_shapes(sample_rate: Precise, channels: int, shapes: Integers2, row: int) -> int:
    """Write the shapes of the arrays of :class:`ThreeRates`, from a row on.

    Returns
    -------
    int
        The row after the last one.
    """
    half = half_slow(sample_rate)
    row = shape_row(1, 1, shapes, row)
    row = shape_row(2 * _HALF_FAST + 1, 1, shapes, row)
    row = shape_row(2 * _HALF_MIDDLE + 1, 1, shapes, row)
    row = shape_row(2 * half + 1, 1, shapes, row)
    row = shape_row(_RAISE_TAPS, _STEP, shapes, row)
    row = shape_row(_LOWER_TAPS, 1, shapes, row)
    row = shape_row(channels, past_columns(sample_rate) + HOP * _HOPS, shapes, row)
    row = shape_row(channels, _past_of_middles(sample_rate) + _STEP * _HOPS, shapes, row)
    row = shape_row(channels, 2 * half + _HOPS, shapes, row)
    row = shape_row(channels, _RAISE_TAPS + _HOPS, shapes, row)
    row = shape_row(channels, _RAISE_TAPS + _STEP * _HOPS, shapes, row)
    return shape_row(3, POINTS, shapes, row)


@kernel()
def point_turns(level: int, point: int) -> Precise:
    """Frequency of a point of a law, in turns per sample of the fastest rate."""
    turns = (point + 0.5) * 0.5 / POINTS
    for _ in range(level):
        turns = turns / _STEP
    return turns


@kernel()
def _window(x: Precise) -> Precise:
    """Window at a place from 0, the middle, to 1, the end: flat, then a raised cosine."""
    return 1.0 - fade(x, _FLAT, 1.0)


@kernel()
def _design_rates(filters: ThreeRates) -> None:
    """Taps that raise and lower a rate: a sinc under a Kaiser window."""
    whole = bessel_i0(_KAISER)
    for phase in range(_STEP):
        total: Precise = 0.0
        for k in range(_RAISE_TAPS):
            away: Precise = (k - 5) - phase / _STEP
            inside: Precise = max(1.0 - (away / 6.0) * (away / 6.0), 0.0)
            value = bessel_i0(_KAISER * math.sqrt(inside)) / whole
            if away != 0.0:
                value = value * sine_of_turns(0.5 * away) / (_PI * away)
            filters.raising[k, phase] = value
            total += value
        for k in range(_RAISE_TAPS):
            filters.raising[k, phase] = filters.raising[k, phase] / total
    for phase in range(_STEP):
        for k in range(_RAISE_TAPS):
            place = _LOWER_HALF + _STEP * (k - 5) - phase
            if place < _LOWER_TAPS:
                filters.lowering[place] = filters.raising[k, phase] / _STEP


@kernel()
def _gain(taps: Reals1, turns: Precise) -> Precise:
    """Response of symmetric taps at a frequency in turns per sample of their rate."""
    half = taps.size // 2
    twice = 2.0 * cosine_of_turns(turns)
    cosine = 0.5 * twice
    before: Precise = 1.0
    total = np.double(taps[half])
    for n in range(1, half + 1):
        total += 2.0 * np.double(taps[half + n]) * cosine
        following = twice * cosine - before
        before = cosine
        cosine = following
    return total


@kernel()
def _gain_of_rate(lowering: Reals1, turns: Precise) -> Precise:
    """What a change of the rate by eight does, at a frequency in turns per sample of the faster rate."""
    return _gain(lowering, turns)


@kernel()
def _add_point(
    turns: Precise, made: Precise, weight: Precise, law: Precise, unknowns: int, work: Precises1
) -> None:
    """Add a point of a law to the sums of least squares.

    Parameters
    ----------
    turns : float
        Frequency, in turns per sample of the filter's rate.
    made : float
        What changes of the rate make of the filter's response there.
    weight, law : float
        Weight of the error there, and the response that is wanted.
    unknowns : int
        Taps from the middle on.
    work : ndarray
        Behind the place of the matrix, sums that make it up, then the right-hand side.
    """
    sums = work[unknowns * unknowns :]
    right = work[unknowns * unknowns + 2 * unknowns :]
    weighted = weight * made
    square, side = weighted * weighted, weighted * weight * law
    for n in range(2 * unknowns - 1):
        cosine = cosine_of_turns(n * turns)
        sums[n] += square * cosine
        if n < unknowns:
            right[n] += side * cosine


@kernel()
def _solve_taps(work: Precises1, taps: Reals1) -> None:
    """Write the symmetric taps that the sums of least squares lead to."""
    half = taps.size // 2
    unknowns = half + 1
    sums = work[unknowns * unknowns :]
    right = work[unknowns * unknowns + 2 * unknowns :]
    trace: Precise = 0.0
    for row in range(unknowns):
        if row > 0:
            right[row] = 2.0 * right[row]
        for column in range(row + 1):
            # Two cosines make one of the difference and one of the sum; all taps but the middle one are pairs.
            value = 2.0 * (sums[row - column] + sums[row + column])
            if row == 0:
                value = 0.5 * value
            if column == 0:
                value = 0.5 * value
            work[row * unknowns + column] = value
        trace += work[row * unknowns + row]
    for row in range(unknowns):
        work[row * unknowns + row] += _DAMPING * trace / unknowns
    factorise_rows(unknowns, work)
    solve_rows(unknowns, work, right)
    for n in range(unknowns):
        taps[half + n] = right[n]
        taps[half - n] = right[n]


@kernel()
def _fit_fast(laws: Precises2, faint: Precise, taps: Reals1, work: Precises1) -> None:
    """Fit the filter at the sample rate."""
    unknowns = taps.size // 2 + 1
    for i in range(work.size):
        work[i] = 0.0
    for i in range(POINTS):
        turns = point_turns(0, i)
        weight = max(fade(turns, _REACH / _STEP, _END / _STEP), _FREE) / (abs(laws[0, i]) + faint)
        law = laws[0, i] * fade(turns, _BEGIN / _STEP, _REACH / _STEP)
        _add_point(turns, 1.0, weight, law, unknowns, work)
    _solve_taps(work, taps)


@kernel()
def _fit_middle(filters: ThreeRates, faint: Precise, work: Precises1) -> None:
    """Fit the filter at an eighth of the rate, to what the one above leaves."""
    laws = filters.laws
    unknowns = filters.middle.size // 2 + 1
    for i in range(work.size):
        work[i] = 0.0
    for i in range(POINTS):
        turns = point_turns(1, i)
        once = _gain_of_rate(filters.lowering, turns)
        left = (laws[1, i] - _gain(filters.fast, turns)) * (1.0 - fade(turns, _REACH / _STEP, _END / _STEP))
        weight = max(fade(turns, _REACH / HOP, _END / HOP), _FREE) / (abs(laws[1, i]) + faint)
        law = left * fade(turns, _BEGIN / HOP, _REACH / HOP)
        _add_point(_STEP * turns, once * once, weight, law, unknowns, work)
    _solve_taps(work, filters.middle)


@kernel()
def _fit_slow(filters: ThreeRates, sample_rate: Precise, faint: Precise, work: Precises1) -> None:
    """Fit the filter at the slowest rate, to what both above leave."""
    laws = filters.laws
    unknowns = filters.slow.size // 2 + 1
    for i in range(work.size):
        work[i] = 0.0
    for i in range(POINTS):
        turns = point_turns(2, i)
        once = _gain_of_rate(filters.lowering, turns)
        twice = once * _gain_of_rate(filters.lowering, _STEP * turns)
        left = laws[2, i] - _gain(filters.fast, turns) - _gain(filters.middle, _STEP * turns) * once * once
        left = left * (1.0 - fade(turns, _REACH / HOP, _END / HOP))
        weight = max(fade(turns * sample_rate, 0.5 * _HEARD_HZ, _HEARD_HZ), _FREE) / (abs(laws[2, i]) + faint)
        _add_point(HOP * turns, twice * twice, weight, left, unknowns, work)
    _solve_taps(work, filters.slow)


@kernel()
def _silence(taps: Reals1) -> None:
    """Make a filter that lets nothing pass."""
    for n in range(taps.size):
        taps[n] = 0.0


@kernel()
def design_three_rates(filters: ThreeRates, sample_rate: Precise, work: Precises1) -> None:
    """Design the filters for the law in ``filters.laws``.

    Parameters
    ----------
    filters : ThreeRates
        ``laws[level, point]`` is the response, real and the same for negative frequencies, at
        ``point_turns(level, point)``.
    sample_rate : float
        Samples per second.
    work : ndarray, shape (three_rates_work(sample_rate),)
        Scratch.
    """
    laws = filters.laws
    _design_rates(filters)
    most: Precise = 0.0
    for level in range(3):
        for i in range(POINTS):
            most = max(most, abs(laws[level, i]))
    if most == 0.0:
        _silence(filters.fast)
        _silence(filters.middle)
        _silence(filters.slow)
        return
    faint = _FAINT * most
    _fit_fast(laws, faint, filters.fast, work)
    _fit_middle(filters, faint, work)
    _fit_slow(filters, sample_rate, faint, work)


@kernel()
def odd_taps(law: Precises1, taps: Reals1) -> None:
    """Taps at the sample rate for ``i`` times a law that is odd in frequency and smooth at 0.

    Parameters
    ----------
    law : ndarray, shape (POINTS,)
        At the points of the highest rate.
    taps : ndarray, shape (2 * half + 1,)
        Gets them.
    """
    half = taps.size // 2
    taps[half] = 0.0
    for n in range(1, half + 1):
        total: Precise = 0.0
        for i in range(POINTS):
            total += law[i] * sine_of_turns(point_turns(0, i) * n)
        value = total / POINTS * _window(n / (half + 1.0))
        # Taps stand in the order of the samples, so a later one multiplies the future.
        taps[half + n] = value
        taps[half - n] = -value


@kernel()
def clear_three_rates(filters: ThreeRates) -> None:
    """Forget all sound."""
    filters.counts[_HOP_OF_LINE] = 0
    clear_rows(filters.line)
    clear_rows(filters.middles)
    clear_rows(filters.slows)
    clear_rows(filters.slows_out)
    clear_rows(filters.middles_out)


@kernel()
def _to_front(line: Reals2, skipped: int) -> None:
    """Move what is still needed to the front of a line."""
    for channel in range(line.shape[0]):
        for column in range(np.uintp(line.shape[1] - skipped)):
            line[channel, column] = line[channel, np.uintp(skipped) + column]


@kernel()
def next_hop(filters: ThreeRates, dry: Reals2) -> int:
    """Make room for the next hop.

    Parameters
    ----------
    filters : ThreeRates
        Its line is moved to the front if it is full.
    dry : ndarray, shape (channels, columns of the line)
        Another line, which moves with it.

    Returns
    -------
    int
        Column of both lines that gets the first sample.
    """
    if filters.counts[_HOP_OF_LINE] == _HOPS:
        _to_front(dry, HOP * _HOPS)
    return next_hop_alone(filters)


@kernel()
def next_hop_alone(filters: ThreeRates) -> int:
    """Make room for the next hop, as :func:`next_hop` does, where no other line moves with it."""
    past = filters.line.shape[1] - HOP * _HOPS
    if filters.counts[_HOP_OF_LINE] == _HOPS:
        _to_front(filters.line, HOP * _HOPS)
        _to_front(filters.middles, _STEP * _HOPS)
        _to_front(filters.slows, _HOPS)
        _to_front(filters.slows_out, _HOPS)
        _to_front(filters.middles_out, _STEP * _HOPS)
        filters.counts[_HOP_OF_LINE] = 0
    return int(past + HOP * filters.counts[_HOP_OF_LINE])


@kernel()
def _filter_fast(line: Reals1, first: int, taps: Reals1, out: Reals1) -> None:
    """Filter a hop at the sample rate; its first sample has its first tap on column `first`."""
    base = np.uintp(first)
    size = np.uintp(HOP)
    for i in range(size):
        out[i] = taps[0] * line[base + i]
    for group in range(np.uintp(_HALF_FAST // 2)):
        n = np.uintp(4) * group + _1
        a, b, c, d = taps[n], taps[n + _1], taps[n + _2], taps[n + _3]
        here = base + n
        for i in range(size):
            left = a * line[here + i] + b * line[here + i + _1]
            right = c * line[here + i + _2] + d * line[here + i + _3]
            out[i] += left + right


@kernel()
def _raise_one(low: Reals1, first: int, raising: Reals2, out: Reals1) -> None:
    """Write eight numbers, the first of which lies on column ``first + 5`` of a line of an eighth of their rate.

    Added in the order of :func:`dot_product`.
    """
    taps = low[first:]
    for phase in range(_EIGHT):
        even = raising[0, phase] * taps[0] + raising[4, phase] * taps[4]
        even += raising[2, phase] * taps[2] + raising[6, phase] * taps[6]
        odd = raising[1, phase] * taps[1] + raising[5, phase] * taps[5]
        odd += raising[3, phase] * taps[3] + raising[7, phase] * taps[7]
        total = even + odd
        total += raising[8, phase] * taps[8]
        total += raising[9, phase] * taps[9]
        total += raising[10, phase] * taps[10]
        total += raising[11, phase] * taps[11]
        out[phase] = total


@kernel(abreast=True)
def _add_raised(low: Reals1, first: int, raising: Reals2, out: Reals1) -> None:
    """Add 64 numbers, raised from an eighth of their rate; ``out[0]`` lies on column ``first + 5``."""
    for m in range(np.uintp(_STEP)):
        taps = low[np.uintp(first) + m :]
        made = out[_EIGHT * m :]
        lanes = eight_lanes()
        for k in range(np.uintp(_RAISE_TAPS)):
            column = raising[k]
            value = taps[k]
            for phase in range(_EIGHT):
                lanes[phase] += column[phase] * value
        for phase in range(_EIGHT):
            made[phase] += lanes[phase]


@kernel()
def _first_column(filters: ThreeRates) -> int:
    """Column of the line with the first tap of the first sample of the hop, at the sample rate."""
    new = filters.line.shape[1] - HOP * (_HOPS - int(filters.counts[_HOP_OF_LINE]))
    return int(new - HOP * (12 + filters.slow.size // 2) - 48 - _HALF_FAST)


@kernel()
def filter_hop_at_sample_rate(filters: ThreeRates, taps: Reals1, out: Reals2) -> None:
    """Filter the hop that was written to the line by other taps as well, before :func:`filter_hop` does.

    Parameters
    ----------
    filters : ThreeRates
        With the hop's sound from the column of :func:`next_hop` on.
    taps : ndarray, shape of ``filters.fast``
        At the sample rate; nothing is filtered at the others.
    out : ndarray, shape (channels, HOP)
        Gets a hop of output, as late as that of :func:`filter_hop`.
    """
    for channel in range(filters.line.shape[0]):
        _filter_fast(filters.line[channel], _first_column(filters), taps, out[channel])


@kernel()
def filter_hop(filters: ThreeRates, raised: Reals2, out: Reals2) -> None:
    """Filter the hop that was written to the line.

    Parameters
    ----------
    filters : ThreeRates
        With the hop's sound from the column of :func:`next_hop` on.
    raised : ndarray, shape (12, 8)
        ``filters.raising``, or that times a gain of what comes from the lower rates.
    out : ndarray, shape (channels, HOP)
        Gets a hop of output, ``three_rates_latency() - HOP`` samples late.
    """
    hop = int(filters.counts[_HOP_OF_LINE])
    half = filters.slow.size // 2
    behind = 12 + half
    new = filters.line.shape[1] - HOP * (_HOPS - hop)
    new_middle = filters.middles.shape[1] - _STEP * (_HOPS - hop)
    new_slow = filters.slows.shape[1] - _HOPS + hop
    for channel in range(filters.line.shape[0]):
        line = filters.line[channel]
        middles = filters.middles[channel]
        slows = filters.slows[channel]
        slows_out = filters.slows_out[channel]
        middles_out = filters.middles_out[channel]
        _filter_fast(line, _first_column(filters), filters.fast, out[channel])
        for r in range(_STEP):
            middles[new_middle + r] = dot_product(filters.lowering, line, new - 40 + _STEP * r - _LOWER_HALF)
        slows[new_slow] = dot_product(filters.lowering, middles, new_middle - 43 - _LOWER_HALF)
        slows_out[_RAISE_TAPS + hop] = dot_product(filters.slow, slows, new_slow - 2 * half)
        new_out = _RAISE_TAPS + _STEP * hop
        _raise_one(slows_out, 1 + hop, filters.raising, middles_out[new_out:])
        for r in range(_STEP):
            at = new_middle + 5 - _STEP * behind + r - _HALF_MIDDLE
            middles_out[new_out + r] = middles_out[new_out + r] + dot_product(filters.middle, middles, at)
        _add_raised(middles_out, new_out - 11, raised, out[channel])
    filters.counts[_HOP_OF_LINE] = hop + 1
