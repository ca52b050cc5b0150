"""Raise the sample rate around a nonlinearity, and bring it down again, with linear phase.

A nonlinearity makes harmonics without end; those beyond half the rate it runs at fold back. Running it at
a higher rate moves the fold away. The rate is raised in stages, doubling twice and then tripling, because
each later stage has a wider transition band and so needs only a few taps. Six times is doubling once and
tripling.

All filters are Kaiser-windowed sincs (Kaiser 1974; tap counts by his formula), split into phases so that
no product with an inserted zero, and no sample that would be thrown away, is ever computed.

What it does to the sound, in fractions of the base rate and checked by tests:

- pass band to 0.4535 (21.8 kHz at 48 kHz, 20.0 kHz at 44.1 kHz), flat within 0.0002 dB;
- images of the input and products folded by the way down at least 100 dB down in the pass band; what lies
  above 0.52 of the base rate is gone before the last decimation;
- delay of 100 samples (12 and 6 times), 96 (4 times) or 88 (twice), of the base rate, the same at all
  frequencies.

Every filter is a short dot product along contiguous memory. Loops over taps have a constant length, so the
compiler unrolls them and vectorises along time; for that it must also see that no index can be negative, which
is why every count is bounded once more.

Samples of a channel wait in parts of one row of `low`, and in the rows of `high`; history first, newest last:

==========  ==========  ============================================================================
name        rate        content
==========  ==========  ============================================================================
``x``       1           input
``u``       2           after the first doubling, in time order
``v``       4           after the second doubling, in time order
``high``    the top     what the nonlinearity reads and overwrites: rows of 4 x (2 x with six times); row p
                        of 3 holds samples ``3 m + p``
``d``       4           on the way down, in two phases ``d_even`` and ``d_odd``
``c``       2           on the way down, in two phases ``c_even`` and ``c_odd``
==========  ==========  ============================================================================
"""

import math
from typing import NamedTuple

from tapeemu.dsp.kernels.arrays import Integers1, Integers2, Precise, Reals1, Reals2, Reals3
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import bessel_i0, sine_of_turns
from tapeemu.dsp.kernels.kept_rows import clear_rows

__all__ = [
    "CHUNK",
    "HISTORY_HIGH",
    "MOST_OVERSAMPLING",
    "OVERSAMPLER_ARRAYS",
    "Oversampler",
    "fall",
    "fall_softly",
    "limited_factor",
    "limited_latency",
    "oversampler_clear",
    "oversampler_design",
    "oversampler_latency",
    "oversampler_shapes",
    "oversampling_factor",
    "per_base",
    "rise",
    "soft_latency",
    "spares",
    "windowed_sinc",
]

CHUNK = 128
"""Most base-rate samples that go through at once: few enough to stay in a processor's nearest cache."""

MOST_OVERSAMPLING = 12
"""Factor that nothing exceeds: as a limit, none."""

FIRST_PAIRS = 36
SECOND_PAIRS = 8
THIRD_TAPS = 10
THIRD_DELAY = 8
FALL_SIDE = 14
WIDE_TAPS = 16
WIDE_DELAY = 12
WIDE_SIDE = 23
LAST_PAIRS = 52
"""Sizes of the filters: the wide ones triple, and divide by three, right after the first doubling."""

HISTORY_X = 2 * FIRST_PAIRS
HISTORY_U = 24
HISTORY_V = 16
HISTORY_HIGH = 24
HISTORY_D = 16
HISTORY_C = 2 * LAST_PAIRS
"""Samples of every part kept from one call to the next."""

_X = 0
_U = _X + HISTORY_X + CHUNK
_V = _U + HISTORY_U + 2 * CHUNK
_D_EVEN = _V + HISTORY_V + 4 * CHUNK
_D_ODD = _D_EVEN + HISTORY_D + 2 * CHUNK
_C_EVEN = _D_ODD + HISTORY_D + 2 * CHUNK
_C_ODD = _C_EVEN + HISTORY_C + CHUNK
_LOW = _C_ODD + HISTORY_C + CHUNK
"""Where each part begins in a row of `low`, and the length of that row."""

