"""The record equaliser as a filter of linear phase: single taps near its middle, groups of equal ones beyond.

What is far from the middle shapes the bass alone, so that many taps beside each other may be equal. A group of
them costs one multiplication, for the sum of its samples is made once and kept. Where the time constant lasts many
samples, so does treble that falls, and single taps reach further.
"""

from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Integers2, Precise, Precises1, Precises2, Reals1, Reals2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import cosine_of_turns, exponential
from tapeemu.dsp.kernels.kept_rows import clear_rows, move_to_front
from tapeemu.dsp.kernels.long_filter import FRAME, SLACK, STEP, add_symmetric, pair_response
from tapeemu.dsp.kernels.memory_shapes import shape_row
from tapeemu.dsp.kernels.small_systems import factorise, solve_factorised
from tapeemu.dsp.kernels.wavelength_losses import Medium, flattened_frequency, pre_emphasis

__all__ = [
    "RECORD_HALF",
    "RecordEqualiser",
    "record_equaliser_clear",
    "record_equaliser_design",
    "record_equaliser_keep",
    "record_equaliser_run",
    "record_equaliser_shapes",
    "recorded_response",
]

_DIRECT = 24
_GROUPS = 8
_NARROW, _WIDE = 8, 32
_NARROW_AT = _DIRECT + 1
_WIDE_AT = _NARROW_AT + _NARROW * _GROUPS
_RECORD_TAPS = _DIRECT + 1 + 2 * _GROUPS
_FINE_TAPS = _WIDE_AT + _GROUPS
_FINE_FROM_SAMPLES = 6.0
RECORD_HALF = _WIDE_AT + _WIDE * _GROUPS - 1
"""Samples on each side of the middle, which are its delay."""

_LOW_POINTS = 128
_LOW_RANGE = 3.9  # nepers below 0.005 of the rate: to 5 Hz at 48 kHz


class RecordEqualiser(NamedTuple):
    """Taps and memory.

    Attributes
    ----------
    taps : ndarray, shape (41,) or (97,)
        One half of it: 25 taps, 8 for sums of eight samples each, 8 for sums of 32; or 89 taps, and the last 8.
    fresh, narrow, wide : ndarray, shape (channels, kept + slack)
        What it reads, and sums of eight and of 32 samples of it that end there.
    fit : ndarray, shape (taps + 2, taps)
        Scratch of the design.
    """

    taps: Reals1
    fresh: Reals2
    narrow: Reals2
    wide: Reals2
    fit: Precises2


@kernel()
def record_equaliser_shapes(
    treble_us: Precise, sample_rate: Precise, channels: int, shapes: Integers2, row: int
) -> int:
    """Write the shapes of the arrays of :class:`RecordEqualiser` from a row on; gives the row of the next one.

    The shorter time constant of the equalisation tells how far single taps reach.
    """
    kept = 2 * RECORD_HALF + STEP + SLACK
    taps = _FINE_TAPS if 1e-6 * treble_us * sample_rate > _FINE_FROM_SAMPLES else _RECORD_TAPS
    row = shape_row(taps, 1, shapes, row)
    for _ in range(3):
        row = shape_row(channels, kept, shapes, row)
    return shape_row(taps + 2, taps, shapes, row)


@kernel()
def _single_taps(taps: int) -> int:
    """Of so many taps those on one side of the middle that stand alone; the others are groups."""
    return _WIDE_AT - 1 if taps == _FINE_TAPS else _DIRECT


