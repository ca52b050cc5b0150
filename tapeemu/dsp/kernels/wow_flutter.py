"""A moving read position, from its settings to sound: see :class:`tapeemu.processors.wow_flutter.WowFlutter`.

Places are counted in whole numbers and 128 bits behind the point, so they stay exact for as long as the tape
runs; only the distance from the nearest whole sample is a number with a rounding.
"""

import math
from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Hashes1, Integers1, Integers2, Precise, Precises1, Precises2, Reals2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.exact_places import place_of, set_rate
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
from tapeemu.dsp.kernels.interpolation import Part, Places, locate, read_pair_32, read_pair_48
from tapeemu.dsp.kernels.kept_rows import clear_rows
from tapeemu.dsp.kernels.memory_shapes import shape_row
from tapeemu.dsp.kernels.noise_spectrum import BAND, LAW
from tapeemu.dsp.kernels.reader_table import CELLS, design_reader
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
    set_sine,
    settle_trajectory,
    settle_with,
    settled_constant,
    trajectory_shapes,
)

__all__ = [
    "WOW_FLUTTER_MOVES",
    "WowFlutterMemory",
    "WowFlutterSettings",
    "countable",
    "design_azimuth",
    "design_delay",
    "flutter_scale",
    "track_skew_samples",
    "wow_flutter_change",
    "wow_flutter_design",
    "wow_flutter_latency",
    "wow_flutter_length_ratio",
    "wow_flutter_process",
    "wow_flutter_seek",
    "wow_flutter_shapes",
    "wow_flutter_tail",
]

WOW_FLUTTER_MOVES = ("weighted_flutter_percent", "random_percent", "scrape_percent")
"""Settings that it follows while it plays."""

# Columns of a rotating part.
RATE_HZ, PEAK_PERCENT, PHASE_TURNS, PHASE_GIVEN = 0, 1, 2, 3

# Purposes of keys, as in :mod:`tapeemu.dsp.tape_position`.
ROTATING_PART, FLUTTER, SCRAPE, AZIMUTH = np.uint64(3), np.uint64(4), np.uint64(5), np.uint64(6)
TRACK_SKEW = np.uint64(32)

_TWO_SIGMA = 1.959963984540054
_TURN = 6.283185307179586
_PER_2_64 = 2.0**-64
_SETTLING_SHARE = 0.048
"""Largest speed error of the tape's first seconds, as a share of the flutter."""

_LEAST_AZIMUTH_FLUTTER_PERCENT = 0.02
"""Flutter that the settling of the azimuth is measured by on a steadier tape: 5 % of it is 0.02 cents."""

_WANDER_LOW_HZ, _WANDER_HIGH_HZ = 0.1, 1.0
_ROOM = 1024
"""Columns of the line that are filled before its past is moved to the front, at least."""

# Places in the counts: what does not change, then what moves.
REACH, LATENCY, TAPS, AZIMUTH_MOVES = 0, 1, 2, 3
_START, _ORIGIN, _FED, _MADE, _BASE, _FILLED, _PIECE_MADE, _WHOLE, _CELL_BEGIN = 4, 5, 6, 7, 8, 9, 10, 11, 12
_PARTS_FILLED, _PARTS_MADE = 13, 14
_COUNTS = 15
"""Places on the tape of the first input and the first output; samples fed and made; input sample in the first
column of the line; whether the delays of a piece are made, and of which; whole place of the first output sample of
its segment; input sample at which the cell of the glide began; whether a piece of the parts alone is made, and of
which."""

# Places in the plan.
_RATIO, _SLOPE, _FRACTION, _SCALE, _DRAWN_RANDOM, _DRAWN_SCRAPE = 0, 1, 2, 3, 4, 5
_PLAN = 6

_TURNING, _RANDOM, _SCRAPING = 0, 1, 2
_NUMBERS = 3
"""What glides: factors on the delays by rotating parts, random part and scrape flutter as designed."""


