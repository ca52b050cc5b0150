"""How a room is laid out: decay times by octaves, lengths of lines, scatter, signs and orders, and how it turns.

Everything here follows from settings and sample rate. What is drawn at random comes from hashed counters, keyed
by the room's seed and by what it is for. The lines' lengths are primes, so that no two lines share a period; the
mixing is Sylvester's Hadamard matrix with signs and a permutation, which costs L log2 L additions for L lines.
What is mixed is orthogonal whatever permutation, signs and rotation are; the network around it is then lossless
for any set of delays, and stable with any loss, even while the rotation moves (Schlecht & Habets, "Time-varying
feedback matrices in feedback delay networks", J. Acoust. Soc. Am. 138, 2015).
"""

import math
from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Hashes2, Integers1, Precise, Precises1
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import exponential, logarithm, power_of_ten
from tapeemu.dsp.kernels.hashing import stream_key, uniform

__all__ = [
    "BANDS",
    "FOR_DIFFUSER",
    "FOR_INPUT",
    "FOR_MIXING",
    "FOR_SWINGS",
    "FOR_TAPS",
    "RoomSettings",
    "cell_samples",
    "decay_of_band",
    "diffuser_span_samples",
    "draw_line_delays",
    "draw_order",
    "draw_scatter",
    "draw_sign",
    "draw_swings",
    "longest_line_samples",
    "mean_line_samples",
    "needed_angle",
    "octave_hz",
    "pre_delay_samples",
    "room_key",
    "slowest_decay_seconds",
    "spread_rate",
    "tap_span_samples",
    "usable_bands",
    "widest_turning_hz",
]

BANDS = 9
"""Octave bands from 63 Hz to 16 kHz."""

_BAND_OF_1_KHZ = 4
_USABLE_RATIO = 0.45  # bands above this part of the sample rate cannot be shaped and are left out
_DEFAULT_DECAY_SECONDS = 2.0
_DEFAULT_LOW_RATIO = 1.1
_DEFAULT_HIGH_RATIO = 0.5
_LOW_CORNER_HZ = 300.0
_HIGH_CORNER_HZ = 4000.0
_LEAST_RATE = 0.05
_LN2 = 0.6931471805599453

# Tuned on measurements: the lossless network's energy is then level from the first milliseconds on, so that
# short decays read right, and it is dense and even enough (see benchmarks/speed_fdn_reverb.py).
_MEAN_LINE_SECONDS = 0.1
_LONGEST_PART_OF_DECAY = 0.2  # mean line in terms of the shortest decay time from 125 Hz to 8 kHz
_LARGEST_SIZE_GROWTH = 1.4142135623730951  # fourth root of the largest size, 400 %, as is that of smaller ones
# Turning spreads every mode over its neighbours, in all over some 5 Hz divided by the seconds in all lines. That
# must be little beside an octave where the next one decays twice as long, or each reads some of the other's decay.
_STEEP_SECONDS = 0.4
_LONGEST_TO_SHORTEST_LOG = 1.791759469228055  # ln 6
_LINE_SCATTER = 0.3  # of the step from one line to the next
_PRIME_SLACK = 256  # no prime below 4 million lies further from the nearest than 75; room for those that are taken
_DIFFUSER_SPAN = 0.6  # of the mean line
_TAP_SPAN = 0.2  # of the mean line

_RATE_SPREAD = 0.35
_SMOOTHING = 9.0
_LEAST_ANGLE = 0.9
_DENSE = 1.3  # seconds in all lines, in terms of the decay time, from which on nothing needs to turn
_DENSE_SLOPE = 0.6
_SHORTEST_TAIL = 0.25  # seconds: shorter decays are over before a mode can be heard
_LONGEST_TAIL = 3.0  # seconds: modes must have met by then, however long they last
_LONGEST_CELL = 256
_SHORTEST_CELL = 4
# How far turning may spread sound over a decay, as a part of the frequency where two octaves meet, times the
# logarithm of how their decays differ. Octaves then read within 1 % of what they would in a still network; the
# error goes with the square (see tests/tapeemu/processors/test_fdn_reverb.py and benchmarks/octave_readings.py).
_CALM_SPREAD = 0.05
_ALIKE = 1e-9  # logarithm of decays that do not differ
_HALF_OCTAVE = 1.4125375446227544  # of base ten: 10^0.15
_PHASES = 1152921504606846976.0  # 2^60
_PHASES_LEFT = np.uint64(16)  # 2^64 phases are a turn

