"""A recording through a stream: feed blocks, drop the latency, drain the tail.

The whole-file call, the rendering of files and the renders of a comparison all go through here. It stands
below :mod:`tapeemu.processor`, whose whole-file call is made of it, and knows of a stream only the public
`process` and `flush`.
"""

from collections.abc import Iterable, Iterator
from typing import Any, Protocol, TypeVar

import numpy as np
import numpy.typing as npt

__all__ = ["aligned_blocks", "aligned_length", "cut"]

AnyAudio = TypeVar("AnyAudio", bound=npt.NDArray[np.floating[Any]])


class _Stream(Protocol):
    @property
    def latency(self) -> int: ...
    @property
    def length_ratio(self) -> float: ...
    def process(self, block: AnyAudio, /) -> AnyAudio: ...
    def flush(self, tail_samples: int = 0, /) -> npt.NDArray[np.floating[Any]]: ...


def aligned_length(stream: _Stream, samples: int, tail_samples: int) -> int:
    """Samples that come out for a recording of so many, with its tail and without the latency."""
    return round(samples * stream.length_ratio) + tail_samples


def cut(audio: AnyAudio, block_samples: int) -> Iterator[AnyAudio]:
    """A recording in blocks of one length, the last one shorter; one empty block of an empty recording."""
    for start in range(0, max(audio.shape[-1], 1), block_samples):
        yield audio[..., start : start + block_samples]  # type: ignore[misc]


def aligned_blocks(
    stream: _Stream,
    blocks: Iterable[AnyAudio],
    *,
    tail_samples: int,
    silence_samples: int,
    lead_samples: int = 0,
) -> Iterator[AnyAudio]:
    """Put a recording through a stream that nothing was fed to, aligned with the recording to the sample.

    Parameters
    ----------
    stream : Stream
        Flushed at the end.
    blocks : iterable of ndarray, shape (channels, samples) or (samples,)
        The recording, one block at least.
    tail_samples : int
        How much longer than the recording the sound shall be.
    silence_samples : int
        Longest block of silence that is fed at the end, so that a long tail is not held in memory at once.
    lead_samples : int
        How much earlier than the recording the sound shall begin, at most the latency.

    Yields
    ------
    ndarray
        Blocks of the result as they come, some of them empty: the lead, and :func:`aligned_length` samples.
    """
    late, fed, made = stream.latency - lead_samples, 0, 0
    block: Any = None

    def aligned(part: Any) -> Any:
        nonlocal late, made
        made += part.shape[-1]
        skipped = min(late, part.shape[-1])
        late -= skipped
        return part[..., skipped:]

    for block in blocks:
        fed += block.shape[-1]
        yield aligned(stream.process(block))
    wanted = stream.latency + aligned_length(stream, fed, tail_samples)
    if block is not None and wanted - made > silence_samples:
        silence = np.zeros((*block.shape[:-1], silence_samples), dtype=block.dtype)
        while wanted - made > silence_samples:
            fed += silence_samples
            yield aligned(stream.process(silence))
    # A flush counts its tail from the end of all that was fed, silence included.
    behind = wanted - stream.latency - aligned_length(stream, fed, 0)
    yield aligned(stream.flush(max(behind, 0))[..., : wanted - made])
