"""What is known of the decay in each band."""

import math
from dataclasses import dataclass

import numpy as np

from measure.errors import MeasureError
from measure.parts.decay_bands import Band
from measure.results import Conditions, Curve, Reading, Result
from measure.validation import FloatArray

__all__ = [
    "BandDecay",
    "Decay",
    "decay_curve",
    "undefined_band",
]


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class BandDecay(Result):
    """Decay in one band.

    What slower or faster neighbours add to a figure through the filter's skirts is worked out and counted in its
    uncertainty, not taken off. Where that is more than chance it is a bound, and `uncertainty_basis` says so: the
    figure strays by about one standard uncertainty to one side, and two of them hold the band's own decay always.

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


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Decay(Result):
    """Decay in all bands that were asked for and lie below half the rate."""

    bands: tuple[BandDecay, ...]

    def band(self, centre_hz: float | None = None) -> BandDecay:
        """Return the band of a nominal centre frequency, or the broadband one."""
        for candidate in self.bands:
            if (centre_hz is None and math.isnan(candidate.centre_hz)) or candidate.centre_hz == centre_hz:
                return candidate
        raise MeasureError(
            f"there is no band at {centre_hz!r}; there are {', '.join(band.band for band in self.bands)}"
        )


def undefined_band(band: Band, reason: str, conditions: Conditions) -> BandDecay:
    """A band without figures, each of which gives the reason."""
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
        curve=decay_curve(f"decay, {band.name}", empty, empty, "none", known, reason),
        fit=decay_curve(f"fit, {band.name}", empty, empty, "none", known, reason),
        floor_db=math.nan,
    )


def decay_curve(
    quantity: str, t: FloatArray, level: FloatArray, method: str, conditions: Conditions, *warnings: str
) -> Curve:
    """A decay: dB against seconds."""
    return Curve(
        quantity=quantity,
        x=t,
        y=level,
        x_name="time",
        x_unit="s",
        y_unit="dB",
        method=method,
        conditions=conditions,
        warnings=warnings,
    )
