"""One section or two for each line: two first-order shelves in each, fitted to levels by damped least squares."""

from tapeemu.dsp.kernels.arrays import Precise, Precises1, Precises2, Precises3
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import cosine_of_turns, exponential, logarithm, power_of_ten, sine_of_turns
from tapeemu.dsp.kernels.line_filters import PER_NEPER_DB
from tapeemu.dsp.kernels.octave_readings import (
    BEST_UNKNOWNS,
    CENTRE_SQUARE,
    CORNER,
    COST,
    DAMPING,
    DECAYS,
    DONE,
    FOUND,
    LEVELS,
    MATRIX,
    NORMAL,
    PROGRESS,
    RESIDUE,
    STEPS,
    UNKNOWNS,
    AbsorptionScratch,
)
from tapeemu.dsp.kernels.small_systems import fit

__all__ = ["TOLERANCE", "fit_first_order"]

_ATTEMPTS = 40
_STALLED = 1e-2  # fall of the sum of squares that is not worth another attempt
_HEAVIEST = 1e4  # damping with which nothing moves any more
TOLERANCE = 0.009  # of the decay times read, for leaving sections out
_LN10 = 2.302585092994046
_SMALLEST_CORNER = -11.512925464970229  # ln 1e-5
_LARGEST_CORNER = 9.210340371976184  # ln 1e4


@kernel()
def _first_corner_hz(sections: int, k: int) -> Precise:
    """Where a fit of one or two sections begins."""
    value: Precise = 300.0
    if sections == 1:
        if k == 1:
            value = 4000.0
    elif k == 0:
        value = 130.0
    elif k == 1:
        value = 450.0
    elif k == 2:
        value = 2000.0
    else:
        value = 8000.0
    return value


@kernel()
def _begin_fit(levels: Precises2, sections: int, sample_rate: Precise, bands: int, unknowns: Precises2) -> None:
    """Write the unknowns to begin with: the level on top, logarithms of zeros' corners, then of poles'."""
    pairs = 2 * sections
    reach: Precise = 20 * pairs
    for line in range(levels.shape[0]):
        middle = levels[line, min(4, bands - 1)]
        low = min(max((levels[line, 0] - middle) / reach, -1.0), 1.0) * _LN10
        high = min(max((middle - levels[line, bands - 1]) / reach, -1.0), 1.0) * _LN10
        unknowns[line, 0] = levels[line, bands - 1]
        for k in range(pairs):
            half_turns = 0.5 * min(_first_corner_hz(sections, k), 0.3 * sample_rate) / sample_rate
            start = logarithm(sine_of_turns(half_turns) / cosine_of_turns(half_turns))
            half = low if k < sections else high
            unknowns[line, 1 + k] = start + half
            unknowns[line, 1 + pairs + k] = start - half


@kernel()
def _fill_squares(values: Precises1, size: int, out: Precises1) -> None:
    """Write the squares of the corners whose logarithms are given behind the level."""
    for k in range(1, size):
        out[k] = exponential(2.0 * values[k])


@kernel()
def _fit_residue(
    values: Precises1,
    level: Precises1,
    squares: Precises1,
    pairs: int,
    bands: int,
    work: AbsorptionScratch,
    error: Precises1,
) -> Precise:
    """Write the relative errors at the centres of ``g (s + z1)(s + z2)... / ((s + p1)(s + p2)...)``.

    ``squares`` gets the squares of the corners. Gives the sum of the errors' squares.
    """
    size = 1 + 2 * pairs
    _fill_squares(values, size, squares)
    cost: Precise = 0.0
    for band in range(bands):
        square = work.centres[CENTRE_SQUARE, band]
        ratio: Precise = 1.0
        for k in range(1, 1 + pairs):
            ratio = ratio * ((square + squares[k]) / (square + squares[k + pairs]))
        got = values[0] + PER_NEPER_DB * logarithm(ratio)
        error[band] = (level[band] - got) / level[band]
        cost += error[band] * error[band]
    return cost


@kernel()
def _fit_slopes(level: Precises1, squares: Precises1, pairs: int, bands: int, work: AbsorptionScratch) -> None:
    """Write the derivatives of the relative errors, with their sign turned."""
    matrix = work.centres[MATRIX:NORMAL]
    for band in range(bands):
        square = work.centres[CENTRE_SQUARE, band]
        matrix[band, 0] = 1.0 / level[band]
        for k in range(1, 1 + 2 * pairs):
            slope = 2.0 * PER_NEPER_DB * squares[k] / (square + squares[k])
            if k > pairs:
                slope = -slope
            matrix[band, k] = slope / level[band]


