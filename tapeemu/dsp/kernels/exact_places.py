"""Exact places on the tape: where a sample stands on another grid, whatever the hour.

A rate per sample is held in fixed point, a whole part and 128 bits behind the point, and multiplied with the
64-bit index of the sample in integers: the place is within 2**-64 of a node of the exact one, for every index.
Integer arithmetic wraps on purpose. Long multiplication and division: any textbook.
"""

import numpy as np

from tapeemu.dsp.kernels.arrays import Hashes1, Precise
from tapeemu.dsp.kernels.compilation import kernel

__all__ = ["place_of", "set_rate", "turns_of"]

_0 = np.uint64(0)
_1 = np.uint64(1)
_SHIFT_11 = np.uint64(11)
_SHIFT_32 = np.uint64(32)
_LOW_32 = np.uint64(0xFFFFFFFF)
_PER_2_53 = 2.0**-53


@kernel()
def set_rate(rate_hz: Precise, sample_rate: Precise, words: Hashes1) -> None:
    """Divide two rates to 128 bits behind the point.

    Long division by halves: twice a remainder less the divisor is exact in floating point, so no bit is lost.

    Parameters
    ----------
    rate_hz : float
        Nodes, or turns, per second; 0 or more, below 2**53 sample rates.
    sample_rate : float
        Samples per second.
    words : ndarray, shape (3,)
        Gets the quotient: whole part, first and last 64 bits behind the point.
    """
    scaled = sample_rate
    steps = 0
    while scaled <= rate_hz:
        scaled = 2.0 * scaled
        steps += 1
    rest = rate_hz
    whole = _0
    for _ in range(steps):
        scaled = 0.5 * scaled
        whole = whole + whole
        if rest >= scaled:
            rest = rest - scaled
            whole = whole + _1
    words[0] = whole
    for word in range(1, 3):
        bits = _0
        for _ in range(64):
            rest = 2.0 * rest
            bits = bits + bits
            if rest >= sample_rate:
                rest = rest - sample_rate
                bits = bits + _1
        words[word] = bits


@kernel()
def _upper_half(a: np.uint64, b: np.uint64) -> np.uint64:
    """Upper 64 bits of the product of two unsigned words."""
    a_low = a & _LOW_32
    a_high = a >> _SHIFT_32
    b_low = b & _LOW_32
    b_high = b >> _SHIFT_32
    crossed = a_high * b_low + ((a_low * b_low) >> _SHIFT_32)
    other = a_low * b_high + (crossed & _LOW_32)
    return a_high * b_high + (crossed >> _SHIFT_32) + (other >> _SHIFT_32)


@kernel()
def place_of(sample: np.int64, words: Hashes1) -> tuple[np.int64, Precise]:
    """Whole and fractional part of a sample's index times a rate.

    Parameters
    ----------
    sample : int64
        Any; negative ones too.
    words : ndarray, shape (3,)
        From :func:`set_rate`.

    Returns
    -------
    whole : int64
        Rounded down; modulo 2**64.
    fraction : float
        From 0 up to, and not including, 1: 53 bits.
    """
    index = np.uint64(sample)
    behind = words[1] * index
    whole = words[0] * index + _upper_half(words[1], index)
    added = _upper_half(words[2], index)
    if sample < 0:
        # An index below zero stands for itself less 2**64.
        whole = whole - words[1]
        added = added - words[2]
        # The sign of `added` goes on to the whole part; it is -1 or, for a word of zeros, nothing.
        if words[2] > _0:
            whole = whole - _1
    total = behind + added
    if total < behind:
        whole = whole + _1
    return np.int64(whole), np.double(np.int64(total >> _SHIFT_11)) * _PER_2_53


@kernel()
def turns_of(sample: np.int64, words: Hashes1) -> Precise:
    """The fractional part alone of a sample's index times a rate; arguments as for :func:`place_of`."""
    index = np.uint64(sample)
    added = _upper_half(words[2], index)
    if sample < 0:
        added = added - words[2]
    behind = words[1] * index + added
    return np.double(np.int64(behind >> _SHIFT_11)) * _PER_2_53
