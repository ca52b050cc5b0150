"""The figure that a two-sigma flutter meter reads from sines and noise, weighted and unweighted.

What a transport is scaled by is a setting that is solved for, so the same lines compute it on every machine.
:mod:`tapeemu.dsp.flutter_figure` says the same with a library, to check settings without compiling.
"""

import math

from tapeemu.dsp.kernels.arrays import Precise, Precises1, Precises2
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.elementary import cosine_of_turns, exponential, logarithm, power_of_ten

__all__ = ["FLUTTER_POINTS", "flutter_figures"]

FLUTTER_POINTS = 16384
"""Sets of phases at which a sum of sines is taken; room for as many numbers is given to the kernel."""

_CURVE_POINTS = 17
_GRID = 4000  # steps of an integral over the logarithm of the frequency
_BAND_GRID = 20000
_TWO_SIGMA = 1.959963984540054
_HALF_TURN = 3.141592653589793
_QUARTER_TURN = 1.5707963267948966
_LN2 = 0.6931471805599453
_PER_DB = 3.010299956639812  # dB in a factor of two of power
_ROOT_PI = 1.772453850905516
_ROOT_2 = 1.4142135623730951
_FARTHEST = 6.5  # beyond it less than 1e-19 of a Gaussian is left
_SHARE = 0.05
_FEWEST_NOISE = 1e-3  # of the largest sine: with less, the sampled sines are too coarse a distribution


@kernel()
def _fill_curve(curve: Precises2) -> None:
    """Points of the weighting curve of IEC 60386 / AES6 (from memory): octaves above 1 Hz, dB, and slope there.

    Between points a monotone cubic (Fritsch & Butland, SIAM J. Sci. Stat. Comput. 5, 1984).
    """
    curve[0, 0] = 0.1
    curve[0, 1] = -48.0
    curve[1, 0] = 0.2
    curve[1, 1] = -30.6
    curve[2, 0] = 0.315
    curve[2, 1] = -19.7
    curve[3, 0] = 0.4
    curve[3, 1] = -15.0
    curve[4, 0] = 0.63
    curve[4, 1] = -8.4
    curve[5, 0] = 0.8
    curve[5, 1] = -6.0
    curve[6, 0] = 1.0
    curve[6, 1] = -4.2
    curve[7, 0] = 1.6
    curve[7, 1] = -1.8
    curve[8, 0] = 2.0
    curve[8, 1] = -0.9
    curve[9, 0] = 4.0
    curve[9, 1] = 0.0
    curve[10, 0] = 6.3
    curve[10, 1] = -0.9
    curve[11, 0] = 10.0
    curve[11, 1] = -2.1
    curve[12, 0] = 20.0
    curve[12, 1] = -5.9
    curve[13, 0] = 40.0
    curve[13, 1] = -10.4
    curve[14, 0] = 63.0
    curve[14, 1] = -14.2
    curve[15, 0] = 100.0
    curve[15, 1] = -17.3
    curve[16, 0] = 200.0
    curve[16, 1] = -23.0
    for k in range(_CURVE_POINTS):
        curve[k, 0] = logarithm(curve[k, 0]) / _LN2
    last = _CURVE_POINTS - 1
    for k in range(1, last):
        before = curve[k, 0] - curve[k - 1, 0]
        behind = curve[k + 1, 0] - curve[k, 0]
        one = (curve[k, 1] - curve[k - 1, 1]) / before
        other = (curve[k + 1, 1] - curve[k, 1]) / behind
        curve[k, 2] = 0.0
        if one * other > 0.0:
            first = 2.0 * behind + before
            second = behind + 2.0 * before
            curve[k, 2] = (first + second) / (first / one + second / other)
    # At the ends the parabola through three points; here it is monotone by itself.
    near = curve[1, 0] - curve[0, 0]
    far = curve[2, 0] - curve[1, 0]
    one = (curve[1, 1] - curve[0, 1]) / near
    other = (curve[2, 1] - curve[1, 1]) / far
    curve[0, 2] = ((2.0 * near + far) * one - near * other) / (near + far)
    near = curve[last, 0] - curve[last - 1, 0]
    far = curve[last - 1, 0] - curve[last - 2, 0]
    one = (curve[last, 1] - curve[last - 1, 1]) / near
    other = (curve[last - 1, 1] - curve[last - 2, 1]) / far
    curve[last, 2] = ((2.0 * near + far) * one - near * other) / (near + far)


@kernel()
def _weight(curve: Precises2, log_hz: Precise) -> Precise:
    """Gain of the weighting at the natural logarithm of a rate in Hz."""
    place = max(log_hz / _LN2, -19.931568569324174)  # a millionth of a hertz
    last = _CURVE_POINTS - 1
    level: Precise = 0.0
    if place <= curve[0, 0]:
        level = curve[0, 1] + 18.0 * (place - curve[0, 0])
    elif place >= curve[last, 0]:
        level = curve[last, 1] - 6.0 * (place - curve[last, 0])
    else:
        k = 0
        while curve[k + 1, 0] < place:
            k += 1
        width = curve[k + 1, 0] - curve[k, 0]
        t = (place - curve[k, 0]) / width
        u = 1.0 - t
        level = (
            curve[k, 1] * (1.0 + 2.0 * t) * u * u
            + width * curve[k, 2] * t * u * u
            + curve[k + 1, 1] * t * t * (3.0 - 2.0 * t)
            - width * curve[k + 1, 2] * t * t * u
        )
    return power_of_ten(0.05 * level)