_UP_FIRST = 0
_UP_SECOND = _UP_FIRST + FIRST_PAIRS
_UP_THIRD = _UP_SECOND + SECOND_PAIRS
_DOWN_THIRD = _UP_THIRD + THIRD_TAPS
_DOWN_SECOND = _DOWN_THIRD + 2 * FALL_SIDE + 1
_DOWN_EVEN = _DOWN_SECOND + SECOND_PAIRS
_DOWN_ODD = _DOWN_EVEN + LAST_PAIRS
_UP_WIDE = _DOWN_ODD + LAST_PAIRS
_DOWN_WIDE = _UP_WIDE + WIDE_TAPS
_TAPS = _DOWN_WIDE + 2 * WIDE_SIDE + 1
"""Where each filter begins in `taps`, and how many there are.

The two doublings (one of each symmetric pair, outermost first) and the tripling; the division by three, the
first halving without its middle, and the last halving for each phase (one of each symmetric pair, innermost
first); the wide tripling and division by three."""

_STEEP, _SHORT = 10.5, 11.0
"""Window shapes: for the two filters beside the base rate, and for the short ones above it."""

_LAST_CUTOFF = 0.5 * (0.4535 + 0.52)
"""Middle of the transition band of the last decimation, in fractions of the base rate."""

_FIRST_BLOCK = 12
_LAST_BLOCK = 13
_THIRD_MIDDLE, _THIRD_WIDTH = THIRD_TAPS // 2 - 1 + 1.0 / 3.0, 0.5 * THIRD_TAPS
_FALL_MIDDLE, _FALL_WIDTH = 1.0 * FALL_SIDE, FALL_SIDE + 1.0
_WIDE_UP_MIDDLE, _WIDE_UP_WIDTH = WIDE_TAPS // 2 - 1 + 1.0 / 3.0, 0.5 * WIDE_TAPS
_WIDE_DOWN_MIDDLE, _WIDE_DOWN_WIDTH = 1.0 * WIDE_SIDE, WIDE_SIDE + 1.0

_SOFTLY_EARLIER = LAST_PAIRS - FIRST_PAIRS
"""Samples by which :func:`fall_softly` is less late than :func:`fall`."""

OVERSAMPLER_ARRAYS = 5
"""Arrays in the group below."""


class Oversampler(NamedTuple):
    """Filters and memory of one way up and one way down.

    Attributes
    ----------
    plan : ndarray, shape (1,)
        The factor: 12, 6, 4, 2 or 1.
    taps : ndarray, shape (number of all taps,)
        Of all filters, see above.
    low : ndarray, shape (channels, length of all parts)
        Samples at up to four times the rate, see the table above.
    high : ndarray, shape (channels, rows, HISTORY_HIGH + CHUNK * per_base)
        Samples at the top rate, in three rows with a factor of 12 or 6, else in one.
    scratch : ndarray, shape (4 * CHUNK,)
        Of one channel at a time.
    """

    plan: Integers1
    taps: Reals1
    low: Reals2
    high: Reals3
    scratch: Reals1


@kernel()
def oversampling_factor(sample_rate: Precise) -> int:
    """How many times the base rate a nonlinearity runs at: above 380 kHz at every rate from 32 kHz on.

    Twelve times below 100 kHz, four times below 200 kHz, twice above. Folding depends on the ratio of the
    tone to the top rate, so bounds proved at 48 kHz for tones to 8 kHz hold at another rate for tones to
    one sixth of it as long as the factor is twelve.
    """
    if sample_rate < 100000.0:
        return 12
    return 4 if sample_rate < 200000.0 else 2


@kernel()
def limited_factor(factor: int, most: int) -> int:
    """The largest factor of 12, 6, 4, 2 and 1 that is neither above `factor` nor above a limit.

    A small machine follows a curve less often than its folding asks for.
    """
    if factor <= most:
        return factor
    if most >= 6:
        return 6
    if most >= 4:
        return 4
    return 2 if most >= 2 else 1


