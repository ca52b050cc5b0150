"""Exponential slopes over a floor, fitted to the power of a decay by maximum likelihood."""

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from measure.validation import FloatArray

__all__ = ["NEPERS", "DecayModel", "PowerBlocks", "knee", "maximise"]

NEPERS = math.log(1e6)  # 60 dB of power
_ITERATIONS = 80
_DAMPINGS = 12


@dataclass(frozen=True, eq=False)
class DecayModel:
    """Mean power ``sum_i powers[i] * exp(-rates[i] * t) + floor``, fastest slope first."""

    powers: FloatArray
    rates: FloatArray
    floor: float
    cap: float  # power below which nothing was looked at
    rate_sigma: FloatArray  # relative, by chance
    log_likelihood: float

    def signal(self, t: FloatArray) -> FloatArray:
        return np.asarray(np.sum(self.powers[:, None] * np.exp(-self.rates[:, None] * t), axis=0))

    def remaining(self, t: FloatArray) -> FloatArray:
        """Energy still to come."""
        return np.asarray(np.sum((self.powers / self.rates)[:, None] * np.exp(-self.rates[:, None] * t), axis=0))


class PowerBlocks(NamedTuple):
    """Mean power of a decay in blocks.

    Attributes
    ----------
    t : ndarray, shape (blocks,)
        Middle of each block, in seconds.
    power : ndarray, shape (blocks,)
        Mean power, the cap included.
    weight : float
        Independent samples in a block: likelihood and information of a block are that many times those of one
        exponentially distributed power.
    cap : float
        Constant that was added, see :func:`measure.parts.decay_fit.fit_decay`.
    """

    t: FloatArray
    power: FloatArray
    weight: float
    cap: float


def knee(model: DecayModel, end: float) -> float:
    """Time at which the decay sinks to the floor, or so far that it is not looked at; at most `end`."""
    level = max(model.floor, model.cap)
    if not level > 0.0 or float(model.signal(np.array([end]))[0]) >= level:
        return end
    low, high = 0.0, end
    for _ in range(60):
        middle = 0.5 * (low + high)
        if float(model.signal(np.array([middle]))[0]) > level:
            low = middle
        else:
            high = middle
    return low


def maximise(
    data: PowerBlocks, powers: FloatArray, rates: FloatArray, floor: float, *, tolerance: float = 1e-7
) -> DecayModel | None:
    """Find the slopes and the floor of the greatest likelihood.

    Parameters
    ----------
    data : PowerBlocks
        What is to be explained.
    powers, rates : ndarray, shape (slopes,)
        Where the search starts; as many slopes are fitted.
    floor : float
        Likewise, the cap included.
    tolerance : float
        Largest last step, as a share of each parameter.

    Returns
    -------
    DecayModel or None
        Nothing where the search ends at no finite numbers.

    Notes
    -----
    Fisher scoring with damping, on the logarithms of all parameters. The cap is a constant and does not scatter:
    the power of a block has the variance of what lies above the cap, not that of an exponentially distributed
    mean. So the covariance is that of an estimate from a likelihood that is not quite the data's: the inverse
    information on either side of the variance of the score (White, "Maximum likelihood estimation of misspecified
    models", Econometrica 50, 1982, from memory).
    """
    slopes = len(powers)
    start = np.log(np.concatenate([powers, rates, [floor]]))
    # The cap is a floor that was added, so no floor can lie below it.
    start[-1] = max(start[-1], math.log(data.cap))
    top = _climb(data, _Place.of(data, start), tolerance)
    theta = top.theta
    if not np.all(np.isfinite(theta)):
        return None
    order = np.argsort(-theta[slopes : 2 * slopes])
    gradient = top.gradient(data)
    scatter = gradient * (1.0 - data.cap / top.mean)
    try:
        inverse = np.linalg.pinv(gradient @ gradient.T, rcond=1e-14)
    except np.linalg.LinAlgError:
        return None
    covariance = inverse @ (scatter @ scatter.T) @ inverse / data.weight
    sigma = np.sqrt(np.maximum(np.diag(covariance)[slopes : 2 * slopes], 0.0))
    return DecayModel(
        powers=np.exp(theta[:slopes])[order],
        rates=np.exp(theta[slopes : 2 * slopes])[order],
        floor=max(math.exp(theta[-1]) - data.cap, 0.0),
        cap=data.cap,
        rate_sigma=sigma[order],
        log_likelihood=top.likelihood * data.weight,
    )


class _Place(NamedTuple):
    """Logarithms of powers, rates and floor, and what they say of the data."""

    theta: FloatArray
    decays: FloatArray  # power of each slope, shape (slopes, blocks)
    mean: FloatArray  # of all of them and the floor
    likelihood: float

    @classmethod
    def of(cls, data: PowerBlocks, theta: FloatArray) -> "_Place":
        slopes = len(theta) // 2
        decays = np.exp(theta[:slopes, None] - np.exp(theta[slopes : 2 * slopes, None]) * data.t)
        mean = decays.sum(axis=0) + math.exp(theta[-1])
        return cls(theta, decays, mean, -float((np.log(mean) + data.power / mean).sum()))

    def gradient(self, data: PowerBlocks) -> FloatArray:
        """Derivative of the logarithm of the mean by each parameter, shape (parameters, blocks)."""
        slopes = len(self.decays)
        gradient = np.empty((2 * slopes + 1, len(data.t)))
        gradient[:slopes] = self.decays / self.mean
        gradient[slopes : 2 * slopes] = -np.exp(self.theta[slopes:-1, None]) * data.t * gradient[:slopes]
        gradient[-1] = math.exp(self.theta[-1]) / self.mean
        return gradient


def _climb(data: PowerBlocks, here: _Place, tolerance: float) -> _Place:
    """The top of the likelihood."""
    damping = 1e-3
    for _ in range(_ITERATIONS):
        gradient = here.gradient(data)
        score = gradient @ (data.power / here.mean - 1.0)
        information = gradient @ gradient.T
        step = _step(data, here, score, information, damping)
        if step is None:
            break
        there, turned, damping = step
        gain = there.likelihood - here.likelihood
        here, damping = there, max(damping * 0.2, 1e-9)
        if gain * data.weight < 1e-3 * tolerance**0.5 and float(np.abs(turned[:-1]).max()) < tolerance:
            break
    return here


def _step(
    data: PowerBlocks, here: _Place, score: FloatArray, information: FloatArray, damping: float
) -> tuple[_Place, FloatArray, float] | None:
    """A place that is no worse, the way there, and the damping that it took."""
    # Some ten thousand times in a comparison: numpy's own functions, without what wraps them.
    own = information.diagonal() + 1e-12
    for _ in range(_DAMPINGS):
        damped = information.copy()
        damped.flat[:: len(own) + 1] += damping * own
        step = np.minimum(np.maximum(np.linalg.solve(damped, score), -1.0), 1.0)
        theta = here.theta + step
        theta[:-1] = np.minimum(np.maximum(theta[:-1], -600.0), 600.0)
        theta[-1] = min(max(theta[-1], math.log(data.cap)), 600.0)
        there = _Place.of(data, theta)
        if math.isfinite(there.likelihood) and there.likelihood >= here.likelihood:
            return there, step, damping
        damping *= 8.0
    return None
