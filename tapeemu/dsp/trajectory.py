"""Any stretch of what kernels make by segments of the tape."""

from collections.abc import Callable

import numpy as np

from tapeemu.validation import FloatArray

__all__ = ["SEGMENT", "collect"]

SEGMENT = 4096
"""Samples in one piece of a trajectory, as :mod:`tapeemu.dsp.kernels.trajectories` makes them."""


def collect(segment: Callable[[int], FloatArray], first: int, count: int) -> FloatArray:
    """Any stretch of what is computed by segments, as a new array.

    Parameters
    ----------
    segment : callable
        From the number of a segment to its SEGMENT values.
    first, count : int
        Absolute index of the first value, of any size and sign, and how many.

    Returns
    -------
    ndarray, shape (count,)
    """
    out = np.empty(count)
    done = 0
    while done < count:
        index, offset = divmod(first + done, SEGMENT)
        some = min(count - done, SEGMENT - offset)
        out[done : done + some] = segment(index)[offset : offset + some]
        done += some
    return out
