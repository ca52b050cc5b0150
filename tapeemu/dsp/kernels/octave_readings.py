"""The decay times that octave bands read of the lines of a feedback delay network, and the scratch of its design.

What an octave filter reads is not the decay time at its centre, see :mod:`tapeemu.dsp.kernels.octave_decay`.
"""

from typing import NamedTuple

from tapeemu.dsp.kernels.arrays import Integers1, Precise, Precises1, Precises2, Precises3
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import cosine_of_turns, sine_of_turns
from tapeemu.dsp.kernels.line_filters import (
    filter_delay,
    pass_power,
    power_db,
    quadratic_power,
    section_count,
)
from tapeemu.dsp.kernels.octave_decay import MOMENTS, fill_reading_frequencies, octave_reading, reading_points
from tapeemu.dsp.kernels.room_layout import octave_hz

__all__ = [
    "ASKED",
    "BEST",
    "BEST_UNKNOWNS",
    "CENTRE_COSINE",
    "CENTRE_ROWS",
    "CENTRE_SINE",
    "CENTRE_SQUARE",
    "CORNER",
    "CORNER_COSINE",
    "CORNER_KEPT",
    "CORNER_SINE",
    "COST",
    "DAMPING",
    "DECAYS",
    "DONE",
    "FLOOR_DB",
    "FOUND",
    "LEVELS",
    "LINE_ROWS",
    "LOUDEST",
    "MATRIX",
    "NORMAL",
    "POINT_ROWS",
    "PROGRESS",
    "RESIDUE",
    "STEPS",
    "TRIAL",
    "UNKNOWNS",
    "AbsorptionScratch",
    "centre_error",
    "fill_levels",
    "prepare_tables",
    "read_decays",
]


POINT_ROWS = 8
"""Rows of a table over the frequencies of readings."""

_HZ, _COSINE, _SINE, _POWER, _LEVEL, _TAKEN, _DECAY, _LEFT = range(8)

CENTRE_ROWS = 31
"""Rows of a table over octaves, or over the shelves between them."""

ASKED, TRIAL, BEST, CENTRE_COSINE, CENTRE_SINE, CENTRE_SQUARE = range(6)
CORNER, CORNER_COSINE, CORNER_SINE, FOUND, RESIDUE, CORNER_KEPT = range(6, 12)
MATRIX, NORMAL, DECAYS = 12, 21, 30

LINE_ROWS = 5
"""Rows of a table over lines."""

LEVELS, UNKNOWNS, STEPS, BEST_UNKNOWNS, PROGRESS = range(5)
COST, DAMPING, DONE, LOUDEST = range(4)

FLOOR_DB = -90.0  # a line that loses more than this in one pass is silent there: no need to be exact
_SILENT_DB = -300.0  # of one pass; for readings
_LONGEST_SECONDS = 1000.0
_SPARSELY = 4
_LEAST_TIME = 0.5  # of a pass, in terms of the lines alone


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
        centres[CENTRE_COSINE, band] = cosine_of_turns(centre)
        centres[CENTRE_SINE, band] = sine_of_turns(centre)
        bilinear = sine_of_turns(0.5 * centre) / cosine_of_turns(0.5 * centre)
        centres[CENTRE_SQUARE, band] = bilinear * bilinear


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
                above = quadratic_power(c, d, points[_COSINE, k], points[_SINE, k])
                points[_POWER, k] *= above / quadratic_power(e, f, points[_COSINE, k], points[_SINE, k])
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
        largest = max(largest, abs(work.centres[ASKED, band] / out[band] - 1.0))
    return largest


@kernel()
def fill_levels(
    delays: Integers1, seconds: Precises1, sample_rate: Precise, bands: int, levels: Precises2
) -> None:
    """Write the level of one pass through each line at the octave centres."""
    for line in range(delays.size):
        samples: Precise = delays[line]
        for band in range(bands):
            levels[line, band] = max(-60.0 * samples / (sample_rate * seconds[band]), FLOOR_DB)


@kernel()
def centre_error(filters: Precises3, bands: int, work: AbsorptionScratch) -> Precise:
    """Largest relative error of the decay time at the centres over all lines."""
    centres = work.centres
    largest: Precise = 0.0
    for line in range(filters.shape[2]):
        for band in range(bands):
            got = power_db(pass_power(filters, line, centres[CENTRE_COSINE, band], centres[CENTRE_SINE, band]))
            largest = max(largest, abs(work.lines[LEVELS, line, band] / got - 1.0))
    return largest
