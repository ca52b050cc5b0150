"""What erasing leaves of the pass before: see :class:`tapeemu.processors.erase_residue.EraseResidue`.

What comes out is on the tape when it comes round again. So the line holds what is given out, and what stood on the
tape two passes before is in it, twice as many decibels down.
"""

import math
from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Integers1, Integers2, Precise, Precises1, Reals1, Reals2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import (
    exponential,
    exponential_less_one,
    logarithm,
    power_of_ten,
    sine_of_turns,
)
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
    glide_values,
)
from tapeemu.dsp.kernels.kept_rows import clear_rows
from tapeemu.dsp.kernels.memory_shapes import shape_row

__all__ = [
    "ERASE_RESIDUE_MOVES",
    "EraseResidueMemory",
    "EraseResidueSettings",
    "erase_residue_change",
    "erase_residue_design",
    "erase_residue_latency",
    "erase_residue_process",
    "erase_residue_seek",
    "erase_residue_shapes",
    "erase_residue_tail",
    "residue_gain",
]

ERASE_RESIDUE_MOVES = ("residue_db", "bass_rise_db")
"""Settings that it follows while it plays."""

_TURN = 6.283185307179586
_TOLD_HZ = 1000.0
_FLUSH = 1e-30
_CHUNK = 256

_ALL, _LOWS = 0, 1
_NUMBERS = 2
"""Numbers that glide: what is left of all frequencies, and what of the lows besides."""


class EraseResidueSettings(NamedTuple):
    """Settings of the erase residue, as numbers.

    Attributes
    ----------
    residue_db, bass_rise_db, bass_corner_hz, earlier_seconds
        As in the processor.
    """

    residue_db: Precise
    bass_rise_db: Precise
    bass_corner_hz: Precise
    earlier_seconds: Precise


class EraseResidueMemory(NamedTuple):
    """Plan and state.

    Attributes
    ----------
    plan : ndarray, shape (1,)
        Share of its way that the low-pass of the lows goes in a sample.
    counts : ndarray, shape (1,)
        Column of the line that is next: it holds the pass before, and gets this one.
    line : ndarray, shape (channels, samples)
        One pass.
    lows : ndarray, shape (channels,)
        Low-pass of what is read.
    rows : ndarray, shape (2, 256)
        Scratch: the numbers that glide, sample by sample.
    glide : Glide
        The numbers themselves.
    """

    plan: Precises1
    counts: Integers1
    line: Reals2
    lows: Precises1
    rows: Reals2
    glide: Glide


@kernel()
def _law_squared(settings: EraseResidueSettings, frequency_hz: Precise) -> Precise:
    """Square of a shelf of first order, by which frequency, but for a constant factor.

    ``(f^2 + z^2) / (f^2 + p^2)`` with the pole p at the corner, and the zero z where 0 Hz is higher than 1 kHz by
    the rise: ``z^2 / p^2 = R (1 kHz^2 + z^2) / (1 kHz^2 + p^2)``.
    """
    square: Precise = frequency_hz * frequency_hz
    told: Precise = _TOLD_HZ * _TOLD_HZ
    pole = settings.bass_corner_hz * settings.bass_corner_hz
    rise = power_of_ten(0.1 * settings.bass_rise_db)
    zero = pole * rise * told / (told + pole - rise * pole)
    return (square + zero) / (square + pole)


@kernel()
def residue_gain(settings: EraseResidueSettings, frequency_hz: Precise) -> Precise:
    """Gain of one erasure at a frequency: the analogue law that the filter follows."""
    left = _law_squared(settings, frequency_hz) / _law_squared(settings, _TOLD_HZ)
    return power_of_ten(0.05 * settings.residue_db) * math.sqrt(left)


@kernel()
def _way(settings: EraseResidueSettings, sample_rate: Precise) -> Precise:
    """Coefficient of the low-pass: one less its pole."""
    return -exponential_less_one(-_TURN * settings.bass_corner_hz / sample_rate)