class WowFlutterSettings(NamedTuple):
    """Settings of a WowFlutter: the mixture of what moves, as set, as left out or as the profile has it.

    Attributes
    ----------
    parts : ndarray, shape (parts, 4)
        Rotating parts: rate in Hz, peak in percent, phase in turns, and 1 if it is set.
    random_percent, random_slope_db_per_octave, random_low_hz, random_high_hz
        The random part.
    scrape_percent, scrape_low_hz, scrape_high_hz
        Scrape flutter of its own band.
    weighted_flutter_percent, scaled
        Figure that all that moves but azimuth and speed error is scaled to, and 1 if it is.
    figure_percent, wide_figure_percent
        Figures before scaling, weighted and unweighted.
    speed_error_percent, azimuth_skew_us, azimuth_wander_us, track_skew_us, reader_taps, seed
        As in the processor.
    """

    parts: Precises2
    random_percent: Precise
    random_slope_db_per_octave: Precise
    random_low_hz: Precise
    random_high_hz: Precise
    scrape_percent: Precise
    scrape_low_hz: Precise
    scrape_high_hz: Precise
    weighted_flutter_percent: Precise
    scaled: int
    figure_percent: Precise
    wide_figure_percent: Precise
    speed_error_percent: Precise
    azimuth_skew_us: Precise
    azimuth_wander_us: Precise
    track_skew_us: Precise
    reader_taps: int
    seed: np.uint64


class WowFlutterMemory(NamedTuple):
    """Plan and state.

    Attributes
    ----------
    plan : ndarray, shape (6,)
        Input samples per output sample; what is more or less than one in it; place behind the whole one of the
        segment's first output sample; factor on what moves, and deviations of random part and scrape flutter.
    counts : ndarray, shape (15,)
        See the places above.
    ratio : ndarray, shape (3,)
        Input samples per output sample, as of :func:`set_rate`.
    table : ndarray, shape (CELLS + 2, taps)
        Taps of the reader.
    line : ndarray, shape (channels, columns)
        The stretch of tape round the read position.
    delays : ndarray, shape (2, SEGMENT)
        Delays in a segment, and those of a channel against the one before it; those of a piece are made at a time.
    moved : ndarray, shape (2, PIECE)
        Scratch: delays of a piece whose depth moves.
    apart : ndarray, shape (2, PIECE)
        Scratch: delays of a piece by rotating parts alone, and by scrape flutter alone.
    places : Places
        Where a stretch is read.
    glide : Glide
        What moves.
    flutter, azimuth : Trajectory
        What the delays are.
    turning, scraping : Trajectory
        Rotating parts and scrape flutter alone, where there is something else.
    """

    plan: Precises1
    counts: Integers1
    ratio: Hashes1
    table: Reals2
    line: Reals2
    delays: Precises2
    moved: Precises2
    apart: Precises2
    places: Places
    glide: Glide
    flutter: Trajectory
    azimuth: Trajectory
    turning: Trajectory
    scraping: Trajectory


@kernel()
def _ratio_of(settings: WowFlutterSettings) -> Precise:
    """Input samples per output sample."""
    return 1.0 + settings.speed_error_percent / 100.0


@kernel()
def flutter_scale(settings: WowFlutterSettings) -> Precise:
    """Factor on all that moves but azimuth and speed error, from the weighted figure."""
    if settings.scaled == 0:
        return 1.0
    if settings.weighted_flutter_percent == 0.0 or settings.figure_percent == 0.0:
        return 0.0
    return settings.weighted_flutter_percent / settings.figure_percent


@kernel()
def _settling_percent(settings: WowFlutterSettings) -> Precise:
    """Flutter that settling is held against."""
    return flutter_scale(settings) * max(settings.figure_percent, 0.25 * settings.wide_figure_percent)


@kernel()
def _random_rms(settings: WowFlutterSettings, sample_rate: Precise) -> Precise:
    """Standard deviation of the speed's random part, in samples per second of delay."""
    return settings.random_percent * flutter_scale(settings) / (100.0 * _TWO_SIGMA) * sample_rate


@kernel()
def _scrape_rms(settings: WowFlutterSettings, sample_rate: Precise) -> Precise:
    """Standard deviation of scrape flutter, in samples per second of delay."""
    return settings.scrape_percent * flutter_scale(settings) / (100.0 * _TWO_SIGMA) * sample_rate


@kernel()
def _wander_rms(settings: WowFlutterSettings, sample_rate: Precise) -> Precise:
    """Standard deviation of the delay between channels, in samples."""
    return settings.azimuth_wander_us * 1e-6 / _TWO_SIGMA * sample_rate


@kernel()
def _part_amplitude(settings: WowFlutterSettings, sample_rate: Precise, part: int) -> Precise:
    """Peak delay of a rotating part in samples."""
    rate: Precise = settings.parts[part, RATE_HZ]
    peak: Precise = settings.parts[part, PEAK_PERCENT] / 100.0 * flutter_scale(settings)
    return peak / (_TURN * rate) * sample_rate


