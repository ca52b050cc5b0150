"""Sums of products in eight lanes: the order of the additions is written, so it is the same on every machine."""

import numpy as np

from tapeemu.dsp.kernels.arrays import Reals1
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.lanes import eight_lanes

__all__ = ["dot_product", "sum_of_eight"]

# Unsigned indices: with signed ones every access would first be tested for a negative index, and the loops would
# not be vectorised.
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
