"""What a recording leaves open about the extremes of a deviation slower than it can show.

The part of a random deviation below some rate is known only as far as the recording goes, and near its ends no
filter knows what came before or comes after. What may be there follows from the spectrum: given the deviation that
was seen, all slow deviations that agree with it are drawn, each as probable as the spectrum makes it (conditional
simulation, "kriging": Journel & Huijbregts, Mining Geostatistics, 1978; from memory). So nothing is bounded and
nothing counts twice: each draw is one deviation, ends included.

The spectrum is a power law whose size and slope are themselves estimated, from means over blocks: size by its
Student distribution, slope by its likelihood without the mean (REML: Patterson & Thompson, Biometrika 58, 1971;
from memory). Draws are taken of both.

Beside it there may be a straight drift, of the order of the random part: Cauchy distributed, half of it within the
scatter of that and the rest of any size (Jeffreys, Theory of Probability, 1961; Zellner & Siow, 1980; as a mixture
of normal distributions: Liang et al., J. Am. Stat. Assoc. 103, 2008; all from memory). Were all sizes alike
probable, every recording would be suspected of the largest drift that its noise can hide: one without drift would
be read too large, and its doubt be too wide.
"""

import math
from dataclasses import dataclass

import numpy as np

from measure.parts import weighting
from measure.validation import FloatArray

__all__ = ["slow_extremes"]

# Of the density, 1 / f^slope; all alike probable beforehand. What wears or warms wanders, 1 / f^2 and more; a
# servo holds deviations of the speed down the more the slower they are. Were even noise the end of what is
# thought possible, a recording of it would be suspected of steeper laws only: its doubt would be too wide.
_SLOPES = (-1.0, 0.0, 1.0, 2.0, 3.0)
_BLOCKS = 12.0  # a period of the rate: the slope is told up to six times the rate
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

    rng = np.random.default_rng(seed)
    weights = rng.standard_normal((_DRAWS, 2 * frequency.size))
    slow_weights = weights.reshape(_DRAWS, 2, -1)[:, :, : int(np.count_nonzero(below))].reshape(_DRAWS, -1)
    straight = rng.standard_normal(_DRAWS)
    turns = rng.chisquare(blocks - 1, _DRAWS)
    ranks = rng.permutation((np.arange(_DRAWS) + 0.5) / _DRAWS)
    models = []
    for slope in _SLOPES:
        size = np.sqrt(step * (frequency / hz) ** -slope)
        both, slow_both = np.tile(size, 2), np.tile(size[below], 2)
        models.append(_Model.of(seen, waves * both, slow_waves * slow_both, middle, place))
    sizes, before = _drift_sizes()
    likely = np.array([model.likelihood(model.unit * sizes) for model in models]) + np.log(before)
    share = np.exp(likely - likely.max()).ravel()
    chosen = np.minimum(np.searchsorted(np.cumsum(share) / np.sum(share), ranks), share.size - 1)
    draws = np.empty((_DRAWS, place.size))
    for index, model in enumerate(models):
        mine = chosen // sizes.size == index
        if np.any(mine):
            size = model.unit * sizes[chosen[mine] % sizes.size]
            draws[mine] = model.draws(size, weights[mine], slow_weights[mine], straight[mine], turns[mine])
    return draws


def _drift_sizes() -> tuple[FloatArray, FloatArray]:
    """Variances that a straight drift may have, re the scatter of the random blocks, and their probability.

    A Cauchy distribution of that scale: the variance is one over the square of a normal deviate, here in steps of
    half a decade, so far up that no drift is shrunk.
    """
    from scipy.special import erf

    decades = np.asarray(np.arange(-1.0, 24.25, 0.5))
    # A larger variance than 10^d: a deviate smaller than 10^(-d / 2).
    larger = erf(10.0 ** (-0.5 * (decades + 0.25)) / math.sqrt(2.0))
    return np.asarray(10.0**decades), np.asarray(-np.diff(larger, prepend=1.0))


