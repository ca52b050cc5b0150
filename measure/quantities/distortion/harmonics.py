"""Harmonics and THD of a recorded tone."""

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from measure.errors import MeasureError
from measure.parts.tone_fit import ToneFit, fit_tone
from measure.results import Conditions, Curve, Reading, Result
from measure.validation import FloatArray

__all__ = [
    "HIGHEST_ORDER",
    "HarmonicDistortion",
    "debiased",
    "distortion",
    "harmonic_distortion",
    "thd_ratio",
]

_TRACKED = "least squares on the tracked phase of the tone"
_FIXED = "least squares at one fixed frequency"
HIGHEST_ORDER = 10
# Power of a line over that of noise alone that noise exceeds once in a thousand times, exp(-7).
_DETECTION = 7.0
_TWO_SIGMA = math.erf(math.sqrt(2.0))  # share of a normal distribution
_NEAR_NOISE = 6.0  # times its uncertainty, up to which an amplitude hardly stands out


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class HarmonicDistortion(Result):
    """Harmonics of one tone.

    Attributes
    ----------
    frequency, level : Reading
        Mean frequency of the tone in Hz; level of its fundamental in dBFS.
    thd_f, thd_r : Reading
        Total harmonic distortion in per cent of the fundamental (IEC 60268-3) and of the RMS of all.
    harmonics : tuple of Reading
        Level of harmonic 2, 3, ... in dB re the fundamental.
    phases : tuple of Reading
        Phase of harmonic 2, 3, ... in degrees where the fundamental has its positive crest.
    spectrum : Curve
        Level of harmonic 1, 2, ... in dB re the fundamental, against the order.
    """

    frequency: Reading
    level: Reading
    thd_f: Reading
    thd_r: Reading
    harmonics: tuple[Reading, ...]
    phases: tuple[Reading, ...]
    spectrum: Curve

    def harmonic(self, order: int) -> Reading:
        """Level of one harmonic, 2 to the highest that was asked for."""
        if not 2 <= order <= len(self.harmonics) + 1:
            raise MeasureError(f"order is {order!r}, but must lie between 2 and {len(self.harmonics) + 1}")
        return self.harmonics[order - 2]


def harmonic_distortion(
    signal: FloatArray, sample_rate: float, *, frequency_hz: float | None = None, orders: int = HIGHEST_ORDER
) -> HarmonicDistortion:
    """Read the harmonics of a recorded tone.

    Parameters
    ----------
    signal : ndarray, shape (samples,)
        Recording of one tone, of any frequency, steady or fluttering.
    sample_rate : float
        Samples per second.
    frequency_hz : float, optional
        Frequency of the tone, found within 5 %; without it the strongest line is the tone.
    orders : int
        Highest harmonic, 2 or more.

    Returns
    -------
    HarmonicDistortion
        The power that noise adds to a line on average is taken off; a harmonic that noise hides is ``nan``
        and says so. All are ``nan``, with the reason, where there is not exactly one tone.
    """
    fit = fit_tone(signal, sample_rate, frequency_hz=frequency_hz, orders=orders)
    return _harmonics_of(fit, orders)


distortion = harmonic_distortion
"""The same by its short name: what "distortion" means unless said otherwise."""