@kernel()
def spares(most: int) -> int:
    """Whether curves are followed within a limit, as on a small machine: the way down is then the soft one."""
    return 1 if most < 12 else 0


@kernel()
def limited_latency(factor: int, most: int) -> int:
    """Delay of the way up and down together, in base samples, with a limit or without."""
    return soft_latency(factor) if spares(most) == 1 else oversampler_latency(factor)


@kernel()
def soft_latency(factor: int) -> int:
    """Delay of :func:`rise` and :func:`fall_softly` together, in base samples; none without a change of rate."""
    return oversampler_latency(factor) - _SOFTLY_EARLIER if factor > 1 else 0


@kernel()
def per_base(factor: int) -> int:
    """Samples of a row of `high` for a base-rate sample."""
    return 2 if factor == 6 else min(factor, 4)


@kernel()
def oversampler_latency(factor: int) -> int:
    """Delay of the way up and down together, in base samples."""
    if factor % 3 == 0:
        return 100
    return 96 if factor == 4 else 88


@kernel()
def oversampler_shapes(factor: int, channels: int, first: int, shapes: Integers2) -> None:
    """Write the shapes of an :class:`Oversampler` into the rows of `shapes` from `first` on."""
    for row in range(first, first + OVERSAMPLER_ARRAYS):
        for axis in range(3):
            shapes[row, axis] = 1
    shapes[first, 0] = 1
    shapes[first + 1, 0] = _TAPS
    shapes[first + 2, 0] = channels
    shapes[first + 2, 1] = _LOW
    shapes[first + 3, 0] = channels
    shapes[first + 3, 1] = 3 if factor % 3 == 0 else 1
    shapes[first + 3, 2] = HISTORY_HIGH + per_base(factor) * CHUNK
    shapes[first + 4, 0] = 4 * CHUNK


@kernel()
def windowed_sinc(distance: Precise, cutoff: Precise, half_width: Precise, shape: Precise) -> Precise:
    """Ideal low-pass (`cutoff` in cycles per unit of `distance`) times a Kaiser window, not yet normalised."""
    place = distance / half_width
    inside = 1.0 - place * place
    window: Precise = 0.0
    if inside >= 0.0:
        window = bessel_i0(shape * math.sqrt(inside)) / bessel_i0(shape)
    turns = cutoff * distance
    if turns == 0.0:
        return window
    return sine_of_turns(turns) / (2.0 * math.pi * turns) * window


@kernel()
def _design_doubling(pairs: int, shape: Precise, gain: Precise, backwards: int, taps: Reals1) -> None:
    """Halfband taps of every second sample, one of each symmetric pair; the sum of all pairs is `gain`."""
    width: Precise = pairs
    total: Precise = 0.0
    for k in range(pairs):
        total += windowed_sinc(k + 0.5, 0.5, width, shape)
    for k in range(pairs):
        place = pairs - 1 - k if backwards == 1 else k
        taps[place] = gain * windowed_sinc(k + 0.5, 0.5, width, shape) / (2.0 * total)


@kernel()
def _design_last(taps: Reals1) -> None:
    """Taps of the last halving, those of the even phase first; the middle one is used twice."""
    width: Precise = 2.0 * LAST_PAIRS
    total: Precise = -0.5 * windowed_sinc(0.0, 0.5 * _LAST_CUTOFF, width, _STEEP)
    for k in range(2 * LAST_PAIRS):
        distance: Precise = k
        total += windowed_sinc(distance, 0.5 * _LAST_CUTOFF, width, _STEEP)
    for k in range(2 * LAST_PAIRS):
        distance = 1.0 * k
        tap = windowed_sinc(distance, 0.5 * _LAST_CUTOFF, width, _STEEP) / (2.0 * total)
        place = k // 2 + (LAST_PAIRS if k % 2 == 1 else 0)
        taps[place] = 0.5 * tap if k == 0 else tap


