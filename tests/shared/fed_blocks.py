"""Audio fed to a stream in blocks."""

from collections.abc import Sequence

import numpy as np

from tapeemu.processor import Stream
from tapeemu.validation import FloatArray


def in_blocks(stream: Stream, audio: FloatArray, sizes: Sequence[int], *, tail: int) -> FloatArray:
    """Feed blocks of the given sizes, the last one repeated until all is used up, then flush."""
    parts, start, turn = [], 0, 0
    while start < audio.shape[1]:
        size = sizes[min(turn, len(sizes) - 1)]
        parts.append(stream.process(audio[:, start : start + size]))
        start += size
        turn += 1
    parts.append(stream.flush(tail))
    return np.concatenate(parts, axis=1)
