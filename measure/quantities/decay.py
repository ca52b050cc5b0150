"""Decay of a reverberant system: EDT, T20, T30, a maximum-likelihood fit, echo density and colouration.

Bands are cut out of the spectrum with Tukey-shaped edges and brought down to a complex envelope. Such a
filter has no phase and so no decay of its own worth the name, where a recursive octave filter rings
longer than a short reverberation. What can bias a decay in it is its smear of about one over the
bandwidth, to either side; the condition B T > 4 of ISO 3382 for filters without phase is enforced.

The envelope power of a diffuse decay is, at every instant, exponentially distributed about its mean
``sum_i A_i exp(-k_i t) + N``; the fit maximises the likelihood of just that, so noise is part of the
model and no point at which to cut the response needs to be chosen.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeGuard

import numpy as np

from measure.errors import MeasureError
from measure.parts.decay_doubt import integrated_sigma, interrupted_sigma, response_scatter
from measure.parts.decay_faults import examine, recording_end
from measure.parts.decay_fit import (
    NEPERS,
    Band,
    BandName,
    DecayFit,
    DecayModel,
    Envelope,
    band_envelope,
    bands_of,
    fit_decay,
    knee,
    onset_of,
)
from measure.parts.decay_leakage import BandDescription, leakage
from measure.parts.decay_leakage import beyond as neighbours_of
from measure.parts.run import drive
from measure.parts.signals import NoiseBurst, noise_burst
from measure.parts.spectrum import unusable
from measure.quantities.response import frequency_response
from measure.results import Curve, Reading
from measure.validation import FloatArray, as_system, check_rate, check_signal

__all__ = [
    "BandDecay",
    "Colouration",
    "Decay",
    "EchoDensity",
    "colouration",
    "decay",
    "decay_from_impulse",
    "decay_from_noise",
    "decay_from_sweep",
    "decay_of_noise",
    "echo_density",
]

Conditions = dict[str, str | float | int | bool]

# Fit interval in dB and how far the floor must lie below the start: 10 dB below the interval (ISO 3382-1, -2).
_INTERVALS = {"EDT": (0.0, -10.0, 20.0), "T20": (-5.0, -25.0, 35.0), "T30": (-5.0, -35.0, 45.0)}
_LEAST_BT = 4.0
_LEAST_RANGE_DB = 15.0
_MOST_DOUBT = 0.25
_MOST_DOUBT_OF_A_LINE = 0.5
_SIGNIFICANT = 3.5  # standard deviations from which on a difference is called one
_NOT_ONE = 0.5  # share by which one slope may differ from T30 and still be called a decay time
_MISFIT = 1.8  # for an exponential, 24 segments exceed this once in a hundred times
_BASIS = "theory (B T product; neighbouring bands)"
_CLIPPED = "the response is clipped"
_STRAYS = "no exponential describes this: the power strays from it by more than the figure itself"
_SMEARED = "what was found is no stronger than the band filter's smear of what came before"


@dataclass(frozen=True, kw_only=True, eq=False)
class BandDecay:
    """Decay in one band.

    Attributes
    ----------
    band : str
        ``"500 Hz"`` or ``"broadband"``.
    centre_hz, low_hz, high_hz : float
        Nominal centre (``nan`` for broadband), and half-power edges.
    edt, t20, t30 : Reading
        Decay times extrapolated to 60 dB, in seconds.
    likelihood : Reading
        Decay time of the maximum-likelihood fit of one slope.
    slopes : tuple of Reading
        Early and late decay time, when two slopes explain the decay far better than one; else empty.
    usable_range : Reading
        dB from the start of the decay to where it meets the floor or the end of the recording.
    curve : Curve
        Decay in dB against seconds.
    fit : Curve
        The fitted model on the same axes, floor included.
    floor_db : float
        Level of the floor on the axes of `fit`.
    """

    band: str
    centre_hz: float
    low_hz: float
    high_hz: float
    edt: Reading
    t20: Reading
    t30: Reading
    likelihood: Reading
    slopes: tuple[Reading, ...]
    usable_range: Reading
    curve: Curve
    fit: Curve
    floor_db: float

    @property
    def readings(self) -> tuple[Reading, ...]:
        """All single figures of the band."""
        return (self.edt, self.t20, self.t30, self.likelihood, *self.slopes, self.usable_range)


@dataclass(frozen=True, kw_only=True, eq=False)
class Decay:
    """Decay in all bands that were asked for and lie below half the rate."""

    bands: tuple[BandDecay, ...]

    @property
    def readings(self) -> tuple[Reading, ...]:
        """All single figures of all bands."""
        return tuple(reading for band in self.bands for reading in band.readings)

    def band(self, centre_hz: float | None = None) -> BandDecay:
        """Return the band of a nominal centre frequency, or the broadband one."""
        for candidate in self.bands:
            if (centre_hz is None and math.isnan(candidate.centre_hz)) or candidate.centre_hz == centre_hz:
                return candidate
        raise MeasureError(
            f"there is no band at {centre_hz!r}; there are {', '.join(band.band for band in self.bands)}"
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class EchoDensity:
    """Normalised echo density: 0 for a single echo, 1 where the response is as dense as Gaussian noise.

    Attributes
    ----------
    profile : Curve
        Density against seconds after the first arrival.
    half, nine_tenths, full : Reading
        First time at which the density reaches 0.5, 0.9 and 1.
    """

    profile: Curve
    half: Reading
    nine_tenths: Reading
    full: Reading

    @property
    def readings(self) -> tuple[Reading, ...]:
        """All single figures."""
        return (self.half, self.nine_tenths, self.full)


@dataclass(frozen=True, kw_only=True, eq=False)
class Colouration:
    """How uneven a response is over frequency, against Gaussian noise, the ideal of a diffuse one.

    Attributes
    ----------
    deviation : Reading
        Standard deviation of ``20 lg |H|`` in dB; 5.57 for Gaussian noise.
    flatness : Reading
        Geometric over arithmetic mean of ``|H|^2`` in dB; -2.51 for Gaussian noise.
    """

    deviation: Reading
    flatness: Reading

    @property
    def readings(self) -> tuple[Reading, ...]:
        """Both figures."""
        return (self.deviation, self.flatness)


def decay_from_impulse(impulse_response: FloatArray, sample_rate: float, *, bands: BandName = "octave") -> Decay:
    """Read decay times from an impulse response.

    Parameters
    ----------
    impulse_response : ndarray, shape (samples,)
        Response, with or without delay before it; at least some tens of milliseconds of floor after it.
    sample_rate : float
        Samples per second.
    bands : {"octave", "third octave", "broadband"}
        Which bands; broadband is 40 Hz to 20 kHz or 0.45 of the rate.

    Returns
    -------
    Decay
        EDT, T20 and T30 by backward integration (ISO 3382-1): the floor found by the fit is subtracted, the
        integral ends where the decay meets the floor, and what would follow is added from the fit. Where
        a condition is not met, the figure is ``nan`` and says so.

    Raises
    ------
    MeasureError
        If an argument has the wrong type or shape.
    """
    h = check_signal(impulse_response)
    rate = check_rate(sample_rate)
    conditions: Conditions = {
        "source": "impulse response",
        "sample_rate_hz": rate,
        "seconds": round(len(h) / rate, 6),
    }
    return _from_impulse(h, rate, bands, conditions)


decay = decay_from_impulse
"""The same by its short name: what "decay" means unless said otherwise."""


def decay_from_sweep(
    system: Callable[..., Any],
    sample_rate: float,
    *,
    bands: BandName = "octave",
    seconds: float = 4.0,
    tail_seconds: float = 3.0,
    level_dbfs: float = -18.0,
) -> Decay:
    """Measure the decay of a system by a synchronised sweep.

    Distortion does not enter: what the system adds in harmonics is gated out. For how a system decays that
    is driven into distortion, use :func:`decay_from_noise`.

    Parameters
    ----------
    system : callable
        ``(audio, sample_rate) -> audio``.
    sample_rate : float
        Samples per second.
    bands : {"octave", "third octave", "broadband"}
        Which bands.
    seconds, tail_seconds : float
        Duration of the sweep, and of the silence after it; the silence must outlast the decay.
    level_dbfs : float
        Level of the sweep.
    """
    response = frequency_response(
        system, sample_rate, seconds=seconds, tail_seconds=tail_seconds, level_dbfs=level_dbfs
    )
    rate = check_rate(sample_rate)
    conditions: Conditions = {
        "source": "synchronised sweep",
        "level_dbfs": level_dbfs,
        "sweep_seconds": seconds,
        "tail_seconds": tail_seconds,
        "sample_rate_hz": rate,
    }
    # Later than the tail the noise of a deconvolved sweep thins out, which would look like a decay.
    heard = response.impulse_response[response.origin : response.origin + round(tail_seconds * rate)]
    return _from_impulse(heard, rate, bands, conditions)


def decay_from_noise(
    system: Callable[..., Any],
    sample_rate: float,
    *,
    bands: BandName = "octave",
    level_dbfs: float = -18.0,
    burst_seconds: float = 2.0,
    silence_seconds: float = 3.0,
    repeats: int = 4,
    seed: int = 0,
    latency_seconds: float = 0.0,
) -> Decay:
    """Measure the decay of a system, linear or not, by noise that stops.

    Parameters
    ----------
    system : callable
        ``(audio, sample_rate) -> audio``.
    sample_rate : float
        Samples per second.
    bands : {"octave", "third octave", "broadband"}
        Which bands.
    level_dbfs : float
        RMS level of the noise going in; for a non-linear system the decay depends on it.
    burst_seconds, silence_seconds : float
        The noise must last until the system has filled, the silence until it has emptied.
    repeats : int
        Number of bursts, of different noise; their decays are averaged as powers.
    seed : int
        Seed of the first burst.
    latency_seconds : float
        Latency of the system, by which the decay starts later.
    """
    if isinstance(repeats, bool) or not isinstance(repeats, int) or repeats < 1:
        raise MeasureError(f"repeats is {repeats!r}, but must be a whole number of 1 or more")
    under_test = as_system(system)
    bursts = [
        noise_burst(
            sample_rate,
            seconds=burst_seconds,
            silence_seconds=silence_seconds,
            level_dbfs=level_dbfs,
            seed=seed + k,
        )
        for k in range(repeats)
    ]
    recordings = [drive(under_test, burst.signal, burst.sample_rate) for burst in bursts]
    return decay_of_noise(recordings, bursts[0], bands=bands, latency_seconds=latency_seconds)


def decay_of_noise(
    recordings: Sequence[FloatArray],
    burst: NoiseBurst,
    *,
    bands: BandName = "octave",
    centres_hz: Sequence[float] | None = None,
    latency_seconds: float = 0.0,
    neighbours: bool = True,
) -> Decay:
    """Read decay times from recordings of interrupted noise.

    Parameters
    ----------
    recordings : sequence of ndarray, each of shape (samples,)
        What came back for bursts of the timing of `burst`.
    burst : NoiseBurst
        Says when the noise stopped, at which rate and level.
    bands : {"octave", "third octave", "broadband"}
        Which bands.
    centres_hz : sequence of float, optional
        Only those of them with these nominal centres, where not all are wanted.
    latency_seconds : float
        Latency of the system.
    neighbours : bool
        Whether what the neighbouring bands add is worked out, which takes as long as two bands more.

    Returns
    -------
    Decay
        Regression on the level of the averaged decays, smoothed over a thirtieth of the decay time, relative
        to the level before the stop (ISO 3382-1, interrupted noise). The likelihood figure supposes one
        exponential; a warning says where the decay is not one.
    """
    rate = check_rate(burst.sample_rate)
    signals = [check_signal(recording) for recording in recordings]
    if not signals:
        raise MeasureError("there are no recordings; give one or more")
    for signal in signals:
        if len(signal) != len(burst.signal):
            raise MeasureError(
                f"a recording has {len(signal)} samples, but the burst has {len(burst.signal)}; align and cut it"
            )
    conditions: Conditions = {
        "source": "interrupted noise",
        "level_dbfs": burst.level_dbfs,
        "burst_seconds": round(burst.stop / rate, 6),
        "repeats": len(signals),
        "latency_seconds": latency_seconds,
        "sample_rate_hz": rate,
    }
    reason = next((why for why in map(unusable, signals) if why), "")
    stop = burst.stop / rate + latency_seconds
    chosen = [band for band in bands_of(bands, rate) if centres_hz is None or band.centre_hz in centres_hz]
    if reason:
        return Decay(bands=tuple(_undefined(band, reason, conditions) for band in chosen))
    after = round(stop * rate)
    end = after + min(
        (recording_end(signal[after:], rate) for signal in signals if after < len(signal)), default=0
    )
    stops = after + 64 < end < len(signals[0])
    if stops:
        signals = [signal[:end] for signal in signals]

    def averaged(band: Band) -> Envelope:
        envelopes = [band_envelope(signal, rate, band, 4.0) for signal in signals]
        return Envelope(
            power=np.mean([envelope.power for envelope in envelopes], axis=0),
            step=envelopes[0].step,
            seconds=envelopes[0].seconds,
            bandwidth=math.fsum(envelope.bandwidth for envelope in envelopes),
            share=min(envelope.share for envelope in envelopes),
            smear=envelopes[0].smear,
            own_decay=envelopes[0].own_decay,
        )

    prepared = _prepared(
        chosen,
        [averaged(band) for band in chosen],
        stop,
        averaged if neighbours else None,
        rate,
        stops=stops,
        decays=len(signals),
    )
    return Decay(bands=tuple(_interrupted(known, stop, len(signals), conditions) for known in prepared))


def echo_density(
    impulse_response: FloatArray, sample_rate: float, *, window_seconds: float = 0.025
) -> EchoDensity:
    """Read how soon a response becomes as dense as noise.

    Parameters
    ----------
    impulse_response : ndarray, shape (samples,)
        Response.
    sample_rate : float
        Samples per second.
    window_seconds : float
        Length of the sliding Hann window.

    Notes
    -----
    Abel and Huang, "A simple, robust measure of reverberation echo density", AES 121, 2006: the weighted share
    of samples beyond one weighted standard deviation, over that of Gaussian noise, ``erfc(1 / sqrt 2)``. The
    window of 20 to 30 ms is from memory.
    """
    h = check_signal(impulse_response)
    rate = check_rate(sample_rate)
    width = round(window_seconds * rate) | 1
    conditions: Conditions = {"window_seconds": window_seconds, "sample_rate_hz": rate}
    levels = {0.5: "half", 0.9: "nine tenths", 1.0: "full"}

    def reading(level: float, value: float, *why: str) -> Reading:
        return Reading(
            quantity=f"time to {levels[level]} echo density",
            value=value,
            unit="s",
            method="share of samples beyond one standard deviation, Hann window",
            conditions=conditions,
            # Where within the window the density is reached is known to about a tenth of it.
            uncertainty=0.1 * window_seconds if math.isfinite(value) else math.nan,
            uncertainty_basis="theory (a tenth of the window)" if math.isfinite(value) else "not stated",
            warnings=why,
        )

    def result(density: FloatArray, t: FloatArray, why: str) -> EchoDensity:
        found = {}
        for level in levels:
            reached = np.flatnonzero(density >= level)
            if len(reached):
                found[level] = reading(level, float(t[reached[0]]))
            else:
                found[level] = reading(level, math.nan, why or f"the density never reaches {level:g}")
        profile = Curve(quantity="echo density", x=t, y=density, x_name="time", x_unit="s", y_unit="")
        return EchoDensity(profile=profile, half=found[0.5], nine_tenths=found[0.9], full=found[1.0])

    empty = np.empty(0)
    reason = unusable(h)
    if reason:
        return result(empty, empty, reason)
    onset = onset_of(h)
    h = h[onset:]
    if width < 16 or len(h) < 2 * width:
        return result(empty, empty, f"the response lasts {len(h) / rate:.3g} s, under two windows")
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(width) + 0.5) / width)
    window /= window.sum()
    hop = max(1, round(0.001 * rate))
    # Where the tail has sunk into digital silence there is no density to speak of.
    alive = np.flatnonzero(np.abs(h) > 1e-9 * np.max(np.abs(h)))
    h = h[: alive[-1] + 1]
    if len(h) < width:
        return result(empty, empty, "the response is a single echo")
    frames = np.lib.stride_tricks.sliding_window_view(h, width)[::hop]
    sigma = np.sqrt((frames**2) @ window)
    expected = math.erfc(math.sqrt(0.5))
    density = ((np.abs(frames) > sigma[:, None]) @ window) / expected
    t = (np.arange(len(frames)) * hop + width // 2) / rate
    return result(density, t, "")


def colouration(
    impulse_response: FloatArray, sample_rate: float, *, low_hz: float = 100.0, high_hz: float = 10_000.0
) -> Colouration:
    """Read how uneven the magnitude of a response is.

    Parameters
    ----------
    impulse_response : ndarray, shape (samples,)
        Response, long enough to hold its decay.
    sample_rate : float
        Samples per second.
    low_hz, high_hz : float
        Band that is looked at, every bin of it alike.
    """
    h = check_signal(impulse_response)
    rate = check_rate(sample_rate)
    conditions: Conditions = {"low_hz": low_hz, "high_hz": min(high_hz, 0.5 * rate), "sample_rate_hz": rate}

    def pair(deviation: float, flatness: float, bins: float, *why: str) -> Colouration:
        # Variance of the sample deviation of a log-exponential variable: (kurtosis - 1) / 4n of its variance,
        # kurtosis 5.4; variance of the flatness: (pi^2 / 6 - 1) / n in nepers.
        doubt = math.sqrt(1.1 / bins) * deviation if bins > 0.0 else math.nan
        doubt_flat = 4.343 * math.sqrt((math.pi**2 / 6.0 - 1.0) / bins) if bins > 0.0 else math.nan
        return Colouration(
            deviation=Reading(
                quantity="standard deviation of the magnitude",
                value=deviation,
                unit="dB",
                method="20 lg |H| of every bin; 5.57 dB for Gaussian noise",
                conditions=conditions,
                uncertainty=doubt,
                uncertainty_basis="theory (independent bins)",
                warnings=why,
            ),
            flatness=Reading(
                quantity="spectral flatness",
                value=flatness,
                unit="dB",
                method="geometric over arithmetic mean of |H|^2; -2.51 dB for Gaussian noise",
                conditions=conditions,
                uncertainty=doubt_flat,
                uncertainty_basis="theory (independent bins)",
                warnings=why,
            ),
        )

    reason = unusable(h)
    if reason:
        return pair(math.nan, math.nan, 0.0, reason)
    frequencies = np.fft.rfftfreq(len(h), 1.0 / rate)
    inside = (frequencies >= low_hz) & (frequencies <= high_hz)
    power = np.abs(np.fft.rfft(h)[inside]) ** 2
    if len(power) < 100:
        return pair(math.nan, math.nan, 0.0, f"only {len(power)} bins lie between {low_hz:g} and {high_hz:g} Hz")
    if np.min(power) <= 0.0 or np.mean(power) < 1e-20 * np.sum(h**2):
        return pair(math.nan, math.nan, 0.0, f"there is nothing between {low_hz:g} and {high_hz:g} Hz")
    levels = 10.0 * np.log10(power)
    block = max(1, round(0.005 * rate))
    energy = np.add.reduceat(h**2, np.arange(0, len(h), block))
    # Neighbouring bins are alike over one over the duration of the energy.
    lasting = float(np.sum(energy) ** 2 / np.sum(energy**2)) * block / rate
    independent = float(np.clip((min(high_hz, 0.5 * rate) - low_hz) * lasting, 1.0, len(power)))
    flatness = float(np.mean(levels) - 10.0 * math.log10(float(np.mean(power))))
    return pair(float(np.std(levels)), flatness, independent)


@dataclass(frozen=True)
class _Line:
    """A straight line through a part of a decay."""

    seconds: float  # per 60 dB; nan where no line can be drawn
    bend: float  # non-linearity in permille
    interval: tuple[float, float]  # seconds


_NO_LINE = _Line(math.nan, math.nan, (math.nan, math.nan))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Known:
    """What is known of one band before its figures are read."""

    envelope: Envelope
    band: Band
    fit: DecayFit | None
    reason: str  # why there is no fit
    leaks: Mapping[str, float]  # by how much the band reads too long, as a share
    stops: bool  # whether the response stops before the recording
    decays: int = 0  # of interrupted noise that were averaged; 0 for an impulse response
    ceiling: float = -math.inf  # seconds after the onset until which samples were clipped


def _from_impulse(h: FloatArray, rate: float, bands: BandName, conditions: Conditions) -> Decay:
    chosen = bands_of(bands, rate)
    reason = unusable(h)
    if reason:
        return Decay(bands=tuple(_undefined(band, reason, conditions) for band in chosen))
    examined = examine(h, rate)
    if examined.offset:
        conditions = {**conditions, "offset_removed": examined.offset}
    h = examined.signal
    onset = onset_of(h) / rate
    if len(h) < 64:
        reason = f"the response lasts {len(h) / rate:.2g} s and stops"
        return Decay(bands=tuple(_undefined(band, reason, conditions) for band in chosen))
    envelopes = [band_envelope(h, rate, band) for band in chosen]
    ceiling = examined.clipped_until / rate - onset
    return Decay(
        bands=tuple(
            _integrated(known, onset, conditions)
            for known in _prepared(
                chosen,
                envelopes,
                onset,
                lambda band: band_envelope(h, rate, band),
                rate,
                stops=examined.stops,
                ceiling=ceiling,
            )
        )
    )


def _prepared(
    bands: Sequence[Band],
    envelopes: Sequence[Envelope],
    onset: float,
    envelope_of: Callable[[Band], Envelope] | None,
    rate: float,
    *,
    stops: bool,
    ceiling: float = -math.inf,
    decays: int = 0,
) -> list[_Known]:
    """Fit all bands, and say how much of each is its neighbours'; without `envelope_of` that is not asked."""
    fits = [fit_decay(envelope, band, onset) for envelope, band in zip(envelopes, bands, strict=True)]
    leaks: dict[str, Mapping[str, float]] = {}
    if envelope_of is not None and not any(math.isnan(band.centre_hz) for band in bands):
        described = [
            BandDescription(band, fit) for band, (fit, _) in zip(bands, fits, strict=True) if _speaks(fit)
        ]
        names = [each.band.name for each in described]
        if described:
            neighbours = neighbours_of(bands, rate)
            for band in neighbours:
                fit, _ = fit_decay(envelope_of(band), band, onset)
                if _speaks(fit):
                    described.append(BandDescription(band, fit))
            leaks = dict(zip(names, leakage(described), strict=False))
    return [
        _Known(
            envelope=envelope,
            band=band,
            fit=fit,
            reason=reason,
            leaks=leaks.get(band.name, {}),
            stops=stops,
            ceiling=ceiling,
            decays=decays,
        )
        for envelope, band, (fit, reason) in zip(envelopes, bands, fits, strict=True)
    ]


