"""Distortion and decay of systems in which reverberation, drive and an unsteady tape meet.

With a reverb in the system a single tone says little: the gain at the tone and at each harmonic is that of
a random place in the reverb's response, which scatters by 5.6 dB. So the tone glides slowly through half an
octave, past hundreds of such places, and powers are averaged over the glide; the scatter between its parts
becomes the uncertainty. Lines are taken as the power in a band that moves along, for reverberation, wow and
flutter smear them.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from measure.errors import MeasureError
from measure.parts.run import drive, drive_by_bursts
from measure.parts.signals import pink_burst
from measure.parts.spectrum import power_spectrum
from measure.quantities.decay import Decay, decay_of_noise
from measure.results import Condition, Curve, Reading, Result, undefined
from measure.validation import FloatArray, as_system, check_rate

__all__ = ["AverageDistortion", "MiddleDecay", "average_distortion", "jackknife", "middle_decay"]

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


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class AverageDistortion(Result):
    """Distortion averaged over half an octave.

    Attributes
    ----------
    thd : Reading
        RMS sum of the harmonics to the fifth over the tone (THD_F), in %.
    imd : Reading
        RMS sum of the difference tone and the two third-order neighbours over that of two equal tones, in %.
    left_out : dict of str to tuple of float
        ``"thd"`` and ``"imd"`` with each part of the glide left out in turn. The parts are the same for all
        systems, so the jackknife over the differences of two systems tells how sure their difference is.
    """

    thd: Reading
    imd: Reading
    left_out: dict[str, tuple[float, ...]]


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
    thd, thd_parts = _ratio(
        "total harmonic distortion", powers[0], "THD_F, harmonics 2 to 5, gliding tone", conditions
    )
    imd, imd_parts = _ratio(
        "intermodulation distortion",
        powers[1],
        "difference frequency, orders 2 and 3, gliding tones",
        {**conditions, "distance": f"{_PAIR_DISTANCE:g} of the mean frequency"},
    )
    return AverageDistortion(thd=thd, imd=imd, left_out={"thd": thd_parts, "imd": imd_parts})


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class MiddleDecay(Result):
    """Decay at middle frequencies.

    Attributes
    ----------
    edt, t20, t30 : Reading
        Mean of the octaves at 500 Hz and 1 kHz (ISO 3382-1), ``nan`` with the reason where one of them is.
    curve : Curve
        Decay of the octave at 1 kHz, dB against seconds.
    left_out : dict of str to tuple of float
        ``"edt"``, ``"t20"`` and ``"t30"`` with each burst left out in turn; empty for a single burst. The
        noise is the same for all systems, so the jackknife over the differences of two systems tells how
        sure their difference is.
    """

    edt: Reading
    t20: Reading
    t30: Reading
    curve: Curve
    left_out: dict[str, tuple[float, ...]]


def middle_decay(
    system: Callable[..., Any],
    sample_rate: float,
    *,
    level_dbfs: float = -18.0,
    burst_seconds: float = 1.5,
    silence_seconds: float = 3.0,
    repeats: int = 4,
    seed: int = 0,
    neighbours: bool = True,
) -> MiddleDecay:
    """Measure EDT, T20 and T30 at middle frequencies by interrupted pink noise.

    Parameters
    ----------
    system : callable
        ``(audio, sample_rate) -> audio``, one channel, latency taken out.
    sample_rate, level_dbfs, burst_seconds, silence_seconds, repeats, seed
        As for :func:`measure.quantities.decay.decay_from_noise`.
    neighbours : bool
        Whether the uncertainty holds what neighbouring bands add. The figure is the same without, in half the
        time; whoever takes the uncertainty from further measurements needs none.

    Notes
    -----
    The uncertainty is the larger of the theory for a diffuse decay and the jackknife over the bursts: a decay
    that begins with the drop of a direct sound is followed over fewer, and less certain, decibels.
    """
    recordings, burst = drive_by_bursts(
        system,
        pink_burst,
        sample_rate,
        burst_seconds=burst_seconds,
        silence_seconds=silence_seconds,
        level_dbfs=level_dbfs,
        repeats=repeats,
        seed=seed,
    )
    whole = decay_of_noise(recordings, burst, centres_hz=_MIDDLE_HZ, neighbours=neighbours)
    kept = [
        decay_of_noise([*recordings[:k], *recordings[k + 1 :]], burst, centres_hz=_MIDDLE_HZ, neighbours=False)
        for k in range(repeats if repeats > 1 else 0)
    ]
    found, left_out = {}, {}
    for name in ("edt", "t20", "t30"):
        reading = _mean(whole, name)
        parts = tuple(_mean(decay, name).value for decay in kept)
        left_out[name] = parts
        sigma = jackknife(parts)
        if sigma > reading.uncertainty:
            reading = replace(
                reading, uncertainty=sigma, uncertainty_basis=f"repeats (jackknife over {repeats} bursts)"
            )
        found[name] = reading
    return MiddleDecay(**found, curve=whole.band(1000.0).curve, left_out=left_out)


def _mean(decay: Decay, name: str) -> Reading:
    readings: list[Reading] = [getattr(decay.band(centre), name) for centre in _MIDDLE_HZ]
    first = readings[0]
    sigma = math.sqrt(sum(reading.uncertainty**2 for reading in readings)) / len(readings)
    warnings = [f"{reading.quantity}: {warning}" for reading in readings for warning in reading.warnings]
    of_one_band = ("band", "low_hz", "high_hz")
    conditions = {key: value for key, value in first.conditions.items() if key not in of_one_band}
    return Reading(
        quantity=f"{name.upper()}, middle frequencies",
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


def _ratio(
    quantity: str, powers: FloatArray, method: str, conditions: Mapping[str, Condition]
) -> tuple[Reading, tuple[float, ...]]:
    if not (np.all(np.isfinite(powers)) and np.all(powers[:, 0] > 0.0)):
        reason = "the system returned silence or non-finite samples for a part of the glide"
        return undefined(quantity, "%", reason, conditions, method=method), ()
    wanted, total = powers[:, 1], powers[:, 0]
    left_out = 100.0 * np.sqrt((wanted.sum() - wanted) / (total.sum() - total))
    found = Reading(
        quantity=quantity,
        value=100.0 * math.sqrt(float(wanted.sum() / total.sum())),
        unit="%",
        method=method,
        conditions=conditions,
        uncertainty=jackknife(left_out),
        uncertainty_basis=f"repeats (jackknife over {len(powers)} parts of the glide)",
    )
    return found, tuple(left_out.tolist())


def jackknife(left_out: Sequence[float] | FloatArray) -> float:
    """Standard uncertainty of a figure from its values with each repeat left out in turn (Tukey, 1958)."""
    values = np.asarray(left_out, dtype=np.float64)
    if values.size < 2:
        return math.nan
    return math.sqrt((values.size - 1) / values.size * float(np.sum((values - values.mean()) ** 2)))
