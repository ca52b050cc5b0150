"""Magnetised tape, from its settings to sound: see :class:`tapeemu.processors.saturation.TapeMagnetisation`."""

import math
from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Integers2, Precise, Precises1, Precises2, Reals2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import exponential_less_one, logarithm, logarithm_of_ten, power_of_ten
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
from tapeemu.dsp.kernels.hysteresis_loop import field_of_mol, loop_harmonics
from tapeemu.dsp.kernels.kept_rows import clear_precise_rows, clear_rows
from tapeemu.dsp.kernels.magnetisation import HISTORY_H, ROWS, SCRATCH, Law, TapeMemory, magnetise
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
    "MAGNETISED_MOVES",
    "MagnetisedMemory",
    "MagnetisedSettings",
    "field_drive_db",
    "full_scale_field",
    "magnetised_change",
    "magnetised_design",
    "magnetised_drives",
    "magnetised_factor",
    "magnetised_latency",
    "magnetised_process",
    "magnetised_seek",
    "magnetised_shapes",
    "magnetised_tail",
    "mol_db",
    "reversible_share",
    "tape_gain",
    "third_harmonic_ratio",
]

DEFAULT_DRIVE_DB = 6.0
SHAPE_FIELD = 22e3
FULL_SCALE_FIELD = 40e3
REVERSIBLE_SHARE = 0.17
RELEASE_SECONDS = 0.25e-3
"""Time in which tape that no field holds is carried off."""
SWING_SECONDS = 1.0 / (2.0 * math.pi * 100.0)
"""What turns the rate of a field into a field: a tone of 100 Hz then holds evenly, all through its cycle."""

LEAST_BIAS_AT_SIX = 80.0
MOST_FIELD_AT_SIX = 7.2
"""What six times the rate is enough for: bias in percent, and field of a full-scale sine in shape fields (a level
of 3 % third harmonic 4 dB above the reference level); see :func:`_wanted_factor`."""

CALM_MOL_FIELD = 1.431
"""Field of a sine with 3 % third harmonic for any such bias, in shape fields: at most so much, at least 1.4."""

MAGNETISED_MOVES = ("drive_db", "mol_db", "reference_level_dbfs")
"""Settings that it follows while it plays."""

FIELD, GAIN, REVERSIBLE, RELEASE, SWING, POLE, SPARES = 0, 1, 2, 3, 4, 5, 6
_PLAN = 7
"""Places in the plan: field of full scale, and what full magnetisation gives; three of
the numbers of a :class:`Law`; the pole of the offset filter; whether work is spared."""

_LOG_FIELD, _LOG_TONE, _LOG_EXCESS = 0, 1, 2
_NUMBERS = 3
"""Numbers that glide, see :func:`tapeemu.dsp.kernels.glides.glide_levels`."""

_BEND = 0.0685
"""Small fields magnetise a third, large ones give a square, 4 / pi as a fundamental: it bends where both meet."""

_FIELDS, _GAINS, _SCALED = 0, 1, 2
_SCRATCH_ROWS = 3
"""Rows of scratch: fields and gains sample by sample, and the field of the input."""


class MagnetisedSettings(NamedTuple):
    """Settings of a TapeMagnetisation.

    Attributes
    ----------
    drive_db, drive_given
        Field of a full-scale sine, and 1 if it is set; 6 dB if neither it nor the level of 3 % is.
    mol_db, mol_given
        Level of 3 % third harmonic above the reference level, and 1 if it is set.
    reference_level_dbfs, bias_percent, high_pass_hz
        As in the processor.
    most_oversampling
        Most times the rate that the loop is followed at: 12 for as often as its folding asks for.
    """

    drive_db: Precise
    drive_given: int
    mol_db: Precise
    mol_given: int
    reference_level_dbfs: Precise
    bias_percent: Precise
    high_pass_hz: Precise
    most_oversampling: int


