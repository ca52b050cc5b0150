"""A head that stands askew, from its settings to sound: see :class:`tapeemu.processors.head_azimuth.HeadAzimuth`.

Channels are read at places of their own, then all are averaged over the time that the slanted gap takes to pass a
point of the tape: a table of filters whose response is ``sin(x) / x``, by the length of that time.
"""

import math
from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Integers1, Integers2, Precise, Precises1, Precises2, Reals1, Reals2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.dot_products import sum_of_eight
from tapeemu.dsp.kernels.elementary import cosine_of_turns, sine_of_turns
from tapeemu.dsp.kernels.glides import (
    AT,
    CELL,
    GLIDE_ARRAYS,
    Glide,
    glide_design,
    glide_late_value,
    glide_moves,
    glide_pass,
    glide_rest,
    glide_seek,
    glide_target,
    late_glide_shapes,
)
from tapeemu.dsp.kernels.hashing import stream_key
from tapeemu.dsp.kernels.interpolation import Places, locate
from tapeemu.dsp.kernels.kept_rows import clear_rows
from tapeemu.dsp.kernels.lanes import eight_lanes
from tapeemu.dsp.kernels.memory_shapes import shape_row
from tapeemu.dsp.kernels.noise_spectrum import BAND
from tapeemu.dsp.kernels.reader_table import CELLS, design_reader
from tapeemu.dsp.kernels.spacing_loss import filter_pair
from tapeemu.dsp.kernels.trajectories import (
    PIECE,
    SEGMENT,
    Trajectory,
    begin_trajectory,
    fill_piece,
    noise_bound,
    noise_highest,
    noise_octaves,
    set_noise,
    trajectory_shapes,
)

__all__ = [
    "HEAD_AZIMUTH_MOVES",
    "HeadAzimuthMemory",
    "HeadAzimuthSettings",
    "azimuth_tangents",
    "head_azimuth_change",
    "head_azimuth_design",
    "head_azimuth_latency",
    "head_azimuth_lead",
    "head_azimuth_process",
    "head_azimuth_seek",
    "head_azimuth_shapes",
    "head_azimuth_tail",
]

HEAD_AZIMUTH_MOVES = ("azimuth_urad", "wander_urad")
"""Settings that it follows while it plays."""

_HEAD_AZIMUTH = np.uint64(31)
"""Purpose of the key, as in :mod:`tapeemu.dsp.tape_position`."""

_TWO_SIGMA = 1.959963984540054
_TURN = 6.283185307179586
_TAPS = 48
_ROOM = 1024
"""Columns of a line that are filled before its past is moved to the front."""

_ROW_SECONDS = 2e-6
"""Time of passing from one row of the table to the next: the rows between err by 0.01 dB at 20 kHz."""

_POINTS = 512
_FLAT = 0.3
"""Share of a filter that its window leaves as it is; the rest falls as a raised cosine."""

# Places in HeadAzimuthMemory.plan: samples of delay of a channel against the one before it, and rows of the table,
# for a tangent of 1; the angle that stays; tracks from the middle of the head to the first channel; microradians
# of the wander that was drawn.
_DELAY, _ROWS, _ANGLE, _FIRST, _DRAWN = 0, 1, 2, 3, 4
_PLAN = 5

_STANDING, _WANDERING = 0, 1
_NUMBERS = 2
"""What glides: the angle without its wander in radians, and the factor on the wander that was drawn."""

_NO_ANGLE_URAD = 1e-9
"""An angle that no instrument could tell from none; it would leave denormal numbers."""

# Places in HeadAzimuthMemory.counts: what does not change, then what moves.
_REACH, _HALF, _MOVES, _PLACE, _MADE, _PIECE_MADE, _FILLED, _READ = 0, 1, 2, 3, 4, 5, 6, 7
_COUNTS = 8

_ONE = np.uintp(1)
_EIGHT = np.uintp(8)


class HeadAzimuthSettings(NamedTuple):
    """Settings of the azimuth, as numbers.

    Attributes
    ----------
    azimuth_urad, wander_urad, wander_low_hz, wander_high_hz, seed
        As in the processor.
    tape_speed_cm_s, track_spacing_mm, track_width_mm, tracks
        As in the processor.
    """

    azimuth_urad: Precise
    wander_urad: Precise
    wander_low_hz: Precise
    wander_high_hz: Precise
    tape_speed_cm_s: Precise
    track_spacing_mm: Precise
    track_width_mm: Precise
    seed: np.uint64
    tracks: int


