"""One second-order shelf between each two octaves, solved exactly at their centres.

A graphic equaliser whose bands are the differences between neighbours. Shelves that are not needed are left out.
They lie a fifth of an octave towards the slower of the two bands: what is read in an octave is ruled by its
slowest part, and a shelf in the middle would let the slow neighbour into the fast band. The value comes from our
own designs of thirty tables: with it octave filters of different skirts agree best, and solving for readings
converges.
"""

import math

from tapeemu.dsp.kernels.arrays import Precise, Precises1
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import cosine_of_turns, power_of_ten, sine_of_turns
from tapeemu.dsp.kernels.line_filters import copy_filters, power_db, quadratic_power
from tapeemu.dsp.kernels.octave_readings import (
    BEST_UNKNOWNS,
    CENTRE_COSINE,
    CENTRE_SINE,
    CORNER_COSINE,
    CORNER_KEPT,
    CORNER_SINE,
    DECAYS,
    FOUND,
    LEVELS,
    MATRIX,
    NORMAL,
    RESIDUE,
    STEPS,
    UNKNOWNS,
    AbsorptionScratch,
    centre_error,
)
from tapeemu.dsp.kernels.room_layout import octave_hz
from tapeemu.dsp.kernels.small_systems import fit

__all__ = ["HUGE", "fit_shelves", "thin_shelves"]

_SHELF_SHIFT = 1.148698354997035  # a fifth of an octave
_SPARED = 0.007  # of the decay time at the centres, for leaving shelves out
_NEWTON_STEPS = 12
_EXACT = 1e-6
_STEP = 1e-4  # of a gain in dB, for differences that stand in for derivatives
HUGE = 1e300


@kernel()
def _shelf_power(
    gain_db: Precise, q: Precise, corner_cosine: Precise, corner_sine: Precise, cosine: Precise, sine: Precise
) -> Precise:
    """Power gain of a high shelf (bilinear, second order) at an angle with this cosine and sine."""
    root = power_of_ten(gain_db / 80.0)
    a = root * root
    width = root * corner_sine / q
    more = (a + 1.0) + (a - 1.0) * corner_cosine
    less = (a + 1.0) - (a - 1.0) * corner_cosine
    upper = quadratic_power(
        -2.0 * ((a - 1.0) + (a + 1.0) * corner_cosine) / (more + width),
        (more - width) / (more + width),
        cosine,
        sine,
    )
    lower = quadratic_power(
        2.0 * ((a - 1.0) - (a + 1.0) * corner_cosine) / (less + width),
        (less - width) / (less + width),
        cosine,
        sine,
    )
    leading = a * (more + width) / (less + width)
    return leading * leading * upper / lower


@kernel()
def _place_corners(bands: int, work: AbsorptionScratch) -> None:
    """Write where the shelves lie between octaves: nearer to the slower one."""
    centres = work.centres
    below: Precise = 0.0
    for band in range(bands):
        loss: Precise = 0.0
        for line in range(work.lines.shape[1]):
            loss -= work.lines[LEVELS, line, band]
        if band > 0:
            middle = math.sqrt(octave_hz(band) * octave_hz(band - 1))
            if loss < below:
                middle = middle * _SHELF_SHIFT
            elif loss > below:
                middle = middle / _SHELF_SHIFT
            centres[CORNER_KEPT, band - 1] = middle
        below = loss


@kernel()
def _begin_shelves(count: int, sample_rate: Precise, bands: int, work: AbsorptionScratch) -> None:
    """Write base levels and shelf gains to begin with: steps between the means of the bands between shelves."""
    centres = work.centres
    for shelf in range(count):
        turns = centres[CORNER_KEPT, shelf] / sample_rate
        centres[CORNER_COSINE, shelf] = cosine_of_turns(turns)
        centres[CORNER_SINE, shelf] = sine_of_turns(turns)
    for line in range(work.lines.shape[1]):
        work.lines[UNKNOWNS, line, 0] = work.lines[LEVELS, line, 0]
        band = 0
        before: Precise = 0.0
        for group in range(count + 1):
            total: Precise = 0.0
            members: Precise = 0.0
            while band < bands and (group == count or octave_hz(band) < centres[CORNER_KEPT, group]):
                total += work.lines[LEVELS, line, band]
                members += 1.0
                band += 1
            mean = total / members
            if group > 0:
                work.lines[UNKNOWNS, line, group] = mean - before
            before = mean


