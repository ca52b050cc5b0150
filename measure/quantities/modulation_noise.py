"""Modulation noise: what roughens a tone, follows it decibel for decibel, and is gone when it stops."""

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from measure.errors import MeasureError
from measure.parts.spectrum import find_tone, power_spectrum
from measure.results import Condition, Reading, undefined
from measure.validation import FloatArray, check_frequency, check_rate, check_signal, unusable

__all__ = ["modulation_noise"]

_LOW_HZ, _HIGH_HZ = 20.0, 500.0
_BESIDE_HZ = (700.0, 1000.0)
_EDGE_SECONDS = 0.05
_AROUND_BINS, _LINE_OF_MEDIAN = 25, 20.0
_WORTH_TELLING = 0.01
_BOTH_SIDES = (-(_AROUND_BINS // 2), _AROUND_BINS // 2)
_STRETCH_SECONDS, _EDGE_HZ = 0.1, (10.0, 40.0)
_FALLEN_OF_MEDIAN = 8.0  # noise is never so far above its median, even where a stretch has six free values alone
_SLOW_HZ, _MOSTLY = 60.0, 0.75  # noise through one pole at 20 Hz has 62 % there
_LEAST_SECONDS = 1.0
_LEAST = 1e-10  # below that it is rounding of what sampled the tone, not a tape
_NAME = "modulation noise"
_METHOD = "amplitude modulation of a tone by noise, 20 to 500 Hz, less that of the noise there is without it"


def modulation_noise(
    recording: "npt.ArrayLike",
    sample_rate: float,
    *,
    silence: "npt.ArrayLike | None" = None,
    frequency_hz: float | None = None,
) -> Reading:
    """Read by how much noise that follows the sound modulates a tone.

    Parameters
    ----------
    recording : array_like, shape (samples,)
        A steady tone, a second or longer.
    sample_rate : float
        Samples per second.
    silence : array_like, shape (samples,), optional
        What the same system sounds without a tone. Without it, what modulates the tone from 700 to 1000 Hz counts
        as noise that is always there; that takes off part of what follows the sound as well.
    frequency_hz : float, optional
        Of the tone, above 2 kHz, looked for within 5 %; found if left out.

    Returns
    -------
    Reading
        RMS of the modulation re the tone, in dB: both skirts together, from 20 to 500 Hz beside it. ``nan`` with
        the reason where there is no tone, the recording is too short, or no more than other noise is heard.

    Raises
    ------
    MeasureError
        If an argument has the wrong type or shape.

    Notes
    -----
    Flutter makes skirts too, but changes the phase alone, and does not count here. Noise that is always there
    changes amplitude and phase alike: so much of it as lies in the band is in the amplitude that its power can
    be taken off as it stands. Lines in the level (rotation, poles of a motor) are no noise: they are left out and
    told, and so are dropouts. A level that fluctuates at random faster than 20 Hz cannot be told from noise: it
    counts, with a warning where most of the figure lies below 60 Hz. Own protocol, no source.
    """
    y, rate = check_signal(recording), check_rate(sample_rate)
    quiet = None if silence is None else check_signal(silence)
    if frequency_hz is not None:
        check_frequency(frequency_hz, rate, lowest_hz=2.0 * _BESIDE_HZ[1], highest_share=0.45)
    conditions: dict[str, Condition] = {
        "band_hz": f"{_LOW_HZ:g} to {_HIGH_HZ:g}",
        "seconds": round(len(y) / rate, 6),
        "sample_rate_hz": rate,
    }
    tone, reason = _tone(y, rate, frequency_hz)
    if reason:
        return undefined(_NAME, "dB", reason, conditions, method=_METHOD)
    conditions["tone_hz"] = round(tone, 3)
    beside = _beside(y, rate, tone)
    envelope = np.abs(beside)
    mean = float(np.mean(envelope))
    # Half of the power of a real tone of amplitude `mean`, over that of all there is.
    if 0.5 * mean**2 < 0.5 * float(np.mean(np.square(y))):
        return undefined(_NAME, "dB", f"no tone near {tone:.0f} Hz dominates", conditions, method=_METHOD)
    modulation = envelope / mean - 1.0
    fallen = _fallen(modulation, rate)
    if np.mean(fallen) > 0.5:
        why = "the level gives way too often for noise to be told"
        return undefined(_NAME, "dB", why, conditions, method=_METHOD)
    frequency, power, warnings = _spectrum_of_noise(modulation, fallen, rate)
    band = (frequency >= _LOW_HZ) & (frequency <= _HIGH_HZ)
    heard = float(np.sum(power[band]))
    if quiet is None:
        far = (frequency >= _BESIDE_HZ[0]) & (frequency <= _BESIDE_HZ[1])
        always = float(np.mean(power[far])) * float(np.count_nonzero(band))
        basis, doubt_of_always = "theory (chance of noise over the duration; what is taken off)", always
    else:
        always = _of_silence(quiet, rate, tone, mean)
        basis, doubt_of_always = "theory (chance of noise over the duration)", 0.0
    # A bin of noise scatters by its mean, so its square is twice too large on average; a Hann window ties
    # neighbours together and so raises the variance of their sum 1.94 times.
    doubt = math.hypot(math.sqrt(0.97 * float(np.sum(np.square(power[band])))), doubt_of_always)
    own = heard - always
    if heard < _LEAST:
        return undefined(_NAME, "dB", "the tone is steady to -100 dB", conditions, method=_METHOD)
    if not own > 2.0 * doubt:
        why = "no more noise is heard with the tone than without" if quiet is not None else "the noise is even"
        return undefined(_NAME, "dB", f"{why}: it does not follow the tone", conditions, method=_METHOD)
    return Reading(
        quantity=_NAME,
        value=10.0 * math.log10(own),
        unit="dB",
        method=_METHOD,
        conditions=conditions,
        uncertainty=4.343 * doubt / own,
        uncertainty_basis=basis,
        warnings=tuple(warnings),
    )


def _tone(y: FloatArray, rate: float, near_hz: float | None) -> tuple[float, str]:
    """Frequency of the tone in Hz, or the reason why it cannot be read."""
    if reason := unusable(y):
        return math.nan, reason
    if len(y) < _LEAST_SECONDS * rate:
        return math.nan, (
            f"the recording lasts {len(y) / rate:.3g} s, but {_LEAST_SECONDS:g} s or more are needed"
        )
    tone = find_tone(y, rate, near_hz=near_hz)
    if not (math.isfinite(tone) and 0.95 * 2.0 * _BESIDE_HZ[1] <= tone <= 0.48 * rate):
        return math.nan, f"there is no tone above {2.0 * _BESIDE_HZ[1]:g} Hz"
    return tone, ""


def _spectrum_of_noise(
    modulation: FloatArray, fallen: npt.NDArray[np.bool_], rate: float
) -> tuple[FloatArray, FloatArray, list[str]]:
    """Frequencies and power of the modulation without dropouts and lines, and what is to be said of it."""
    warnings = []
    kept_share = 1.0
    if np.any(fallen):
        modulation, kept_share = _without(modulation, fallen, rate)
        count = int(np.count_nonzero(fallen))
        warnings.append(f"{count} stretches of {_STRETCH_SECONDS:g} s, where the level gave way, were left out")
    frequency, power = power_spectrum(modulation, rate)
    band = (frequency >= _LOW_HZ) & (frequency <= _HIGH_HZ)
    everything = float(np.sum(power[band]))
    power[band], lines = _without_lines(power[band])
    if everything - float(np.sum(power[band])) > _WORTH_TELLING * everything:
        rates = frequency[band][lines]
        named = ", ".join(f"{hz:.4g}" for hz in rates[:4]) + (" ..." if len(rates) > 4 else "")
        warnings.append(f"the level flutters at {named} Hz: such lines are no noise and were left out")
    power = power / kept_share
    heard = float(np.sum(power[band]))
    if heard > 0.0 and float(np.sum(power[band & (frequency <= _SLOW_HZ)])) > _MOSTLY * heard:
        warnings.append(f"most of it lies below {_SLOW_HZ:g} Hz: it is a level that fluctuates rather than noise")
    return frequency, power, warnings


def _without_lines(power: FloatArray) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """Power of bins with noise in place of lines, and where the crests of those stood.

    A bin of noise exceeds its median twenty times once in a million.
    """
    from scipy.ndimage import binary_dilation, median_filter

    # Of both sides the higher: where a noise ends, its last bins are no lines.
    sides = [median_filter(power, size=_AROUND_BINS, mode="nearest", origin=side) for side in _BOTH_SIDES]
    around = np.maximum(sides[0], sides[1])
    high = power > _LINE_OF_MEDIAN * around
    if not np.any(high):
        return power, high
    # The main lobe of a Hann window reaches two bins; the mean of what noise there is is its median over ln 2.
    kept = np.where(binary_dilation(high, iterations=2), around / math.log(2.0), power)
    crest = high & (power >= np.roll(power, 1)) & (power >= np.roll(power, -1))
    return kept, crest


def _ramp(size: int, rate: float, low_hz: float, high_hz: float) -> FloatArray:
    """Gains from nothing below one frequency to 1 above the other, without a corner that would ring."""
    hz = np.fft.rfftfreq(size, 1.0 / rate)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip((hz - low_hz) / (high_hz - low_hz), 0.0, 1.0)))


