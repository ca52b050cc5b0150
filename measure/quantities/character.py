"""What a recording is like, and how far two recordings of the same thing are apart.

Spectral centroid, octave-band levels, stereo correlation and width; level of the difference signal and
correlation of two aligned recordings.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from measure.errors import MeasureError, counted
from measure.results import Condition, Reading, Result, undefined
from measure.validation import FloatArray, check_rate, check_signal

__all__ = ["Character", "Likeness", "average_spectrum", "character", "likeness"]

OCTAVES_HZ = (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
_OCTAVE_RATIO = 10.0**0.3  # base-ten octaves of IEC 61260-1
_LOWEST_HZ, _HIGHEST_HZ = 20.0, 20_000.0
_FRAME = 1 << 13
_LEAST_PERIODS = 8.0


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Character(Result):
    """Spectrum and stereo image of one recording.

    Attributes
    ----------
    centroid : Reading
        Power-weighted mean frequency between 20 Hz and 20 kHz.
    octaves : tuple of Reading
        Level of each octave band, 63 Hz to 16 kHz as far as the rate reaches, in dBFS (AES17).
    stereo_correlation : Reading
        Correlation of left and right: 1 for mono, 0 for unrelated, -1 for opposite channels.
    width : Reading
        Power of the side signal (left minus right) over that of the middle (left plus right), in dB.
    """

    centroid: Reading
    octaves: tuple[Reading, ...]
    stereo_correlation: Reading
    width: Reading


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Likeness(Result):
    """Two recordings of the same length against each other.

    Attributes
    ----------
    null : Reading
        RMS of the difference over the RMS of the reference, in dB; minus infinity is written as ``nan``
        with the reason "identical".
    correlation : Reading
        Correlation without shift, all channels together.
    """

    null: Reading
    correlation: Reading


def average_spectrum(signal: "npt.ArrayLike", sample_rate: float) -> tuple[FloatArray, FloatArray]:
    """Power spectrum averaged over time and summed over channels.

    Parameters
    ----------
    signal : array_like, shape (samples,) or (channels, samples)
        Full scale is 1.
    sample_rate : float
        Samples per second.

    Returns
    -------
    frequency_hz, power : ndarray, shape (bins,)
        Bins sum to the mean square of the signal; Hann windows of 8,192 samples, half overlapping (Welch,
        1967), shorter for shorter signals.
    """
    channels, rate = check_signal(signal, channels=True), check_rate(sample_rate)
    frame = min(_FRAME, max(2 * (channels.shape[1] // 2), 2))
    hop = frame // 2
    # Half a frame of silence on either side, so that every sample is weighted alike.
    count = math.ceil(channels.shape[1] / hop) + 1
    padded = np.zeros((channels.shape[0], (count + 1) * hop))
    padded[:, hop : hop + channels.shape[1]] = channels
    window = np.sqrt(0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(frame) + 0.5) / frame))
    power = np.zeros(frame // 2 + 1)
    frames = np.lib.stride_tricks.sliding_window_view(padded, frame, axis=1)[:, ::hop]
    for start in range(0, count, 64):  # a few at a time, so that a long signal needs no more memory
        spectrum = np.fft.rfft(frames[:, start : start + 64] * window, axis=-1)
        power += np.sum(spectrum.real**2 + spectrum.imag**2, axis=(0, 1))
    power[1:-1] *= 2.0
    # The squared windows of half-overlapping frames sum to one, so this is Parseval's theorem.
    power /= frame * channels.shape[1]
    return np.asarray(np.fft.rfftfreq(frame, 1.0 / rate), dtype=np.float64), power


def character(signal: "npt.ArrayLike", sample_rate: float) -> Character:
    """Read spectral centroid, octave-band levels, stereo correlation and width.

    Parameters
    ----------
    signal : array_like, shape (samples,) or (channels, samples)
        Full scale is 1. The stereo figures need exactly two channels.
    sample_rate : float
        Samples per second.

    Returns
    -------
    Character
        Readings of ``nan`` with the reason for silence, non-finite samples and signals that are too short.

    Raises
    ------
    MeasureError
        If the signal or the rate has the wrong type or shape.

    Notes
    -----
    The octave bands are cut out of the averaged spectrum with sharp edges at the band limits of IEC 61260-1.
    Centroid, stereo correlation and width are common practice, no source; the formulas stand with the
    attributes. All figures are exact for the recording: they carry no uncertainty of their own.
    """
    channels, rate = check_signal(signal, channels=True), check_rate(sample_rate)
    conditions: dict[str, Condition] = {
        "sample_rate_hz": rate,
        "duration_seconds": round(channels.shape[1] / rate, 6),
        "channels": channels.shape[0],
    }
    reason = _unusable(channels)
    if not reason and channels.shape[1] < _LEAST_PERIODS * rate / OCTAVES_HZ[0]:
        reason = f"the signal lasts {channels.shape[1] / rate:.3g} s, too short for the band at 63 Hz"
    bands = [centre for centre in OCTAVES_HZ if centre * math.sqrt(_OCTAVE_RATIO) < 0.5 * rate]
    octave_names = [f"octave level, {centre:g} Hz" for centre in bands]
    if reason:
        return Character(
            centroid=undefined("spectral centroid", "Hz", reason, conditions),
            octaves=tuple(undefined(name, "dBFS", reason, conditions) for name in octave_names),
            stereo_correlation=undefined("stereo correlation", "", reason, conditions),
            width=undefined("stereo width", "dB", reason, conditions),
        )
    frequency, power = average_spectrum(channels, rate)
    audible = (frequency >= _LOWEST_HZ) & (frequency <= _HIGHEST_HZ)
    heard = float(np.sum(power[audible]))
    octaves = []
    for centre, name in zip(bands, octave_names, strict=True):
        inside = (frequency >= centre / math.sqrt(_OCTAVE_RATIO)) & (frequency < centre * math.sqrt(_OCTAVE_RATIO))
        share = float(np.sum(power[inside])) / channels.shape[0]
        octaves.append(
            _reading(name, 10.0 * math.log10(2.0 * share), "dBFS", "sum of the averaged spectrum", conditions)
            if share > 0.0
            else undefined(name, "dBFS", "there is nothing in the band", conditions)
        )
    correlation, width = _stereo(channels, conditions)
    return Character(
        centroid=_reading(
            "spectral centroid",
            float(np.sum(frequency[audible] * power[audible])) / heard,
            "Hz",
            "power-weighted mean frequency, 20 Hz to 20 kHz",
            conditions,
        )
        if heard > 0.0
        else undefined("spectral centroid", "Hz", "there is nothing between 20 Hz and 20 kHz", conditions),
        octaves=tuple(octaves),
        stereo_correlation=correlation,
        width=width,
    )


def likeness(signal: "npt.ArrayLike", reference: "npt.ArrayLike", sample_rate: float) -> Likeness:
    """Compare two aligned recordings sample by sample.

    Parameters
    ----------
    signal, reference : array_like, shape (samples,) or (channels, samples)
        Of the same shape; not shifted and not scaled here, so match them first.
    sample_rate : float
        Samples per second, for the conditions.

    Raises
    ------
    MeasureError
        If shapes, types or the rate are wrong.
    """
    one, two = check_signal(signal, channels=True), check_signal(reference, channels=True)
    rate = check_rate(sample_rate)
    if one.shape != two.shape:
        raise MeasureError(f"the signals have shapes {one.shape} and {two.shape}, but must have the same")
    conditions: dict[str, Condition] = {
        "sample_rate_hz": rate,
        "duration_seconds": round(one.shape[1] / rate, 6),
        "channels": one.shape[0],
    }
    reason = _unusable(one) or _unusable(two)
    names = (("level of the difference", "dB"), ("correlation", ""))
    if reason:
        null, correlation = (undefined(*name, reason, conditions) for name in names)
        return Likeness(null=null, correlation=correlation)
    between = float(np.sum((one - two) ** 2))
    correlation = _reading(
        names[1][0], _correlation(one.ravel(), two.ravel()), "", "normalised product sum, no shift", conditions
    )
    if between == 0.0:
        return Likeness(
            null=undefined(*names[0], "the recordings are identical", conditions), correlation=correlation
        )
    ratio_db = 10.0 * math.log10(between / float(np.sum(two**2)))
    return Likeness(
        null=_reading(
            names[0][0], ratio_db, "dB", "RMS of the difference over the RMS of the reference", conditions
        ),
        correlation=correlation,
    )


def _stereo(channels: FloatArray, conditions: Mapping[str, Condition]) -> tuple[Reading, Reading]:
    names = (("stereo correlation", ""), ("stereo width", "dB"))
    if channels.shape[0] != 2:
        reason = f"the recording has {counted(channels.shape[0], 'channel')}, but a stereo figure needs two"
        return (undefined(*names[0], reason, conditions), undefined(*names[1], reason, conditions))
    left, right = channels
    if not (left.any() and right.any()):
        correlation = undefined(*names[0], "one channel is silent", conditions)
    else:
        correlation = _reading(
            names[0][0], _correlation(left, right), "", "normalised product sum of left and right", conditions
        )
    middle, side = float(np.sum((left + right) ** 2)), float(np.sum((left - right) ** 2))
    if middle == 0.0 or side == 0.0:
        reason = "both channels are the same" if side == 0.0 else "the channels are opposite"
        return correlation, undefined(*names[1], reason, conditions)
    return correlation, _reading(
        names[1][0], 10.0 * math.log10(side / middle), "dB", "side over middle, power", conditions
    )


def _correlation(one: FloatArray, two: FloatArray) -> float:
    scale = math.sqrt(float(one @ one)) * math.sqrt(float(two @ two))
    return float(one @ two) / scale


def _unusable(channels: FloatArray) -> str:
    if channels.size == 0:
        return "the signal is empty"
    bad = channels.size - int(np.count_nonzero(np.isfinite(channels)))
    if bad:
        return f"{counted(bad, 'sample is', 'samples are')} not finite"
    return "" if channels.any() else "the signal is silent"


def _reading(quantity: str, value: float, unit: str, method: str, conditions: Mapping[str, Condition]) -> Reading:
    return Reading(
        quantity=quantity,
        value=value,
        unit=unit,
        method=method,
        conditions=conditions,
        uncertainty_basis="exact for this recording",
    )