@kernel()
def _delay_bound(settings: WowFlutterSettings, sample_rate: Precise, channels: int) -> Precise:
    """Largest delay of any channel in samples; the settled trajectories have the same bounds."""
    bound: Precise = 0.0
    for part in range(settings.parts.shape[0]):
        bound += 2.0 * _part_amplitude(settings, sample_rate, part)
    bound += noise_bound(
        LAW,
        settings.random_low_hz,
        settings.random_high_hz,
        _random_rms(settings, sample_rate),
        settings.random_slope_db_per_octave,
        True,
        sample_rate,
    )
    bound += noise_bound(
        BAND,
        settings.scrape_low_hz,
        settings.scrape_high_hz,
        _scrape_rms(settings, sample_rate),
        0.0,
        True,
        sample_rate,
    )
    bound += abs(settings.track_skew_us) * 1e-6 * sample_rate
    farthest: Precise = 0.5 * (channels - 1)
    if farthest > 0.0:
        skew = abs(settings.azimuth_skew_us) * 1e-6 * sample_rate
        wander = noise_bound(
            BAND,
            _WANDER_LOW_HZ,
            _WANDER_HIGH_HZ,
            _wander_rms(settings, sample_rate),
            0.0,
            False,
            sample_rate,
        )
        bound += farthest * (skew + wander)
    return bound


@kernel()
def _reach(settings: WowFlutterSettings, sample_rate: Precise, channels: int) -> int:
    """Samples round the undelayed place that may be needed to either side."""
    reach = math.ceil(_delay_bound(settings, sample_rate, channels)) + settings.reader_taps // 2
    return reach + 1 if settings.speed_error_percent != 0.0 else reach


@kernel()
def wow_flutter_latency(settings: WowFlutterSettings, sample_rate: Precise, channels: int) -> int:
    """Samples by which the output is late."""
    reach = _reach(settings, sample_rate, channels)
    return math.ceil(reach / _ratio_of(settings))


@kernel()
def wow_flutter_tail(settings: WowFlutterSettings, sample_rate: Precise, channels: int, level_db: Precise) -> int:
    """Samples that may sound on: what the tape may lag."""
    return wow_flutter_latency(settings, sample_rate, channels)


@kernel()
def wow_flutter_length_ratio(settings: WowFlutterSettings) -> Precise:
    """Output samples per input sample."""
    return 1.0 / _ratio_of(settings)


@kernel()
def wow_flutter_shapes(
    settings: WowFlutterSettings, sample_rate: Precise, channels: int, shapes: Integers2
) -> None:
    """Write the shapes of the arrays of :class:`WowFlutterMemory`, a row for each."""
    around = 2 * _reach(settings, sample_rate, channels) + 16
    row = shape_row(_PLAN, 1, shapes, 0)
    row = shape_row(_COUNTS, 1, shapes, row)
    row = shape_row(3, 1, shapes, row)
    row = shape_row(CELLS + 2, settings.reader_taps, shapes, row)
    row = shape_row(channels, 2 * around + _ROOM, shapes, row)
    row = shape_row(2, SEGMENT, shapes, row)
    row = shape_row(2, PIECE, shapes, row)
    row = shape_row(2, PIECE, shapes, row)
    for _ in range(3):
        row = shape_row(PIECE, 1, shapes, row)
    late_glide_shapes(_NUMBERS, around, sample_rate, row, shapes)
    row = row + GLIDE_ARRAYS
    random = noise_octaves(LAW, settings.random_low_hz, settings.random_high_hz, sample_rate)
    scrape = noise_octaves(BAND, settings.scrape_low_hz, settings.scrape_high_hz, sample_rate)
    highest = max(
        noise_highest(LAW, settings.random_low_hz, settings.random_high_hz, sample_rate),
        noise_highest(BAND, settings.scrape_low_hz, settings.scrape_high_hz, sample_rate),
    )
    row = trajectory_shapes(settings.parts.shape[0], 2, random + scrape, highest, sample_rate, 1, shapes, row)
    wander = noise_octaves(BAND, _WANDER_LOW_HZ, _WANDER_HIGH_HZ, sample_rate)
    row = trajectory_shapes(0, 1, wander, 2.0 * _WANDER_HIGH_HZ, sample_rate, 1, shapes, row)
    turning = settings.parts.shape[0] if _has_noise(settings) else 0
    row = trajectory_shapes(turning, 0, 0, highest, sample_rate, 1, shapes, row)
    noises = 1 if _has_scrape(settings) else 0
    trajectory_shapes(0, noises, noises * scrape, highest, sample_rate, 1, shapes, row)


