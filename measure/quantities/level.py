"""Level and noise: peak, true peak, RMS, crest, loudness, loudness range, and noise by three weightings."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from measure.errors import MeasureError, counted
from measure.parts import detectors, weighting
from measure.parts.few_degrees import widened
from measure.results import Condition, Reading, Result, undefined
from measure.validation import FloatArray, check_rate, check_signal

__all__ = ["LevelResult", "NoiseResult", "level", "loudness", "noise", "true_peak"]

_OVERSAMPLING = 8
_TAPS_A_SIDE = 24
_BLOCK = 1 << 12
_HALFWAY_EXCESS = 1.45  # sqrt(2), and room for the filter's ripple
_LOUDNESS_CHANNELS = 5
_QUASI_PEAK_SECONDS = 2.0
_SETTLED_SECONDS = 1.0  # seven times the slower of the times in which the pointer rises
_QUASI_PEAK_RATE = 88_000.0
# After so long the pointer stands anew, whatever the noise: by trials with bands of 5 Hz to 20 kHz over 2 to 10 s,
# which its leak and its own inertia, 0.29 and 0.14 s, let expect.
_MEMORY_SECONDS = 0.35
_DB_A_RATIO = 20.0 / math.log(10.0)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class LevelResult(Result):
    """Level of a signal.

    Attributes
    ----------
    peak, true_peak, rms, crest : tuple of Reading
        One for each channel: dBFS, dBTP, dBFS and dB.
    loudness : Reading
        Integrated, of all channels together, in LUFS.
    loudness_range : Reading
        In LU.
    """

    peak: tuple[Reading, ...]
    true_peak: tuple[Reading, ...]
    rms: tuple[Reading, ...]
    crest: tuple[Reading, ...]
    loudness: Reading
    loudness_range: Reading


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class NoiseResult(Result):
    """Noise of a signal that holds nothing else, in dB re the reference level; one reading for each channel.

    Attributes
    ----------
    unweighted : tuple of Reading
        RMS, 20 Hz to 20 kHz.
    a_weighted : tuple of Reading
        RMS behind the A-weighting.
    itu468 : tuple of Reading
        Quasi-peak behind the weighting of ITU-R BS.468.
    """

    unweighted: tuple[Reading, ...]
    a_weighted: tuple[Reading, ...]
    itu468: tuple[Reading, ...]


def level(signal: "npt.ArrayLike", sample_rate: float) -> LevelResult:
    """Peak, true peak, RMS, crest factor, loudness and loudness range.

    Parameters
    ----------
    signal : array_like, shape (samples,) or (channels, samples)
        Full scale is 1. For loudness the channels are left, right, centre, left and right surround; one channel
        alone counts as one front channel.
    sample_rate : float
        Samples per second.

    Returns
    -------
    LevelResult
        Readings of ``nan`` with the reason for silence, non-finite samples and signals that are too short.

    Raises
    ------
    MeasureError
        If the signal or the rate has the wrong type or shape.

    Notes
    -----
    RMS levels follow AES17: a sine whose peak reaches full scale has 0 dBFS, 3.01 dB above the plain ratio; the
    crest factor is the plain ratio of peak to RMS, 3.01 dB for a sine.

    Loudness (ITU-R BS.1770, EBU R 128 and Tech 3342) is that of pyloudnorm with its "DeMan" filters, which
    reproduce the recommendation's coefficients at 48 kHz and read 997 Hz within 0.001 LU of libebur128; its
    default filters read 0.04 LU low. The last, incomplete block is left out, as the recommendation says.
    """
    channels, rate = check_signal(signal, channels=True), check_rate(sample_rate)
    reasons = [_unusable(samples) for samples in channels]
    shared: dict[str, Condition] = {
        "sample_rate_hz": rate,
        "duration_seconds": round(channels.shape[1] / rate, 6),
        "channels": channels.shape[0],
    }
    collected: tuple[list[Reading], ...] = ([], [], [], [])
    for index, (samples, reason) in enumerate(zip(channels, reasons, strict=True)):
        conditions = {**shared, "channel": index}
        if reason:
            group = [
                undefined(quantity, unit, reason, conditions)
                for quantity, unit in (
                    ("peak level", "dBFS"),
                    ("true peak level", "dBTP"),
                    ("RMS level", "dBFS"),
                    ("crest factor", "dB"),
                )
            ]
        else:
            group = _channel_levels(samples, conditions)
        for so_far, reading in zip(collected, group, strict=True):
            so_far.append(reading)
    integrated, spread = _loudness(channels, rate, reasons, shared)
    return LevelResult(
        peak=tuple(collected[0]),
        true_peak=tuple(collected[1]),
        rms=tuple(collected[2]),
        crest=tuple(collected[3]),
        loudness=integrated,
        loudness_range=spread,
    )


def loudness(signal: "npt.ArrayLike", sample_rate: float) -> tuple[Reading, Reading]:
    """Integrated loudness and loudness range alone, the two of :func:`level`.

    Parameters
    ----------
    signal : array_like, shape (samples,) or (channels, samples)
        As for :func:`level`.
    sample_rate : float
        Samples per second.

    Returns
    -------
    integrated, loudness_range : Reading
        In LUFS and in LU.

    Raises
    ------
    MeasureError
        If the signal or the rate has the wrong type or shape.
    """
    channels, rate = check_signal(signal, channels=True), check_rate(sample_rate)
    conditions: dict[str, Condition] = {
        "sample_rate_hz": rate,
        "duration_seconds": round(channels.shape[1] / rate, 6),
        "channels": channels.shape[0],
    }
    return _loudness(channels, rate, [_unusable(samples) for samples in channels], conditions)


def noise(signal: "npt.ArrayLike", sample_rate: float, *, reference_dbfs: float = 0.0) -> NoiseResult:
    """Noise unweighted, A-weighted and by ITU-R BS.468.

    Parameters
    ----------
    signal : array_like, shape (samples,) or (channels, samples)
        Noise alone: the output of a system that is fed silence, or the residue of something.
    sample_rate : float
        Samples per second, 40 kHz or more.
    reference_dbfs : float
        Level that the readings are relative to, as a sine's peak re full scale (AES17), e.g. -18 where a tone of
        -18 dBFS is the reference level.

    Returns
    -------
    NoiseResult
        Readings of ``nan`` with the reason for silence, non-finite samples and signals that are too short.

    Raises
    ------
    MeasureError
        If an argument has the wrong type or shape.

    Notes
    -----
    The weightings act as zero-phase filters on the spectrum of the whole signal, continued by its mirror image.
    The unweighted and A-weighted readings are RMS; the reading by BS.468 is the highest quasi-peak, scaled
    so that a steady 1 kHz sine reads its RMS. The same hiss reads some 8 to 12 dB more by BS.468 than
    A-weighted.
    """
    channels, rate = check_signal(signal, channels=True), check_rate(sample_rate)
    if not math.isfinite(reference_dbfs):
        raise MeasureError(f"reference_dbfs is {reference_dbfs!r}, but must be finite")
    unweighted, a_weighted, itu468 = [], [], []
    for index, samples in enumerate(channels):
        conditions: dict[str, Condition] = {
            "reference_dbfs": float(reference_dbfs),
            "sample_rate_hz": rate,
            "duration_seconds": round(samples.size / rate, 6),
            "channel": index,
        }
        reason = _unusable(samples)
        if not reason and rate < 40_000.0:
            reason = f"at {rate:g} samples per second the band up to 20 kHz is missing"
        if not reason and samples.size < 0.1 * rate:
            reason = f"the signal lasts {samples.size / rate:.3g} s, too short for noise from 20 Hz (0.1 s)"
        unweighted.append(
            _noise_rms(
                "unweighted noise", _audio_band, samples, rate, reason, {**conditions, "band_hz": "20 to 20000"}
            )
        )
        a_weighted.append(_noise_rms("A-weighted noise", weighting.a_weighting, samples, rate, reason, conditions))
        itu468.append(_noise_quasi_peak(samples, rate, reason, conditions))
    return NoiseResult(unweighted=tuple(unweighted), a_weighted=tuple(a_weighted), itu468=tuple(itu468))


def true_peak(samples: FloatArray) -> float:
    """Largest absolute value of the continuous signal through the samples.

    Parameters
    ----------
    samples : ndarray, shape (samples,)
        Finite; what lies before and after is taken as zero.

    Returns
    -------
    float
        Never less than the largest sample.

    Notes
    -----
    Eightfold oversampling (ITU-R BS.1770 asks for fourfold at 48 kHz) by a windowed sinc of 24 samples on either
    side, flat to 0.44 of the sample rate, and a parabola through the largest value and its neighbours.
    """
    from scipy import signal as sp

    largest = float(np.max(np.abs(samples), initial=0.0))
    if largest == 0.0:
        return 0.0
    half = _TAPS_A_SIDE * _OVERSAMPLING
    taps = _OVERSAMPLING * sp.firwin(2 * half + 1, 1.0 / _OVERSAMPLING, window=("kaiser", 9.0))
    # No value between samples exceeds the largest sample near it times the largest sum of absolute taps.
    gain = max(float(np.sum(np.abs(taps[phase::_OVERSAMPLING]))) for phase in range(_OVERSAMPLING))
    halfway = 2.0 * sp.firwin(4 * _TAPS_A_SIDE + 1, 0.5, window=("kaiser", 9.0))
    margin = 2 * _TAPS_A_SIDE
    padded = np.concatenate([np.zeros(margin), samples, np.zeros(margin)])
    best = largest
    # The loudest blocks first, so that most of the others can be passed over.
    starts = np.arange(0, samples.size + margin, _BLOCK)
    for start in starts[np.argsort(-np.maximum.reduceat(np.abs(padded), starts))]:
        block = padded[start : start + _BLOCK + 2 * margin]
        if gain * float(np.max(np.abs(block))) <= best:
            continue
        # A band-limited signal exceeds its largest value at twice its rate by sqrt(2) at the most.
        if _HALFWAY_EXCESS * float(np.max(np.abs(sp.upfirdn(halfway, block, up=2)))) <= best:
            continue
        # Only where all taps meet samples: the blocks overlap by as much as is lost.
        dense = sp.upfirdn(taps, block, up=_OVERSAMPLING)[2 * half : block.size * _OVERSAMPLING]
        best = max(best, detectors.peak(dense)) if dense.size else best
    return best


def _channel_levels(samples: FloatArray, conditions: Mapping[str, Condition]) -> list[Reading]:
    largest = float(np.max(np.abs(samples)))
    scaled = samples / largest
    # Each ratio for itself: their product may round to zero where the largest sample is subnormal.
    largest_db = _db(largest)
    rms_db = _db(detectors.root_mean_square(scaled))
    between_db = _db(true_peak(scaled))
    full = int(np.sum(np.abs(samples) >= 1.0))
    warnings = (f"{counted(full, 'sample')} at or above full scale",) if full else ()

    def reading(quantity: str, value: float, unit: str, method: str, standard: str, doubt: float) -> Reading:
        return Reading(
            quantity=quantity,
            value=value,
            unit=unit,
            method=method,
            standard=standard,
            conditions=conditions,
            uncertainty=doubt,
            uncertainty_basis="exact"
            if doubt == 0.0
            else "a bound: what oversampling and its filter may miss up to 0.44 of the rate",
            warnings=warnings,
        )

    return [
        reading("peak level", largest_db, "dBFS", "largest sample", "AES17", 0.0),
        reading(
            "true peak level", largest_db + between_db, "dBTP", "eightfold oversampling", "ITU-R BS.1770", 0.02
        ),
        reading(
            "RMS level",
            largest_db + rms_db + _db(math.sqrt(2.0)),
            "dBFS",
            "RMS re that of a full-scale sine",
            "AES17",
            0.0,
        ),
        reading("crest factor", -rms_db, "dB", "largest sample over RMS", "none", 0.0),
    ]


def _loudness(
    channels: FloatArray, rate: float, reasons: list[str], conditions: Mapping[str, Condition]
) -> tuple[Reading, Reading]:
    names = (("loudness", "LUFS"), ("loudness range", "LU"))
    bad = [reason for reason in reasons if reason and "silent" not in reason]
    reason = bad[0] if bad else reasons[0] if all(reasons) else ""
    if channels.shape[0] > _LOUDNESS_CHANNELS:
        reason = f"{channels.shape[0]} channels, but the weights are defined for up to {_LOUDNESS_CHANNELS}"
    if reason:
        return (
            undefined(*names[0], reason, conditions),
            undefined(*names[1], reason, conditions),
        )
    blocks = _block_loudness(channels, rate, block_seconds=0.4)
    if blocks is None:
        short = f"the signal lasts {channels.shape[1] / rate:.3g} s, shorter than the gating block of 0.4 s"
        integrated = undefined(*names[0], short, conditions)
    elif not math.isfinite(blocks[0]):
        integrated = undefined(*names[0], "no block is louder than the gate at -70 LUFS", conditions)
    else:
        integrated = Reading(
            quantity=names[0][0],
            value=blocks[0],
            unit=names[0][1],
            method="gated, integrated",
            standard="ITU-R BS.1770",
            conditions=conditions,
            uncertainty=0.01,
            uncertainty_basis="comparison with libebur128",
        )
    return integrated, _loudness_range(channels, rate, conditions)


def _loudness_range(channels: FloatArray, rate: float, conditions: Mapping[str, Condition]) -> Reading:
    """Loudness range by EBU Tech 3342: 10th to 95th percentile of short-term loudness, gated."""
    blocks = _block_loudness(channels, rate, block_seconds=3.0)
    if blocks is None:
        reason = f"the signal lasts {channels.shape[1] / rate:.3g} s, shorter than the block of 3 s"
        return undefined("loudness range", "LU", reason, conditions)
    loud = blocks[1][blocks[1] >= -70.0]
    if loud.size == 0:
        return undefined("loudness range", "LU", "no block is louder than the gate at -70 LUFS", conditions)
    gate = 10.0 * math.log10(float(np.mean(10.0 ** (loud / 10.0)))) - 20.0
    kept = loud[loud >= gate]
    low, high = np.quantile(kept, (0.10, 0.95))
    brief = channels.shape[1] < 30.0 * rate
    return Reading(
        quantity="loudness range",
        value=float(high - low),
        unit="LU",
        method="short-term loudness ten times a second, 10th to 95th percentile",
        standard="EBU Tech 3342",
        conditions=conditions,
        uncertainty=0.1,
        uncertainty_basis="comparison with libebur128",
        warnings=("less than 30 s: few independent blocks of 3 s",) if brief else (),
    )


def _block_loudness(channels: FloatArray, rate: float, *, block_seconds: float) -> tuple[float, FloatArray] | None:
    """Integrated loudness and the loudness of each block, 0.1 s apart; ``None`` if no block fits."""
    import pyloudnorm

    hops = math.floor((channels.shape[1] / rate - block_seconds) / 0.1 + 1e-9)
    if hops < 0:
        return None
    whole = math.ceil((block_seconds + 0.1 * hops) * rate - 1e-6)
    meter = pyloudnorm.Meter(
        rate, filter_class="DeMan", block_size=block_seconds, overlap=1.0 - 0.1 / block_seconds
    )
    integrated = float(meter.integrated_loudness(channels[:, :whole].T))
    return integrated, np.asarray(meter.blockwise_loudness, dtype=np.float64)


def _audio_band(frequency: FloatArray) -> FloatArray:
    return np.asarray(((frequency >= 20.0) & (frequency <= 20_000.0)).astype(np.float64))


def _noise_rms(
    quantity: str,
    weight: Callable[[FloatArray], FloatArray],
    samples: FloatArray,
    rate: float,
    reason: str,
    conditions: Mapping[str, Condition],
) -> Reading:
    from scipy import fft

    if reason:
        return undefined(quantity, "dB", reason, conditions)
    largest = float(np.max(np.abs(samples)))
    spectrum = fft.rfft(np.concatenate([samples[::-1], samples]) / largest)
    # The mean square by Parseval's theorem; every bin but the first and the last stands for two.
    power = 2.0 * np.square(np.abs(spectrum) / (2 * samples.size))
    power[-1] *= 0.5
    at = np.arange(power.size, dtype=np.float64) * (rate / (2 * samples.size))
    power[0] = 0.0
    power *= np.square(weight(at))
    total = float(np.sum(power))
    if total <= 1e-30:
        return undefined(quantity, "dB", "the signal has no power in the band", conditions)
    # The variance of a mean square over T is ``integral of P^2 / T``. Each bin of the mirrored signal has one
    # degree of freedom, so its square is three times too large on average, and there are two bins to 1 / T.
    scatter = 0.5 * math.sqrt(2.0 / 3.0 * float(np.sum(np.square(power)))) / total
    return Reading(
        quantity=quantity,
        value=_db(largest) + 10.0 * math.log10(2.0 * total) - float(conditions["reference_dbfs"]),
        unit="dB",
        method="RMS re the reference level",
        standard="IEC 61672-1" if quantity.startswith("A-") else "none",
        conditions=conditions,
        uncertainty=_DB_A_RATIO * scatter,
        uncertainty_basis="theory: random signal over the duration",
    )


def _noise_quasi_peak(
    samples: FloatArray, rate: float, reason: str, conditions: Mapping[str, Condition]
) -> Reading:
    from scipy import fft

    quantity = "noise by ITU-R BS.468"
    if not reason and samples.size < _QUASI_PEAK_SECONDS * rate:
        reason = (
            f"the signal lasts {samples.size / rate:.3g} s, too short for the quasi-peak meter to settle "
            f"({_QUASI_PEAK_SECONDS:g} s)"
        )
    if reason:
        return undefined(quantity, "dB", reason, conditions)
    largest = float(np.max(np.abs(samples)))
    spectrum = fft.rfft(np.concatenate([samples[::-1], samples]) / largest)
    at = np.arange(spectrum.size, dtype=np.float64) * (rate / (2 * samples.size))
    spectrum *= weighting.itu468_weighting(at)
    # Between samples that are far apart the rectifier would miss the peaks of high frequencies.
    factor = math.ceil(_QUASI_PEAK_RATE / rate)
    weighted = factor * fft.irfft(spectrum, 2 * factor * samples.size)[factor * samples.size :]
    pointer = detectors.itu468_quasi_peak(np.asarray(weighted), factor * rate)
    highest = float(np.max(pointer))
    if highest <= 1e-15:
        return undefined(quantity, "dB", "the signal has no power in the band", conditions)
    return Reading(
        quantity=quantity,
        value=_db(largest) + _db(highest * math.sqrt(2.0)) - float(conditions["reference_dbfs"]),
        unit="dB",
        method="quasi-peak, maximum, re the reference level",
        standard="ITU-R BS.468-4",
        conditions=conditions,
        uncertainty=_DB_A_RATIO * _scatter_of_highest(pointer, factor * rate) / highest,
        uncertainty_basis="spread of the pointer, as far as the highest of as many swings scatters",
    )


def _scatter_of_highest(pointer: FloatArray, rate: float) -> float:
    """Standard deviation of the highest place of a pointer over recordings as long as this one.

    A random course of deviation s swings ``std(slope) / (2 pi s)`` times a second (Rice, "Mathematical analysis of
    random noise", Bell System Technical Journal 24, 1945); the highest of N swings scatters by
    ``s pi / sqrt(12 ln N)`` (Gumbel's law; both from memory). One swing more is counted, so that none is no
    division by zero.

    In a few seconds a course spreads less than it does in the long run, for it has a mean of its own there, and
    its spread is itself a draw: it is divided by what n values lack, and widened by Student's distribution.
    """
    settled = pointer[round(_SETTLED_SECONDS * rate) :]
    values = max(settled.size / (rate * _MEMORY_SECONDS), 1.5)
    spread = float(np.std(settled)) * math.sqrt(values / (values - 1.0))
    if not spread > 0.0:
        return 0.0
    swings = float(np.std(np.diff(settled))) * pointer.size / (2.0 * math.pi * spread)
    highest = min(math.pi / math.sqrt(12.0 * math.log(1.0 + max(swings, 1e-9))), 1.0)
    return spread * highest * widened(2.0 * values - 1.0)


def _unusable(samples: FloatArray) -> str:
    if samples.size == 0:
        return "the signal is empty"
    bad = ~np.isfinite(samples)
    if bad.any():
        told = counted(int(bad.sum()), "sample is", "samples are")
        return f"{told} not finite, the first at index {int(np.argmax(bad))}"
    if not samples.any():
        return "the signal is silent"
    return ""


def _db(ratio: float) -> float:
    return 20.0 * math.log10(ratio)