def _fallen(modulation: FloatArray, rate: float) -> npt.NDArray[np.bool_]:
    """Stretches far above the median, and those beside them: a dropout has a spectrum as wide as that of noise."""
    size = round(_STRETCH_SECONDS * rate)
    spectrum = np.fft.rfft(modulation) * _ramp(len(modulation), rate, *_EDGE_HZ)
    spectrum[np.fft.rfftfreq(len(modulation), 1.0 / rate) > _HIGH_HZ] = 0.0
    squares = np.square(np.fft.irfft(spectrum, len(modulation)))
    powers = np.mean(squares[: len(squares) // size * size].reshape(-1, size), axis=1)
    fallen = powers > _FALLEN_OF_MEDIAN * float(np.median(powers))
    beside = np.array(fallen, dtype=np.bool_)
    beside[1:] |= fallen[:-1]
    beside[:-1] |= fallen[1:]
    return beside


def _without(modulation: FloatArray, fallen: npt.NDArray[np.bool_], rate: float) -> tuple[FloatArray, float]:
    """The modulation without some stretches, and the share of its power that a Hann window keeps of it."""
    n = len(modulation)
    mask = np.ones(n)
    size = round(_STRETCH_SECONDS * rate)
    for number in np.flatnonzero(fallen):
        mask[number * size : (number + 1) * size] = 0.0
    edge = np.hanning(round(0.2 * size) + 2)
    mask = np.convolve(mask, edge / np.sum(edge), mode="same") * mask
    # What is slower than the band would be cut into it.
    quick = np.fft.irfft(np.fft.rfft(modulation) * _ramp(n, rate, 0.25 * _LOW_HZ, 0.75 * _LOW_HZ), n)
    window = np.square(0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(n) + 0.5) / n))
    return np.asarray(quick * mask), float(np.sum(window * np.square(mask)) / np.sum(window))