@kernel()
def _has_noise(settings: WowFlutterSettings) -> bool:
    """Whether rotating parts may move apart from others: a figure scales all alike."""
    return settings.scaled == 0 and (settings.random_percent > 0.0 or settings.scrape_percent > 0.0)


@kernel()
def _has_scrape(settings: WowFlutterSettings) -> bool:
    """Whether scrape flutter may move apart from others."""
    return settings.scaled == 0 and settings.scrape_percent > 0.0


@kernel()
def track_skew_samples(settings: WowFlutterSettings, sample_rate: Precise, track: np.int64) -> Precise:
    """Constant delay of a track: drawn evenly from its range, from the seed and the number of the track."""
    key = stream_key(settings.seed, TRACK_SKEW, np.uint64(track))
    share: Precise = np.float64(np.int64(key >> np.uint64(1))) * (4.0 * _PER_2_64) - 1.0
    return share * settings.track_skew_us * 1e-6 * sample_rate


@kernel()
def _set_sines(settings: WowFlutterSettings, sample_rate: Precise, memory: Trajectory) -> None:
    """Add the rotating parts to a trajectory."""
    for part in range(settings.parts.shape[0]):
        turns = settings.parts[part, PHASE_TURNS]
        if settings.parts[part, PHASE_GIVEN] == 0.0:
            key = stream_key(settings.seed, ROTATING_PART, np.uint64(part))
            turns = np.float64(np.int64(key >> np.uint64(1))) * (2.0 * _PER_2_64)
        amplitude = -_part_amplitude(settings, sample_rate, part)
        set_sine(part, settings.parts[part, RATE_HZ], amplitude, turns - 0.25, memory)


@kernel()
def _set_scrape(settings: WowFlutterSettings, sample_rate: Precise, number: int, memory: Trajectory) -> None:
    """Add scrape flutter to a trajectory, as its noise of that number."""
    set_noise(
        number,
        BAND,
        stream_key(settings.seed, SCRAPE, np.uint64(0)),
        settings.scrape_low_hz,
        settings.scrape_high_hz,
        _scrape_rms(settings, sample_rate),
        0.0,
        True,
        memory,
    )


@kernel()
def design_delay(
    settings: WowFlutterSettings, sample_rate: Precise, track: np.int64, memory: Trajectory, scratch: Precises1
) -> None:
    """Design the delay in samples: minus the integral of the speed deviation, and the skew of the track.

    Parameters
    ----------
    settings : WowFlutterSettings
        What moves.
    sample_rate : float
        Samples per second.
    track : int
        Number of the track.
    memory : Trajectory
        For as many sines as there are parts, and two noises.
    scratch : ndarray, shape (SEGMENT,)
        Scratch.
    """
    begin_trajectory(sample_rate, memory)
    _set_sines(settings, sample_rate, memory)
    set_noise(
        0,
        LAW,
        stream_key(settings.seed, FLUTTER, np.uint64(0)),
        settings.random_low_hz,
        settings.random_high_hz,
        _random_rms(settings, sample_rate),
        settings.random_slope_db_per_octave,
        True,
        memory,
    )
    _set_scrape(settings, sample_rate, 1, memory)
    settling = _settling_percent(settings)
    if settings.track_skew_us != 0.0:
        settling = max(settling, _LEAST_AZIMUTH_FLUTTER_PERCENT)
    skew = track_skew_samples(settings, sample_rate, track)
    settle_trajectory(skew, _SETTLING_SHARE * settling / 100.0, memory, scratch)


@kernel()
def design_azimuth(
    settings: WowFlutterSettings, sample_rate: Precise, memory: Trajectory, scratch: Precises1
) -> None:
    """Design the delay of a channel against the one before it: one noise; else as :func:`design_delay`."""
    begin_trajectory(sample_rate, memory)
    set_noise(
        0,
        BAND,
        stream_key(settings.seed, AZIMUTH, np.uint64(0)),
        _WANDER_LOW_HZ,
        _WANDER_HIGH_HZ,
        _wander_rms(settings, sample_rate),
        0.0,
        False,
        memory,
    )
    fastest = _SETTLING_SHARE * max(_settling_percent(settings), _LEAST_AZIMUTH_FLUTTER_PERCENT) / 100.0
    settle_trajectory(settings.azimuth_skew_us * 1e-6 * sample_rate, fastest, memory, scratch)


