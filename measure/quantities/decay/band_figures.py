"""The figures of one band: EDT, T20, T30 and the likelihood, each with its conditions and its doubt."""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from measure.parts.decay_fit import DecayFit
from measure.parts.decay_model import NEPERS, DecayModel
from measure.quantities.decay.bands import BandDecay, decay_curve
from measure.quantities.decay.likelihood import likelihood_reading
from measure.quantities.decay.line import DecayLine, regress
from measure.quantities.decay.preparation import PreparedBand
from measure.quantities.decay.rules import CLIPPED, SMEARED, STRAYS, too_short, widened
from measure.results import Conditions, Curve, Reading
from measure.validation import FloatArray

__all__ = [
    "ShownDecay",
    "band_figures",
]

# Fit interval in dB and how far the floor must lie below the start: 10 dB below the interval (ISO 3382-1, -2).
_INTERVALS = {"EDT": (0.0, -10.0, 20.0), "T20": (-5.0, -25.0, 35.0), "T30": (-5.0, -35.0, 45.0)}
_MOST_DOUBT_OF_A_LINE = 0.5
_SIGNIFICANT = 3.5  # standard deviations from which on a difference is called one
_NOT_ONE = 0.5  # share by which one slope may differ from T30 and still be called a decay time
_BASIS = "theory (B T product; neighbouring bands)"


@dataclass(frozen=True, kw_only=True, eq=False)
class ShownDecay:
    """The decay of one band on a scale of dB, as one of the two methods gives it.

    Attributes
    ----------
    t, level : ndarray, shape (points,)
        Seconds after the onset or the stop, and dB re the start.
    usable_db : float
        From the start to where the decay meets the floor or the recording ends.
    meets, end : float
        When it meets the floor, and when there is nothing more to look at, in seconds.
    floor_db : float
        Level of the floor.
    fit_level : callable
        Level of the fitted model at given times.
    slope_sigma : callable
        Standard uncertainty of the slope of a line in dB per second, by chance alone.
    conditions : dict
        Of the measurement.
    method : str
        How the level was come by.
    """

    t: FloatArray
    level: FloatArray
    usable_db: float
    meets: float
    end: float
    floor_db: float
    fit_level: Callable[[FloatArray], FloatArray]
    slope_sigma: Callable[[DecayLine], float]
    conditions: Conditions
    method: str


def band_figures(data: PreparedBand, fit: DecayFit, shown: ShownDecay) -> BandDecay:
    """All figures of one band.

    Parameters
    ----------
    data : PreparedBand
        What is known of the band.
    fit : DecayFit
        Its fit.
    shown : ShownDecay
        Its decay.
    """
    return _Figures(data, fit, shown).result()


