"""A fluctuating quantity as steady lines and the rest, so that filters have no ends to trip over.

A filter that separates 0.1 Hz from 0.2 Hz rings for longer than most test recordings last. So the steady
sinusoids are taken out first (:mod:`measure.parts.steady_lines`), together with the mean and a straight drift; the
filter acts on them exactly, through its response at their frequencies. Only what is left, which is small or
random, is filtered in the ordinary way, continued beyond its ends by its mirror image.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from measure.validation import FloatArray

__all__ = [
    "Fluctuation",
    "Line",
    "Response",
    "beats",
    "chi_square_doubt",
    "fast_length",
    "hann",
    "oscillation",
    "oscillations",
    "smoothed",
    "steady_rms",
    "whole_periods",
]

ComplexArray = npt.NDArray[np.complex128]
Response = Callable[[FloatArray], npt.NDArray[np.complex128] | FloatArray]

_TWO_SIGMAS = 0.9545
_FEWEST = 8.0  # degrees of freedom of a band, as far as there are so many
_ALIKE = 3.0  # ratio of the densities of two bands below which they count as one


@dataclass(frozen=True)
class Line:
    """A steady sinusoid ``Re(amplitude exp(2 pi i rate_hz t))``, t from the first point of the series."""

    rate_hz: float
    amplitude: complex


@dataclass(frozen=True, kw_only=True, eq=False)
class Fluctuation:
    """A series split into mean, straight drift, lines and rest.

    Attributes
    ----------
    rate : float
        Points per second.
    mean, slope : float
        Straight line ``mean + slope (t - T / 2)``, per second, fitted together with the lines.
    lines : tuple of Line
        Strongest first.
    curve : ndarray, shape (points,)
        What bends the straight line: Legendre polynomials of higher degree.
    degree : int
        Degree of the drift, 1 for a straight one.
    rest : ndarray, shape (points,)
        What none of these accounts for.
    """

    rate: float
    mean: float
    slope: float
    lines: tuple[Line, ...]
    curve: FloatArray
    degree: int
    rest: FloatArray

    @property
    def duration_seconds(self) -> float:
        """Time covered by the points."""
        return self.rest.size / self.rate

    def filtered(self, response: Response, *, rate: float) -> tuple[FloatArray, float, tuple[Line, ...]]:
        """Lines and rest, without mean and drift, through a filter and at a higher rate.

        Parameters
        ----------
        response : callable
            Gain, real or complex, at an array of frequencies in Hz.
        rate : float
            Wanted points per second; the nearest convenient rate that is not lower is used.

        Returns
        -------
        series : ndarray
        rate : float
        lines : tuple of Line
            Lines after the filter.
        """
        from scipy import fft

        count = self.rest.size
        size = fft.next_fast_len(2 * math.ceil(count * max(rate / self.rate, 1.0)), real=True)
        size += size % 2
        mirrored = np.concatenate([self.rest[::-1], self.rest])
        spectrum = fft.rfft(mirrored)
        frequency = _grid(spectrum.size, self.rate / mirrored.size)
        spectrum = spectrum * response(frequency)
        spectrum[-1] = 0.0
        series = np.asarray(fft.irfft(spectrum, size)[size // 2 :]) * (size / mirrored.size)
        new_rate = self.rate * size / mirrored.size
        gains = response(np.array([line.rate_hz for line in self.lines])) if self.lines else np.empty(0)
        lines = tuple(
            Line(line.rate_hz, complex(gain) * line.amplitude)
            for line, gain in zip(self.lines, gains, strict=True)
        )
        return series + oscillations(lines, new_rate, series.size), new_rate, lines

    def density(self) -> tuple[FloatArray, FloatArray]:
        """Frequencies and one-sided power density of the rest."""
        from scipy import fft

        window = hann(self.rest.size)
        spectrum = fft.rfft(self.rest * window)
        density = 2.0 * np.square(np.abs(spectrum)) / (self.rate * float(np.sum(np.square(window))))
        return _grid(density.size, self.rate / self.rest.size), density

    @property
    def first_bin(self) -> int:
        """First bin of the density that mean and drift have left whole: degree d follows about d / pi periods."""
        return max(2, 1 + math.ceil(self.degree / math.pi))

    def density_at_lines(self) -> tuple[FloatArray, FloatArray]:
        """Frequencies and smoothed density of the rest, without the bins that the fit of lines has emptied."""
        at, density = self.density()
        kept = np.ones(at.size)
        for line in self.lines:
            kept[np.abs(at - line.rate_hz) < 2.5 * float(at[1])] = 0.0
        index = np.arange(at.size)
        reach = np.maximum(5, index // 3)
        low = np.clip(index - reach, min(self.first_bin, at.size - 1), at.size - 1)
        high = np.clip(index + reach + 1, low + 1, at.size)
        total, bins = (np.concatenate([[0.0], np.cumsum(each)]) for each in (density * kept, kept))
        bins, total = bins[high] - bins[low], total[high] - total[low]
        return at, np.where(bins > 0.0, total / np.maximum(bins, 1.0), smoothed(density, self.first_bin))

    def slow_density(self) -> float:
        """Density of the rest towards 0 Hz, from the first bins that the drift has left."""
        _, density = self.density()
        first = 1 if self.degree == 1 else self.first_bin
        return float(np.mean(density[first : first + 5])) if density.size > first + 5 else math.nan

    def scatter(
        self, response: Response, lines: tuple[Line, ...], duration_seconds: float, *, fitted: bool = True
    ) -> float:
        """Relative standard uncertainty of the RMS behind a filter, for the scatter over repeats of a duration.

        Lines (as they are behind the filter) count as steady, the rest as Gaussian. Power is added up in bands of
        an octave, and more where those held few independent samples: the power of the very cosines of which the
        filter makes the reading (:meth:`filtered` continues the rest by its mirror image), so that a band
        whose slow deviations are read low by chance is seen to be low by as much. The power that n independent
        samples show is distributed as chi-square, and the truth lies above it by a factor of its own
        (:func:`chi_square_doubt`) that grows quickly as n falls. Neighbours whose densities differ by less than
        3 to 1 are one band. The distances of all bands add up as squares (Graybill & Wang, J. Am. Stat. Assoc. 75,
        1980; from memory), and a line of amplitude a in noise of density P(f) adds ``a^2 P(f) / T`` to the
        variance. What is returned is half of the distance within which the truth lies in 95.4 % of all cases, more
        than one standard deviation where independent samples are few.
        Nearly all cases beyond it lie on one side, that of too low readings; therefore what mean and drift have
        taken from deviations slower than the recording is long is added to the distance as it stands, and
        as uncertain as the power of the slowest band, from which it is told.

        Lines that are not `fitted` are still in the rest and are taken out of its spectrum, behind a window that
        keeps them together.
        """
        at, density = self.density()
        if fitted:
            frequency, power = self._cosines()
            first, degrees_a_bin = self.degree + 1, 1.0
        else:
            for line in lines:
                density[np.abs(at - line.rate_hz) < 4.0 * float(at[1])] = 0.0
            frequency, power = at, density * float(at[1])
            first, degrees_a_bin = self.first_bin - 1, 2.0
        smooth = smoothed(density, self.first_bin)
        gain = np.square(np.abs(response(frequency)))
        lines_power = 0.5 * sum(abs(line.amplitude) ** 2 for line in lines)
        total = float(np.sum(power * gain)) + lines_power
        if total == 0.0:
            return 0.0
        share = duration_seconds / self.duration_seconds
        parts, degrees = _bands(power * gain, gain, first, degrees_a_bin * share)
        above = [(1.0 + 2.0 * chi_square_doubt(each)) ** 2 - 1.0 for each in degrees]
        at_lines = self.density_at_lines()[1] if fitted else smooth
        beside = sum(
            abs(line.amplitude) ** 2 * float(np.interp(line.rate_hz, at, at_lines)) / duration_seconds
            for line in lines
        )
        slow, missing = _missing_gain(response, self.duration_seconds, self.degree)
        lost = abs(float(np.sum(np.interp(slow, at, smooth) * missing))) * float(slow[0])
        lost *= 1.0 + above[0] if above else 1.0
        reach = math.hypot(*(part * factor for part, factor in zip(parts, above, strict=True)))
        highest = 1.0 + (math.hypot(reach, 2.0 * math.sqrt(beside)) + lost) / total
        return 0.5 * (math.sqrt(highest) - 1.0)

    def _cosines(self) -> tuple[FloatArray, FloatArray]:
        """Frequencies and mean squares of the cosines that add up to the rest and its mirror image."""
        from scipy import fft

        size = self.rest.size
        waves = fft.dct(self.rest, norm="ortho") / math.sqrt(size)
        return _grid(size, 0.5 * self.rate / size), np.square(waves)

    def amplitude_spectrum(self) -> tuple[FloatArray, FloatArray]:
        """Frequencies and spectrum of the whole, scaled so that a line's top is its peak amplitude."""
        from scipy import fft

        series = self.rest + oscillations(self.lines, self.rate, self.rest.size)
        window = hann(series.size)
        # Padded fourfold, the top of a line between two bins is met within 1 %; unpadded within 15 %.
        length = fft.next_fast_len((4 if series.size < 100_000 else 1) * series.size, real=True)
        spectrum = 2.0 * np.abs(fft.rfft(series * window, length)) / float(np.sum(window))
        return _grid(spectrum.size, self.rate / length), spectrum


