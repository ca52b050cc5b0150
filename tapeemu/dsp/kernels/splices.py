"""Splices of the tape, from settings to sound: see :class:`tapeemu.processors.splices.Splices`.

A splice is a straight cut across the track: while it passes the head, the share of the new piece under the head's
width rises evenly. Between splices every sample is one of the input, so nothing is lost.
"""

import math
from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Integers1, Integers2, Precise, Precises1, Precises2, Reals1, Reals2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import cosine_of_turns, sine_of_turns
from tapeemu.dsp.kernels.kept_rows import clear_rows
from tapeemu.dsp.kernels.memory_shapes import shape_row

__all__ = [
    "SplicesMemory",
    "SplicesSettings",
    "splices_design",
    "splices_latency",
    "splices_process",
    "splices_seek",
    "splices_shapes",
    "splices_tail",
]

# Columns of the settings' table.
_SECONDS, _SHIFT, _BLANK = 0, 1, 2

# Columns of a splice in whole samples: place, shift to later of what follows, and 1 if that is blank.
_WHOLE, _LATER, _EMPTY = 0, 1, 2

# Places in the numbers of the plan: samples in which a splice passes a track, and by which the next is cut later.
_PASSING, _BETWEEN, _NUMBERS = 0, 1, 2

# Places in the counts: what does not change, then what moves.
_LATENCY, _RING, _SPLICES, _FIRST_TRACK = 0, 1, 2, 3
_START, _MADE, _COUNTS = 4, 5, 6

_PIECE = 256
"""Samples laid and read at a time."""


class SplicesSettings(NamedTuple):
    """Settings of splices, as numbers.

    Attributes
    ----------
    splices : ndarray, shape (splices, 3)
        In order: place on the tape in seconds, seconds of the recording by which what follows is later, and 1 if
        it is blank tape.
    tape_speed_cm_s, track_width_mm, track_spacing_mm : float
        Speed of the tape, width of a track, and distance from one track to the next, middle to middle.
    angle_degrees : float
        Between cut and edge of the tape.
    """

    splices: Precises2
    tape_speed_cm_s: Precise
    track_width_mm: Precise
    track_spacing_mm: Precise
    angle_degrees: Precise


class SplicesMemory(NamedTuple):
    """Plan and state.

    Attributes
    ----------
    plan : ndarray, shape (2,)
        See the places above.
    counts : ndarray, shape (6,)
        See the places above.
    cuts : ndarray, shape (splices, 3)
        See the columns above.
    rests : ndarray, shape (splices,)
        Of the places, behind the whole ones.
    current : ndarray, shape (channels,)
        Last splice whose middle is not ahead of the next output, for each channel; -1 for none.
    line : ndarray, shape (channels, columns)
        A ring of tape.
    """

    plan: Precises1
    counts: Integers1
    cuts: Integers2
    rests: Precises1
    current: Integers1
    line: Reals2


@kernel()
def _shift_of(settings: SplicesSettings, sample_rate: Precise, splice: int) -> np.int64:
    """Whole samples by which a piece is later in the recording; none for blank tape."""
    if settings.splices[splice, _BLANK] == 1.0:
        return np.int64(0)
    return np.int64(np.floor(settings.splices[splice, _SHIFT] * sample_rate + 0.5))


@kernel()
def _furthest(settings: SplicesSettings, sample_rate: Precise, sign: int) -> int:
    """Samples that a piece is later in the recording, or earlier."""
    most = np.int64(0)
    for splice in range(settings.splices.shape[0]):
        most = max(most, sign * _shift_of(settings, sample_rate, splice))
    return int(most)


@kernel()
def splices_latency(settings: SplicesSettings, sample_rate: Precise, channels: int) -> int:
    """Samples by which the output is late: what a piece is later in the recording."""
    return _furthest(settings, sample_rate, 1)


@kernel()
def splices_tail(settings: SplicesSettings, sample_rate: Precise, channels: int, level_db: Precise) -> int:
    """Samples that may sound on: what a piece is earlier in the recording."""
    return _furthest(settings, sample_rate, -1)


@kernel()
def _ring_of(settings: SplicesSettings, sample_rate: Precise) -> int:
    """Columns of the ring of tape."""
    return _furthest(settings, sample_rate, 1) + _furthest(settings, sample_rate, -1) + _PIECE + 1


@kernel()
def splices_shapes(settings: SplicesSettings, sample_rate: Precise, channels: int, shapes: Integers2) -> None:
    """Write the shapes of the arrays of :class:`SplicesMemory`, a row for each."""
    splices = max(1, settings.splices.shape[0])
    row = shape_row(_NUMBERS, 1, shapes, 0)
    row = shape_row(_COUNTS, 1, shapes, row)
    row = shape_row(splices, 3, shapes, row)
    row = shape_row(splices, 1, shapes, row)
    row = shape_row(channels, 1, shapes, row)
    shape_row(channels, _ring_of(settings, sample_rate), shapes, row)


