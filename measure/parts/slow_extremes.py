"""What a recording leaves open about the extremes of a deviation slower than it can show.

The part of a random deviation below some rate is known only as far as the recording goes, and near its ends no
filter knows what came before or comes after. What may be there follows from the spectrum: given the deviation that
was seen, all slow deviations that agree with it are drawn, each as probable as the spectrum makes it (conditional
simulation, "kriging": Journel & Huijbregts, Mining Geostatistics, 1978; from memory). So nothing is bounded and
nothing counts twice: each draw is one deviation, ends included.

The spectrum is a power law whose size and slope are themselves estimated, from means over blocks: size by its
Student distribution, slope by its likelihood without the drift (REML: Patterson & Thompson, Biometrika 58, 1971;
from memory). Draws are taken of both.
"""

import math
from typing import NamedTuple

import numpy as np

from measure.parts import weighting
from measure.validation import FloatArray

__all__ = ["slow_extremes"]

_SLOPES = (0.0, 0.5, 1.0, 1.5, 2.0, 3.0)  # of the density; all alike probable beforehand
_BLOCKS = 6.0  # a period of the rate
_POINTS = 16.0
_PERIODS = 12.0  # longer than this from an end, all is known
_DRAWS = 512
_TWO_SIGMAS = 0.9545


def slow_extremes(
    deviation: FloatArray, rate: float, slow: FloatArray, steady: FloatArray, hz: float
) -> tuple[float, float]:
    """Half the peak-to-peak of the slow deviation, and its standard uncertainty.

    Parameters
    ----------
    deviation : ndarray, shape (points,)
        Deviation without its steady lines, drift included.
    rate : float
        Points per second.
    slow : ndarray, shape (points of its own,)
        What a filter finds as its slow part over the same time; far from the ends it is kept.
    steady : ndarray, shape (points of `slow`,)
        What the steady lines add to the slow part.
    hz : float
        The slow part fades out from this to half of this.

    Returns
    -------
    value, uncertainty : float
        In the unit of the deviation: the mean over all draws, for that of the likeliest deviation is less and
        that of a filter, whose ends overshoot, more; and half of the distance from it within which 95.4 % of the
        draws lie.
    """
    seconds = deviation.size / rate
    points = max(8, math.ceil(_POINTS * hz * seconds))
    old, new = np.linspace(0.0, 1.0, slow.size), np.linspace(0.0, 1.0, points)
    place = np.asarray(seconds * new, dtype=np.float64)
    shown, lines = np.interp(new, old, slow), np.interp(new, old, steady)
    reach = _PERIODS / hz
    if seconds <= 2.5 * reach:
        sizes = np.ptp(_agreeing(deviation, rate, place, hz, seed=0) + lines, axis=1)
    else:
        count = round(reach * rate)
        first, last = place < reach, place > seconds - reach
        begins = _agreeing(deviation[:count], rate, place[first], hz, seed=0) + lines[first]
        later = place[last] - (deviation.size - count) / rate
        ends = _agreeing(deviation[-count:], rate, later, hz, seed=1) + lines[last]
        inside = shown[~(first | last)]
        highest = np.maximum(begins.max(axis=1), ends.max(axis=1))
        lowest = np.minimum(begins.min(axis=1), ends.min(axis=1))
        sizes = np.maximum(highest, inside.max()) - np.minimum(lowest, inside.min())
    value = float(np.mean(sizes))
    return 0.5 * value, 0.25 * float(np.quantile(np.abs(sizes - value), _TWO_SIGMAS))