def chi_square_doubt(degrees: float) -> float:
    """Relative uncertainty u of a standard deviation from its degrees of freedom.

    With the probability of 95.45 % the true one lies within ``1 +- 2 u`` of the one found. For many degrees of
    freedom this is ``1 / sqrt(2 degrees)``, the standard deviation; for few it is more.
    """
    from scipy.special import gammainc

    half = max(0.5 * degrees, 1.0)  # one amplitude and phase at the least
    if half > 1e4:
        return 0.5 / math.sqrt(half)

    def within(u: float) -> float:
        most = half / (1.0 - 2.0 * u) ** 2 if u < 0.5 else math.inf
        return float(gammainc(half, most) - gammainc(half, half / (1.0 + 2.0 * u) ** 2))

    low, high = 0.0, 1.0
    while within(high) < _TWO_SIGMAS and high < 1e6:
        high *= 2.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if within(middle) < _TWO_SIGMAS else (low, middle)
    return high


def fast_length(series: FloatArray) -> FloatArray:
    """Leave out a few points at the end (less than 1 %), so that the Fourier transform of the series is fast."""
    from scipy import fft

    size = series.size
    while size > 1 and fft.next_fast_len(size, real=True) != size:
        size -= 1
    return series[:size]


def steady_rms(series: FloatArray, rate: float, lines: tuple[Line, ...]) -> float:
    """RMS of a filtered series, with its lines counted as if they went on for ever.

    Over a finite stretch the mean square of several lines holds their beats. What the stretch holds of them is
    replaced by the sum of their powers, unless the two differ by more than 5 %: then lines so close that the
    stretch cannot tell them apart are among them, and the stretch itself is the better answer.
    """
    square = float(np.mean(np.square(series)))
    if not lines or square == 0.0:
        return math.sqrt(square)
    steady = oscillations(lines, rate, series.size)
    here = float(np.mean(np.square(steady)))
    always = 0.5 * sum(abs(line.amplitude) ** 2 for line in lines)
    if abs(always - here) > 0.05 * here:
        return math.sqrt(square)
    return math.sqrt(float(np.mean(np.square(series - steady))) + always)