class HeadAzimuthMemory(NamedTuple):
    """Plan and state.

    Attributes
    ----------
    plan : ndarray, shape (5,)
        Numbers that do not change.
    counts : ndarray, shape (8,)
        Reach of the reader, half length of the filters, whether the angle moves; place on the tape of the next
        sample that is read; whether the course is that of a piece, and which; columns of the lines that are
        filled, with sound and with what was read of it.
    reader : ndarray, shape (CELLS + 2, taps)
        Taps of the reader.
    losses : ndarray, shape (rows, 2 * half + 2)
        Filters of the slanted gap; the last column is zero.
    line, shifted : ndarray, shape (channels, columns)
        Sound, and what was read of it.
    course : ndarray, shape (2, SEGMENT)
        Zeros, and the delay of a channel against the one before it, in samples.
    rows : ndarray, shape (PIECE,)
        Places in the table of losses.
    places : Places
        Where a stretch is read.
    glide : Glide
        What moves.
    wander : Trajectory
        What the angle does.
    """

    plan: Precises1
    counts: Integers1
    reader: Reals2
    losses: Reals2
    line: Reals2
    shifted: Reals2
    course: Precises2
    rows: Reals1
    places: Places
    glide: Glide
    wander: Trajectory


@kernel()
def _wander_rms(settings: HeadAzimuthSettings) -> Precise:
    """Standard deviation of the angle in radians."""
    return settings.wander_urad * 1e-6 / _TWO_SIGMA


@kernel()
def _tangent(angle: Precise) -> Precise:
    """Tangent of an angle in radians below 0.05: series to the 7th power, relative error 2e-11."""
    z = angle * angle
    return angle * (1.0 + z * (1.0 / 3.0 + z * (2.0 / 15.0 + z * (17.0 / 315.0))))


@kernel()
def _steepest(settings: HeadAzimuthSettings, sample_rate: Precise) -> Precise:
    """Largest tangent of the angle."""
    rms = _wander_rms(settings)
    wander: Precise = 0.0
    if rms > 0.0:
        low, high = settings.wander_low_hz, settings.wander_high_hz
        wander = noise_bound(BAND, low, high, rms, 0.0, False, sample_rate)
    return _tangent(abs(settings.azimuth_urad) * 1e-6 + wander)


@kernel()
def _seconds_of(settings: HeadAzimuthSettings, length_mm: Precise) -> Precise:
    """Time in which the tape runs a length."""
    return 0.1 * length_mm / settings.tape_speed_cm_s


@kernel()
def _half_length(sample_rate: Precise) -> int:
    """Half length of the filters of losses: 23 samples up to 50 kHz, doubled with every octave."""
    length = 24
    while sample_rate > 50_000.0:
        sample_rate = 0.5 * sample_rate
        length = 2 * length
    return length - 1


@kernel()
def _reach_of(settings: HeadAzimuthSettings, sample_rate: Precise, channels: int) -> int:
    """Samples to either side that the reader may need."""
    farthest = (
        0.5 * (max(channels, settings.tracks) - 1) * _seconds_of(settings, settings.track_spacing_mm) * sample_rate
    )
    return math.ceil(farthest * _steepest(settings, sample_rate)) + _TAPS // 2


@kernel()
def head_azimuth_latency(settings: HeadAzimuthSettings, sample_rate: Precise, channels: int) -> int:
    """Samples by which the output is late."""
    return _reach_of(settings, sample_rate, channels) + _half_length(sample_rate)


@kernel()
def head_azimuth_lead(settings: HeadAzimuthSettings, sample_rate: Precise, channels: int) -> int:
    """Samples by which a channel may be ahead, with what its reading rings before: none of a straight head."""
    if settings.azimuth_urad == 0.0 and settings.wander_urad == 0.0:
        return 0
    return head_azimuth_latency(settings, sample_rate, channels)


@kernel()
def head_azimuth_tail(
    settings: HeadAzimuthSettings, sample_rate: Precise, channels: int, level_db: Precise
) -> int:
    """Samples that may sound on: what a channel may lag, and half a filter."""
    return head_azimuth_latency(settings, sample_rate, channels)


