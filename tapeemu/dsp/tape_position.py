"""Keys of the random parts of a tape, and exact places on it.

Integer arithmetic throughout: hour ten is as exact as second one.
"""

import zlib
from fractions import Fraction

import numpy as np

__all__ = ["ExactRate", "stream_key"]


def stream_key(seed: int, *place: int | str) -> int:
    """64-bit key of one random part, from the seed and the part's name and number."""
    words = [seed & 0xFFFFFFFF, seed >> 32]
    for part in place:
        words.append(part if isinstance(part, int) else zlib.crc32(part.encode()))
    return int(np.random.SeedSequence(words).generate_state(1, np.uint64)[0])


class ExactRate:
    """An exact rate per sample: where a sample of the tape stands, whatever the hour.

    Parameters
    ----------
    rate : Fraction
        Turns, or nodes, per sample.
    """

    def __init__(self, rate: Fraction) -> None:
        self._numerator, self._denominator = rate.numerator, rate.denominator

    def split(self, sample: int) -> tuple[int, float]:
        """Whole and fractional part (0 to 1) of where a sample stands."""
        whole, rest = divmod(sample * self._numerator, self._denominator)
        return whole, rest / self._denominator

    def part(self, sample: int) -> float:
        """The fractional part alone."""
        return (sample * self._numerator % self._denominator) / self._denominator