# What random numbers are for; each has several keys, by number.
_FOR_LINES = np.uint64(1)
_LENGTHS = np.uint64(0)
_ORDER = np.uint64(1)
FOR_DIFFUSER = np.uint64(2)
FOR_MIXING = np.uint64(3)
FOR_INPUT = np.uint64(4)
FOR_SWINGS = np.uint64(5)
FOR_TAPS = np.uint64(6)
_HALF = 0.5


class RoomSettings(NamedTuple):
    """The settings of the reverb as numbers; those that may be left out have a flag beside them.

    Attributes
    ----------
    decay_seconds, low_decay_ratio, high_decay_ratio : float
        Count if their flag is not 0.
    decay_given, low_given, high_given : int
        The flags.
    band_seconds : ndarray, shape (9,)
        Decay times by octave bands, where `bands_given` is not 0. If none is given, the ratios hold.
    bands_given : ndarray of int64, shape (9,)
    pre_delay_seconds, size_percent, diffusion_percent, modulation_percent, modulation_hz : float
    width_percent, wet_percent : float
    lines : int
        8, 16 or 32.
    room_seed : uint64
    """

    decay_seconds: Precise
    decay_given: int
    low_decay_ratio: Precise
    low_given: int
    high_decay_ratio: Precise
    high_given: int
    band_seconds: Precises1
    bands_given: Integers1
    pre_delay_seconds: Precise
    size_percent: Precise
    diffusion_percent: Precise
    modulation_percent: Precise
    modulation_hz: Precise
    width_percent: Precise
    wet_percent: Precise
    lines: int
    room_seed: np.uint64


# --- decay times ---------------------------------------------------------------------------------------------


@kernel()
def octave_hz(band: int) -> Precise:
    """Exact centre of a band (IEC 61260-1, base ten); band 4 is that of 1 kHz."""
    steps: Precise = band - _BAND_OF_1_KHZ
    return 1000.0 * power_of_ten(0.3 * steps)


@kernel()
def usable_bands(sample_rate: Precise) -> int:
    """Count of the octave bands, from 63 Hz up, that lie below 0.45 of the sample rate."""
    found = 0
    while found < BANDS and octave_hz(found) <= _USABLE_RATIO * sample_rate:
        found += 1
    return found


@kernel()
def _low_part(frequency_hz: Precise) -> Precise:
    """Share of the lows at a frequency: 1 at 0 Hz, a half at the low corner."""
    ratio = frequency_hz / _LOW_CORNER_HZ
    return 1.0 / (1.0 + ratio * ratio)


@kernel()
def _high_part(frequency_hz: Precise) -> Precise:
    """Share of the highs at a frequency: a half at the high corner, near 1 far above."""
    ratio = _HIGH_CORNER_HZ / frequency_hz
    return 1.0 / (1.0 + ratio * ratio)


@kernel()
def decay_by_ratios(decay_seconds: Precise, low_ratio: Precise, high_ratio: Precise, band: int) -> Precise:
    """Decay time of a band from the one at 1 kHz and two ratios, those of 125 Hz and of 8 kHz to it.

    The absorption (1/T) is that of a broad low band around 300 Hz and a broad high band around 4 kHz, as
    first-order shelves have it, on top of a constant; T is exact at 125 Hz, 1 kHz and 8 kHz. The law is ours;
    it is the shape that costs least to realise.
    """
    middle_hz = octave_hz(int(_BAND_OF_1_KHZ))
    bottom_hz = octave_hz(1)
    top_hz = octave_hz(7)
    low_middle = _low_part(middle_hz)
    high_middle = _high_part(middle_hz)
    a = _low_part(bottom_hz) - low_middle
    b = _high_part(bottom_hz) - high_middle
    c = _low_part(top_hz) - low_middle
    d = _high_part(top_hz) - high_middle
    left = 1.0 / low_ratio - 1.0
    right = 1.0 / high_ratio - 1.0
    low = (left * d - b * right) / (a * d - b * c)
    high = (a * right - left * c) / (a * d - b * c)
    where_hz = octave_hz(band)
    rate = 1.0 + low * (_low_part(where_hz) - low_middle) + high * (_high_part(where_hz) - high_middle)
    return decay_seconds / max(rate, _LEAST_RATE)


