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

The shelves are steep (Q = 1.3); the value comes from our own designs of thirty tables, as their places do, see
:mod:`tapeemu.dsp.kernels.second_order_shelves`.
"""

import math

from tapeemu.dsp.kernels.arrays import Integers1, Precise, Precises1, Precises2, Precises3
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import cosine_of_turns, exponential, logarithm, power_of_ten, sine_of_turns
from tapeemu.dsp.kernels.first_order_shelves import TOLERANCE, fit_first_order
from tapeemu.dsp.kernels.line_filters import copy_filters, pass_power, power_db, section_count
from tapeemu.dsp.kernels.octave_readings import (
    ASKED,
    BEST,
    FLOOR_DB,
    FOUND,
    LEVELS,
    LOUDEST,
    PROGRESS,
    TRIAL,
    AbsorptionScratch,
    centre_error,
    fill_levels,
    prepare_tables,
    read_decays,
)
from tapeemu.dsp.kernels.room_layout import usable_bands
from tapeemu.dsp.kernels.second_order_shelves import HUGE, fit_shelves, thin_shelves

__all__ = ["calm", "design_absorption", "solve_centres"]

_PLAUSIBLE = 0.03  # error at the centres with which solving for readings is begun
_STEEPEST_Q = 1.3
_STEEP_Q = 1.1
_CALM_Q = 0.9
_GOOD_ENOUGH = 0.02  # of the decay times read; the promise is 0.04
_OVERSHOOT = 1.3  # largest decay time anywhere, in terms of the longest asked for
_CORRECTIONS = 16
_SIMPLE_CORRECTIONS = 6  # a structure with few unknowns is as near by then as it ever gets
_LARGEST_CORRECTION = 1.6
_TRUSTED = 4  # corrections that are made in full
_CAUTIOUS = 0.7  # power of the later ones
_FAR_OFF = 0.5  # error that no more corrections and no other shelves will mend
_HOPELESS = 8.0  # error, in terms of the smallest so far, after which no more corrections are made
_GRID = 900
_WIDE_POINTS = 500
_NARROW_POINTS = 400


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
        progress[line, LOUDEST] = 0.0
    for k in range(_GRID + 1):
        turns = _grid_hz(k, sample_rate) / sample_rate
        cosine = cosine_of_turns(turns)
        sine = sine_of_turns(turns)
        for line in range(filters.shape[2]):
            progress[line, LOUDEST] = max(progress[line, LOUDEST], pass_power(filters, line, cosine, sine))
    # Sharp peaks lie where the poles are, and may be narrower than any grid.
    for section in range(1, 1 + section_count(filters)):
        for line in range(filters.shape[2]):
            twice = max(filters[section, 3, line], 1e-9)
            pole_cosine = -0.5 * filters[section, 2, line] / math.sqrt(twice)
            pole_cosine = min(max(pole_cosine, -1.0), 1.0)
            pole_sine = math.sqrt(1.0 - pole_cosine * pole_cosine)
            for other in range(filters.shape[2]):
                progress[other, LOUDEST] = max(
                    progress[other, LOUDEST], pass_power(filters, other, pole_cosine, pole_sine)
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
    progress = work.lines[PROGRESS]
    longest: Precise = 0.0
    for band in range(bands):
        longest = max(longest, work.centres[ASKED, band])
    _fill_loudest(filters, sample_rate, progress)
    calm_enough = True
    for line in range(delays.size):
        samples: Precise = delays[line]
        allowed_db = max(-60.0 * samples / (sample_rate * _OVERSHOOT * longest), FLOOR_DB)
        excess_db = power_db(progress[line, LOUDEST]) - allowed_db
        if excess_db > 0.0:
            calm_enough = False
            if turn_down:
                filters[0, 0, line] *= power_of_ten(-excess_db / 20.0)
    return calm_enough


@kernel()
def _steepness(structure: int) -> Precise:
    """Q of the shelves of a structure."""
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
        ratio = centres[ASKED, band] / centres[FOUND, band]
        ratio = min(max(ratio, 1.0 / _LARGEST_CORRECTION), _LARGEST_CORRECTION)
        if attempt >= _TRUSTED:
            ratio = exponential(_CAUTIOUS * logarithm(ratio))
        centres[TRIAL, band] *= ratio


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
        centres[TRIAL, band] = centres[ASKED, band]
        centres[BEST, band] = centres[ASKED, band]
    smallest: Precise = HUGE
    for attempt in range(corrections):
        fill_levels(delays, centres[TRIAL], sample_rate, bands, work.lines[LEVELS])
        if structure <= 2:
            fit_first_order(structure, sample_rate, bands, work)
        else:
            fit_shelves(bands - 1, _steepness(structure), sample_rate, bands, work)
        if attempt == 0 and structure <= 2 and centre_error(work.trial, bands, work) > _PLAUSIBLE:
            break
        error = read_decays(work.trial, delays, sample_rate, bands, work, centres[FOUND])
        if error < smallest or attempt == 0:
            smallest = min(error, smallest)
            copy_filters(work.trial, work.chosen)
            for band in range(bands):
                centres[BEST, band] = centres[TRIAL, band]
        hopeless = attempt >= _TRUSTED and (smallest > _FAR_OFF or error > _HOPELESS * smallest)
        if error < 0.2 * TOLERANCE or hopeless:
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
        work.centres[ASKED, band] = seconds[band]
        fastest = min(fastest, seconds[band])
        slowest = max(slowest, seconds[band])
    fill_levels(delays, work.centres[ASKED], sample_rate, bands, work.lines[LEVELS])
    if slowest - fastest <= 1e-9 * seconds[0]:
        filters[0, 1, 0] = 0
        for line in range(delays.size):
            filters[0, 0, line] = power_of_ten(work.lines[LEVELS, line, 0] / 20.0)
        return
    smallest: Precise = HUGE
    for structure in range(1, 6):
        error = solve_centres(structure, delays, sample_rate, bands, work)
        simple = structure <= 2
        if simple and error > TOLERANCE:
            continue
        if not simple and error <= TOLERANCE:
            fill_levels(delays, work.centres[BEST], sample_rate, bands, work.lines[LEVELS])
            thin_shelves(_steepness(structure), sample_rate, bands, work)
        is_calm = calm(work.chosen, delays, sample_rate, bands, work, not simple)
        if simple and not is_calm:
            continue
        if simple:
            copy_filters(work.chosen, filters)
            return
        error = read_decays(work.chosen, delays, sample_rate, bands, work, work.centres[FOUND])
        if error < smallest:
            smallest = error
            copy_filters(work.chosen, filters)
        if error <= _GOOD_ENOUGH or error > _FAR_OFF:
            break
