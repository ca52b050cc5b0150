"""Numbers that go to a new value while sound passes: smooth to the second derivative, on a grid of the tape.

The tape is divided into cells of 5 ms. At the beginning of each a processor takes up a new value of every number;
in between it is a cubic B-spline of the last four. A jump becomes a transition over three cells (four if it is
inside of one), whose spectrum falls with the fourth power of frequency; a straight line stays one. What is taken
up at the beginning of a cell is what a straight line has two cells later: who knows the course gives that. Who
gives the mean over the cell that has just passed is two cells and a half late.
"""

from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Integers1, Integers2, Precise, Precises2, Reals1
from tapeemu.dsp.kernels.builds import settings_may_move
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import exponential, logarithm

__all__ = [
    "AT",
    "CELL",
    "GLIDE_ARRAYS",
    "MOVING",
    "NODES",
    "REST",
    "TARGET",
    "Glide",
    "bent_level",
    "glide_cell",
    "glide_design",
    "glide_exponentials",
    "glide_late_stands",
    "glide_late_value",
    "glide_levels",
    "glide_moves",
    "glide_on",
    "glide_pass",
    "glide_rest",
    "glide_seek",
    "glide_shapes",
    "glide_target",
    "glide_value",
    "glide_values",
    "late_glide_shapes",
    "spline",
]

NODES = 5
"""Values that are kept, oldest first: four of the spline, and one before for what is read late."""

TARGET, REST = 5, 6
_COLUMNS = 7
"""Behind the values: what is taken up at the next cell, and the value as designed. Numbers that are read more than
a cell late have still earlier values behind these, the latest first."""

AT, CELL, MOVING = 0, 1, 2
_COUNTS = 3
"""Samples into the cell; its length; whether any value is not as designed."""

GLIDE_ARRAYS = 2
_CELL_SECONDS = 0.005
_SHORTEST = 128
"""Longer than anything that is read late is late."""


class Glide(NamedTuple):
    """Numbers that move.

    Attributes
    ----------
    values : ndarray, shape (numbers, 7 or more)
        Of every number: the last five values, the next one, the one as designed, and what was before.
    counts : ndarray, shape (3,)
        See the places above.
    """

    values: Precises2
    counts: Integers1


@kernel()
def glide_cell(sample_rate: Precise) -> int:
    """Samples of a cell."""
    return max(int(_CELL_SECONDS * sample_rate + 0.5), _SHORTEST)


@kernel()
def glide_rest(number: int, value: Precise, glide: Glide) -> None:
    """Set a number as designed: it stands there."""
    for column in range(glide.values.shape[1]):
        glide.values[number, column] = value


@kernel()
def glide_target(number: int, value: Precise, glide: Glide) -> None:
    """Set what a number takes up at the beginning of the next cell, and holds until it is told another."""
    glide.values[number, TARGET] = value
    if value != glide.values[number, REST]:
        glide.counts[MOVING] = 1


@kernel()
def glide_moves(glide: Glide) -> bool:
    """Whether any number moves."""
    return settings_may_move() and glide.counts[MOVING] == 1


@kernel()
def _look(glide: Glide) -> None:
    """Find whether any value is not as designed."""
    values = glide.values
    moving = 0
    for number in range(values.shape[0]):
        for column in range(values.shape[1]):
            if values[number, column] != values[number, REST]:
                moving = 1
    glide.counts[MOVING] = moving


@kernel()
def glide_seek(place: np.int64, glide: Glide) -> None:
    """Go to a place on the tape: every number is where it was going."""
    cell = glide.counts[CELL]
    glide.counts[AT] = place - place // cell * cell
    for number in range(glide.values.shape[0]):
        for column in range(glide.values.shape[1]):
            if column != REST:
                glide.values[number, column] = glide.values[number, TARGET]
    _look(glide)


@kernel()
def glide_design(sample_rate: Precise, place: np.int64, glide: Glide) -> None:
    """Begin at a place on the tape, when :func:`glide_rest` has set all numbers."""
    glide.counts[CELL] = glide_cell(sample_rate)
    glide_seek(place, glide)


@kernel()
def glide_on(glide: Glide) -> None:
    """Let a cell end: every number takes up its next value."""
    values = glide.values
    before = values.shape[1] - _COLUMNS
    for number in range(values.shape[0]):
        for k in range(before - 1):
            values[number, _COLUMNS + before - 1 - k] = values[number, _COLUMNS + before - 2 - k]
        if before > 0:
            values[number, _COLUMNS] = values[number, 0]
        for column in range(NODES):
            values[number, column] = values[number, column + 1]
    _look(glide)


@kernel()
def glide_pass(count: int, glide: Glide) -> None:
    """Go on by samples, while anything moves not beyond the end of the cell."""
    counts = glide.counts
    cell = counts[CELL]
    after = counts[AT] + count
    if glide_moves(glide) and after == cell:
        glide_on(glide)
    counts[AT] = after % cell