@kernel()
def head_azimuth_shapes(
    settings: HeadAzimuthSettings, sample_rate: Precise, channels: int, shapes: Integers2
) -> None:
    """Write the shapes of the arrays of :class:`HeadAzimuthMemory`, a row for each."""
    half = _half_length(sample_rate)
    longest = _seconds_of(settings, settings.track_width_mm) * _steepest(settings, sample_rate)
    low, high = settings.wander_low_hz, settings.wander_high_hz
    row = shape_row(_PLAN, 1, shapes, 0)
    row = shape_row(_COUNTS, 1, shapes, row)
    row = shape_row(CELLS + 2, _TAPS, shapes, row)
    row = shape_row(math.ceil(longest / _ROW_SECONDS) + 2, 2 * half + 2, shapes, row)
    row = shape_row(channels, 2 * _reach_of(settings, sample_rate, channels) + 16 + _ROOM, shapes, row)
    # One column more than is filled: the tap of zero that pads a row to whole vectors reads it.
    row = shape_row(channels, 2 * half + 2 + _ROOM, shapes, row)
    row = shape_row(2, SEGMENT, shapes, row)
    row = shape_row(PIECE, 1, shapes, row)
    for _ in range(3):
        row = shape_row(PIECE, 1, shapes, row)
    late = _reach_of(settings, sample_rate, channels) + PIECE
    late_glide_shapes(_NUMBERS, late, sample_rate, row, shapes)
    row = row + GLIDE_ARRAYS
    octaves = noise_octaves(BAND, low, high, sample_rate)
    trajectory_shapes(0, 1, octaves, noise_highest(BAND, low, high, sample_rate), sample_rate, 1, shapes, row)


@kernel()
def _design_losses(sample_rate: Precise, losses: Reals2) -> None:
    """Fill the table of filters: ``sin(x) / x`` with ``x = pi f w``, w the time of passing of a row.

    By its values at points in the middle of equal parts of the band, under a window, and exact at 0 Hz.
    """
    half = losses.shape[1] // 2 - 1
    for row in range(losses.shape[0]):
        width = row * _ROW_SECONDS * sample_rate
        for k in range(losses.shape[1]):
            losses[row, k] = 0.0
        if row == 0:
            losses[row, half] = 1.0
            continue
        for i in range(_POINTS):
            turns: Precise = (i + 0.5) * 0.5 / _POINTS
            law = sine_of_turns(0.5 * turns * width) / (0.5 * _TURN * turns * width)
            # Cosines of multiples of an angle, by their recursion.
            twice = 2.0 * cosine_of_turns(turns)
            cosine: Precise = 1.0
            before = 0.5 * twice
            for n in range(half + 1):
                losses[row, half + n] += law * cosine
                following = twice * cosine - before
                before = cosine
                cosine = following
        total: Precise = 0.0
        for n in range(half + 1):
            beyond: Precise = min(max((n / (half + 1.0) - _FLAT) / (1.0 - _FLAT), 0.0), 1.0)
            losses[row, half + n] = losses[row, half + n] * (0.5 + 0.5 * cosine_of_turns(0.5 * beyond))
            total += losses[row, half + n] if n == 0 else 2.0 * losses[row, half + n]
        for n in range(half + 1):
            losses[row, half + n] = losses[row, half + n] / total
            losses[row, half - n] = losses[row, half + n]


