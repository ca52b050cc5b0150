"""The design of rooms in numpy, whole arrays at a time, to test the kernels that do it number by number.

It is the design that the reverb was tuned with. Its linear systems are solved by numpy's library.
"""

import math
from collections.abc import Callable
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

OCTAVES_HZ: FloatArray = 1000.0 * 10.0 ** (0.3 * np.arange(-4.0, 5.0))
"""Exact octave centres (IEC 61260-1, base ten) of the nominal bands 63 Hz to 16 kHz."""
OCTAVES_HZ.flags.writeable = False

USABLE_RATIO = 0.45
"""Bands above this part of the sample rate cannot be shaped and are left out."""

_CORNERS_HZ = {1: np.array([300.0, 4000.0]), 2: np.array([130.0, 450.0, 2000.0, 8000.0])}
_ATTEMPTS = 40
_STALLED = 1e-2  # fall of the sum of squares that is not worth another attempt
_HEAVIEST = 1e4  # damping with which nothing moves any more
_PLAUSIBLE = 0.03  # error at the centres with which solving for readings is begun
_LOW_CORNER_HZ = 300.0
_HIGH_CORNER_HZ = 4000.0
_SHELF_SHIFT_OCTAVES = 0.2
_SHELF_Q = 1.3
_CALMER_Q = (_SHELF_Q, 1.1, 0.9)
_GOOD_ENOUGH = 0.02  # of the decay times read; the promise is 0.04
_FLOOR_DB = -90.0  # a line that loses more than this in one pass is silent there: no need to be exact
_TOLERANCE = 0.009  # of the decay times read, for leaving sections out
_SPARED = 0.007  # of the decay time at the centres, for leaving shelves out
_OVERSHOOT = 1.3  # largest decay time anywhere, in terms of the longest asked for
_SILENT_DB = -300.0  # of one pass; for readings
_LONGEST_SECONDS = 1000.0
_SPARSELY = 4
_LEAST_TIME = 0.5  # of a pass, in terms of the lines alone
_CORRECTIONS = 16
_SIMPLE_CORRECTIONS = 6  # a structure with few unknowns is as near by then as it ever gets
_LARGEST_CORRECTION = 1.6
_TRUSTED = 4  # corrections that are made in full
_CAUTIOUS = 0.7  # power of the later ones
_FAR_OFF = 0.5  # error that no more corrections and no other shelves will mend
_HOPELESS = 8.0  # error, in terms of the smallest so far, after which no more corrections are made
_NEWTON_STEPS = 12
_EXACT = 1e-6
_STEP = 1e-4  # of a gain in dB, for differences that stand in for derivatives


class Absorption(NamedTuple):
    """Gains and sections of all lines.

    Attributes
    ----------
    gains : ndarray, shape (lines,)
    coefficients : ndarray, shape (sections, 4, lines)
        c - e, d - f, e, f of sections ``(1 + c/z + d/z^2) / (1 + e/z + f/z^2)``.
    """

    gains: FloatArray
    coefficients: FloatArray


def usable_bands(sample_rate: float) -> int:
    """Count of the octave bands, from 63 Hz up, that lie below 0.45 of the sample rate."""
    return int(np.count_nonzero(USABLE_RATIO * sample_rate >= OCTAVES_HZ))


def band_decay_seconds(decay_seconds: float, low_ratio: float, high_ratio: float) -> FloatArray:
    """Decay times at the nine octave centres from the one at 1 kHz and two ratios.

    The absorption (1/T) is that of a broad low band around 300 Hz and a broad high band around 4 kHz, as
    first-order shelves have it, on top of a constant; T is exact at 125 Hz, 1 kHz and 8 kHz. The law is
    ours; it is the shape that costs least to realise.

    Parameters
    ----------
    decay_seconds : float
        Seconds per 60 dB at 1 kHz.
    low_ratio, high_ratio : float
        Decay time at 125 Hz and at 8 kHz in terms of it, 0.1 to 2.

    Returns
    -------
    ndarray, shape (9,)
        Seconds.
    """

    def terms(frequency: FloatArray) -> FloatArray:
        low = 1.0 / (1.0 + (frequency / _LOW_CORNER_HZ) ** 2)
        high = 1.0 / (1.0 + (_HIGH_CORNER_HZ / frequency) ** 2)
        return np.stack([np.ones_like(frequency), low, high], axis=-1)

    wanted = np.array([1.0 / low_ratio, 1.0, 1.0 / high_ratio])
    weights = np.linalg.solve(terms(OCTAVES_HZ[[1, 4, 7]]), wanted)
    rates: FloatArray = np.sum(terms(OCTAVES_HZ) * weights, axis=1)
    return decay_seconds / np.maximum(rates, 0.05)