def _harmonics_of(fit: ToneFit, orders: int) -> HarmonicDistortion:
    tone = float(fit.amplitudes[1])
    tone_db, tone_sigma_db = (
        (math.nan, math.nan) if fit.reason else (20.0 * math.log10(tone), 8.686 * float(fit.sigmas[1]) / tone)
    )
    lines = [_harmonic(fit, order) for order in range(2, orders + 1)]
    notes = fit.warnings
    missing = [k for k in range(2, orders + 1) if not math.isfinite(fit.amplitudes[k])]
    if missing and not fit.reason:
        notes = (*notes, f"harmonics from {missing[0]} up lie above half the rate and do not count")
    ratio, doubt = thd_ratio(fit)
    total = ratio / math.sqrt(1.0 + ratio**2)
    total_doubt = 100.0 * doubt * (total / ratio) ** 3 if ratio > 0.0 else 100.0 * doubt
    frequency = _reading(
        fit, "frequency of the tone", fit.frequency_hz, "Hz", fit.frequency_uncertainty_hz, fit.warnings
    )
    thd_f = _reading(fit, "THD", 100.0 * ratio, "%", 100.0 * doubt, notes)
    thd_r = _reading(fit, "THD of the total", 100.0 * total, "%", total_doubt, notes)
    return HarmonicDistortion(
        frequency=frequency,
        level=_reading(fit, "level of the fundamental", tone_db, "dBFS", tone_sigma_db, fit.warnings),
        thd_f=replace(thd_f, standard="IEC 60268-3 (THD_F)"),
        thd_r=replace(thd_r, standard="THD_R"),
        harmonics=tuple(
            _reading(fit, f"harmonic {k}", each.level_db, "dB", each.level_sigma_db, each.why)
            for k, each in enumerate(lines, start=2)
        ),
        phases=tuple(
            _reading(fit, f"phase of harmonic {k}", each.degrees, "degrees", each.degrees_sigma, each.why)
            for k, each in enumerate(lines, start=2)
        ),
        spectrum=Curve(
            quantity="harmonics",
            x=np.arange(1.0, orders + 1.0),
            y=np.array([math.nan if fit.reason else 0.0, *(each.level_db for each in lines)]),
            x_name="order",
            x_unit="",
            y_unit="dB",
            uncertainty=np.array([math.nan if fit.reason else 0.0, *(each.level_sigma_db for each in lines)]),
            method=thd_f.method,
            conditions=thd_f.conditions,
            warnings=thd_f.warnings,
        ),
    )


class _Harmonic(NamedTuple):
    """Level re the tone and phase of one harmonic, their uncertainties, and why they are not there or doubtful."""

    level_db: float
    level_sigma_db: float
    degrees: float
    degrees_sigma: float
    why: tuple[str, ...]


def _harmonic(fit: ToneFit, order: int) -> _Harmonic:
    a, sigma, error = (float(each[order]) for each in (fit.amplitudes, fit.sigmas, fit.errors))
    tone, tone_sigma = float(fit.amplitudes[1]), float(fit.sigmas[1])
    if not math.isfinite(a):
        return _Harmonic(math.nan, math.nan, math.nan, math.nan, ("it lies above half the rate",))
    off = math.hypot(sigma, error)
    if a**2 <= 2.0 * _DETECTION * (sigma**2 + error**2) or a <= 1e-14 * tone:
        limit = max(math.sqrt(2.0 * _DETECTION) * off, 1e-14 * tone) / tone
        why = f"it lies in the noise, below {20.0 * math.log10(limit):.1f} dB"
        return _Harmonic(math.nan, math.nan, math.nan, math.nan, (why,))
    why = "it hardly stands out of the noise; weaker ones would not be shown, so it reads rather high"
    return _Harmonic(
        level_db=20.0 * math.log10(debiased(fit, order) / tone),
        level_sigma_db=math.hypot(_decibels_of(off / a), 8.686 * tone_sigma / tone),
        degrees=math.degrees(float(fit.phases_rad[order])),
        degrees_sigma=math.degrees(math.hypot(off / a, order * tone_sigma / tone)),
        why=(why,) if a < _NEAR_NOISE * off else (),
    )


def _reading(fit: ToneFit, quantity: str, value: float, unit: str, sigma: float, why: tuple[str, ...]) -> Reading:
    conditions: Conditions = {"sample_rate_hz": fit.sample_rate}
    if not fit.reason:
        conditions |= {
            "frequency_hz": round(fit.frequency_hz, 4),
            "level_dbfs": round(20.0 * math.log10(float(fit.amplitudes[1])), 3),
            "seconds": round(fit.seconds, 6),
        }
    return Reading(
        quantity=quantity,
        value=value,
        unit=unit,
        method="least squares" if fit.reason else _TRACKED if fit.tracked else _FIXED,
        conditions=conditions,
        uncertainty=sigma,
        uncertainty_basis="theory (noise around each line)" if math.isfinite(sigma) else "not stated",
        warnings=(fit.reason,) if fit.reason else why,
    )


