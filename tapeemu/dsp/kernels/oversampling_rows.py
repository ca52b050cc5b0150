"""Loops of the multistage oversampler: every filter is a short dot product along contiguous memory.

A sum is always written as ``total += tap * sample``: there is one way to fuse it, so vector lanes and
remainder loops round alike and the output cannot depend on the length of a block. Loops over taps have
a constant length, so the compiler unrolls them and vectorises along time; for that it must also see that
no index can be negative, which is why every count is bounded once more.

Layout of the scratch memory: one row per channel, history first, newest sample last.

==========  ==========  ============================================================================
name        rate        content
==========  ==========  ============================================================================
``x``       1           input; ``phase`` holds one channel's new samples between the old ones
``u``       2           after the first doubling, in time order
``v``       4           after the second doubling, in time order
``high``    the top     what the nonlinearity reads: rows of 4 x; row p of 3 holds samples ``3 m + p``
``bent``    the top     what the nonlinearity writes, in the same rows, with history
``d``       4           on the way down, in time order; ``d_even`` and ``d_odd`` are its two phases
``c``       2           on the way down, in time order; ``c_even`` and ``c_odd`` are its two phases
==========  ==========  ============================================================================
"""

from typing import NamedTuple

from tapeemu.dsp.kernels.arrays import Reals1, Reals2, Reals3
from tapeemu.dsp.kernels.compilation import kernel

__all__ = ["Down", "Up", "fall", "rise"]

CHUNK = 512
"""Most base-rate samples one call may carry."""

FIRST_PAIRS = 36
SECOND_PAIRS = 8
THIRD_TAPS = 10
THIRD_DELAY = 8
FALL_SIDE = 14
LAST_PAIRS = 52
"""Sizes of the filters; `tapeemu.dsp.oversampling` designs taps to fit."""

HISTORY_X = 2 * FIRST_PAIRS
HISTORY_U = 2 * SECOND_PAIRS
HISTORY_V = 16
HISTORY_BENT = 16
HISTORY_D = 16
HISTORY_C = 2 * LAST_PAIRS
"""Samples of every row kept from one call to the next."""

_FIRST_BLOCK = 12
_LAST_BLOCK = 13
_THIRD_HALF = THIRD_TAPS // 2 - 1
_FALL_THIRDS = 2 * FALL_SIDE // 3 // 2 + 1


class Up(NamedTuple):
    """Taps and memory of the way up.

    Attributes
    ----------
    first, second, third : ndarray, shapes (FIRST_PAIRS,), (SECOND_PAIRS,), (THIRD_TAPS,)
        Taps of the two doublings (one of each symmetric pair, outermost first) and of the tripling.
    x, u, v : ndarray, shapes (channels, history + 1, 2 and 4 times CHUNK)
        Rows of the table above.
    phase : ndarray, shape (CHUNK,)
        Scratch of the first doubling.
    high : ndarray, shape (channels, rows, samples)
        Gets the result: three rows of four times CHUNK, or one of as many times CHUNK as the rate is raised.
    """

    first: Reals1
    second: Reals1
    third: Reals1
    x: Reals2
    phase: Reals1
    u: Reals2
    v: Reals2
    high: Reals3


class Down(NamedTuple):
    """Taps and memory of the way down.

    Attributes
    ----------
    third : ndarray, shape (2 * FALL_SIDE + 1,)
        Taps of the division of the rate by three.
    center : float
        Middle tap of the first halving.
    second : ndarray, shape (SECOND_PAIRS,)
        Its other taps, one of each symmetric pair, innermost first.
    even, odd : ndarray, shape (LAST_PAIRS,)
        Taps of the last halving for each phase, one of each symmetric pair, innermost first.
    bent : ndarray, shape (channels, rows, HISTORY_BENT + samples)
        What the nonlinearity wrote, in the rows of :attr:`Up.high`.
    d, c : ndarray, shapes (channels, 4 and 2 times CHUNK)
        Rows of the table above.
    d_even, d_odd, c_even, c_odd : ndarray, shapes (channels, history + 2 or 1 times CHUNK)
        Their phases.
    """

    third: Reals1
    center: float
    second: Reals1
    even: Reals1
    odd: Reals1
    bent: Reals3
    d: Reals2
    d_even: Reals2
    d_odd: Reals2
    c: Reals2
    c_even: Reals2
    c_odd: Reals2


