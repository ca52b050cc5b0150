"""A motor that is heard: see :class:`tapeemu.processors.motor_whine.MotorWhine`."""

from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Integers1, Integers2, Precise, Precises1, Reals2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import power_of_ten, sine_of_turns
from tapeemu.dsp.kernels.glides import (
    AT,
    CELL,
    Glide,
    glide_design,
    glide_moves,
    glide_pass,
    glide_rest,
    glide_seek,
    glide_shapes,
    glide_target,
    glide_value,
)
from tapeemu.dsp.kernels.memory_shapes import shape_row

__all__ = [
    "MOTOR_WHINE_MOVES",
    "MotorWhineMemory",
    "MotorWhineSettings",
    "motor_whine_adds_sound",
    "motor_whine_change",
    "motor_whine_design",
    "motor_whine_latency",
    "motor_whine_process",
    "motor_whine_seek",
    "motor_whine_shapes",
    "motor_whine_tail",
]

MOTOR_WHINE_MOVES = ("whine_dbfs",)
"""Settings that it follows while it plays."""


class MotorWhineSettings(NamedTuple):
    """Settings of the whine, as numbers.

    Attributes
    ----------
    whine_dbfs, whine_hz
        As in the processor.
    """

    whine_dbfs: Precise
    whine_hz: Precise


class MotorWhineMemory(NamedTuple):
    """Plan and state.

    Attributes
    ----------
    plan : ndarray, shape (1,)
        Turns of the whine per sample.
    counts : ndarray, shape (1,)
        Place on the tape.
    glide : Glide
        Peak of the whine.
    """

    plan: Precises1
    counts: Integers1
    glide: Glide


@kernel()
def _peak(settings: MotorWhineSettings) -> Precise:
    """Peak of the whine."""
    return power_of_ten(0.05 * settings.whine_dbfs)


@kernel()
def motor_whine_adds_sound(settings: MotorWhineSettings) -> int:
    """Whether it sounds by itself: 1, always."""
    return 1


@kernel()
def motor_whine_latency(settings: MotorWhineSettings, sample_rate: Precise, channels: int) -> int:
    """Samples by which the output is late: none."""
    return 0


@kernel()
def motor_whine_tail(settings: MotorWhineSettings, sample_rate: Precise, channels: int, level_db: Precise) -> int:
    """Samples that the answer to a sound goes on: none."""
    return 0


@kernel()
def motor_whine_shapes(
    settings: MotorWhineSettings, sample_rate: Precise, channels: int, shapes: Integers2
) -> None:
    """Write the shapes of the arrays of :class:`MotorWhineMemory`, a row for each."""
    row = shape_row(1, 1, shapes, 0)
    row = shape_row(1, 1, shapes, row)
    glide_shapes(1, row, shapes)


@kernel()
def motor_whine_design(
    settings: MotorWhineSettings,
    sample_rate: Precise,
    channels: int,
    start_sample: np.int64,
    track: np.int64,
    memory: MotorWhineMemory,
) -> None:
    """Fill the plan; all tracks hear one motor."""
    memory.plan[0] = settings.whine_hz / sample_rate
    glide_rest(0, _peak(settings), memory.glide)
    glide_design(sample_rate, start_sample, memory.glide)
    motor_whine_seek(memory, start_sample)


@kernel()
def motor_whine_change(
    settings: MotorWhineSettings, sample_rate: Precise, channels: int, memory: MotorWhineMemory
) -> None:
    """Go to another level from the beginning of the next cell on; see :mod:`tapeemu.dsp.kernels.glides`."""
    glide_target(0, _peak(settings), memory.glide)


@kernel()
def motor_whine_seek(memory: MotorWhineMemory, place: np.int64) -> None:
    """Go to a place on the tape, as if made there."""
    memory.counts[0] = place
    glide_seek(place, memory.glide)


@kernel()
def motor_whine_process(memory: MotorWhineMemory, block: Reals2, out: Reals2) -> None:
    """Add the whine to a block.

    Parameters
    ----------
    memory : MotorWhineMemory
        Changed in place.
    block : ndarray, shape (channels, samples)
        Of any length.
    out : ndarray, shape (channels, samples)
        Gets the result; may be `block` itself.
    """
    channels, samples = block.shape
    counts = memory.glide.counts
    done = 0
    while done < samples:
        count = samples - done
        moving = glide_moves(memory.glide)
        at = int(counts[AT])
        if moving:
            count = min(count, int(counts[CELL]) - at)
        for i in range(count):
            peak = glide_value(0, at + i, memory.glide) if moving else memory.glide.values[0, 0]
            value = peak * sine_of_turns(memory.plan[0] * np.double(memory.counts[0] + i))
            for channel in range(channels):
                out[channel, done + i] = block[channel, done + i] + value
        memory.counts[0] += count
        glide_pass(count, memory.glide)
        done += count
