"""Filters whose loss in dB is proportional to frequency: what a gap between head and tape does.

The loss at distance ``d``, tape speed ``v`` and frequency ``f`` is ``54.575 d f / v`` dB, that is, the
magnitude ``exp(-2 pi d f / v)`` (Wallace, "The reproduction of magnetically recorded signals", Bell System
Technical Journal 30, 1951; from memory). Here it is ``exp(-a w)`` with ``w`` in radians per sample and the
steepness ``a = d * sample_rate / v`` in samples; a negative ``a`` undoes such a loss. Above 20 kHz the loss
stays what it is there, which keeps a negative one within bounds at every sample rate.

Each filter is linear in phase. Its fit by weighted least squares has symmetric positive definite normal equations
of condition 1e7, solved by Cholesky's method in a fixed order, which leaves the taps right to 1e-9.
"""

import math
from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Precise, Precises1, Precises2, Reals1, Reals2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.dot_products import dot_between_rows
from tapeemu.dsp.kernels.elementary import cosine_of_turns, exponential
from tapeemu.dsp.kernels.small_systems import factorise, solve_factorised

__all__ = [
    "ROWS_AT_ONCE",
    "SpacingScratch",
    "design_table",
    "filter_pair",
    "half_length",
    "steepness_per_db",
    "table_points",
    "table_rows",
    "table_step",
]

ROWS_AT_ONCE = 32
"""Rows of the table that are fitted together."""

_TURN = 6.283185307179586
_NEPERS_PER_DB = 0.11512925464970229  # ln(10) / 20
_LARGEST_STEP = 0.06  # nepers at 20 kHz between rows: 0.004 dB error there
_LAW_ENDS_HZ = 20_000.0
_POINTS_PER_TAP = 8


class SpacingScratch(NamedTuple):
    """Memory in which a table is designed.

    Attributes
    ----------
    matrix : ndarray, shape (half + 1, half + 1)
        Normal equations.
    sides : ndarray, shape (ROWS_AT_ONCE, half + 1)
        Right-hand sides, then solutions.
    circle : ndarray, shape (4 * points,)
        Cosines of all angles that occur.
    cosines : ndarray, shape (2 * half + 1,)
        Those of one point.
    """

    matrix: Precises2
    sides: Precises2
    circle: Precises1
    cosines: Precises1


@kernel()
def steepness_per_db(frequency_hz: Precise, sample_rate: Precise) -> Precise:
    """Steepness in samples of a loss of 1 dB at a frequency."""
    return _NEPERS_PER_DB / (_TURN * frequency_hz / sample_rate)


@kernel()
def half_length(sample_rate: Precise) -> int:
    """Latency of the filters: 63 samples up to 50 kHz, doubled with every octave of the sample rate.

    It keeps the dB at 1 kHz within 1.5 % of the law: the corner of ``exp(-a |w|)`` at 0 Hz needs the length.
    """
    length = 64
    while sample_rate > 50_000.0:
        sample_rate = 0.5 * sample_rate
        length = 2 * length
    return length - 1


@kernel()
def table_points(half: int) -> int:
    """Frequencies at which a filter of this half length is fitted."""
    return _POINTS_PER_TAP * half


@kernel()
def _law_end(sample_rate: Precise) -> Precise:
    """Radians per sample from which on the loss stays what it is."""
    return min(0.5 * _TURN, _TURN * _LAW_ENDS_HZ / sample_rate)


@kernel()
def table_rows(lowest: Precise, highest: Precise, sample_rate: Precise) -> int:
    """Rows of the table for a range of steepness in samples, one more than needed."""
    return max(3, math.ceil((highest - lowest) * _law_end(sample_rate) / _LARGEST_STEP) + 2)


@kernel()
def table_step(lowest: Precise, highest: Precise, rows: int) -> Precise:
    """Steepness between two of so many rows."""
    return max(highest - lowest, 1e-12) / (rows - 2)


@kernel()
def _weight(angle: Precise) -> Precise:
    """Weight of a frequency, squared: what counts is the error relative to the loss in dB.

    It is 2 % above 0.93 of half the sample rate, where a symmetric filter cannot have a slope.
    """
    weight = 1.0 / (angle + 0.05)
    if angle > 0.93 * 0.5 * _TURN:
        weight = 0.02 * weight
    return weight * weight


@kernel()
def _cosines_at(point: int, circle: Precises1, cosines: Precises1) -> None:
    """Cosines of the multiples of a point's angle."""
    size = circle.size
    place = 0
    for order in range(cosines.size):
        cosines[order] = circle[place]
        place += 2 * point + 1
        if place >= size:
            place -= size