@kernel()
def _design_thirds(count: int, middle: Precise, cutoff: Precise, half_width: Precise, taps: Reals1) -> None:
    """Taps at whole distances from a middle, which add up to 1."""
    total: Precise = 0.0
    for k in range(count):
        total += windowed_sinc(k - middle, cutoff, half_width, _SHORT)
    for k in range(count):
        taps[k] = windowed_sinc(k - middle, cutoff, half_width, _SHORT) / total


@kernel()
def oversampler_design(factor: int, over: Oversampler) -> None:
    """Compute all taps."""
    over.plan[0] = factor
    _design_doubling(FIRST_PAIRS, _STEEP, 1.0, 1, over.taps[_UP_FIRST:_UP_SECOND])
    _design_doubling(SECOND_PAIRS, _SHORT, 1.0, 1, over.taps[_UP_SECOND:_UP_THIRD])
    _design_thirds(THIRD_TAPS, _THIRD_MIDDLE, 0.5, _THIRD_WIDTH, over.taps[_UP_THIRD:_DOWN_THIRD])
    _design_thirds(2 * FALL_SIDE + 1, _FALL_MIDDLE, 1.0 / 6.0, _FALL_WIDTH, over.taps[_DOWN_THIRD:_DOWN_SECOND])
    _design_doubling(SECOND_PAIRS, _SHORT, 0.5, 0, over.taps[_DOWN_SECOND:_DOWN_EVEN])
    _design_last(over.taps[_DOWN_EVEN:_UP_WIDE])
    _design_thirds(WIDE_TAPS, _WIDE_UP_MIDDLE, 0.5, _WIDE_UP_WIDTH, over.taps[_UP_WIDE:_DOWN_WIDE])
    _design_thirds(2 * WIDE_SIDE + 1, _WIDE_DOWN_MIDDLE, 1.0 / 6.0, _WIDE_DOWN_WIDTH, over.taps[_DOWN_WIDE:_TAPS])


@kernel()
def oversampler_clear(over: Oversampler) -> None:
    """Forget all sound."""
    clear_rows(over.low)
    for channel in range(over.high.shape[0]):
        clear_rows(over.high[channel])


@kernel()
def _double_first(fresh: Reals1, count: int, taps: Reals1, x: Reals1, phase: Reals1, u: Reals1) -> None:
    """Input to twice the rate: delay of 36 samples, the odd phase by 36 symmetric pairs of taps.

    Parameters
    ----------
    fresh : ndarray, shape (count,)
        Audio at the base rate.
    taps, x, u
        See the tables above; writes `u`.
    phase : ndarray, shape (CHUNK,)
        Scratch for the new samples between the old ones.
    """
    count = min(count, CHUNK)
    for t in range(count):
        x[HISTORY_X + t] = fresh[t]
        phase[t] = 0.0
    for j0 in range(0, FIRST_PAIRS, _FIRST_BLOCK):
        part = taps[j0 : j0 + _FIRST_BLOCK]
        older = x[HISTORY_X - (2 * FIRST_PAIRS - 1) + j0 :]
        newer = x[HISTORY_X - j0 - _FIRST_BLOCK + 1 :]
        for t in range(count):
            total = phase[t]
            for j in range(_FIRST_BLOCK):
                total += part[j] * (older[t + j] + newer[t + (_FIRST_BLOCK - 1 - j)])
            phase[t] = total
    for t in range(count):
        u[HISTORY_U + 2 * t] = x[HISTORY_X + t - FIRST_PAIRS]
        u[HISTORY_U + 2 * t + 1] = phase[t]
    for t in range(HISTORY_X):
        x[t] = x[count + t]