@kernel()
def _cosine(angle: Precise) -> Precise:
    """Cosine of an angle in radians."""
    return cosine_of_turns(angle / (2.0 * _HALF_TURN))


@kernel()
def _law_shape(log_relative: Precise, log_ratio: Precise, octaves: Precise, exponent: Precise) -> Precise:
    """Density of the law of a random part, not yet normalised."""
    place = log_relative / log_ratio
    if not (place > -1.0 and place < octaves + 1.0):
        return 0.0
    beyond = min(max(max(-place, place - octaves), 0.0), 1.0)
    taper = _cosine(_QUARTER_TURN * beyond)
    return taper * taper * exponential(exponent * log_relative)


@kernel()
def _law_power(
    curve: Precises2, rms: Precise, low_hz: Precise, high_hz: Precise, slope_db_per_octave: Precise
) -> Precise:
    """Weighted power of the random part; laws and grids as in :mod:`tapeemu.dsp.noises`."""
    wide = logarithm(high_hz / low_hz)
    octaves: Precise = max(1, math.ceil(wide / _LN2 - 0.25))
    log_ratio = wide / octaves
    exponent = slope_db_per_octave / _PER_DB
    span = wide + 2.0 * log_ratio
    points = 64 * (math.floor(octaves) + 2)
    total: Precise = 0.0
    before: Precise = 0.0
    at_before: Precise = 0.0
    for k in range(points + 1):
        share: Precise = k
        relative = span * (share / points) - log_ratio
        at = exponential(relative)
        shape = _law_shape(relative, log_ratio, octaves, exponent)
        if k > 0:
            total += 0.5 * (shape + before) * (at - at_before)
        before = shape
        at_before = at
    weighted: Precise = 0.0
    for k in range(_GRID + 1):
        way: Precise = k
        relative = span * (way / _GRID) - log_ratio
        at = exponential(relative)
        gain = _weight(curve, relative + logarithm(low_hz))
        shape = _law_shape(relative, log_ratio, octaves, exponent) * gain * gain
        if k > 0:
            weighted += 0.5 * (shape + before) * (at - at_before)
        before = shape
        at_before = at
    return rms * rms * weighted / total


@kernel()
def _rise(at: Precise, edge: Precise, width: Precise) -> Precise:
    """Raised cosine from 0 to 1."""
    place = min(max((at - edge) / (width * edge), -1.0), 1.0)
    return 0.5 * (1.0 + _cosine(_QUARTER_TURN * (place - 1.0)))


@kernel()
def _band_shape(at: Precise, low_hz: Precise, high_hz: Precise) -> Precise:
    """Density of scrape flutter, not yet normalised."""
    amplitude = (1.0 - _rise(at, high_hz, 0.15)) * _rise(at, low_hz, 0.35)
    return amplitude * amplitude


@kernel()
def _band_power(curve: Precises2, rms: Precise, low_hz: Precise, high_hz: Precise) -> Precise:
    """Weighted power of scrape flutter."""
    step = 1.2 * high_hz / _BAND_GRID
    total: Precise = 0.0
    for k in range(_BAND_GRID):
        place: Precise = k
        one = _band_shape(place * step, low_hz, high_hz)
        other = _band_shape((place + 1.0) * step, low_hz, high_hz)
        total += 0.5 * step * (one + other)
    weighted: Precise = 0.0
    before: Precise = 0.0
    at_before: Precise = 0.0
    lowest = logarithm(0.5 * low_hz)
    span = logarithm(1.2 * high_hz) - lowest
    for k in range(_GRID + 1):
        way: Precise = k
        log_hz = lowest + span * (way / _GRID)
        at = exponential(log_hz)
        gain = _weight(curve, log_hz)
        shape = _band_shape(at, low_hz, high_hz) * gain * gain
        if k > 0:
            weighted += 0.5 * (shape + before) * (at - at_before)
        before = shape
        at_before = at
    return rms * rms * weighted / total


@kernel()
def _gaussian_above(x: Precise) -> Precise:
    """Share of a Gaussian of standard deviation root 1/2 above x, twice: erfc(x), to 1e-12.

    Power series with positive terms below 3 (Abramowitz & Stegun 7.1.6), continued fraction (7.1.14) above.
    """
    size = abs(x)
    value: Precise = 0.0
    if size < 3.0:
        term = size
        total = size
        order: Precise = 1.0
        while term > total * 1e-16:
            term = term * 2.0 * size * size / (2.0 * order + 1.0)
            total += term
            order += 1.0
        value = 1.0 - 2.0 / _ROOT_PI * exponential(-size * size) * total
    elif size < _FARTHEST:
        part: Precise = size
        level: Precise = 30.0
        while level > 0.0:
            part = size + 0.5 * level / part
            level -= 1.0
        value = exponential(-size * size) / (_ROOT_PI * part)
    return value if x >= 0.0 else 2.0 - value