@kernel()
def _numbers(settings: EraseResidueSettings, sample_rate: Precise) -> tuple[Precise, Precise]:
    """What is left of all frequencies, and of the lows besides.

    The pole is that of the law, and the zero is where the filter meets the law at 0 Hz and at 1 kHz. Above, it is
    then nearer to the law than by the bilinear transform, which bends the upper end.

    With ``w`` for the way and ``H`` for what is left of 0 Hz, the filter is ``(H w + x (1 - 1 / z)) / (1 - (1 - w)
    / z)``, where `x` is ``1 - w`` times what is left of all. Its square at 1 kHz gives a square equation for it.
    """
    way = _way(settings, sample_rate)
    pole = 1.0 - way
    lowest = residue_gain(settings, 0.0)
    told = residue_gain(settings, _TOLD_HZ)
    chord = 2.0 * sine_of_turns(0.5 * _TOLD_HZ / sample_rate)
    half = 0.5 * lowest * way
    rest = way * way * (told * told - lowest * lowest) / (chord * chord) + told * told * pole
    everywhere = (math.sqrt(half * half + rest) - half) / pole
    return everywhere, lowest - everywhere


@kernel()
def _pass_samples(settings: EraseResidueSettings, sample_rate: Precise) -> int:
    """Samples by which what stood on the tape is earlier."""
    return int(settings.earlier_seconds * sample_rate + 0.5)


@kernel()
def erase_residue_latency(settings: EraseResidueSettings, sample_rate: Precise, channels: int) -> int:
    """Samples by which the output is late: none."""
    return 0


@kernel()
def _fading(times: int, left: Precise) -> Precise:
    """Time constants in which that many low-passes in a row fall from one to what is left, by halves.

    Their answer to the end of a constant is ``exp(-u) (1 + u + u^2 / 2 + ...)`` with as many terms as low-passes.
    """
    low: Precise = 0.0
    high: Precise = 4.0 * times - 4.0 * logarithm(left)
    for _ in range(40):
        middle = 0.5 * (low + high)
        term = exponential(-middle)
        total = term
        for k in range(1, times):
            term = term * middle / k
            total += term
        if total > left:
            low = middle
        else:
            high = middle
    return high


@kernel()
def erase_residue_tail(
    settings: EraseResidueSettings, sample_rate: Precise, channels: int, level_db: Precise
) -> int:
    """Samples that sound on: all passes in which lows are above the level, and until they have faded below it."""
    lowest_db = settings.residue_db + settings.bass_rise_db
    tail = 0
    passes = 1
    while passes * lowest_db > level_db:
        fading: Precise = 0.0
        if settings.bass_rise_db > 0.0:
            left = power_of_ten(0.05 * (level_db - passes * lowest_db))
            fading = _fading(passes, left) * sample_rate / (_TURN * settings.bass_corner_hz)
        tail = max(tail, passes * _pass_samples(settings, sample_rate) + math.ceil(fading))
        passes += 1
    return tail


@kernel()
def erase_residue_shapes(
    settings: EraseResidueSettings, sample_rate: Precise, channels: int, shapes: Integers2
) -> None:
    """Write the shapes of the arrays of :class:`EraseResidueMemory`, a row for each."""
    row = shape_row(1, 1, shapes, 0)
    row = shape_row(1, 1, shapes, row)
    row = shape_row(channels, _pass_samples(settings, sample_rate), shapes, row)
    row = shape_row(channels, 1, shapes, row)
    row = shape_row(_NUMBERS, _CHUNK, shapes, row)
    glide_shapes(_NUMBERS, row, shapes)


