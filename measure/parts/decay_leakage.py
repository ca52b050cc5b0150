"""How much of a band's decay time is its neighbours'.

An octave or third-octave filter passes a part of what lies beyond its edges. Where the decay depends on frequency,
the slow parts outlast the rest: the band reads longer than the band cut out with perfect edges would. The
figure stays what the standard's band reads; what is worked out here is how far that is from the decay of the band
alone, and it goes into the uncertainty.

Method (this project's own, no source): the decay over frequency is described by one decay time and one density
of power at the centre of each band, the bands beyond the outermost ones included. Through the very gains of
the filters, that description predicts what every band reads; the decay times are changed until the
prediction agrees with what was read. The difference between what a band reads and what its part between the edges
then does is the leakage. Between the centres two descriptions bracket what may be there: steps at the band
edges, and straight lines on logarithmic axes. The larger difference counts.

Chance: what was read is uncertain, and so is the leakage that follows from it. While the decays differ little, all
figures of a mixture are the means of its decay times, weighted by power (the slope of the logarithm of a sum of
exponentials, to first order). So the filters read ``M d`` of the decays d at the centres, the parts between
the edges read ``P d``, and the leakage is ``(I - P M^-1)`` times what was read. Its covariance follows from that
of the readings: their own doubts, correlated as the powers are that two overlapping filters pass, by the product
of their squared gains. A leakage that chance explains is none.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from measure.parts.decay_bands import Band, band_gain
from measure.parts.decay_fit import DecayFit
from measure.parts.decay_model import NEPERS, DecayModel, PowerBlocks, maximise
from measure.validation import FloatArray

__all__ = ["BandDescription", "beyond", "leakage"]

# Cells over each skirt and between the edges. A cell that an edge cut in two would count with what has its middle:
# the neighbour's nearest and loudest part would be lost or doubled.
_CELLS = (8, 24, 8)
_POINTS = 160
_ROUNDS = 15
_CHANCE = 2.0  # standard deviations of a leakage that chance explains; taken off as powers
_OWN = 0.5  # share of the energy that must be the band's own
_AGREES = 0.05  # how near, relatively, the prediction must come to what was read
_FIGURES = {"EDT": (0.0, -10.0), "T20": (-5.0, -25.0), "T30": (-5.0, -35.0)}


@dataclass(frozen=True)
class BandDescription:
    """What was fitted in a band."""

    band: Band
    fit: DecayFit


def beyond(bands: Sequence[Band], rate: float) -> list[Band]:
    """Return the bands next to the lowest and the highest, cut off where half the rate or the depths begin."""
    first, last = bands[0], bands[-1]
    ratio = first.high_hz / first.low_hz
    found = []
    if first.low_hz / ratio > 10.0:
        found.append(
            Band("", math.nan, first.low_hz / ratio, first.low_hz, first.low_skirt, first.high_skirt),
        )
    top = min(last.high_hz * ratio, 0.49 * rate / 2.0**0.1)
    if top > 1.12 * last.high_hz:
        skirt = last.high_skirt if top * 2.0**last.high_skirt < 0.5 * rate else 0.1
        found.append(Band("", math.nan, last.high_hz, top, min(last.low_skirt, math.log2(ratio)), skirt))
    return found


def leakage(known: Sequence[BandDescription]) -> list[Mapping[str, float]]:
    """Relative difference between what each band reads and what its centre has, by figure.

    Parameters
    ----------
    known : sequence of BandDescription
        All bands that a decay was fitted in, in any order.

    Returns
    -------
    list of mapping
        For each band ``{"EDT": ..., "T20": ..., "T30": ..., "likelihood": ...}``; 0.05 where the band
        reads 5 % too long. Infinite where no description was found, or most of the energy is the neighbours'.
    """
    order = sorted(range(len(known)), key=lambda k: known[k].band.low_hz)
    arranged = [known[k] for k in order]
    results: list[dict[str, float]] = [{} for _ in known]
    for between in (_steps, _lines):
        for k, found in zip(order, _differences(arranged, between), strict=True):
            for name, value in found.items():
                if abs(value) >= abs(results[k].get(name, 0.0)):
                    results[k][name] = value
    return list(results)


_Between = Callable[[FloatArray, FloatArray, FloatArray, FloatArray], FloatArray]


def _steps(x: FloatArray, edges: FloatArray, centres: FloatArray, values: FloatArray) -> FloatArray:
    return np.asarray(values[np.searchsorted(edges, x)])


def _lines(x: FloatArray, edges: FloatArray, centres: FloatArray, values: FloatArray) -> FloatArray:
    return np.interp(x, centres, values)


def _differences(known: Sequence[BandDescription], between: _Between) -> list[dict[str, float]]:
    lows = np.log2([each.band.low_hz for each in known])
    highs = np.log2([each.band.high_hz for each in known])
    centres = 0.5 * (lows + highs)
    edges = 0.5 * (highs[:-1] + lows[1:])
    bands = [_SeenBand.of(each) for each in known]
    total = np.log([float(np.sum(band.gain)) for band in bands])
    wanted = np.log([band.seconds for band in bands])
    asked = np.log([max(float(np.sum(each.fit.best.powers)), 1e-300) for each in known]) - total
    decays, density = wanted.copy(), asked.copy()
    read, mixtures = wanted, []
    for _ in range(_ROUNDS):
        mixtures = [
            (
                band.gain * np.exp(between(band.x, edges, centres, density)),
                NEPERS * np.exp(-between(band.x, edges, centres, decays)),
            )
            for band in bands
        ]
        read = np.log(
            [
                _regressions(powers / rates, rates)[band.figure]
                for (powers, rates), band in zip(mixtures, bands, strict=True)
            ]
        )
        # Not the whole way at once, for neighbours answer each other.
        new = np.clip(decays + 0.7 * (wanted - read), wanted - 3.0, wanted + 1.0)
        now = np.log([float(np.sum(powers)) for powers, _ in mixtures]) - total
        moved = float(np.max(np.abs(new - decays)))
        decays, density = new, density + 0.7 * (asked - now)
        if moved < 1e-3:
            break
    chance = _chance(bands, mixtures, lambda x, values: between(x, edges, centres, values))
    results = []
    for band, (powers, rates), agreed, scatter in zip(
        bands, mixtures, np.abs(wanted - read) < _AGREES, chance, strict=True
    ):
        energies = powers / rates
        inside = band.inside
        # Where most of the energy comes from beyond the edges, the band's own decay is hidden.
        heard = float(np.sum(energies[inside])) > _OWN * float(np.sum(energies))
        if not (heard and agreed):
            results.append({**dict.fromkeys(_FIGURES, math.inf), "likelihood": math.inf})
            continue
        whole, own = band.figures(powers, rates), band.figures(powers[inside], rates[inside])
        results.append({name: _beyond_chance(whole[name] / own[name] - 1.0, scatter) for name in whole})
    return results


def _beyond_chance(leak: float, scatter: float) -> float:
    """What chance does not explain of a leakage."""
    return math.copysign(math.sqrt(max(leak**2 - (_CHANCE * scatter) ** 2, 0.0)), leak)


@dataclass(frozen=True, eq=False)
class _SeenBand:
    """A band on a grid over logarithmic frequency."""

    known: BandDescription
    x: FloatArray  # octaves, the middle of each cell
    gain: FloatArray  # of power in each cell, for one density of power per Hz
    inside: NDArray[np.bool_]  # between the edges
    figure: str  # which of the regressions tells the decay that was fitted
    seconds: float  # what it reads
    doubt: float  # relative

    @classmethod
    def of(cls, known: BandDescription) -> "_SeenBand":
        band, best = known.band, known.fit.best
        low, high = math.log2(band.low_hz), math.log2(band.high_hz)
        bounds = (low - band.low_skirt, low, high, high + band.high_skirt)
        x, widths = _cells(bounds)
        # Where two slopes were found, a late one may be a neighbour's; what comes early is the band's own.
        figure = "EDT" if known.fit.double is not None else "T30"
        return cls(
            known=known,
            x=x,
            gain=band_gain(2.0**x, band) ** 2 * 2.0**x * widths,  # a density per Hz, times Hz
            inside=(x >= low) & (x <= high),
            figure=figure,
            seconds=_regressions(best.powers / best.rates, best.rates)[figure],
            doubt=float(best.rate_sigma[0]),
        )

    def figures(self, powers: FloatArray, rates: FloatArray) -> dict[str, float]:
        """What is read of a mixture."""
        return {
            **_regressions(powers / rates, rates),
            "likelihood": _likelihood(powers, rates, self.known.fit.single),
        }


def _cells(bounds: Sequence[float]) -> tuple[FloatArray, FloatArray]:
    """Middles and widths of the cells of a band."""
    widths = [(high - low) / count for low, high, count in zip(bounds[:-1], bounds[1:], _CELLS, strict=True)]
    middles = [
        low + width * (np.arange(count) + 0.5)
        for low, width, count in zip(bounds[:-1], widths, _CELLS, strict=True)
    ]
    return np.concatenate(middles), np.repeat(widths, _CELLS)


def _chance(
    bands: Sequence[_SeenBand],
    mixtures: Sequence[tuple[FloatArray, FloatArray]],
    between: Callable[[FloatArray, FloatArray], FloatArray],
) -> FloatArray:
    """Relative standard deviation of the leakage of each band that the doubts of what was read bring about."""
    unit = np.eye(len(bands))
    filtered, alone = np.empty((2, len(bands), len(bands)))
    for k, (band, (powers, _)) in enumerate(zip(bands, mixtures, strict=True)):
        shares = np.array([between(band.x, row) for row in unit])
        filtered[k] = shares @ powers / np.sum(powers)
        own = powers[band.inside]
        alone[k] = shares[:, band.inside] @ own / np.sum(own)
    x = np.linspace(bands[0].x[0], bands[-1].x[-1], len(bands) * 4 * sum(_CELLS))
    squares = np.array([band_gain(2.0**x, band.known.band) ** 2 for band in bands])
    overlap = (squares * 2.0**x) @ squares.T
    loudness = np.sqrt(np.diag(overlap))
    doubts = np.array([band.doubt for band in bands])
    covariance = overlap / np.outer(loudness, loudness) * np.outer(doubts, doubts)
    lever = unit - alone @ np.linalg.pinv(filtered)
    return np.asarray(np.sqrt(np.maximum(np.sum(lever @ covariance * lever, axis=1), 0.0)))


def _regressions(energies: FloatArray, rates: FloatArray) -> dict[str, float]:
    """Decay times that the backward integral of a sum of exponentials reads."""
    total = float(np.sum(energies))
    # Until 36 dB below the start: the slowest part alone, or all of it at the slowest rate.
    longest = math.log(10.0**3.6) / float(np.min(rates))
    t = longest * np.linspace(0.0, 1.0, _POINTS) ** 2
    level = -10.0 * np.log10(np.maximum(energies @ np.exp(-rates[:, None] * t) / total, 1e-30))
    found = {}
    for name, (upper, lower) in _FIGURES.items():
        begin, finish = np.interp([-upper, -lower], level, t)
        grid = np.linspace(begin, finish, 60)
        off = grid - grid.mean()
        found[name] = 60.0 / float(off @ np.interp(grid, t, level) / (off @ off))
    return found


def _likelihood(powers: FloatArray, rates: FloatArray, single: DecayModel) -> float:
    """Decay time of the one exponential that is likeliest for a sum of many, over the floor that there is."""
    start = float(np.sum(powers))
    cap = max(single.cap / float(single.powers[0]), 1e-7)
    floor = max(single.floor / float(single.powers[0]), 0.0)
    slowest = NEPERS / float(np.min(rates))
    t = np.linspace(0.0, 1.5 * slowest, _POINTS)
    mean = powers @ np.exp(-rates[:, None] * t) / start + floor + cap
    rate = np.array([float(np.sum(powers)) / float(np.sum(powers / rates))])
    found = maximise(PowerBlocks(t, mean, 100.0, cap), np.array([1.0]), rate, floor + cap, tolerance=1e-4)
    return NEPERS / float(found.rates[0]) if found is not None else math.inf
