"""Sums of products in eight lanes: the order of the additions is written, so it is the same on every machine."""

import numpy as np

from tapeemu.dsp.kernels.arrays import Reals1, Reals2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.lanes import eight_lanes

__all__ = ["dot_between_rows", "dot_of_one_between_rows", "dot_product", "sum_of_eight"]

# Unsigned indices: with signed ones every access would first be tested for a negative index, and the loops would
# not be vectorised.
_ONE = np.uintp(1)
_EIGHT = np.uintp(8)


@kernel(inline=True)
def sum_of_eight(lanes: Reals1) -> float:
    """Sum of eight numbers, by halves."""
    even: float = (lanes[0] + lanes[4]) + (lanes[2] + lanes[6])
    odd: float = (lanes[1] + lanes[5]) + (lanes[3] + lanes[7])
    return even + odd


@kernel(abreast=True)
def dot_product(taps: Reals1, line: Reals1, first: int) -> float:
    """Sum of products of taps with a line.

    Parameters
    ----------
    taps : ndarray, shape (taps,)
        Eights are summed side by side; what is left over is added in turn.
    line : ndarray, shape (columns,)
        Audio.
    first : int
        Column of the line under the first tap.

    Returns
    -------
    float
        The sum.
    """
    lanes = eight_lanes()
    base = np.uintp(first)
    count = np.uintp(taps.size)
    eights = count // _EIGHT
    for group in range(eights):
        for j in range(_EIGHT):
            k = _EIGHT * group + j
            lanes[j] += taps[k] * line[base + k]
    total = sum_of_eight(lanes)
    for rest in range(_EIGHT * eights, count):
        total += taps[rest] * line[base + rest]
    return total


@kernel(inline=True)
def dot_between_rows(
    table: Reals2,
    row: np.uintp,
    share: float,
    taps: np.uintp,
    line: Reals2,
    first: np.uintp,
    second: np.uintp,
    base: np.uintp,
    out: Reals2,
    place: np.uintp,
) -> None:
    """Sums of products of two channels of a line with taps between two rows of a table, computed once for both.

    Parameters
    ----------
    table : ndarray, shape (rows, taps)
        Taps.
    row, share : int, float
        The taps are this share of the way from the row to the next, 0 to 1.
    taps : int
        Columns of the table, a multiple of eight. Where it is a constant of the caller, the loop is unrolled.
    line : ndarray, shape (channels, columns)
        Audio.
    first, second : int
        The channels; they may be the same.
    base : int
        Column of the line under the first tap.
    out : ndarray, shape (channels, columns)
        Gets the sums in these two rows.
    place : int
        Column of the output that gets them.
    """
    # Rows by themselves: a compiler then sees that they are not the lanes, and keeps those in registers.
    below = table[row]
    above = table[row + _ONE]
    one = line[first, base:]
    other = line[second, base:]
    a = eight_lanes()
    b = eight_lanes()
    for group in range(taps // _EIGHT):
        for j in range(_EIGHT):
            k = _EIGHT * group + j
            tap = below[k] + share * (above[k] - below[k])
            a[j] += tap * one[k]
            b[j] += tap * other[k]
    out[first, place] = sum_of_eight(a)
    out[second, place] = sum_of_eight(b)


@kernel(inline=True)
def dot_of_one_between_rows(
    table: Reals2,
    row: np.uintp,
    share: float,
    taps: np.uintp,
    line: Reals2,
    channel: np.uintp,
    base: np.uintp,
    out: Reals2,
    place: np.uintp,
) -> None:
    """As :func:`dot_between_rows` for one channel, in half the work: the same sum."""
    below = table[row]
    above = table[row + _ONE]
    one = line[channel, base:]
    a = eight_lanes()
    for group in range(taps // _EIGHT):
        for j in range(_EIGHT):
            k = _EIGHT * group + j
            a[j] += (below[k] + share * (above[k] - below[k])) * one[k]
    out[channel, place] = sum_of_eight(a)
