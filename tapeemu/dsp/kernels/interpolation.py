"""Loops that read a line of audio at a moving place."""

from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Places1, Precise, Precises2, Reals1, Reals2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.dot_products import dot_between_rows, dot_of_one_between_rows

__all__ = ["Part", "Places", "locate", "read_pair_32", "read_pair_48"]


class Places(NamedTuple):
    """Where each output sample of a stretch is read, from :func:`locate`.

    Attributes
    ----------
    left : ndarray, shape (stretch,)
        Whole sample before the place, counted from the segment's first.
    row : ndarray, shape (stretch,)
        Row of the table of taps before the fraction.
    between : ndarray, shape (stretch,)
        Place between that row and the next, 0 to 1.
    """

    left: Places1
    row: Places1
    between: Reals1


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
def locate(
    delays: Precises2,
    share: Precise,
    start: Precise,
    slope: Precise,
    cells: Precise,
    begin: int,
    count: int,
    places: Places,
) -> None:
    """Split the places of a stretch of a segment into what the reading loops need.

    Parameters
    ----------
    delays : ndarray, shape (2, segment)
        Delay of each output sample, in samples, and what is added to it.
    share : float
        Factor on what is added.
    start, slope : float
        Output sample `i` is read at ``start + slope * i - delay``, counted from input sample `i`.
    cells : float
        Cells of the table of taps per sample.
    begin, count : int
        First output sample of the stretch, and how many.
    places : Places
        Gets them.
    """
    left = places.left
    row = places.row
    between = places.between
    for k in range(np.uintp(count)):
        i = np.uintp(begin) + k
        place = start + slope * np.float64(i) - (delays[0, i] + share * delays[1, i])
        whole = np.floor(place)
        cell = (place - whole) * cells
        lower = np.floor(cell)
        left[k] = np.int32(i) + np.int32(whole)
        row[k] = np.int32(lower)
        between[k] = cell - lower


@kernel(inline=True)
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
        Columns of the table, a multiple of eight.
    """
    left = places.left
    row = places.row
    between = places.between
    upper = np.uintp(first)
    lower = np.uintp(second)
    if first == second:
        for n in range(np.uintp(part.begin), np.uintp(part.end)):
            alone: float = between[n]
            dot_of_one_between_rows(
                table,
                np.uintp(row[n]),
                alone,
                taps,
                line,
                upper,
                np.uintp(part.column + left[n]),
                out,
                np.uintp(part.at - part.begin) + n,
            )
        return
    for i in range(np.uintp(part.begin), np.uintp(part.end)):
        cell = np.uintp(row[i])
        share: float = between[i]
        base = np.uintp(part.column + left[i])
        place = np.uintp(part.at - part.begin) + i
        dot_between_rows(table, cell, share, taps, line, upper, lower, base, out, place)


@kernel(abreast=True)
def read_pair_32(
    line: Reals2, table: Reals2, places: Places, part: Part, first: int, second: int, out: Reals2
) -> None:
    """:func:`read_pair` with 32 taps."""
    read_pair(line, table, places, part, first, second, out, np.uintp(32))


@kernel(abreast=True)
def read_pair_48(
    line: Reals2, table: Reals2, places: Places, part: Part, first: int, second: int, out: Reals2
) -> None:
    """:func:`read_pair` with 48 taps."""
    read_pair(line, table, places, part, first, second, out, np.uintp(48))
