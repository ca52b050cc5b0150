"""Keys of the random parts of a tape."""

from enum import IntEnum

__all__ = ["Purpose", "stream_key"]


class Purpose(IntEnum):
    """What a key is for: parts of one tape that share its seed, and seeds drawn from seeds.

    Kernels that derive keys by themselves hold the same numbers.
    """

    TAPE = 1
    PLACE = 2
    ROTATING_PART = 3
    FLUTTER = 4
    SCRAPE = 5
    AZIMUTH = 6
    LEVEL_PART = 7
    LEVEL = 8
    CHANNEL_LEVEL = 9
    DROPOUTS = 10
    ADDED_NOISE = 11
    HEAD_AZIMUTH = 31
    TRACK_SKEW = 32


def stream_key(seed: int, purpose: Purpose, number: int = 0) -> int:
    """64-bit key of one random part, from the seed, what the part is for, and its number.

    Parameters
    ----------
    seed : int
        0 or more; its lowest 64 bits count.
    purpose : Purpose
        Of the part.
    number : int
        Any; its lowest 64 bits count.
    """
    import numpy as np

    from tapeemu.dsp.kernels import hashing

    return int(hashing.stream_key(np.uint64(seed % 2**64), np.uint64(purpose), np.uint64(number % 2**64)))
