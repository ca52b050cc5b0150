"""Filters that give every line of a feedback delay network its share of a decay time per octave band.

A line of M samples must lose ``60 M / (fs T(f))`` decibels per pass for all modes to decay by 60 dB in T(f)
seconds (Jot & Chaigne, "Digital delay networks for designing artificial reverberators", AES 90th
Convention, 1991). Small errors of the filter are large errors of the decay time (Schlecht & Habets,
DAFx-17), so the filters are solved for the decay time at the octave centres, line by line, with Newton's
method, and not for a magnitude response. What an octave filter reads is not the decay time at its centre
(see `octave_decay`); so the decay times at the centres are themselves solved for, until the octaves read what
was asked for.

Three structures are tried, the cheapest first:

no filter
    if all bands are alike;
one section, or two
    two first-order shelves in each second-order section, fitted by damped least squares;
a cascade
    one second-order shelf between each two octaves (a graphic equaliser whose bands are the differences
    between neighbours), solved exactly at the centres, without the shelves that are not needed.

The shelves lie a fifth of an octave towards the slower of the two bands, and are steep (Q = 1.3): what is
read in an octave is ruled by its slowest part, and a shelf in the middle would let the slow neighbour
into the fast band. Both values come from our own designs of thirty tables: with them octave filters of
different skirts agree best, and solving for readings converges.
"""

import math
from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Integers1, Precise, Precises1, Precises2, Precises3
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import (
    cosine_of_turns,
    exponential,
    logarithm,
    power_of_ten,
    sine_of_turns,
)
from tapeemu.dsp.kernels.octave_decay import (
    MOMENTS,
    fill_reading_frequencies,
    octave_reading,
    reading_points,
)
from tapeemu.dsp.kernels.room_layout import octave_hz, usable_bands
from tapeemu.dsp.kernels.small_systems import fit

__all__ = [
    "CENTRE_ROWS",
    "DECAYS",
    "FILTER_ROWS",
    "LINE_ROWS",
    "POINT_ROWS",
    "AbsorptionScratch",
    "design_absorption",
    "loop_decay_seconds",
    "loop_level_db",
    "pass_power",
]

FILTER_ROWS = 9
"""Rows of an array of all lines' filters, shape (FILTER_ROWS, 4, lines).

Row 0 holds the gains of the lines, and in its second part how many sections there are. The rows behind it
are the sections ``(1 + c/z + d/z^2) / (1 + e/z + f/z^2)``, as c - e, d - f, e, f.
"""

POINT_ROWS = 8
"""Rows of a table over the frequencies of readings."""
_HZ, _COSINE, _SINE, _POWER, _LEVEL, _TAKEN, _DECAY, _LEFT = range(8)

CENTRE_ROWS = 31
"""Rows of a table over octaves, or over the shelves between them."""
_ASKED, _TRIAL, _BEST, _CENTRE_COSINE, _CENTRE_SINE, _CENTRE_SQUARE = range(6)
_CORNER, _CORNER_COSINE, _CORNER_SINE, _FOUND, _RESIDUE, _CORNER_KEPT = range(6, 12)
_MATRIX, _NORMAL, DECAYS = 12, 21, 30

LINE_ROWS = 5
"""Rows of a table over lines."""
_LEVELS, _UNKNOWNS, _STEPS, _BEST_UNKNOWNS, _PROGRESS = range(5)
_COST, _DAMPING, _DONE, _LOUDEST = range(4)

