"""Weighted least squares of lines at given multiples of one phase, with their uncertainties."""

import math
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from measure.validation import FloatArray

__all__ = ["ComplexArray", "SolvedLines", "edge_weights", "solve_lines"]

ComplexArray = npt.NDArray[np.complex128]

_CHUNK = 1 << 13


class SolvedLines(NamedTuple):
    """What a fit of lines found.

    Attributes
    ----------
    lines : ndarray of complex, shape (lines,)
        Complex peak amplitudes; entry 0 is the steady component, and real.
    sigmas : ndarray, shape (lines,)
        Standard uncertainty of each amplitude, from the noise around its line.
    residual : ndarray, shape (samples,)
        What the lines leave.
    mean_square : float
        Weighted mean square of the signal without its steady component.
    """

    lines: ComplexArray
    sigmas: FloatArray
    residual: FloatArray
    mean_square: float


class _Sums(NamedTuple):
    """Weighted sums over time that the normal equations consist of, with ``E_k = exp(j m_k phase)``."""

    differences: ComplexArray  # of E_i conj(E_k)
    sums: ComplexArray  # of E_i E_k
    projections: ComplexArray  # of E_k times the signal


def solve_lines(
    signal: FloatArray, phase: FloatArray, multiples: FloatArray, rate: float, weights: FloatArray
) -> SolvedLines:
    """Fit ``cos(m * phase)`` and ``sin(m * phase)`` for each multiple m.

    Parameters
    ----------
    signal, phase, weights : ndarray, shape (samples,)
        The recording, the phase of its tone in radians, and the weight of each sample.
    multiples : ndarray, shape (lines,)
        The first must be 0, the steady component.
    rate : float
        Samples per second.
    """
    harmonic = bool(np.all(multiples == np.arange(len(multiples))))
    if harmonic:
        sums = _sums_of_harmonics(signal, phase, len(multiples), weights)
    else:
        sums = _sums_of_lines(signal, phase, multiples, weights)
    solution = _solution(sums)
    # a cos + b sin = Re[(a - jb) e^(j angle)]
    lines = solution[: len(multiples)].astype(np.complex128)
    lines[1:] -= 1j * solution[len(multiples) :]
    residual = np.empty(len(signal))
    for piece in _pieces(len(signal)):
        model = _harmonics(phase[piece], lines) if harmonic else _lines(phase[piece], multiples, lines)
        residual[piece] = signal[piece] - model
    mean = float(np.sum(weights * signal) / np.sum(weights))
    mean_square = float(np.sum(weights * (signal - mean) ** 2) / np.sum(weights))
    centre_hz = float(phase[-1] - phase[0]) / (2.0 * np.pi) / (len(signal) - 1) * rate
    return SolvedLines(lines, _line_sigmas(residual, weights, multiples * centre_hz, rate), residual, mean_square)


def edge_weights(n: int) -> FloatArray:
    """Return the weights of n samples: a Tukey window, half of it tapered.

    The tails of what is not modelled fall with the cube of the distance, and the noise of the estimate rises by
    10 % only.
    """
    edge = np.minimum(np.arange(n) + 0.5, n - np.arange(n) - 0.5) / (0.25 * n)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.minimum(edge, 1.0)))


def _pieces(n: int) -> Iterator[slice]:
    return (slice(start, min(start + _CHUNK, n)) for start in range(0, n, _CHUNK))


# Plain sums, and no matrix products: those wait for threads on a busy machine.


def _sums_of_harmonics(signal: FloatArray, phase: FloatArray, count: int, weights: FloatArray) -> _Sums:
    """Sums for the multiples 0, 1, 2, ...: only sums and differences of them matter, so few are needed."""
    moments = np.zeros(2 * count - 1, dtype=np.complex128)
    projections = np.zeros(count, dtype=np.complex128)
    for piece in _pieces(len(signal)):
        step = np.exp(1j * phase[piece])
        power = weights[piece].astype(np.complex128)
        for m in range(2 * count - 1):
            moments[m] += power.sum()
            if m < count:
                projections[m] += (power * signal[piece]).sum()
            power *= step
    k = np.arange(count)
    apart = moments[np.abs(k[:, None] - k)]
    return _Sums(np.where(k[:, None] >= k, apart, np.conj(apart)), moments[k[:, None] + k], projections)


def _sums_of_lines(signal: FloatArray, phase: FloatArray, multiples: FloatArray, weights: FloatArray) -> _Sums:
    """Sums for any multiples."""
    count = len(multiples)
    differences = np.zeros((count, count), dtype=np.complex128)
    sums = np.zeros((count, count), dtype=np.complex128)
    projections = np.zeros(count, dtype=np.complex128)
    for piece in _pieces(len(signal)):
        turning = np.exp(1j * multiples[:, None] * phase[piece])
        weighted = turning * weights[piece]
        for i in range(count):
            differences[i] += (weighted[i] * np.conj(turning)).sum(axis=1)
            sums[i] += (weighted[i] * turning).sum(axis=1)
        projections += (weighted * signal[piece]).sum(axis=1)
    return _Sums(differences, sums, projections)


def _solution(known: _Sums) -> FloatArray:
    """Amplitudes of the cosines, then of the sines without the first, by the normal equations."""
    # cos cos = Re(E_i E_k* + E_i E_k) / 2, and likewise for the others.
    cosines = 0.5 * (known.differences + known.sums).real
    sines = 0.5 * (known.differences - known.sums).real
    mixed = 0.5 * (known.sums - known.differences).imag  # rows cosine, columns sine
    gram = np.block([[cosines, mixed[:, 1:]], [mixed[:, 1:].T, sines[1:, 1:]]])
    right = np.concatenate([known.projections.real, known.projections.imag[1:]])
    return np.asarray(np.linalg.lstsq(gram, right, rcond=1e-12)[0])


def _harmonics(phase: FloatArray, lines: ComplexArray) -> FloatArray:
    model = np.full(len(phase), lines[0].real)
    step = np.exp(1j * phase)
    power = np.ones_like(step)
    for line in lines[1:]:
        power *= step
        model += (line * power).real
    return model


def _lines(phase: FloatArray, multiples: FloatArray, lines: ComplexArray) -> FloatArray:
    model = np.full(len(phase), lines[0].real)
    for multiple, line in zip(multiples[1:], lines[1:], strict=True):
        model += (line * np.exp(1j * multiple * phase)).real
    return model


def _line_sigmas(residual: FloatArray, weights: FloatArray, lines_hz: FloatArray, rate: float) -> FloatArray:
    """Standard uncertainty of a line's amplitude from the noise density around it."""
    n = len(residual)
    power = np.abs(np.fft.rfft(residual * weights)) ** 2
    reach = max(20, int(40.0 * n / rate))
    running = np.concatenate([[0.0], np.cumsum(power)])
    sigmas = np.empty(len(lines_hz))
    for i, line in enumerate(lines_hz):
        # A phase that runs backwards (no tone was followed, or one above half the rate) has negative lines.
        centre = min(round(abs(line) * n / rate), len(power) - 1)
        low, high = max(1, centre - reach), min(len(power), centre + reach + 1)
        # The fit has emptied the bins of the line itself; they would dilute the mean.
        gap_low, gap_high = max(low, centre - 2), min(high, centre + 3)
        inside = running[high] - running[gap_high] + running[gap_low] - running[low]
        bins = (high - gap_high) + (gap_low - low)
        sigmas[i] = math.sqrt(max(0.0, 2.0 * inside / max(bins, 1))) / float(np.sum(weights))
    return sigmas