@kernel()
def head_azimuth_design(
    settings: HeadAzimuthSettings,
    sample_rate: Precise,
    channels: int,
    start_sample: np.int64,
    track: np.int64,
    memory: HeadAzimuthMemory,
) -> None:
    """Fill the plan, and go to a place on the tape.

    Of a head of several tracks a stem hears its own, and the channels behind its first the tracks behind that;
    what lies beyond the last track is read by the last ones.
    """
    plan = memory.plan
    counts = memory.counts
    design_reader(_TAPS, memory.course, memory.reader)
    _design_losses(sample_rate, memory.losses)
    plan[_DELAY] = _seconds_of(settings, settings.track_spacing_mm) * sample_rate
    plan[_ROWS] = _seconds_of(settings, settings.track_width_mm) / _ROW_SECONDS
    plan[_ANGLE] = settings.azimuth_urad * 1e-6
    heads = max(channels, settings.tracks)
    first = min(max(int(track), 0), heads - channels)
    plan[_FIRST] = first - 0.5 * (heads - 1)
    rms = _wander_rms(settings)
    # Of a head that stands, a wander is drawn as well, for one that begins later.
    plan[_DRAWN] = settings.wander_urad if rms > 0.0 else 1.0
    glide_rest(_STANDING, plan[_ANGLE], memory.glide)
    glide_rest(_WANDERING, 1.0 if rms > 0.0 else 0.0, memory.glide)
    glide_design(sample_rate, start_sample, memory.glide)
    begin_trajectory(sample_rate, memory.wander)
    set_noise(
        0,
        BAND,
        stream_key(settings.seed, _HEAD_AZIMUTH, np.uint64(0)),
        settings.wander_low_hz,
        settings.wander_high_hz,
        plan[_DRAWN] * 1e-6 / _TWO_SIGMA,
        0.0,
        False,
        memory.wander,
    )
    counts[_REACH] = _reach_of(settings, sample_rate, channels)
    counts[_HALF] = _half_length(sample_rate)
    counts[_MOVES] = 1 if rms > 0.0 else 0
    head_azimuth_seek(memory, start_sample)


@kernel()
def head_azimuth_change(
    settings: HeadAzimuthSettings, sample_rate: Precise, channels: int, memory: HeadAzimuthMemory
) -> None:
    """Go to other settings from the beginning of the next cell on; see :mod:`tapeemu.dsp.kernels.glides`.

    Of the settings those of `HEAD_AZIMUTH_MOVES` may differ from the ones that it was designed for.
    """
    angle = settings.azimuth_urad * 1e-6 if abs(settings.azimuth_urad) > _NO_ANGLE_URAD else 0.0
    glide_target(_STANDING, angle, memory.glide)
    glide_target(_WANDERING, settings.wander_urad / memory.plan[_DRAWN], memory.glide)


@kernel()
def head_azimuth_seek(memory: HeadAzimuthMemory, place: np.int64) -> None:
    """Go to a place on the tape, as if made there."""
    counts = memory.counts
    glide_seek(place, memory.glide)
    counts[_PLACE] = place - counts[_REACH]
    counts[_MADE] = 0
    counts[_FILLED] = 2 * counts[_REACH]
    counts[_READ] = 2 * counts[_HALF]
    clear_rows(memory.line)
    clear_rows(memory.shifted)


@kernel()
def azimuth_tangents(memory: HeadAzimuthMemory, piece: np.int64, out: Precises1) -> None:
    """Write the tangent of the angle in a piece of the tape.

    Parameters
    ----------
    memory : HeadAzimuthMemory
        Designed.
    piece : int64
        Number of the piece, any; negative ones too.
    out : ndarray, shape (PIECE,)
        Gets it.
    """
    angle = memory.plan[_ANGLE]
    if memory.counts[_MOVES] == 1:
        fill_piece(memory.wander, piece, 0, np.uint64(0), out)
        for i in range(np.uintp(PIECE)):
            out[i] = _tangent(angle + out[i])
    else:
        tangent = _tangent(angle)
        for i in range(np.uintp(PIECE)):
            out[i] = tangent


@kernel()
def _moving_tangents(memory: HeadAzimuthMemory, piece: np.int64, out: Precises1) -> None:
    """As :func:`azimuth_tangents`, for an angle that moves: to the cell's end, where it is made again."""
    counts = memory.glide.counts
    fill_piece(memory.wander, piece, 0, np.uint64(0), out)
    # From the cell's first sample to the piece's.
    first = int(counts[AT] - memory.counts[_REACH] + piece * PIECE - memory.counts[_PLACE])
    for i in range(PIECE):
        at = min(first + i, int(counts[CELL]) - 1)
        angle = glide_late_value(_STANDING, at, memory.glide)
        out[i] = _tangent(angle + glide_late_value(_WANDERING, at, memory.glide) * out[i])


@kernel()
def _fill_course(memory: HeadAzimuthMemory, piece: np.int64) -> None:
    """Make the delays and the losses of a piece."""
    delays = memory.course[1, :PIECE]
    if glide_moves(memory.glide):
        _moving_tangents(memory, piece, delays)
    else:
        azimuth_tangents(memory, piece, delays)
    last: Precise = memory.losses.shape[0] - 2
    per_tangent, delay = memory.plan[_ROWS], memory.plan[_DELAY]
    for i in range(np.uintp(PIECE)):
        memory.course[0, i] = 0.0
        memory.rows[i] = min(per_tangent * abs(delays[i]), last)
        delays[i] = delay * delays[i]
    memory.counts[_PIECE_MADE] = piece
    memory.counts[_MADE] = 1