@kernel()
def spline(u: Precise, first: Precise, second: Precise, third: Precise, fourth: Precise) -> Precise:
    """The cubic B-spline of the last four values, a part `u` of the way through a cell."""
    v = 1.0 - u
    uu = u * u
    vv = v * v
    # Weights add up to one: what stands does not move by more than a rounding.
    before = vv * v
    behind = uu * u
    near = 4.0 - 6.0 * uu + 3.0 * behind
    far = 6.0 - before - near - behind
    total: Precise = before * first + near * second
    total += far * third + behind * fourth
    return total / 6.0


@kernel()
def glide_value(number: int, at: int, glide: Glide) -> Precise:
    """A number at a sample of the cell; below 0 of the cell before."""
    row = glide.values[number]
    cell = int(glide.counts[CELL])
    column = 1
    if at < 0:
        at += cell
        column = 0
    share = np.double(at) / np.double(cell)
    return spline(share, row[column], row[column + 1], row[column + 2], row[column + 3])


@kernel()
def _kept(number: int, place: int, glide: Glide) -> Precise:
    """One of the values of a number, by its place, which is below 0 for what was before."""
    value: Precise = glide.values[number, place if place >= 0 else _COLUMNS - 1 - place]
    return value


@kernel()
def glide_late_value(number: int, at: int, glide: Glide) -> Precise:
    """A number at a sample, counted from the cell's first, as early as :func:`late_glide_shapes` keeps it."""
    cell = int(glide.counts[CELL])
    cells = at // cell
    share = np.double(at - cells * cell) / np.double(cell)
    first = cells + 1
    return spline(
        share,
        _kept(number, first, glide),
        _kept(number, first + 1, glide),
        _kept(number, first + 2, glide),
        _kept(number, first + 3, glide),
    )


@kernel()
def glide_late_stands(at: int, count: int, glide: Glide) -> bool:
    """Whether all numbers are as designed for some samples, the first of which is as for `glide_late_value`."""
    cell = int(glide.counts[CELL])
    for place in range(at // cell + 1, (at + count - 1) // cell + NODES):
        for number in range(glide.values.shape[0]):
            if _kept(number, place, glide) != glide.values[number, REST]:
                return False
    return True


@kernel()
def glide_values(number: int, first: int, late: int, glide: Glide, out: Reals1) -> None:
    """Write a number sample by sample.

    Parameters
    ----------
    number : int
        Which it is.
    first : int
        Samples into the cell of the first one.
    late : int
        Samples by which they are those of earlier ones, at most a cell.
    glide : Glide
    out : ndarray, shape (samples,)
        Gets them; must not reach beyond the cell.
    """
    for k in range(out.size):
        out[k] = glide_value(number, first + k - late, glide)


@kernel()
def glide_exponentials(number: int, first: int, late: int, glide: Glide, out: Reals1) -> None:
    """As :func:`glide_values`, with the exponential of the number."""
    for k in range(out.size):
        out[k] = exponential(glide_value(number, first + k - late, glide))


@kernel()
def bent_level(gain: Precise, reference: Precise, bend: Precise) -> Precise:
    """Logarithm of about the level behind a saturating curve that keeps a tone's level.

    For small tones the level is one over the gain, for large ones it no longer depends on it. Gain and level that
    went each its own way from one pair of values to another could be far too much in between.

    Parameters
    ----------
    gain, reference : float
        Logarithms of the gain into the curve and of the tone.
    bend : float
        Inverse square of the driven tone at which it bends; 0 if its level is not kept.
    """
    driven = exponential(gain + reference)
    return 0.5 * logarithm(1.0 + bend * driven * driven) - gain


@kernel()
def glide_levels(bend: Precise, first: int, late: int, glide: Glide, out: Reals1) -> None:
    """As :func:`glide_values`, for the level behind a saturating curve.

    Number 0 is the logarithm of the gain, 1 that of the tone, 2 what the level's exceeds :func:`bent_level` by.
    """
    for k in range(out.size):
        at = first + k - late
        near = bent_level(glide_value(0, at, glide), glide_value(1, at, glide), bend)
        out[k] = exponential(near + glide_value(2, at, glide))


@kernel()
def glide_shapes(numbers: int, first: int, shapes: Integers2) -> None:
    """Write the shapes of a :class:`Glide` into two rows of `shapes`, from row `first` on."""
    for row in range(first, first + GLIDE_ARRAYS):
        for axis in range(3):
            shapes[row, axis] = 1
    shapes[first, 0] = numbers
    shapes[first, 1] = _COLUMNS
    shapes[first + 1, 0] = _COUNTS


@kernel()
def late_glide_shapes(numbers: int, late: int, sample_rate: Precise, first: int, shapes: Integers2) -> None:
    """As :func:`glide_shapes`, for numbers read by :func:`glide_late_value` up to so many samples late."""
    glide_shapes(numbers, first, shapes)
    shapes[first, 1] = _COLUMNS + 1 + late // glide_cell(sample_rate)
