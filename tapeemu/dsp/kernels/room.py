"""The reverberating room, from its settings to sound: see :class:`tapeemu.processors.fdn_reverb.FdnReverb`."""

import math
from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.absorption import (
    CENTRE_ROWS,
    DECAYS,
    FILTER_ROWS,
    LINE_ROWS,
    POINT_ROWS,
    AbsorptionScratch,
    design_absorption,
    loop_decay_seconds,
    pass_power,
)
from tapeemu.dsp.kernels.arrays import Integers2, Precise, Precises1, Precises2, Reals2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import cosine_of_turns, logarithm_of_ten, power_of_ten, sine_of_turns
from tapeemu.dsp.kernels.network import (
    CELL,
    CHUNK,
    COMMON,
    COUNTERS,
    CURVED,
    DELAYS,
    DEPTH,
    DIFFUSER_DELAY,
    DIFFUSER_GAIN,
    DIFFUSER_ORDER,
    DRY,
    GAINS,
    INPUT_DELAY,
    INPUT_GAIN,
    LINE_DELAY,
    LINE_ORDER,
    LONGEST_CELL,
    MIXING_GAIN,
    MOVING,
    NUMBERS,
    OWN,
    SCALE,
    SHORTEST,
    SWINGS,
    Network,
    NetworkState,
    clear_network,
    reverberate,
)
from tapeemu.dsp.kernels.octave_decay import READ_POINTS
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
)