@kernel()
def _table_decay(seconds: Precises1, given: Integers1, band: int) -> Precise:
    """Decay time of a band of a table: over bands that are left out its logarithm goes straight."""
    below = -1
    above = -1
    for other in range(BANDS):
        if given[other] != 0:
            if other <= band:
                below = other
            if other >= band and above < 0:
                above = other
    if below < 0:
        below = above
    if above < 0:
        above = below
    first: Precise = seconds[below]
    if above == below:
        return first
    way: Precise = band - below
    whole: Precise = above - below
    start = logarithm(first)
    return exponential(start + way / whole * (logarithm(seconds[above]) - start))


@kernel()
def decay_of_band(settings: RoomSettings, band: int) -> Precise:
    """Decay time, in seconds, that an octave band shall read."""
    tabled = False
    for other in range(BANDS):
        tabled = tabled or settings.bands_given[other] != 0
    decay: Precise = _DEFAULT_DECAY_SECONDS
    if settings.decay_given != 0:
        decay = settings.decay_seconds
    if not tabled:
        low: Precise = _DEFAULT_LOW_RATIO
        if settings.low_given != 0:
            low = settings.low_decay_ratio
        high: Precise = _DEFAULT_HIGH_RATIO
        if settings.high_given != 0:
            high = settings.high_decay_ratio
        return decay_by_ratios(decay, low, high, band)
    value = _table_decay(settings.band_seconds, settings.bands_given, band)
    if settings.decay_given == 0:
        return value
    return value * (decay / _table_decay(settings.band_seconds, settings.bands_given, int(_BAND_OF_1_KHZ)))


@kernel()
def slowest_decay_seconds(settings: RoomSettings, sample_rate: Precise) -> Precise:
    """Longest decay time of the bands that the sample rate has room for."""
    slowest = decay_of_band(settings, 0)
    for band in range(1, usable_bands(sample_rate)):
        slowest = max(slowest, decay_of_band(settings, band))
    return slowest


# --- lengths -------------------------------------------------------------------------------------------------


@kernel()
def mean_line_samples(settings: RoomSettings, sample_rate: Precise) -> Precise:
    """Mean length of a line that the settings ask for, before it becomes a prime."""
    shortest = decay_of_band(settings, 1)
    for band in range(2, 8):
        shortest = min(shortest, decay_of_band(settings, band))
    sharpest: Precise = 0.0
    steepest: Precise = 0.0
    below: Precise = 0.0
    for band in range(BANDS - 1):
        step = logarithm(decay_of_band(settings, band + 1) / decay_of_band(settings, band)) / _LN2
        octaves_up: Precise = max(band - 1, 0)
        steepest = max(steepest, abs(step) * power_of_ten(-0.3 * octaves_up))
        if band > 0:
            sharpest = max(sharpest, abs(step - below))
        below = step
    # Bends of the table are made by filters in the lines: the longer the pass, the harder they are to make.
    sharpest = max(sharpest, 1.0)
    longest_mean = _LONGEST_PART_OF_DECAY * shortest / (sharpest * sharpest)
    size = settings.size_percent / 100.0
    growth = size
    if size > 1.0:
        growth = math.sqrt(math.sqrt(size))
    mean = min(_MEAN_LINE_SECONDS * size, longest_mean * growth)
    lines: Precise = settings.lines
    needed = _STEEP_SECONDS / lines * steepest
    mean = min(math.sqrt(mean * mean + needed * needed), longest_mean * _LARGEST_SIZE_GROWTH)
    return mean * sample_rate


@kernel()
def room_key(settings: RoomSettings, purpose: np.uint64, number: np.uint64) -> np.uint64:
    """Key of random numbers for a purpose."""
    return stream_key(settings.room_seed, purpose, number)


@kernel()
def _relative_length(key: np.uint64, line: int, lines: int) -> Precise:
    """Length of a line in terms of the shortest's place, in rising order: scattered on a geometric series."""
    place: Precise = line
    steps: Precise = lines - 1
    place = place + _LINE_SCATTER * (uniform(key, np.uint64(np.int64(line))) - _HALF)
    return exponential(_LONGEST_TO_SHORTEST_LOG * (place / steps))


@kernel()
def _wanted_length(settings: RoomSettings, mean: Precise, line: int) -> Precise:
    """Length that a line should have, in samples, at least 2."""
    key = room_key(settings, _FOR_LINES, _LENGTHS)
    total: Precise = 0.0
    for other in range(settings.lines):
        total += _relative_length(key, other, settings.lines)
    lines: Precise = settings.lines
    return max(_relative_length(key, line, settings.lines) * (mean / (total / lines)), 2.0)


