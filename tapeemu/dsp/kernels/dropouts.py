"""Dropouts: a Poisson process in time, any stretch of which can be found without what came before.

Each second of the tape is a cell of its own: hashed uniform numbers give the number of dropouts in it (Poisson)
and place them evenly. Counts of disjoint cells are independent and places within a cell are even, which is a
homogeneous Poisson process exactly: the gaps between dropouts are exponential. None is ever stored; a cell holds
at most ten times the mean number and a hundred, which a Poisson number exceeds once in 1e80 cells.
"""

import math
from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Precise, Precises1, Precises2, Reals1
from tapeemu.dsp.kernels.builds import settings_may_move
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import cosine_of_turns, exponential, logarithm, power_of_ten
from tapeemu.dsp.kernels.glides import CELL, NODES, Glide, spline
from tapeemu.dsp.kernels.hashing import mix_hash, uniform

__all__ = [
    "LAW_NUMBERS",
    "MOST_IN_CELL",
    "PER_SECOND",
    "MovingDepth",
    "add_dropouts",
    "dip",
    "dropout_law",
    "list_cell",
]

MOST_IN_CELL = 1_101
"""Most dropouts of a second, at the highest mean number of 100."""

LAW_NUMBERS = 7
"""Numbers of a law of dropouts, see :func:`dropout_law`."""

PER_SECOND, _NONE, _LEAST_DB, _DB_SPAN, _SHORTEST, _LENGTH_SPAN, _LONGEST = range(LAW_NUMBERS)


_DB_PER_NEPER = 8.685889638065035


class MovingDepth(NamedTuple):
    """Limits of the depth that glide.

    Attributes
    ----------
    glide : Glide
        With the two limits in dB among its numbers, the smaller before the larger.
    nodes : ndarray, shape (5,)
        Scratch: what is left of the level in the depth of one dropout, at the values that the glide keeps.
    number : int
        Which number the smaller limit is; below 0 while both stand.
    at : int
        The first sample of a stretch, counted from the first of the glide's cell.
    """

    glide: Glide
    nodes: Precises1
    number: int
    at: int


@kernel()
def dropout_law(
    per_minute: Precise,
    least_db: Precise,
    most_db: Precise,
    shortest_ms: Precise,
    longest_ms: Precise,
    law: Precises1,
) -> None:
    """Prepare a law: depth and length are distributed evenly on a logarithmic scale between their limits.

    Parameters
    ----------
    per_minute : float
        Mean number of dropouts, 0 to 6,000.
    least_db, most_db : float
        Limits of the depth.
    shortest_ms, longest_ms : float
        Limits of the length.
    law : ndarray, shape (LAW_NUMBERS,)
        Gets it.
    """
    law[PER_SECOND] = per_minute / 60.0
    law[_NONE] = exponential(-per_minute / 60.0)
    law[_LEAST_DB] = least_db
    law[_DB_SPAN] = logarithm(most_db / least_db)
    law[_SHORTEST] = shortest_ms
    law[_LENGTH_SPAN] = logarithm(longest_ms / shortest_ms)
    law[_LONGEST] = longest_ms


@kernel()
def _count(law: Precises1, base: np.uint64) -> int:
    """How many dropouts a cell holds: the Poisson quantile of its first number, by adding up probabilities."""
    mean = law[PER_SECOND]
    share = uniform(base, np.uint64(0))
    probability = law[_NONE]
    total = probability
    count = 0
    while share > total and count < 10.0 * mean + 100.0:
        count += 1
        probability = probability * mean / count
        total += probability
    return count


@kernel()
def _place(base: np.uint64, number: int) -> Precise:
    """Where in its cell the centre of a dropout lies, in seconds; `number` counts from 0."""
    return uniform(base, np.uint64(3 * number + 1))


@kernel()
def _share_of_depth(base: np.uint64, number: int) -> Precise:
    """Where between the limits, on a logarithmic scale, the depth of a dropout lies."""
    return uniform(base, np.uint64(3 * number + 2))


@kernel()
def _size(law: Precises1, base: np.uint64, number: int) -> tuple[Precise, Precise]:
    """Depth of a dropout in dB, and its length in ms; `number` counts from 0."""
    depth = law[_LEAST_DB] * exponential(_share_of_depth(base, number) * law[_DB_SPAN])
    length = law[_SHORTEST] * exponential(uniform(base, np.uint64(3 * number + 3)) * law[_LENGTH_SPAN])
    return depth, length


@kernel()
def list_cell(key: np.uint64, law: Precises1, cell: np.int64, out: Precises2) -> int:
    """Write the dropouts of a second of the tape, of any size and sign.

    Parameters
    ----------
    key : uint64
        Of the dropouts.
    law : ndarray, shape (LAW_NUMBERS,)
        From :func:`dropout_law`.
    cell : int64
        Number of the second.
    out : ndarray, shape (MOST_IN_CELL, 3)
        Gets their centres in seconds from the beginning of the cell, depths in dB and lengths in ms.

    Returns
    -------
    int
        How many there are.
    """
    base = mix_hash(key, np.uint64(cell))
    count = _count(law, base)
    for number in range(count):
        depth, length = _size(law, base, number)
        out[number, 0] = _place(base, number)
        out[number, 1] = depth
        out[number, 2] = length
    return count