def loop_level_db(absorption: Absorption, frequencies_hz: FloatArray, sample_rate: float) -> FloatArray:
    """Level of one pass through each line, all its gains included.

    Returns
    -------
    ndarray, shape (lines, frequencies)
        Decibels.
    """
    delay = np.exp(-2j * np.pi * np.asarray(frequencies_hz) / sample_rate)
    squared = delay**2
    response = np.tile(np.abs(absorption.gains)[:, None].astype(complex), (1, delay.size))
    for c, d, e, f in absorption.coefficients[..., None]:
        response *= (1.0 + (c + e) * delay + (d + f) * squared) / (1.0 + e * delay + f * squared)
    with np.errstate(divide="ignore"):
        level: FloatArray = 20.0 * np.log10(np.abs(response))
    return level


def loop_delay_samples(
    absorption: Absorption, delays: np.ndarray, frequencies_hz: FloatArray, sample_rate: float
) -> FloatArray:
    """Samples that one pass through each line takes, its filters' group delay included.

    A filter whose loss changes over frequency delays, or hastens. Where a decay lasts for few periods that is
    as much as 4 % of the pass, and the decay is as much longer or shorter.

    Returns
    -------
    ndarray, shape (lines, frequencies)
        Samples.
    """
    delay = np.exp(-2j * np.pi * np.asarray(frequencies_hz) / sample_rate)
    squared = delay**2
    whole = np.tile(np.asarray(delays, dtype=np.float64)[:, None], (1, delay.size))
    for c, d, e, f in absorption.coefficients[..., None]:
        # Group delay of 1 + a/z + b/z^2: the real part of (a/z + 2b/z^2) over it (derivative of its logarithm).
        for sign, once, twice in ((1.0, (c + e) * delay, (d + f) * squared), (-1.0, e * delay, f * squared)):
            whole += sign * ((once + 2.0 * twice) / (1.0 + once + twice)).real
    return whole


def loop_decay_seconds(
    absorption: Absorption, delays: np.ndarray, frequencies_hz: FloatArray, sample_rate: float
) -> FloatArray:
    """Decay time that each line's pass stands for: ``-3 M / (fs log10 |H(f)|)``, M with the group delay.

    Returns
    -------
    ndarray, shape (lines, frequencies)
        Seconds.
    """
    level = loop_level_db(absorption, frequencies_hz, sample_rate)
    return -60.0 * loop_delay_samples(absorption, delays, frequencies_hz, sample_rate) / (sample_rate * level)


def read_decay_seconds(absorption: Absorption, delays: np.ndarray, sample_rate: float) -> FloatArray:
    """Decay time that each octave band of the whole network reads (T30), all gains included.

    A mode passes through all lines, so it loses per second what all of them lose together, over the time
    that they take together.

    Returns
    -------
    ndarray, shape (bands,)
        Seconds, for the octaves below 0.45 of the sample rate.
    """
    centres = OCTAVES_HZ[: usable_bands(sample_rate)]
    frequencies = reading_frequencies(centres, sample_rate)
    level = np.maximum(loop_level_db(absorption, frequencies, sample_rate), _SILENT_DB).sum(axis=0)
    # The delay is smooth, and little beside the lines': a sixth of an octave is close enough.
    sparse = np.append(frequencies[:-1:_SPARSELY], frequencies[-1])
    taken = np.interp(frequencies, sparse, loop_delay_samples(absorption, delays, sparse, sample_rate).sum(axis=0))
    # While a solution is being sought, filters may gain level somewhere, or take longer than the lines.
    whole = -60.0 * np.maximum(taken, _LEAST_TIME * np.sum(delays)) / sample_rate
    return octave_readings(frequencies, whole / np.minimum(level, whole / _LONGEST_SECONDS), centres)


