"""One file through a chain, block by block, in constant memory."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tapeemu.errors import AudioError
from tapeemu.files.encodings import AudioInfo
from tapeemu.files.reader import AudioReader
from tapeemu.processor import Stream
from tapeemu.pump import aligned_blocks
from tapeemu.rendering.job import Job
from tapeemu.rendering.metadata import layout_notes
from tapeemu.rendering.progress import Progress
from tapeemu.units import seconds_to_samples
from tapeemu.validation import FloatArray

__all__ = [
    "FileRendering",
    "Rendered",
    "Resampler",
    "block_frames",
    "lead_and_note",
    "refuse_empty",
    "tail_and_note",
]

_BLOCK_SAMPLES = 2**16  # of all channels together, so that memory does not grow with their count
_SHORTEST_BLOCK = 256
_LONGEST_TAIL_SECONDS = 60.0


def block_frames(channels: int) -> int:
    """Frames of a block of so many channels."""
    return max(_BLOCK_SAMPLES // channels, _SHORTEST_BLOCK)


@dataclass(frozen=True, kw_only=True)
class Rendered:
    """What is known of a rendering besides its samples.

    Attributes
    ----------
    source : Path
        The input.
    sample_rate : int
        Of the result.
    latency : int
        Samples that were dropped at its beginning, at the rate of the input.
    lead_frames : int
        Frames of the result before the input begins.
    length_ratio : float
        Samples that came out for one that went in.
    seconds_in : float
        Duration of the input.
    notes : tuple of str
        What was assumed or cut.
    """

    source: Path
    sample_rate: int
    latency: int
    lead_frames: int
    length_ratio: float
    seconds_in: float
    notes: tuple[str, ...]


class FileRendering:
    """The stream of a chain for one file, and the blocks that come out of it.

    Parameters
    ----------
    reader : AudioReader
        The file.
    job : Job
        Chain, tape and delivery.
    progress : callable, optional
        See :data:`tapeemu.rendering.progress.Progress`.
    """

    def __init__(self, reader: AudioReader, job: Job, progress: Progress | None) -> None:
        info = reader.info
        self._reader = reader
        self._progress = progress
        self._stream = job.tape().stream(
            sample_rate=info.sample_rate,
            channels=info.channels,
            start_sample=seconds_to_samples(job.start_seconds, info.sample_rate),
            track=job.track,
        )
        self.sample_rate = job.delivery.sample_rate_hz or info.sample_rate
        self.length_ratio = self._stream.length_ratio * self.sample_rate / info.sample_rate
        self._tail, tail_note = tail_and_note(self._stream, job)
        self._lead, lead_note = lead_and_note(self._stream, job)
        self._notes = (*layout_notes(info), *tail_note, *lead_note)
        self.lead_frames = self._lead * self.sample_rate // info.sample_rate
        self.expected_frames = round(info.frames * self.length_ratio + self._tail) + self.lead_frames
        self._frames_in = 0

    def blocks(self) -> Iterator[FloatArray]:
        """The result, aligned with the input, at the sample rate of the delivery.

        Raises
        ------
        AudioError
            If the file holds no audio, or breaks off.
        """
        size = block_frames(self._reader.info.channels)
        aligned = aligned_blocks(
            self._stream,
            self._read(size),
            tail_samples=self._tail,
            lead_samples=self._lead,
            silence_samples=size,
        )
        return aligned if self.sample_rate == self._reader.info.sample_rate else self._resampled(aligned)

    def rendered(self) -> Rendered:
        """What is known once all blocks have been taken."""
        return Rendered(
            source=self._reader.path,
            sample_rate=self.sample_rate,
            latency=self._stream.latency,
            lead_frames=self.lead_frames,
            length_ratio=self.length_ratio,
            seconds_in=self._frames_in / self._reader.info.sample_rate,
            notes=self._notes,
        )

    def _read(self, size: int) -> Iterator[FloatArray]:
        info = self._reader.info
        for block in self._reader.blocks(size):
            yield block
            # Told when the next block is asked for: by then the result of this one is written.
            self._frames_in += block.shape[1]
            if self._progress is not None:
                self._progress(info.path, self._frames_in, info.frames)
        refuse_empty(info, self._frames_in)

    def _resampled(self, blocks: Iterator[FloatArray]) -> Iterator[FloatArray]:
        resampler = Resampler(self._reader.info, self.sample_rate)
        for block in blocks:
            yield resampler.of(block)
        yield resampler.rest()


class Resampler:
    """From the rate of a file to that of its result, block by block; where they are one, blocks just pass."""

    def __init__(self, info: AudioInfo, sample_rate: int) -> None:
        self._channels = info.channels
        self._stream: Any = None
        if sample_rate != info.sample_rate:
            import soxr

            self._stream = soxr.ResampleStream(
                info.sample_rate, sample_rate, info.channels, dtype="float64", quality="VHQ"
            )

    def of(self, block: FloatArray) -> FloatArray:
        """What comes out for a block of shape (channels, samples)."""
        return block if self._stream is None else self._resampled(block, last=False)

    def rest(self) -> FloatArray:
        """What is still inside at the end."""
        silence = np.zeros((self._channels, 0))
        return silence if self._stream is None else self._resampled(silence, last=True)

    def _resampled(self, block: FloatArray, *, last: bool) -> FloatArray:
        frames = self._stream.resample_chunk(np.ascontiguousarray(block.T), last=last)
        return np.ascontiguousarray(frames.T)


def refuse_empty(info: AudioInfo, frames: int) -> None:
    """Refuse a file of which no frame could be read."""
    if not frames:
        raise AudioError(f"{info.path} holds no audio; there is nothing to render")


def tail_and_note(stream: Stream, job: Job) -> tuple[int, tuple[str, ...]]:
    """Samples by which a result outlasts its input, and a note where that is not all of it."""
    if job.delivery.tail_seconds is not None:
        return seconds_to_samples(job.delivery.tail_seconds, stream.sample_rate), ()
    declared = stream.tail_samples(job.delivery.tail_level_db)
    longest = seconds_to_samples(_LONGEST_TAIL_SECONDS, stream.sample_rate)
    cut = (f"tail cut at {_LONGEST_TAIL_SECONDS:g} s; tail_seconds asks for more",)
    return min(declared, longest), cut if declared > longest else ()


def lead_and_note(stream: Stream, job: Job) -> tuple[int, tuple[str, ...]]:
    """Samples by which a result begins before its input, whole at the delivery's rate too, and a note of it."""
    rate = int(stream.sample_rate)
    declared = stream.lead_samples(job.delivery.tail_level_db)
    step = rate // math.gcd(rate, job.delivery.sample_rate_hz or rate)
    lead = min(-(-declared // step), stream.latency // step) * step
    note = (f"begins {lead / rate:.6g} s before its input, with what the chain sounds early",)
    return lead, note if lead else ()