@kernel()
def double_first(block: Reals2, start: int, count: int, taps: Reals1, x: Reals2, phase: Reals1, u: Reals2) -> None:
    """Input to twice the rate: delay of 36 samples, the odd phase by 36 symmetric pairs of taps.

    Parameters
    ----------
    block : ndarray, shape (channels, samples)
        Audio at the base rate, from sample `start` on, `count` samples of it.
    taps, x, phase, u
        See :class:`Up`; writes `u`.
    """
    count = min(count, CHUNK)
    for channel in range(block.shape[0]):
        fresh = block[channel, start : start + count]
        for t in range(count):
            x[channel, HISTORY_X + t] = fresh[t]
            phase[t] = 0.0
        for j0 in range(0, FIRST_PAIRS, _FIRST_BLOCK):
            part = taps[j0 : j0 + _FIRST_BLOCK]
            older = x[channel, HISTORY_X - (2 * FIRST_PAIRS - 1) + j0 :]
            newer = x[channel, HISTORY_X - j0 - _FIRST_BLOCK + 1 :]
            for t in range(count):
                total = phase[t]
                for j in range(_FIRST_BLOCK):
                    total += part[j] * (older[t + j] + newer[t + (_FIRST_BLOCK - 1 - j)])
                phase[t] = total
        for t in range(count):
            u[channel, HISTORY_U + 2 * t] = x[channel, HISTORY_X + t - FIRST_PAIRS]
            u[channel, HISTORY_U + 2 * t + 1] = phase[t]
        for t in range(HISTORY_X):
            x[channel, t] = x[channel, count + t]


@kernel()
def double_second(count: int, taps: Reals1, u: Reals2, v: Reals2) -> None:
    """Twice to four times the rate: delay of 8 samples of `u`, which `count` counts.

    `taps`, `u` and `v`: see :class:`Up`; writes `v`.
    """
    count = min(count, 2 * CHUNK)
    for channel in range(u.shape[0]):
        for i in range(count):
            total = 0.0
            for j in range(SECOND_PAIRS):
                older = u[channel, HISTORY_U + i - (2 * SECOND_PAIRS - 1) + j]
                newer = u[channel, HISTORY_U + i - j]
                total += taps[j] * (older + newer)
            v[channel, HISTORY_V + 2 * i] = u[channel, HISTORY_U + i - SECOND_PAIRS]
            v[channel, HISTORY_V + 2 * i + 1] = total
        for i in range(HISTORY_U):
            u[channel, i] = u[channel, count + i]


@kernel()
def triple(count: int, taps: Reals1, v: Reals2, high: Reals3) -> None:
    """Four to twelve times the rate, in three rows: delay of 8 samples of `v`, which `count` counts.

    `taps`, `v` and `high`: see :class:`Up`; writes `high`.
    """
    count = min(count, 4 * CHUNK)
    for channel in range(v.shape[0]):
        first = high[channel, 1]
        second = high[channel, 2]
        for i in range(count):
            high[channel, 0, i] = v[channel, HISTORY_V + i - THIRD_DELAY]
        for i in range(count):
            total = 0.0
            for j in range(THIRD_TAPS):
                total += taps[j] * v[channel, HISTORY_V + i - THIRD_DELAY - _THIRD_HALF + j]
            first[i] = total
        for i in range(count):
            total = 0.0
            for j in range(THIRD_TAPS):
                total += taps[THIRD_TAPS - 1 - j] * v[channel, HISTORY_V + i - THIRD_DELAY - _THIRD_HALF + j]
            second[i] = total
        for i in range(HISTORY_V):
            v[channel, i] = v[channel, count + i]