def _speaks(fit: DecayFit | None) -> TypeGuard[DecayFit]:
    """Whether a fit describes a decay well enough to judge the neighbours by it."""
    if fit is None or fit.smeared or not float(fit.single.rate_sigma[0]) < _MOST_DOUBT:
        return False
    best = fit.best
    start = float(best.signal(np.array([fit.begins]))[0])
    return bool(start > 10.0 ** (_LEAST_RANGE_DB / 10.0) * max(best.floor, best.cap))


def _integrated(known: _Known, onset: float, conditions: Conditions) -> BandDecay:
    """Backward integration (Schroeder) with subtraction of the floor, truncation and correction of the tail."""
    envelope, band, fit = known.envelope, known.band, known.fit
    if fit is None:
        return _undefined(band, known.reason, conditions)
    best = fit.best
    step = envelope.step
    first = max(0, int((onset - 1.0 / (band.high_hz - band.low_hz)) / step))
    power = envelope.power[first:]
    t = np.arange(float(len(power))) * step + (first * step - onset)
    end = t[-1] - 1.0 / (band.high_hz - band.low_hz)  # the filter fades the last bit
    meets = knee(best, end)
    inside = t <= meets
    kept = np.maximum(power[inside], 0.0) - best.floor
    tail = float(best.remaining(np.array([meets]))[0])
    energy = np.cumsum((kept * step)[::-1])[::-1] + tail
    t = t[inside]
    if len(energy) < 8 or not energy[0] > 0.0:
        return _undefined(band, "the decay is too short for the band", conditions)
    total = float(np.interp(0.0, t, energy)) if t[0] < 0.0 else float(energy[0])
    total = max(total, float(energy[0]))
    # Where noise outweighs what is left, the integral can dip below zero; the range ends before that.
    level = 10.0 * np.log10(np.maximum(energy / total, 1e-30))
    usable = -float(10.0 * math.log10(max(tail / total, 1e-30)))
    early, late = (_regress(t, level, *interval).seconds for interval in ((0.0, -10.0), (-5.0, -25.0)))
    if late < 0.5 * early:
        return _undefined(
            band,
            f"the energy falls ever faster ({early:.2g} s, then {late:.2g} s): it lasts and then stops",
            conditions,
        )
    return _band_result(
        known,
        fit,
        t,
        level,
        usable,
        meets,
        end,
        conditions,
        slope_sigma=lambda line: integrated_sigma(
            t,
            energy,
            line.interval,
            best,
            fit.begins,
            envelope.bandwidth,
            envelope.seconds - onset - meets,
        ),
        fit_level=lambda moment: (
            10.0
            * np.log10(np.maximum(best.remaining(moment) + best.floor / best.rates.min(), 1e-30 * total) / total)
        ),
        floor_db=10.0 * math.log10(max(best.floor / float(best.rates.min()) / total, 1e-30)),
        method="backward integration, floor subtracted, tail corrected",
    )


