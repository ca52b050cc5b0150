"""Which speaker each channel feeds: what a format fixes, and the places of channels in an Ogg file.

Everywhere else in the package channels stand in the order of the bits of a WAVE_FORMAT_EXTENSIBLE header.
"""

import numpy as np

from tapeemu.validation import FloatArray

__all__ = ["fixed_mask", "from_file_order", "to_file_order"]

# Speakers by the number of channels where the format fixes them: FLAC (RFC 9639, 9.1.3), Vorbis (Vorbis I, 4.3.9).
_FIXED_MASKS = {1: 0x4, 2: 0x3, 3: 0x7, 4: 0x33, 5: 0x37, 6: 0x3F, 7: 0x70F, 8: 0x63F}
# Place in a Vorbis or Opus file of each channel in the order of all other containers. The library leaves it to us.
_OGG_PLACES = {
    3: (0, 2, 1),
    5: (0, 2, 1, 3, 4),
    6: (0, 2, 1, 5, 3, 4),
    7: (0, 2, 1, 6, 5, 3, 4),
    8: (0, 2, 1, 7, 5, 6, 3, 4),
}


def fixed_mask(container: str, channels: int) -> int | None:
    """Speakers as bits of a channel mask where the container fixes them, 0 if it knows none; else None."""
    return _FIXED_MASKS.get(channels, 0) if container in ("FLAC", "OGG") else None


def from_file_order(block: FloatArray, container: str) -> FloatArray:
    """A block of shape (channels, samples) as it lies in a file, in the order used here."""
    places = _OGG_PLACES.get(len(block)) if container == "OGG" else None
    return block if places is None else block[list(places)]


def to_file_order(block: FloatArray, container: str) -> FloatArray:
    """A block of shape (channels, samples) as it must lie in a file."""
    places = _OGG_PLACES.get(len(block)) if container == "OGG" else None
    return block if places is None else block[np.argsort(places)]