def design_absorption(delays: np.ndarray, decay_seconds: FloatArray, sample_rate: float) -> Absorption:
    """Design the filters of all lines so that octave bands read the decay times asked for.

    Parameters
    ----------
    delays : ndarray of int, shape (lines,)
        Samples of one pass through each line.
    decay_seconds : ndarray, shape (9,)
        Seconds per 60 dB that the octave bands 63 Hz to 16 kHz shall read. Bands above 0.45 of the sample
        rate are left out. A pass never loses more than 90 dB at a centre.
    sample_rate : float
        Samples per second.

    Returns
    -------
    Absorption
        Every line loses level at every frequency: its decay time is nowhere longer than 1.3 times the
        longest asked for, however steep the table is.
    """
    bands = usable_bands(sample_rate)
    centres = OCTAVES_HZ[:bands]
    seconds = np.asarray(decay_seconds, dtype=np.float64)[:bands]
    delays = np.asarray(delays)
    level = _pass_level_db(delays, seconds, sample_rate)
    if np.ptp(seconds) <= 1e-9 * seconds[0]:
        return Absorption(10.0 ** (level[:, 0] / 20.0), np.zeros((0, 4, delays.size)))

    for sections in _CORNERS_HZ:

        def simple(level: FloatArray, sections: int = sections) -> Absorption:
            return _first_order(level, centres, sample_rate, sections)

        fitted = simple(level)
        if _decay_error(fitted, level, centres, sample_rate) > _PLAUSIBLE:
            continue
        _, fitted, error = _solve_centres(simple, delays, seconds, sample_rate, _SIMPLE_CORRECTIONS)
        if error <= _TOLERANCE and _is_calm(fitted, delays, seconds, sample_rate):
            return fitted
    best = (np.inf, fitted)
    for q in _CALMER_Q:
        cascade = _Cascade(centres, sample_rate, q)
        at_centres, fitted, error = _solve_centres(cascade.fitted, delays, seconds, sample_rate)
        if error <= _TOLERANCE:
            fitted = cascade.thinned(_pass_level_db(delays, at_centres, sample_rate))
        fitted = _calmed(fitted, delays, seconds, sample_rate)
        error = float(np.max(np.abs(read_decay_seconds(fitted, delays, sample_rate) / seconds - 1.0)))
        if error < best[0]:
            best = (error, fitted)
        if error <= _GOOD_ENOUGH or error > _FAR_OFF:
            break
    return best[1]


def _pass_level_db(delays: np.ndarray, seconds: FloatArray, sample_rate: float) -> FloatArray:
    """Level of one pass through each line at the octave centres, shape (lines, bands)."""
    level: FloatArray = np.maximum(-60.0 * delays[:, None] / (sample_rate * seconds), _FLOOR_DB)
    return level


def _solve_centres(
    shape: Callable[[FloatArray], Absorption],
    delays: np.ndarray,
    seconds: FloatArray,
    sample_rate: float,
    corrections: int = _CORRECTIONS,
) -> tuple[FloatArray, Absorption, float]:
    """Find the decay times at the centres with which the octaves read the ones asked for.

    They are corrected by the ratio of what shall be read to what is read, over and over.

    Returns
    -------
    ndarray, shape (bands,)
        The best that were found.
    Absorption
        The filters for them.
    float
        Largest relative error of what is read.
    """
    trial = seconds
    best = (trial, shape(_pass_level_db(delays, trial, sample_rate)), np.inf)
    for attempt in range(corrections):
        fitted = best[1] if attempt == 0 else shape(_pass_level_db(delays, trial, sample_rate))
        ratio = seconds / read_decay_seconds(fitted, delays, sample_rate)
        error = float(np.max(np.abs(ratio - 1.0)))
        if error < best[2]:
            best = (trial, fitted, error)
        hopeless = attempt >= _TRUSTED and (best[2] > _FAR_OFF or error > _HOPELESS * best[2])
        if error < 0.2 * _TOLERANCE or hopeless:
            break
        corrected = np.clip(ratio, 1.0 / _LARGEST_CORRECTION, _LARGEST_CORRECTION)
        trial = trial * corrected ** (1.0 if attempt < _TRUSTED else _CAUTIOUS)
    return best