@kernel()
def dip(centre: Precise, half_flat: Precise, half_all: Precise, depth: Precise, begin: int, out: Reals1) -> None:
    """Deepen `out` to `depth` round `centre`: a flat floor with raised-cosine edges; the deeper dip wins.

    Parameters
    ----------
    centre : float
        Of the dip, in samples.
    half_flat, half_all : float
        Half the length of the floor, and of the whole dip, in samples.
    depth : float
        Of the floor, in dB.
    begin : int
        Sample that the first of `out` is.
    out : ndarray, shape (samples,)
        Depth of all dips in dB, changed in place.
    """
    first = max(begin, math.ceil(centre - half_all))
    last = min(begin + out.size - 1, math.floor(centre + half_all))
    per_edge = 0.5 / (half_all - half_flat)
    for i in range(first, last + 1):
        away = abs(i - centre)
        level = depth
        if away > half_flat:
            level = depth * 0.5 * (1.0 + cosine_of_turns((away - half_flat) * per_edge))
        out[i - begin] = max(float(out[i - begin]), float(level))


@kernel()
def _find_nodes(share: Precise, moving: MovingDepth) -> None:
    """Find what is left of the level in a dropout that lies at a share of the way between the limits."""
    values = moving.glide.values
    for k in range(NODES):
        least = values[moving.number, k]
        depth = least * exponential(share * logarithm(values[moving.number + 1, k] / least))
        moving.nodes[k] = power_of_ten(-0.05 * depth)


@kernel()
def _moving_dip(
    centre: Precise,
    half_flat: Precise,
    half_all: Precise,
    begin: int,
    moving: MovingDepth,
    out: Reals1,
) -> None:
    """As :func:`dip`, with a floor that moves.

    What glides is the level that is left, as with all gains: the depth itself could fall by all its decibels in a
    millisecond. Samples before the cell before, and behind this one, hold the level at that end: they are made at
    another time.
    """
    first = max(begin, math.ceil(centre - half_all))
    last = min(begin + out.size - 1, math.floor(centre + half_all))
    per_edge = 0.5 / (half_all - half_flat)
    cell = int(moving.glide.counts[CELL])
    nodes = moving.nodes
    for i in range(first, last + 1):
        place = min(max(moving.at + i - begin, -cell), cell - 1)
        column = 1 if place >= 0 else 0
        share = np.double(place if place >= 0 else place + cell) / np.double(cell)
        left = spline(share, nodes[column], nodes[column + 1], nodes[column + 2], nodes[column + 3])
        level = -_DB_PER_NEPER * logarithm(left)
        away = abs(i - centre)
        if away > half_flat:
            level = level * 0.5 * (1.0 + cosine_of_turns((away - half_flat) * per_edge))
        out[i - begin] = max(float(out[i - begin]), float(level))


@kernel()
def add_dropouts(
    key: np.uint64,
    law: Precises1,
    sample_rate: Precise,
    first: np.int64,
    begin: int,
    moving: MovingDepth,
    out: Reals1,
) -> bool:
    """Write the depth of all dropouts of a stretch of the tape.

    Parameters
    ----------
    key : uint64
        Of the dropouts.
    law : ndarray, shape (LAW_NUMBERS,)
        From :func:`dropout_law`.
    sample_rate : float
        Samples per second.
    first : int64
        Index on the tape of the sample that others are counted from.
    begin : int
        How far behind it the stretch begins.
    moving : MovingDepth
        Limits of the depth, where they move.
    out : ndarray, shape (samples,)
        Gets the depth in dB, positive; left alone if no dropout comes near.

    Returns
    -------
    bool
        Whether one comes near.
    """
    if law[PER_SECOND] <= 0.0:
        return False
    found = False
    size = out.size
    reach = 0.75e-3 * law[_LONGEST] * sample_rate
    # The float of a large index only chooses the cells that are looked through, with a sample to spare on either
    # side; places come from whole numbers.
    end = begin + size
    lowest = np.int64(np.floor((np.double(first + begin) - reach - 1.0) / sample_rate))
    highest = np.int64(np.floor((np.double(first + end) + reach + 1.0) / sample_rate))
    whole = np.int64(np.floor(sample_rate))
    whole_rate = np.double(whole)
    for cell in range(lowest, highest + 1):
        base = mix_hash(key, np.uint64(np.int64(cell)))
        count = _count(law, base)
        if count > 0:
            cells = np.double(cell)
            away = np.double(cell * whole - first)
            start = away + cells * (sample_rate - whole_rate)
            for number in range(count):
                centre = start + _place(base, number) * sample_rate
                if centre + reach < begin or centre - reach > end:
                    continue
                if not found:
                    for i in range(size):
                        out[i] = 0.0
                    found = True
                depth, length = _size(law, base, number)
                samples = 0.001 * length * sample_rate
                if settings_may_move() and moving.number >= 0:
                    _find_nodes(_share_of_depth(base, number), moving)
                    _moving_dip(centre, 0.25 * samples, 0.75 * samples, begin, moving, out)
                else:
                    dip(centre, 0.25 * samples, 0.75 * samples, depth, begin, out)
    return found