@kernel()
def wow_flutter_design(
    settings: WowFlutterSettings,
    sample_rate: Precise,
    channels: int,
    start_sample: np.int64,
    track: np.int64,
    memory: WowFlutterMemory,
) -> None:
    """Fill the plan, for memory that is all zeros, and go to a place on the tape; tracks differ by their skew."""
    counts = memory.counts
    design_reader(settings.reader_taps, memory.delays, memory.table)
    design_delay(settings, sample_rate, track, memory.flutter, memory.delays[0])
    design_azimuth(settings, sample_rate, memory.azimuth, memory.delays[0])
    ratio = _ratio_of(settings)
    memory.plan[_RATIO] = ratio
    memory.plan[_SLOPE] = ratio - 1.0
    memory.plan[_SCALE] = flutter_scale(settings)
    memory.plan[_DRAWN_RANDOM] = settings.random_percent
    memory.plan[_DRAWN_SCRAPE] = settings.scrape_percent
    _design_apart(settings, sample_rate, memory)
    for number in range(_NUMBERS):
        glide_rest(number, 1.0, memory.glide)
    glide_design(sample_rate, start_sample, memory.glide)
    set_rate(ratio, 1.0, memory.ratio)
    counts[REACH] = _reach(settings, sample_rate, channels)
    counts[LATENCY] = wow_flutter_latency(settings, sample_rate, channels)
    counts[TAPS] = settings.reader_taps
    for i in range(SEGMENT):
        memory.delays[1, i] = 0.0
    moves = channels > 1 and memory.azimuth.plan[0] > 0.0
    counts[AZIMUTH_MOVES] = 1 if moves else 0
    wow_flutter_seek(memory, start_sample)


@kernel()
def _design_apart(settings: WowFlutterSettings, sample_rate: Precise, memory: WowFlutterMemory) -> None:
    """Design the parts that are made by themselves where depths move apart; they settle as fast as the whole."""
    begin_trajectory(sample_rate, memory.turning)
    begin_trajectory(sample_rate, memory.scraping)
    if memory.turning.sines.shape[0] > 0:
        _set_sines(settings, sample_rate, memory.turning)
        settle_with(memory.flutter, memory.turning, memory.delays[0])
    if memory.scraping.noises.keys.size > 0:
        _set_scrape(settings, sample_rate, 0, memory.scraping)
        settle_with(memory.flutter, memory.scraping, memory.delays[0])


@kernel()
def wow_flutter_change(
    settings: WowFlutterSettings, sample_rate: Precise, channels: int, memory: WowFlutterMemory
) -> None:
    """Go to other settings from the beginning of the next cell on; see :mod:`tapeemu.dsp.kernels.glides`.

    Of the settings those of `WOW_FLUTTER_MOVES` may differ from the ones that it was designed for. The course of
    the tape stays the one that was drawn: its delay is multiplied.
    """
    plan = memory.plan
    if plan[_SCALE] > 0.0:
        depth = flutter_scale(settings) / plan[_SCALE]
        glide_target(_TURNING, depth, memory.glide)
        # Of equal settings a factor of exactly one.
        random = settings.random_percent / plan[_DRAWN_RANDOM] if plan[_DRAWN_RANDOM] > 0.0 else 1.0
        glide_target(_RANDOM, depth * random, memory.glide)
        scraping = settings.scrape_percent / plan[_DRAWN_SCRAPE] if plan[_DRAWN_SCRAPE] > 0.0 else 1.0
        glide_target(_SCRAPING, depth * scraping, memory.glide)


@kernel()
def wow_flutter_seek(memory: WowFlutterMemory, place: np.int64) -> None:
    """Go to a place on the tape, as if made there."""
    counts = memory.counts
    ratio = memory.plan[_RATIO]
    counts[_START] = place
    glide_seek(place, memory.glide)
    # The output sample whose undelayed place is nearest.
    origin = np.int64(np.floor(np.float64(place) / ratio + 0.5))
    distance = _distance(origin, place, memory.ratio)
    while distance > 0.5 * ratio:
        origin = origin - 1
        distance = _distance(origin, place, memory.ratio)
    while distance <= -0.5 * ratio:
        origin = origin + 1
        distance = _distance(origin, place, memory.ratio)
    counts[_ORIGIN] = origin
    counts[_FED] = 0
    counts[_MADE] = 0
    counts[_FILLED] = 0
    counts[_BASE] = _earliest(memory)
    clear_rows(memory.line)