@kernel()
def erase_residue_design(
    settings: EraseResidueSettings,
    sample_rate: Precise,
    channels: int,
    start_sample: np.int64,
    track: np.int64,
    memory: EraseResidueMemory,
) -> None:
    """Fill the plan; every track is erased alike, everywhere on the tape."""
    memory.plan[0] = _way(settings, sample_rate)
    everywhere, lows = _numbers(settings, sample_rate)
    glide_rest(_ALL, everywhere, memory.glide)
    glide_rest(_LOWS, lows, memory.glide)
    glide_design(sample_rate, start_sample, memory.glide)
    erase_residue_seek(memory, start_sample)


@kernel()
def erase_residue_change(
    settings: EraseResidueSettings, sample_rate: Precise, channels: int, memory: EraseResidueMemory
) -> None:
    """Go to other settings from the beginning of the next cell on; see :mod:`tapeemu.dsp.kernels.glides`.

    Of the settings those of `ERASE_RESIDUE_MOVES` may differ from the ones that it was designed for. The pole
    stays where it is, so whatever the gains do, nothing rings by it.
    """
    everywhere, lows = _numbers(settings, sample_rate)
    glide_target(_ALL, everywhere, memory.glide)
    glide_target(_LOWS, lows, memory.glide)


@kernel()
def erase_residue_seek(memory: EraseResidueMemory, place: np.int64) -> None:
    """Go to another place on the tape, which is blank; nothing that sounded before is left."""
    clear_rows(memory.line)
    for channel in range(memory.lows.shape[0]):
        memory.lows[channel] = 0.0
    memory.counts[0] = 0
    glide_seek(place, memory.glide)


@kernel()
def _record_over(way: Precise, rows: Reals2, count: int, line: Reals1, audio: Reals1, lows: Precise) -> Precise:
    """Add to samples what was left of a stretch of the line, and write them to it; returns the low-pass.

    A rest below 1e-30 is none, so that silence ends in exact zeros and never in denormal numbers.

    Parameters
    ----------
    way : float
        Share of its way that the low-pass goes in a sample.
    rows : ndarray, shape (2, count or more)
        What is left of all frequencies and of the lows, sample by sample.
    count : int
    line, audio : ndarray, shape (count or more,)
        The pass before, and this one; both become what is on the tape now.
    lows : float
        The low-pass where it stands.
    """
    for i in range(np.uintp(count)):
        before: Precise = line[i]
        lows = lows + way * (before - lows)
        lows = lows if abs(lows) > _FLUSH else 0.0
        rest = rows[_ALL, i] * before + rows[_LOWS, i] * lows
        rest = rest if abs(rest) > _FLUSH else 0.0
        audio[i] = audio[i] + rest
        line[i] = audio[i]
    return lows


@kernel()
def erase_residue_process(memory: EraseResidueMemory, block: Reals2, out: Reals2) -> None:
    """Add to a block what erasing has left of the pass before.

    Parameters
    ----------
    memory : EraseResidueMemory
        Changed in place.
    block : ndarray, shape (channels, samples)
        Of any length.
    out : ndarray, shape (channels, samples)
        Gets the result; may be `block` itself.
    """
    line = memory.line
    rows = memory.rows
    counts = memory.glide.counts
    channels, samples = block.shape
    done = 0
    while done < samples:
        column = int(memory.counts[0])
        count = min(min(samples - done, _CHUNK), line.shape[1] - column)
        if glide_moves(memory.glide):
            at = int(counts[AT])
            count = min(count, int(counts[CELL]) - at)
            for number in range(_NUMBERS):
                glide_values(number, at, 0, memory.glide, rows[number, :count])
        else:
            for number in range(_NUMBERS):
                for i in range(count):
                    rows[number, i] = memory.glide.values[number, 0]
        for channel in range(channels):
            for i in range(count):
                out[channel, done + i] = block[channel, done + i]
            heard = out[channel, done:]
            memory.lows[channel] = _record_over(
                memory.plan[0], rows, count, line[channel, column:], heard, memory.lows[channel]
            )
        column += count
        memory.counts[0] = 0 if column == line.shape[1] else column
        glide_pass(count, memory.glide)
        done += count