@kernel()
def longest_line_samples(settings: RoomSettings, sample_rate: Precise) -> int:
    """Samples that no line is longer than."""
    mean = mean_line_samples(settings, sample_rate)
    return math.ceil(_wanted_length(settings, mean, settings.lines - 1)) + _PRIME_SLACK


@kernel()
def is_prime(number: int) -> bool:
    """Whether a number has no divisors, by trying them."""
    if number < 4:
        return number > 1
    if number % 2 == 0:
        return False
    divisor = 3
    while divisor * divisor <= number:
        if number % divisor == 0:
            return False
        divisor += 2
    return True


@kernel()
def _is_free_prime(number: int, chosen: Integers1, count: int) -> bool:
    """Whether a number is a prime that is not among the first `count` of `chosen`."""
    if not is_prime(number):
        return False
    free = True
    for other in range(count):
        free = free and chosen[other] != number
    return free


@kernel()
def nearest_free_prime(wanted: Precise, chosen: Integers1, count: int) -> int:
    """Prime nearest to a length that is not among the first `count` of `chosen`; the lower of two equals."""
    lower = math.floor(wanted)
    while lower > 1 and not _is_free_prime(lower, chosen, count):
        lower -= 1
    upper = math.floor(wanted) + 1
    while not _is_free_prime(upper, chosen, count):
        upper += 1
    if lower < 2:
        return upper
    return lower if wanted - lower <= upper - wanted else upper


@kernel()
def draw_order(key: np.uint64, order: Integers1) -> None:
    """Put the entries in random order (Fisher and Yates)."""
    for last in range(order.size - 1, 0, -1):
        choices: Precise = last + 1
        other = math.floor(uniform(key, np.uint64(np.int64(last))) * choices)
        held = order[last]
        order[last] = order[other]
        order[other] = held


@kernel()
def draw_sign(key: np.uint64, number: int) -> Precise:
    """Either 1 or -1."""
    value: Precise = 1.0
    if uniform(key, np.uint64(np.int64(number))) < _HALF:
        value = -1.0
    return value


@kernel()
def draw_line_delays(settings: RoomSettings, mean: Precise, delays: Integers1) -> None:
    """Write distinct primes near the lengths wanted, in random order."""
    for line in range(settings.lines):
        delays[line] = nearest_free_prime(_wanted_length(settings, mean, line), delays, line)
    draw_order(room_key(settings, _FOR_LINES, _ORDER), delays)


@kernel()
def draw_scatter(key: np.uint64, span: Precise, delays: Integers1) -> None:
    """Write one delay at random in each of equal parts of a span, in random order: from 0 to less than it."""
    parts: Precise = delays.size
    for k in range(delays.size):
        delays[k] = k
    draw_order(key, delays)
    for k in range(delays.size):
        part: Precise = delays[k]
        # Counters of their own, behind those of the order.
        inside = uniform(key, np.uint64(np.int64(delays.size + k)))
        delays[k] = math.floor((part + inside) * span / parts)


@kernel()
def diffuser_span_samples(settings: RoomSettings, mean: Precise) -> Precise:
    """Samples over which both stages of the diffuser scatter together."""
    return _DIFFUSER_SPAN * mean * settings.diffusion_percent / 100.0


@kernel()
def tap_span_samples(mean: Precise) -> Precise:
    """Samples over which a channel's taps are scattered."""
    return _TAP_SPAN * mean


@kernel()
def pre_delay_samples(settings: RoomSettings, sample_rate: Precise) -> int:
    """The pre-delay, rounded to samples: halves to even."""
    exact = settings.pre_delay_seconds * sample_rate
    whole = math.floor(exact)
    rest = exact - whole
    odd = whole % 2 == 1
    if rest == _HALF and not odd:
        return whole
    return whole + 1 if rest >= _HALF else whole


# --- motion --------------------------------------------------------------------------------------------------


