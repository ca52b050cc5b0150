"""Loops that read a line of audio at a moving place."""

import numpy as np
import numpy.typing as npt

from tapeemu.dsp.kernels.compilation import kernel

__all__ = ["filter_pair", "locate", "read_pair_32", "read_pair_48"]

Floats = npt.NDArray[np.float64]
Places = npt.NDArray[np.int32]
Shares = npt.NDArray[np.float32]

# Unsigned indices: with signed ones every access would first be tested for a negative index, and the loops
# over the taps would not be vectorised. Their constant length unrolls them.
_ONE = np.uint64(1)
_TAPS_32 = np.uint64(32)
_TAPS_48 = np.uint64(48)


@kernel()
def locate(
    delays: Floats, start: float, slope: float, cells: float, left: Places, row: Places, between: Shares
) -> None:
    """Split the places of a segment into what the reading loops need.

    Done for a whole segment at a time: it vectorises, and places come out the same however the segment is
    divided among blocks.

    Parameters
    ----------
    delays : ndarray, shape (segment,)
        Delay of each output sample, in samples.
    start, slope : float
        Output sample `i` is read at ``start + slope * i - delays[i]``, counted from input sample `i`.
    cells : float
        Cells of the table of taps per sample.
    left : ndarray, shape (segment,)
        Gets the whole sample before the place.
    row, between : ndarray, shape (segment,)
        Get the row of the table before the fraction, and the place between that row and the next.
    """
    for i in range(np.uint64(delays.size)):
        place = start + slope * np.float64(i) - delays[i]
        whole = np.floor(place)
        cell = (place - whole) * cells
        lower = np.floor(cell)
        left[i] = np.int32(i) + np.int32(whole)
        row[i] = np.int32(lower)
        between[i] = np.float32(cell - lower)


@kernel(reassociate=True)
def read_pair_32(
    line: Floats,
    column: int,
    table: Floats,
    left: Places,
    row: Places,
    between: Shares,
    begin: int,
    end: int,
    first: int,
    second: int,
    out: Floats,
    at: int,
) -> None:
    """Read two channels of `line` with 32 taps; the taps of a sample are computed once for both.

    Parameters
    ----------
    line : ndarray, shape (channels, columns)
        Audio to read from.
    column : int
        Column under the first tap where `left` is 0; may lie outside `line`.
    table : ndarray, shape (cells + 2, 32)
        Taps for fractions 0, 1 / cells, ...; taps between rows are interpolated linearly.
    left, row, between : ndarray, shape (segment,)
        Places, from :func:`locate`.
    begin, end : int
        Part of the segment to make.
    first, second : int
        The channels; they may be the same.
    out : ndarray, shape (channels, at + end - begin or more)
        Gets the result, in these two rows, from column `at` on.
    at : int
        See `out`.
    """
    upper = np.uint64(first)
    lower = np.uint64(second)
    for i in range(np.uint64(begin), np.uint64(end)):
        cell = np.uint64(row[i])
        share = np.float64(between[i])
        base = np.uint64(column + left[i])
        a = 0.0
        b = 0.0
        for k in range(_TAPS_32):
            tap = table[cell, k] + share * (table[cell + _ONE, k] - table[cell, k])
            a += tap * line[upper, base + k]
            b += tap * line[lower, base + k]
        place = np.uint64(at - begin) + i
        out[upper, place] = a
        out[lower, place] = b


@kernel(reassociate=True)
def read_pair_48(
    line: Floats,
    column: int,
    table: Floats,
    left: Places,
    row: Places,
    between: Shares,
    begin: int,
    end: int,
    first: int,
    second: int,
    out: Floats,
    at: int,
) -> None:
    """Read like :func:`read_pair_32`, with 48 taps; `table` has that many columns."""
    upper = np.uint64(first)
    lower = np.uint64(second)
    for i in range(np.uint64(begin), np.uint64(end)):
        cell = np.uint64(row[i])
        share = np.float64(between[i])
        base = np.uint64(column + left[i])
        a = 0.0
        b = 0.0
        for k in range(_TAPS_48):
            tap = table[cell, k] + share * (table[cell + _ONE, k] - table[cell, k])
            a += tap * line[upper, base + k]
            b += tap * line[lower, base + k]
        place = np.uint64(at - begin) + i
        out[upper, place] = a
        out[lower, place] = b


@kernel(reassociate=True)
def filter_pair(
    line: Floats,
    column: int,
    table: Floats,
    row: Places,
    between: Shares,
    begin: int,
    end: int,
    first: int,
    second: int,
    out: Floats,
    at: int,
) -> None:
    """Filter two channels with taps that change from sample to sample, along the rows of a table.

    Parameters
    ----------
    line : ndarray, shape (channels, columns)
        Audio to read from.
    column : int
        Column under the first tap of output sample 0 of the segment; may lie outside `line`.
    table : ndarray, shape (rows, taps)
        Taps; those between rows are interpolated linearly. Padded to a multiple of eight taps.
    row, between : ndarray, shape (segment,)
        Row of the table for each output sample of a segment, and the place between it and the next.
    begin, end, first, second, out, at
        As for :func:`read_pair_32`.
    """
    upper = np.uint64(first)
    lower = np.uint64(second)
    taps = np.uint64(table.shape[1])
    for i in range(np.uint64(begin), np.uint64(end)):
        cell = np.uint64(row[i])
        share = np.float64(between[i])
        base = np.uint64(column) + i
        a = 0.0
        b = 0.0
        for k in range(taps):
            tap = table[cell, k] + share * (table[cell + _ONE, k] - table[cell, k])
            a += tap * line[upper, base + k]
            b += tap * line[lower, base + k]
        place = np.uint64(at - begin) + i
        out[upper, place] = a
        out[lower, place] = b