@kernel()
def _group_response(first: int, width: int, turns: Precise) -> Precise:
    """Response of as many pairs of equal taps, the first at a distance from the middle."""
    middle = first + 0.5 * (width - 1)
    total: Precise = 0.0
    for k in range(width // 2):
        total += cosine_of_turns((k + 0.5) * turns)
    return 4.0 * cosine_of_turns(middle * turns) * total


@kernel()
def _record_basis(turns: Precise, basis: Precises1) -> None:
    """Responses of the taps of the record equaliser, at a frequency in turns per sample."""
    direct = _single_taps(basis.size)
    basis[0] = 1.0
    for n in range(1, direct + 1):
        basis[n] = 2.0 * cosine_of_turns(n * turns)
    if direct == _DIRECT:
        for k in range(_GROUPS):
            basis[_DIRECT + 1 + k] = _group_response(_NARROW_AT + _NARROW * k, _NARROW, turns)
    for k in range(_GROUPS):
        basis[basis.size - _GROUPS + k] = _group_response(_WIDE_AT + _WIDE * k, _WIDE, turns)


@kernel()
def recorded_response(taps: Reals1, turns: Precise) -> Precise:
    """Response of the record equaliser at a frequency in turns per sample."""
    direct = _single_taps(taps.size)
    total = np.double(taps[0]) + pair_response(taps[1 : direct + 1], 1, turns)
    for k in range(_GROUPS):
        if direct == _DIRECT:
            narrow = _group_response(_NARROW_AT + _NARROW * k, _NARROW, turns)
            total += np.double(taps[_DIRECT + 1 + k]) * narrow
        wide = _group_response(_WIDE_AT + _WIDE * k, _WIDE, turns)
        total += np.double(taps[taps.size - _GROUPS + k]) * wide
    return total


@kernel()
def record_equaliser_design(
    medium: Medium, lost_um: Precise, sample_rate: Precise, points: int, memory: RecordEqualiser
) -> None:
    """Fit the taps by least squares of the relative error.

    Points lie in the middles of equal parts of the band, and closer in the bass: there the law has a corner.

    Parameters
    ----------
    medium : Medium
        The tape, its speed, its heads and its equalisation.
    lost_um : float
        Loss of recording as a distance.
    sample_rate : float
        Samples per second.
    points : int
        Parts of the band up to half the sample rate.
    memory : RecordEqualiser
        Gets the taps.
    """
    fit = memory.fit
    taps = memory.taps.size
    matrix = fit[:taps]
    right = fit[taps]
    basis = fit[taps + 1]
    for row in range(taps):
        right[row] = 0.0
        for column in range(taps):
            matrix[row, column] = 0.0
    for i in range(points + _LOW_POINTS):
        turns: Precise = 0.5 * (i + 0.5) / points
        if i >= points:
            turns = 0.005 * exponential(-_LOW_RANGE * (i - points) / _LOW_POINTS)
        gain = pre_emphasis(medium, lost_um, flattened_frequency(turns * sample_rate, sample_rate))
        _record_basis(turns, basis)
        for row in range(taps):
            part = basis[row] / (gain * gain)
            right[row] += part * gain
            for column in range(row, taps):
                matrix[row, column] += part * basis[column]
    for row in range(taps):
        for column in range(row):
            matrix[row, column] = matrix[column, row]
    factorise(matrix)
    solve_factorised(matrix, right)
    for k in range(taps):
        memory.taps[k] = right[k]


@kernel()
def record_equaliser_clear(memory: RecordEqualiser) -> None:
    """Forget all sound."""
    clear_rows(memory.fresh)
    clear_rows(memory.narrow)
    clear_rows(memory.wide)


@kernel()
def record_equaliser_keep(channel: int, memory: RecordEqualiser) -> None:
    """Move what is kept of a channel to the front, when SLACK samples have been written."""
    move_to_front(memory.fresh[channel], SLACK)
    move_to_front(memory.narrow[channel], SLACK)
    move_to_front(memory.wide[channel], SLACK)


@kernel(inline=True)
def _add_groups(sums: Reals1, centre: int, first: int, width: int, taps: Reals1, out: Reals1) -> None:
    """Add pairs of groups of equal taps, the first group at a distance of the middle; FRAME samples or fewer.

    ``sums[n]`` is that of the `width` samples that end with number n.
    """
    older_groups = sums[centre - first - width * (_GROUPS - 1) :]
    newer_groups = sums[centre + first + width - 1 :]
    samples = min(out.shape[0], FRAME)
    for i in range(samples):
        total = out[i]
        for k in range(_GROUPS):
            total += taps[k] * (older_groups[i + width * (_GROUPS - 1 - k)] + newer_groups[i + width * k])
        out[i] = total


@kernel()
def record_equaliser_run(channel: int, at: int, memory: RecordEqualiser, out: Reals1) -> None:
    """Filter samples of a channel that stand in its line already.

    Parameters
    ----------
    channel : int
        Which channel.
    at : int
        Samples written since what is kept was moved; the new ones stand from ``len(line) - SLACK + at`` on.
    memory : RecordEqualiser
        Designed; the sums are changed in place.
    out : ndarray, shape (samples,)
        Gets as many samples as are new, FRAME or fewer, late by RECORD_HALF.
    """
    line = memory.fresh[channel]
    write = line.shape[0] - SLACK + at
    count = min(out.shape[0], FRAME)
    narrow = memory.narrow[channel]
    wide = memory.wide[channel]
    older = line[write - _NARROW + 1 :]
    sums = narrow[write:]
    for i in range(count):
        total = older[i]
        for k in range(1, _NARROW):
            total += older[i + k]
        sums[i] = total
    fours = narrow[write - 3 * _NARROW :]
    sums = wide[write:]
    for i in range(count):
        left = fours[i] + fours[i + _NARROW]
        right = fours[i + 2 * _NARROW] + fours[i + 3 * _NARROW]
        sums[i] = left + right
    centre = write - RECORD_HALF
    late = line[centre:]
    for i in range(count):
        out[i] = memory.taps[0] * late[i]
    direct = _single_taps(memory.taps.size)
    add_symmetric(line, centre, 1, memory.taps[1 : direct + 1], out)
    if direct == _DIRECT:
        _add_groups(narrow, centre, _NARROW_AT, _NARROW, memory.taps[_DIRECT + 1 :], out)
    _add_groups(wide, centre, _WIDE_AT, _WIDE, memory.taps[memory.taps.size - _GROUPS :], out)