@kernel()
def copy_row(count: int, row: Reals2, history: int, high: Reals3) -> None:
    """Hand a row to the nonlinearity as it is, when no tripling follows.

    `row` has the shape (channels, history + count or more); writes row 0 of `high`.
    """
    for channel in range(row.shape[0]):
        for i in range(count):
            high[channel, 0, i] = row[channel, history + i]
        for i in range(history):
            row[channel, i] = row[channel, count + i]


@kernel()
def rise(block: Reals2, start: int, count: int, factor: int, up: Up) -> None:
    """Raise part of a block to the top rate, into ``up.high``.

    Parameters
    ----------
    block : ndarray, shape (channels, samples)
        Audio at the base rate.
    start, count : int
        Its part: first sample, and how many (at most CHUNK).
    factor : int
        12, 4 or 2 times the rate.
    up : Up
        Taps and memory; changed in place.
    """
    double_first(block, start, count, up.first, up.x, up.phase, up.u)
    if factor == 2:
        copy_row(2 * count, up.u, HISTORY_U, up.high)
    else:
        double_second(2 * count, up.second, up.u, up.v)
        if factor == 4:
            copy_row(4 * count, up.v, HISTORY_V, up.high)
        else:
            triple(4 * count, up.third, up.v, up.high)


@kernel()
def third(count: int, taps: Reals1, bent: Reals3, d: Reals2) -> None:
    """Twelve times the rate to four: 29 taps over three rows, delay of 8 samples of `d`, which `count` counts.

    `taps`, `bent` and `d`: see :class:`Down`; writes `d`.
    """
    count = min(count, 4 * CHUNK)
    for channel in range(bent.shape[0]):
        for i in range(count):
            total = taps[FALL_SIDE] * bent[channel, 0, HISTORY_BENT + i - THIRD_DELAY]
            for a in range(1, _FALL_THIRDS):
                older = bent[channel, 0, HISTORY_BENT + i - THIRD_DELAY - a]
                newer = bent[channel, 0, HISTORY_BENT + i - THIRD_DELAY + a]
                total += taps[FALL_SIDE + 3 * a] * (older + newer)
            for a in range(_FALL_THIRDS):
                older = bent[channel, 2, HISTORY_BENT + i - THIRD_DELAY - a - 1]
                newer = bent[channel, 1, HISTORY_BENT + i - THIRD_DELAY + a]
                total += taps[FALL_SIDE + 3 * a + 1] * (older + newer)
            for a in range(_FALL_THIRDS):
                older = bent[channel, 1, HISTORY_BENT + i - THIRD_DELAY - a - 1]
                newer = bent[channel, 2, HISTORY_BENT + i - THIRD_DELAY + a]
                total += taps[FALL_SIDE + 3 * a + 2] * (older + newer)
            d[channel, i] = total
        for row in range(3):
            for i in range(HISTORY_BENT):
                bent[channel, row, i] = bent[channel, row, count + i]


@kernel()
def take_row(count: int, bent: Reals3, natural: Reals2) -> None:
    """Take the row that the nonlinearity wrote as it is, when no tripling was done.

    `natural` has the shape (channels, count or more).
    """
    for channel in range(bent.shape[0]):
        for i in range(count):
            natural[channel, i] = bent[channel, 0, HISTORY_BENT + i]