@kernel()
def _double_second(count: int, taps: Reals1, u: Reals1, v: Reals1) -> None:
    """Twice to four times the rate: delay of 8 samples of `u`, which `count` counts; writes `v`."""
    count = min(count, 2 * CHUNK)
    for i in range(count):
        total = 0.0
        for j in range(SECOND_PAIRS):
            older = u[HISTORY_U + i - (2 * SECOND_PAIRS - 1) + j]
            newer = u[HISTORY_U + i - j]
            total += taps[j] * (older + newer)
        v[HISTORY_V + 2 * i] = u[HISTORY_U + i - SECOND_PAIRS]
        v[HISTORY_V + 2 * i + 1] = total
    for i in range(HISTORY_U):
        u[i] = u[count + i]


@kernel(inline=True)
def _triple(count: int, taps: Reals1, width: int, delay: int, row: Reals1, history: int, high: Reals2) -> None:
    """Three times the rate: `width` taps a phase, delay of `delay` samples of `row`, which `count` counts.

    Samples begin behind `history` old ones in `row`, in which they are moved on; writes `high`.
    """
    first = high[1, HISTORY_HIGH:]
    second = high[2, HISTORY_HIGH:]
    oldest = history - delay - width // 2 + 1
    for i in range(count):
        high[0, HISTORY_HIGH + i] = row[history - delay + i]
    for i in range(count):
        total = 0.0
        for j in range(width):
            total += taps[j] * row[oldest + i + j]
        first[i] = total
    for i in range(count):
        total = 0.0
        for j in range(width):
            total += taps[width - 1 - j] * row[oldest + i + j]
        second[i] = total
    for i in range(history):
        row[i] = row[count + i]


@kernel()
def _hand_over(count: int, history: int, row: Reals1, high: Reals2) -> None:
    """Hand a part to the nonlinearity as it is, when no tripling follows."""
    for i in range(count):
        high[0, HISTORY_HIGH + i] = row[history + i]
    for i in range(history):
        row[i] = row[count + i]


@kernel()
def rise(fresh: Reals1, channel: int, over: Oversampler) -> None:
    """Raise samples of a channel to the top rate, into its rows of `high` behind HISTORY_HIGH.

    With a factor of 1, which only a limit brings, they are taken as they are.

    Parameters
    ----------
    fresh : ndarray, shape (CHUNK or fewer,)
        Audio at the base rate.
    channel : int
        Which channel it is.
    over : Oversampler
        Changed in place.
    """
    factor = over.plan[0]
    count = fresh.shape[0]
    low = over.low[channel]
    high = over.high[channel]
    taps = over.taps
    u = low[_U:_V]
    v = low[_V:_D_EVEN]
    if factor == 1:
        for t in range(count):
            high[0, HISTORY_HIGH + t] = fresh[t]
    else:
        _double_first(fresh, count, taps[_UP_FIRST:_UP_SECOND], low[_X:_U], over.scratch, u)
        if factor == 2:
            _hand_over(2 * count, HISTORY_U, u, high)
        elif factor == 6:
            wide = taps[_UP_WIDE:_DOWN_WIDE]
            _triple(min(2 * count, 2 * CHUNK), wide, WIDE_TAPS, WIDE_DELAY, u, HISTORY_U, high)
        else:
            _double_second(2 * count, taps[_UP_SECOND:_UP_THIRD], u, v)
            if factor == 4:
                _hand_over(4 * count, HISTORY_V, v, high)
            else:
                short = taps[_UP_THIRD:_DOWN_THIRD]
                _triple(min(4 * count, 4 * CHUNK), short, THIRD_TAPS, THIRD_DELAY, v, HISTORY_V, high)


