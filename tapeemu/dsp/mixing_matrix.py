"""Parts of a lossless recursive network: orthogonal mixing, its slow rotation, and lengths of lines.

All matrices are Sylvester's Hadamard matrix with signs and a permutation, so that they cost L log2 L
additions for L lines. What is mixed is orthogonal whatever the permutation, the signs and the rotation;
the network around it is then lossless for any set of delays, and stable with any loss, even while the
rotation moves (Schlecht & Habets, "Time-varying feedback matrices in feedback delay networks", J. Acoust.
Soc. Am. 138, 2015).
"""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from tapeemu.validation import FloatArray

__all__ = [
    "Mixing",
    "prime_delays",
    "random_mixing",
    "scattered_delays",
]

IntArray = npt.NDArray[np.int64]


class Mixing(NamedTuple):
    """An orthogonal matrix in the form in which it is applied: mix, reorder, scale.

    Attributes
    ----------
    order : ndarray of int, shape (lines,)
        Row of the Hadamard product that becomes each row of the result.
    gains : ndarray, shape (lines,)
        Sign of each row of the result, times the scale factor of the Hadamard matrix.
    """

    order: IntArray
    gains: FloatArray


def random_mixing(lines: int, rng: np.random.Generator) -> Mixing:
    """Draw a permutation and signs."""
    order = rng.permutation(lines).astype(np.int64)
    return Mixing(order, rng.choice([-1.0, 1.0], lines) / np.sqrt(lines))


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


def scattered_delays(lines: int, span: float, rng: np.random.Generator) -> IntArray:
    """One delay at random in each of `lines` equal parts of the span, in random order.

    Returns
    -------
    ndarray of int, shape (lines,)
        Samples, from 0 to less than `span` (all 0 for a span of 0).
    """
    return np.floor((rng.permutation(lines) + rng.random(lines)) * span / lines).astype(np.int64)