def oscillations(lines: tuple[Line, ...], rate: float, points: int) -> FloatArray:
    """Sum of the lines, from time zero on."""
    series = np.zeros(points)
    for line in lines:
        if line.amplitude:
            series += np.real(line.amplitude * oscillation(line.rate_hz / rate, points))
    return series


def beats(lines: tuple[Line, ...], duration_seconds: float) -> FloatArray:
    """Stretches of the sum of the lines, one a row, as other recordings of the same duration would hold them."""
    windows, points = 64, 2048
    # Golden sections of the duration meet all phases of a line evenly, and no line twice at the same ones.
    inside = np.remainder(np.arange(points) * (0.5 * (math.sqrt(5.0) - 1.0)), 1.0)
    time = (np.arange(windows)[:, None] * math.sqrt(2.0) + inside) * duration_seconds
    total = np.zeros(time.shape)
    for line in lines:
        total += abs(line.amplitude) * np.cos(2.0 * np.pi * line.rate_hz * time + np.angle(line.amplitude))
    return total


def whole_periods(lines: tuple[Line, ...], duration_seconds: float, rate: float) -> int:
    """Number of points over which averages of lines are nearest to those of endless lines.

    The stretch is shortened by at most one period of the slowest line of any weight, so that a slow wow of a few
    periods is read over whole periods.
    """
    count = math.floor(duration_seconds * rate)
    sizes = np.array([abs(line.amplitude) for line in lines])
    if sizes.size == 0 or not sizes.any():
        return count
    strong = [line for line, size in zip(lines, sizes, strict=True) if size > 0.05 * sizes.max()]
    slowest = min(line.rate_hz for line in strong)
    least = max(count - math.ceil(rate / slowest), count // 2)
    candidates = np.unique(np.linspace(least, count, min(count - least + 1, 20_000)).astype(np.int64))
    error = np.zeros(candidates.size)
    for line in strong:
        # Over half periods the squares of all phases, the absolute values and their distribution come out right.
        angle = 2.0 * np.pi * line.rate_hz / rate * candidates
        error += abs(line.amplitude) ** 2 * np.abs(np.sin(angle)) / angle
    return int(candidates[error <= error.min() + 1e-6 * float(np.sum(np.square(sizes)))][-1])


def smoothed(density: FloatArray, first: int = 2) -> FloatArray:
    """Density averaged over a third of its frequency to either side, over two bins at least, from `first` on."""
    index = np.arange(density.size)
    reach = np.maximum(2, index // 3)
    total = np.concatenate([[0.0], np.cumsum(density)])
    # Of the first bins, mean and drift have taken most: they are left to those above them, to three at least.
    low = np.clip(index - reach, min(first, density.size - 1), density.size - 1)
    high = np.clip(np.maximum(index + reach + 1, first + 3), low + 1, density.size)
    return np.asarray((total[high] - total[low]) / (high - low))


def _bands(
    power: FloatArray, gain: FloatArray, first: int, degrees_a_bin: float
) -> tuple[list[float], list[float]]:
    """Power in bands of an octave or more, from a first bin on, and the degrees of freedom of each.

    A gain that changes over a band makes its bins count less.
    """
    parts: list[float] = []
    degrees: list[float] = []
    before = math.nan
    while first < power.size:
        last = _end_of_band(gain, first, _FEWEST / degrees_a_bin)
        free = degrees_a_bin * _independent(gain[first:last])
        weight, part = float(np.sum(gain[first:last])), float(np.sum(power[first:last]))
        first = last
        if weight == 0.0 or part == 0.0:
            continue
        level = part / weight
        if parts and 1.0 / _ALIKE < level / before < _ALIKE:
            # Satterthwaite: the variances of both add up.
            whole = parts[-1] + part
            degrees[-1] = whole**2 / (parts[-1] ** 2 / degrees[-1] + part**2 / free)
            parts[-1] = whole
        else:
            parts.append(part)
            degrees.append(free)
        before = level
    return parts, degrees


def _end_of_band(gain: FloatArray, first: int, fewest: float) -> int:
    """End of a band from `first` on: an octave, or more until its gain weighs as much as `fewest` even bins."""
    least = min(max(2 * first, first + 1), gain.size)
    sums, squares = np.cumsum(gain[first:]), np.cumsum(gain[first:] ** 2)
    enough = np.flatnonzero(sums[least - first - 1 :] ** 2 >= fewest * squares[least - first - 1 :])
    alive = enough[squares[least - first - 1 :][enough] > 0.0]
    return least + int(alive[0]) if alive.size else gain.size


def _independent(gain: FloatArray) -> float:
    """Bins that a gain weighs as much as if it were even over so many."""
    square = float(np.sum(gain**2))
    return float(np.sum(gain)) ** 2 / square if square > 0.0 else 0.0


def _missing_gain(response: Response, duration_seconds: float, degree: int) -> tuple[FloatArray, FloatArray]:
    """Slow frequencies, evenly spaced, and what of a filter's gain of power a recording does not see there.

    Sinusoids of all phases go the way of the rest: mean and drift are taken off, the ends are mirrored, the filter
    acts. With a recording of few periods less comes out than the filter alone would let pass.
    """
    from scipy import fft

    points = 512
    periods = np.arange(1, 65) / 4.0
    turn = 2.0 * np.pi * periods[:, None] * ((np.arange(points) + 0.5) / points - 0.5)
    waves = np.concatenate([np.cos(turn), np.sin(turn)])
    place = (2.0 * np.arange(points) + 1.0) / points - 1.0
    for row in np.linalg.qr(np.polynomial.legendre.legvander(place, degree))[0].T:
        waves -= (waves * row).sum(axis=1)[:, None] * row
    spectrum = fft.rfft(np.concatenate([waves[:, ::-1], waves], axis=1), axis=1)
    spectrum *= response(np.arange(points + 1) / (2.0 * duration_seconds))
    seen = np.square(fft.irfft(spectrum, axis=1)[:, points:]).mean(axis=1)
    frequency = periods / duration_seconds
    return frequency, np.square(np.abs(response(frequency))) - seen[:64] - seen[64:]


def oscillation(cycles_a_point: float, count: int) -> ComplexArray:
    """``exp(2 pi i cycles n)`` as the outer product of two short ones, which is many times faster."""
    short = max(1, math.isqrt(count))
    long = -(-count // short)
    fine = np.exp(2j * np.pi * np.remainder(cycles_a_point * np.arange(short), 1.0))
    coarse = np.exp(2j * np.pi * np.remainder(cycles_a_point * short * np.arange(long), 1.0))
    return np.asarray((coarse[:, None] * fine).reshape(-1)[:count])


def _grid(count: int, step: float) -> FloatArray:
    return np.arange(count, dtype=np.float64) * step


def hann(count: int) -> FloatArray:
    """A Hann window whose samples lie in the middle of their intervals."""
    return np.asarray(0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(count) + 0.5) / count))
