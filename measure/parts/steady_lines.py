"""Steady sinusoids in a series: found in its spectrum, fitted by least squares together with mean and drift."""

import math
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from measure.parts.fluctuation import Fluctuation, Line, hann, oscillation
from measure.validation import FloatArray

__all__ = ["decompose", "spectral_lines"]

ComplexArray = npt.NDArray[np.complex128]

_MOST_LINES = 16
_SIGNIFICANCE = 32.0
_DUST = 2e-6
_ROUNDING = 1e-11
_STEEPEST = 3.0
_MOST_BENDS = 6


def decompose(
    series: FloatArray, rate: float, *, highest_hz: float, slowest_hz: float = 0.0, lines: bool = True
) -> Fluctuation:
    """Split a series into mean, drift, steady lines and rest.

    Parameters
    ----------
    series : ndarray, shape (points,)
        Evenly sampled.
    rate : float
        Points per second.
    highest_hz : float
        Lines are looked for up to this frequency, and from two periods within the series.
    slowest_hz : float
        Lower end of the band that is wanted. Half of it and less is drift: the straight line is bent by as many
        polynomials as follow no faster deviation, 6 at most.
    lines : bool
        Whether to look for lines at all.

    Notes
    -----
    A line is a bin of the Hann-windowed spectrum that stands 32 times (15 dB) above the power of its
    neighbourhood, taken from the median over 16 bins on either side, and at the slow end along the slope of the
    first octaves; and above that of the third to sixth bins beside it on one side at least. Of 3000 series of
    white noise with 1400 bins each none held one. All lines are then fitted together by least squares in
    amplitude, phase and frequency (Gauss-Newton), and the search goes on in the remainder.
    """
    from scipy import fft

    count = series.size
    window = hann(count)
    centred = (np.arange(count, dtype=np.float64) - 0.5 * (count - 1)) / rate
    rates = np.empty(0)
    # A polynomial of degree d follows about d / pi periods of a sinusoid.
    degree = min(max(1, math.floor(0.5 * math.pi * slowest_hz * count / rate)), _MOST_BENDS) if count > 64 else 1
    bends = _bends(count, degree)
    # What the drift can follow as well is no line: together the two would grow without bounds.
    slowest = max(1.8, 1.0 + degree / math.pi)
    rest, straight, amplitudes, curve = _fit(series, centred, rate, rates, bends)
    if lines and count >= 32:
        total = float(np.sqrt(np.mean(np.square(rest))))
        strongest = 0.0
        while rates.size < _MOST_LINES:
            if float(np.sqrt(np.mean(np.square(rest)))) <= max(_DUST * total, _ROUNDING * abs(straight[0])):
                break
            length = fft.next_fast_len(2 * count, real=True)
            power = np.square(2.0 / np.sum(window) * np.abs(fft.rfft(rest * window, length)))
            bins_a_period = length / count
            found = _peaks(power, rate / length, bins_a_period, slowest, highest_hz, rates)
            found = [(at, top) for at, top in found if math.sqrt(top) > _DUST * 10.0 * strongest]
            if not found:
                break
            # The strongest first: weaker ones may be side lobes of it.
            reach = found[0][1]
            new = [at for at, top in found if top > 1e-3 * reach][: min(6, _MOST_LINES - rates.size)]
            strongest = max(strongest, math.sqrt(reach))
            rates = np.concatenate([rates, new])
            for _ in range(3):
                rates, moved = _newton(series, centred, rate, rates, bends)
                if moved < 1e-7 * rate / count:
                    break
            rest, straight, amplitudes, curve = _fit(series, centred, rate, rates, bends)
    order = np.argsort(-np.abs(amplitudes))
    return Fluctuation(
        rate=rate,
        mean=float(straight[0]),
        slope=float(straight[1]),
        lines=tuple(Line(float(rates[i]), complex(amplitudes[i])) for i in order),
        curve=curve,
        degree=degree,
        rest=rest,
    )


