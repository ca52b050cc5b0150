"""The reverberating room, from its settings to sound: see :class:`tapeemu.processors.fdn_reverb.FdnReverb`."""

import math
from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.absorption import design_absorption
from tapeemu.dsp.kernels.arrays import Integers2, Precise, Precises1, Precises2, Reals2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import (
    cosine_of_turns,
    logarithm,
    logarithm_of_ten,
    power_of_ten,
    sine_of_turns,
)
from tapeemu.dsp.kernels.glides import (
    AT,
    GLIDE_ARRAYS,
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
from tapeemu.dsp.kernels.glides import (
    CELL as GLIDE_CELL,
)
from tapeemu.dsp.kernels.line_filters import FILTER_ROWS, loop_decay_seconds, pass_power
from tapeemu.dsp.kernels.moving_decay import (
    DECAY_COURSE,
    MOVING_ARRAYS,
    MovingDecay,
    absorb_moving,
    decay_left,
    into_segment,
    leave_design,
    make_segment,
    moving_shapes,
    read_moving,
    scale_input,
    write_law,
)
from tapeemu.dsp.kernels.network import (
    CELL,
    CHUNK,
    COMMON,
    COMMON_ROW,
    COUNTERS,
    COURSES,
    CURVED,
    DELAYS,
    DEPTH,
    DIFFUSER_DELAY,
    DIFFUSER_GAIN,
    DIFFUSER_ORDER,
    DRY,
    DRY_ROW,
    FED,
    GAINS,
    HEARD,
    HEARD_ROW,
    HELD,
    INPUT_DELAY,
    INPUT_GAIN,
    LEFT,
    LINE_DELAY,
    LINE_ORDER,
    LONGEST_CELL,
    MIXING_GAIN,
    NUMBERS,
    OWN,
    OWN_ROW,
    POSITION,
    SCALE,
    SHORTEST,
    SWINGS,
    Network,
    NetworkState,
    absorb,
    add_rows,
    clear_network,
    clear_stale,
    mix,
    read_filtered,
    read_rows,
    spread,
    turn_rows,
    write_input,
    write_moving_output,
    write_output,
    write_rows,
)
from tapeemu.dsp.kernels.network import (
    MOVING as TURNING,
)
from tapeemu.dsp.kernels.octave_decay import READ_POINTS
from tapeemu.dsp.kernels.octave_readings import CENTRE_ROWS, DECAYS, LINE_ROWS, POINT_ROWS, AbsorptionScratch
from tapeemu.dsp.kernels.room_layout import (
    BANDS,
    FOR_DIFFUSER,
    FOR_INPUT,
    FOR_MIXING,
    FOR_SWINGS,
    FOR_TAPS,
    RoomSettings,
    cell_samples,
    decay_of_band,
    diffuser_span_samples,
    draw_line_delays,
    draw_order,
    draw_scatter,
    draw_sign,
    draw_swings,
    longest_line_samples,
    mean_line_samples,
    needed_angle,
    pre_delay_samples,
    room_key,
    slowest_decay_seconds,
    spread_rate,
    tap_span_samples,
    usable_bands,
    widest_turning_hz,
)

__all__ = [
    "DEEPEST_ANGLE",
    "ROOM_MOVES",
    "RoomMemory",
    "RoomSettings",
    "room_change",
    "room_decays",
    "room_design",
    "room_latency",
    "room_process",
    "room_rings",
    "room_seek",
    "room_shapes",
    "room_tail",
]

ROOM_MOVES = ("decay_seconds", "wet_percent", "width_percent")
"""Settings that it follows while it plays."""

# Numbers of keys.
_FIRST = np.uint64(0)
_SECOND = np.uint64(1)
_THIRD = np.uint64(2)
_FOURTH = np.uint64(3)
_FIRST_STAGE = 1.0 / 3.0  # of the diffuser's span
# A zero of the Bessel function J0: over a swing to this angle cosine and sine have no mean, so of a pass nothing
# stands still, and the level of a steady tone is an average over many states of the room. The third zero turns
# fast enough for that within seconds.
DEEPEST_ANGLE = 8.653728
"""Largest angle of the swings as set, in radians to each side."""

_OWN_SWING_HZ = 0.5
_PI = 3.141592653589793
_NO_SHARE = 1e-30  # what is silence inside is silence outside
_LEVEL_REFERENCE_HZ = 1000.0
_BAND_OF_1_KHZ = 4
_MEMORY_ROWS = 24 + GLIDE_ARRAYS + MOVING_ARRAYS
_RESONANCE_DB = 12.0  # a steady tone can leave the network louder than noise does


class RoomMemory(NamedTuple):
    """Plan, state, and scratch for the design.

    Attributes
    ----------
    network : Network
        The plan.
    state : NetworkState
    scratch : AbsorptionScratch
        Needed by the design alone.
    glide : Glide
        Gains of the output, and the decay.
    courses : ndarray, shape (COURSES, CHUNK)
        Scratch: the gains, sample by sample.
    moving : MovingDecay
        Filters of another decay than the one designed.
    """

    network: Network
    state: NetworkState
    scratch: AbsorptionScratch
    glide: Glide
    courses: Reals2
    moving: MovingDecay


# --- sizes ---------------------------------------------------------------------------------------------------


@kernel()
def room_latency(settings: RoomSettings, sample_rate: Precise, channels: int) -> int:
    """Samples by which the output is late: none, for the dry sound passes at once."""
    return 0


@kernel()
def _wet_share(settings: RoomSettings) -> Precise:
    """Gain of the reverberation: powers of dry and wet, in the ratio of their shares, add up to one."""
    wet = settings.wet_percent / 100.0
    if wet < _NO_SHARE:
        return 0.0
    return wet / math.sqrt((1.0 - wet) * (1.0 - wet) + wet * wet)


@kernel()
def _longest_input_delay(settings: RoomSettings, sample_rate: Precise) -> int:
    """Samples that no delay before the diffuser is longer than."""
    span = diffuser_span_samples(settings, mean_line_samples(settings, sample_rate))
    return pre_delay_samples(settings, sample_rate) + math.ceil(span * _FIRST_STAGE)


@kernel()
def _longest_diffuser_delay(settings: RoomSettings, sample_rate: Precise) -> int:
    """Samples that no delay of the diffuser's second stage is longer than."""
    span = diffuser_span_samples(settings, mean_line_samples(settings, sample_rate))
    return math.ceil(span * (1.0 - _FIRST_STAGE))


@kernel()
def room_tail(settings: RoomSettings, sample_rate: Precise, channels: int, level_db: Precise) -> int:
    """Samples until the response to any input is `level_db` below that input's peak.

    Counted from the longest decay time, with all delays added and 12 dB kept for tones that fall on
    resonances; impulses and noise are gone earlier.
    """
    wet = _wet_share(settings)
    if wet == 0.0:
        return 0
    once = _longest_input_delay(settings, sample_rate) + _longest_diffuser_delay(settings, sample_rate)
    once += math.ceil(tap_span_samples(mean_line_samples(settings, sample_rate)))
    once += longest_line_samples(settings, sample_rate)
    fall = max(20.0 * logarithm_of_ten(wet) + _RESONANCE_DB - level_db, 0.0)
    return once + math.ceil(fall / 60.0 * slowest_decay_seconds(settings, sample_rate) * sample_rate)


@kernel()
def room_rings(settings: RoomSettings) -> int:
    """Whether any reverberation is heard: 1 or 0."""
    return 1 if _wet_share(settings) > 0.0 else 0


@kernel()
def _ring_columns(longest: int) -> int:
    """Columns of a ring for delays up to the longest, with its margin."""
    return ((longest + CHUNK - 1) // CHUNK + 2) * CHUNK


@kernel()
def room_shapes(settings: RoomSettings, sample_rate: Precise, channels: int, shapes: Integers2) -> None:
    """Write the shapes of the arrays of :class:`RoomMemory`, a row for each."""
    lines = settings.lines
    half = lines // 2
    for row in range(_MEMORY_ROWS):
        for axis in range(3):
            shapes[row, axis] = 1
    shapes[0, 0] = NUMBERS
    shapes[1, 0] = DELAYS
    shapes[1, 1] = lines
    shapes[2, 0] = GAINS
    shapes[2, 1] = lines
    shapes[3, 0] = FILTER_ROWS
    shapes[3, 1] = 4
    shapes[3, 2] = lines
    shapes[4, 0] = channels
    shapes[4, 1] = half
    shapes[5, 0] = channels
    shapes[5, 1] = half
    shapes[6, 0] = SWINGS
    shapes[6, 1] = half
    shapes[7, 0] = SWINGS
    shapes[7, 1] = half
    shapes[8, 0] = 2
    shapes[8, 1] = LONGEST_CELL

    shapes[9, 0] = COUNTERS
    shapes[10, 0] = channels
    shapes[10, 1] = _ring_columns(_longest_input_delay(settings, sample_rate))
    shapes[11, 0] = lines
    shapes[11, 1] = _ring_columns(_longest_diffuser_delay(settings, sample_rate))
    shapes[12, 0] = lines
    shapes[12, 1] = _ring_columns(longest_line_samples(settings, sample_rate))
    shapes[13, 0] = FILTER_ROWS - 1
    shapes[13, 1] = 2
    shapes[13, 2] = lines
    shapes[14, 0] = lines
    shapes[14, 1] = CHUNK
    shapes[15, 0] = 4
    shapes[15, 1] = half
    shapes[16, 0] = CHUNK
    shapes[16, 1] = lines
    shapes[17, 0] = channels + 1
    shapes[17, 1] = CHUNK

    shapes[18, 0] = POINT_ROWS
    shapes[18, 1] = READ_POINTS
    shapes[19, 0] = CENTRE_ROWS
    shapes[19, 1] = BANDS
    shapes[20, 0] = LINE_ROWS
    shapes[20, 1] = lines
    shapes[20, 2] = BANDS
    shapes[21, 0] = FILTER_ROWS
    shapes[21, 1] = 4
    shapes[21, 2] = lines
    shapes[22, 0] = FILTER_ROWS
    shapes[22, 1] = 4
    shapes[22, 2] = lines
    glide_shapes(COURSES + 1, 23, shapes)
    shapes[23 + GLIDE_ARRAYS, 0] = COURSES
    shapes[23 + GLIDE_ARRAYS, 1] = CHUNK
    moving_shapes(lines, 24 + GLIDE_ARRAYS, shapes)


# --- design --------------------------------------------------------------------------------------------------


@kernel()
def _decay_power(decibels_per_sample: Precise, samples: np.int64) -> Precise:
    """Power that is left after some samples of a decay."""
    return power_of_ten(0.1 * decibels_per_sample * np.float64(samples))


@kernel()
def _lay_out(settings: RoomSettings, mean: Precise, pre_delay: int, network: Network) -> None:
    """Draw delays and orders of input, diffuser and lines."""
    delays = network.delays
    span = diffuser_span_samples(settings, mean)
    draw_line_delays(settings, mean, delays[LINE_DELAY])
    draw_scatter(room_key(settings, FOR_DIFFUSER, _FIRST), span * _FIRST_STAGE, delays[INPUT_DELAY])
    draw_scatter(room_key(settings, FOR_DIFFUSER, _SECOND), span * (1.0 - _FIRST_STAGE), delays[DIFFUSER_DELAY])
    for line in range(settings.lines):
        delays[INPUT_DELAY, line] += pre_delay
        delays[DIFFUSER_ORDER, line] = line
        delays[LINE_ORDER, line] = line
    draw_order(room_key(settings, FOR_MIXING, _FIRST), delays[DIFFUSER_ORDER])
    draw_order(room_key(settings, FOR_MIXING, _SECOND), delays[LINE_ORDER])


@kernel()
def _weigh(
    settings: RoomSettings, channels: int, pre_delay: int, per_sample_db: Precise, network: Network
) -> Precise:
    """Write gains and signs of input, diffuser and lines; the part of the power that passes the diffuser."""
    lines = settings.lines
    delays = network.delays
    count: Precise = lines
    scale = 1.0 / math.sqrt(count)
    first: Precise = 0.0
    second: Precise = 0.0
    for line in range(lines):
        # Line i is fed by channel i modulo their number: columns without common rows are orthogonal.
        sharing: Precise = 0.0
        for other in range(lines):
            if other % channels == line % channels:
                sharing += 1.0
        entered = _decay_power(per_sample_db, delays[INPUT_DELAY, line] - pre_delay)
        passed = _decay_power(per_sample_db, delays[DIFFUSER_DELAY, line])
        first += entered
        second += passed
        network.gains[INPUT_GAIN, line] = (
            draw_sign(room_key(settings, FOR_INPUT, _FIRST), line) / math.sqrt(sharing) * math.sqrt(entered)
        )
        # Both mixings' scale: the one before the diffuser, and the one behind it.
        network.gains[DIFFUSER_GAIN, line] = (
            draw_sign(room_key(settings, FOR_MIXING, _THIRD), line) * math.sqrt(passed) / count
        )
        network.gains[MIXING_GAIN, line] = draw_sign(room_key(settings, FOR_MIXING, _FOURTH), line)
    network.numbers[SCALE] = scale
    return first / count * (second / count)


@kernel()
def _place_taps(
    settings: RoomSettings, channels: int, mean: Precise, per_sample_db: Precise, network: Network
) -> Precise:
    """Write delays, signs and decay of what channels hear; the mean of their power."""
    half = settings.lines // 2
    count: Precise = half
    total: Precise = 0.0
    taps: Precise = 0.0
    for channel in range(channels):
        draw_scatter(
            room_key(settings, FOR_TAPS, np.uint64(2 * channel)),
            tap_span_samples(mean),
            network.tap_delays[channel],
        )
        for tap in range(half):
            left = _decay_power(per_sample_db, network.tap_delays[channel, tap])
            total += left
            taps += 1.0
            sign = draw_sign(room_key(settings, FOR_TAPS, np.uint64(2 * channel + 1)), tap)
            network.tap_gains[channel, tap] = sign / math.sqrt(count) * math.sqrt(left)
    return total / taps


@kernel()
def _loop_power(turns: Precise, network: Network) -> Precise:
    """Power that one pass through a line leaves on average, at a frequency in turns per sample."""
    cosine = cosine_of_turns(turns)
    sine = sine_of_turns(turns)
    total: Precise = 0.0
    lines: Precise = network.delays.shape[1]
    for line in range(network.delays.shape[1]):
        total += pass_power(network.filters, line, cosine, sine)
    return total / lines


@kernel()
def _output_gains(settings: RoomSettings, channels: int) -> tuple[Precise, Precise, Precise, Precise]:
    """Gains of the dry sound, of the reverberation, and in it of a channel's own and of all channels together."""
    wet = _wet_share(settings)
    share = settings.wet_percent / 100.0
    dry: Precise = 1.0
    if wet > 0.0:
        dry = (1.0 - share) * (wet / share)
    count: Precise = channels
    own: Precise = 1.0
    if channels > 1:
        own = settings.width_percent / 100.0
    common = (1.0 - own) / math.sqrt(count)
    # Power of own * y_c + common * sum(y) for channels of equal power that are not alike.
    wet = wet / math.sqrt(own * own + 2.0 * own * common + count * common * common)
    return dry, wet, own, common


@kernel()
def _set_levels(settings: RoomSettings, channels: int, level: Precise, network: Network) -> None:
    """Write dry and wet gains, and how wide the reverberation is."""
    numbers = network.numbers
    dry, wet, own, common = _output_gains(settings, channels)
    numbers[DRY] = dry
    numbers[OWN] = own
    numbers[COMMON] = common
    # Taps hold the level of the reverberation, so that nothing more is multiplied while nothing moves; where it is
    # not heard they hold one, for it may come.
    numbers[HEARD] = 1.0 if wet > 0.0 else 0.0
    numbers[HELD] = wet if wet > 0.0 else 1.0
    level = level * numbers[HELD]
    for channel in range(channels):
        for tap in range(network.tap_gains.shape[1]):
            network.tap_gains[channel, tap] *= level


@kernel()
def _set_turning(
    settings: RoomSettings, sample_rate: Precise, decays: Precises1, network: Network, state: NetworkState
) -> None:
    """Write how pairs of lines turn: swings as set, then the network's own, as far as it is needed."""
    counters = state.counters
    numbers = network.numbers
    lines = settings.lines
    whole: Precise = 0.0
    shortest = network.delays[LINE_DELAY, 0]
    for line in range(lines):
        length: Precise = network.delays[LINE_DELAY, line]
        whole += length
        shortest = min(shortest, network.delays[LINE_DELAY, line])
    counters[SHORTEST] = shortest
    needed: Precise = 0.0
    slowest: Precise = 0.0
    for band in range(BANDS):
        slowest = max(slowest, decays[band])
        if band < usable_bands(sample_rate):
            needed = max(needed, needed_angle(whole / sample_rate, lines, decays[band]))
    count: Precise = lines
    widest = widest_turning_hz(settings, whole / count / sample_rate, sample_rate) / settings.modulation_hz
    deepest = min(DEEPEST_ANGLE, widest) * settings.modulation_percent / 100.0
    # Fast turns by small angles leave most of the sound where it was: they count as slow ones of that angle.
    counts = deepest * min(settings.modulation_hz / _OWN_SWING_HZ, 1.0)
    own = math.sqrt(max(needed * needed - counts * counts, 0.0))
    numbers[DEPTH] = deepest / (2.0 * _PI)
    numbers[DEPTH + 1] = own / (2.0 * _PI)
    for swing in range(SWINGS):
        hertz = settings.modulation_hz
        if swing == 1:
            hertz = _OWN_SWING_HZ
        key = room_key(settings, FOR_SWINGS, np.uint64(swing))
        draw_swings(key, hertz, sample_rate, network.rates, network.phases, swing)
    fastest = 2.0 * _PI * (spread_rate(deepest * settings.modulation_hz) + spread_rate(own * _OWN_SWING_HZ))
    cell = cell_samples(fastest / sample_rate, whole / count / (sample_rate * slowest))
    counters[TURNING] = 1 if deepest + own > 0.0 else 0
    counters[CURVED] = 1 if cell < 0 else 0
    counters[CELL] = abs(cell)
    samples: Precise = abs(cell)
    for k in range(abs(cell)):
        passed: Precise = k
        way = passed / samples
        network.ramp[0, k] = way
        network.ramp[1, k] = way * (1.0 - way)


@kernel()
def room_design(
    settings: RoomSettings,
    sample_rate: Precise,
    channels: int,
    start_sample: np.int64,
    track: np.int64,
    memory: RoomMemory,
) -> None:
    """Lay the network out and go to a place on the tape, for memory that is all zeros.

    Times do not depend on the rate beyond rounding, nor anything but taps and levels on the channels.
    """
    network = memory.network
    decays = memory.scratch.centres[DECAYS]
    for band in range(BANDS):
        decays[band] = decay_of_band(settings, band)
    mean = mean_line_samples(settings, sample_rate)
    pre_delay = pre_delay_samples(settings, sample_rate)
    _lay_out(settings, mean, pre_delay, network)
    design_absorption(network.delays[LINE_DELAY], decays, sample_rate, network.filters, memory.scratch)

    middle = decays[min(_BAND_OF_1_KHZ, usable_bands(sample_rate) - 1)]
    per_sample_db = -60.0 / (sample_rate * middle)
    entering = _weigh(settings, channels, pre_delay, per_sample_db, network)
    heard = _place_taps(settings, channels, mean, per_sample_db, network)
    lines: Precise = settings.lines
    count: Precise = channels
    turns = min(_LEVEL_REFERENCE_HZ, 0.4 * sample_rate) / sample_rate
    level = math.sqrt(lines * (1.0 - _loop_power(turns, network)) / (count * entering * heard))
    write_law(network, turns, memory.moving.law)
    _set_levels(settings, channels, level, network)
    _set_turning(settings, sample_rate, decays, network, memory.state)
    glide_rest(DRY_ROW, network.numbers[DRY], memory.glide)
    glide_rest(HEARD_ROW, network.numbers[HEARD], memory.glide)
    glide_rest(OWN_ROW, network.numbers[OWN], memory.glide)
    glide_rest(COMMON_ROW, network.numbers[COMMON], memory.glide)
    glide_rest(DECAY_COURSE, 0.0, memory.glide)
    glide_design(sample_rate, start_sample, memory.glide)
    clear_network(memory.state, start_sample)


@kernel()
def room_change(settings: RoomSettings, sample_rate: Precise, channels: int, memory: RoomMemory) -> None:
    """Go to other settings from the beginning of the next cell on; see :mod:`tapeemu.dsp.kernels.glides`.

    Of the settings those of `ROOM_MOVES` may differ from the ones that it was designed for.
    """
    dry, wet, own, common = _output_gains(settings, channels)
    glide_target(DRY_ROW, dry, memory.glide)
    glide_target(HEARD_ROW, wet / memory.network.numbers[HELD], memory.glide)
    glide_target(OWN_ROW, own, memory.glide)
    glide_target(COMMON_ROW, common, memory.glide)
    designed = memory.scratch.centres[DECAYS, _BAND_OF_1_KHZ]
    glide_target(DECAY_COURSE, logarithm(designed / decay_of_band(settings, int(_BAND_OF_1_KHZ))), memory.glide)


@kernel()
def room_decays(memory: RoomMemory, sample_rate: Precise, frequencies_hz: Precises1, out: Precises2) -> None:
    """Write the decay time of every line from its loop gain, all gains included; `out` is (lines, frequencies)."""
    network = memory.network
    for line in range(out.shape[0]):
        for k in range(frequencies_hz.size):
            out[line, k] = loop_decay_seconds(
                network.filters, network.delays[LINE_DELAY, line], line, frequencies_hz[k], sample_rate
            )


# --- sound ---------------------------------------------------------------------------------------------------


@kernel()
def room_seek(memory: RoomMemory, place: np.int64) -> None:
    """Go to a place on the tape; nothing that sounded before is left."""
    glide_seek(place, memory.glide)
    clear_network(memory.state, place)


@kernel()
def room_process(memory: RoomMemory, block: Reals2, out: Reals2) -> None:
    """Process a block of any length; `out` may be `block` itself.

    Parameters
    ----------
    memory : RoomMemory
        Designed; changed in place.
    block, out : ndarray, shape (channels, samples)
        Input and output.
    """
    network = memory.network
    state = memory.state
    counters = state.counters
    rows = state.rows
    delays = network.delays
    gains = network.gains
    length = block.shape[1]
    sections = int(network.filters[0, 1, 0])
    done = 0
    while done < length:
        fed = counters[FED]
        count = int(min(CHUNK - fed % CHUNK, counters[CELL] - counters[POSITION] % counters[CELL]))
        count = min(count, int(counters[SHORTEST]))
        count = min(count, length - done)
        glides = glide_moves(memory.glide)
        left = counters[LEFT] == 1
        at = int(memory.glide.counts[AT])
        if glides:
            count = min(count, int(memory.glide.counts[GLIDE_CELL]) - at)
            if counters[LEFT] == 0 and decay_left(memory.glide):
                leave_design(network, state, fed)
            left = counters[LEFT] == 1
        into = 0
        if left:
            into = into_segment(memory.glide)
            count = min(count, make_segment(network, state, memory.glide, memory.moving))
        if glides:
            for course in range(COURSES):
                glide_values(course, at, 0, memory.glide, memory.courses[course, :count])
        samples = np.uintp(count)

        write_input(state.input_ring, block, np.uintp(done), fed, samples)
        spread(state.input_ring, delays[INPUT_DELAY], gains[INPUT_GAIN], rows, fed, samples)
        mix(rows, samples)
        if left:
            scale_input(rows, memory.moving, into, count)
        write_rows(state.diffuser_ring, delays[DIFFUSER_ORDER], gains[DIFFUSER_GAIN], rows, fed, samples)

        if sections == 1 and not left:
            read_filtered(network, state, fed, samples)
        else:
            if left:
                read_moving(network, state, memory.moving, fed, into, count)
                absorb_moving(state.filtered, memory.moving, sections, into, state.filter_state, count)
            else:
                read_rows(state.line_ring, network, state.filtered, fed, samples)
                absorb(state.filtered, network.filters, sections, state.filter_state, samples)
            add_rows(state.diffuser_ring, delays[DIFFUSER_DELAY], state.filtered, rows, fed, samples)
        if counters[TURNING] != 0:
            turn_rows(network, state, samples)
        mix(rows, samples)
        write_rows(state.line_ring, delays[LINE_ORDER], gains[MIXING_GAIN], rows, fed, samples)
        if glides:
            write_moving_output(block, out, np.uintp(done), network, state, fed, samples, memory.courses)
        else:
            write_output(block, out, np.uintp(done), network, state, fed, samples)
        glide_pass(count, memory.glide)

        done += count
        counters[FED] = fed + count
        counters[POSITION] += count
        if counters[FED] % CHUNK == 0:
            clear_stale(state.filter_state)