class MagnetisedMemory(NamedTuple):
    """Plan and state.

    Attributes
    ----------
    plan : ndarray, shape (7,)
        See the places above.
    offset : ndarray, shape (channels, OFFSET_STATE)
        State of the offset filter.
    glide : Glide
        What field and gain follow from.
    rows : ndarray, shape (3, CHUNK)
        Scratch.
    tape : TapeMemory
        What the tape remembers.
    over : Oversampler
        The way up and down.
    """

    plan: Precises1
    offset: Precises2
    glide: Glide
    rows: Reals2
    tape: TapeMemory
    over: Oversampler


@kernel()
def reversible_share(settings: MagnetisedSettings) -> Precise:
    """Share of the magnetisation that follows the field without hysteresis."""
    narrow = 1.0 - 0.01 * settings.bias_percent
    return 1.0 - (1.0 - REVERSIBLE_SHARE) * narrow * narrow


@kernel()
def _mol_field_db(settings: MagnetisedSettings) -> Precise:
    """Peak field of a sine with 3 % third harmonic, in dB above 40 kA/m."""
    field = field_of_mol(reversible_share(settings))
    return 20.0 * logarithm_of_ten(field * (SHAPE_FIELD / FULL_SCALE_FIELD))


@kernel()
def field_drive_db(settings: MagnetisedSettings) -> Precise:
    """Field of a full-scale sine in dB above 40 kA/m: as set, or as solved for."""
    if settings.mol_given == 1:
        return _mol_field_db(settings) - settings.mol_db - settings.reference_level_dbfs
    return settings.drive_db if settings.drive_given == 1 else DEFAULT_DRIVE_DB


@kernel()
def mol_db(settings: MagnetisedSettings) -> Precise:
    """Level of 3 % third harmonic in dB above the reference level: as set, or as it follows."""
    if settings.mol_given == 1:
        return settings.mol_db
    return _mol_field_db(settings) - field_drive_db(settings) - settings.reference_level_dbfs


@kernel()
def full_scale_field(settings: MagnetisedSettings) -> Precise:
    """Peak field of a full-scale sine, in units of the shape field a (22 kA/m)."""
    return power_of_ten(0.05 * field_drive_db(settings)) * (FULL_SCALE_FIELD / SHAPE_FIELD)


@kernel()
def tape_gain(settings: MagnetisedSettings, field: Precise) -> Precise:
    """Output per magnetisation M / Ms with which a sine at the reference level keeps its level.

    `field` is what `full_scale_field` says.
    """
    reference = power_of_ten(0.05 * settings.reference_level_dbfs)
    first, _ = loop_harmonics(field * reference, reversible_share(settings))
    return reference / first


@kernel()
def third_harmonic_ratio(settings: MagnetisedSettings, level_dbfs: Precise) -> Precise:
    """Third harmonic over the fundamental, of the settled loop of a sine at a level in dBFS."""
    field = full_scale_field(settings) * power_of_ten(0.05 * level_dbfs)
    first, third = loop_harmonics(field, reversible_share(settings))
    return third / first


@kernel()
def _wanted_factor(settings: MagnetisedSettings, sample_rate: Precise) -> int:
    """How many times the base rate the loop is followed: half as often where twelve times is more than is needed.

    Near the anhysteretic curve nothing turns sharply, and a moderate field makes few harmonics: what six times
    adds is then 95 dB down, and folding 90 dB for sound up to 4 dB beyond full scale. Both held by tests. Sizes
    are asked more often than chains are designed, so the level of 3 % is not solved for here.
    """
    factor = oversampling_factor(sample_rate)
    if factor < 12 or settings.bias_percent < LEAST_BIAS_AT_SIX:
        return factor
    if settings.mol_given == 1:
        field = CALM_MOL_FIELD * power_of_ten(-0.05 * (settings.mol_db + settings.reference_level_dbfs))
    else:
        field = full_scale_field(settings)
    return 6 if field <= MOST_FIELD_AT_SIX else factor