def spectral_lines(series: FloatArray, rate: float, *, highest_hz: float) -> tuple[Line, ...]:
    """Lines read off the spectrum without a fit, for series too long to fit; phases are left at zero.

    Rates are right to a hundredth of 1/duration, amplitudes to 1 %.
    """
    from scipy import fft

    if series.size < 32:
        return ()
    window = hann(series.size)
    length = fft.next_fast_len(2 * series.size, real=True)
    spectrum = fft.rfft((series - np.mean(series)) * window, length)
    power = np.square(2.0 / np.sum(window) * np.abs(spectrum))
    found = _peaks(power, rate / length, length / series.size, 1.8, highest_hz, np.empty(0))
    strongest = found[0][1] if found else 0.0
    # Side lobes of a Hann window lie 31 dB and more below its main lobe.
    return tuple(Line(at, complex(math.sqrt(top))) for at, top in found[:_MOST_LINES] if top > 1e-3 * strongest)


def _background(power: FloatArray, bins_a_period: float) -> FloatArray:
    """What a spectrum without lines would hold: a median over the neighbourhood, along the slope of the whole.

    At the slow end the neighbourhood lies on one side, and slow wandering rises towards 0 Hz: its power law, from
    the medians of the first octaves, continues the median to there.
    """
    from scipy import ndimage

    width = round(16 * bins_a_period)
    floor = ndimage.median_filter(power, size=2 * width + 1, mode="reflect") / math.log(2.0)
    edges = [round(octave * bins_a_period) for octave in (2, 4, 8, 16, 32)]
    if power.size <= edges[-1]:
        return np.asarray(floor)
    levels = np.array([np.median(power[a:b]) for a, b in pairwise(edges)])
    weights = np.diff(edges)
    if np.all(levels > 0.0):
        slope = float(np.polyfit(np.arange(4.0), np.log2(levels), 1, w=np.sqrt(weights))[0])
        slope = min(max(-slope, 0.0), _STEEPEST)
        index = np.arange(1, width + 1)
        # Of a neighbourhood that is cut off at 0 Hz and mirrored there the median lies at about half its reach.
        middle = 0.5 * (index + width)
        floor[1 : width + 1] *= (middle / index) ** slope
    return np.asarray(floor)


def _peaks(
    power: FloatArray, bin_hz: float, bins_a_period: float, slowest: float, highest_hz: float, known: FloatArray
) -> list[tuple[float, float]]:
    """Frequencies and powers of the local maxima that stand out, strongest first, from `slowest` periods on."""
    first = math.ceil(slowest * bins_a_period)
    last = min(power.size - 2, math.floor(highest_hz / bin_hz))
    if last <= first:
        return []
    floor = _background(power, bins_a_period)
    at = np.arange(first, last + 1)
    top = (power[at] > power[at - 1]) & (power[at] >= power[at + 1]) & (power[at] > _SIGNIFICANCE * floor[at])
    # Beside a line, three to six periods off, there is nothing at least on one side; a hump goes on on both.
    near, far = round(3 * bins_a_period), round(6 * bins_a_period) + 1
    for place in np.flatnonzero(top):
        index = at[place]
        above = power[index + near : index + far]
        below = power[max(index - far + 1, 1) : max(index - near + 1, 1)]
        sides = [float(np.median(side)) for side in (above, below) if side.size == far - near]
        if sides and power[index] < _SIGNIFICANCE * min(sides):
            top[place] = False
    at = at[top]
    at = at[np.argsort(-power[at])]
    found: list[tuple[float, float]] = []
    separation = 2.0 * bins_a_period * bin_hz
    for index in at[:64]:
        # The main lobe of a Hann window is nearly a parabola in decibels.
        a, b, c = np.log(power[index - 1 : index + 2])
        beside = 0.5 * (c - a) / (2.0 * b - a - c)
        frequency = float(bin_hz * (index + beside))
        others = np.concatenate([known, [each for each, _ in found]])
        if others.size == 0 or float(np.min(np.abs(others - frequency))) > separation:
            found.append((frequency, float(np.exp(b + 0.25 * (c - a) * beside))))
    return found