@kernel()
def draw_swings(
    key: np.uint64, hertz: Precise, sample_rate: Precise, rates: Hashes2, phases: Hashes2, swing: int
) -> None:
    """Write how fast every pair turns to and fro, each a little differently, and where it stands at sample 0.

    Parameters
    ----------
    key : uint64
        Of this swing's random numbers.
    hertz : float
        Mean rate.
    sample_rate : float
    rates, phases : ndarray, shape (swings, lines / 2)
        Row `swing` gets turns per sample, and turns, in units of 2^-64.
    swing : int
    """
    for pair in range(rates.shape[1]):
        spread = 1.0 + _RATE_SPREAD * (2.0 * uniform(key, np.uint64(np.int64(pair))) - 1.0)
        turns = spread * hertz / sample_rate
        rates[swing, pair] = np.uint64(np.int64(turns * _PHASES)) * _PHASES_LEFT
        start = uniform(key, np.uint64(np.int64(rates.shape[1] + pair)))
        phases[swing, pair] = np.uint64(np.int64(start * _PHASES)) * _PHASES_LEFT


@kernel()
def spread_rate(rate: Precise) -> Precise:
    """The largest that a rate becomes in any pair."""
    return (1.0 + _RATE_SPREAD) * rate


@kernel()
def needed_angle(whole_seconds: Precise, lines: int, decay_seconds: Precise) -> Precise:
    """Angle, in radians to each side at the network's own rate, that the mixing must turn for a smooth tail.

    A still network has as many modes per hertz as there are seconds in all its lines. Where a decay lasts
    longer than that, modes are heard one by one. Every pass through a turning mixing spreads a mode by
    some part of (angle times rate), and passes add up as powers, so modes meet if the angle is some
    multiple of 1 / sqrt(whole_seconds * lines * decay). The law is ours; its constants are from our own
    measurements of tails.
    """
    sparse = min(max((_DENSE - whole_seconds / decay_seconds) / _DENSE_SLOPE, 0.0), 1.0)
    lasting = min(max(decay_seconds / _SHORTEST_TAIL - 1.0, 0.0), 1.0)
    passes = min(max(decay_seconds, 2.0 * _SHORTEST_TAIL), _LONGEST_TAIL)
    rows: Precise = lines
    meeting = max(_SMOOTHING / math.sqrt(whole_seconds * rows * passes), _LEAST_ANGLE)
    return sparse * lasting * meeting


@kernel()
def widest_turning_hz(settings: RoomSettings, pass_seconds: Precise, sample_rate: Precise) -> Precise:
    """Angle in radians times rate in hertz that the mixing may turn by as set, so that octaves keep their decays.

    Every pass through a mixing that turns by an angle A at a rate r moves sound by A r / sqrt(2) Hz (RMS), up or
    down, and passes add up as powers: while a decay of T seconds falls by 30 dB,
    ``A r sqrt(T / (4 pass_seconds))`` hertz. Where an octave decays for much longer than the next one, what it
    loses there makes it read shorter, and the other one longer. The law is ours.

    Parameters
    ----------
    settings : RoomSettings
    pass_seconds : float
        Mean length of a line.
    sample_rate : float
        Samples per second.

    Returns
    -------
    float
        Without bound, 1e300, where all octaves decay alike.
    """
    widest: Precise = 1e300
    below = decay_of_band(settings, 0)
    for band in range(1, usable_bands(sample_rate)):
        above = decay_of_band(settings, band)
        step = abs(logarithm(above / below))
        if step > _ALIKE:
            passes = max(above, below) / (4.0 * pass_seconds)
            edge_hz = octave_hz(band) / _HALF_OCTAVE
            widest = min(widest, _CALM_SPREAD * edge_hz / (step * math.sqrt(passes)))
        below = above
    return widest


@kernel()
def cell_samples(radians_per_sample: Precise, pass_of_decay: Precise) -> int:
    """Samples between exact angles; negative if lines between them are curved, see `rotate` of the network.

    Interpolation costs under 0.3 % of the decay time: angles d apart cost ``4.34 d^2 / 6`` dB a pass along
    straight lines, ``4.34 d^4 / 40`` dB along curved ones, where the decay takes ``60 pass_of_decay`` dB.
    """
    longest: Precise = _LONGEST_CELL
    if radians_per_sample * longest <= math.sqrt(0.25 * pass_of_decay):
        return _LONGEST_CELL
    apart = math.sqrt(math.sqrt(1.6 * pass_of_decay))
    samples = apart / radians_per_sample
    cell = _SHORTEST_CELL
    while cell < _LONGEST_CELL and cell * 2 <= samples:
        cell *= 2
    return -cell