@kernel(inline=True)
def _third(count: int, taps: Reals1, side: int, delay: int, high: Reals2, out: Reals1) -> None:
    """A third of the rate: ``2 side + 1`` taps over three rows, delay of `delay` samples of `out`; makes `count`.

    Writes `out`, shape (count or more,), in time order.
    """
    thirds = side // 3 + 1
    now = HISTORY_HIGH - delay
    for i in range(count):
        total = taps[side] * high[0, now + i]
        for a in range(1, thirds):
            total += taps[side + 3 * a] * (high[0, now + i - a] + high[0, now + i + a])
        for a in range(thirds):
            total += taps[side + 3 * a + 1] * (high[2, now + i - a - 1] + high[1, now + i + a])
        for a in range(thirds):
            total += taps[side + 3 * a + 2] * (high[1, now + i - a - 1] + high[2, now + i + a])
        out[i] = total
    for row in range(3):
        for i in range(HISTORY_HIGH):
            high[row, i] = high[row, count + i]


@kernel()
def _take_over(count: int, high: Reals2, natural: Reals1) -> None:
    """Take the row that the nonlinearity wrote as it is, when no tripling was done."""
    for i in range(count):
        natural[i] = high[0, HISTORY_HIGH + i]


@kernel()
def _halve_first(count: int, taps: Reals1, d: Reals1, d_even: Reals1, d_odd: Reals1, c: Reals1) -> None:
    """Four times the rate to two: delay of 8 samples of `c`, which `count` counts.

    Writes `c`, shape (count or more,), in time order; it may be the same memory as `d`.
    """
    count = min(count, 2 * CHUNK)
    for i in range(count):
        d_even[HISTORY_D + i] = d[2 * i]
        d_odd[HISTORY_D + i] = d[2 * i + 1]
    for i in range(count):
        total = 0.5 * d_even[HISTORY_D + i - SECOND_PAIRS]
        for j in range(SECOND_PAIRS):
            older = d_odd[HISTORY_D + i - SECOND_PAIRS - 1 - j]
            newer = d_odd[HISTORY_D + i - SECOND_PAIRS + j]
            total += taps[j] * (older + newer)
        c[i] = total
    for i in range(HISTORY_D):
        d_even[i] = d_even[count + i]
        d_odd[i] = d_odd[count + i]


@kernel()
def _halve_last(
    count: int, even: Reals1, odd: Reals1, c: Reals1, c_even: Reals1, c_odd: Reals1, out: Reals1
) -> None:
    """Twice the rate to the base rate: delay of 52 base samples, 52 + 52 symmetric pairs of taps.

    Writes `out`, shape (count,).
    """
    count = min(count, CHUNK)
    for t in range(count):
        c_even[HISTORY_C + t] = c[2 * t]
        c_odd[HISTORY_C + t] = c[2 * t + 1]
        out[t] = 0.0
    for j0 in range(0, LAST_PAIRS, _LAST_BLOCK):
        part = even[j0 : j0 + _LAST_BLOCK]
        older = c_even[HISTORY_C - LAST_PAIRS - j0 - _LAST_BLOCK + 1 :]
        newer = c_even[HISTORY_C - LAST_PAIRS + j0 :]
        for t in range(count):
            total = out[t]
            for j in range(_LAST_BLOCK):
                total += part[j] * (older[t + (_LAST_BLOCK - 1 - j)] + newer[t + j])
            out[t] = total
    for j0 in range(0, LAST_PAIRS, _LAST_BLOCK):
        part = odd[j0 : j0 + _LAST_BLOCK]
        older = c_odd[HISTORY_C - LAST_PAIRS - j0 - _LAST_BLOCK :]
        newer = c_odd[HISTORY_C - LAST_PAIRS + j0 :]
        for t in range(count):
            total = out[t]
            for j in range(_LAST_BLOCK):
                total += part[j] * (older[t + (_LAST_BLOCK - 1 - j)] + newer[t + j])
            out[t] = total
    for t in range(HISTORY_C):
        c_even[t] = c_even[count + t]
        c_odd[t] = c_odd[count + t]