_ATTEMPTS = 40
_STALLED = 1e-2  # fall of the sum of squares that is not worth another attempt
_HEAVIEST = 1e4  # damping with which nothing moves any more
_PLAUSIBLE = 0.03  # error at the centres with which solving for readings is begun
_SHELF_SHIFT = 1.148698354997035  # a fifth of an octave
_STEEPEST_Q = 1.3
_STEEP_Q = 1.1
_CALM_Q = 0.9
_GOOD_ENOUGH = 0.02  # of the decay times read; the promise is 0.04
_FLOOR_DB = -90.0  # a line that loses more than this in one pass is silent there: no need to be exact
_TOLERANCE = 0.009  # of the decay times read, for leaving sections out
_SPARED = 0.007  # of the decay time at the centres, for leaving shelves out
_OVERSHOOT = 1.3  # largest decay time anywhere, in terms of the longest asked for
_SILENT_DB = -300.0  # of one pass; for readings
_LONGEST_SECONDS = 1000.0
_SPARSELY = 4
_LEAST_TIME = 0.5  # of a pass, in terms of the lines alone
_CORRECTIONS = 16
_SIMPLE_CORRECTIONS = 6  # a structure with few unknowns is as near by then as it ever gets
_LARGEST_CORRECTION = 1.6
_TRUSTED = 4  # corrections that are made in full
_CAUTIOUS = 0.7  # power of the later ones
_FAR_OFF = 0.5  # error that no more corrections and no other shelves will mend
_HOPELESS = 8.0  # error, in terms of the smallest so far, after which no more corrections are made
_NEWTON_STEPS = 12
_EXACT = 1e-6
_STEP = 1e-4  # of a gain in dB, for differences that stand in for derivatives
_GRID = 900
_WIDE_POINTS = 500
_NARROW_POINTS = 400

_PER_NEPER_DB = 4.342944819032518  # of power
_LN10 = 2.302585092994046
_SMALLEST_CORNER = -11.512925464970229  # ln 1e-5
_LARGEST_CORNER = 9.210340371976184  # ln 1e4
_HUGE = 1e300


class AbsorptionScratch(NamedTuple):
    """Memory in which filters are designed.

    Attributes
    ----------
    points : ndarray, shape (POINT_ROWS, READ_POINTS)
        Over the frequencies of readings: hertz, cosine and sine, power and level of a pass, its time, its decay;
        then what is left at the moments of a reading.
    centres : ndarray, shape (CENTRE_ROWS, 9)
        Over octaves: decay times that are asked for, tried and best; cosine, sine, squared bilinear frequency.
        Over shelves: corner, its cosine and sine. Then an unknown step, a residue, and corners that are kept; a
        matrix of nine rows, and one for its normal equations.
    lines : ndarray, shape (LINE_ROWS, lines, 9)
        Of every line: level of one pass at the centres; unknowns; steps on their way, or errors; the best so far;
        then sum of squares, damping, whether it is done, and the largest power of a pass.
    trial, chosen : ndarray, shape (FILTER_ROWS, 4, lines)
        Filters on trial, and the best of one structure.
    """

    points: Precises2
    centres: Precises2
    lines: Precises3
    trial: Precises3
    chosen: Precises3


# --- what filters do -----------------------------------------------------------------------------------------


@kernel()
def section_count(filters: Precises3) -> int:
    """How many sections every line's filter has."""
    return int(filters[0, 1, 0])


@kernel()
def _quadratic_power(once: Precise, twice: Precise, cosine: Precise, sine: Precise) -> Precise:
    """``|1 + once / z + twice / z^2| ^ 2`` at an angle with this cosine and sine."""
    real_part = 1.0 + once * cosine + twice * (2.0 * cosine * cosine - 1.0)
    imaginary_part = once * sine + twice * (2.0 * cosine * sine)
    return real_part * real_part + imaginary_part * imaginary_part


@kernel()
def pass_power(filters: Precises3, line: int, cosine: Precise, sine: Precise) -> Precise:
    """Power gain of one pass through a line, its gain included, at an angle with this cosine and sine."""
    power: Precise = filters[0, 0, line] * filters[0, 0, line]
    for section in range(1, 1 + section_count(filters)):
        e = filters[section, 2, line]
        f = filters[section, 3, line]
        above = _quadratic_power(filters[section, 0, line] + e, filters[section, 1, line] + f, cosine, sine)
        power *= above / _quadratic_power(e, f, cosine, sine)
    return power


@kernel()
def _quadratic_delay(once: Precise, twice: Precise, cosine: Precise, sine: Precise) -> Precise:
    """Group delay of ``1 + once / z + twice / z^2`` in samples: the derivative of its logarithm."""
    double_cosine = 2.0 * cosine * cosine - 1.0
    double_sine = 2.0 * cosine * sine
    real_part = 1.0 + once * cosine + twice * double_cosine
    imaginary_part = once * sine + twice * double_sine
    real_slope = once * cosine + 2.0 * (twice * double_cosine)
    imaginary_slope = once * sine + 2.0 * (twice * double_sine)
    power = real_part * real_part + imaginary_part * imaginary_part
    return (real_slope * real_part + imaginary_slope * imaginary_part) / power


