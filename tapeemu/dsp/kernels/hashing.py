"""The source of all randomness: counters, mixed until every bit depends on every bit of theirs.

A random number is a function of a key and of a counter, so that any place of a tape is reached without what
lies before it. Keys are derived from a seed, from what they are for, and from a number. Integer arithmetic is
unsigned throughout; it wraps on purpose. Counter-based mixing: Steele, Lea, Flood, "Fast splittable
pseudorandom number generators", OOPSLA 2014.
"""

import math

import numpy as np

from tapeemu.dsp.kernels.arrays import Precise, Precises1
from tapeemu.dsp.kernels.compilation import kernel

__all__ = ["fill_white", "mix_hash", "stream_key", "uniform", "white"]

_WEYL = np.uint64(0x9E3779B97F4A7C15)
_MIX_1 = np.uint64(0xBF58476D1CE4E5B9)
_MIX_2 = np.uint64(0x94D049BB133111EB)
_SHIFT_30 = np.uint64(30)
_SHIFT_27 = np.uint64(27)
_SHIFT_31 = np.uint64(31)
_SHIFT_11 = np.uint64(11)
_SHIFT_8 = np.uint64(8)
_SHIFT_48 = np.uint64(48)
_EVEN_BYTES = np.uint64(0x00FF00FF00FF00FF)
_ONE_PER_PAIR = np.uint64(0x0001000100010001)
_PER_2_53 = 2.0**-53
# Eight uniform bytes: mean 8 * 127.5, variance 8 * (256**2 - 1) / 12.
_MEAN = 1020.0
_SCALE = 1.0 / math.sqrt((256.0**2 - 1.0) * (8.0 / 12.0))


@kernel()
def mix_hash(key: np.uint64, index: np.uint64) -> np.uint64:
    """Finaliser of the SplitMix64 generator: 64 well mixed bits of a key and a counter."""
    z = key + index * _WEYL
    z = (z ^ (z >> _SHIFT_30)) * _MIX_1
    z = (z ^ (z >> _SHIFT_27)) * _MIX_2
    return z ^ (z >> _SHIFT_31)


@kernel()
def stream_key(seed: np.uint64, purpose: np.uint64, number: np.uint64) -> np.uint64:
    """Key of one random part: of a seed, of what the part is for, and of its number.

    The seed is mixed before anything is added to it: neighbouring seeds have nothing in common.
    """
    return mix_hash(mix_hash(mix_hash(_WEYL, seed), purpose), number)


@kernel()
def uniform(key: np.uint64, index: np.uint64) -> Precise:
    """Uniform number in (0, 1), of a key and a counter: 53 bits."""
    return (np.double(np.int64(mix_hash(key, index) >> _SHIFT_11)) + 0.5) * _PER_2_53


@kernel()
def white(key: np.uint64, index: np.uint64) -> Precise:
    """White noise of unit variance, of a key and a counter: the sum of the eight bytes of a hash.

    It is within 4.9 of zero, so everything filtered from it is bounded.
    """
    z = mix_hash(key, index)
    # Pairs of bytes in four lanes of 16 bits; the product gathers the lanes' sum, at most 2040, in the uppermost.
    total = (((z & _EVEN_BYTES) + ((z >> _SHIFT_8) & _EVEN_BYTES)) * _ONE_PER_PAIR) >> _SHIFT_48
    return (np.double(np.int64(total)) - _MEAN) * _SCALE


@kernel()
def fill_white(key: np.uint64, first: np.int64, out: Precises1) -> None:
    """Write :func:`white` of successive counters.

    Parameters
    ----------
    key : uint64
        Of the noise.
    first : int64
        Counter of the first number; negative ones too.
    out : ndarray, shape (numbers,)
        Gets the noise.
    """
    start = np.uint64(first)
    for i in range(np.uintp(out.size)):
        out[i] = white(key, start + np.uint64(i))
