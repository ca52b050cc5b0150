"""What a recording leaves open about the extremes of a deviation slower than it can show.

The part of a random deviation below some rate is known only as far as the recording goes, and near its ends no
filter knows what came before or comes after. What may be there follows from the spectrum: given the deviation that
was seen, all slow deviations that agree with it are drawn, each as probable as the spectrum makes it (conditional
simulation, "kriging": Journel & Huijbregts, Mining Geostatistics, 1978; from memory). So nothing is bounded and
nothing counts twice: each draw is one deviation, ends included.

The spectrum is a power law whose size and slope are themselves estimated, from means over blocks: size by its
Student distribution, slope by its likelihood without the mean (REML: Patterson & Thompson, Biometrika 58, 1971;
from memory). Draws are taken of both. Less probably the law falls off steeply from somewhere beyond the slow part:
were that impossible, a cliff would be taken for a slope that rises on below it.

A line that was fitted took with it what the random part has at its frequency, so that nothing is told there: the
likelihood is that of what is left when the line's cosine and sine, with sizes that may change evenly, are fitted
as well. Otherwise a line of some tenths of a hertz leaves a gap that only a steep law explains. A line that is too
weak to be fitted, but more than chance beside the law, is left out in the same way: else it counts as noise.

Beside it there may be a straight drift, or none, with a third of the probability. A drift is of the order of
the random part: Cauchy distributed, half of it within the scatter of that and the rest of any size (Jeffreys,
Theory of Probability, 1961; Zellner & Siow, 1980; as a mixture of normal distributions: Liang et al., J. Am. Stat.
Assoc. 103, 2008; all from memory). Were all sizes alike probable, every recording would be suspected of the
largest drift that its noise can hide: one without drift would be read too large, and its doubt be too wide.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from measure.parts import weighting
from measure.validation import FloatArray

__all__ = ["slow_extremes"]

# Of the density, 1 / f^slope; all alike probable beforehand. What wears or warms wanders, 1 / f^2 and more; a
# servo holds deviations of the speed down the more the slower they are. Were even noise the end of what is
# thought possible, a recording of it would be suspected of steeper laws only: its doubt would be too wide.
_SLOPES = (-1.0, 0.0, 1.0, 2.0, 3.0)
# Slope, and up to how many times the rate it holds; from there on the density falls by the fourth power.
_FALLING_OFF = ((0.0, 2.0), (0.0, 3.0), (1.0, 2.0), (1.0, 3.0))
_STEEP = 4.0
_FALL_OFF = 0.25  # probability of each of these, re that of a slope
_NO_DRIFT = 1.0 / 3.0
_BY_CHANCE = 0.02  # share of recordings in which chance makes a line
_BLOCKS_A_LINE = 8  # at least; a line takes four of them
_BLOCKS = 12.0  # a period of the rate: the slope is told up to six times the rate
_POINTS = 16.0
_PERIODS = 12.0  # longer than this from an end, all is known
_DRAWS = 512
_TWO_SIGMAS = 0.9545


def slow_extremes(
    deviation: FloatArray,
    rate: float,
    slow: FloatArray,
    steady: FloatArray,
    hz: float,
    *,
    line_hz: Sequence[float] = (),
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
    line_hz : sequence of float
        Rates of the steady lines that were fitted.

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
    # Of a slower one nothing is lost: what it took is in `steady`.
    beside = sorted(line for line in line_hz if line >= hz)
    reach = _PERIODS / hz
    if seconds <= 2.5 * reach:
        sizes = np.ptp(_agreeing(deviation, rate, place, hz, beside, seed=0) + lines, axis=1)
    else:
        count = round(reach * rate)
        first, last = place < reach, place > seconds - reach
        begins = _agreeing(deviation[:count], rate, place[first], hz, beside, seed=0) + lines[first]
        later = place[last] - (deviation.size - count) / rate
        ends = _agreeing(deviation[-count:], rate, later, hz, beside, seed=1) + lines[last]
        inside = shown[~(first | last)]
        highest = np.maximum(begins.max(axis=1), ends.max(axis=1))
        lowest = np.minimum(begins.min(axis=1), ends.min(axis=1))
        sizes = np.maximum(highest, inside.max()) - np.minimum(lowest, inside.min())
    value = float(np.mean(sizes))
    return 0.5 * value, 0.25 * float(np.quantile(np.abs(sizes - value), _TWO_SIGMAS))


def _agreeing(
    deviation: FloatArray, rate: float, place: FloatArray, hz: float, line_hz: Sequence[float], *, seed: int
) -> FloatArray:
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

    models, before = _models(seen, waves, slow_waves, frequency / hz, middle, place, step, sorted(line_hz), hz)
    rng = np.random.default_rng(seed)
    weights = rng.standard_normal((_DRAWS, 2 * frequency.size))
    slow_weights = weights.reshape(_DRAWS, 2, -1)[:, :, : int(np.count_nonzero(below))].reshape(_DRAWS, -1)
    straight = rng.standard_normal(_DRAWS)
    turns = rng.chisquare(models[0].left, _DRAWS)
    ranks = rng.permutation((np.arange(_DRAWS) + 0.5) / _DRAWS)
    sizes, of_sizes = _drift_sizes()
    likely = np.array([model.likelihood(model.unit * sizes) for model in models])
    likely += np.log(before)[:, None] + np.log(of_sizes)
    share = np.exp(likely - likely.max()).ravel()
    chosen = np.minimum(np.searchsorted(np.cumsum(share) / np.sum(share), ranks), share.size - 1)
    draws = np.empty((_DRAWS, place.size))
    for index, model in enumerate(models):
        mine = chosen // sizes.size == index
        if np.any(mine):
            size = model.unit * sizes[chosen[mine] % sizes.size]
            draws[mine] = model.draws(size, weights[mine], slow_weights[mine], straight[mine], turns[mine])
    return draws


def _models(
    seen: FloatArray,
    waves: FloatArray,
    slow_waves: FloatArray,
    ratio: FloatArray,
    middle: FloatArray,
    place: FloatArray,
    step: float,
    line_hz: Sequence[float],
    hz: float,
) -> "tuple[list[_Model], list[float]]":
    """The laws fitted to the blocks beside all lines that they hold, and how probable they are beforehand."""
    blocks = middle.size
    width = float(middle[1] - middle[0])
    lines = [line for line in line_hz if 2.0 * line * width < 1.0][: blocks // _BLOCKS_A_LINE]
    split, below = waves.shape[1] // 2, slow_waves.shape[1] // 2
    laws, before = [], []
    for density, probability in _laws(ratio):
        size = np.sqrt(step * density)
        both, slow_both = np.tile(size[:split], 2), np.tile(size[:below], 2)
        laws.append(_Law.of(waves * both, slow_waves * slow_both))
        before.append(probability)
    while True:
        lost = _lost_to_lines(lines, middle)
        models = [_Model.of(law, seen, lost, middle, place) for law in laws]
        likeliest = max(models, key=lambda model: float(model.likelihood(np.zeros(1))[0]))
        hidden = _hidden_line(likeliest, middle, hz) if len(lines) < blocks // _BLOCKS_A_LINE else None
        if hidden is None:
            return models, before
        lines.append(hidden)


def _laws(ratio: FloatArray) -> Iterator[tuple[FloatArray, float]]:
    """Densities that are thought possible, against frequency re the rate, and how probable re each other."""
    for slope in _SLOPES:
        yield ratio**-slope, 1.0
    for slope, corner in _FALLING_OFF:
        within = (ratio / corner) ** -slope
        yield np.where(ratio < corner, within, (ratio / corner) ** -_STEEP), _FALL_OFF


def _lost_to_lines(line_hz: Sequence[float], middle: FloatArray) -> FloatArray:
    """What fitted lines can have taken of the blocks, one part a column of length 1, shape (blocks, 4 lines)."""
    columns = []
    for line in line_hz:
        waves = _waves(middle, np.array([line]))
        columns += [waves, waves * (middle - middle.mean())[:, None]]
    if not columns:
        return np.empty((middle.size, 0))
    together = np.concatenate(columns, axis=1)
    return np.asarray(together / np.linalg.norm(together, axis=0))


def _hidden_line(model: "_Model", middle: FloatArray, hz: float) -> float | None:
    """Rate of a sinusoid beyond the slow part that the blocks hold beside all that the model explains, if any.

    F test of two more parameters beside mean and drift, at so many rates that chance finds one in `_BY_CHANCE` of
    recordings.
    """
    seconds = float(middle[-1] - middle[0])
    rates = np.asarray(np.arange(hz, 0.5 * (middle.size - 1) / seconds, 0.25 / seconds))
    others = np.stack([np.ones(middle.size), middle - middle.mean()], axis=1)
    inverse, _ = _beside(model.inverse, np.asarray(others, dtype=np.float64))
    waves = _waves(middle, rates).reshape(middle.size, 2, rates.size)
    toward = np.einsum("bk,bpr->kpr", inverse, waves)
    own = np.einsum("kpr,kqr->rpq", waves, toward)
    seen = np.einsum("k,kpr->rp", model.seen, toward)
    explained = np.einsum("rp,rp->r", seen, np.linalg.solve(own, seen[:, :, None])[:, :, 0])
    whole, left = float(model.seen @ inverse @ model.seen), model.left - 3
    best = int(np.argmax(explained))
    chance = (1.0 - explained[best] / whole) ** (0.5 * left) * (rates[-1] - rates[0]) * seconds
    return float(rates[best]) if chance < _BY_CHANCE else None


def _beside(inverse: FloatArray, columns: FloatArray) -> tuple[FloatArray, float]:
    """The inverse of a covariance where columns of any size are fitted as well, and the spread of their sizes."""
    told = columns.T @ inverse @ columns
    less = inverse @ columns @ np.linalg.pinv(told, hermitian=True) @ columns.T @ inverse
    return np.asarray(inverse - less), float(np.linalg.slogdet(told)[1])


def _drift_sizes() -> tuple[FloatArray, FloatArray]:
    """Variances that a straight drift may have, re the scatter of the random blocks, and their probability.

    None, or a Cauchy distribution of that scale: the variance is one over the square of a normal deviate, here in
    steps of half a decade, so far up that no drift is shrunk.
    """
    from scipy.special import erf

    decades = np.asarray(np.arange(-1.0, 24.25, 0.5))
    # A larger variance than 10^d: a deviate smaller than 10^(-d / 2).
    larger = erf(10.0 ** (-0.5 * (decades + 0.25)) / math.sqrt(2.0))
    drifts = -np.diff(larger, prepend=1.0)
    return (
        np.concatenate([[0.0], 10.0**decades]),
        np.concatenate([[_NO_DRIFT], (1.0 - _NO_DRIFT) * drifts]),
    )


@dataclass(frozen=True, eq=False)
class _Law:
    """One law of the spectrum: what it says of blocks and of the slow deviation, whatever was seen."""

    waves: FloatArray
    slow_waves: FloatArray
    inverse: FloatArray  # of the covariance of the blocks
    spread: float  # logarithm of its determinant
    shared: FloatArray  # covariance of the slow deviation with the blocks
    scatter: float  # of the blocks about their mean, summed

    @classmethod
    def of(cls, waves: FloatArray, slow_waves: FloatArray) -> "_Law":
        covariance = waves @ waves.T
        covariance.flat[:: len(waves) + 1] += 1e-9 * float(np.mean(np.diag(covariance)))
        split = waves.shape[1] // 2
        below = slow_waves.shape[1] // 2
        common = np.concatenate([waves[:, :below], waves[:, split : split + below]], axis=1)
        return cls(
            waves=waves,
            slow_waves=slow_waves,
            inverse=np.asarray(np.linalg.inv(covariance), dtype=np.float64),
            spread=float(np.linalg.slogdet(covariance)[1]),
            shared=slow_waves @ common.T,
            scatter=float(np.trace(covariance)) - float(covariance.sum()) / len(waves),
        )


@dataclass(frozen=True, eq=False)
class _Model:
    """One law of the spectrum, fitted to the blocks, with a mean; a straight drift comes to it by its size."""

    seen: FloatArray
    inverse: FloatArray  # of the covariance of the blocks, beside what lines took
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
    left: int  # of the blocks, less the mean and what lines took

    @classmethod
    def of(cls, law: _Law, seen: FloatArray, lost: FloatArray, middle: FloatArray, place: FloatArray) -> "_Model":
        inverse, spread = law.inverse, law.spread
        if lost.size:
            inverse, sizes = _beside(inverse, lost)
            spread += sizes
        toward = inverse.sum(axis=0)
        mean = toward / toward.sum()  # from blocks to the mean
        left = seen - mean @ seen
        follow = law.shared @ inverse
        kriging = follow + np.outer(1.0 - follow.sum(axis=1), mean)
        centre = float(mean @ middle)
        rise = middle - centre
        information = float(rise @ inverse @ rise)
        return cls(
            seen=seen,
            inverse=inverse,
            waves=law.waves,
            slow_waves=law.slow_waves,
            kriging=kriging,
            fitted=inverse @ rise / information,
            rise=rise,
            slow_rise=place - centre - kriging @ rise,
            information=information,
            unit=law.scatter * information / float(np.sum((middle - middle.mean()) ** 2)),
            square=float(left @ inverse @ left),
            apart=-0.5 * (spread + math.log(toward.sum())),
            left=len(seen) - 1 - lost.shape[1],
        )

    def _left(self, size: FloatArray) -> tuple[FloatArray, FloatArray]:
        """How much of the fitted drift counts, and the sum of squares that is left, for sizes of drift."""
        kept = size / (1.0 + size)
        told = float(self.fitted @ self.seen) ** 2 * self.information
        return kept, np.maximum((self.square - told) + told / (1.0 + size), 1e-300)

    def likelihood(self, size: FloatArray) -> FloatArray:
        """Logarithm of the likelihood of sizes of drift."""
        square = self._left(size)[1]
        return np.asarray(self.apart - 0.5 * np.log1p(size) - 0.5 * self.left * np.log(square), dtype=np.float64)

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
