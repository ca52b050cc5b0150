"""The decay time of greatest likelihood."""

import math

from measure.parts.decay_doubt import response_scatter
from measure.parts.decay_fit import DecayFit
from measure.parts.decay_model import NEPERS, DecayModel
from measure.quantities.decay.preparation import LEAST_RANGE_DB, MOST_DOUBT, PreparedBand
from measure.quantities.decay.rules import CLIPPED, SMEARED, STRAYS, too_short, widened
from measure.results import Conditions, Reading

__all__ = [
    "likelihood_reading",
]

_MISFIT = 1.8  # for an exponential, 24 segments exceed this once in a hundred times


def likelihood_reading(
    quantity: str,
    model: DecayModel,
    index: int,
    conditions: Conditions,
    followed: float,
    data: PreparedBand,
    fit: DecayFit,
) -> Reading:
    """The decay time of one slope of a model; undefined with the reason where a condition is not met."""
    envelope, band = data.envelope, data.band
    value = NEPERS / float(model.rates[index])
    relative = float(model.rate_sigma[index])
    why: tuple[str, ...] = ()
    if followed < LEAST_RANGE_DB:
        why = (f"the decay can be followed over {followed:.1f} dB only, under {LEAST_RANGE_DB:g} dB",)
    elif fit.smeared:
        why = (SMEARED,)
    elif short := too_short(value, envelope, band.high_hz - band.low_hz):
        why = (short,)
    elif not relative < MOST_DOUBT:
        why = (f"the figure would be uncertain by {100.0 * relative:.0f} %",)
    elif data.ceiling > 0.0:
        why = (f"{CLIPPED} where the fit begins",)
    slopes = len(model.rates)
    undefined = bool(why)
    sigma = math.nan
    basis = f"theory (Fisher information, {envelope.bandwidth:.0f} independent samples per second)"
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
                doubt = widened(value, sigma, data.leaks.get("likelihood", 0.0))
                sigma, basis, why = doubt.sigma, doubt.basis(basis), doubt.warnings
            else:
                undefined, sigma = True, math.nan
                why = (STRAYS,)
    return Reading(
        quantity=quantity,
        value=math.nan if undefined else value,
        unit="s",
        method=f"maximum likelihood, {'one slope' if slopes == 1 else 'two slopes'} and floor",
        conditions=conditions,
        uncertainty=sigma,
        uncertainty_basis=basis,
        warnings=why,
    )
