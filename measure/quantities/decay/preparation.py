"""Fitting all bands, and how much of each is its neighbours'."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeGuard

import numpy as np

from measure.parts.decay_bands import Band, Envelope
from measure.parts.decay_fit import DecayFit, fit_decay
from measure.parts.decay_leakage import BandDescription, leakage
from measure.parts.decay_leakage import beyond as neighbours_of

__all__ = [
    "LEAST_RANGE_DB",
    "MOST_DOUBT",
    "PreparedBand",
    "prepare",
]

LEAST_RANGE_DB = 15.0
MOST_DOUBT = 0.25


@dataclass(frozen=True, kw_only=True, eq=False)
class PreparedBand:
    """What is known of one band before its figures are read."""

    envelope: Envelope
    band: Band
    fit: DecayFit | None
    reason: str  # why there is no fit
    leaks: Mapping[str, float]  # by how much the band reads too long, as a share
    stops: bool  # whether the response stops before the recording
    decays: int = 0  # of interrupted noise that were averaged; 0 for an impulse response
    ceiling: float = -math.inf  # seconds after the onset until which samples were clipped


def prepare(
    bands: Sequence[Band],
    envelopes: Sequence[Envelope],
    onset: float,
    envelope_of: Callable[[Band], Envelope] | None,
    rate: float,
    *,
    stops: bool,
    ceiling: float = -math.inf,
    decays: int = 0,
) -> list[PreparedBand]:
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
        PreparedBand(
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
    if fit is None or fit.smeared or not float(fit.single.rate_sigma[0]) < MOST_DOUBT:
        return False
    best = fit.best
    start = float(best.signal(np.array([fit.begins]))[0])
    return bool(start > 10.0 ** (LEAST_RANGE_DB / 10.0) * max(best.floor, best.cap))
