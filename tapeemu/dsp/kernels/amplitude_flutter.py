"""A moving level, from its settings to sound: see :class:`tapeemu.processors.amplitude_flutter.AmplitudeFlutter`.

The level of a channel is made a piece of the tape at a time, as a course that the loops over samples read: a
gain for each sample, or a place in the table of spacing filters.
"""

import math
from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Hashes1, Integers1, Integers2, Precise, Precises1, Precises2, Reals1, Reals2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.dropouts import LAW_NUMBERS, MovingDepth, add_dropouts, dropout_law
from tapeemu.dsp.kernels.glides import (
    AT,
    CELL,
    GLIDE_ARRAYS,
    NODES,
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
from tapeemu.dsp.kernels.hashing import stream_key
from tapeemu.dsp.kernels.kept_rows import clear_rows
from tapeemu.dsp.kernels.noise_spectrum import BAND
from tapeemu.dsp.kernels.spacing_loss import (
    ROWS_AT_ONCE,
    SpacingScratch,
    design_table,
    filter_pair,
    half_length,
    steepness_per_db,
    table_points,
    table_rows,
    table_step,
)
from tapeemu.dsp.kernels.trajectories import (
    PIECE,
    SEGMENT,
    Trajectory,
    begin_at_zero,
    begin_trajectory,
    fill_piece,
    noise_highest,
    noise_octaves,
    set_noise,
    set_sine,
    trajectory_shapes,
)

__all__ = [
    "AMPLITUDE_FLUTTER_MOVES",
    "AmplitudeFlutterMemory",
    "AmplitudeFlutterSettings",
    "amplitude_flutter_change",
    "amplitude_flutter_design",
    "amplitude_flutter_latency",
    "amplitude_flutter_process",
    "amplitude_flutter_seek",
    "amplitude_flutter_shapes",
    "amplitude_flutter_tail",
    "contact_db",
    "dropout_key",
    "gains_of_levels",
    "read_levels",
    "settings_law",
]

AMPLITUDE_FLUTTER_MOVES = ("periodic_percent", "random_db", "dropout_least_db", "dropout_most_db")
"""Settings that it follows while it plays."""

RATE_HZ, PEAK_DB, PHASE_DEGREES, PHASE_GIVEN = 0, 1, 2, 3
"""Columns of a periodic part."""

_LEVEL_PART, _LEVEL, _CHANNEL_LEVEL, _DROPOUTS = np.uint64(7), np.uint64(8), np.uint64(9), np.uint64(10)
"""Purposes of keys, as in :mod:`tapeemu.dsp.tape_position`."""

_RATE, _CONTACT, _PER_BEGINNING, _ROW_PER_DB, _ROW_AT_ZERO, _DRAWN_PEAKS, _DRAWN_RANDOM, _DRAWN_SHARE = range(8)
_PLAN = 8
"""Sample rate; level in contact; one over the samples of the beginning; rows of the table per dB, and at 0 dB;
what comes of the periodic peaks in contact; the random deviation that was drawn, and the share of the peaks."""

_SHARE, _RANDOM, _LEAST, _MOST = 0, 1, 2, 3
_FACTORS = 2
_NUMBERS = 4
"""What glides: factors on the periodic and on the random part that it was designed for, and the depths of the
shallowest and of the deepest dropout in dB."""

_PLACE, _PIECE_MADE, _MADE, _FILLED, _LATENCY, _SPACING, _OWN_NOISE, _OWN_DROPOUTS = range(8)
_STATE = 8
"""Place on the tape of the next output; piece that the course is of, and whether it is; columns of the line that
are filled; what does not change: latency, whether filters move, and what channels have of their own."""

_ROOM = 4096
"""Columns of the line that are filled before its past is moved to the front, at least."""

_BEGINNING_SECONDS = 0.05
"""How long the tape takes from its mean distance at position 0 to the distance that it would have."""

_TWO_SIGMA = 1.959963984540054
_BOUND = 8.0
"""Standard deviations of a noise that the table of filters is made for."""

_SHIFT_11 = np.uint64(11)
_PER_2_53 = 2.0**-53
_SQUARINGS = 64.0
_NEPERS_PER_DB = 0.11512925464970229  # ln(10) / 20


class AmplitudeFlutterSettings(NamedTuple):
    """Settings of an AmplitudeFlutter.

    Attributes
    ----------
    spacing
        1 if filters move, 0 if gains do.
    periodic_parts : ndarray, shape (parts, 4)
        Rate in Hz, peak in dB, phase in degrees, and 1 if the phase is set.
    periodic_percent
        Of the peaks.
    random_db, random_low_hz, random_high_hz, channel_correlation, spacing_frequency_hz
        As in the processor.
    dropouts_per_minute, dropout_least_db, dropout_most_db, dropout_shortest_ms, dropout_longest_ms
        As in the processor.
    dropouts_on_all_channels
        1 or 0.
    seed
        Of the tape.
    """

    spacing: int
    periodic_parts: Precises2
    periodic_percent: Precise
    random_db: Precise
    random_low_hz: Precise
    random_high_hz: Precise
    channel_correlation: Precise
    spacing_frequency_hz: Precise
    dropouts_per_minute: Precise
    dropout_least_db: Precise
    dropout_most_db: Precise
    dropout_shortest_ms: Precise
    dropout_longest_ms: Precise
    dropouts_on_all_channels: int
    seed: np.uint64


class AmplitudeFlutterMemory(NamedTuple):
    """Plan and state.

    Attributes
    ----------
    plan : ndarray, shape (8,)
        Numbers that do not change.
    state : ndarray, shape (8,)
        Where it stands.
    keys : ndarray, shape (1,)
        The seed.
    law : ndarray, shape (LAW_NUMBERS,)
        Of the dropouts.
    course : ndarray, shape (channels or 1, PIECE)
        Gains, or places in the table, of a piece; one row if all channels move alike.
    levels : ndarray, shape (2, PIECE)
        Scratch: what channels have in common, and the level of one.
    depth : ndarray, shape (PIECE,)
        Scratch: depth of the dropouts.
    factors : ndarray, shape (2, PIECE)
        Scratch: what glides of the factors, sample by sample.
    alone : ndarray, shape (PIECE,)
        Scratch: the periodic part.
    nodes : ndarray, shape (NODES,)
        Scratch: a depth that moves.
    glide : Glide
        What moves.
    table : ndarray, shape (rows, taps + 1)
        Spacing filters.
    line : ndarray, shape (channels, columns)
        The past that they hear.
    scratch : SpacingScratch
        For the design of the table.
    common, own, periodic : Trajectory
        Of all channels; of one, whose numbers differ; and the sines of all alone, where there is noise too.
    """

    plan: Precises1
    state: Integers1
    keys: Hashes1
    law: Precises1
    course: Reals2
    levels: Precises2
    depth: Reals1
    factors: Reals2
    alone: Precises1
    nodes: Precises1
    glide: Glide
    table: Reals2
    line: Reals2
    scratch: SpacingScratch
    common: Trajectory
    own: Trajectory
    periodic: Trajectory


@kernel()
def _parts(settings: AmplitudeFlutterSettings) -> int:
    """How many periodic parts move the level."""
    return settings.periodic_parts.shape[0] if settings.periodic_percent > 0.0 else 0


@kernel()
def _peak_db(settings: AmplitudeFlutterSettings, part: int) -> Precise:
    """Peak of a periodic part."""
    peak: Precise = settings.periodic_parts[part, PEAK_DB]
    return settings.periodic_percent / 100.0 * peak


@kernel()
def contact_db(settings: AmplitudeFlutterSettings) -> Precise:
    """Level at the spacing frequency with the tape touching the head, relative to the mean distance."""
    total = 3.0 / _TWO_SIGMA * settings.random_db
    for part in range(_parts(settings)):
        total += _peak_db(settings, part)
    return total


@kernel()
def dropout_key(seed: np.uint64, own: bool, channel: int) -> np.uint64:
    """Key of the dropouts of a channel."""
    number = np.uint64(0)
    if own:
        number = np.uint64(channel)
    return stream_key(seed, _DROPOUTS, number)


@kernel()
def settings_law(settings: AmplitudeFlutterSettings, law: Precises1) -> None:
    """Write the law of the dropouts that are set, see :func:`tapeemu.dsp.kernels.dropouts.dropout_law`."""
    dropout_law(
        settings.dropouts_per_minute,
        settings.dropout_least_db,
        settings.dropout_most_db,
        settings.dropout_shortest_ms,
        settings.dropout_longest_ms,
        law,
    )


@kernel()
def _has_own_noise(settings: AmplitudeFlutterSettings) -> bool:
    """Whether channels have noise of their own, beside what is common to them."""
    return settings.channel_correlation < 1.0 and settings.random_db > 0.0


@kernel()
def _has_own_dropouts(settings: AmplitudeFlutterSettings) -> bool:
    """Whether channels have dropouts of their own."""
    return settings.dropouts_on_all_channels == 0 and settings.dropouts_per_minute > 0.0


@kernel()
def _lowest(settings: AmplitudeFlutterSettings, sample_rate: Precise) -> Precise:
    """Least steepness in samples: with the tape touching the head."""
    return -contact_db(settings) * steepness_per_db(settings.spacing_frequency_hz, sample_rate)


@kernel()
def _highest(settings: AmplitudeFlutterSettings, sample_rate: Precise) -> Precise:
    """Largest steepness in samples."""
    correlation = settings.channel_correlation
    shares = math.sqrt(correlation) + math.sqrt(1.0 - correlation)
    deepest = _BOUND / _TWO_SIGMA * settings.random_db * shares
    for part in range(_parts(settings)):
        deepest += _peak_db(settings, part)
    if settings.dropouts_per_minute > 0.0:
        deepest += settings.dropout_most_db
    return deepest * steepness_per_db(settings.spacing_frequency_hz, sample_rate)


@kernel()
def amplitude_flutter_latency(settings: AmplitudeFlutterSettings, sample_rate: Precise, channels: int) -> int:
    """Samples by which the output is late: half a filter, nothing for a gain."""
    return half_length(sample_rate) if settings.spacing == 1 else 0


@kernel()
def amplitude_flutter_tail(
    settings: AmplitudeFlutterSettings, sample_rate: Precise, channels: int, level_db: Precise
) -> int:
    """Samples that sound on: the other half of a filter."""
    return amplitude_flutter_latency(settings, sample_rate, channels)


@kernel()
def amplitude_flutter_shapes(
    settings: AmplitudeFlutterSettings, sample_rate: Precise, channels: int, shapes: Integers2
) -> None:
    """Write the shapes of the arrays of :class:`AmplitudeFlutterMemory`, a row for each."""
    behind = 10 + GLIDE_ARRAYS
    for each in range(behind + 6):
        for axis in range(3):
            shapes[each, axis] = 1
    own = _has_own_noise(settings)
    half = half_length(sample_rate)
    shapes[0, 0] = _PLAN
    shapes[1, 0] = _STATE
    shapes[3, 0] = LAW_NUMBERS
    if own or _has_own_dropouts(settings):
        shapes[4, 0] = channels
    shapes[4, 1] = PIECE
    shapes[5, 0] = 2
    shapes[5, 1] = PIECE
    shapes[6, 0] = PIECE
    shapes[7, 0] = _FACTORS
    shapes[7, 1] = PIECE
    shapes[8, 0] = PIECE
    shapes[9, 0] = NODES
    glide_shapes(_NUMBERS, 10, shapes)
    if settings.spacing == 1:
        lowest = _lowest(settings, sample_rate)
        shapes[behind, 0] = table_rows(lowest, _highest(settings, sample_rate), sample_rate)
        shapes[behind, 1] = 2 * half + 2
        shapes[behind + 1, 0] = channels
        # One column more than is filled: the tap of zero that pads a row to whole vectors reads it.
        shapes[behind + 1, 1] = 2 * half + 1 + max(_ROOM, 4 * half) + 1
        shapes[behind + 2, 0] = half + 1
        shapes[behind + 2, 1] = half + 1
        shapes[behind + 3, 0] = ROWS_AT_ONCE
        shapes[behind + 3, 1] = half + 1
        shapes[behind + 4, 0] = 4 * table_points(half)
        shapes[behind + 5, 0] = 2 * half + 1
    low, high = settings.random_low_hz, settings.random_high_hz
    parts = _parts(settings)
    noises = 1 if settings.random_db > 0.0 else 0
    octaves = noise_octaves(BAND, low, high, sample_rate)
    highest = noise_highest(BAND, low, high, sample_rate)
    row = trajectory_shapes(parts, noises, noises * octaves, highest, sample_rate, 1, shapes, behind + 6)
    if own:
        row = trajectory_shapes(0, 1, octaves, highest, sample_rate, channels, shapes, row)
    else:
        row = trajectory_shapes(0, 0, 0, highest, sample_rate, 1, shapes, row)
    trajectory_shapes(noises * parts, 0, 0, highest, sample_rate, 1, shapes, row)


@kernel()
def _set_sines(settings: AmplitudeFlutterSettings, memory: Trajectory) -> None:
    """Add the periodic parts to a trajectory."""
    parts = settings.periodic_parts
    for part in range(_parts(settings)):
        turns = parts[part, PHASE_DEGREES] / 360.0
        if parts[part, PHASE_GIVEN] == 0.0:
            key = stream_key(settings.seed, _LEVEL_PART, np.uint64(part))
            turns = _PER_2_53 * np.double(np.int64(key >> _SHIFT_11))
        set_sine(part, parts[part, RATE_HZ], _peak_db(settings, part), turns - np.floor(turns), memory)


@kernel()
def amplitude_flutter_seek(memory: AmplitudeFlutterMemory, place: np.int64) -> None:
    """Go to a place on the tape; nothing that sounded before is left."""
    state = memory.state
    glide_seek(place, memory.glide)
    state[_PLACE] = place - state[_LATENCY]
    state[_MADE] = 0
    state[_FILLED] = 2 * state[_LATENCY] + 1
    clear_rows(memory.line)


@kernel()
def gains_of_levels(levels: Precises1, out: Reals1) -> None:
    """Gains of levels in dB: ``10 ** (level / 20)``, relative error at most 2e-14 from -160 to 160 dB.

    Taylor series to the 12th power of a 64th of the exponent, squared six times: no branch, no table, so that
    many are made at once.
    """
    for i in range(np.uintp(levels.size)):
        r = levels[i] * (_NEPERS_PER_DB / _SQUARINGS)
        s = r / 479001600.0 + 1.0 / 39916800.0
        s = r * s + 1.0 / 3628800.0
        s = r * s + 1.0 / 362880.0
        s = r * s + 1.0 / 40320.0
        s = r * s + 1.0 / 5040.0
        s = r * s + 1.0 / 720.0
        s = r * s + 1.0 / 120.0
        s = r * s + 1.0 / 24.0
        s = r * s + 1.0 / 6.0
        s = r * s + 0.5
        g = 1.0 + (r + r * r * s)
        g = g * g
        g = g * g
        g = g * g
        g = g * g
        g = g * g
        out[i] = g * g


@kernel()
def _fill_levels(memory: AmplitudeFlutterMemory, piece: np.int64, place: int, channel: int) -> None:
    """Write the level of a channel in dB, at all frequencies or at the spacing frequency, into ``levels[1]``.

    Parameters
    ----------
    memory : AmplitudeFlutterMemory
        Designed; ``levels[0]`` holds what channels have in common.
    piece : int64
        Number of the piece.
    place : int
        Of the channel's own trajectory, see :func:`fill_piece`.
    channel : int
        Whose level.
    """
    plan = memory.plan
    state = memory.state
    common = memory.levels[0]
    levels = memory.levels[1]
    depth = memory.depth
    moving = glide_moves(memory.glide)
    if state[_OWN_NOISE] == 1:
        fill_piece(memory.own, piece, place, np.uint64(channel + 1), levels)
        if moving:
            for i in range(np.uintp(PIECE)):
                levels[i] = memory.factors[_RANDOM, i] * levels[i]
        for i in range(np.uintp(PIECE)):
            levels[i] += common[i]
    else:
        for i in range(np.uintp(PIECE)):
            levels[i] = common[i]
    spacing = state[_SPACING] == 1
    if spacing:
        contact = plan[_CONTACT]
        if moving:
            # Touching the head is where the depths of the moment have it.
            periodic = plan[_DRAWN_PEAKS]
            random = 3.0 / _TWO_SIGMA * plan[_DRAWN_RANDOM]
            for i in range(np.uintp(PIECE)):
                contact = memory.factors[_SHARE, i] * periodic + memory.factors[_RANDOM, i] * random
                levels[i] = min(levels[i], contact)
        else:
            for i in range(np.uintp(PIECE)):
                levels[i] = min(levels[i], contact)
    first = piece * PIECE
    segment = first // SEGMENT * SEGMENT
    key = dropout_key(memory.keys[0], state[_OWN_DROPOUTS] == 1, channel)
    at = int(memory.glide.counts[AT] - state[_LATENCY] - state[_PLACE] + first)
    depths = MovingDepth(memory.glide, memory.nodes, _LEAST if moving else -1, at)
    if add_dropouts(key, memory.law, plan[_RATE], segment, int(first - segment), depths, depth):
        for i in range(np.uintp(PIECE)):
            levels[i] -= depth[i]
    if spacing:
        nearest = np.double(max(first, -first - PIECE))
        if nearest * plan[_PER_BEGINNING] <= 1.0:
            begin = np.double(first)
            begin_at_zero(begin, plan[_PER_BEGINNING], levels)


@kernel()
def read_levels(memory: AmplitudeFlutterMemory, first: np.int64, channel: int, out: Precises1) -> None:
    """Write the level of a channel in dB, at all frequencies or at the spacing frequency.

    Parameters
    ----------
    memory : AmplitudeFlutterMemory
        Designed, for any number of channels.
    first : int64
        Index on the tape of the first value.
    channel : int
        Whose level; 0 or more.
    out : ndarray, shape (samples,)
        Gets it.
    """
    done = 0
    while done < out.size:
        piece = (first + done) // PIECE
        begin = int(first + done - piece * PIECE)
        count = min(out.size - done, PIECE - begin)
        fill_piece(memory.common, piece, 0, np.uint64(0), memory.levels[0])
        _fill_levels(memory, piece, 0, channel)
        for i in range(count):
            out[done + i] = memory.levels[1, begin + i]
        done += count


@kernel()
def _move_common(memory: AmplitudeFlutterMemory, piece: np.int64) -> None:
    """Write the factors of a piece, and multiply what channels have in common by them.

    As far as the cell goes, behind which the piece is made again. What is behind it then holds the cell's end.
    """
    counts = memory.glide.counts
    state = memory.state
    common = memory.levels[0]
    factors = memory.factors
    cell = int(counts[CELL])
    late = int(state[_LATENCY])
    begin = int(state[_PLACE] - piece * PIECE)
    at = int(counts[AT])
    count = min(PIECE - begin, cell - at)
    for number in range(_FACTORS):
        glide_values(number, at, late, memory.glide, factors[number, begin : begin + count])
    if memory.periodic.sines.shape[0] > 0:
        alone = memory.alone
        fill_piece(memory.periodic, piece, 0, np.uint64(0), alone)
        for i in range(begin, begin + count):
            common[i] = factors[_RANDOM, i] * (common[i] - alone[i]) + factors[_SHARE, i] * alone[i]
    else:
        part = _RANDOM if memory.common.noises.keys.size > 0 else _SHARE
        for i in range(begin, begin + count):
            common[i] = factors[part, i] * common[i]


@kernel()
def _make_course(memory: AmplitudeFlutterMemory, piece: np.int64) -> None:
    """Write gains of a piece, or places in the table."""
    plan = memory.plan
    fill_piece(memory.common, piece, 0, np.uint64(0), memory.levels[0])
    if glide_moves(memory.glide):
        _move_common(memory, piece)
    last: Precise = memory.table.shape[0] - 2
    per_db = plan[_ROW_PER_DB]
    at_zero = plan[_ROW_AT_ZERO]
    for row in range(memory.course.shape[0]):
        _fill_levels(memory, piece, row, row)
        levels = memory.levels[1]
        course = memory.course[row]
        if memory.state[_SPACING] == 1:
            for i in range(np.uintp(PIECE)):
                course[i] = min(max(per_db * levels[i] + at_zero, 0.0), last)
        else:
            gains_of_levels(levels, course)
    memory.state[_PIECE_MADE] = piece
    memory.state[_MADE] = 1


@kernel()
def amplitude_flutter_design(
    settings: AmplitudeFlutterSettings,
    sample_rate: Precise,
    channels: int,
    start_sample: np.int64,
    track: np.int64,
    memory: AmplitudeFlutterMemory,
) -> None:
    """Fill the plan; the tape is the same on every track."""
    plan = memory.plan
    state = memory.state
    spacing = settings.spacing == 1
    own = _has_own_noise(settings)
    state[_SPACING] = settings.spacing
    state[_LATENCY] = amplitude_flutter_latency(settings, sample_rate, channels)
    state[_OWN_NOISE] = 1 if own else 0
    state[_OWN_DROPOUTS] = 1 if _has_own_dropouts(settings) else 0
    memory.keys[0] = settings.seed
    plan[_RATE] = sample_rate
    plan[_CONTACT] = contact_db(settings)
    plan[_DRAWN_RANDOM] = settings.random_db
    plan[_DRAWN_PEAKS] = 0.0
    plan[_DRAWN_SHARE] = settings.periodic_percent
    for part in range(_parts(settings)):
        plan[_DRAWN_PEAKS] += _peak_db(settings, part)
    for number in range(_FACTORS):
        glide_rest(number, 1.0, memory.glide)
    glide_rest(_LEAST, settings.dropout_least_db, memory.glide)
    glide_rest(_MOST, settings.dropout_most_db, memory.glide)
    glide_design(sample_rate, start_sample, memory.glide)
    plan[_PER_BEGINNING] = 1.0 / (_BEGINNING_SECONDS * sample_rate)
    settings_law(settings, memory.law)
    rms = settings.random_db / _TWO_SIGMA
    low, high = settings.random_low_hz, settings.random_high_hz
    begin_trajectory(sample_rate, memory.common)
    _set_sines(settings, memory.common)
    begin_trajectory(sample_rate, memory.periodic)
    if memory.periodic.sines.shape[0] > 0:
        _set_sines(settings, memory.periodic)
    together = math.sqrt(settings.channel_correlation) * rms
    apart = math.sqrt(1.0 - settings.channel_correlation) * rms
    key = stream_key(settings.seed, _LEVEL, np.uint64(0))
    if rms > 0.0:
        set_noise(0, BAND, key, low, high, together, 0.0, False, memory.common)
    begin_trajectory(sample_rate, memory.own)
    if own:
        key = stream_key(settings.seed, _CHANNEL_LEVEL, np.uint64(0))
        set_noise(0, BAND, key, low, high, apart, 0.0, False, memory.own)
    if spacing:
        per_db = steepness_per_db(settings.spacing_frequency_hz, sample_rate)
        lowest = _lowest(settings, sample_rate)
        step = table_step(lowest, _highest(settings, sample_rate), memory.table.shape[0])
        design_table(lowest, step, sample_rate, memory.scratch, memory.table)
        plan[_ROW_PER_DB] = -per_db / step
        plan[_ROW_AT_ZERO] = -lowest / step
    amplitude_flutter_seek(memory, start_sample)
    # What noises begin with costs more than a block may: it is paid here, not by the first one.
    _make_course(memory, memory.state[_PLACE] // PIECE)


@kernel()
def amplitude_flutter_change(
    settings: AmplitudeFlutterSettings, sample_rate: Precise, channels: int, memory: AmplitudeFlutterMemory
) -> None:
    """Go to other settings from the beginning of the next cell on; see :mod:`tapeemu.dsp.kernels.glides`.

    Of the settings those of `AMPLITUDE_FLUTTER_MOVES` may differ from the ones that it was designed for. The
    course of the tape stays the one that was drawn: its parts are multiplied, and dropouts stay where they are.
    """
    plan = memory.plan
    if plan[_DRAWN_SHARE] > 0.0:
        glide_target(_SHARE, settings.periodic_percent / plan[_DRAWN_SHARE], memory.glide)
    if plan[_DRAWN_RANDOM] > 0.0:
        glide_target(_RANDOM, settings.random_db / plan[_DRAWN_RANDOM], memory.glide)
    glide_target(_LEAST, settings.dropout_least_db, memory.glide)
    glide_target(_MOST, settings.dropout_most_db, memory.glide)


@kernel()
def _scale(gains: Reals1, block: Reals1, out: Reals1) -> None:
    """Multiply every channel by its gains, sample by sample."""
    for i in range(np.uintp(gains.size)):
        out[i] = gains[i] * block[i]


@kernel()
def _drop_past(line: Reals2, kept: int, filled: int) -> None:
    """Move the columns that are still needed to the beginning of a line."""
    for channel in range(line.shape[0]):
        for column in range(kept):
            line[channel, column] = line[channel, filled - kept + column]


@kernel()
def amplitude_flutter_process(memory: AmplitudeFlutterMemory, block: Reals2, out: Reals2) -> None:
    """Process a block of any length; `out` may be `block` itself.

    Parameters
    ----------
    memory : AmplitudeFlutterMemory
        Designed; changed in place.
    block, out : ndarray, shape (channels, samples)
        Input and output.
    """
    state = memory.state
    course = memory.course
    line = memory.line
    channels, samples = block.shape
    rows = course.shape[0]
    latency = int(state[_LATENCY])
    past = 2 * latency + 1
    room = line.shape[1] - 1
    done = 0
    while done < samples:
        piece = state[_PLACE] // PIECE
        begin = int(state[_PLACE] - piece * PIECE)
        count = min(samples - done, PIECE - begin)
        moving = glide_moves(memory.glide)
        if moving:
            count = min(count, int(memory.glide.counts[CELL] - memory.glide.counts[AT]))
        # Also where depths begin to move in a piece that was made while they stood.
        starts = moving and memory.glide.counts[AT] == 0
        if state[_MADE] == 0 or state[_PIECE_MADE] != piece or starts:
            _make_course(memory, piece)
        if state[_SPACING] == 0:
            for channel in range(channels):
                gains = course[min(channel, rows - 1), begin : begin + count]
                _scale(gains, block[channel, done : done + count], out[channel, done : done + count])
        else:
            filled = int(state[_FILLED])
            if filled == room:
                _drop_past(line, past, filled)
                filled = past
            count = min(count, room - filled)
            for channel in range(channels):
                for i in range(np.uintp(count)):
                    line[channel, np.uintp(filled) + i] = block[channel, np.uintp(done) + i]
            column = filled - 2 * latency
            if rows == 1:
                for first in range(0, channels, 2):
                    second = min(first + 1, channels - 1)
                    places = course[0, begin : begin + count]
                    filter_pair(line, memory.table, places, column, first, second, done, out)
            else:
                for channel in range(channels):
                    places = course[channel, begin : begin + count]
                    filter_pair(line, memory.table, places, column, channel, channel, done, out)
            state[_FILLED] = filled + count
        state[_PLACE] += count
        glide_pass(count, memory.glide)
        if moving and memory.glide.counts[AT] == 0:
            state[_MADE] = 0
        done += count
