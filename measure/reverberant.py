"""Distortion and decay of systems in which reverberation, drive and an unsteady tape meet.

Behind a reverb a single tone says little: the gain at the tone and at each harmonic is that of a random
place in the reverb's response, which scatters by 5.6 dB. So powers are averaged over several tones spread
over an octave, and the scatter between them becomes the uncertainty. Lines are taken as the power in a band,
for wow, flutter and amplitude fluctuation smear them.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from measure.decay import Decay, decay_of_noise
from measure.errors import MeasureError
from measure.results import Condition, Reading
from measure.spectrum import power_spectrum
from measure.sweep import NoiseBurst, drive
from measure.validation import FloatArray, as_system, check_rate

__all__ = ["AverageDistortion", "average_distortion", "middle_decay", "pink_burst"]

_CENTRE_HZ = 1000.0
_OCTAVES = 1.0
_FADE_SECONDS = 0.01
_LAST_HARMONIC = 5
# Half widths of the bands, as shares of the tone and of the distance between two tones: room for sidebands of
# 0.2 f from flutter, and for none of a neighbour.
_TONE_SHARE = 0.2
_PAIR_SHARE = 0.3
_PAIR_DISTANCE = 0.16  # of the centre frequency
_MIDDLE_HZ = (500.0, 1000.0)


@dataclass(frozen=True, kw_only=True, eq=False)
class AverageDistortion:
    """Distortion averaged over tones.

    Attributes
    ----------
    thd : Reading
        RMS sum of the harmonics to the fifth over the tone (THD_F), in %.
    imd : Reading
        RMS sum of the difference tone and the two third-order neighbours over that of two equal tones, in %.
    """

    thd: Reading
    imd: Reading

    @property
    def readings(self) -> tuple[Reading, ...]:
        """Both readings."""
        return (self.thd, self.imd)


def average_distortion(
    system: Callable[..., Any],
    sample_rate: float,
    *,
    level_dbfs: float = -18.0,
    tones: int = 12,
    settle_seconds: float = 1.0,
    window_seconds: float = 0.5,
) -> AverageDistortion:
    """Measure harmonic and intermodulation distortion of a system that may reverberate and flutter.

    Parameters
    ----------
    system : callable
        ``(audio, sample_rate) -> audio``, one channel, latency taken out.
    sample_rate : float
        Samples per second, 16 kHz or more, so that five harmonics fit.
    level_dbfs : float
        Level of the tone; two tones have the same peak as one.
    tones : int
        Number of tones, spread evenly on a logarithmic scale over the octave around 1 kHz; two or more.
    settle_seconds : float
        How long each tone sounds before it is read: a reverb's decay time.
    window_seconds : float
        How long it is read.

    Returns
    -------
    AverageDistortion
        Ratios of powers averaged over the tones; the uncertainty is the jackknife's over the tones.

    Raises
    ------
    MeasureError
        If an argument breaks a rule.

    Notes
    -----
    THD_F and the third-order difference-frequency distortion are those of IEC 60268-3 for a system whose gain
    is the same at all lines; averaging powers over tones is this project's own protocol (no source). Band
    powers count noise and what the fluctuation adds between the lines as distortion.
    """
    rate = check_rate(sample_rate)
    if isinstance(tones, bool) or not isinstance(tones, int) or tones < 2:
        raise MeasureError(f"tones is {tones!r}, but must be a whole number of 2 or more: they are averaged over")
    if not (settle_seconds >= 0.0 and window_seconds >= 0.2 and math.isfinite(settle_seconds + window_seconds)):
        raise MeasureError(
            f"settle_seconds is {settle_seconds!r} and window_seconds {window_seconds!r}, but the first must not "
            "be negative and the second at least 0.2"
        )
    if rate < 16_000.0:
        raise MeasureError(f"sample_rate is {rate:g} Hz, but the fifth harmonic needs 16,000 Hz or more")
    under_test = as_system(system)
    places = np.exp2(_OCTAVES * (np.arange(tones) + 0.5) / tones - 0.5 * _OCTAVES)
    frequencies = np.asarray(_CENTRE_HZ * places, dtype=np.float64)
    held, read = round((settle_seconds + window_seconds) * rate), round(window_seconds * rate)
    conditions: dict[str, Condition] = {
        "level_dbfs": float(level_dbfs),
        "tones": tones,
        "tones_hz": f"{frequencies[0]:.0f} to {frequencies[-1]:.0f}",
        "settle_seconds": float(settle_seconds),
        "window_seconds": float(window_seconds),
        "sample_rate_hz": rate,
    }
    single = [np.array([frequency]) for frequency in frequencies]
    pairs = [np.array([f * (1.0 - 0.5 * _PAIR_DISTANCE), f * (1.0 + 0.5 * _PAIR_DISTANCE)]) for f in frequencies]
    amplitude = 10.0 ** (level_dbfs / 20.0)
    recorded = [
        drive(under_test, amplitude * _sequence(lines, held, rate), rate).reshape(tones, held)[:, held - read :]
        for lines in (single, pairs)
    ]
    harmonics = np.array(
        [_harmonic_powers(y, float(f[0]), rate) for y, f in zip(recorded[0], single, strict=True)]
    )
    products = np.array([_product_powers(y, f, rate) for y, f in zip(recorded[1], pairs, strict=True)])
    return AverageDistortion(
        thd=_ratio("total harmonic distortion", harmonics, "THD_F, harmonics 2 to 5, averaged", conditions),
        imd=_ratio(
            "intermodulation distortion",
            products,
            "difference frequency, orders 2 and 3, averaged",
            {**conditions, "distance_hz": "0.16 of the mean frequency"},
        ),
    )


def pink_burst(
    sample_rate: float, *, seconds: float, silence_seconds: float, level_dbfs: float, seed: int
) -> NoiseBurst:
    """Make pink noise (40 Hz to 16 kHz) of an exact RMS level that stops abruptly.

    Equal power in every octave, as music is nearer to than to white noise; which matters where all bands
    drive one non-linearity.
    """
    rate = check_rate(sample_rate)
    n = round(seconds * rate)
    if n < 8 or silence_seconds < 0.0:
        raise MeasureError(
            f"seconds is {seconds!r} and silence_seconds {silence_seconds!r}, but neither may be negative and "
            "there must be noise"
        )
    frequency = np.fft.rfftfreq(n, 1.0 / rate)
    inside = (frequency >= 40.0) & (frequency <= min(16_000.0, 0.45 * rate))
    slope = np.where(inside, 1.0 / np.sqrt(np.maximum(frequency, 1.0)), 0.0)
    noise = np.fft.irfft(np.fft.rfft(np.random.default_rng(seed).standard_normal(n)) * slope, n)
    noise *= 10.0 ** (level_dbfs / 20.0) / math.sqrt(2.0 * float(np.mean(noise**2)))
    return NoiseBurst(
        signal=np.concatenate([noise, np.zeros(round(silence_seconds * rate))]),
        sample_rate=rate,
        stop=n,
        level_dbfs=level_dbfs,
        seed=seed,
    )


def middle_decay(
    system: Callable[..., Any],
    sample_rate: float,
    *,
    level_dbfs: float = -18.0,
    burst_seconds: float = 1.5,
    silence_seconds: float = 3.0,
    repeats: int = 4,
    seed: int = 0,
) -> tuple[dict[str, Reading], Decay]:
    """Measure EDT, T20 and T30 at middle frequencies by interrupted pink noise.

    Parameters
    ----------
    system : callable
        ``(audio, sample_rate) -> audio``, one channel, latency taken out.
    sample_rate, level_dbfs, burst_seconds, silence_seconds, repeats, seed
        As for :func:`measure.decay.decay_from_noise`.

    Returns
    -------
    dict of str to Reading
        ``"EDT"``, ``"T20"`` and ``"T30"``: mean of the octaves at 500 Hz and 1 kHz (ISO 3382-1), ``nan`` with the
        reason where one of them is.
    Decay
        All bands.
    """
    if isinstance(repeats, bool) or not isinstance(repeats, int) or repeats < 1:
        raise MeasureError(f"repeats is {repeats!r}, but must be a whole number of 1 or more")
    under_test = as_system(system)
    bursts = [
        pink_burst(
            sample_rate,
            seconds=burst_seconds,
            silence_seconds=silence_seconds,
            level_dbfs=level_dbfs,
            seed=seed + k,
        )
        for k in range(repeats)
    ]
    recordings = [drive(under_test, burst.signal, burst.sample_rate) for burst in bursts]
    decay = decay_of_noise(recordings, bursts[0], bands="octave")
    bands = [decay.band(centre) for centre in _MIDDLE_HZ]
    return {
        name: _mean([getattr(band, name.lower()) for band in bands], name) for name in ("EDT", "T20", "T30")
    }, decay


def _mean(readings: list[Reading], name: str) -> Reading:
    first = readings[0]
    sigma = math.sqrt(sum(reading.uncertainty**2 for reading in readings)) / len(readings)
    warnings = [f"{reading.quantity}: {warning}" for reading in readings for warning in reading.warnings]
    conditions = {
        key: value for key, value in first.conditions.items() if key not in ("band", "low_hz", "high_hz")
    }
    return Reading(
        quantity=f"{name}, middle frequencies",
        value=float(np.mean([reading.value for reading in readings])),
        unit="s",
        method=f"mean of the octaves at 500 Hz and 1 kHz; {first.method}",
        standard=first.standard,
        conditions={**conditions, "noise": "pink"},
        uncertainty=sigma,
        uncertainty_basis=first.uncertainty_basis if math.isfinite(sigma) else "no figure",
        warnings=tuple(dict.fromkeys(warnings)),
    )


def _sequence(tones: list[FloatArray], held: int, rate: float) -> FloatArray:
    """Tones (or pairs of them) one after the other, each of peak 1 at most and with soft edges."""
    time = np.arange(held) / rate
    fade = max(round(_FADE_SECONDS * rate), 1)
    edge = np.minimum(1.0, (np.minimum(np.arange(held), np.arange(held)[::-1]) + 0.5) / fade)
    shape = 0.5 - 0.5 * np.cos(np.pi * edge)
    parts = [np.mean(np.sin(2.0 * np.pi * lines[:, None] * time), axis=0) * _only_start(shape) for lines in tones]
    return np.concatenate(parts)


def _only_start(shape: FloatArray) -> FloatArray:
    # The end of a tone is read, so only its start is faded; the next one's start follows from zero.
    half = shape.size // 2
    return np.concatenate([shape[:half], np.ones(shape.size - half)])


def _harmonic_powers(signal: FloatArray, tone_hz: float, rate: float) -> FloatArray:
    """Power around the tone and around its harmonics together, shape (2,)."""
    width = _TONE_SHARE * tone_hz
    bands = _band_powers(signal, [k * tone_hz for k in range(1, _LAST_HARMONIC + 1)], width, rate)
    return np.array([bands[0], np.sum(bands[1:])])


def _product_powers(signal: FloatArray, pair_hz: FloatArray, rate: float) -> FloatArray:
    """Power around both tones, and around their products of second and third order, shape (2,)."""
    low, high = pair_hz
    width = _PAIR_SHARE * (high - low)
    bands = _band_powers(signal, [low, high, high - low, 2.0 * low - high, 2.0 * high - low], width, rate)
    return np.array([np.sum(bands[:2]), np.sum(bands[2:])])


def _band_powers(signal: FloatArray, centres: list[float], width: float, rate: float) -> FloatArray:
    frequency, power = power_spectrum(signal, rate)
    return np.array([np.sum(power[np.abs(frequency - centre) <= width]) for centre in centres])


def _ratio(quantity: str, powers: FloatArray, method: str, conditions: Mapping[str, Condition]) -> Reading:
    if not (np.all(np.isfinite(powers)) and np.all(powers[:, 0] > 0.0)):
        return Reading(
            quantity=quantity,
            value=math.nan,
            unit="%",
            method=method,
            conditions=conditions,
            uncertainty_basis="no figure",
            warnings=("the system returned silence or non-finite samples for a tone",),
        )
    wanted, total = powers[:, 1], powers[:, 0]
    value = 100.0 * math.sqrt(float(wanted.sum() / total.sum()))
    left_out = 100.0 * np.sqrt((wanted.sum() - wanted) / (total.sum() - total))
    count = len(powers)
    sigma = math.sqrt((count - 1) / count * float(np.sum((left_out - left_out.mean()) ** 2)))
    return Reading(
        quantity=quantity,
        value=value,
        unit="%",
        method=method,
        standard="none",
        conditions=conditions,
        uncertainty=sigma,
        uncertainty_basis=f"repeats (jackknife over {count} tones)",
    )
