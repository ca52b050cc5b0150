"""What detectors read of steady lines amid Gaussian fluctuation, and how such a reading scatters.

A detector sees the sum of a known series, the lines, and of noise whose standard deviation and spectrum are known.
Its reading over endless time follows from the distribution of that sum, averaged over the instants of the series;
how far the reading of a finite stretch lies from it, from the noise's first- and second-order part.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from measure.parts.detectors import TWO_SIGMA_FRACTION
from measure.validation import FloatArray

__all__ = ["Kind", "Mixture"]

Kind = Literal["two_sigma", "mean", "rms"]

_POINTS = 6000
# Second-order scatter of the detector over that of the RMS for Gaussian noise alone. Of the Hermite expansion of
# the indicator of a threshold at 1.96 the orders 4, 6 and 8 weigh 6, 21 and 10 % of order 2, the RMS's own, times
# what is left of the integrals of the correlation's powers 4, 6 and 8 against power 2, about one half. Of the
# absolute value order 4 weighs 1/12.
_SECOND_ORDER = {"two_sigma": 1.1, "mean": 1.02, "rms": 1.0}


@dataclass(frozen=True, kw_only=True, eq=False)
class Mixture:
    """Lines as a series, and the standard deviation of the Gaussian noise that is added to them.

    Attributes
    ----------
    steady : ndarray, shape (points,)
        The sum of the lines, evenly sampled; zeros where there are none.
    rate : float
        Points per second.
    sigma : float
        Standard deviation of the noise, in the unit of `steady`.
    """

    steady: FloatArray
    rate: float
    sigma: float

    def reading(self, kind: Kind) -> float:
        """What the detector reads of lines and noise over endless time, the lines as they are in the series."""
        from scipy.special import erf

        line, sigma = self._sampled()
        if kind == "rms":
            return math.hypot(math.sqrt(float(np.mean(np.square(line)))), sigma)
        if kind == "mean":
            if sigma == 0.0:
                return float(np.mean(np.abs(line)))
            x = line / sigma
            folded = math.sqrt(2.0 / math.pi) * np.exp(-0.5 * x**2) + x * erf(x / math.sqrt(2.0))
            return sigma * float(np.mean(folded))
        return self._threshold(line, sigma)

    def scatter(self, kind: Kind, *, density: tuple[FloatArray, FloatArray], doubt_of_sigma: float) -> float:
        """Standard uncertainty of a reading over the duration of the series.

        Parameters
        ----------
        kind : str
            Detector.
        density : (ndarray, ndarray)
            Frequencies, and the one-sided power density of the noise there, unit squared per Hz.
        doubt_of_sigma : float
            Relative standard uncertainty of the noise's standard deviation.

        Notes
        -----
        To first order the noise shifts the reading by its mean over time, weighted by the detector's derivative:
        where the line is near the threshold for two-sigma, by the line's sign for the mean, by the line for the
        RMS. The second order is the change of the noise's own standard deviation.
        """
        from scipy import fft
        from scipy.special import erf

        if self.sigma == 0.0:
            return 0.0
        stride = max(1, self.steady.size // 32_768)
        line = self.steady[: self.steady.size // stride * stride : stride]
        value = self.reading(kind)
        sigma = max(self.sigma, 3e-3 * float(np.max(np.abs(line), initial=0.0)))
        if kind == "two_sigma":
            above = np.exp(-0.5 * ((value - line) / sigma) ** 2)
            below = np.exp(-0.5 * ((value + line) / sigma) ** 2)
            weight = (above - below) / max(float(np.mean(above + below)), 1e-300)
        elif kind == "mean":
            weight = erf(line / (math.sqrt(2.0) * sigma))
        else:
            weight = line / value
        spectrum = np.square(np.abs(fft.rfft(weight))) / line.size**2
        step = self.rate / stride / line.size
        at = np.arange(spectrum.size) * step
        first = float(np.sum(spectrum * np.interp(at, *density, right=0.0))) * step
        slightly = 1e-2 * self.sigma
        more = Mixture(steady=self.steady, rate=self.rate, sigma=self.sigma + slightly).reading(kind)
        second = (more - value) / slightly * self.sigma * doubt_of_sigma * _SECOND_ORDER[kind]
        if kind == "two_sigma":
            # Near the crests alone the noise is asked, so of its independent samples only that share counts.
            asked = (value - line) * above + (value + line) * below
            second *= min(math.sqrt(float(np.mean(np.square(asked)))) / max(float(np.mean(asked)), 1e-300), 3.0)
        return math.hypot(math.sqrt(first), second)

    def _sampled(self) -> tuple[FloatArray, float]:
        """Some thousand values at instants that are no multiple of any short period, nor of the series' own.

        Where a line's period is a whole number of points, the points meet the same few phases over and over, and
        the crest that a threshold cuts lies between them: so the series is read between its points, by cubics.
        """
        points = self.steady.size
        if points < 4 or not np.any(self.steady):
            return (np.zeros(1) if not np.any(self.steady) else self.steady), self.sigma
        index = np.arange(min(_POINTS, points))
        turns = np.remainder(index * (0.5 * (math.sqrt(5.0) - 1.0)), 1.0)
        place = 1.0 + (index + turns) * ((points - 3.0) / index.size)
        whole = np.minimum(place.astype(np.int64), points - 3)
        part = place - whole
        a, b, c, d = (self.steady[whole + shift] for shift in (-1, 0, 1, 2))
        bent = b + 0.5 * part * (c - a + part * (2.0 * a - 5.0 * b + 4.0 * c - d + part * (3.0 * (b - c) + d - a)))
        return bent, self.sigma

    @staticmethod
    def _threshold(line: FloatArray, sigma: float) -> float:
        """Level that the absolute value exceeds for 5 % of the time."""
        from scipy.special import ndtr

        if sigma == 0.0:
            return float(np.quantile(np.abs(line), 1.0 - TWO_SIGMA_FRACTION))
        low, high = 0.0, float(np.max(np.abs(line))) + 4.0 * sigma
        level = math.sqrt(float(np.quantile(np.abs(line), 1.0 - TWO_SIGMA_FRACTION)) ** 2 + (1.96 * sigma) ** 2)
        for _ in range(60):
            over, under = (level - line) / sigma, (level + line) / sigma
            excess = float(np.mean(ndtr(-over) + ndtr(-under))) - TWO_SIGMA_FRACTION
            low, high = (level, high) if excess > 0.0 else (low, level)
            density = float(np.mean(np.exp(-0.5 * over**2) + np.exp(-0.5 * under**2)))
            step = excess * sigma * math.sqrt(2.0 * math.pi) / max(density, 1e-300)
            if abs(step) < 1e-9 * high:
                break
            level = level + step if low < level + step < high else 0.5 * (low + high)
        return level
