"""The driven preamplifier, from its settings to sound: see :class:`tapeemu.processors.saturation.PreampDrive`."""

from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Integers2, Precise, Precises1, Precises2, Reals2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.driven_sine import drive_that_gives, matching_gain
from tapeemu.dsp.kernels.elementary import logarithm, power_of_ten
from tapeemu.dsp.kernels.glides import (
    AT,
    CELL,
    GLIDE_ARRAYS,
    Glide,
    bent_level,
    glide_design,
    glide_exponentials,
    glide_levels,
    glide_moves,
    glide_pass,
    glide_rest,
    glide_seek,
    glide_shapes,
    glide_target,
)
from tapeemu.dsp.kernels.kept_rows import clear_precise_rows
from tapeemu.dsp.kernels.offset_filter import OFFSET_STATE, block_offset, offset_pole, offset_tail
from tapeemu.dsp.kernels.oversampling import (
    CHUNK,
    HISTORY_HIGH,
    Oversampler,
    fall,
    fall_softly,
    limited_factor,
    limited_latency,
    oversampler_clear,
    oversampler_design,
    oversampler_latency,
    oversampler_shapes,
    oversampling_factor,
    per_base,
    rise,
    soft_latency,
    spares,
)

__all__ = [
    "DRIVE_MOVES",
    "DriveMemory",
    "DriveSettings",
    "drive_change",
    "drive_design",
    "drive_drives",
    "drive_factor",
    "drive_latency",
    "drive_process",
    "drive_seek",
    "drive_shapes",
    "drive_tail",
    "driven",
    "effective_drive_db",
    "output_gain",
]

DEFAULT_DRIVE_DB = 6.0

MOST_GAIN_AT_SIX = 3.0
"""Gain into the curve up to which six times the rate is enough; see :func:`_wanted_factor`."""

DRIVE_MOVES = ("drive_db", "thd_percent", "reference_level_dbfs")
"""Settings that it follows while it plays."""

GAIN, LEVEL, REST, POLE, BEND, SPARES = range(6)
_PLAN = 6
"""Places in the plan: gain into the curve, factor behind it, output at rest, pole of the offset filter, where
the level bends, and whether work is spared."""

_LOG_GAIN, _LOG_TONE, _LOG_EXCESS = 0, 1, 2
_NUMBERS = 3
"""Numbers that glide, see :func:`tapeemu.dsp.kernels.glides.glide_levels`."""

_GAINS, _LEVELS, _SCALED = 0, 1, 2
_ROWS = 3
"""Rows of scratch: gains and factors sample by sample, and what goes into the curve."""

_LIMIT = 12.0
_P0, _P1, _P2 = 0.9999999999421048, 0.14258216242805963, 0.0046450328736968565
_P3, _P4, _P5 = 4.863272245402151e-05, 1.610589161470361e-07, 1.1613758580841754e-10
_Q1, _Q2, _Q3 = 0.47591549518044873, 0.02995019890818084, 0.0005448862380423399
_Q4, _Q5, _Q6 = 3.2700958994937168e-06, 5.4951021432985856e-09, 1.144966229242697e-12


class DriveSettings(NamedTuple):
    """Settings of a PreampDrive.

    Attributes
    ----------
    drive_db, drive_given
        Gain into the curve, and 1 if it is set; 6 dB if neither it nor the distortion is.
    thd_percent, thd_given
        Distortion of a sine at the reference level, and 1 if it is set.
    reference_level_dbfs, asymmetry_percent, level_matched, high_pass_hz
        As in the processor; the switch is 1 or 0.
    most_oversampling
        Most times the rate that the curve runs at: 12 for as often as its folding asks for.
    """

    drive_db: Precise
    drive_given: int
    thd_percent: Precise
    thd_given: int
    reference_level_dbfs: Precise
    asymmetry_percent: Precise
    level_matched: int
    high_pass_hz: Precise
    most_oversampling: int


class DriveMemory(NamedTuple):
    """Plan and state.

    Attributes
    ----------
    plan : ndarray, shape (6,)
        See the places above.
    offset : ndarray, shape (channels, OFFSET_STATE)
        State of the offset filter.
    glide : Glide
        What gain and factor follow from.
    rows : ndarray, shape (3, CHUNK)
        Scratch.
    over : Oversampler
        The way up and down.
    """

    plan: Precises1
    offset: Precises2
    glide: Glide
    rows: Reals2
    over: Oversampler


@kernel()
def effective_drive_db(settings: DriveSettings) -> Precise:
    """Gain into the curve in dB: as set, or as solved for."""
    if settings.thd_given == 1:
        return drive_that_gives(settings.thd_percent, settings.reference_level_dbfs, settings.asymmetry_percent)
    return settings.drive_db if settings.drive_given == 1 else DEFAULT_DRIVE_DB