@kernel()
def fall_to_twice(count: int, channel: int, over: Oversampler) -> None:
    """Bring what the nonlinearity wrote into a channel's rows of `high` to twice the base rate, into `scratch`.

    Parameters
    ----------
    count : int
        Samples that were raised, CHUNK at most.
    channel : int
        Which channel it is.
    over : Oversampler
        Changed in place.
    """
    factor = over.plan[0]
    low = over.low[channel]
    high = over.high[channel]
    taps = over.taps
    both = over.scratch
    if factor == 2:
        _take_over(2 * count, high, both)
    elif factor == 6:
        _third(min(2 * count, 2 * CHUNK), taps[_DOWN_WIDE:_TAPS], WIDE_SIDE, WIDE_DELAY, high, both)
    else:
        if factor == 4:
            _take_over(4 * count, high, both)
        else:
            _third(min(4 * count, 4 * CHUNK), taps[_DOWN_THIRD:_DOWN_SECOND], FALL_SIDE, THIRD_DELAY, high, both)
        d_even = low[_D_EVEN:_D_ODD]
        d_odd = low[_D_ODD:_C_EVEN]
        _halve_first(2 * count, taps[_DOWN_SECOND:_DOWN_EVEN], both, d_even, d_odd, both)


@kernel()
def fall(channel: int, over: Oversampler, out: Reals1) -> None:
    """Bring what the nonlinearity wrote into a channel's rows of `high` to the base rate.

    Parameters
    ----------
    channel : int
        Which channel it is.
    over : Oversampler
        Changed in place.
    out : ndarray, shape (CHUNK or fewer,)
        Gets the audio, as many samples as were raised.
    """
    count = out.shape[0]
    low = over.low[channel]
    taps = over.taps
    fall_to_twice(count, channel, over)
    c_even = low[_C_EVEN:_C_ODD]
    c_odd = low[_C_ODD:_LOW]
    _halve_last(count, taps[_DOWN_EVEN:_DOWN_ODD], taps[_DOWN_ODD:_UP_WIDE], over.scratch, c_even, c_odd, out)


@kernel()
def _halve_softly(count: int, taps: Reals1, c: Reals1, c_even: Reals1, c_odd: Reals1, out: Reals1) -> None:
    """Twice the rate to the base rate: delay of 36 samples, 36 symmetric pairs of taps, outermost first.

    Writes `out`, shape (count,).
    """
    count = min(count, CHUNK)
    for t in range(count):
        c_even[HISTORY_C + t] = c[2 * t]
        c_odd[HISTORY_C + t] = c[2 * t + 1]
        out[t] = c_even[HISTORY_C + t - FIRST_PAIRS]
    for j0 in range(0, FIRST_PAIRS, _FIRST_BLOCK):
        part = taps[j0 : j0 + _FIRST_BLOCK]
        older = c_odd[HISTORY_C - 2 * FIRST_PAIRS + j0 :]
        newer = c_odd[HISTORY_C - j0 - _FIRST_BLOCK :]
        for t in range(count):
            total = out[t]
            for j in range(_FIRST_BLOCK):
                total += part[j] * (older[t + j] + newer[t + (_FIRST_BLOCK - 1 - j)])
            out[t] = total
    for t in range(count):
        out[t] = 0.5 * out[t]
    for t in range(HISTORY_C):
        c_even[t] = c_even[count + t]
        c_odd[t] = c_odd[count + t]


@kernel()
def fall_softly(channel: int, over: Oversampler, out: Reals1) -> None:
    """As :func:`fall`, 16 samples earlier and at a third of the work, where nothing above the pass band matters.

    The last decimation is the first doubling run backwards. It is down by half at half the base rate, so what lies
    as far above that as the pass band ends below it comes back, between 0.4535 and half of the base rate alone.
    """
    count = out.shape[0]
    if over.plan[0] == 1:
        high = over.high[channel]
        for t in range(count):
            out[t] = high[0, HISTORY_HIGH + t]
    else:
        low = over.low[channel]
        fall_to_twice(count, channel, over)
        c_even = low[_C_EVEN:_C_ODD]
        c_odd = low[_C_ODD:_LOW]
        _halve_softly(count, over.taps[_UP_FIRST:_UP_SECOND], over.scratch, c_even, c_odd, out)
