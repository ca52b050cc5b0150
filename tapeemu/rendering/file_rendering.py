"""One file through a chain, block by block, in constant memory."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tapeemu.errors import AudioError
from tapeemu.files.reader import AudioReader
from tapeemu.pump import aligned_blocks
from tapeemu.rendering.job import Job
from tapeemu.rendering.metadata import layout_notes
from tapeemu.rendering.progress import Progress
from tapeemu.units import seconds_to_samples
from tapeemu.validation import FloatArray

__all__ = ["FileRendering", "Rendered", "block_frames"]

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
        self._notes = layout_notes(info)
        self._tail = self._tail_samples(job)
        self.sample_rate = job.delivery.sample_rate_hz or info.sample_rate
        self.length_ratio = self._stream.length_ratio * self.sample_rate / info.sample_rate
        self._lead = self._lead_samples(job)
        self.lead_frames = self._lead * self.sample_rate // info.sample_rate
        self.expected_frames = round(info.frames * self.length_ratio + self._tail) + self.lead_frames
        self._frames_in = 0

    def _tail_samples(self, job: Job) -> int:
        rate = self._reader.info.sample_rate
        if job.delivery.tail_seconds is not None:
            return seconds_to_samples(job.delivery.tail_seconds, rate)
        declared = self._stream.tail_samples(job.delivery.tail_level_db)
        longest = seconds_to_samples(_LONGEST_TAIL_SECONDS, rate)
        if declared > longest:
            self._notes += (f"tail cut at {_LONGEST_TAIL_SECONDS:g} s; tail_seconds asks for more",)
        return min(declared, longest)

    def _lead_samples(self, job: Job) -> int:
        """What the chain declares, in so many samples that the lead is whole at the rate of the delivery too."""
        rate = self._reader.info.sample_rate
        declared = self._stream.lead_samples(job.delivery.tail_level_db)
        step = rate // math.gcd(rate, self.sample_rate)
        lead = min(-(-declared // step), self._stream.latency // step) * step
        if lead:
            self._notes += (f"begins {lead / rate:.6g} s before its input, with what the chain sounds early",)
        return lead

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
        if not self._frames_in:
            raise AudioError(f"{info.path} holds no audio; there is nothing to render")

    def _resampled(self, blocks: Iterator[FloatArray]) -> Iterator[FloatArray]:
        import soxr

        info = self._reader.info
        resampler = soxr.ResampleStream(
            info.sample_rate, self.sample_rate, info.channels, dtype="float64", quality="VHQ"
        )
        for block in blocks:
            yield np.ascontiguousarray(resampler.resample_chunk(np.ascontiguousarray(block.T)).T)
        rest = resampler.resample_chunk(np.zeros((0, info.channels)), last=True)
        yield np.ascontiguousarray(rest.T)