@kernel(abreast=True)
def _read_one(line: Reals1, reader: Reals2, places: Places, column: int, count: int, at: int, out: Reals1) -> None:
    """Read a channel at its places; the first tap of a place 0 lies on a column, the first result on another."""
    left = places.left
    row = places.row
    between = places.between
    for i in range(np.uintp(count)):
        cell = np.uintp(row[i])
        share: float = between[i]
        # Rows by themselves: a compiler then sees that they are not the lanes, and keeps those in registers.
        below = reader[cell]
        above = reader[cell + _ONE]
        heard = line[np.uintp(column + left[i]) :]
        lanes = eight_lanes()
        for group in range(np.uintp(_TAPS // 8)):
            for j in range(_EIGHT):
                k = _EIGHT * group + j
                lanes[j] += (below[k] + share * (above[k] - below[k])) * heard[k]
        out[np.uintp(at) + i] = sum_of_eight(lanes)


@kernel()
def _keep(line: Reals2, filled: int, kept: int) -> None:
    """Move the last columns to the front of a line."""
    skipped = np.uintp(filled - kept)
    for channel in range(line.shape[0]):
        for i in range(np.uintp(kept)):
            line[channel, i] = line[channel, skipped + i]


@kernel()
def head_azimuth_process(memory: HeadAzimuthMemory, block: Reals2, out: Reals2) -> None:
    """Read a block of any length.

    Parameters
    ----------
    memory : HeadAzimuthMemory
        Changed in place.
    block : ndarray, shape (channels, samples)
        What lies on the tape.
    out : ndarray, shape (channels, samples)
        Gets what the head reads; may be `block` itself.
    """
    counts = memory.counts
    line, shifted = memory.line, memory.shifted
    channels, samples = block.shape
    reach, half = int(counts[_REACH]), int(counts[_HALF])
    done = 0
    while done < samples:
        piece = counts[_PLACE] // PIECE
        begin = int(counts[_PLACE] - piece * PIECE)
        if counts[_MADE] == 0 or counts[_PIECE_MADE] != piece:
            _fill_course(memory, piece)
        filled, read = int(counts[_FILLED]), int(counts[_READ])
        if filled == line.shape[1]:
            _keep(line, filled, 2 * reach)
            filled = 2 * reach
        if read == shifted.shape[1] - 1:
            _keep(shifted, read, 2 * half)
            read = 2 * half
        count = min(samples - done, PIECE - begin)
        moving = glide_moves(memory.glide)
        if moving:
            count = min(count, int(memory.glide.counts[CELL] - memory.glide.counts[AT]))
        count = min(count, min(line.shape[1] - filled, shifted.shape[1] - 1 - read))
        to, since = np.uintp(filled), np.uintp(done)
        # The column under the first sample of the stretch at no delay.
        here = filled - reach - begin
        for channel in range(channels):
            for i in range(np.uintp(count)):
                line[channel, to + i] = block[channel, since + i]
            share = channel + memory.plan[_FIRST]
            if share == 0.0:
                for i in range(np.uintp(count)):
                    shifted[channel, np.uintp(read) + i] = line[channel, np.uintp(filled - reach) + i]
            else:
                locate(memory.course, share, 0.0, 0.0, CELLS, begin, count, memory.places)
                column = here - (_TAPS // 2 - 1)
                _read_one(line[channel], memory.reader, memory.places, column, count, read, shifted[channel])
        # The filter hears half its length ahead of what it gives out, so its loss is that of half a length later.
        rows = memory.rows[begin : begin + count]
        for first in range(0, channels, 2):
            second = min(first + 1, channels - 1)
            filter_pair(shifted, memory.losses, rows, read - 2 * half, first, second, done, out)
        counts[_FILLED] = filled + count
        counts[_READ] = read + count
        counts[_PLACE] += count
        glide_pass(count, memory.glide)
        if moving and memory.glide.counts[AT] == 0:
            counts[_MADE] = 0
        done += count