class _Figures:
    """One band whose figures are being read."""

    def __init__(self, data: PreparedBand, fit: DecayFit, shown: ShownDecay) -> None:
        self.data, self.fit, self.shown = data, fit, shown
        self.width_hz = data.band.high_hz - data.band.low_hz
        self.cut = shown.meets >= shown.end
        self.deep = not self.cut and fit.best.floor < fit.best.cap
        self.ends = "the response stops (padding, a cut or a gate)" if data.stops else "the recording ends"
        self.limit = (
            self.ends if self.cut else "the part that is looked at ends" if self.deep else "the floor is met"
        )
        self.concave = ""
        if fit.bend > max(_SIGNIFICANT * fit.bend_sigma, 0.1):
            self.concave = "the decay falls ever faster: a gate, a fade, clipping or a limiter may have bent it"
        self.conditions: Conditions = {
            **shown.conditions,
            "band": data.band.name,
            "low_hz": round(data.band.low_hz, 3),
            "high_hz": round(data.band.high_hz, 3),
            "usable_range_db": round(shown.usable_db, 2),
        }
        self.figures: dict[str, Reading] = {}
        self.chance: dict[str, float] = {}

    def result(self) -> BandDecay:
        for name in _INTERVALS:
            self.figures[name] = self.line_figure(name)
        self.compare_lines()
        followed = self.followed_db()
        conditions = {
            **self.conditions,
            "fit_begins_seconds": round(self.fit.begins, 6),
            "fit_range_db": round(followed, 2),
        }
        band, double = self.data.band, self.fit.double

        def fitted(quantity: str, model: DecayModel, index: int) -> Reading:
            name = f"{quantity}, {band.name}"
            return likelihood_reading(name, model, index, conditions, followed, self.data, self.fit)

        slopes: tuple[Reading, ...] = ()
        if double is not None:
            slopes = (fitted("early decay time", double, 0), fitted("late decay time", double, 1))
        likelihood = self.with_warnings(self.compared_with_t30(fitted("decay time", self.fit.single, 0)))
        decay, model = self.curves()
        return BandDecay(
            band=band.name,
            centre_hz=band.centre_hz,
            low_hz=band.low_hz,
            high_hz=band.high_hz,
            edt=self.figures["EDT"],
            t20=self.figures["T20"],
            t30=self.figures["T30"],
            likelihood=likelihood,
            slopes=slopes,
            usable_range=self.usable_range(conditions),
            curve=decay,
            fit=model,
            floor_db=self.shown.floor_db,
        )

    def line_figure(self, name: str) -> Reading:
        """EDT, T20 or T30; undefined with the reason where a condition is not met."""
        upper, lower, needed = _INTERVALS[name]
        value = sigma = math.nan
        basis = "not stated"
        if self.shown.usable_db < needed:
            why: tuple[str, ...] = (
                f"{self.limit} {self.shown.usable_db:.1f} dB below the start, but {name} needs {needed:g} dB "
                "(ISO 3382)",
            )
        else:
            line = regress(self.shown.t, self.shown.level, upper, lower)
            reason = self.line_reason(name, line)
            why = (reason,)
            if not reason:
                value = line.seconds
                doubt = widened(value, self.chance[name], self.data.leaks.get(name, 0.0))
                sigma, basis = doubt.sigma, doubt.basis(_BASIS)
                why = (*doubt.warnings, *self.line_warnings(name, line))
        return Reading(
            quantity=f"{name}, {self.data.band.name}",
            value=value,
            unit="s",
            method=self.shown.method,
            standard="ISO 3382-1",
            conditions={**self.conditions, "interval": f"{upper:g} to {lower:g} dB"},
            uncertainty=sigma,
            uncertainty_basis=basis,
            warnings=why,
        )

    def line_reason(self, name: str, line: DecayLine) -> str:
        """Why a line gives no figure; nothing where it does, and its chance is kept."""
        upper, lower, _ = _INTERVALS[name]
        value = line.seconds
        if math.isnan(value):
            return f"the decay has too few points between {upper:g} and {lower:g} dB"
        if self.fit.smeared:
            return SMEARED
        if short := too_short(value, self.data.envelope, self.width_hz):
            return short
        if line.interval[0] < self.data.ceiling:
            return f"{CLIPPED} where the interval of {name} begins"
        self.chance[name] = self.shown.slope_sigma(line) * value**2 / 60.0
        if not self.chance[name] < _MOST_DOUBT_OF_A_LINE * value:
            return f"the figure would be uncertain by {100.0 * self.chance[name] / value:.0f} %"
        return ""

    def line_warnings(self, name: str, line: DecayLine) -> Iterator[str]:
        """What limits a figure that there is."""
        if name == "EDT" and self.shown.usable_db < 25.0:
            yield "the floor lies less than 25 dB below the start"
        if line.bend > 10.0:
            yield f"the non-linearity is {line.bend:.0f} permille; above 10 a decay is not straight"
        if self.concave:
            yield self.concave
        if self.data.ceiling > 0.0:
            yield CLIPPED
        if self.fit.double is None and float(self.fit.single.rate_sigma[0]) * math.sqrt(self.fit.misfit) >= 1.0:
            yield STRAYS

    def compare_lines(self) -> None:
        """Warn where EDT, T20 and T30 differ by more than chance."""
        edt, t20, t30 = self.figures["EDT"], self.figures["T20"], self.figures["T30"]
        if t20.defined and t30.defined:
            curvature = 100.0 * (t30.value / t20.value - 1.0)
            if abs(curvature) > 10.0 or self.differ("T20", "T30"):
                bent = f"the curvature is {curvature:.0f} %: the decay is not straight"
                self.figures["T30"] = _warned(t30, bent)
        if edt.defined and t20.defined and self.differ("EDT", "T20"):
            apart = f"the decay does not begin as it goes on: EDT {edt.value:.3g} s, T20 {t20.value:.3g} s"
            self.figures["EDT"], self.figures["T20"] = _warned(edt, apart), _warned(t20, apart)

    def differ(self, first: str, second: str) -> bool:
        spread = math.hypot(self.chance[first], self.chance[second])
        return abs(self.figures[first].value - self.figures[second].value) > _SIGNIFICANT * spread

    def followed_db(self) -> float:
        """Over how many dB the fit follows the decay."""
        best = self.fit.best
        begins = float(best.signal(np.array([self.fit.begins]))[0])
        meets = float(best.signal(np.array([self.shown.meets]))[0])
        return 10.0 * math.log10(max(begins / max(meets, 1e-300), 1e-30))

    def compared_with_t30(self, likelihood: Reading) -> Reading:
        """The likelihood figure; warned, widened or refused where T30 differs from it by more than chance."""
        t30 = self.figures["T30"]
        if not (likelihood.defined and t30.defined):
            return likelihood
        # The fit is the better estimate of the two, so the variance of their difference is that of their variances
        # (Hausman, 1978); a fifth of T30's own spread is left for what its theory neglects.
        statistical = likelihood.value * float(self.fit.single.rate_sigma[0])
        chance = self.chance["T30"]
        spread = math.sqrt(max(chance**2 - statistical**2, 0.04 * chance**2))
        differ = abs(t30.value - likelihood.value)
        if differ <= _SIGNIFICANT * spread:
            return likelihood
        words = (
            f"one slope fits {likelihood.value:.4g} s, but T30 is {t30.value:.4g} s: they differ by more "
            "than chance, for the decay is not exponential"
        )
        self.figures["T30"] = _warned(t30, words)
        if self.fit.double is None and differ > _NOT_ONE * likelihood.value:
            return replace(likelihood, value=math.nan, uncertainty=math.nan, warnings=(words,))
        return replace(_warned(likelihood, words), uncertainty=math.hypot(likelihood.uncertainty, differ))

    def with_warnings(self, likelihood: Reading) -> Reading:
        """The likelihood figure with what limits it."""
        if not likelihood.defined:
            return likelihood
        warnings = [self.concave] if self.concave else []
        if self.fit.double is not None:
            early, late = NEPERS / self.fit.double.rates
            warnings.append(f"two slopes fit better: {early:.3g} s, then {late:.3g} s")
        if self.cut:
            warnings.append(f"{self.ends} {self.shown.usable_db:.1f} dB below the start, above any floor")
        if self.fit.begins > 2.0 / self.width_hz + 1e-3:
            warnings.append(f"the first {self.fit.begins:.2g} s are not exponential and were left out")
        if not self.fit.agrees:
            warnings.append("the decay is not exponential")
        return _warned(likelihood, *warnings)

    def usable_range(self, conditions: Conditions) -> Reading:
        envelope = self.data.envelope
        samples = max(envelope.bandwidth * envelope.step * len(envelope.power) / 10.0, 1.0)
        return Reading(
            quantity=f"usable range, {self.data.band.name}",
            value=self.shown.usable_db,
            unit="dB",
            method="start of the decay to where it meets the floor",
            conditions=conditions,
            uncertainty=4.343 / math.sqrt(samples),
            uncertainty_basis="theory (level of the floor from a tenth of the recording)",
            warnings=(f"{self.limit} there",) if self.cut or self.deep else (),
        )

    def curves(self) -> tuple[Curve, Curve]:
        """The decay, thinned to some 400 points, and the fitted model."""
        t, level = self.shown.t, self.shown.level
        thin = max(1, len(t) // 400)
        drawn = np.linspace(0.0, max(float(t[-1]) * 1.25, 1e-9), 200)
        return (
            decay_curve(
                f"decay, {self.data.band.name}", t[::thin], level[::thin], self.shown.method, self.conditions
            ),
            decay_curve(
                f"fit, {self.data.band.name}",
                drawn,
                self.shown.fit_level(drawn),
                "maximum likelihood",
                self.conditions,
            ),
        )


def _warned(reading: Reading, *warnings: str) -> Reading:
    return replace(reading, warnings=(*reading.warnings, *warnings))
