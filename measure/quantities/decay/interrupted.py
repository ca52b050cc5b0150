"""Decay times from noise that stops."""

import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from measure.errors import MeasureError
from measure.parts.decay_bands import Band, BandName, Envelope, band_envelope, bands_of
from measure.parts.decay_doubt import interrupted_sigma
from measure.parts.decay_faults import recording_end
from measure.parts.decay_model import NEPERS, knee
from measure.parts.run import drive_by_bursts
from measure.parts.signals import NoiseBurst, noise_burst
from measure.quantities.decay.band_figures import ShownDecay, band_figures
from measure.quantities.decay.bands import BandDecay, Decay, undefined_band
from measure.quantities.decay.preparation import PreparedBand, prepare
from measure.results import Conditions
from measure.validation import FloatArray, check_rate, check_signal, unusable

__all__ = [
    "decay_from_noise",
    "decay_of_noise",
]


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
    recordings, burst = drive_by_bursts(
        system,
        noise_burst,
        sample_rate,
        burst_seconds=burst_seconds,
        silence_seconds=silence_seconds,
        level_dbfs=level_dbfs,
        repeats=repeats,
        seed=seed,
    )
    return decay_of_noise(recordings, burst, bands=bands, latency_seconds=latency_seconds)


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
        return Decay(bands=tuple(undefined_band(band, reason, conditions) for band in chosen))
    after = round(stop * rate)
    end = after + min(
        (recording_end(signal[after:], rate) for signal in signals if after < len(signal)), default=0
    )
    stops = after + 64 < end < len(signals[0])
    if stops:
        signals = [signal[:end] for signal in signals]

    def averaged(band: Band) -> Envelope:
        return _averaged([band_envelope(signal, rate, band, factors=2) for signal in signals])

    prepared = prepare(
        chosen,
        [averaged(band) for band in chosen],
        stop,
        averaged if neighbours else None,
        rate,
        stops=stops,
        decays=len(signals),
    )
    return Decay(bands=tuple(_interrupted(known, stop, len(signals), conditions) for known in prepared))


def _averaged(envelopes: Sequence[Envelope]) -> Envelope:
    """Mean of the envelopes of one band, as sure as all of them together."""
    return Envelope(
        power=np.mean([envelope.power for envelope in envelopes], axis=0),
        step=envelopes[0].step,
        seconds=envelopes[0].seconds,
        bandwidth=math.fsum(envelope.bandwidth for envelope in envelopes),
        share=min(envelope.share for envelope in envelopes),
        smear=envelopes[0].smear,
        own_decay=envelopes[0].own_decay,
    )


def _interrupted(known: PreparedBand, stop: float, repeats: int, conditions: Conditions) -> BandDecay:
    """Regression on the smoothed level of noise that has stopped."""
    envelope, band, fit = known.envelope, known.band, known.fit
    if fit is None:
        return undefined_band(band, known.reason, conditions)
    best = fit.best
    step = envelope.step
    before = envelope.power[int(0.5 * stop / step) : int(stop / step)]
    steady = float(np.mean(before)) if len(before) > 8 else math.nan
    if not steady > best.floor:
        return undefined_band(band, "the noise before the stop does not exceed the floor", conditions)
    steady -= best.floor
    slowest = NEPERS / float(best.rates.min())
    width = max(3, round(max(slowest / 30.0, 4.0 / (band.high_hz - band.low_hz)) / step))
    start = int(stop / step) + 1
    after = envelope.power[start:]
    if len(after) < 4 * width:
        return undefined_band(band, "the silence after the noise is too short for the band", conditions)
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
        return undefined_band(band, "the decay is too short for the band", conditions)
    level = 10.0 * np.log10(np.maximum((smooth[keep] - best.floor) / steady, 1e-30))
    usable = -10.0 * math.log10(max(float(best.signal(np.array([meets]))[0]) / steady, 1e-30))
    shown = ShownDecay(
        t=t[keep],
        level=level,
        usable_db=usable,
        meets=meets,
        end=end,
        floor_db=10.0 * math.log10(max(best.floor / steady, 1e-30)),
        fit_level=lambda moment: 10.0 * np.log10(np.maximum((best.signal(moment) + best.floor) / steady, 1e-30)),
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
        conditions={**conditions, "smoothing_seconds": round(width * step, 6)},
        method="interrupted noise, regression on the averaged level",
    )
    return band_figures(known, fit, shown)