@kernel()
def _normal_equations(scratch: SpacingScratch, points: int) -> None:
    """Write the matrix of the fit; ``scratch.circle`` is there, the first two rows of ``scratch.sides`` are used.

    Products of two cosines are sums of two, so all of it comes from one row of sums.
    """
    matrix = scratch.matrix
    sides = scratch.sides
    circle = scratch.circle
    cosines = scratch.cosines
    orders = matrix.shape[0]
    half = orders - 1
    sums = sides[0]
    for row in range(orders):
        for column in range(orders):
            matrix[row, column] = 0.0
    for column in range(orders):
        sums[column] = 0.0
        sides[1, column] = 0.0
    for point in range(points):
        _cosines_at(point, circle, cosines)
        power = _weight(_TURN * (2 * point + 1) / circle.size)
        for column in range(orders):
            sums[column] += power * cosines[column]
        for column in range(half):
            sides[1, column] += power * cosines[orders + column]
    for row in range(orders):
        for column in range(orders):
            factor = 0.5
            if row > 0:
                factor = 2.0 * factor
            if column > 0:
                factor = 2.0 * factor
            both = row + column
            upper = sides[0, both] if both < orders else sides[1, both - orders]
            matrix[row, column] = factor * (sums[abs(row - column)] + upper)


@kernel()
def design_table(
    lowest: Precise, step: Precise, sample_rate: Precise, scratch: SpacingScratch, table: Reals2
) -> None:
    """Fit linear-phase taps to ``exp(-a w)`` for a steepness ``a = lowest + row * step`` a row.

    Weighted least squares at frequencies in the middle of equal parts of the band.

    Parameters
    ----------
    lowest, step : float
        Steepness of the first row, and between two, in samples.
    sample_rate : float
        Samples per second.
    scratch : SpacingScratch
        For ``half_length(sample_rate)``.
    table : ndarray, shape (rows, 2 * half + 2)
        Gets the taps; the last column is padding and gets zeros.
    """
    matrix = scratch.matrix
    sides = scratch.sides
    circle = scratch.circle
    cosines = scratch.cosines
    orders = matrix.shape[0]
    half = orders - 1
    points = table_points(half)
    end = _law_end(sample_rate)
    for place in range(circle.size):
        turns: Precise = place
        circle[place] = cosine_of_turns(turns / circle.size)
    _normal_equations(scratch, points)
    factorise(matrix)
    for first in range(0, table.shape[0], ROWS_AT_ONCE):
        count = min(ROWS_AT_ONCE, table.shape[0] - first)
        for row in range(count):
            for column in range(orders):
                sides[row, column] = 0.0
        for point in range(points):
            _cosines_at(point, circle, cosines[:orders])
            angle = _TURN * (2 * point + 1) / circle.size
            power = _weight(angle)
            for row in range(count):
                wanted = power * exponential(-min(angle, end) * (lowest + step * (first + row)))
                for column in range(orders):
                    sides[row, column] += wanted * cosines[column]
        for row in range(count):
            for column in range(1, orders):
                sides[row, column] = 2.0 * sides[row, column]
            solve_factorised(matrix, sides[row])
            table[first + row, half] = sides[row, 0]
            for column in range(1, orders):
                table[first + row, half + column] = sides[row, column]
                table[first + row, half - column] = sides[row, column]
            table[first + row, 2 * half + 1] = 0.0


@kernel(abreast=True)
def filter_pair(
    line: Reals2, table: Reals2, places: Reals1, column: int, first: int, second: int, at: int, out: Reals2
) -> None:
    """Filter two channels with taps that change from sample to sample, along the rows of a table.

    Parameters
    ----------
    line : ndarray, shape (channels, columns)
        Audio to read from.
    table : ndarray, shape (rows, taps)
        Taps; those between rows are interpolated linearly. A multiple of eight taps vectorises.
    places : ndarray, shape (samples,)
        Where in the table the taps of each sample stand, from 0 to below ``rows - 1``.
    column : int
        Column of the line under the first tap of the first sample.
    first, second : int
        The channels; they may be the same.
    at : int
        Column of the output that gets the first sample.
    out : ndarray, shape (channels, columns)
        Gets the result in these two rows.
    """
    # Unsigned indices: with signed ones every access would first be tested for a negative index, and the loop over
    # the taps would not be vectorised.
    upper = np.uintp(first)
    lower = np.uintp(second)
    taps = np.uintp(table.shape[1])
    for i in range(np.uintp(places.size)):
        place = places[i]
        cell = np.uintp(np.int32(place))
        share = place - float(cell)
        base = np.uintp(column) + i
        dot_between_rows(table, cell, share, taps, line, upper, lower, base, out, np.uintp(at) + i)