@kernel()
def magnetised_factor(settings: MagnetisedSettings, sample_rate: Precise) -> int:
    """How many times the base rate the loop is followed: as often as is needed, or as the settings allow."""
    return limited_factor(_wanted_factor(settings, sample_rate), settings.most_oversampling)


@kernel()
def magnetised_drives(settings: MagnetisedSettings) -> int:
    """Whether it is nonlinear, so that a sum comes out otherwise than its parts: 1, always."""
    return 1


@kernel()
def magnetised_latency(settings: MagnetisedSettings, sample_rate: Precise, channels: int) -> int:
    """Samples by which the output is late.

    The solver looks one top-rate sample ahead; its lag is made a whole base-rate sample.
    """
    return limited_latency(magnetised_factor(settings, sample_rate), settings.most_oversampling) + 1


@kernel()
def magnetised_tail(settings: MagnetisedSettings, sample_rate: Precise, channels: int, level_db: Precise) -> int:
    """Samples that sound on: once the input has stopped, the offset filter still answers."""
    return offset_tail(settings.high_pass_hz, sample_rate, level_db)


@kernel()
def magnetised_shapes(
    settings: MagnetisedSettings, sample_rate: Precise, channels: int, shapes: Integers2
) -> None:
    """Write the shapes of the arrays of :class:`MagnetisedMemory`, a row for each."""
    rows = 2 + GLIDE_ARRAYS
    for row in range(rows + 4):
        for axis in range(3):
            shapes[row, axis] = 1
    shapes[0, 0] = _PLAN
    shapes[1, 0] = channels
    shapes[1, 1] = OFFSET_STATE
    glide_shapes(_NUMBERS, 2, shapes)
    shapes[rows, 0] = _SCRATCH_ROWS
    shapes[rows, 1] = CHUNK
    shapes[rows + 1, 0] = channels
    shapes[rows + 1, 1] = 2
    shapes[rows + 2, 0] = channels
    shapes[rows + 2, 1] = HISTORY_H
    shapes[rows + 3, 0] = min(channels, 2)
    shapes[rows + 3, 1] = ROWS
    shapes[rows + 3, 2] = SCRATCH
    oversampler_shapes(magnetised_factor(settings, sample_rate), channels, rows + 4, shapes)


@kernel()
def magnetised_design(
    settings: MagnetisedSettings,
    sample_rate: Precise,
    channels: int,
    start_sample: np.int64,
    track: np.int64,
    memory: MagnetisedMemory,
) -> None:
    """Fill the plan, for memory that is all zeros; the place on the tape does not matter."""
    factor = magnetised_factor(settings, sample_rate)
    pole = offset_pole(settings.high_pass_hz, sample_rate)
    field, gain = _field_and_gain(settings, pole)
    memory.plan[FIELD] = field
    memory.plan[GAIN] = gain
    memory.plan[REVERSIBLE] = reversible_share(settings)
    log_field, log_tone, log_excess = _logarithms(settings, field, gain)
    glide_rest(_LOG_FIELD, log_field, memory.glide)
    glide_rest(_LOG_TONE, log_tone, memory.glide)
    glide_rest(_LOG_EXCESS, log_excess, memory.glide)
    glide_design(sample_rate, start_sample, memory.glide)
    memory.plan[RELEASE] = -exponential_less_one(-1.0 / (RELEASE_SECONDS * sample_rate * per_base(factor)))
    memory.plan[SWING] = SWING_SECONDS * sample_rate * factor
    memory.plan[POLE] = pole
    memory.plan[SPARES] = spares(settings.most_oversampling)
    oversampler_design(factor, memory.over)


@kernel()
def _field_and_gain(settings: MagnetisedSettings, pole: Precise) -> tuple[Precise, Precise]:
    """Field of full scale, and what full magnetisation gives."""
    field = full_scale_field(settings)
    # The offset filter is given a gain of 1 far above its corner.
    return field, tape_gain(settings, field) * (0.5 * (1.0 + pole))


