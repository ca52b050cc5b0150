"""Uncertainty of decay times that are read from a regression on a decay curve.

The power of a diffuse decay in a band is at every instant exponentially distributed about its mean, and worth
B independent samples per second. A regression is linear in the level, and the level, for small errors, in the
power; so the variance of a slope is one integral over the power's variance, weighted by what the power of
each moment does to the slope. The weights follow from how the curve is made:

* Backward integration. The relative error of the energy still to come of an exponential is then a stationary
  process of variance k / 2B and correlation exp(-k |t|), k in nepers per second. In the closed form that follows,
  the relative uncertainty is ``c / sqrt(B T)`` with c = 1.749, 0.882, 0.550 for EDT, T20, T30. ISO 3382-2 prints
  0.88 and 0.55 (from memory), after Davy, Dunn and Dubout, "The variance of decay rate measurements in rooms",
  Acustica 43, 1979 (from memory).
* Interrupted noise. The curve is a running mean of the power. To the scatter of the noise, which falls with
  the number of decays, comes that of the response itself, which does not: the one above.

Floor and tail: the variance of the power counts the floor, and the subtracted floor and the tail that is added
have uncertainties of their own.
"""

import math

import numpy as np

from measure.parts.decay_model import NEPERS, DecayModel
from measure.validation import FloatArray

__all__ = ["integrated_sigma", "interrupted_sigma", "response_scatter"]

_DB = 10.0 / math.log(10.0)


def _slope_weights(t: FloatArray, begin: float, finish: float) -> FloatArray:
    """What a unit of level at each moment adds to the slope of a straight line from `begin` to `finish`."""
    inside = (t >= begin) & (t <= finish)
    if np.count_nonzero(inside) < 3:
        return np.zeros(len(t))
    off = np.where(inside, t - float(np.mean(t[inside])), 0.0)
    return np.asarray(off / float(np.sum(off**2)))


def _own_variance(
    t: FloatArray, weights: FloatArray, left: FloatArray, power: FloatArray, bandwidth: float
) -> float:
    """Variance of the slope of `left`, which is the integral of an exponentially distributed `power`."""
    step = float(t[1] - t[0])
    reach = np.cumsum(weights / left)
    return float(np.sum((reach * power) ** 2)) * step / bandwidth


def integrated_sigma(
    t: FloatArray,
    left: FloatArray,
    interval: tuple[float, float],
    model: DecayModel,
    begins: float,
    bandwidth: float,
    floor_seconds: float,
) -> float:
    """Standard uncertainty of the slope of an integrated decay, in dB per second.

    Parameters
    ----------
    t, left : ndarray, shape (points,)
        Evenly spaced times from the start of the decay to where it meets the floor, and the energy still to come.
    interval : (float, float)
        Times between which the line is drawn.
    model : DecayModel
        Mean power.
    begins : float
        From when on the model holds: there the scatter is that about its mean. About what was heard it would
        be too large, for the mean of a reciprocal is more than the reciprocal of a mean (a tenth, where the
        bandwidth times the decay time is 57). Before, the energy's own fall is taken for the mean power.
    bandwidth : float
        Independent samples of power per second.
    floor_seconds : float
        How long the floor alone was heard; 0 if never.
    """
    weights = _slope_weights(t, *interval)
    left = np.maximum(left, 1e-300)
    width = max(1, round(4.0 / (bandwidth * float(t[1] - t[0]))))
    ahead = np.minimum(np.arange(len(t)) + width, len(t) - 1)
    behind = np.maximum(np.arange(len(t)) - width, 0)
    heard_power = np.maximum(left[behind] - left[ahead], 0.0) / (t[ahead] - t[behind])
    power = np.where(t < begins, heard_power, model.signal(np.maximum(t, begins)) + model.floor)
    left = np.where(t < begins, left, np.maximum(model.remaining(np.maximum(t, begins)), 1e-300))
    variance = _own_variance(t, weights, left, power, bandwidth)
    end = t[-1]
    if model.floor > 0.0:
        known = max(floor_seconds, 1.0 / bandwidth)
        lever = float(np.sum(weights * (end - t) / left))
        variance += (model.floor * lever) ** 2 / (bandwidth * known)
    tail = float(model.remaining(np.array([end]))[0])
    relative = math.hypot(float(model.rate_sigma[-1]), 2.0 / math.sqrt(bandwidth * max(end, 1.0 / bandwidth)))
    variance += (relative * tail * float(np.sum(weights / left))) ** 2
    return _DB * math.sqrt(variance)


def interrupted_sigma(
    t: FloatArray,
    reach: FloatArray,
    heard: FloatArray,
    interval: tuple[float, float],
    model: DecayModel,
    begins: float,
    bandwidth: float,
    decays: int,
    floor_seconds: float,
) -> float:
    """Standard uncertainty of the slope of averaged interrupted noise, in dB per second.

    Parameters
    ----------
    t, reach : ndarray, shape (points,)
        Evenly spaced times, and the half width in seconds of the running mean at each.
    heard : ndarray, shape (points,)
        The running mean without the floor.
    interval, model, begins, floor_seconds
        As for :func:`integrated_sigma`.
    bandwidth : float
        Independent samples of power per second, those of all decays together.
    decays : int
        Number of decays.
    """
    step = float(t[1] - t[0])
    weights = _slope_weights(t, *interval)
    late = np.maximum(t, begins)
    mean = np.maximum(np.where(t < begins, heard, model.signal(late)), 1e-300)
    points = np.maximum(np.round(reach / step).astype(np.int64), 0)
    spread = np.zeros(len(t) + 1)
    index = np.arange(len(t))
    each = weights / mean / (2 * points + 1)
    np.add.at(spread, np.maximum(index - points, 0), each)
    np.add.at(spread, np.minimum(index + points + 1, len(t)), -each)
    weight = np.cumsum(spread)[:-1]
    variance = float(np.sum((weight * (mean + model.floor)) ** 2)) / step / bandwidth
    if model.floor > 0.0:
        known = max(floor_seconds, 1.0 / bandwidth)
        variance += (model.floor * float(np.sum(weights / mean))) ** 2 / (bandwidth * known)
    # What stops with the noise itself, a direct sound, does not scatter over responses; the reverberation does.
    falling = np.sum((model.powers * model.rates)[:, None] * np.exp(-model.rates[:, None] * late), axis=0)
    variance += _own_variance(t, weights, mean, falling, bandwidth / decays)
    return _DB * math.sqrt(variance)


def response_scatter(nepers: float, bandwidth: float, seconds: float) -> float:
    """Relative scatter over responses of a decay time that a straight line reads from an integrated decay.

    Parameters
    ----------
    nepers : float
        How far the energy falls along the line.
    bandwidth : float
        Independent samples of power per second.
    seconds : float
        Decay time.

    Notes
    -----
    ``sqrt(72 ln(10^6) I(x) / x^2) / sqrt(B T)``, with I the double integral of ``u v exp(-x |u - v|)`` over -1/2
    to 1/2: the closed form for the stationary process in this module's first lines.
    """
    x = max(nepers, 0.1)
    whole = 1.0 / (6.0 * x) - 0.5 / x**2 + 2.0 / x**4 - math.exp(-x) * (0.5 / x**2 + 2.0 / x**3 + 2.0 / x**4)
    return math.sqrt(72.0 * NEPERS * whole / x**2 / (bandwidth * seconds))