@kernel()
def _distance(output: np.int64, place: np.int64, words: Hashes1) -> Precise:
    """How far the undelayed place of an output sample lies behind a place."""
    whole, fraction = place_of(output, words)
    return np.float64(whole - place) + fraction


@kernel()
def _earliest(memory: WowFlutterMemory) -> np.int64:
    """First input sample that the next output sample may need; rounding may cost one of the two to spare."""
    counts = memory.counts
    output = counts[_ORIGIN] + counts[_MADE] - counts[LATENCY]
    whole = np.int64(np.floor(_distance(output, counts[_START], memory.ratio)))
    return np.int64(whole - counts[REACH] - 2)


@kernel()
def countable(memory: WowFlutterMemory, fed: np.int64) -> np.int64:
    """Output samples that can be made once so many samples are in, counted from the first."""
    if memory.plan[_SLOPE] == 0.0:
        return fed
    made = np.int64(np.float64(fed) / memory.plan[_RATIO])
    while _distance(made, fed, memory.ratio) > 0.0:
        made = made - 1
    while _distance(made + 1, fed, memory.ratio) <= 0.0:
        made = made + 1
    return made


@kernel()
def wow_flutter_process(memory: WowFlutterMemory, block: Reals2, out: Reals2) -> int:
    """Read a block of any length.

    Parameters
    ----------
    memory : WowFlutterMemory
        Plan and state.
    block : ndarray, shape (channels, samples)
        What goes onto the tape.
    out : ndarray, shape (channels, samples made or more)
        Gets what is read; may be `block` itself where the tape runs at the right speed.

    Returns
    -------
    int
        Samples made: as many as went in, but for a speed error, see :func:`countable`.
    """
    counts = memory.counts
    line = memory.line
    before = counts[_MADE]
    taken = 0
    while taken < block.shape[1]:
        column = int(counts[_FED] - counts[_BASE])
        if column == line.shape[1]:
            skipped = int(_earliest(memory) - counts[_BASE])
            for channel in range(np.uintp(line.shape[0])):
                for i in range(np.uintp(column - skipped)):
                    line[channel, i] = line[channel, np.uintp(skipped) + i]
            counts[_BASE] += skipped
            column = column - skipped
        count = min(block.shape[1] - taken, line.shape[1] - column)
        at = memory.glide.counts[AT]
        if glide_moves(memory.glide):
            count = min(count, int(memory.glide.counts[CELL] - at))
        counts[_CELL_BEGIN] = counts[_FED] - at
        to, since = np.uintp(column), np.uintp(taken)
        for row in range(np.uintp(line.shape[0])):
            for k in range(np.uintp(count)):
                line[row, to + k] = block[row, since + k]
        taken = taken + count
        counts[_FED] += count
        end = countable(memory, counts[_FED])
        while counts[_MADE] < end:
            _read_stretch(memory, end, before, out)
        glide_pass(count, memory.glide)
    return int(counts[_MADE] - before)