def _grid(sample_rate: float) -> FloatArray:
    """Frequencies from zero to half the sample rate, close enough to see every ripple of a shelf."""
    spaced = np.geomspace(5.0, 0.5 * sample_rate, 500)
    # Towards half the rate the bilinear transform narrows them.
    near_the_end = 0.5 * sample_rate - np.geomspace(1e-4, 0.2, 400) * sample_rate
    return np.concatenate([[0.0], spaced, near_the_end])


def _decay_error(absorption: Absorption, level: FloatArray, centres: FloatArray, sample_rate: float) -> float:
    """Largest relative error of the decay time at the centres over all lines."""
    got = loop_level_db(absorption, centres, sample_rate)
    return float(np.max(np.abs(level / got - 1.0)))


def _excess_db(absorption: Absorption, delays: np.ndarray, seconds: FloatArray, sample_rate: float) -> FloatArray:
    """Level by which each line is louder, at its loudest, than the longest decay time allows."""
    allowed = -60.0 * delays / (sample_rate * _OVERSHOOT * seconds.max())
    # Sharp peaks lie where the poles are, and may be narrower than any grid.
    once, twice = absorption.coefficients[:, 2], absorption.coefficients[:, 3]
    cosines = np.clip(-0.5 * once / np.sqrt(np.maximum(twice, 1e-9)), -1.0, 1.0)
    peaks = np.arccos(cosines).reshape(-1) * sample_rate / (2.0 * np.pi)
    where = np.concatenate([_grid(sample_rate), peaks])
    loudest = loop_level_db(absorption, where, sample_rate).max(axis=1)
    excess: FloatArray = loudest - np.maximum(allowed, _FLOOR_DB)
    return excess


def _is_calm(absorption: Absorption, delays: np.ndarray, seconds: FloatArray, sample_rate: float) -> bool:
    return bool(np.all(_excess_db(absorption, delays, seconds, sample_rate) <= 0.0))


def _calmed(absorption: Absorption, delays: np.ndarray, seconds: FloatArray, sample_rate: float) -> Absorption:
    """Turn lines that would ring too long down as a whole: a wrong decay time, but a stable one."""
    excess = np.maximum(_excess_db(absorption, delays, seconds, sample_rate), 0.0)
    return Absorption(absorption.gains * 10.0 ** (-excess / 20.0), absorption.coefficients)