@kernel()
def filter_delay(filters: Precises3, line: int, cosine: Precise, sine: Precise) -> Precise:
    """Group delay of a line's filter in samples, at an angle with this cosine and sine.

    A filter whose loss changes over frequency delays, or hastens. Where a decay lasts for few periods that is
    as much as 4 % of the pass, and the decay is as much longer or shorter.
    """
    delay: Precise = 0.0
    for section in range(1, 1 + section_count(filters)):
        e = filters[section, 2, line]
        f = filters[section, 3, line]
        delay += _quadratic_delay(
            filters[section, 0, line] + e, filters[section, 1, line] + f, cosine, sine
        ) - _quadratic_delay(e, f, cosine, sine)
    return delay


@kernel()
def power_db(power: Precise) -> Precise:
    """Level of a power."""
    return _PER_NEPER_DB * logarithm(power)


@kernel()
def loop_level_db(filters: Precises3, line: int, frequency_hz: Precise, sample_rate: Precise) -> Precise:
    """Level of one pass through a line at a frequency, all its gains included."""
    turns = frequency_hz / sample_rate
    return power_db(pass_power(filters, line, cosine_of_turns(turns), sine_of_turns(turns)))


@kernel()
def loop_decay_seconds(
    filters: Precises3, delay: np.int64, line: int, frequency_hz: Precise, sample_rate: Precise
) -> Precise:
    """Decay time that a line's pass stands for: ``-3 M / (fs log10 |H(f)|)``, M with the filter's group delay."""
    turns = frequency_hz / sample_rate
    cosine = cosine_of_turns(turns)
    sine = sine_of_turns(turns)
    samples = np.float64(delay) + filter_delay(filters, line, cosine, sine)
    return -60.0 * samples / (sample_rate * power_db(pass_power(filters, line, cosine, sine)))


@kernel()
def copy_filters(source: Precises3, target: Precises3) -> None:
    """Copy gains and sections."""
    for row in range(1 + section_count(source)):
        for part in range(4):
            for line in range(source.shape[2]):
                target[row, part, line] = source[row, part, line]


# --- what octaves read of them -------------------------------------------------------------------------------


@kernel()
def prepare_tables(sample_rate: Precise, bands: int, work: AbsorptionScratch) -> None:
    """Fill in what depends on the sample rate alone: frequencies of readings, centres, and their angles."""
    points = work.points
    centres = work.centres
    count = reading_points(octave_hz(0), octave_hz(bands - 1), sample_rate)
    fill_reading_frequencies(octave_hz(0), octave_hz(bands - 1), sample_rate, points[_HZ, :count])
    for k in range(count):
        turns = points[_HZ, k] / sample_rate
        points[_COSINE, k] = cosine_of_turns(turns)
        points[_SINE, k] = sine_of_turns(turns)
    for band in range(bands):
        centre = octave_hz(band) / sample_rate
        centres[_CENTRE_COSINE, band] = cosine_of_turns(centre)
        centres[_CENTRE_SINE, band] = sine_of_turns(centre)
        bilinear = sine_of_turns(0.5 * centre) / cosine_of_turns(0.5 * centre)
        centres[_CENTRE_SQUARE, band] = bilinear * bilinear


@kernel()
def _sum_levels(filters: Precises3, count: int, points: Precises2) -> None:
    """Add up the level of one pass through each line, at all frequencies of readings."""
    for k in range(count):
        points[_LEVEL, k] = 0.0
    for line in range(filters.shape[2]):
        gain = filters[0, 0, line]
        for k in range(count):
            points[_POWER, k] = gain * gain
        for section in range(1, 1 + section_count(filters)):
            e = filters[section, 2, line]
            f = filters[section, 3, line]
            c = filters[section, 0, line] + e
            d = filters[section, 1, line] + f
            for k in range(count):
                above = _quadratic_power(c, d, points[_COSINE, k], points[_SINE, k])
                points[_POWER, k] *= above / _quadratic_power(e, f, points[_COSINE, k], points[_SINE, k])
        for k in range(count):
            points[_LEVEL, k] += max(power_db(points[_POWER, k]), _SILENT_DB)