@kernel()
def _read_stretch(memory: WowFlutterMemory, end: np.int64, before: np.int64, out: Reals2) -> None:
    """Read the next outputs, to `end` or the piece's last; number `before` lies in column 0 of `out`."""
    counts = memory.counts
    places = memory.places
    line = memory.line
    output = counts[_ORIGIN] + counts[_MADE] - counts[LATENCY]
    piece = output // PIECE
    if counts[_FILLED] == 0 or counts[_PIECE_MADE] != piece:
        _fill_delays(memory, piece)
    begin = int(output - output // SEGMENT * SEGMENT)
    count = min(int(end - counts[_MADE]), PIECE - begin % PIECE)
    taps = int(counts[TAPS])
    # Where the depth moves, places are counted from the first of the piece.
    moving = glide_moves(memory.glide)
    since = begin // PIECE * PIECE if moving else 0
    if moving:
        _move_delays(memory, begin, count)
    column = int(counts[_WHOLE] - counts[_BASE]) - (taps // 2 - 1) + since
    part = Part(column, 0, count, int(counts[_MADE] - before))
    channels = line.shape[0]
    together = 2 if counts[AZIMUTH_MOVES] == 0 else 1
    if together == 2:
        _locate(memory, 0.0, begin, since, count)
    first = 0
    while first < channels:
        second = min(first + together - 1, channels - 1)
        if together == 1:
            _locate(memory, first - 0.5 * (channels - 1), begin, since, count)
        if taps == 32:
            read_pair_32(line, memory.table, places, part, first, second, out)
        else:
            read_pair_48(line, memory.table, places, part, first, second, out)
        first = first + together
    counts[_MADE] += count


@kernel()
def _locate(memory: WowFlutterMemory, share: Precise, begin: int, since: int, count: int) -> None:
    """Find where a stretch of a segment is read, counted from one of its samples, see :func:`locate`."""
    start, slope = memory.plan[_FRACTION], memory.plan[_SLOPE]
    if glide_moves(memory.glide):
        start = start + slope * np.float64(since)
        locate(memory.moved, share, start, slope, CELLS, begin - since, count, memory.places)
    else:
        locate(memory.delays, share, start, slope, CELLS, begin, count, memory.places)


@kernel()
def _moves_apart(glide: Glide) -> bool:
    """Whether the depths of the parts are not the same all the time."""
    values = glide.values
    apart = False
    for number in range(1, _NUMBERS):
        for column in range(values.shape[1]):
            apart = apart or values[number, column] != values[0, column]
    return apart


@kernel()
def _fill_apart(memory: WowFlutterMemory, piece: np.int64) -> None:
    """Make what rotating parts and scrape flutter alone delay a piece."""
    counts = memory.counts
    if counts[_PARTS_FILLED] == 1 and counts[_PARTS_MADE] == piece:
        return
    if memory.turning.sines.shape[0] > 0:
        fill_piece(memory.turning, piece, 0, np.uint64(0), memory.apart[0])
    if memory.scraping.noises.keys.size > 0:
        fill_piece(memory.scraping, piece, 0, np.uint64(0), memory.apart[1])
    counts[_PARTS_MADE] = piece
    counts[_PARTS_FILLED] = 1


@kernel()
def _move_delays(memory: WowFlutterMemory, begin: int, count: int) -> None:
    """Write the delays of a stretch of a segment by the depths at its places on the tape.

    The skew of the track stays. Depths between none and the largest that the reader was made for give delays that
    it reaches; the bound is for what their weights round.
    """
    counts = memory.counts
    start, slope = memory.plan[_FRACTION], memory.plan[_SLOPE]
    most = np.double(counts[REACH] - counts[TAPS] // 2)
    piece = counts[_PIECE_MADE]
    first = begin // PIECE * PIECE
    apart = _moves_apart(memory.glide)
    if apart:
        _fill_apart(memory, piece)
    for k in range(count):
        i = begin + k
        place = counts[_WHOLE] + i + np.int64(np.floor(start + slope * np.float64(i)))
        at = int(place - counts[_CELL_BEGIN])
        skew = settled_constant(memory.flutter, np.double(piece * PIECE + i - first))
        depth = glide_late_value(_RANDOM if apart else _TURNING, at, memory.glide)
        delay = depth * (memory.delays[0, i] - skew) + skew
        if apart:
            turning = glide_late_value(_TURNING, at, memory.glide) - depth
            scraping = glide_late_value(_SCRAPING, at, memory.glide) - depth
            delay += turning * memory.apart[0, i - first] + scraping * memory.apart[1, i - first]
        memory.moved[0, i - first] = min(max(delay, -most), most)
        memory.moved[1, i - first] = memory.delays[1, i]


@kernel()
def _fill_delays(memory: WowFlutterMemory, piece: np.int64) -> None:
    """Make the delays of a piece, and find where the first output sample of its segment is read."""
    counts = memory.counts
    segment = piece * PIECE // SEGMENT * SEGMENT
    begin = int(piece * PIECE - segment)
    fill_piece(memory.flutter, piece, 0, np.uint64(0), memory.delays[0, begin : begin + PIECE])
    if counts[AZIMUTH_MOVES] == 1:
        fill_piece(memory.azimuth, piece, 0, np.uint64(0), memory.delays[1, begin : begin + PIECE])
    whole, fraction = place_of(segment, memory.ratio)
    counts[_WHOLE] = whole - counts[_START]
    memory.plan[_FRACTION] = fraction
    counts[_PIECE_MADE] = piece
    counts[_FILLED] = 1