@kernel()
def _logarithms(settings: MagnetisedSettings, field: Precise, gain: Precise) -> tuple[Precise, Precise, Precise]:
    """The numbers that glide."""
    log_field = logarithm(field)
    log_tone = logarithm(power_of_ten(0.05 * settings.reference_level_dbfs))
    bend: Precise = _BEND
    return log_field, log_tone, logarithm(gain) - bent_level(log_field, log_tone, bend)


@kernel()
def magnetised_change(
    settings: MagnetisedSettings, sample_rate: Precise, channels: int, memory: MagnetisedMemory
) -> None:
    """Go to other settings from the beginning of the next cell on; see :mod:`tapeemu.dsp.kernels.glides`.

    Of the settings those of `MAGNETISED_MOVES` may differ from the ones that it was designed for.
    """
    field, gain = _field_and_gain(settings, memory.plan[POLE])
    log_field, log_tone, log_excess = _logarithms(settings, field, gain)
    glide_target(_LOG_FIELD, log_field, memory.glide)
    glide_target(_LOG_TONE, log_tone, memory.glide)
    glide_target(_LOG_EXCESS, log_excess, memory.glide)


@kernel()
def magnetised_seek(memory: MagnetisedMemory, place: np.int64) -> None:
    """Go to rest on demagnetised tape; the place on the tape does not matter to the sound."""
    glide_seek(place, memory.glide)
    oversampler_clear(memory.over)
    clear_precise_rows(memory.offset)
    clear_precise_rows(memory.tape.state)
    clear_rows(memory.tape.past)


@kernel()
def magnetised_process(memory: MagnetisedMemory, block: Reals2, out: Reals2) -> None:
    """Process a block of any length; `out` may be `block` itself.

    Parameters
    ----------
    memory : MagnetisedMemory
        Designed; changed in place.
    block, out : ndarray, shape (channels, samples)
        Input and output.
    """
    over = memory.over
    plan = memory.plan
    factor = over.plan[0]
    sparing = plan[SPARES] == 1.0
    late = (soft_latency(factor) if sparing else oversampler_latency(factor)) + 1
    law = Law(1.0, plan[REVERSIBLE], 1.0, plan[RELEASE], plan[SWING])
    bend: Precise = _BEND
    field: float = plan[FIELD]
    gain: float = plan[GAIN]
    counts = memory.glide.counts
    done = 0
    while done < block.shape[1]:
        count = min(CHUNK, block.shape[1] - done)
        moving = glide_moves(memory.glide)
        if moving:
            at = int(counts[AT])
            count = min(count, int(counts[CELL]) - at)
            glide_exponentials(_LOG_FIELD, at, 0, memory.glide, memory.rows[_FIELDS, :count])
            # What comes out went in that much earlier.
            glide_levels(bend, at, late, memory.glide, memory.rows[_GAINS, :count])
        fields = memory.rows[_FIELDS, :count]
        gains = memory.rows[_GAINS, :count]
        scaled = memory.rows[_SCALED, :count]
        for channel in range(block.shape[0]):
            given = block[channel, done : done + count]
            if moving:
                for k in range(count):
                    scaled[k] = fields[k] * given[k]
            else:
                for k in range(count):
                    scaled[k] = field * given[k]
            rise(scaled, channel, over)
        magnetise(over.high, HISTORY_HIGH, count * per_base(factor), factor, law, memory.tape)
        for channel in range(block.shape[0]):
            made = out[channel, done : done + count]
            if sparing:
                fall_softly(channel, over, made)
            else:
                fall(channel, over, made)
            if moving:
                for k in range(count):
                    made[k] = gains[k] * made[k]
            else:
                for k in range(count):
                    made[k] = gain * made[k]
            block_offset(made, plan[POLE], memory.offset[channel])
        glide_pass(count, memory.glide)
        done += count