@dataclass(frozen=True, eq=False)
class _Model:
    """One slope of the spectrum, fitted to the blocks, with a mean; a straight drift comes to it by its size."""

    seen: FloatArray
    waves: FloatArray
    slow_waves: FloatArray
    kriging: FloatArray  # from blocks to the slow deviation beside the drift, shape (points, blocks)
    fitted: FloatArray  # from blocks to the drift, shape (blocks,)
    rise: FloatArray  # a drift of one in the blocks, without its mean
    slow_rise: FloatArray  # the same in the slow deviation, over what the kriging makes of it
    information: float  # one over the variance of the fitted drift
    unit: (
        float  # variance of a drift that scatters the blocks as the random part does, re that of the fitted drift
    )
    square: float  # sum of squares of the blocks in units of the model, without the mean
    apart: float  # logarithm of what is alike for all sizes of drift

    @classmethod
    def of(
        cls, seen: FloatArray, waves: FloatArray, slow_waves: FloatArray, middle: FloatArray, place: FloatArray
    ) -> "_Model":
        covariance = waves @ waves.T
        covariance.flat[:: len(seen) + 1] += 1e-9 * float(np.mean(np.diag(covariance)))
        split = waves.shape[1] // 2
        below = slow_waves.shape[1] // 2
        common = np.concatenate([waves[:, :below], waves[:, split : split + below]], axis=1)
        inverse = np.linalg.inv(covariance)
        toward = inverse.sum(axis=0)
        mean = toward / toward.sum()  # from blocks to the mean
        left = seen - mean @ seen
        follow = (slow_waves @ common.T) @ inverse
        kriging = follow + np.outer(1.0 - follow.sum(axis=1), mean)
        centre = float(mean @ middle)
        rise = middle - centre
        information = float(rise @ inverse @ rise)
        scatter = float(np.trace(covariance)) - float(covariance.sum()) / len(seen)
        return cls(
            seen=seen,
            waves=waves,
            slow_waves=slow_waves,
            kriging=kriging,
            fitted=inverse @ rise / information,
            rise=rise,
            slow_rise=place - centre - kriging @ rise,
            information=information,
            unit=scatter * information / float(np.sum((middle - middle.mean()) ** 2)),
            square=float(left @ inverse @ left),
            apart=-0.5 * float(np.linalg.slogdet(covariance)[1] + math.log(toward.sum())),
        )

    def _left(self, size: FloatArray) -> tuple[FloatArray, FloatArray]:
        """How much of the fitted drift counts, and the sum of squares that is left, for sizes of drift."""
        kept = size / (1.0 + size)
        told = float(self.fitted @ self.seen) ** 2 * self.information
        return kept, np.maximum((self.square - told) + told / (1.0 + size), 1e-300)

    def likelihood(self, size: FloatArray) -> FloatArray:
        """Logarithm of the likelihood of sizes of drift."""
        square = self._left(size)[1]
        return np.asarray(
            self.apart - 0.5 * np.log1p(size) - 0.5 * (len(self.seen) - 1) * np.log(square), dtype=np.float64
        )

    def draws(
        self,
        size: FloatArray,
        weights: FloatArray,
        slow_weights: FloatArray,
        straight: FloatArray,
        turns: FloatArray,
    ) -> FloatArray:
        """Slow deviations that agree with the blocks, one a row, each with its own size of drift."""
        kept, square = self._left(size)
        own = np.sqrt(square / turns)
        blocks = weights @ self.waves.T
        # The drift is as uncertain as its fit, less what its own distribution tells; the fit follows the draw.
        off = np.sqrt(kept / self.information) * straight
        errors = slow_weights @ self.slow_waves.T - blocks @ self.kriging.T
        rises = kept * float(self.fitted @ self.seen) + own * off
        return np.asarray(self.kriging @ self.seen + own[:, None] * errors + rises[:, None] * self.slow_rise)


def _waves(at: FloatArray, frequency: FloatArray) -> FloatArray:
    """Cosines, then sines, one a column."""
    turn = 2.0 * np.pi * at[:, None] * frequency
    return np.concatenate([np.cos(turn), np.sin(turn)], axis=1)