def _bends(count: int, degree: int) -> FloatArray:
    """Legendre polynomials of degree 2 to `degree`, one a row."""
    place = (2.0 * np.arange(count) + 1.0) / count - 1.0
    return np.asarray(np.polynomial.legendre.legvander(place, degree).T[2:])


def _fit(
    series: FloatArray, centred: FloatArray, rate: float, rates: FloatArray, bends: FloatArray
) -> tuple[FloatArray, FloatArray, ComplexArray, FloatArray]:
    """Least squares of drift and lines of known frequency: rest, (mean, slope), amplitudes, curve."""
    rows = _rows(centred, rate, rates, bends)
    solution = _solve(rows, series)
    bent = 2 + 2 * rates.size
    amplitudes = solution[2 : 2 + rates.size] - 1j * solution[2 + rates.size : bent]
    return series - _combined(solution, rows), solution[:2], amplitudes, _combined(solution[bent:], bends)


def _newton(
    series: FloatArray, centred: FloatArray, rate: float, rates: FloatArray, bends: FloatArray
) -> tuple[FloatArray, float]:
    """One Gauss-Newton step of the frequencies: new frequencies and the largest move."""
    lines = rates.size
    rows = _rows(centred, rate, rates, bends)
    solution = _solve(rows, series)
    rest = series - _combined(solution, rows)
    # The derivative by frequency turns cosine into -2 pi t sine; about the middle of the series it is nearly
    # orthogonal to the rest.
    cosine, sine = rows[2 : 2 + lines], rows[2 + lines : 2 + 2 * lines]
    along, across = solution[2 : 2 + lines, None], solution[2 + lines : 2 + 2 * lines, None]
    slopes = 2.0 * np.pi * centred * (across * cosine - along * sine)
    step = _solve(np.concatenate([rows, slopes]), rest)[-lines:]
    limit = 0.5 * rate / series.size
    step = np.clip(step, -limit, limit)
    return rates + step, float(np.max(np.abs(step)))


def _rows(centred: FloatArray, rate: float, rates: FloatArray, bends: FloatArray) -> FloatArray:
    """Base functions, one a row: constant, time, cosines, sines, bends of the drift."""
    bent = 2 + 2 * rates.size
    rows = np.empty((bent + bends.shape[0], centred.size))
    rows[0] = 1.0
    rows[1] = centred
    for index, frequency in enumerate(rates):
        turning = oscillation(frequency / rate, centred.size)
        rows[2 + index] = turning.real
        rows[2 + rates.size + index] = turning.imag
    rows[bent:] = bends
    return rows


def _combined(weights: FloatArray, rows: FloatArray) -> FloatArray:
    total = np.zeros(rows.shape[1])
    for weight, row in zip(weights, rows, strict=True):
        total += weight * row
    return total


def _solve(rows: FloatArray, target: FloatArray) -> FloatArray:
    """Least squares through scaled normal equations; rows that nearly coincide share their part."""
    count = rows.shape[0]
    extended = np.concatenate([rows, target[None, :]])
    # In pieces that the linear algebra library does not spread over threads: where other work keeps the
    # processors busy, waiting for them takes a hundred times as long as the products.
    piece = max(16, 200_000 // (count * (count + 1)))
    products = np.zeros((count, count + 1))
    for start in range(0, target.size, piece):
        products += rows[:, start : start + piece] @ extended[:, start : start + piece].T
    scale = np.sqrt(np.diag(products))
    scale[scale == 0.0] = 1.0
    normal = products[:, :-1] / np.outer(scale, scale)
    return np.asarray(np.linalg.lstsq(normal, products[:, -1] / scale, rcond=1e-12)[0] / scale)