def debiased(fit: ToneFit, order: int) -> float:
    """Amplitude without the power that noise adds on average; ``nan`` stays ``nan``."""
    a, sigma = float(fit.amplitudes[order]), float(fit.sigmas[order])
    return math.sqrt(max(a**2 - 2.0 * sigma**2, 0.0)) if math.isfinite(a) else math.nan


def _decibels_of(doubt: float) -> float:
    """Uncertainty in dB of an amplitude with a relative one: half the way down to where two of these lead.

    Decibels are not even-handed, and a line that hardly stands out was seen because the noise has lifted it.
    """
    lifted = max(0.0, _NEAR_NOISE - 1.0 / doubt) if doubt > 0.0 else 0.0
    return -10.0 * math.log10(1.0 - (2.0 + 0.3 * lifted) * doubt)


def thd_ratio(fit: ToneFit) -> tuple[float, float]:
    """THD_F as a ratio, and its standard uncertainty."""
    if fit.reason:
        return math.nan, math.nan
    tone = float(fit.amplitudes[1])
    present = np.isfinite(fit.amplitudes)
    present[:2] = False
    if not present.any():
        return math.nan, math.nan
    squares, variances = fit.amplitudes[present] ** 2, fit.sigmas[present] ** 2
    measured = float(np.sum(squares - 2.0 * variances))
    root = math.sqrt(max(measured, 0.0))
    # An amplitude A in noise of variance v per quadrature has a square of variance 4 A^2 v + 4 v^2; what is wrong
    # with the time base does with A^2 what noise does. Any other power is taken to be shared among the harmonics
    # as the measured one is.
    clean = np.maximum(squares - 2.0 * variances, 0.0)
    shared = clean / np.sum(clean) if np.any(clean > 0.0) else np.full(clean.size, 1.0 / clean.size)
    alone = 4.0 * float(np.sum(variances**2))
    chance = _PowerChance(
        # Still less would say that the noise was less than it should be, and leave no doubt of the power at all.
        measured=max(measured, -math.sqrt(alone)),
        slope=4.0 * float(np.sum(shared * (variances + fit.errors[present] ** 2))),
        alone=alone,
    )
    method = math.sqrt(float(np.sum(fit.errors[present] ** 2)))
    ratio = root / tone
    return ratio, math.hypot(0.5 * chance.reach(root), method, ratio * float(fit.sigmas[1])) / tone


class _PowerChance(NamedTuple):
    """A power that noise was taken off, of variance ``slope * P + alone`` where the true one is P."""

    measured: float  # below zero where the noise happened to be less than on average
    slope: float
    alone: float

    def reach(self, root: float) -> float:
        """How far to either side of a root the root of the true power lies in as many cases as within two sigma.

        The true power lies below P with the probability that more than what was measured would have been measured
        of P: the spread is that of P, not that of a measured power that noise has lifted or hidden. The root is
        not even-handed, and there is nothing below no power: the smallest reach that holds enough on both sides
        together.
        """
        low, high = 0.0, root + 8.0 * math.sqrt(self.slope + math.sqrt(self.alone))
        for _ in range(50):
            middle = 0.5 * (low + high)
            if self._below(root + middle) - self._below(root - middle) < _TWO_SIGMA:
                low = middle
            else:
                high = middle
        return high

    def _below(self, root: float) -> float:
        """How likely the root of the true power lies below."""
        if root < 0.0:
            return 0.0
        spread = math.sqrt(self.slope * root**2 + self.alone)
        off = root**2 - self.measured
        return 0.5 * (1.0 + math.erf(off / (math.sqrt(2.0) * spread))) if spread > 0.0 else float(off >= 0.0)
