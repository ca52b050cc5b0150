"""Loops that read a line of audio at a moving place."""

import numpy as np
import numpy.typing as npt

from tapeemu.dsp.kernels.compilation import kernel

__all__ = ["read_pair_32", "read_pair_48"]

Floats = npt.NDArray[np.float64]

# Unsigned indices: with signed ones every access would first be tested for a negative index, and the loops
# over the taps would not be vectorised. Their constant length unrolls them.
_ONE = np.uint64(1)
_TAPS_32 = np.uint64(32)
_TAPS_48 = np.uint64(48)


@kernel(reassociate=True)
def read_pair_32(
    line: Floats,
    table: Floats,
    delays: Floats,
    begin: int,
    end: int,
    out: Floats,
    first: int,
    second: int,
    at: int,
    column: int,
    start: float,
    slope: float,
) -> None:
    """Read two channels of `line` with 32 taps; the taps of a sample are computed once for both.

    Parameters
    ----------
    line : ndarray, shape (channels, columns)
        Audio to read from.
    table : ndarray, shape (cells + 2, 32)
        Taps for fractions 0, 1 / cells, ...; taps between rows are interpolated linearly.
    delays : ndarray, shape (segment,)
        Delay of each output sample of a segment, in samples.
    begin, end : int
        Part of the segment to make. Places are counted from its start, so that a part comes out the same
        however the segment is divided.
    out : ndarray, shape (channels, at + end - begin or more)
        Result; only rows `first` and `second` (which may be the same) are written.
    first, second : int
        The channels.
    at : int
        Column of `out` for output sample `begin`.
    column : int
        Column under the first tap for output sample 0 of the segment without delay; may lie outside `line`.
    start, slope : float
        Output sample `i` is read at ``column + i + start + slope * i - delays[i]``.
    """
    upper = np.uint64(first)
    lower = np.uint64(second)
    cells = float(table.shape[0] - 2)
    for i in range(begin, end):
        place = start + slope * i - delays[i]
        whole = np.floor(place)
        cell = (place - whole) * cells
        row = np.uint64(int(cell))
        between = cell - np.floor(cell)
        left = np.uint64(column + i + int(whole))
        a = 0.0
        b = 0.0
        for k in range(_TAPS_32):
            tap = table[row, k] + between * (table[row + _ONE, k] - table[row, k])
            a += tap * line[upper, left + k]
            b += tap * line[lower, left + k]
        out[upper, at + i - begin] = a
        out[lower, at + i - begin] = b


@kernel(reassociate=True)
def read_pair_48(
    line: Floats,
    table: Floats,
    delays: Floats,
    begin: int,
    end: int,
    out: Floats,
    first: int,
    second: int,
    at: int,
    column: int,
    start: float,
    slope: float,
) -> None:
    """Read like :func:`read_pair_32`, with 48 taps; `table` has that many columns."""
    upper = np.uint64(first)
    lower = np.uint64(second)
    cells = float(table.shape[0] - 2)
    for i in range(begin, end):
        place = start + slope * i - delays[i]
        whole = np.floor(place)
        cell = (place - whole) * cells
        row = np.uint64(int(cell))
        between = cell - np.floor(cell)
        left = np.uint64(column + i + int(whole))
        a = 0.0
        b = 0.0
        for k in range(_TAPS_48):
            tap = table[row, k] + between * (table[row + _ONE, k] - table[row, k])
            a += tap * line[upper, left + k]
            b += tap * line[lower, left + k]
        out[upper, at + i - begin] = a
        out[lower, at + i - begin] = b