def _first_order(level: FloatArray, centres: FloatArray, sample_rate: float, sections: int) -> Absorption:
    """Fit ``g (s + z1)(s + z2)... / ((s + p1)(s + p2)...)`` to each line, by Levenberg's damped least squares.

    The unknowns are the level and the logarithms of the corners, so poles stay stable and zeros stay
    minimum-phase; s is the bilinear transform's frequency, so no warping is left at the centres.
    """
    lines = level.shape[0]
    pairs = 2 * sections
    squared = np.tan(np.pi * centres / sample_rate) ** 2
    start_hz = np.minimum(_CORNERS_HZ[sections], 0.3 * sample_rate)
    start = np.log(np.tan(np.pi * start_hz / sample_rate))
    middle = level[:, min(4, centres.size - 1)]
    low = np.clip((level[:, 0] - middle) / (20.0 * pairs), -1.0, 1.0) * np.log(10.0)
    high = np.clip((middle - level[:, -1]) / (20.0 * pairs), -1.0, 1.0) * np.log(10.0)
    half = np.stack([low] * sections + [high] * sections, axis=1)
    unknown = np.concatenate([level[:, -1:], start + half, start - half], axis=1)
    sign = np.repeat([1.0, -1.0], pairs)
    to_db = 10.0 / np.log(10.0)

    def residue(values: FloatArray) -> tuple[FloatArray, FloatArray]:
        corner = np.exp(2.0 * values[:, 1:, None])
        sums = squared + corner
        got = values[:, :1] + to_db * np.sum(sign[:, None] * np.log(sums), axis=1)
        slopes = np.ones((lines, centres.size, 1 + 2 * pairs))
        slopes[:, :, 1:] = np.swapaxes(2.0 * to_db * sign[:, None] * corner / sums, 1, 2)
        return (level - got) / level, slopes / level[:, :, None]

    damping = np.full(lines, 1e-2)
    error, slopes = residue(unknown)
    cost = np.sum(error**2, axis=1)
    over = np.zeros(lines, dtype=bool)
    for _ in range(_ATTEMPTS):
        step = fit(slopes, error, damping=damping)
        trial = unknown + np.clip(step, -6.0, 6.0)
        trial[:, 1:] = np.clip(trial[:, 1:], np.log(1e-5), np.log(1e4))
        trial_error, trial_slopes = residue(trial)
        trial_cost = np.sum(trial_error**2, axis=1)
        better = trial_cost < cost
        over |= (better & (cost - trial_cost < _STALLED * cost)) | (damping > _HEAVIEST)
        unknown[better] = trial[better]
        error[better] = trial_error[better]
        slopes[better] = trial_slopes[better]
        cost[better] = trial_cost[better]
        damping = np.where(better, damping * 0.2, damping * 5.0)
        if np.max(np.abs(error)) < 0.1 * _TOLERANCE or over.all():
            break
    corner = np.exp(unknown[:, 1:])
    root = (1.0 - corner) / (1.0 + corner)
    zeros = root[:, :pairs].reshape(lines, 2, sections)
    poles = root[:, pairs:].reshape(lines, 2, sections)
    c, d = -zeros.sum(axis=1), zeros.prod(axis=1)
    e, f = -poles.sum(axis=1), poles.prod(axis=1)
    # The level found is that of s to infinity; a section's leading coefficient is that of the first sample.
    leading = np.prod(1.0 + corner[:, :pairs], axis=1) / np.prod(1.0 + corner[:, pairs:], axis=1)
    coefficients = np.ascontiguousarray(np.moveaxis(np.stack([c - e, d - f, e, f]), 2, 0))
    return Absorption(10.0 ** (unknown[:, 0] / 20.0) * leading, coefficients)


class _Shelves(NamedTuple):
    """High shelves between octaves: where they lie and how steep they are."""

    corners_hz: FloatArray
    q: float

    def polynomials(self, gains_db: FloatArray, sample_rate: float) -> tuple[FloatArray, FloatArray]:
        """Numerators and denominators, shapes (3, lines, shelves): the bilinear second-order shelf."""
        root = 10.0 ** (gains_db / 80.0)
        a = root * root
        omega = 2.0 * np.pi * self.corners_hz / sample_rate
        cosine = np.cos(omega)
        width = root * np.sin(omega) / self.q
        upper = np.stack(
            [
                a * ((a + 1.0) + (a - 1.0) * cosine + width),
                -2.0 * a * ((a - 1.0) + (a + 1.0) * cosine),
                a * ((a + 1.0) + (a - 1.0) * cosine - width),
            ]
        )
        lower = np.stack(
            [
                (a + 1.0) - (a - 1.0) * cosine + width,
                2.0 * ((a - 1.0) - (a + 1.0) * cosine),
                (a + 1.0) - (a - 1.0) * cosine - width,
            ]
        )
        return upper, lower

    def level_db(self, gains_db: FloatArray, frequencies_hz: FloatArray, sample_rate: float) -> FloatArray:
        """Level of each shelf, shape (lines, shelves, frequencies)."""
        delay = np.exp(-2j * np.pi * frequencies_hz / sample_rate)
        powers = np.stack([np.ones_like(delay), delay, delay**2])
        upper, lower = self.polynomials(gains_db, sample_rate)
        ratio = np.tensordot(upper, powers, ((0,), (0,))) / np.tensordot(lower, powers, ((0,), (0,)))
        level: FloatArray = 20.0 * np.log10(np.abs(ratio))
        return level