@kernel()
def halve_first(
    count: int, center: float, taps: Reals1, d: Reals2, d_even: Reals2, d_odd: Reals2, c: Reals2
) -> None:
    """Four times the rate to two: delay of 8 samples of `c`, which `count` counts.

    `center`, `taps` (the second), `d` and `c`: see :class:`Down`; writes `c`.
    """
    count = min(count, 2 * CHUNK)
    for channel in range(d.shape[0]):
        for i in range(count):
            d_even[channel, HISTORY_D + i] = d[channel, 2 * i]
            d_odd[channel, HISTORY_D + i] = d[channel, 2 * i + 1]
        for i in range(count):
            total = center * d_even[channel, HISTORY_D + i - SECOND_PAIRS]
            for j in range(SECOND_PAIRS):
                older = d_odd[channel, HISTORY_D + i - SECOND_PAIRS - 1 - j]
                newer = d_odd[channel, HISTORY_D + i - SECOND_PAIRS + j]
                total += taps[j] * (older + newer)
            c[channel, i] = total
        for i in range(HISTORY_D):
            d_even[channel, i] = d_even[channel, count + i]
            d_odd[channel, i] = d_odd[channel, count + i]


@kernel()
def halve_last(
    count: int,
    taps_even: Reals1,
    taps_odd: Reals1,
    c: Reals2,
    c_even: Reals2,
    c_odd: Reals2,
    out: Reals2,
    start: int,
) -> None:
    """Twice the rate to the base rate: delay of 52 base samples, 52 + 52 symmetric pairs of taps.

    `taps_even`, `taps_odd` and `c`: see :class:`Down`; writes `count` samples of `out`, shape
    (channels, samples), from `start` on.
    """
    count = min(count, CHUNK)
    for channel in range(c.shape[0]):
        filtered = out[channel, start : start + count]
        for t in range(count):
            c_even[channel, HISTORY_C + t] = c[channel, 2 * t]
            c_odd[channel, HISTORY_C + t] = c[channel, 2 * t + 1]
            filtered[t] = 0.0
        for j0 in range(0, LAST_PAIRS, _LAST_BLOCK):
            part = taps_even[j0 : j0 + _LAST_BLOCK]
            older = c_even[channel, HISTORY_C - LAST_PAIRS - j0 - _LAST_BLOCK + 1 :]
            newer = c_even[channel, HISTORY_C - LAST_PAIRS + j0 :]
            for t in range(count):
                total = filtered[t]
                for j in range(_LAST_BLOCK):
                    total += part[j] * (older[t + (_LAST_BLOCK - 1 - j)] + newer[t + j])
                filtered[t] = total
        for j0 in range(0, LAST_PAIRS, _LAST_BLOCK):
            part = taps_odd[j0 : j0 + _LAST_BLOCK]
            older = c_odd[channel, HISTORY_C - LAST_PAIRS - j0 - _LAST_BLOCK :]
            newer = c_odd[channel, HISTORY_C - LAST_PAIRS + j0 :]
            for t in range(count):
                total = filtered[t]
                for j in range(_LAST_BLOCK):
                    total += part[j] * (older[t + (_LAST_BLOCK - 1 - j)] + newer[t + j])
                filtered[t] = total
        for t in range(HISTORY_C):
            c_even[channel, t] = c_even[channel, count + t]
            c_odd[channel, t] = c_odd[channel, count + t]


@kernel()
def fall(out: Reals2, start: int, count: int, factor: int, down: Down) -> None:
    """Bring what the nonlinearity wrote into ``down.bent`` to the base rate.

    Parameters
    ----------
    out : ndarray, shape (channels, samples)
        Gets the audio at the base rate.
    start, count : int
        The part of it that is written: first sample, and how many (at most CHUNK).
    factor : int
        12, 4 or 2 times the rate.
    down : Down
        Taps and memory; changed in place.
    """
    if factor == 2:
        take_row(2 * count, down.bent, down.c)
    else:
        if factor == 4:
            take_row(4 * count, down.bent, down.d)
        else:
            third(4 * count, down.third, down.bent, down.d)
        halve_first(2 * count, down.center, down.second, down.d, down.d_even, down.d_odd, down.c)
    halve_last(count, down.even, down.odd, down.c, down.c_even, down.c_odd, out, start)