@kernel()
def _exceeded(lines: Precises2, column: int, rms: Precise, work: Precises1) -> Precise:
    """Level that the sum of sines and Gaussian noise exceeds in magnitude for 5 % of the time.

    Phases by an additive sequence on the generalised golden ratio; for each the Gaussian tail is exact.

    Parameters
    ----------
    lines : ndarray, shape (parts, columns)
        Peaks of the sines in that column, none negative.
    column : int
        Which.
    rms : float
        Standard deviation of the noise.
    work : ndarray, shape (FLUTTER_POINTS,)
        For the sums.
    """
    moving = 0
    largest: Precise = 0.0
    peaks: Precise = 0.0
    for k in range(lines.shape[0]):
        if lines[k, column] > 0.0:
            moving += 1
            largest = max(largest, lines[k, column])
            peaks += lines[k, column]
    if moving == 0:
        return rms * _TWO_SIGMA
    noise = max(rms, _FEWEST_NOISE * largest)
    dimensions: Precise = moving + 1
    root: Precise = 1.5
    for _ in range(60):
        root = exponential(logarithm(1.0 + root) / dimensions)
    for point in range(FLUTTER_POINTS):
        total: Precise = 0.0
        place: Precise = point
        step: Precise = 1.0
        for k in range(lines.shape[0]):
            if lines[k, column] > 0.0:
                step = step / root
                total += lines[k, column] * cosine_of_turns(0.5 + place * step)
        work[point] = total
    low: Precise = 0.0
    high = peaks + 10.0 * noise
    level = 0.5 * high
    per_noise = 1.0 / (noise * _ROOT_2)
    for _ in range(60):
        tails: Precise = 0.0
        density: Precise = 0.0
        for point in range(FLUTTER_POINTS):
            one = (level - work[point]) * per_noise
            other = (level + work[point]) * per_noise
            if abs(one) < _FARTHEST:
                tails += _gaussian_above(one)
                density += exponential(-one * one)
            elif one < 0.0:
                tails += 2.0
            if abs(other) < _FARTHEST:
                tails += _gaussian_above(other)
                density += exponential(-other * other)
            elif other < 0.0:
                tails += 2.0
        excess = 0.5 * tails / FLUTTER_POINTS - _SHARE
        if excess > 0.0:
            low = level
        else:
            high = level
        slope = density * per_noise / (_ROOT_PI * FLUTTER_POINTS)
        step = excess / slope if slope > 0.0 else 0.0
        nearer = level + step
        if not (nearer > low and nearer < high):
            nearer = 0.5 * (low + high)
        if abs(nearer - level) <= 1e-12 * (peaks + noise):
            return nearer
        level = nearer
    return level


@kernel()
def flutter_figures(
    lines: Precises2,
    random_rms: Precise,
    random_low_hz: Precise,
    random_high_hz: Precise,
    slope_db_per_octave: Precise,
    scrape_rms: Precise,
    scrape_low_hz: Precise,
    scrape_high_hz: Precise,
    curve: Precises2,
    work: Precises1,
    figures: Precises1,
) -> None:
    """Two-sigma figures of a speed deviation, weighted and unweighted.

    Parameters
    ----------
    lines : ndarray, shape (parts, 3)
        Rate in Hz and peak, as a ratio, of every sine; the third column is written to.
    random_rms, random_low_hz, random_high_hz, slope_db_per_octave : float
        Standard deviation of the random part as a ratio, the edges of its law, and its slope.
    scrape_rms, scrape_low_hz, scrape_high_hz : float
        The same of scrape flutter, whose density is flat.
    curve : ndarray, shape (17, 3)
        Gets the curve of weighting.
    work : ndarray, shape (FLUTTER_POINTS,)
        Is written to.
    figures : ndarray, shape (2,)
        Gets both in percent.
    """
    _fill_curve(curve)
    power: Precise = 0.0
    if random_rms > 0.0:
        power += _law_power(curve, random_rms, random_low_hz, random_high_hz, slope_db_per_octave)
    if scrape_rms > 0.0:
        power += _band_power(curve, scrape_rms, scrape_low_hz, scrape_high_hz)
    for k in range(lines.shape[0]):
        lines[k, 2] = lines[k, 1] * _weight(curve, logarithm(lines[k, 0]))
    both = math.sqrt(random_rms * random_rms + scrape_rms * scrape_rms)
    figures[0] = 100.0 * _exceeded(lines, 2, math.sqrt(power), work)
    figures[1] = 100.0 * _exceeded(lines, 1, both, work)
