"""Loops that read a line of audio at a moving place."""

from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Places1, Precise, Precises1, Reals2, Singles1
from tapeemu.dsp.kernels.compilation import kernel

__all__ = ["Part", "Places", "locate", "read_pair_32", "read_pair_48"]

# Unsigned indices: with signed ones every access would first be tested for a negative index, and the loops
# over the taps would not be vectorised.
_ONE = np.uintp(1)


class Places(NamedTuple):
    """Where each output sample of a segment is read, from :func:`locate`.

    Attributes
    ----------
    left : ndarray, shape (segment,)
        Whole sample before the place, counted from the segment's first.
    row : ndarray, shape (segment,)
        Row of the table of taps before the fraction.
    between : ndarray, shape (segment,)
        Place between that row and the next, 0 to 1.
    """

    left: Places1
    row: Places1
    between: Singles1


class Part(NamedTuple):
    """The part of a segment that is made at a time, and where it lies in memory.

    Attributes
    ----------
    column : int
        Column of the line under the first tap of a sample read at the segment's first; may lie outside the line.
    begin, end : int
        Output samples of the segment, the last one excluded.
    at : int
        Column of the output that gets the first of them.
    """

    column: int
    begin: int
    end: int
    at: int


@kernel()
def locate(delays: Precises1, start: Precise, slope: Precise, cells: Precise, places: Places) -> None:
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
    places : Places
        Gets them.
    """
    left = places.left
    row = places.row
    between = places.between
    for i in range(np.uintp(delays.size)):
        place = start + slope * np.float64(i) - delays[i]
        whole = np.floor(place)
        cell = (place - whole) * cells
        lower = np.floor(cell)
        left[i] = np.int32(i) + np.int32(whole)
        row[i] = np.int32(lower)
        between[i] = np.float32(cell - lower)


@kernel(reassociate=True, inline=True)
def read_pair(
    line: Reals2, table: Reals2, places: Places, part: Part, first: int, second: int, out: Reals2, taps: np.uintp
) -> None:
    """Read two channels of `line`; the taps of a sample are computed once for both.

    Written into its callers, so that `taps` is a constant there: the loop over them is then unrolled.

    Parameters
    ----------
    line : ndarray, shape (channels, columns)
        Audio to read from.
    table : ndarray, shape (cells + 2, taps)
        Taps for fractions 0, 1 / cells, ...; taps between rows are interpolated linearly.
    places : Places
        Where each sample of the segment is read.
    part : Part
        Which samples of the segment are made.
    first, second : int
        The channels; they may be the same.
    out : ndarray, shape (channels, columns)
        Gets the result in these two rows.
    taps : int
        Columns of the table.
    """
    left = places.left
    row = places.row
    between = places.between
    upper = np.uintp(first)
    lower = np.uintp(second)
    for i in range(np.uintp(part.begin), np.uintp(part.end)):
        cell = np.uintp(row[i])
        share = np.float64(between[i])
        base = np.uintp(part.column + left[i])
        a = 0.0
        b = 0.0
        for k in range(taps):
            tap = table[cell, k] + share * (table[cell + _ONE, k] - table[cell, k])
            a += tap * line[upper, base + k]
            b += tap * line[lower, base + k]
        place = np.uintp(part.at - part.begin) + i
        out[upper, place] = a
        out[lower, place] = b


@kernel(reassociate=True)
def read_pair_32(
    line: Reals2, table: Reals2, places: Places, part: Part, first: int, second: int, out: Reals2
) -> None:
    """:func:`read_pair` with 32 taps."""
    read_pair(line, table, places, part, first, second, out, np.uintp(32))


@kernel(reassociate=True)
def read_pair_48(
    line: Reals2, table: Reals2, places: Places, part: Part, first: int, second: int, out: Reals2
) -> None:
    """:func:`read_pair` with 48 taps."""
    read_pair(line, table, places, part, first, second, out, np.uintp(48))