def _solve_shelves(
    level: FloatArray, shelves: _Shelves, centres: FloatArray, sample_rate: float
) -> tuple[FloatArray, FloatArray]:
    """Solve base levels and shelf gains for the levels at the centres; relative least squares if too few."""
    base = level[:, 0].copy()
    between = np.searchsorted(centres, shelves.corners_hz)
    edges = np.concatenate([[0], between, [centres.size]])
    means = np.stack([level[:, a:b].mean(axis=1) for a, b in pairwise(edges)], axis=1)
    gains = np.diff(means, axis=1)
    best = (base, gains)
    smallest = np.inf
    for _ in range(_NEWTON_STEPS):
        shapes = shelves.level_db(gains, centres, sample_rate)
        error = (level - base[:, None] - shapes.sum(axis=1)) / level
        largest = float(np.max(np.abs(error)))
        if largest < smallest:
            smallest, best = largest, (base.copy(), gains.copy())
        if largest < _EXACT:
            break
        slopes = (shelves.level_db(gains + _STEP, centres, sample_rate) - shapes) / _STEP
        matrix = np.concatenate([np.ones((level.shape[0], 1, centres.size)), slopes], axis=1) / level[:, None]
        step = fit(np.swapaxes(matrix, 1, 2), error)
        base += np.clip(step[:, 0], -12.0, 12.0)
        gains = np.clip(gains + np.clip(step[:, 1:], -12.0, 12.0), -150.0, 150.0)
    return best


def _assembled(base: FloatArray, gains: FloatArray, shelves: _Shelves, sample_rate: float) -> Absorption:
    upper, lower = shelves.polynomials(gains, sample_rate)
    leading = np.prod(upper[0] / lower[0], axis=1)
    c, d = upper[1] / upper[0], upper[2] / upper[0]
    e, f = lower[1] / lower[0], lower[2] / lower[0]
    coefficients = np.ascontiguousarray(np.moveaxis(np.stack([c - e, d - f, e, f]), 2, 0))
    return Absorption(10.0 ** (base / 20.0) * leading, coefficients)


class _Cascade:
    """One shelf between each two octaves."""

    def __init__(self, centres: FloatArray, sample_rate: float, q: float) -> None:
        self._centres = centres
        self._rate = sample_rate
        self._q = q

    def _corners(self, level: FloatArray) -> FloatArray:
        losses = np.log(-level.sum(axis=0))
        slower_above = -np.sign(np.diff(losses))
        middles = np.sqrt(self._centres[1:] * self._centres[:-1])
        corners: FloatArray = middles * 2.0 ** (_SHELF_SHIFT_OCTAVES * slower_above)
        return corners

    def fitted(self, level: FloatArray) -> Absorption:
        """Solve all shelves for the levels at the centres."""
        shelves = _Shelves(self._corners(level), self._q)
        return _assembled(*_solve_shelves(level, shelves, self._centres, self._rate), shelves, self._rate)

    def thinned(self, level: FloatArray) -> Absorption:
        """Solve as many shelves as are needed."""
        corners = self._corners(level)
        kept = np.arange(corners.size)
        shelves = _Shelves(corners, self._q)
        base, gains = _solve_shelves(level, shelves, self._centres, self._rate)
        chosen = _assembled(base, gains, shelves, self._rate)
        while kept.size > 1:
            kept = np.delete(kept, np.argmin(np.max(np.abs(gains / level[:, kept]), axis=0)))
            shelves = _Shelves(corners[kept], self._q)
            base, gains = _solve_shelves(level, shelves, self._centres, self._rate)
            fewer = _assembled(base, gains, shelves, self._rate)
            if _decay_error(fewer, level, self._centres, self._rate) > _SPARED:
                break
            chosen = fewer
        return chosen