@kernel()
def output_gain(settings: DriveSettings) -> Precise:
    """Factor behind the curve: 1, or what keeps the rms of a sine at the reference level."""
    if settings.level_matched == 0:
        return 1.0
    drive_db = effective_drive_db(settings)
    return matching_gain(drive_db, settings.reference_level_dbfs, settings.asymmetry_percent)


@kernel()
def _wanted_factor(settings: DriveSettings, sample_rate: Precise) -> int:
    """How many times the base rate the curve runs at: half as often where twelve times is more than is needed.

    Harmonic k of a sine that reaches g into the tangent is ``exp(-k asinh(pi / (2 g)))`` times its first, but
    for slow factors (the tangent's poles lie pi / 2 off the real axis). What folds into the pass band has
    orders from about ``factor - 1`` times the rate over the tone's frequency on, so six times at g = 4.9 folds
    as much as twelve times at g = 10. Gains up to 3 leave 4.3 dB of that for sound beyond full scale.
    """
    factor = oversampling_factor(sample_rate)
    if factor == 12 and power_of_ten(0.05 * effective_drive_db(settings)) <= MOST_GAIN_AT_SIX:
        return 6
    return factor


@kernel()
def drive_factor(settings: DriveSettings, sample_rate: Precise) -> int:
    """How many times the base rate the curve runs at: as often as is needed, or as the settings allow."""
    return limited_factor(_wanted_factor(settings, sample_rate), settings.most_oversampling)


@kernel()
def drive_drives(settings: DriveSettings) -> int:
    """Whether it is nonlinear, so that a sum comes out otherwise than its parts: 1, always."""
    return 1


@kernel()
def drive_latency(settings: DriveSettings, sample_rate: Precise, channels: int) -> int:
    """Samples by which the output is late."""
    return limited_latency(drive_factor(settings, sample_rate), settings.most_oversampling)


@kernel()
def drive_tail(settings: DriveSettings, sample_rate: Precise, channels: int, level_db: Precise) -> int:
    """Samples that sound on: once the input has stopped, the offset filter still answers."""
    return offset_tail(settings.high_pass_hz, sample_rate, level_db)


@kernel()
def drive_shapes(settings: DriveSettings, sample_rate: Precise, channels: int, shapes: Integers2) -> None:
    """Write the shapes of the arrays of :class:`DriveMemory`, a row for each."""
    rows = 2 + GLIDE_ARRAYS
    for row in range(rows + 1):
        for axis in range(3):
            shapes[row, axis] = 1
    shapes[0, 0] = _PLAN
    shapes[1, 0] = channels
    shapes[1, 1] = OFFSET_STATE
    glide_shapes(_NUMBERS, 2, shapes)
    shapes[rows, 0] = _ROWS
    shapes[rows, 1] = CHUNK
    oversampler_shapes(drive_factor(settings, sample_rate), channels, rows + 1, shapes)


@kernel()
def drive_design(
    settings: DriveSettings,
    sample_rate: Precise,
    channels: int,
    start_sample: np.int64,
    track: np.int64,
    memory: DriveMemory,
) -> None:
    """Fill the plan, for memory that is all zeros; the place on the tape does not matter."""
    plan = memory.plan
    plan[REST] = 0.01 * settings.asymmetry_percent
    plan[POLE] = offset_pole(settings.high_pass_hz, sample_rate)
    gain, level = _gain_and_level(settings, plan[POLE])
    plan[GAIN] = gain
    plan[LEVEL] = level
    # Half of its square is the power of a tone that is as large as the curve's ends are far apart.
    plan[SPARES] = spares(settings.most_oversampling)
    plan[BEND] = 0.5 if settings.level_matched == 1 else 0.0
    log_gain, log_tone, log_excess = _logarithms(settings, gain, level, plan[BEND])
    glide_rest(_LOG_GAIN, log_gain, memory.glide)
    glide_rest(_LOG_TONE, log_tone, memory.glide)
    glide_rest(_LOG_EXCESS, log_excess, memory.glide)
    glide_design(sample_rate, start_sample, memory.glide)
    oversampler_design(drive_factor(settings, sample_rate), memory.over)


@kernel()
def _gain_and_level(settings: DriveSettings, pole: Precise) -> tuple[Precise, Precise]:
    """Gain into the curve, and the factor behind it."""
    gain = power_of_ten(0.05 * effective_drive_db(settings))
    # The offset filter is given a gain of 1 far above its corner.
    return gain, output_gain(settings) / gain * (0.5 * (1.0 + pole))


@kernel()
def _logarithms(
    settings: DriveSettings, gain: Precise, level: Precise, bend_: Precise
) -> tuple[Precise, Precise, Precise]:
    """The numbers that glide."""
    log_gain = logarithm(gain)
    log_tone = logarithm(power_of_ten(0.05 * settings.reference_level_dbfs))
    return log_gain, log_tone, logarithm(level) - bent_level(log_gain, log_tone, bend_)