@kernel()
def _fit_step(line: int, pairs: int, bands: int, work: AbsorptionScratch) -> None:
    """Try one damped step of a line; it is taken if it lowers the sum of squares."""
    size = 1 + 2 * pairs
    values = work.lines[UNKNOWNS, line]
    trial = work.lines[BEST_UNKNOWNS, line]
    error = work.lines[STEPS, line]
    squares = work.centres[CORNER]
    found = work.centres[FOUND]
    residue = work.centres[RESIDUE]
    progress = work.lines[PROGRESS]
    _fill_squares(values, size, squares)
    _fit_slopes(work.lines[LEVELS, line], squares, pairs, bands, work)
    fit(
        work.centres[MATRIX:NORMAL],
        error[:bands],
        progress[line, DAMPING],
        work.centres[NORMAL:DECAYS],
        found[:size],
    )
    for k in range(size):
        trial[k] = values[k] + min(max(found[k], -6.0), 6.0)
        if k > 0:
            trial[k] = min(max(trial[k], _SMALLEST_CORNER), _LARGEST_CORNER)
    cost = _fit_residue(trial, work.lines[LEVELS, line], squares, pairs, bands, work, residue)
    before = progress[line, COST]
    better = cost < before
    stalled = better and before - cost < _STALLED * before
    if stalled or progress[line, DAMPING] > _HEAVIEST:
        progress[line, DONE] = 1.0
    if better:
        for k in range(size):
            values[k] = trial[k]
        for band in range(bands):
            error[band] = residue[band]
        progress[line, COST] = cost
        progress[line, DAMPING] *= 0.2
    else:
        progress[line, DAMPING] *= 5.0


@kernel()
def _assemble_fit(unknowns: Precises2, sections: int, filters: Precises3) -> None:
    """Turn level and corners into gains and sections, by the bilinear transform."""
    pairs = 2 * sections
    for line in range(filters.shape[2]):
        leading: Precise = 1.0
        for k in range(1, 1 + pairs):
            leading *= (1.0 + exponential(unknowns[line, k])) / (1.0 + exponential(unknowns[line, k + pairs]))
        # The level found is that of s to infinity; a section's leading coefficient is that of the first sample.
        filters[0, 0, line] = power_of_ten(unknowns[line, 0] / 20.0) * leading
        for section in range(sections):
            first_zero = exponential(unknowns[line, 1 + section])
            second_zero = exponential(unknowns[line, 1 + sections + section])
            first_pole = exponential(unknowns[line, 1 + pairs + section])
            second_pole = exponential(unknowns[line, 1 + pairs + sections + section])
            first_zero = (1.0 - first_zero) / (1.0 + first_zero)
            second_zero = (1.0 - second_zero) / (1.0 + second_zero)
            first_pole = (1.0 - first_pole) / (1.0 + first_pole)
            second_pole = (1.0 - second_pole) / (1.0 + second_pole)
            e = -(first_pole + second_pole)
            f = first_pole * second_pole
            filters[1 + section, 0, line] = -(first_zero + second_zero) - e
            filters[1 + section, 1, line] = first_zero * second_zero - f
            filters[1 + section, 2, line] = e
            filters[1 + section, 3, line] = f
    filters[0, 1, 0] = sections


@kernel()
def fit_first_order(sections: int, sample_rate: Precise, bands: int, work: AbsorptionScratch) -> None:
    """Fit one or two sections of first-order shelves to the levels of all lines: damped least squares (Levenberg).

    The unknowns are the level and the logarithms of the corners, so poles stay stable and zeros stay
    minimum-phase; s is the bilinear transform's frequency, so no warping is left at the centres. The result is on
    trial.
    """
    pairs = 2 * sections
    lines = work.lines.shape[1]
    progress = work.lines[PROGRESS]
    _begin_fit(work.lines[LEVELS], sections, sample_rate, bands, work.lines[UNKNOWNS])
    for line in range(lines):
        progress[line, COST] = _fit_residue(
            work.lines[UNKNOWNS, line],
            work.lines[LEVELS, line],
            work.centres[CORNER],
            pairs,
            bands,
            work,
            work.lines[STEPS, line],
        )
        progress[line, DAMPING] = 1e-2
        progress[line, DONE] = 0.0
    for _ in range(_ATTEMPTS):
        for line in range(lines):
            _fit_step(line, pairs, bands, work)
        largest: Precise = 0.0
        over = True
        for line in range(lines):
            over = over and progress[line, DONE] > 0.0
            for band in range(bands):
                largest = max(largest, abs(work.lines[STEPS, line, band]))
        if over or largest < 0.1 * TOLERANCE:
            break
    _assemble_fit(work.lines[UNKNOWNS], sections, work.trial)