@kernel()
def _sum_delays(filters: Precises3, delays: Integers1, count: int, points: Precises2) -> None:
    """Add up the samples that one pass through each line takes, at all frequencies of readings.

    They are smooth, and the filters' share is little: a sixth of an octave is close enough, with lines between.
    """
    whole: Precise = 0.0
    for line in range(delays.size):
        length: Precise = delays[line]
        whole += length
    last = count - 1
    known = 0
    points[_TAKEN, 0] = whole
    for line in range(delays.size):
        points[_TAKEN, 0] += filter_delay(filters, line, points[_COSINE, 0], points[_SINE, 0])
    while known < last:
        ahead = min(known + _SPARSELY, last)
        taken = whole
        for line in range(delays.size):
            taken += filter_delay(filters, line, points[_COSINE, ahead], points[_SINE, ahead])
        points[_TAKEN, ahead] = taken
        slope = (taken - points[_TAKEN, known]) / (points[_HZ, ahead] - points[_HZ, known])
        for k in range(known + 1, ahead):
            points[_TAKEN, k] = points[_TAKEN, known] + slope * (points[_HZ, k] - points[_HZ, known])
        known = ahead


@kernel()
def read_decays(
    filters: Precises3,
    delays: Integers1,
    sample_rate: Precise,
    bands: int,
    work: AbsorptionScratch,
    out: Precises1,
) -> Precise:
    """Write the decay time that each octave band of the whole network reads (T30), all gains included.

    A mode passes through all lines, so it loses per second what all of them lose together, over the time
    that they take together. ``work`` must have been through :func:`prepare_tables`. Gives the largest relative
    error against the decay times asked for.
    """
    points = work.points
    count = reading_points(octave_hz(0), octave_hz(bands - 1), sample_rate)
    _sum_levels(filters, count, points)
    _sum_delays(filters, delays, count, points)
    shortest: Precise = 0.0
    for line in range(delays.size):
        length: Precise = delays[line]
        shortest += _LEAST_TIME * length
    for k in range(count):
        # While a solution is being sought, filters may gain level somewhere, or take longer than the lines.
        whole = -60.0 * max(points[_TAKEN, k], shortest) / sample_rate
        points[_DECAY, k] = whole / min(points[_LEVEL, k], whole / _LONGEST_SECONDS)
    largest: Precise = 0.0
    for band in range(bands):
        out[band] = octave_reading(
            octave_hz(band), points[_HZ, :count], points[_DECAY, :count], points[_LEFT, :MOMENTS]
        )
        largest = max(largest, abs(work.centres[_ASKED, band] / out[band] - 1.0))
    return largest


# --- levels at the centres -----------------------------------------------------------------------------------


@kernel()
def _fill_levels(
    delays: Integers1, seconds: Precises1, sample_rate: Precise, bands: int, levels: Precises2
) -> None:
    """Write the level of one pass through each line at the octave centres."""
    for line in range(delays.size):
        samples: Precise = delays[line]
        for band in range(bands):
            levels[line, band] = max(-60.0 * samples / (sample_rate * seconds[band]), _FLOOR_DB)


@kernel()
def _centre_error(filters: Precises3, bands: int, work: AbsorptionScratch) -> Precise:
    """Largest relative error of the decay time at the centres over all lines."""
    centres = work.centres
    largest: Precise = 0.0
    for line in range(filters.shape[2]):
        for band in range(bands):
            got = power_db(pass_power(filters, line, centres[_CENTRE_COSINE, band], centres[_CENTRE_SINE, band]))
            largest = max(largest, abs(work.lines[_LEVELS, line, band] / got - 1.0))
    return largest


# --- first-order shelves -------------------------------------------------------------------------------------


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
        square = work.centres[_CENTRE_SQUARE, band]
        ratio: Precise = 1.0
        for k in range(1, 1 + pairs):
            ratio = ratio * ((square + squares[k]) / (square + squares[k + pairs]))
        got = values[0] + _PER_NEPER_DB * logarithm(ratio)
        error[band] = (level[band] - got) / level[band]
        cost += error[band] * error[band]
    return cost


