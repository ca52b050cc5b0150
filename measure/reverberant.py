"""Distortion and decay of systems in which reverberation, drive and an unsteady tape meet.

With a reverb in the system a single tone says little: the gain at the tone and at each harmonic is that of
a random place in the reverb's response, which scatters by 5.6 dB. So the tone glides slowly through half an
octave, past hundreds of such places, and powers are averaged over the glide; the scatter between its parts
becomes the uncertainty. Lines are taken as the power in a band that moves along, for reverberation, wow and
flutter smear them.
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
_OCTAVES = 0.5
_FADE_SECONDS = 0.01
_FRAME_SECONDS = 0.17
_LAST_HARMONIC = 5
_PARTS = 20
# Two tones stand this far apart, as a share of their mean: so far that the reverberation of the lower one, left
# behind by the glide, has died away where it would fall into the band of a product.
_PAIR_DISTANCE = 0.24
# Half widths of the bands, as shares of the tone and of that distance.
_TONE_SHARE = 0.4
_PAIR_SHARE = 0.3
_MIDDLE_HZ = (500.0, 1000.0)


@dataclass(frozen=True, kw_only=True, eq=False)
class AverageDistortion:
    """Distortion averaged over half an octave.

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
    glide_seconds: float = 5.0,
    settle_seconds: float = 1.0,
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
    glide_seconds : float
        How long the tone takes through the half octave around 1 kHz, 2 s or more; one and a half to two
        decay times of a reverb keep what it holds back out of the bands of the products.
    settle_seconds : float
        How long the glide has been under way before it is read.

    Returns
    -------
    AverageDistortion
        Ratios of powers averaged over the glide; the uncertainty is the jackknife's over twenty parts of it.

    Raises
    ------
    MeasureError
        If an argument breaks a rule.

    Notes
    -----
    THD_F and difference-frequency distortion are those of IEC 60268-3 for a system whose gain is the same at
    all lines; the glide and the averaging of powers are this project's own protocol (no source). Band powers
    count noise, and what fluctuation adds far from the lines, as distortion.
    """
    rate = check_rate(sample_rate)
    if not (settle_seconds >= 0.0 and glide_seconds >= 2.0 and math.isfinite(settle_seconds + glide_seconds)):
        raise MeasureError(
            f"settle_seconds is {settle_seconds!r} and glide_seconds {glide_seconds!r}, but the first must not be "
            "negative and the second at least 2"
        )
    if rate < 16_000.0:
        raise MeasureError(f"sample_rate is {rate:g} Hz, but the fifth harmonic needs 16,000 Hz or more")
    under_test = as_system(system)
    conditions: dict[str, Condition] = {
        "level_dbfs": float(level_dbfs),
        "glide_hz": f"{_frequency(0.0, glide_seconds):.0f} to {_frequency(glide_seconds, glide_seconds):.0f}",
        "glide_seconds": float(glide_seconds),
        "settle_seconds": float(settle_seconds),
        "sample_rate_hz": rate,
    }
    amplitude = 10.0 ** (level_dbfs / 20.0)
    single, pair = (1.0,), (1.0 - 0.5 * _PAIR_DISTANCE, 1.0 + 0.5 * _PAIR_DISTANCE)
    harmonics = [float(order) for order in range(2, _LAST_HARMONIC + 1)]
    products = [_PAIR_DISTANCE, 2.0 * pair[0] - pair[1], 2.0 * pair[1] - pair[0]]
    powers = []
    for lines, wanted, width in (
        (single, harmonics, _TONE_SHARE),
        (pair, products, _PAIR_SHARE * _PAIR_DISTANCE),
    ):
        signal = amplitude * _glide(lines, glide_seconds, settle_seconds, rate)
        recorded = drive(under_test, signal, rate)[round(settle_seconds * rate) :]
        powers.append(_line_powers(recorded, rate, glide_seconds, lines, wanted, width))
    return AverageDistortion(
        thd=_ratio("total harmonic distortion", powers[0], "THD_F, harmonics 2 to 5, gliding tone", conditions),
        imd=_ratio(
            "intermodulation distortion",
            powers[1],
            "difference frequency, orders 2 and 3, gliding tones",
            {**conditions, "distance": f"{_PAIR_DISTANCE:g} of the mean frequency"},
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
    size = 1 << math.ceil(math.log2(n))
    frequency = np.fft.rfftfreq(size, 1.0 / rate)
    inside = (frequency >= 40.0) & (frequency <= min(16_000.0, 0.45 * rate))
    slope = np.where(inside, 1.0 / np.sqrt(np.maximum(frequency, 1.0)), 0.0)
    noise = np.fft.irfft(np.fft.rfft(np.random.default_rng(seed).standard_normal(size)) * slope, size)[:n]
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


def _frequency(seconds: Any, glide_seconds: float) -> Any:
    """Frequency at a time after the reading begins."""
    return _CENTRE_HZ * np.exp2(_OCTAVES * (np.asarray(seconds) / glide_seconds - 0.5))


def _glide(lines: tuple[float, ...], glide_seconds: float, settle_seconds: float, rate: float) -> FloatArray:
    """Tones at given multiples of a gliding frequency; their sum reaches 1."""
    time = np.arange(round((settle_seconds + glide_seconds) * rate)) / rate - settle_seconds
    # The integral of the frequency.
    cycles = _frequency(time, glide_seconds) * glide_seconds / (_OCTAVES * math.log(2.0))
    sound = np.mean([np.sin(2.0 * np.pi * line * cycles) for line in lines], axis=0)
    fade = max(round(_FADE_SECONDS * rate), 1)
    sound[:fade] *= 0.5 - 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / fade)
    return np.asarray(sound, dtype=np.float64)


def _line_powers(
    signal: FloatArray,
    rate: float,
    glide_seconds: float,
    tones: tuple[float, ...],
    wanted: list[float],
    width: float,
) -> FloatArray:
    """Power around the tones, and around the wanted lines, in each part of the glide, shape (parts, 2)."""
    frame = 1 << round(math.log2(_FRAME_SECONDS * rate))
    starts = np.arange(0, signal.size - frame + 1, frame // 2)
    found = np.zeros((starts.size, 2))
    for row, start in enumerate(starts):
        frequency, power = power_spectrum(signal[start : start + frame], rate)
        multiple = frequency / _frequency((start + 0.5 * frame) / rate, glide_seconds)
        for column, lines in enumerate((tones, wanted)):
            found[row, column] = sum(np.sum(power[np.abs(multiple - line) <= width]) for line in lines)
    return np.array([np.sum(part, axis=0) for part in np.array_split(found, _PARTS)])


def _ratio(quantity: str, powers: FloatArray, method: str, conditions: Mapping[str, Condition]) -> Reading:
    if not (np.all(np.isfinite(powers)) and np.all(powers[:, 0] > 0.0)):
        return Reading(
            quantity=quantity,
            value=math.nan,
            unit="%",
            method=method,
            conditions=conditions,
            uncertainty_basis="no figure",
            warnings=("the system returned silence or non-finite samples for a part of the glide",),
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
        conditions=conditions,
        uncertainty=sigma,
        uncertainty_basis=f"repeats (jackknife over {count} parts of the glide)",
    )