def _agreeing(deviation: FloatArray, rate: float, place: FloatArray, hz: float, *, seed: int) -> FloatArray:
    """Draws of the slow deviation at given times that agree with a stretch, shape (draws, points)."""
    seconds = deviation.size / rate
    blocks = max(6, round(_BLOCKS * hz * seconds))
    edges = np.round(np.linspace(0, deviation.size, blocks + 1)).astype(np.int64)
    seen = np.add.reduceat(deviation, edges[:-1]) / np.diff(edges)
    width = seconds / blocks
    middle = np.asarray((np.arange(blocks) + 0.5) * width, dtype=np.float64)
    # Four times the stretch is a period of what is drawn; what blocks alias is counted to twice their rate.
    step = 0.25 / seconds
    frequency = np.asarray(step * (np.arange(math.ceil(2.0 / width / step)) + 0.5), dtype=np.float64)
    below = frequency < hz
    gain = 1.0 - weighting.raised_cosine(frequency[below], hz, 0.5 * hz)
    waves = _waves(middle, frequency) * np.tile(np.sinc(frequency * width), 2)
    slow_waves = _waves(place, frequency[below]) * np.tile(gain, 2)

    def drift(at: FloatArray) -> FloatArray:
        return np.stack([np.ones(at.size), at / seconds - 0.5], axis=1)

    drifts, slow_drifts = drift(middle), drift(place)
    free = blocks - drifts.shape[1]
    rng = np.random.default_rng(seed)
    weights = rng.standard_normal((_DRAWS, 2 * frequency.size))
    slow_weights = weights.reshape(_DRAWS, 2, -1)[:, :, : int(np.count_nonzero(below))].reshape(_DRAWS, -1)
    turns = rng.chisquare(free, _DRAWS)
    ranks = rng.permutation((np.arange(_DRAWS) + 0.5) / _DRAWS)
    models = []
    for slope in _SLOPES:
        size = np.sqrt(step * (frequency / hz) ** -slope)
        both, slow_both = np.tile(size, 2), np.tile(size[below], 2)
        models.append(_Model.of(seen, waves * both, slow_waves * slow_both, drifts, slow_drifts))
    likely = np.array([model.likelihood for model in models])
    share = np.exp(likely - likely.max())
    chosen = np.searchsorted(np.cumsum(share) / np.sum(share), ranks)
    draws = np.empty((_DRAWS, place.size))
    for index, model in enumerate(models):
        mine = chosen == index
        if np.any(mine):
            own = np.sqrt(model.square / turns[mine])[:, None]
            errors = slow_weights[mine] @ model.slow_waves.T - (weights[mine] @ model.waves.T) @ model.kriging.T
            draws[mine] = model.kriging @ seen + own * errors
    return draws


class _Model(NamedTuple):
    """One slope of the spectrum, fitted to the blocks."""

    waves: FloatArray
    slow_waves: FloatArray
    kriging: FloatArray  # from blocks to the slow deviation, shape (points, blocks)
    square: float  # sum of squares of the blocks in units of the model, without the drift
    likelihood: float

    @classmethod
    def of(
        cls,
        seen: FloatArray,
        waves: FloatArray,
        slow_waves: FloatArray,
        drifts: FloatArray,
        slow_drifts: FloatArray,
    ) -> "_Model":
        covariance = waves @ waves.T
        covariance.flat[:: len(seen) + 1] += 1e-9 * float(np.mean(np.diag(covariance)))
        split = waves.shape[1] // 2
        below = slow_waves.shape[1] // 2
        common = np.concatenate([waves[:, :below], waves[:, split : split + below]], axis=1)
        inverse = np.linalg.inv(covariance)
        toward = inverse @ drifts
        normal = drifts.T @ toward
        fitted = np.linalg.solve(normal, toward.T)  # from blocks to the drift
        rest = np.eye(len(seen)) - drifts @ fitted
        kriging = slow_drifts @ fitted + (slow_waves @ common.T) @ inverse @ rest
        left = rest @ seen
        square = float(left @ inverse @ left)
        free = len(seen) - drifts.shape[1]
        likelihood = -0.5 * (
            np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(normal)[1] + free * math.log(max(square, 1e-300))
        )
        return cls(waves, slow_waves, kriging, square, float(likelihood))


def _waves(at: FloatArray, frequency: FloatArray) -> FloatArray:
    """Cosines, then sines, one a column."""
    turn = 2.0 * np.pi * at[:, None] * frequency
    return np.concatenate([np.cos(turn), np.sin(turn)], axis=1)