@kernel()
def _fit_slopes(level: Precises1, squares: Precises1, pairs: int, bands: int, work: AbsorptionScratch) -> None:
    """Write the derivatives of the relative errors, with their sign turned."""
    matrix = work.centres[_MATRIX:_NORMAL]
    for band in range(bands):
        square = work.centres[_CENTRE_SQUARE, band]
        matrix[band, 0] = 1.0 / level[band]
        for k in range(1, 1 + 2 * pairs):
            slope = 2.0 * _PER_NEPER_DB * squares[k] / (square + squares[k])
            if k > pairs:
                slope = -slope
            matrix[band, k] = slope / level[band]


@kernel()
def _fit_step(line: int, pairs: int, bands: int, work: AbsorptionScratch) -> None:
    """Try one damped step of a line; it is taken if it lowers the sum of squares."""
    size = 1 + 2 * pairs
    values = work.lines[_UNKNOWNS, line]
    trial = work.lines[_BEST_UNKNOWNS, line]
    error = work.lines[_STEPS, line]
    squares = work.centres[_CORNER]
    found = work.centres[_FOUND]
    residue = work.centres[_RESIDUE]
    progress = work.lines[_PROGRESS]
    _fill_squares(values, size, squares)
    _fit_slopes(work.lines[_LEVELS, line], squares, pairs, bands, work)
    fit(
        work.centres[_MATRIX:_NORMAL],
        error[:bands],
        progress[line, _DAMPING],
        work.centres[_NORMAL:DECAYS],
        found[:size],
    )
    for k in range(size):
        trial[k] = values[k] + min(max(found[k], -6.0), 6.0)
        if k > 0:
            trial[k] = min(max(trial[k], _SMALLEST_CORNER), _LARGEST_CORNER)
    cost = _fit_residue(trial, work.lines[_LEVELS, line], squares, pairs, bands, work, residue)
    before = progress[line, _COST]
    better = cost < before
    stalled = better and before - cost < _STALLED * before
    if stalled or progress[line, _DAMPING] > _HEAVIEST:
        progress[line, _DONE] = 1.0
    if better:
        for k in range(size):
            values[k] = trial[k]
        for band in range(bands):
            error[band] = residue[band]
        progress[line, _COST] = cost
        progress[line, _DAMPING] *= 0.2
    else:
        progress[line, _DAMPING] *= 5.0


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
    progress = work.lines[_PROGRESS]
    _begin_fit(work.lines[_LEVELS], sections, sample_rate, bands, work.lines[_UNKNOWNS])
    for line in range(lines):
        progress[line, _COST] = _fit_residue(
            work.lines[_UNKNOWNS, line],
            work.lines[_LEVELS, line],
            work.centres[_CORNER],
            pairs,
            bands,
            work,
            work.lines[_STEPS, line],
        )
        progress[line, _DAMPING] = 1e-2
        progress[line, _DONE] = 0.0
    for _ in range(_ATTEMPTS):
        for line in range(lines):
            _fit_step(line, pairs, bands, work)
        largest: Precise = 0.0
        over = True
        for line in range(lines):
            over = over and progress[line, _DONE] > 0.0
            for band in range(bands):
                largest = max(largest, abs(work.lines[_STEPS, line, band]))
        if over or largest < 0.1 * _TOLERANCE:
            break
    _assemble_fit(work.lines[_UNKNOWNS], sections, work.trial)