@kernel()
def drive_change(settings: DriveSettings, sample_rate: Precise, channels: int, memory: DriveMemory) -> None:
    """Go to other settings from the beginning of the next cell on; see :mod:`tapeemu.dsp.kernels.glides`.

    Of the settings those of `DRIVE_MOVES` may differ from the ones that it was designed for.
    """
    gain, level = _gain_and_level(settings, memory.plan[POLE])
    log_gain, log_tone, log_excess = _logarithms(settings, gain, level, memory.plan[BEND])
    glide_target(_LOG_GAIN, log_gain, memory.glide)
    glide_target(_LOG_TONE, log_tone, memory.glide)
    glide_target(_LOG_EXCESS, log_excess, memory.glide)


@kernel()
def drive_seek(memory: DriveMemory, place: np.int64) -> None:
    """Go to rest; the place on the tape does not matter to the sound."""
    glide_seek(place, memory.glide)
    oversampler_clear(memory.over)
    clear_precise_rows(memory.offset)


@kernel()
def driven(x: float, rest: float) -> float:
    """``tanh(x) / (1 + rest tanh(x))``, which is ``(tanh(x + b) - tanh b) / (1 - tanh(b)^2)`` with rest = tanh b.

    By a rational function for the tangent, whose relative error is at most 1.4e-10 for every x. It is an odd
    function to the last bit. The coefficients minimise the largest error up to 12 (least squares, reweighted),
    where the argument is held: the tangent is 1 - 7.5e-11 there.
    """
    x = min(max(x, -_LIMIT), _LIMIT)
    z = x * x
    above = ((((_P5 * z + _P4) * z + _P3) * z + _P2) * z + _P1) * z + _P0
    below = (((((_Q6 * z + _Q5) * z + _Q4) * z + _Q3) * z + _Q2) * z + _Q1) * z + 1.0
    straight = x * above
    return straight / (rest * straight + below)


@kernel()
def bend(count: int, rest: float, high: Reals2) -> None:
    """Pass samples through the curve, in place: ``driven(x, rest)``.

    Parameters
    ----------
    count : int
        Samples in every row.
    rest : float
        Of the curve; without unit.
    high : ndarray, shape (rows, HISTORY_HIGH + count or more)
        One channel at the top rate; see :mod:`tapeemu.dsp.kernels.oversampling`.
    """
    for row in range(high.shape[0]):
        samples = high[row, HISTORY_HIGH : HISTORY_HIGH + count]
        for i in range(count):
            samples[i] = driven(samples[i], rest)


@kernel()
def drive_process(memory: DriveMemory, block: Reals2, out: Reals2) -> None:
    """Process a block of any length; `out` may be `block` itself.

    Parameters
    ----------
    memory : DriveMemory
        Designed; changed in place.
    block, out : ndarray, shape (channels, samples)
        Input and output.
    """
    over = memory.over
    rows_per_base = per_base(over.plan[0])
    sparing = memory.plan[SPARES] == 1.0
    late = soft_latency(over.plan[0]) if sparing else oversampler_latency(over.plan[0])
    gain: float = memory.plan[GAIN]
    rest: float = memory.plan[REST]
    level: float = memory.plan[LEVEL]
    counts = memory.glide.counts
    done = 0
    while done < block.shape[1]:
        count = min(CHUNK, block.shape[1] - done)
        moving = glide_moves(memory.glide)
        if moving:
            at = int(counts[AT])
            count = min(count, int(counts[CELL]) - at)
            glide_exponentials(_LOG_GAIN, at, 0, memory.glide, memory.rows[_GAINS, :count])
            # What comes out went in that much earlier.
            glide_levels(memory.plan[BEND], at, late, memory.glide, memory.rows[_LEVELS, :count])
        gains = memory.rows[_GAINS, :count]
        levels = memory.rows[_LEVELS, :count]
        scaled = memory.rows[_SCALED, :count]
        for channel in range(block.shape[0]):
            given = block[channel, done : done + count]
            made = out[channel, done : done + count]
            if moving:
                for k in range(count):
                    scaled[k] = gains[k] * given[k]
            else:
                for k in range(count):
                    scaled[k] = gain * given[k]
            rise(scaled, channel, over)
            bend(count * rows_per_base, rest, over.high[channel])
            if sparing:
                fall_softly(channel, over, made)
            else:
                fall(channel, over, made)
            if moving:
                for k in range(count):
                    made[k] = levels[k] * made[k]
            else:
                for k in range(count):
                    made[k] = level * made[k]
            block_offset(made, memory.plan[POLE], memory.offset[channel])
        glide_pass(count, memory.glide)
        done += count