@kernel()
def _shelf_step(line: int, count: int, q: Precise, bands: int, work: AbsorptionScratch) -> Precise:
    """Write Newton's step of a line's base level and shelf gains; give the largest relative error before it."""
    centres = work.centres
    matrix = work.centres[MATRIX:NORMAL]
    residue = work.centres[RESIDUE]
    values = work.lines[UNKNOWNS, line]
    levels = work.lines[LEVELS, line]
    for band in range(bands):
        residue[band] = levels[band] - values[0]
        matrix[band, 0] = 1.0 / levels[band]
    for shelf in range(count):
        corner_cosine = centres[CORNER_COSINE, shelf]
        corner_sine = centres[CORNER_SINE, shelf]
        gain_db = values[1 + shelf]
        for band in range(bands):
            cosine = centres[CENTRE_COSINE, band]
            sine = centres[CENTRE_SINE, band]
            power = _shelf_power(gain_db, q, corner_cosine, corner_sine, cosine, sine)
            beside = _shelf_power(gain_db + _STEP, q, corner_cosine, corner_sine, cosine, sine)
            residue[band] -= power_db(power)
            matrix[band, 1 + shelf] = power_db(beside / power) / (_STEP * levels[band])
    largest: Precise = 0.0
    for band in range(bands):
        residue[band] = residue[band] / levels[band]
        largest = max(largest, abs(residue[band]))
    fit(matrix, residue[:bands], 0.0, work.centres[NORMAL:DECAYS], work.lines[STEPS, line, : count + 1])
    return largest


@kernel()
def fit_shelves(count: int, q: Precise, sample_rate: Precise, bands: int, work: AbsorptionScratch) -> None:
    """Solve shelves for the levels of all lines: one between each two octaves, or as many corners as are kept.

    Base levels and gains are solved by Newton's method, by relative least squares if there are too few. The result
    is on trial.
    """
    if count == bands - 1:
        _place_corners(bands, work)
    lines = work.lines.shape[1]
    _begin_shelves(count, sample_rate, bands, work)
    smallest: Precise = HUGE
    for _ in range(_NEWTON_STEPS):
        largest: Precise = 0.0
        for line in range(lines):
            largest = max(largest, _shelf_step(line, count, q, bands, work))
        if largest < smallest:
            smallest = largest
            for line in range(lines):
                for k in range(count + 1):
                    work.lines[BEST_UNKNOWNS, line, k] = work.lines[UNKNOWNS, line, k]
        if largest < _EXACT:
            break
        for line in range(lines):
            for k in range(count + 1):
                moved = work.lines[UNKNOWNS, line, k] + min(max(work.lines[STEPS, line, k], -12.0), 12.0)
                work.lines[UNKNOWNS, line, k] = moved if k == 0 else min(max(moved, -150.0), 150.0)
    _assemble_shelves(count, q, work)


@kernel()
def _assemble_shelves(count: int, q: Precise, work: AbsorptionScratch) -> None:
    """Turn base levels and shelf gains into gains and sections on trial."""
    filters = work.trial
    for line in range(filters.shape[2]):
        gain = power_of_ten(work.lines[BEST_UNKNOWNS, line, 0] / 20.0)
        for shelf in range(count):
            root = power_of_ten(work.lines[BEST_UNKNOWNS, line, 1 + shelf] / 80.0)
            a = root * root
            cosine = work.centres[CORNER_COSINE, shelf]
            width = root * work.centres[CORNER_SINE, shelf] / q
            more = (a + 1.0) + (a - 1.0) * cosine
            less = (a + 1.0) - (a - 1.0) * cosine
            e = 2.0 * ((a - 1.0) - (a + 1.0) * cosine) / (less + width)
            f = (less - width) / (less + width)
            filters[1 + shelf, 0, line] = -2.0 * ((a - 1.0) + (a + 1.0) * cosine) / (more + width) - e
            filters[1 + shelf, 1, line] = (more - width) / (more + width) - f
            filters[1 + shelf, 2, line] = e
            filters[1 + shelf, 3, line] = f
            gain *= a * (more + width) / (less + width)
        filters[0, 0, line] = gain
    filters[0, 1, 0] = count


@kernel()
def _least_shelf(count: int, work: AbsorptionScratch, kept: Precises1) -> int:
    """Which shelf is least, relative to the level beside it; `kept` holds the band under each."""
    found = 0
    least: Precise = HUGE
    for shelf in range(count):
        largest: Precise = 0.0
        band = int(kept[shelf])
        for line in range(work.lines.shape[1]):
            largest = max(
                largest, abs(work.lines[BEST_UNKNOWNS, line, 1 + shelf] / work.lines[LEVELS, line, band])
            )
        if largest < least:
            least = largest
            found = shelf
    return found


@kernel()
def thin_shelves(q: Precise, sample_rate: Precise, bands: int, work: AbsorptionScratch) -> None:
    """Solve as many shelves as are needed for the levels of all lines; the result is the chosen one."""
    centres = work.centres
    kept = work.centres[FOUND]
    count = bands - 1
    fit_shelves(count, q, sample_rate, bands, work)
    copy_filters(work.trial, work.chosen)
    for shelf in range(count):
        kept[shelf] = shelf
    enough = True
    while enough and count > 1:
        least = _least_shelf(count, work, kept)
        count -= 1
        for shelf in range(least, count):
            kept[shelf] = kept[shelf + 1]
            centres[CORNER_KEPT, shelf] = centres[CORNER_KEPT, shelf + 1]
        fit_shelves(count, q, sample_rate, bands, work)
        enough = centre_error(work.trial, bands, work) <= _SPARED
        if enough:
            copy_filters(work.trial, work.chosen)