# --- second-order shelves ------------------------------------------------------------------------------------


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
    upper = _quadratic_power(
        -2.0 * ((a - 1.0) + (a + 1.0) * corner_cosine) / (more + width),
        (more - width) / (more + width),
        cosine,
        sine,
    )
    lower = _quadratic_power(
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
            loss -= work.lines[_LEVELS, line, band]
        if band > 0:
            middle = math.sqrt(octave_hz(band) * octave_hz(band - 1))
            if loss < below:
                middle = middle * _SHELF_SHIFT
            elif loss > below:
                middle = middle / _SHELF_SHIFT
            centres[_CORNER_KEPT, band - 1] = middle
        below = loss


@kernel()
def _begin_shelves(count: int, sample_rate: Precise, bands: int, work: AbsorptionScratch) -> None:
    """Write base levels and shelf gains to begin with: steps between the means of the bands between shelves."""
    centres = work.centres
    for shelf in range(count):
        turns = centres[_CORNER_KEPT, shelf] / sample_rate
        centres[_CORNER_COSINE, shelf] = cosine_of_turns(turns)
        centres[_CORNER_SINE, shelf] = sine_of_turns(turns)
    for line in range(work.lines.shape[1]):
        work.lines[_UNKNOWNS, line, 0] = work.lines[_LEVELS, line, 0]
        band = 0
        before: Precise = 0.0
        for group in range(count + 1):
            total: Precise = 0.0
            members: Precise = 0.0
            while band < bands and (group == count or octave_hz(band) < centres[_CORNER_KEPT, group]):
                total += work.lines[_LEVELS, line, band]
                members += 1.0
                band += 1
            mean = total / members
            if group > 0:
                work.lines[_UNKNOWNS, line, group] = mean - before
            before = mean


@kernel()
def _shelf_step(line: int, count: int, q: Precise, bands: int, work: AbsorptionScratch) -> Precise:
    """Write Newton's step of a line's base level and shelf gains; give the largest relative error before it."""
    centres = work.centres
    matrix = work.centres[_MATRIX:_NORMAL]
    residue = work.centres[_RESIDUE]
    values = work.lines[_UNKNOWNS, line]
    levels = work.lines[_LEVELS, line]
    for band in range(bands):
        residue[band] = levels[band] - values[0]
        matrix[band, 0] = 1.0 / levels[band]
    for shelf in range(count):
        corner_cosine = centres[_CORNER_COSINE, shelf]
        corner_sine = centres[_CORNER_SINE, shelf]
        gain_db = values[1 + shelf]
        for band in range(bands):
            cosine = centres[_CENTRE_COSINE, band]
            sine = centres[_CENTRE_SINE, band]
            power = _shelf_power(gain_db, q, corner_cosine, corner_sine, cosine, sine)
            beside = _shelf_power(gain_db + _STEP, q, corner_cosine, corner_sine, cosine, sine)
            residue[band] -= power_db(power)
            matrix[band, 1 + shelf] = power_db(beside / power) / (_STEP * levels[band])
    largest: Precise = 0.0
    for band in range(bands):
        residue[band] = residue[band] / levels[band]
        largest = max(largest, abs(residue[band]))
    fit(matrix, residue[:bands], 0.0, work.centres[_NORMAL:DECAYS], work.lines[_STEPS, line, : count + 1])
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
    smallest: Precise = _HUGE
    for _ in range(_NEWTON_STEPS):
        largest: Precise = 0.0
        for line in range(lines):
            largest = max(largest, _shelf_step(line, count, q, bands, work))
        if largest < smallest:
            smallest = largest
            for line in range(lines):
                for k in range(count + 1):
                    work.lines[_BEST_UNKNOWNS, line, k] = work.lines[_UNKNOWNS, line, k]
        if largest < _EXACT:
            break
        for line in range(lines):
            for k in range(count + 1):
                moved = work.lines[_UNKNOWNS, line, k] + min(max(work.lines[_STEPS, line, k], -12.0), 12.0)
                work.lines[_UNKNOWNS, line, k] = moved if k == 0 else min(max(moved, -150.0), 150.0)
    _assemble_shelves(count, q, work)


@kernel()
def _assemble_shelves(count: int, q: Precise, work: AbsorptionScratch) -> None:
    """Turn base levels and shelf gains into gains and sections on trial."""
    filters = work.trial
    for line in range(filters.shape[2]):
        gain = power_of_ten(work.lines[_BEST_UNKNOWNS, line, 0] / 20.0)
        for shelf in range(count):
            root = power_of_ten(work.lines[_BEST_UNKNOWNS, line, 1 + shelf] / 80.0)
            a = root * root
            cosine = work.centres[_CORNER_COSINE, shelf]
            width = root * work.centres[_CORNER_SINE, shelf] / q
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
    least: Precise = _HUGE
    for shelf in range(count):
        largest: Precise = 0.0
        band = int(kept[shelf])
        for line in range(work.lines.shape[1]):
            largest = max(
                largest, abs(work.lines[_BEST_UNKNOWNS, line, 1 + shelf] / work.lines[_LEVELS, line, band])
            )
        if largest < least:
            least = largest
            found = shelf
    return found


@kernel()
def thin_shelves(q: Precise, sample_rate: Precise, bands: int, work: AbsorptionScratch) -> None:
    """Solve as many shelves as are needed for the levels of all lines; the result is the chosen one."""
    centres = work.centres
    kept = work.centres[_FOUND]
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
            centres[_CORNER_KEPT, shelf] = centres[_CORNER_KEPT, shelf + 1]
        fit_shelves(count, q, sample_rate, bands, work)
        enough = _centre_error(work.trial, bands, work) <= _SPARED
        if enough:
            copy_filters(work.trial, work.chosen)


# --- calm ----------------------------------------------------------------------------------------------------


@kernel()
def _grid_hz(k: int, sample_rate: Precise) -> Precise:
    """Frequencies from zero to half the sample rate, close enough to see every ripple of a shelf."""
    place: Precise = k - 1
    value: Precise = 0.0
    if k > _WIDE_POINTS:
        # Towards half the rate the bilinear transform narrows them.
        place = place - _WIDE_POINTS
        steps: Precise = _NARROW_POINTS - 1
        near = 1e-4 * exponential(place / steps * logarithm(0.2 / 1e-4))
        value = 0.5 * sample_rate - near * sample_rate
    elif k > 0:
        wide_steps: Precise = _WIDE_POINTS - 1
        value = 5.0 * exponential(place / wide_steps * logarithm(0.1 * sample_rate))
    return value


@kernel()
def _fill_loudest(filters: Precises3, sample_rate: Precise, progress: Precises2) -> None:
    """Write the largest power gain of one pass through each line, at any frequency."""
    for line in range(filters.shape[2]):
        progress[line, _LOUDEST] = 0.0
    for k in range(_GRID + 1):
        turns = _grid_hz(k, sample_rate) / sample_rate
        cosine = cosine_of_turns(turns)
        sine = sine_of_turns(turns)
        for line in range(filters.shape[2]):
            progress[line, _LOUDEST] = max(progress[line, _LOUDEST], pass_power(filters, line, cosine, sine))
    # Sharp peaks lie where the poles are, and may be narrower than any grid.
    for section in range(1, 1 + section_count(filters)):
        for line in range(filters.shape[2]):
            twice = max(filters[section, 3, line], 1e-9)
            pole_cosine = -0.5 * filters[section, 2, line] / math.sqrt(twice)
            pole_cosine = min(max(pole_cosine, -1.0), 1.0)
            pole_sine = math.sqrt(1.0 - pole_cosine * pole_cosine)
            for other in range(filters.shape[2]):
                progress[other, _LOUDEST] = max(
                    progress[other, _LOUDEST], pass_power(filters, other, pole_cosine, pole_sine)
                )


@kernel()
def calm(
    filters: Precises3,
    delays: Integers1,
    sample_rate: Precise,
    bands: int,
    work: AbsorptionScratch,
    turn_down: bool,
) -> bool:
    """Whether no line rings longer than the longest decay time allows; lines that would can be turned down.

    Turning a line down as a whole leaves a wrong decay time, but a stable one.
    """
    progress = work.lines[_PROGRESS]
    longest: Precise = 0.0
    for band in range(bands):
        longest = max(longest, work.centres[_ASKED, band])
    _fill_loudest(filters, sample_rate, progress)
    calm_enough = True
    for line in range(delays.size):
        samples: Precise = delays[line]
        allowed_db = max(-60.0 * samples / (sample_rate * _OVERSHOOT * longest), _FLOOR_DB)
        excess_db = power_db(progress[line, _LOUDEST]) - allowed_db
        if excess_db > 0.0:
            calm_enough = False
            if turn_down:
                filters[0, 0, line] *= power_of_ten(-excess_db / 20.0)
    return calm_enough


# --- the whole design ----------------------------------------------------------------------------------------


@kernel()
def _steepness(structure: int) -> Precise:
    q: Precise = _STEEPEST_Q
    if structure == 4:
        q = _STEEP_Q
    elif structure == 5:
        q = _CALM_Q
    return q


@kernel()
def _correct(attempt: int, bands: int, work: AbsorptionScratch) -> None:
    """Correct the decay times on trial by the ratio of what shall be read to what is read."""
    centres = work.centres
    for band in range(bands):
        ratio = centres[_ASKED, band] / centres[_FOUND, band]
        ratio = min(max(ratio, 1.0 / _LARGEST_CORRECTION), _LARGEST_CORRECTION)
        if attempt >= _TRUSTED:
            ratio = exponential(_CAUTIOUS * logarithm(ratio))
        centres[_TRIAL, band] *= ratio


@kernel()
def solve_centres(
    structure: int, delays: Integers1, sample_rate: Precise, bands: int, work: AbsorptionScratch
) -> Precise:
    """Find the decay times at the centres with which the octaves read the ones asked for.

    Structures are filters of one or two sections, or shelves of three degrees of steepness. The best filters are
    the chosen ones, and the decay times at the centres are kept beside them. Gives the largest relative error of
    what is read.
    """
    corrections = _SIMPLE_CORRECTIONS if structure <= 2 else _CORRECTIONS
    centres = work.centres
    for band in range(bands):
        centres[_TRIAL, band] = centres[_ASKED, band]
        centres[_BEST, band] = centres[_ASKED, band]
    smallest: Precise = _HUGE
    for attempt in range(corrections):
        _fill_levels(delays, centres[_TRIAL], sample_rate, bands, work.lines[_LEVELS])
        if structure <= 2:
            fit_first_order(structure, sample_rate, bands, work)
        else:
            fit_shelves(bands - 1, _steepness(structure), sample_rate, bands, work)
        if attempt == 0 and structure <= 2 and _centre_error(work.trial, bands, work) > _PLAUSIBLE:
            break
        error = read_decays(work.trial, delays, sample_rate, bands, work, centres[_FOUND])
        if error < smallest or attempt == 0:
            smallest = min(error, smallest)
            copy_filters(work.trial, work.chosen)
            for band in range(bands):
                centres[_BEST, band] = centres[_TRIAL, band]
        hopeless = attempt >= _TRUSTED and (smallest > _FAR_OFF or error > _HOPELESS * smallest)
        if error < 0.2 * _TOLERANCE or hopeless:
            break
        _correct(attempt, bands, work)
    return smallest


@kernel()
def design_absorption(
    delays: Integers1, seconds: Precises1, sample_rate: Precise, filters: Precises3, work: AbsorptionScratch
) -> None:
    """Design the filters of all lines so that octave bands read the decay times asked for.

    Every line loses level at every frequency: its decay time is nowhere longer than 1.3 times the longest asked
    for, however steep the table is.

    Parameters
    ----------
    delays : ndarray of int64, shape (lines,)
        Samples of one pass through each line.
    seconds : ndarray, shape (9,)
        Seconds per 60 dB that the octave bands 63 Hz to 16 kHz shall read. Bands above 0.45 of the sample
        rate are left out. A pass never loses more than 90 dB at a centre.
    sample_rate : float
        Samples per second.
    filters : ndarray, shape (FILTER_ROWS, 4, lines)
        Gets the result.
    work : AbsorptionScratch
        Scratch.
    """
    bands = usable_bands(sample_rate)
    prepare_tables(sample_rate, bands, work)
    fastest = seconds[0]
    slowest = seconds[0]
    for band in range(bands):
        work.centres[_ASKED, band] = seconds[band]
        fastest = min(fastest, seconds[band])
        slowest = max(slowest, seconds[band])
    _fill_levels(delays, work.centres[_ASKED], sample_rate, bands, work.lines[_LEVELS])
    if slowest - fastest <= 1e-9 * seconds[0]:
        filters[0, 1, 0] = 0
        for line in range(delays.size):
            filters[0, 0, line] = power_of_ten(work.lines[_LEVELS, line, 0] / 20.0)
        return
    smallest: Precise = _HUGE
    for structure in range(1, 6):
        error = solve_centres(structure, delays, sample_rate, bands, work)
        simple = structure <= 2
        if simple and error > _TOLERANCE:
            continue
        if not simple and error <= _TOLERANCE:
            _fill_levels(delays, work.centres[_BEST], sample_rate, bands, work.lines[_LEVELS])
            thin_shelves(_steepness(structure), sample_rate, bands, work)
        is_calm = calm(work.chosen, delays, sample_rate, bands, work, not simple)
        if simple and not is_calm:
            continue
        if simple:
            copy_filters(work.chosen, filters)
            return
        error = read_decays(work.chosen, delays, sample_rate, bands, work, work.centres[_FOUND])
        if error < smallest:
            smallest = error
            copy_filters(work.chosen, filters)
        if error <= _GOOD_ENOUGH or error > _FAR_OFF:
            break
