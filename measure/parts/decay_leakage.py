"""How much of a band's decay time is its neighbours'.

An octave or third-octave filter passes a part of what lies beyond its edges, and its own band is seldom all of one
decay. Where the decay depends on frequency, the slow parts outlast the rest: the band reads longer than what
its centre, or the band cut out with perfect edges, has. The figure stays what the standard's band reads;
what is worked out here is how far that is from the decay in question, and it goes into the uncertainty.

Method (this project's own, no source): the decay over frequency is described by one decay time and one density
of power at the centre of each band, the bands beyond the outermost ones included. Through the very gains of
the filters, that description predicts what every band reads; the decay times are changed until the
prediction agrees with what was read. The difference between what a band reads and what its centre then has is
the leakage. Between the centres two descriptions bracket what may be there: steps at the band edges, and straight
lines on logarithmic axes. The larger difference counts.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from measure.parts.decay_bands import Band, band_gain
from measure.parts.decay_fit import DecayFit
from measure.parts.decay_model import NEPERS, DecayModel, PowerBlocks, maximise
from measure.validation import FloatArray

__all__ = ["BandDescription", "beyond", "leakage"]

_PER_OCTAVE = 24
_POINTS = 160
_ROUNDS = 15
# How much a neighbour's decay time counts: about a fifth of its relative difference, for 2:1. What its own chance
# makes of that is no leakage; so many standard deviations are taken off, as powers.
_LEVER = 0.2
_CHANCE = 1.5
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
    doubts = [float(each.fit.best.rate_sigma[0]) for each in known]
    for place, k in enumerate(order):
        beside = [doubts[order[other]] for other in (place - 1, place + 1) if 0 <= other < len(order)]
        chance = _LEVER * math.hypot(doubts[k], *beside)
        for name, value in results[k].items():
            results[k][name] = math.copysign(math.sqrt(max(value**2 - (_CHANCE * chance) ** 2, 0.0)), value)
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
    grids, gains, figures, seconds = [], [], [], []
    for each in known:
        band, best = each.band, each.fit.best
        x = np.arange(
            math.log2(band.low_hz) - band.low_skirt + 0.5 / _PER_OCTAVE,
            math.log2(band.high_hz) + band.high_skirt,
            1.0 / _PER_OCTAVE,
        )
        grids.append(x)
        gains.append(band_gain(2.0**x, band) ** 2 * 2.0**x)  # per octave: a density per Hz, times Hz
        # Where two slopes were found, a late one may be a neighbour's; what comes early is the band's own.
        figures.append("EDT" if each.fit.double is not None else "T30")
        seconds.append(_regressions(best.powers / best.rates, best.rates)[figures[-1]])
    total = np.log([float(np.sum(gain)) for gain in gains])
    wanted = np.log(seconds)
    asked = np.log([max(float(np.sum(each.fit.best.powers)), 1e-300) for each in known]) - total
    decays, density = wanted.copy(), asked.copy()
    read, mixtures = wanted, []
    for _ in range(_ROUNDS):
        mixtures = [
            (
                gain * np.exp(between(x, edges, centres, density)),
                NEPERS * np.exp(-between(x, edges, centres, decays)),
            )
            for x, gain in zip(grids, gains, strict=True)
        ]
        read = np.log(
            [
                _regressions(powers / rates, rates)[figure]
                for (powers, rates), figure in zip(mixtures, figures, strict=True)
            ]
        )
        # Not the whole way at once, for neighbours answer each other.
        new = np.clip(decays + 0.7 * (wanted - read), wanted - 3.0, wanted + 1.0)
        now = np.log([float(np.sum(powers)) for powers, _ in mixtures]) - total
        moved = float(np.max(np.abs(new - decays)))
        decays_used, decays, density = decays, new, density + 0.7 * (asked - now)
        if moved < 1e-3:
            break
    results = []
    for k, (powers, rates) in enumerate(mixtures):
        found = {
            **_regressions(powers / rates, rates),
            "likelihood": _likelihood(powers, rates, known[k].fit.single),
        }
        own = math.exp(decays_used[k])
        # Where most of the energy comes from beyond the edges, the band's own decay is hidden.
        energies = powers / rates
        inside = (grids[k] >= lows[k]) & (grids[k] <= highs[k])
        heard = float(np.sum(energies[inside])) > _OWN * float(np.sum(energies))
        agrees = heard and abs(wanted[k] - read[k]) < _AGREES
        results.append({name: value / own - 1.0 if agrees else math.inf for name, value in found.items()})
    return results


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
