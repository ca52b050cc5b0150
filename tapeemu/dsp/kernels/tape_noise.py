"""Noise of the tape, from settings to sound: hiss, modulation noise, hum.

Hiss is white noise of hashed numbers behind linear-phase filters at three rates, each an eighth of the one before:
a short filter at every rate gives the spectrum from treble to the lowest octave, and any stretch of the tape is
computed on the spot. What a filter leaves of the spectrum below its own reach is the next one's target, so the sum
of the three has the density asked for.
"""

import math
from typing import NamedTuple

import numpy as np

from tapeemu.dsp.kernels.arrays import Hashes1, Integers1, Integers2, Precise, Precises1, Precises2, Reals1, Reals2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import cosine_of_turns, exponential, fade, logarithm, sine_of_turns
from tapeemu.dsp.kernels.glides import (
    AT,
    CELL,
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
from tapeemu.dsp.kernels.hashing import mix_hash, stream_key, white

__all__ = [
    "TAPE_NOISE_MOVES",
    "TapeNoiseMemory",
    "TapeNoiseSettings",
    "hiss_of_medium_db",
    "tape_noise_adds_sound",
    "tape_noise_change",
    "tape_noise_design",
    "tape_noise_latency",
    "tape_noise_process",
    "tape_noise_seek",
    "tape_noise_shapes",
    "tape_noise_tail",
]

PIECE = 128
"""Samples that are made at a time, on a fixed grid of the tape, at all rates, so that blocks cost the same; a
multiple of the slowest rate's step."""

TAPE_NOISE_MOVES = ("hiss_db", "skirt_db", "hum_db", "reference_level_dbfs")
"""Settings that it follows while it plays."""

HISS, SKIRT, HUM = 0, 1, 2
_PARTS = 3
"""Numbers that glide: what each part is raised by over its level as designed."""

STEP = 8
LEVELS = 3
SLOWEST = 64
"""Steps between the rates: one, eight and sixty-four samples."""

HALF_FAST = 72
HALF_SLOWEST_SECONDS = 0.05
RAISE_TAPS = 12
RAISE_HALF = 6
POINTS = 512
"""Filters' half lengths in numbers of their own rate, taps that raise a rate by eight, and points of a design."""

MIDDLES = PIECE // STEP
SLOWS = PIECE // SLOWEST
HELD_MIDDLES = MIDDLES + 2 * STEP
HELD_SLOWS = HELD_MIDDLES // STEP + RAISE_TAPS - 1
"""New numbers of a piece at the lower rates, and those that it is raised from, which lie in whole steps of the
slowest rate: of the middle rate from a step before the piece on to one behind it."""

_1, _2, _3 = np.uintp(1), np.uintp(2), np.uintp(3)
_REACH = 0.27
_PASSED = 0.30
_PER_2_53 = 2.0**-53
_PI = 3.141592653589793
_NEPERS_PER_DB = 0.11512925464970229
_LAW_TO_HZ = 20_000.0
_NOTHING_FROM_HZ = 30_000.0
# Highest pointer of the quasi-peak meter of ITU-R BS.468-4 in ten seconds of Gaussian noise, over the rms of the
# weighted noise: by simulation with a published fit of the detector, 4.15 to 4.28 for the spectra of six media.
_QUASI_PEAK_DB = 4.21
_HARMONICS = 5
_KEYS = 5
# The medium that others are told against: 38.1 cm/s, 14 um of coating, 2 mm of track, 50 and 3180 us, and 0.5 um
# of distance; power of its hiss by the law, A-weighted.
_FIRST_DB = -60.0
_SIZE_OF_FIRST = 38.1 * 14.0 * 2.0
_POWER_OF_FIRST = 18830.350826756367

# Where numbers stand in TapeNoiseMemory.switches and TapeNoiseMemory.state.
_HISS_ON, _SKIRT_ON, _HUM_ON, _CHANNELS = 0, 1, 2, 3
_PLACE, _PIECE_MADE, _ANY_MADE = 0, 1, 2
_ADDED_NOISE = np.uint64(11)


class TapeNoiseSettings(NamedTuple):
    """Settings of the noise, as numbers.

    Attributes
    ----------
    hiss : int
        1 with hiss, 0 without.
    hiss_set : int
        1 if `hiss_db` holds, 0 if the level follows from the medium.
    hiss_db : float
        Weighted level of the hiss, in dB above that of a sine at the reference level.
    weighting : int
        By which it is told: 0 A-weighted rms, 1 quasi-peak of ITU-R BS.468-4.
    tape_speed_cm_s : float
        Speed of the tape.
    treble_us, bass_us : float
        Time constants of the replay equalisation; `bass_us` 0 for none.
    coating_um, spacing_um, track_width_mm : float
        Thickness of the coating, distance between head and tape, and width of the track.
    skirt : int
        1 with modulation noise, 0 without.
    skirt_db, skirt_hz : float
        Its level re the signal, and the width of its skirts (-3 dB).
    hum : int
        1 with hum, 0 without.
    hum_db, mains_hz : float
        Its rms re that of a sine at the reference level, and its fundamental.
    reference_level_dbfs : float
        Level of the sine that levels are told against.
    seed : uint64
        Number of the tape.
    """

    hiss: int
    hiss_set: int
    hiss_db: Precise
    weighting: int
    tape_speed_cm_s: Precise
    treble_us: Precise
    bass_us: Precise
    coating_um: Precise
    spacing_um: Precise
    track_width_mm: Precise
    skirt: int
    skirt_db: Precise
    skirt_hz: Precise
    hum: int
    hum_db: Precise
    mains_hz: Precise
    reference_level_dbfs: Precise
    seed: np.uint64


class TapeNoiseMemory(NamedTuple):
    """Plan and state of the noise.

    Attributes
    ----------
    switches : ndarray, shape (4,)
        Switches, and the number of channels.
    state : ndarray, shape (3,)
        Place on the tape of the next sample, piece that is held, and whether one is.
    keys : ndarray, shape (5 * channels,)
        Of every channel: keys of its hiss at three rates, and of its modulation noise at two.
    turns : ndarray, shape (1,)
        Turns of the hum per sample, in 2**-64.
    fast, middle, slow, skirt_middle, skirt_slow : ndarray
        One half of each filter, the middle tap first: of the hiss at three rates, of the modulation noise at two.
    raising : ndarray, shape (8, 12)
        Taps that raise a rate by eight, one row a phase.
    hum_peaks : ndarray, shape (5,)
        Peaks of the hum's odd harmonics.
    hiss, moving : ndarray, shape (channels, piece)
        What is added in the piece that is held, and by what share the signal is raised in it.
    hum : ndarray, shape (piece,)
        What else is added, on all channels.
    levels : ndarray, shape (3,)
        Levels of hiss, modulation noise and hum as designed, in dB.
    glide : Glide
        What they are raised by.
    rows : ndarray, shape (3, piece)
        Scratch: the same, sample by sample.
    white : ndarray, shape (channels, piece + 144)
        Numbers that the hiss of the piece is filtered from.
    white_middle, white_slow : ndarray
        The same for the lower rates; of every channel, hiss and modulation noise.
    slows : ndarray, shape (2 * channels, HELD_SLOWS)
        Noise at the slowest rate round the piece.
    raised : ndarray, shape (2 * channels, HELD_MIDDLES)
        Noise of both lower rates round the piece, at the middle rate.
    design : ndarray, shape (1, points)
        Scratch of the design.
    """

    switches: Integers1
    state: Integers1
    keys: Hashes1
    turns: Hashes1
    fast: Reals1
    middle: Reals1
    slow: Reals1
    skirt_middle: Reals1
    skirt_slow: Reals1
    raising: Reals2
    hum_peaks: Reals1
    hiss: Reals2
    moving: Reals2
    hum: Reals1
    levels: Precises1
    glide: Glide
    rows: Reals2
    white: Reals2
    white_middle: Reals2
    white_slow: Reals2
    slows: Reals2
    raised: Reals2
    design: Precises2


@kernel()
def half_of_slow(sample_rate: Precise) -> int:
    """Half length of the filter at the slowest rate: 50 ms, long enough for a corner of 50 Hz."""
    return 4 * max(6, int(0.25 * HALF_SLOWEST_SECONDS * sample_rate / SLOWEST + 0.5))


@kernel()
def tape_noise_shapes(settings: TapeNoiseSettings, sample_rate: Precise, channels: int, shapes: Integers2) -> None:
    """Write the dimensions of every array of :class:`TapeNoiseMemory`.

    Parameters
    ----------
    settings : TapeNoiseSettings
    sample_rate : float
        Samples per second.
    channels : int
    shapes : ndarray, shape (24, 3)
        Gets a row for each array; dimensions that it has not are 1.
    """
    for i in range(shapes.shape[0]):
        for j in range(shapes.shape[1]):
            shapes[i, j] = 1
    half = half_of_slow(sample_rate)
    shapes[0, 0] = 4
    shapes[1, 0] = 3
    shapes[2, 0] = _KEYS * channels
    shapes[3, 0] = 1
    shapes[4, 0] = HALF_FAST + 1
    shapes[5, 0] = HALF_FAST + 1
    shapes[6, 0] = half + 1
    shapes[7, 0] = HALF_FAST + 1
    shapes[8, 0] = half + 1
    shapes[9, 0] = STEP
    shapes[9, 1] = RAISE_TAPS
    shapes[10, 0] = _HARMONICS
    shapes[11, 0] = channels
    shapes[11, 1] = PIECE
    shapes[12, 0] = channels
    shapes[12, 1] = PIECE
    shapes[13, 0] = PIECE
    shapes[14, 0] = _PARTS
    glide_shapes(_PARTS, 15, shapes)
    row = 15 + GLIDE_ARRAYS
    shapes[row, 0] = _PARTS
    shapes[row, 1] = PIECE
    shapes[row + 1, 0] = channels
    shapes[row + 1, 1] = PIECE + 2 * HALF_FAST
    for of_rows in range(row + 2, row + 6):
        shapes[of_rows, 0] = 2 * channels
    shapes[row + 2, 1] = HELD_MIDDLES + 2 * HALF_FAST
    shapes[row + 3, 1] = HELD_SLOWS + 2 * half
    shapes[row + 4, 1] = HELD_SLOWS
    shapes[row + 5, 1] = HELD_MIDDLES
    shapes[row + 6, 0] = 1
    shapes[row + 6, 1] = POINTS


@kernel()
def tape_noise_latency(settings: TapeNoiseSettings, sample_rate: Precise, channels: int) -> int:
    """Samples by which the output is late: none."""
    return 0


@kernel()
def tape_noise_tail(
    settings: TapeNoiseSettings, sample_rate: Precise, channels: int, level_db: Precise
) -> np.int64:
    """Samples that sound on behind the input: none of its own; noise has no end."""
    return np.int64(0)


@kernel()
def tape_noise_adds_sound(settings: TapeNoiseSettings) -> int:
    """Whether it sounds by itself: 1 with hiss or hum; modulation noise is of the input."""
    return 1 if settings.hiss == 1 or settings.hum == 1 else 0


@kernel()
def hiss_density(settings: TapeNoiseSettings, frequency_hz: Precise) -> Precise:
    """Power density of the hiss, not yet scaled.

    Flux of independent particles in a coating, ``(1 - exp(-2 k d)) / (2 k d) exp(-2 k a)`` with the wave number k,
    thickness d and distance a, behind the replay equalisation.
    """
    k = 2.0 * _PI * frequency_hz / (0.01 * settings.tape_speed_cm_s)
    thick = 2.0 * k * 1e-6 * settings.coating_um
    flux = 1.0 - 0.5 * thick
    if thick > 1e-6:
        flux = (1.0 - exponential(-thick)) / thick
    flux = flux * exponential(-2.0 * k * 1e-6 * settings.spacing_um)
    above = 2.0 * _PI * frequency_hz * 1e-6 * settings.treble_us
    level = flux * (1.0 + above * above)
    if settings.bass_us > 0.0:
        below = 2.0 * _PI * frequency_hz * 1e-6 * settings.bass_us
        level = level * below * below / (1.0 + below * below)
    return level * fade(frequency_hz, _NOTHING_FROM_HZ, _LAW_TO_HZ)


@kernel()
def a_weighting_power(frequency_hz: Precise) -> Precise:
    """A-weighting of IEC 61672-1:2013, annex E, as a power ratio that is 1 at 1 kHz."""
    f2 = frequency_hz * frequency_hz
    low = f2 + 20.598997 * 20.598997
    high = f2 + 12194.217 * 12194.217
    middle = (f2 + 107.65265 * 107.65265) * (f2 + 737.86223 * 737.86223)
    above = f2 * f2 * (12194.217 * 12194.217)
    return 1.5847674901546138 * above * above / (low * low * high * high * middle)


@kernel()
def itu468_power(frequency_hz: Precise) -> Precise:
    """Weighting of ITU-R BS.468-4, a power ratio that is 1 at 1 kHz: the rational function commonly published."""
    f = frequency_hz
    f2 = f * f
    even = ((-4.737338981378384e-24 * f2 + 2.043828333606125e-15) * f2 - 1.363894795463638e-7) * f2 + 1.0
    odd = ((1.306612257412824e-19 * f2 - 2.118150887518656e-11) * f2 + 5.559488023498642e-4) * f
    gain = 0.0010175780420897539 * f
    return gain * gain / (even * even + odd * odd)


@kernel()
def gain_at(taps: Reals1, turns: Precise) -> Precise:
    """Response of a symmetric filter, given from its middle tap on, at a frequency in turns per number."""
    total = np.double(taps[0])
    for n in range(1, taps.size):
        total += 2.0 * np.double(taps[n]) * cosine_of_turns(turns * n)
    return total


@kernel()
def design_filter(gains: Precises1, taps: Reals1) -> None:
    """Design a symmetric filter with a given response, by frequency sampling under a window (Hann).

    Parameters
    ----------
    gains : ndarray, shape (points,)
        Response at ``(i + 0.5) / (2 * points)`` turns per number.
    taps : ndarray, shape (half + 1,)
        Gets one half of the filter, the middle tap first.
    """
    points = gains.size
    for n in range(taps.size):
        total: Precise = 0.0
        for i in range(points):
            total += gains[i] * cosine_of_turns((i + 0.5) * n / (2.0 * points))
        window = 0.5 + 0.5 * cosine_of_turns(0.5 * n / np.double(taps.size))
        taps[n] = total / points * window


@kernel()
def _bessel_i0(x: Precise) -> Precise:
    """As :func:`tapeemu.dsp.kernels.elementary.bessel_i0`, but with the last bits that hiss has always had."""
    total: Precise = 1.0
    term: Precise = 1.0
    for n in range(1, 40):
        term = term * (0.5 * x / n) * (0.5 * x / n)
        total += term
    return total


@kernel()
def design_raising(raising: Reals2) -> None:
    """Taps that raise a rate by eight: a sinc under a Kaiser window, images 70 dB down."""
    shape = 6.76
    for phase in range(STEP):
        total: Precise = 0.0
        for k in range(RAISE_TAPS):
            away = (k - (RAISE_HALF - 1)) - phase / STEP
            inside = max(1.0 - (away / RAISE_HALF) * (away / RAISE_HALF), 0.0)
            value = _bessel_i0(shape * math.sqrt(inside)) / _bessel_i0(shape)
            if away != 0.0:
                value = value * cosine_of_turns(0.5 * away - 0.25) / (_PI * away)
            raising[phase, k] = value
            total += value
        for k in range(RAISE_TAPS):
            raising[phase, k] = raising[phase, k] / total


@kernel()
def weighted_power(settings: TapeNoiseSettings, top_hz: Precise) -> Precise:
    """Power of :func:`hiss_density` up to a frequency, behind the weighting by which the level is told."""
    count = 4 * POINTS
    total: Precise = 0.0
    for i in range(count):
        f = (i + 0.5) * top_hz / count
        weight = itu468_power(f) if settings.weighting == 1 else a_weighting_power(f)
        total += weight * hiss_density(settings, f)
    return total * top_hz / count


@kernel()
def hiss_of_medium_db(settings: TapeNoiseSettings) -> Precise:
    """A-weighted level of the hiss of a medium, re a sine at the reference level.

    Counted to 20 kHz. Of equal magnetisation, its power goes with one over speed, thickness and width of the
    track.
    """
    power = weighted_power(settings, _LAW_TO_HZ)
    size = settings.tape_speed_cm_s * settings.coating_um * settings.track_width_mm
    return 0.5 / _NEPERS_PER_DB * logarithm(power / _POWER_OF_FIRST * _SIZE_OF_FIRST / size) + _FIRST_DB


@kernel()
def scale_of_hiss(settings: TapeNoiseSettings, sample_rate: Precise) -> Precise:
    """Factor on :func:`hiss_density` that gives the weighted level asked for, for a density per hertz."""
    level_db = settings.hiss_db
    if settings.hiss_set == 0:
        level_db = hiss_of_medium_db(settings)
    level_db = level_db + settings.reference_level_dbfs
    if settings.weighting == 1:
        level_db = level_db - _QUASI_PEAK_DB
    top = min(0.5 * sample_rate, _NOTHING_FROM_HZ)
    return 0.5 * exponential(2.0 * _NEPERS_PER_DB * level_db) / weighted_power(settings, top)


@kernel()
def density(settings: TapeNoiseSettings, of_skirt: bool, frequency_hz: Precise) -> Precise:
    """Power density, not scaled: of the hiss, or of the modulation noise, which is that of one pole."""
    relative = frequency_hz / settings.skirt_hz
    return 1.0 / (1.0 + relative * relative) if of_skirt else hiss_density(settings, frequency_hz)


@kernel()
def design_filters(
    settings: TapeNoiseSettings,
    sample_rate: Precise,
    of_skirt: bool,
    scale: Precise,
    memory: TapeNoiseMemory,
    middle: Reals1,
    slow: Reals1,
) -> None:
    """Design the filters of the rates, from the fastest on; each has what the ones before left.

    Modulation noise has none at the sample rate.

    Parameters
    ----------
    settings : TapeNoiseSettings
    sample_rate : float
    of_skirt : bool
        Whether it is the modulation noise.
    scale : float
        Factor on :func:`density`.
    memory : TapeNoiseMemory
        Scratch, and the filter at the sample rate.
    middle, slow : ndarray
        Get the filters of the other rates.
    """
    gains = memory.design[0]
    for level in range(1 if of_skirt else 0, LEVELS):
        step = 1
        for _ in range(level):
            step = step * STEP
        rate = sample_rate / step
        below = _REACH * rate / STEP
        for i in range(POINTS):
            f = (i + 0.5) * 0.5 * rate / POINTS
            left = scale * density(settings, of_skirt, f)
            if level > 0 and not of_skirt:
                # What a filter of a faster rate gives is its squared response over that rate, one-sided.
                fast = gain_at(memory.fast, f / sample_rate)
                left -= 2.0 * fast * fast / sample_rate
            if level > 1:
                between = gain_at(middle, f * STEP / sample_rate)
                left -= 2.0 * between * between * STEP / sample_rate
            gain = math.sqrt(max(left, 0.0) * 0.5 * rate)
            if level > 0:
                gain = gain * fade(f, _PASSED * rate, _REACH * rate)
            if level < LEVELS - 1:
                gain = gain * fade(f, 0.4 * below, 0.9 * below)
            gains[i] = gain
        if level == 0:
            design_filter(gains, memory.fast)
        elif level == 1:
            design_filter(gains, middle)
        else:
            design_filter(gains, slow)


@kernel()
def power_of(taps: Reals1) -> Precise:
    """Sum of the squares of a symmetric filter's taps."""
    power: Precise = 0.0
    for n in range(taps.size):
        tap = np.double(taps[n])
        power += (1.0 if n == 0 else 2.0) * tap * tap
    return power


@kernel()
def design_skirt(settings: TapeNoiseSettings, sample_rate: Precise, memory: TapeNoiseMemory) -> None:
    """Design the filters of the modulation noise; their rms is that asked for."""
    one: Precise = 1.0
    design_filters(settings, sample_rate, True, one, memory, memory.skirt_middle, memory.skirt_slow)
    power = power_of(memory.skirt_middle) + power_of(memory.skirt_slow)
    factor = exponential(_NEPERS_PER_DB * settings.skirt_db) / math.sqrt(power)
    for n in range(memory.skirt_middle.size):
        memory.skirt_middle[n] = memory.skirt_middle[n] * factor
    for n in range(memory.skirt_slow.size):
        memory.skirt_slow[n] = memory.skirt_slow[n] * factor


@kernel()
def design_hum(settings: TapeNoiseSettings, sample_rate: Precise, memory: TapeNoiseMemory) -> None:
    """Peaks of the odd harmonics, one over their number, with the rms asked for; and the turns per sample."""
    power: Precise = 0.0
    for n in range(_HARMONICS):
        power += 1.0 / ((2 * n + 1) * (2 * n + 1))
    rms = exponential(_NEPERS_PER_DB * (settings.hum_db + settings.reference_level_dbfs)) / math.sqrt(2.0)
    for n in range(_HARMONICS):
        heard = (2 * n + 1) * settings.mains_hz < 0.45 * sample_rate
        memory.hum_peaks[n] = rms * math.sqrt(2.0 / power) / (2 * n + 1) if heard else 0.0
    turns = settings.mains_hz / sample_rate
    # In two halves of 32 bits: a double holds 53.
    upper = np.floor(turns * 4294967296.0)
    lower = np.floor((turns * 4294967296.0 - upper) * 4294967296.0)
    memory.turns[0] = np.uint64(np.int64(upper)) * np.uint64(4294967296) + np.uint64(np.int64(lower))


@kernel()
def tape_noise_design(
    settings: TapeNoiseSettings,
    sample_rate: Precise,
    channels: int,
    start_sample: np.int64,
    track: np.int64,
    memory: TapeNoiseMemory,
) -> None:
    """Fill the plan; the tape stands at `start_sample`.

    Parameters
    ----------
    settings : TapeNoiseSettings
    sample_rate : float
        Samples per second.
    channels : int
    start_sample : int
        Place on the tape, in samples; any size, negative ones too.
    track : int
        Of the tape. Every channel of every track has noise of its own.
    memory : TapeNoiseMemory
        As :func:`tape_noise_shapes` says, of zeros.
    """
    memory.switches[_HISS_ON] = settings.hiss
    memory.switches[_SKIRT_ON] = settings.skirt
    memory.switches[_HUM_ON] = settings.hum
    memory.switches[_CHANNELS] = channels
    on_track = stream_key(settings.seed, _ADDED_NOISE, np.uint64(track))
    for channel in range(channels):
        of_channel = mix_hash(on_track, np.uint64(channel))
        for part in range(_KEYS):
            memory.keys[_KEYS * channel + part] = mix_hash(of_channel, np.uint64(part))
    design_raising(memory.raising)
    if settings.hiss == 1:
        scale = scale_of_hiss(settings, sample_rate)
        design_filters(settings, sample_rate, False, scale, memory, memory.middle, memory.slow)
    if settings.skirt == 1:
        design_skirt(settings, sample_rate, memory)
    if settings.hum == 1:
        design_hum(settings, sample_rate, memory)
    one: Precise = 1.0
    for part in range(_PARTS):
        memory.levels[part] = _level_db(settings, part)
        glide_rest(part, one, memory.glide)
    glide_design(sample_rate, start_sample, memory.glide)
    tape_noise_seek(memory, start_sample)


@kernel()
def _level_db(settings: TapeNoiseSettings, part: int) -> Precise:
    """Level in dB that the gain of a part follows when settings move; hiss that follows from the medium stays."""
    if part == SKIRT:
        return settings.skirt_db
    if part == HUM:
        return settings.hum_db + settings.reference_level_dbfs
    return (settings.hiss_db if settings.hiss_set == 1 else 0.0) + settings.reference_level_dbfs


@kernel()
def tape_noise_change(
    settings: TapeNoiseSettings, sample_rate: Precise, channels: int, memory: TapeNoiseMemory
) -> None:
    """Go to other settings from the beginning of the next cell on; see :mod:`tapeemu.dsp.kernels.glides`.

    Of the settings those of `TAPE_NOISE_MOVES` may differ from the ones that it was designed for.
    """
    for part in range(_PARTS):
        raised = _level_db(settings, part) - memory.levels[part]
        glide_target(part, exponential(_NEPERS_PER_DB * raised), memory.glide)


@kernel()
def tape_noise_seek(memory: TapeNoiseMemory, place: np.int64) -> None:
    """Go to another place on the tape."""
    glide_seek(place, memory.glide)
    memory.state[_PLACE] = place
    memory.state[_ANY_MADE] = 0


@kernel()
def fill_numbers(key: np.uint64, first: np.int64, begin: int, numbers: Reals1) -> None:
    """Write white noise from column `begin` on; column 0 has number `first`."""
    start = np.uint64(first)
    for i in range(np.uintp(begin), np.uintp(numbers.size)):
        numbers[i] = white(key, start + np.uint64(i))


@kernel()
def filter_numbers(taps: Reals1, count: int, numbers: Reals1, out: Reals1) -> None:
    """Write `count` numbers of filtered noise.

    Parameters
    ----------
    taps : ndarray, shape (half + 1,)
        One half of the symmetric filter, the middle tap first; half a multiple of four.
    count : int
    numbers : ndarray, shape (count + 2 * half or more,)
        White noise, from half a filter before the first number on.
    out : ndarray, shape (count or more,)
        Gets the numbers.
    """
    half = taps.size - 1
    size = np.uintp(count)
    centre = np.uintp(half)
    for i in range(size):
        out[i] = taps[0] * numbers[centre + i]
    for group in range(half // 4):
        n = np.uintp(4 * group + 1)
        a, b, c, d = taps[n], taps[n + _1], taps[n + _2], taps[n + _3]
        above = centre + n
        below = centre - n
        for i in range(size):
            left = a * (numbers[below + i] + numbers[above + i]) + b * (
                numbers[below + i - _1] + numbers[above + i + _1]
            )
            right = c * (numbers[below + i - _2] + numbers[above + i + _2])
            right += d * (numbers[below + i - _3] + numbers[above + i + _3])
            out[i] += left + right


@kernel()
def add_raised(low: Reals1, raising: Reals2, count: int, out: Reals1) -> None:
    """Add a signal, raised to eight times its rate, to the first ``8 * count`` numbers of `out`.

    ``out[0]`` lies on ``low[5]``.
    """
    for phase in range(np.uintp(STEP)):
        for m in range(np.uintp(count)):
            total: Precise = 0.0
            for k in range(np.uintp(RAISE_TAPS)):
                total += raising[phase, k] * low[m + k]
            out[np.uintp(STEP) * m + phase] += total


@kernel()
def move_on(row: Reals1, count: int) -> None:
    """Drop the first `count` numbers of a row; the others move to its front."""
    since = np.uintp(count)
    for i in range(np.uintp(row.size - count)):
        row[i] = row[since + i]


@kernel()
def extend_noise(
    key: np.uint64, first: np.int64, new: int, taps: Reals1, goes_on: bool, numbers: Reals1, out: Reals1
) -> int:
    """Fill a row with filtered noise from number `first` on.

    Parameters
    ----------
    key : uint64
        Of its white noise.
    first : int64
        Number of column 0.
    new : int
        Columns that the row was not filled with, if it goes on.
    taps : ndarray
        As for :func:`filter_numbers`.
    goes_on : bool
        Whether both rows hold what is `new` columns earlier; else nothing that is known.
    numbers : ndarray, shape (columns + 2 * half,)
        White noise.
    out : ndarray, shape (columns,)
        The row.

    Returns
    -------
    int
        First column that is made now.
    """
    begin = out.size - new if goes_on else 0
    known = numbers.size - new if goes_on else 0
    if goes_on:
        move_on(numbers, new)
        move_on(out, new)
    fill_numbers(key, first - (taps.size - 1), known, numbers)
    filter_numbers(taps, out.size - begin, numbers[begin:], out[begin:])
    return begin


@kernel()
def make_lower_rates(
    memory: TapeNoiseMemory,
    row: int,
    first_key: int,
    piece: np.int64,
    goes_on: bool,
    middle: Reals1,
    slow: Reals1,
) -> None:
    """Write noise of the two lower rates round a piece, from two keys on, into a row of ``raised``."""
    raised = memory.raised[row]
    slows = memory.slows[row]
    begin = extend_noise(
        memory.keys[first_key], piece * MIDDLES - STEP, MIDDLES, middle, goes_on, memory.white_middle[row], raised
    )
    first = piece * SLOWS - 1 - (RAISE_HALF - 1)
    extend_noise(memory.keys[first_key + 1], first, SLOWS, slow, goes_on, memory.white_slow[row], slows)
    steps = begin // STEP
    add_raised(slows[steps:], memory.raising, HELD_MIDDLES // STEP - steps, raised[begin:])


@kernel()
def make_hum(memory: TapeNoiseMemory, first: np.int64) -> None:
    """Write the hum from a sample on."""
    turn = memory.turns[0] * np.uint64(first)
    for i in range(memory.hum.size):
        # The upper 53 bits of the phase.
        turns = np.double(np.int64(turn >> np.uint64(11))) * _PER_2_53
        # sin((k + 2) x) = 2 cos(2 x) sin(k x) - sin((k - 2) x)
        twice = 2.0 * cosine_of_turns(2.0 * turns)
        odd = sine_of_turns(turns)
        before = -odd
        value: Precise = 0.0
        for n in range(_HARMONICS):
            value += memory.hum_peaks[n] * odd
            following = twice * odd - before
            before = odd
            odd = following
        memory.hum[i] = value
        turn = turn + memory.turns[0]


@kernel()
def make_piece(memory: TapeNoiseMemory, piece: np.int64) -> None:
    """Write the hiss, the modulation noise and the hum of a piece of the tape, for all channels."""
    state = memory.state
    goes_on = state[_ANY_MADE] == 1 and state[_PIECE_MADE] + 1 == piece
    heard = STEP - (RAISE_HALF - 1)
    for channel in range(memory.hiss.shape[0]):
        if memory.switches[_HISS_ON] == 1:
            hiss = memory.hiss[channel]
            numbers = memory.white[channel]
            if goes_on:
                for i in range(np.uintp(2 * HALF_FAST)):
                    numbers[i] = numbers[np.uintp(PIECE) + i]
            known = 2 * HALF_FAST if goes_on else 0
            fill_numbers(memory.keys[_KEYS * channel], piece * PIECE - HALF_FAST, known, numbers)
            filter_numbers(memory.fast, PIECE, numbers, hiss)
            make_lower_rates(memory, 2 * channel, _KEYS * channel + 1, piece, goes_on, memory.middle, memory.slow)
            add_raised(memory.raised[2 * channel, heard:], memory.raising, PIECE // STEP, hiss)
        if memory.switches[_SKIRT_ON] == 1:
            moving = memory.moving[channel]
            for i in range(PIECE):
                moving[i] = 0.0
            make_lower_rates(
                memory,
                2 * channel + 1,
                _KEYS * channel + 3,
                piece,
                goes_on,
                memory.skirt_middle,
                memory.skirt_slow,
            )
            add_raised(memory.raised[2 * channel + 1, heard:], memory.raising, PIECE // STEP, moving)
    if memory.switches[_HUM_ON] == 1:
        make_hum(memory, piece * PIECE)
    state[_PIECE_MADE] = piece
    state[_ANY_MADE] = 1


@kernel()
def tape_noise_process(memory: TapeNoiseMemory, block: Reals2, out: Reals2) -> None:
    """Add the noise of the tape to a block.

    Parameters
    ----------
    memory : TapeNoiseMemory
        Changed in place.
    block : ndarray, shape (channels, samples)
        Of any length.
    out : ndarray, shape (channels, samples)
        Gets the result; may be `block` itself.
    """
    counts = memory.glide.counts
    done = 0
    while done < block.shape[1]:
        place = memory.state[_PLACE]
        piece = place // PIECE
        begin = int(place - piece * PIECE)
        count = min(block.shape[1] - done, PIECE - begin)
        if memory.state[_ANY_MADE] == 0 or memory.state[_PIECE_MADE] != piece:
            make_piece(memory, piece)
        hum = memory.hum[begin:]
        glides = glide_moves(memory.glide)
        if glides:
            at = int(counts[AT])
            count = min(count, int(counts[CELL]) - at)
            for part in range(_PARTS):
                glide_values(part, at, 0, memory.glide, memory.rows[part, :count])
        for channel in range(block.shape[0]):
            hiss = memory.hiss[channel, begin:]
            moving = memory.moving[channel, begin:]
            if glides:
                of_hiss = memory.rows[HISS]
                of_skirt = memory.rows[SKIRT]
                of_hum = memory.rows[HUM]
                for i in range(count):
                    signal = block[channel, done + i]
                    added = of_hiss[i] * hiss[i] + of_hum[i] * hum[i]
                    out[channel, done + i] = signal + signal * (of_skirt[i] * moving[i]) + added
            else:
                for i in range(count):
                    signal = block[channel, done + i]
                    out[channel, done + i] = signal + signal * moving[i] + (hiss[i] + hum[i])
        glide_pass(count, memory.glide)
        memory.state[_PLACE] = place + count
        done += count