def fit(matrices: FloatArray, right: FloatArray, *, damping: FloatArray | float = 0.0) -> FloatArray:
    """Least squares of many systems by their normal equations; damping in terms of the mean of their diagonals."""
    unknowns = matrices.shape[2]
    normal = np.swapaxes(matrices, 1, 2) @ matrices
    mean = np.trace(normal, axis1=1, axis2=2) / unknowns
    normal += ((np.broadcast_to(damping, mean.shape) + 1e-14) * mean)[:, None, None] * np.eye(unknowns)
    found: FloatArray = np.linalg.solve(normal, np.swapaxes(matrices, 1, 2) @ right[:, :, None])[:, :, 0]
    return found


# --- what octaves read ---------------------------------------------------------------------------------------

_POLES_A_SIDE = 9
_NEPERS = 3.0 * math.log(10.0) * 2.0  # 60 dB as a power
_PER_OCTAVE = 24
_BESIDE_OCTAVES = 2.0
_MOMENTS = 160
_FITTED = 64
READ_TO_SECONDS = 0.7
"""Longest moment that is looked at, in terms of the longest decay time within reach of the filter."""


def reading_frequencies(centres_hz: FloatArray, sample_rate: float) -> FloatArray:
    """Frequencies at which the decay must be known: to two octaves beside all centres, below half the rate.

    Returns
    -------
    ndarray, shape (frequencies,)
        Hertz, a geometric series.
    """
    low = math.log2(float(centres_hz[0])) - _BESIDE_OCTAVES
    high = min(math.log2(float(centres_hz[-1])) + _BESIDE_OCTAVES, math.log2(0.499 * sample_rate))
    return 2.0 ** np.linspace(low, high, 1 + math.ceil((high - low) * _PER_OCTAVE))


def octave_readings(frequencies_hz: FloatArray, decay_seconds: FloatArray, centres_hz: FloatArray) -> FloatArray:
    """T30 of every octave band.

    Parameters
    ----------
    frequencies_hz : ndarray, shape (frequencies,)
        From :func:`reading_frequencies`.
    decay_seconds : ndarray, shape (frequencies,)
        Seconds per 60 dB at each of them.
    centres_hz : ndarray, shape (bands,)
        Centres of the octaves.

    Returns
    -------
    ndarray, shape (bands,)
        Seconds. Sums are taken in a fixed order: the same bits on any number of threads.
    """
    found = np.empty(centres_hz.size)
    for band, centre in enumerate(centres_hz):
        near = np.abs(np.log2(frequencies_hz / centre)) <= _BESIDE_OCTAVES + 1e-9
        ratio = frequencies_hz[near] / centre
        seconds = decay_seconds[near]
        detuning = (ratio - 1.0 / ratio) / (math.sqrt(2.0) - math.sqrt(0.5))
        # The series is geometric: the width of each step is in proportion to its frequency.
        weights = ratio * seconds / (1.0 + detuning ** (2 * _POLES_A_SIDE))
        moments = READ_TO_SECONDS * float(seconds.max()) * np.linspace(0.0, 1.0, _MOMENTS) ** 2
        left = np.sum(weights * np.exp(-_NEPERS * moments[:, None] / seconds), axis=1)
        fall = -10.0 * np.log10(left / left[0])
        first, last = np.interp([5.0, 35.0], fall, moments)
        places = np.linspace(first, last, _FITTED) - 0.5 * (first + last)
        fitted = np.interp(places + 0.5 * (first + last), moments, fall)
        found[band] = 60.0 * np.sum(places**2) / np.sum(places * fitted)
    return found


# --- layout --------------------------------------------------------------------------------------------------