@kernel()
def splices_design(
    settings: SplicesSettings,
    sample_rate: Precise,
    channels: int,
    start_sample: np.int64,
    track: np.int64,
    memory: SplicesMemory,
) -> None:
    """Fill the plan, for memory that is all zeros, and go to a place on the tape.

    The stem of track `k` lies ``k * channels`` tracks beside the first.
    """
    counts = memory.counts
    turns = settings.angle_degrees / 360.0
    # Millimetres along the tape for one across, in samples.
    along = cosine_of_turns(turns) / sine_of_turns(turns) * 0.1 * sample_rate / settings.tape_speed_cm_s
    memory.plan[_PASSING] = settings.track_width_mm * along
    memory.plan[_BETWEEN] = settings.track_spacing_mm * along
    counts[_LATENCY] = splices_latency(settings, sample_rate, channels)
    counts[_RING] = _ring_of(settings, sample_rate)
    counts[_SPLICES] = settings.splices.shape[0]
    counts[_FIRST_TRACK] = track * channels
    for splice in range(settings.splices.shape[0]):
        place = settings.splices[splice, _SECONDS] * sample_rate
        memory.cuts[splice, _WHOLE] = np.int64(np.floor(place))
        memory.rests[splice] = place - np.floor(place)
        memory.cuts[splice, _LATER] = _shift_of(settings, sample_rate, splice)
        memory.cuts[splice, _EMPTY] = 1 if settings.splices[splice, _BLANK] == 1.0 else 0
    splices_seek(memory, start_sample)


@kernel()
def splices_seek(memory: SplicesMemory, place: np.int64) -> None:
    """Go to a place on the tape, as if made there."""
    memory.counts[_START] = place
    memory.counts[_MADE] = 0
    clear_rows(memory.line)
    for channel in range(memory.current.shape[0]):
        memory.current[channel] = -1


@kernel()
def splices_process(memory: SplicesMemory, block: Reals2, out: Reals2) -> None:
    """Read a block of any length from a tape with splices.

    Parameters
    ----------
    memory : SplicesMemory
        Plan and state.
    block : ndarray, shape (channels, samples)
        What goes onto the tape.
    out : ndarray, shape (channels, samples)
        Gets what is read; may be `block` itself.
    """
    counts = memory.counts
    ring = counts[_RING]
    taken = 0
    while taken < block.shape[1]:
        count = min(block.shape[1] - taken, _PIECE)
        for channel in range(block.shape[0]):
            line = memory.line[channel]
            place = int(counts[_MADE] % ring)
            for i in range(count):
                line[place] = block[channel, taken + i]
                place += 1
                if place == line.size:
                    place = 0
        for channel in range(block.shape[0]):
            done = 0
            while done < count:
                done += _next_outputs(memory, channel, done, count - done, taken + done, out)
        counts[_MADE] += count
        taken += count


@kernel()
def _since(memory: SplicesMemory, channel: int, splice: int, place: np.int64) -> Precise:
    """Samples since the middle of a splice passed the head of a channel."""
    channels = memory.line.shape[0]
    apart = np.float64(memory.counts[_FIRST_TRACK] + channel) - 0.5 * (channels - 1)
    since: Precise = np.float64(place - memory.cuts[splice, _WHOLE])
    since -= memory.rests[splice] + apart * memory.plan[_BETWEEN]
    return since


@kernel()
def _next_outputs(memory: SplicesMemory, channel: int, done: int, most: int, at: int, out: Reals2) -> int:
    """Read the next outputs of a channel into columns from `at` on, until a splice begins or ends.

    Returns
    -------
    int
        How many were made, `most` or fewer.
    """
    counts = memory.counts
    reached = counts[_MADE] + done - counts[_LATENCY]
    place = counts[_START] + reached
    half = 0.5 * memory.plan[_PASSING]
    splice = int(memory.current[channel])
    # The last one that has begun to pass.
    while splice + 1 < counts[_SPLICES] and _since(memory, channel, splice + 1, place) > -half:
        splice += 1
    memory.current[channel] = splice
    count = most
    if splice + 1 < counts[_SPLICES]:
        # Samples that do not see the next one yet.
        ahead = -half - _since(memory, channel, splice + 1, place)
        if ahead < count:
            count = max(1, math.floor(ahead) + 1)
    line = memory.line[channel]
    if splice < 0:
        _copy(line, reached, count, at, out[channel])
        return min(count, most)
    since = _since(memory, channel, splice, place)
    if since < half:
        count = min(count, max(1, math.ceil(half - since)))
        _cross(memory, splice, line, reached, since, count, at, out[channel])
    elif memory.cuts[splice, _EMPTY] == 1:
        for i in range(count):
            out[channel, at + i] = 0.0
    else:
        _copy(line, reached + memory.cuts[splice, _LATER], count, at, out[channel])
    return count


@kernel()
def _copy(line: Reals1, first: np.int64, count: int, at: int, out: Reals1) -> None:
    """Read numbers as they are from the ring, from one on."""
    size = np.int64(line.size)
    place = int(first % size)
    for i in range(count):
        out[at + i] = line[place]
        place += 1
        if place == line.size:
            place = 0


@kernel()
def _cross(
    memory: SplicesMemory,
    splice: int,
    line: Reals1,
    reached: np.int64,
    since: Precise,
    count: int,
    at: int,
    out: Reals1,
) -> None:
    """Both pieces are under the head: each by its share of the track's width."""
    size = np.int64(line.size)
    before_sounds = 1.0
    before_later = np.int64(0)
    if splice > 0:
        before_later = memory.cuts[splice - 1, _LATER]
        before_sounds = 0.0 if memory.cuts[splice - 1, _EMPTY] == 1 else 1.0
    sounds = 0.0 if memory.cuts[splice, _EMPTY] == 1 else 1.0
    old = int((reached + before_later) % size)
    new = int((reached + memory.cuts[splice, _LATER]) % size)
    for i in range(count):
        share = (since + np.float64(i)) / memory.plan[_PASSING] + 0.5
        out[at + i] = (1.0 - share) * before_sounds * line[old] + share * sounds * line[new]
        old += 1
        new += 1
        if old == line.size:
            old = 0
        if new == line.size:
            new = 0