__all__ = [
    "DEEPEST_ANGLE",
    "RoomMemory",
    "RoomSettings",
    "room_decays",
    "room_design",
    "room_latency",
    "room_process",
    "room_seek",
    "room_shapes",
    "room_tail",
]

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
    """

    network: Network
    state: NetworkState
    scratch: AbsorptionScratch


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
    span = diffuser_span_samples(settings, mean_line_samples(settings, sample_rate))
    return pre_delay_samples(settings, sample_rate) + math.ceil(span * _FIRST_STAGE)


@kernel()
def _longest_diffuser_delay(settings: RoomSettings, sample_rate: Precise) -> int:
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
def _put(shapes: Integers2, row: int, first: int, second: int, third: int) -> None:
    shapes[row, 0] = first
    shapes[row, 1] = second
    shapes[row, 2] = third


@kernel()
def _ring_columns(longest: int) -> int:
    """Columns of a ring for delays up to the longest, with its margin."""
    return ((longest + CHUNK - 1) // CHUNK + 2) * CHUNK


@kernel()
def room_shapes(settings: RoomSettings, sample_rate: Precise, channels: int, shapes: Integers2) -> None:
    """Write the shapes of the arrays of :class:`RoomMemory`, a row for each."""
    lines = settings.lines
    half = lines // 2
    _put(shapes, 0, NUMBERS, 1, 1)
    _put(shapes, 1, DELAYS, lines, 1)
    _put(shapes, 2, GAINS, lines, 1)
    _put(shapes, 3, FILTER_ROWS, 4, lines)
    _put(shapes, 4, channels, half, 1)
    _put(shapes, 5, channels, half, 1)
    _put(shapes, 6, SWINGS, half, 1)
    _put(shapes, 7, SWINGS, half, 1)
    _put(shapes, 8, 2, LONGEST_CELL, 1)

    _put(shapes, 9, COUNTERS, 1, 1)
    _put(shapes, 10, channels, _ring_columns(_longest_input_delay(settings, sample_rate)), 1)
    _put(shapes, 11, lines, _ring_columns(_longest_diffuser_delay(settings, sample_rate)), 1)
    _put(shapes, 12, lines, _ring_columns(longest_line_samples(settings, sample_rate)), 1)
    _put(shapes, 13, FILTER_ROWS - 1, 2, lines)
    _put(shapes, 14, lines, CHUNK, 1)
    _put(shapes, 15, 4, half, 1)
    _put(shapes, 16, 4, CHUNK, 1)
    _put(shapes, 17, channels + 1, CHUNK, 1)

    _put(shapes, 18, POINT_ROWS, READ_POINTS, 1)
    _put(shapes, 19, CENTRE_ROWS, BANDS, 1)
    _put(shapes, 20, LINE_ROWS, lines, BANDS)
    _put(shapes, 21, FILTER_ROWS, 4, lines)
    _put(shapes, 22, FILTER_ROWS, 4, lines)


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
    draw_scatter(room_key(settings, FOR_DIFFUSER, 0), span * _FIRST_STAGE, delays[INPUT_DELAY])
    draw_scatter(room_key(settings, FOR_DIFFUSER, 1), span * (1.0 - _FIRST_STAGE), delays[DIFFUSER_DELAY])
    for line in range(settings.lines):
        delays[INPUT_DELAY, line] += pre_delay
        delays[DIFFUSER_ORDER, line] = line
        delays[LINE_ORDER, line] = line
    draw_order(room_key(settings, FOR_MIXING, 0), delays[DIFFUSER_ORDER])
    draw_order(room_key(settings, FOR_MIXING, 1), delays[LINE_ORDER])


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
            draw_sign(room_key(settings, FOR_INPUT, 0), line) / math.sqrt(sharing) * math.sqrt(entered)
        )
        # Both mixings' scale: the one before the diffuser, and the one behind it.
        network.gains[DIFFUSER_GAIN, line] = (
            draw_sign(room_key(settings, FOR_MIXING, 2), line) * math.sqrt(passed) / count
        )
        network.gains[MIXING_GAIN, line] = draw_sign(room_key(settings, FOR_MIXING, 3), line)
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
            room_key(settings, FOR_TAPS, 2 * channel), tap_span_samples(mean), network.tap_delays[channel]
        )
        for tap in range(half):
            left = _decay_power(per_sample_db, network.tap_delays[channel, tap])
            total += left
            taps += 1.0
            sign = draw_sign(room_key(settings, FOR_TAPS, 2 * channel + 1), tap)
            network.tap_gains[channel, tap] = sign / math.sqrt(count) * math.sqrt(left)
    return total / taps


@kernel()
def _loop_power(sample_rate: Precise, network: Network) -> Precise:
    """Power that one pass through a line leaves on average, where levels are held."""
    turns = min(_LEVEL_REFERENCE_HZ, 0.4 * sample_rate) / sample_rate
    cosine = cosine_of_turns(turns)
    sine = sine_of_turns(turns)
    total: Precise = 0.0
    lines: Precise = network.delays.shape[1]
    for line in range(network.delays.shape[1]):
        total += pass_power(network.filters, line, cosine, sine)
    return total / lines


@kernel()
def _set_levels(settings: RoomSettings, channels: int, level: Precise, network: Network) -> None:
    """Write dry and wet gains, and how wide the reverberation is."""
    numbers = network.numbers
    wet = _wet_share(settings)
    share = settings.wet_percent / 100.0
    numbers[DRY] = 1.0
    if wet > 0.0:
        numbers[DRY] = (1.0 - share) * (wet / share)
    count: Precise = channels
    own: Precise = 1.0
    if channels > 1:
        own = settings.width_percent / 100.0
    common = (1.0 - own) / math.sqrt(count)
    numbers[OWN] = own
    numbers[COMMON] = common
    # Power of own * y_c + common * sum(y) for channels of equal power that are not alike.
    level = level * (wet / math.sqrt(own * own + 2.0 * own * common + count * common * common))
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
    deepest = DEEPEST_ANGLE * settings.modulation_percent / 100.0
    # Fast turns by small angles leave most of the sound where it was: they count as slow ones of that angle.
    counts = deepest * min(settings.modulation_hz / _OWN_SWING_HZ, 1.0)
    own = math.sqrt(max(needed * needed - counts * counts, 0.0))
    numbers[DEPTH] = deepest / (2.0 * _PI)
    numbers[DEPTH + 1] = own / (2.0 * _PI)
    draw_swings(
        room_key(settings, FOR_SWINGS, 0), settings.modulation_hz, sample_rate, network.rates, network.phases, 0
    )
    draw_swings(room_key(settings, FOR_SWINGS, 1), _OWN_SWING_HZ, sample_rate, network.rates, network.phases, 1)
    fastest = 2.0 * _PI * (spread_rate(deepest * settings.modulation_hz) + spread_rate(own * _OWN_SWING_HZ))
    count: Precise = lines
    cell = cell_samples(fastest / sample_rate, whole / count / (sample_rate * slowest))
    counters[MOVING] = 1 if deepest + own > 0.0 else 0
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
    level = math.sqrt(lines * (1.0 - _loop_power(sample_rate, network)) / (count * entering * heard))
    _set_levels(settings, channels, level, network)
    _set_turning(settings, sample_rate, decays, network, memory.state)
    clear_network(memory.state, start_sample)


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
    reverberate(memory.network, memory.state, block, out)