def mean_line_seconds(seconds: FloatArray, size: float, lines: int) -> float:
    """Mean length of a line for decay times by octaves; `size` is 1 at 100 %."""
    shortest = float(seconds[1:8].min())
    steps = np.diff(np.log2(seconds))
    longest_mean = 0.2 * shortest / max(float(np.max(np.abs(np.diff(steps)))), 1.0) ** 2
    mean = min(0.1 * size, longest_mean * (size if size < 1.0 else size**0.25))
    weights = OCTAVES_HZ[1] / np.maximum(OCTAVES_HZ[:-1], OCTAVES_HZ[1])
    needed_mean = 0.4 / lines * float(np.max(np.abs(steps) * weights))
    return min(math.hypot(mean, needed_mean), longest_mean * 4.0**0.25)


def prime_delays(wanted: FloatArray) -> IntArray:
    """Distinct primes near the wanted lengths, so that no two lines share a period.

    Parameters
    ----------
    wanted : ndarray, shape (lines,)
        Lengths in samples, at least 2.

    Returns
    -------
    ndarray of int, shape (lines,)
        In the order of `wanted`.
    """
    limit = int(np.max(wanted)) + 40 * wanted.size + 100
    sieve = np.ones(limit, dtype=bool)
    sieve[:2] = False
    for factor in range(2, int(np.sqrt(limit)) + 1):
        if sieve[factor]:
            sieve[factor * factor :: factor] = False
    primes = np.flatnonzero(sieve)
    free = np.ones(primes.size, dtype=bool)
    chosen = np.empty(wanted.size, dtype=np.int64)
    for line, length in enumerate(wanted):
        candidates = primes[free]
        chosen[line] = candidates[np.argmin(np.abs(candidates - length))]
        free[np.searchsorted(primes, chosen[line])] = False
    return chosen


_SMOOTHING = 9.0
_LEAST_ANGLE = 0.9
_DENSE = 1.3  # seconds in all lines, in terms of the decay time, from which on nothing needs to turn
_DENSE_SLOPE = 0.6
_SHORTEST_TAIL = 0.25  # seconds: shorter decays are over before a mode can be heard
_LONGEST_TAIL = 3.0  # seconds: modes must have met by then, however long they last
_LONGEST_CELL = 256
_SHORTEST_CELL = 4


def needed_angle(whole_seconds: float, lines: int, decay_seconds: FloatArray) -> float:
    """Angle, in radians to each side at the network's own rate, that the mixing must turn for a smooth tail.

    A still network has as many modes per hertz as there are seconds in all its lines. Where a decay lasts
    longer than that, modes are heard one by one. Every pass through a turning mixing spreads a mode by
    some part of (angle times rate), and passes add up as powers, so modes meet if the angle is some
    multiple of 1 / sqrt(whole_seconds * lines * decay). The law is ours; its constants are from our own
    measurements of tails.
    """
    sparse = np.clip((_DENSE - whole_seconds / decay_seconds) / _DENSE_SLOPE, 0.0, 1.0)
    lasting = np.clip(decay_seconds / _SHORTEST_TAIL - 1.0, 0.0, 1.0)
    passes = np.clip(decay_seconds, 2.0 * _SHORTEST_TAIL, _LONGEST_TAIL)
    meeting = np.maximum(_SMOOTHING / np.sqrt(whole_seconds * lines * passes), _LEAST_ANGLE)
    return float(np.max(sparse * lasting * meeting))


def cell(radians_per_sample: float, pass_of_decay: float) -> tuple[int, bool]:
    """Samples between exact angles, and whether lines between them are curved; see `rotate` in the kernel.

    Interpolation costs under 0.3 % of the decay time: angles d apart cost ``4.34 d^2 / 6`` dB a pass along
    straight lines, ``4.34 d^4 / 40`` dB along curved ones, where the decay takes ``60 pass_of_decay`` dB.
    """
    if radians_per_sample * _LONGEST_CELL <= math.sqrt(0.25 * pass_of_decay):
        return _LONGEST_CELL, False
    apart = (1.6 * pass_of_decay) ** 0.25
    samples = max(apart / radians_per_sample, float(_SHORTEST_CELL))
    return min(1 << math.floor(math.log2(samples)), _LONGEST_CELL), True