def _beside(y: FloatArray, rate: float, tone_hz: float) -> npt.NDArray[np.complex128]:
    """The analytic signal within a kilohertz of the tone, and a bit; ends left out."""
    spectrum = np.fft.fft(y)
    offset = np.abs(np.fft.fftfreq(len(y), 1.0 / rate) - tone_hz)
    edge = 1.5 * _BESIDE_HZ[1]
    shape = np.clip((edge - offset) / (edge - 1.2 * _BESIDE_HZ[1]), 0.0, 1.0)
    found: Any = np.fft.ifft(2.0 * spectrum * (0.5 - 0.5 * np.cos(np.pi * shape)))
    cut = round(_EDGE_SECONDS * rate)
    return np.asarray(found[cut:-cut], dtype=np.complex128)


def _of_silence(quiet: FloatArray, rate: float, tone_hz: float, amplitude: float) -> float:
    """Mean square by which the noise of silence would modulate a tone."""
    if len(quiet) < _LEAST_SECONDS * rate or not np.all(np.isfinite(quiet)):
        raise MeasureError(
            f"the silence lasts {len(quiet) / rate:.3g} s, or is not finite, but {_LEAST_SECONDS:g} s or more of "
            "finite samples are needed; leave it out, or record it longer"
        )
    frequency, power = power_spectrum(quiet, rate)
    offset = np.abs(frequency - tone_hz)
    return float(np.sum(power[(offset >= _LOW_HZ) & (offset <= _HIGH_HZ)])) / amplitude**2
