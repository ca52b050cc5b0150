"""Arrays that start at a cache line: wide loads that straddle two cost double."""

import math

import numpy as np

from tapeemu.validation import FloatArray

__all__ = ["aligned_copy", "aligned_zeros"]


def aligned_zeros(*shape: int) -> FloatArray:
    """Zeros of a shape in memory aligned to 64 bytes."""
    size = math.prod(shape)
    store = np.zeros(size + 8)
    first = -(store.ctypes.data // store.itemsize) % 8
    return store[first : first + size].reshape(shape)


def aligned_copy(values: FloatArray) -> FloatArray:
    """Copy an array to memory aligned to 64 bytes."""
    table = aligned_zeros(*values.shape)
    table[...] = values
    return table
