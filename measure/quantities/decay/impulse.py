"""Decay times from an impulse response, by backward integration."""

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from measure.parts.decay_bands import BandName, band_envelope, bands_of, onset_of
from measure.parts.decay_doubt import integrated_sigma
from measure.parts.decay_faults import examine
from measure.parts.decay_model import knee
from measure.quantities.decay.band_figures import ShownDecay, band_figures
from measure.quantities.decay.bands import BandDecay, Decay, undefined_band
from measure.quantities.decay.line import regress
from measure.quantities.decay.preparation import PreparedBand, prepare
from measure.quantities.response import frequency_response
from measure.results import Conditions
from measure.validation import FloatArray, check_rate, check_signal, unusable

__all__ = [
    "decay",
    "decay_from_impulse",
    "decay_from_sweep",
]


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

    Distortion does not enter: what the system adds in harmonics is gated out. For a system that is to be
    measured while it is driven into distortion, use :func:`decay_from_noise`.

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


def _from_impulse(h: FloatArray, rate: float, bands: BandName, conditions: Conditions) -> Decay:
    chosen = bands_of(bands, rate)
    reason = unusable(h)
    if reason:
        return Decay(bands=tuple(undefined_band(band, reason, conditions) for band in chosen))
    examined = examine(h, rate)
    if examined.offset:
        conditions = {**conditions, "offset_removed": examined.offset}
    h = examined.signal
    onset = onset_of(h) / rate
    if len(h) < 64:
        reason = f"the response lasts {len(h) / rate:.2g} s only, too short for a decay"
        return Decay(bands=tuple(undefined_band(band, reason, conditions) for band in chosen))
    envelopes = [band_envelope(h, rate, band) for band in chosen]
    ceiling = examined.clipped_until / rate - onset
    return Decay(
        bands=tuple(
            _integrated(known, onset, conditions)
            for known in prepare(
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


def _integrated(known: PreparedBand, onset: float, conditions: Conditions) -> BandDecay:
    """Backward integration (Schroeder) with subtraction of the floor, truncation and correction of the tail."""
    envelope, band, fit = known.envelope, known.band, known.fit
    if fit is None:
        return undefined_band(band, known.reason, conditions)
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
        return undefined_band(band, "the decay is too short for the band", conditions)
    total = float(np.interp(0.0, t, energy)) if t[0] < 0.0 else float(energy[0])
    total = max(total, float(energy[0]))
    # Where noise outweighs what is left, the integral can dip below zero; the range ends before that.
    level = 10.0 * np.log10(np.maximum(energy / total, 1e-30))
    usable = -float(10.0 * math.log10(max(tail / total, 1e-30)))
    early, late = (regress(t, level, *interval).seconds for interval in ((0.0, -10.0), (-5.0, -25.0)))
    if late < 0.5 * early:
        return undefined_band(
            band,
            f"the energy falls ever faster ({early:.2g} s, then {late:.2g} s): it lasts and then stops",
            conditions,
        )
    shown = ShownDecay(
        t=t,
        level=level,
        usable_db=usable,
        meets=meets,
        end=end,
        floor_db=10.0 * math.log10(max(best.floor / float(best.rates.min()) / total, 1e-30)),
        fit_level=lambda moment: (
            10.0
            * np.log10(np.maximum(best.remaining(moment) + best.floor / best.rates.min(), 1e-30 * total) / total)
        ),
        slope_sigma=lambda line: integrated_sigma(
            t,
            energy,
            line.interval,
            best,
            fit.begins,
            envelope.bandwidth,
            envelope.seconds - onset - meets,
        ),
        conditions=conditions,
        method="backward integration, floor subtracted, tail corrected",
    )
    return band_figures(known, fit, shown)