def _interrupted(known: _Known, stop: float, repeats: int, conditions: Conditions) -> BandDecay:
    """Regression on the smoothed level of noise that has stopped."""
    envelope, band, fit = known.envelope, known.band, known.fit
    if fit is None:
        return _undefined(band, known.reason, conditions)
    best = fit.best
    step = envelope.step
    before = envelope.power[int(0.5 * stop / step) : int(stop / step)]
    steady = float(np.mean(before)) if len(before) > 8 else math.nan
    if not steady > best.floor:
        return _undefined(band, "the noise before the stop does not exceed the floor", conditions)
    steady -= best.floor
    slowest = NEPERS / float(best.rates.min())
    width = max(3, round(max(slowest / 30.0, 4.0 / (band.high_hz - band.low_hz)) / step))
    start = int(stop / step) + 1
    after = envelope.power[start:]
    if len(after) < 4 * width:
        return _undefined(band, "the silence after the noise is too short for the band", conditions)
    running = np.concatenate([[0.0], np.cumsum(after)])
    # Near the stop the window shrinks instead of reaching back into the noise: EDT begins there.
    centre = np.arange(math.ceil(2.0 / (envelope.bandwidth * step)), len(after) - width // 2 - 1)
    reach = np.minimum(centre, width // 2)
    smooth = (running[centre + reach + 1] - running[centre - reach]) / (2 * reach + 1)
    t = np.asarray((centre + start) * step - stop, dtype=np.float64)
    end = float(t[-1]) - 1.0 / (band.high_hz - band.low_hz)
    meets = knee(best, end)
    keep = t <= meets
    if np.count_nonzero(keep) < 8:
        return _undefined(band, "the decay is too short for the band", conditions)
    level = 10.0 * np.log10(np.maximum((smooth[keep] - best.floor) / steady, 1e-30))
    usable = -10.0 * math.log10(max(float(best.signal(np.array([meets]))[0]) / steady, 1e-30))
    return _band_result(
        known,
        fit,
        t[keep],
        level,
        usable,
        meets,
        end,
        {**conditions, "smoothing_seconds": round(width * step, 6)},
        slope_sigma=lambda line: interrupted_sigma(
            t[keep],
            reach[keep] * step,
            smooth[keep] - best.floor,
            line.interval,
            best,
            fit.begins,
            envelope.bandwidth,
            repeats,
            envelope.seconds - stop - meets,
        ),
        fit_level=lambda moment: 10.0 * np.log10(np.maximum((best.signal(moment) + best.floor) / steady, 1e-30)),
        floor_db=10.0 * math.log10(max(best.floor / steady, 1e-30)),
        method="interrupted noise, regression on the averaged level",
    )


def _band_result(
    data: _Known,
    fit: DecayFit,
    t: FloatArray,
    level: FloatArray,
    usable: float,
    meets: float,
    end: float,
    conditions: Conditions,
    *,
    slope_sigma: Callable[[_Line], float],
    fit_level: Callable[[FloatArray], FloatArray],
    floor_db: float,
    method: str,
) -> BandDecay:
    envelope, band = data.envelope, data.band
    known: Conditions = {
        **conditions,
        "band": band.name,
        "low_hz": round(band.low_hz, 3),
        "high_hz": round(band.high_hz, 3),
        "usable_range_db": round(usable, 2),
    }
    best = fit.best
    cut = meets >= end
    deep = not cut and best.floor < best.cap
    ends = "the response stops (padding, a cut or a gate)" if data.stops else "the recording ends"
    limit = ends if cut else "the part that is looked at ends" if deep else "the floor is met"
    width_hz = band.high_hz - band.low_hz
    figures: dict[str, Reading] = {}
    chance: dict[str, float] = {}
    concave = ""
    if fit.bend > max(_SIGNIFICANT * fit.bend_sigma, 0.1):
        concave = "the decay falls ever faster: a gate, a fade, clipping or a limiter may have bent it"
    for name, (upper, lower, needed) in _INTERVALS.items():
        why: tuple[str, ...] = ()
        value = math.nan
        sigma = math.nan
        if usable < needed:
            why = (f"{limit} {usable:.1f} dB below the start, but {name} needs {needed:g} dB (ISO 3382)",)
        else:
            line = _regress(t, level, upper, lower)
            value = line.seconds
            if math.isnan(value):
                why = (f"the decay has too few points between {upper:g} and {lower:g} dB",)
            elif fit.smeared:
                why, value = (_SMEARED,), math.nan
            elif short := _too_short(value, envelope, width_hz):
                why, value = (short,), math.nan
            elif line.interval[0] < data.ceiling:
                why, value = (f"{_CLIPPED} where the interval of {name} begins",), math.nan
            else:
                chance[name] = slope_sigma(line) * value**2 / 60.0
                if not chance[name] < _MOST_DOUBT_OF_A_LINE * value:
                    why = (f"the figure would be uncertain by {100.0 * chance[name] / value:.0f} %",)
                    value = math.nan
                else:
                    sigma, why = _widened(value, chance[name], data.leaks.get(name, 0.0))
                    if name == "EDT" and usable < 25.0:
                        why = (*why, "the floor lies less than 25 dB below the start")
                    if line.bend > 10.0:
                        why = (
                            *why,
                            f"the non-linearity is {line.bend:.0f} permille; above 10 a decay is not straight",
                        )
                    if concave:
                        why = (*why, concave)
                    if data.ceiling > 0.0:
                        why = (*why, _CLIPPED)
                    if fit.double is None and float(fit.single.rate_sigma[0]) * math.sqrt(fit.misfit) >= 1.0:
                        why = (*why, _STRAYS)
        figures[name] = Reading(
            quantity=f"{name}, {band.name}",
            value=value,
            unit="s",
            method=method,
            standard="ISO 3382-1",
            conditions={**known, "interval": f"{upper:g} to {lower:g} dB"},
            uncertainty=sigma,
            uncertainty_basis=_BASIS if math.isfinite(sigma) else "not stated",
            warnings=why,
        )
    edt, t20, t30 = figures["EDT"], figures["T20"], figures["T30"]
    if t20.defined and t30.defined:
        curvature = 100.0 * (t30.value / t20.value - 1.0)
        if abs(curvature) > 10.0 or abs(t30.value - t20.value) > _SIGNIFICANT * math.hypot(
            chance["T20"], chance["T30"]
        ):
            bent = f"the curvature is {curvature:.0f} %: the decay is not straight"
            figures["T30"] = _warned(t30, bent)
    if (
        edt.defined
        and t20.defined
        and abs(edt.value - t20.value) > _SIGNIFICANT * math.hypot(chance["EDT"], chance["T20"])
    ):
        apart = f"the decay does not begin as it goes on: EDT {edt.value:.3g} s, T20 {t20.value:.3g} s"
        figures["EDT"], figures["T20"] = _warned(edt, apart), _warned(t20, apart)
    followed = 10.0 * math.log10(
        max(
            float(best.signal(np.array([fit.begins]))[0] / max(float(best.signal(np.array([meets]))[0]), 1e-300)),
            1e-30,
        )
    )
    known = {**known, "fit_begins_seconds": round(fit.begins, 6), "fit_range_db": round(followed, 2)}

    def fitted(quantity: str, model: DecayModel, index: int) -> Reading:
        return _likelihood_reading(f"{quantity}, {band.name}", model, index, known, followed, data, fit)

    slopes: tuple[Reading, ...] = ()
    if fit.double is not None:
        slopes = (fitted("early decay time", fit.double, 0), fitted("late decay time", fit.double, 1))
    likelihood = fitted("decay time", fit.single, 0)
    if likelihood.defined:
        # The fit is the better estimate of the two, so the variance of their difference is that of their variances
        # (Hausman, 1978); a fifth of T30's own spread is left for what its theory neglects.
        t30 = figures["T30"]
        if t30.defined:
            statistical = likelihood.value * float(fit.single.rate_sigma[0])
            spread = math.sqrt(max(chance["T30"] ** 2 - statistical**2, 0.04 * chance["T30"] ** 2))
            differ = abs(t30.value - likelihood.value)
            if differ > _SIGNIFICANT * spread:
                words = (
                    f"one slope fits {likelihood.value:.4g} s, but T30 is {t30.value:.4g} s: they differ by more "
                    "than chance, for the decay is not exponential"
                )
                figures["T30"] = _warned(t30, words)
                doubt = math.hypot(likelihood.uncertainty, differ)
                likelihood = replace(_warned(likelihood, words), uncertainty=doubt)
                if fit.double is None and differ > _NOT_ONE * likelihood.value:
                    likelihood = replace(likelihood, value=math.nan, uncertainty=math.nan, warnings=(words,))
    if likelihood.defined:
        if concave:
            likelihood = _warned(likelihood, concave)
        if fit.double is not None:
            early, late = NEPERS / fit.double.rates
            likelihood = _warned(likelihood, f"two slopes fit better: {early:.3g} s, then {late:.3g} s")
        if cut:
            likelihood = _warned(likelihood, f"{ends} {usable:.1f} dB below the start, above any floor")
        if fit.begins > 2.0 / width_hz + 1e-3:
            likelihood = _warned(likelihood, f"the first {fit.begins:.2g} s are not exponential and were left out")
        if not fit.agrees:
            likelihood = _warned(likelihood, "the decay is not exponential")
    thin = max(1, len(t) // 400)
    drawn = np.linspace(0.0, max(float(t[-1]) * 1.25, 1e-9), 200)
    return BandDecay(
        band=band.name,
        centre_hz=band.centre_hz,
        low_hz=band.low_hz,
        high_hz=band.high_hz,
        edt=figures["EDT"],
        t20=figures["T20"],
        t30=figures["T30"],
        likelihood=likelihood,
        slopes=slopes,
        usable_range=Reading(
            quantity=f"usable range, {band.name}",
            value=usable,
            unit="dB",
            method="start of the decay to where it meets the floor",
            conditions=known,
            uncertainty=4.343
            / math.sqrt(max(envelope.bandwidth * envelope.step * len(envelope.power) / 10.0, 1.0)),
            uncertainty_basis="theory (level of the floor from a tenth of the recording)",
            warnings=(f"{limit} there",) if cut or deep else (),
        ),
        curve=Curve(
            quantity=f"decay, {band.name}", x=t[::thin], y=level[::thin], x_name="time", x_unit="s", y_unit="dB"
        ),
        fit=Curve(
            quantity=f"fit, {band.name}",
            x=drawn,
            y=fit_level(drawn),
            x_name="time",
            x_unit="s",
            y_unit="dB",
        ),
        floor_db=floor_db,
    )


def _likelihood_reading(
    quantity: str,
    model: DecayModel,
    index: int,
    conditions: Conditions,
    followed: float,
    data: _Known,
    fit: DecayFit,
) -> Reading:
    envelope, band = data.envelope, data.band
    value = NEPERS / float(model.rates[index])
    relative = float(model.rate_sigma[index])
    why: tuple[str, ...] = ()
    if followed < _LEAST_RANGE_DB:
        why = (f"the decay can be followed over {followed:.1f} dB only, under {_LEAST_RANGE_DB:g} dB",)
    elif fit.smeared:
        why = (_SMEARED,)
    elif short := _too_short(value, envelope, band.high_hz - band.low_hz):
        why = (short,)
    elif not relative < _MOST_DOUBT:
        why = (f"the figure would be uncertain by {100.0 * relative:.0f} %",)
    elif data.ceiling > 0.0:
        why = (f"{_CLIPPED} where the fit begins",)
    slopes = len(model.rates)
    undefined = bool(why)
    sigma = math.nan
    if not undefined:
        sigma = value * relative
        if slopes == 1:
            # What one exponential does not explain is scatter that counting samples does not know (Birge, 1932).
            sigma *= math.sqrt(fit.misfit) if fit.misfit > _MISFIT else 1.0
            if data.decays:
                # Counted were the samples of all decays, but the response behind them is one.
                nepers = followed * math.log(10.0) / 10.0
                own = response_scatter(nepers, envelope.bandwidth / data.decays, value)
                sigma = math.hypot(sigma, own * value)
            if sigma < value:
                sigma, why = _widened(value, sigma, data.leaks.get("likelihood", 0.0))
            else:
                undefined, sigma = True, math.nan
                why = (_STRAYS,)
    return Reading(
        quantity=quantity,
        value=math.nan if undefined else value,
        unit="s",
        method=f"maximum likelihood, {'one slope' if slopes == 1 else 'two slopes'} and floor",
        conditions=conditions,
        uncertainty=sigma,
        uncertainty_basis=f"theory (Fisher information, {envelope.bandwidth:.0f} independent samples per second)",
        warnings=why,
    )


def _widened(value: float, sigma: float, leak: float) -> tuple[float, tuple[str, ...]]:
    """Standard uncertainty with the neighbours' share of a figure in it, and a warning where that is much.

    The reciprocal of an uncertain slope is long on average by the relative variance, which counts too.
    """
    sigma = math.hypot(sigma, sigma**2 / value)
    if math.isinf(leak):
        return value, ("what the neighbouring bands add could not be worked out: the figure may be all theirs",)
    own = value / (1.0 + leak)
    total = math.hypot(sigma, value - own)
    if abs(value - own) < max(0.05 * value, sigma):
        return total, ()
    side = "slower" if leak > 0.0 else "faster"
    return total, (
        f"{side} neighbouring bands show through the filter's skirts: the band itself decays in some {own:.2g} s",
    )


def _too_short(value: float, envelope: Envelope, width_hz: float) -> str:
    """Say when a decay is as short as the band filter's smear."""
    least = max(_LEAST_BT / width_hz, 2.0 * envelope.own_decay)
    if value > least:
        return ""
    return (
        f"{value:.2g} s is too short for a band {width_hz:.3g} Hz wide, which needs more than {least:.2g} s "
        f"(B T > {_LEAST_BT:g}, and twice what the filter itself reads)"
    )


def _warned(reading: Reading, warning: str) -> Reading:
    return replace(reading, warnings=(*reading.warnings, warning))


def _regress(t: FloatArray, level: FloatArray, upper: float, lower: float) -> _Line:
    """Draw a straight line through the decay between two levels."""
    ahead = t >= 0.0
    t, level = t[ahead], level[ahead]
    if len(t) < 8:
        return _NO_LINE
    below = np.flatnonzero(level <= lower)
    if not len(below) or below[0] == 0:
        return _NO_LINE
    last = int(below[0])
    starts = np.flatnonzero(level[:last] <= upper) if upper < 0.0 else np.array([0])
    first = int(starts[0]) if len(starts) else last

    def crossing(i: int, target: float) -> float:
        if i == 0 or level[i] == level[i - 1]:
            return float(t[i])
        return float(t[i - 1] + (target - level[i - 1]) / (level[i] - level[i - 1]) * (t[i] - t[i - 1]))

    begin, finish = crossing(first, upper) if upper < 0.0 else float(t[0]), crossing(last, lower)
    if not finish > begin or last - first < 3:
        return _NO_LINE
    grid = np.linspace(begin, finish, max(500, last - first))
    values = np.interp(grid, t, level)
    slope = float(np.polyfit(grid, values, 1)[0])
    if not slope < 0.0:
        return _NO_LINE
    bend = 1000.0 * (1.0 - float(np.corrcoef(grid, values)[0, 1]) ** 2)
    return _Line(-60.0 / slope, bend, (begin, finish))


def _undefined(band: Band, reason: str, conditions: Conditions) -> BandDecay:
    known: Conditions = {**conditions, "band": band.name}

    def reading(quantity: str, unit: str = "s", method: str = "none", standard: str = "none") -> Reading:
        return Reading(
            quantity=f"{quantity}, {band.name}",
            value=math.nan,
            unit=unit,
            method=method,
            standard=standard,
            conditions=known,
            warnings=(reason,),
        )

    empty = np.empty(0)
    return BandDecay(
        band=band.name,
        centre_hz=band.centre_hz,
        low_hz=band.low_hz,
        high_hz=band.high_hz,
        edt=reading("EDT", standard="ISO 3382-1"),
        t20=reading("T20", standard="ISO 3382-1"),
        t30=reading("T30", standard="ISO 3382-1"),
        likelihood=reading("decay time", method="maximum likelihood"),
        slopes=(),
        usable_range=reading("usable range", "dB"),
        curve=Curve(quantity=f"decay, {band.name}", x=empty, y=empty, x_name="time", x_unit="s", y_unit="dB"),
        fit=Curve(quantity=f"fit, {band.name}", x=empty, y=empty, x_name="time", x_unit="s", y_unit="dB"),
        floor_db=math.nan,
    )
