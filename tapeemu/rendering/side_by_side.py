"""Several files on tracks beside each other of one tape, rendered together, block by block, in constant memory.

A result lasts until the last of the files that it hears has ended, and as much longer as the tail: so what leaks
from a neighbour that sounds longer stays in it. It hears as many places away as the chain has stages of crosstalk.
"""

import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import numpy as np

from tapeemu.chain import Chain
from tapeemu.errors import AudioError, ParameterError
from tapeemu.files.reader import AudioReader
from tapeemu.processor import Processor
from tapeemu.pump import aligned_blocks, aligned_length
from tapeemu.rendering.balance import Spooled
from tapeemu.rendering.delivery import encoding_for
from tapeemu.rendering.file_rendering import (
    Rendered,
    Resampler,
    block_frames,
    lead_and_note,
    refuse_empty,
    tail_and_note,
)
from tapeemu.rendering.job import Job
from tapeemu.rendering.metadata import layout_notes
from tapeemu.rendering.progress import Progress
from tapeemu.rendering.spool import named_spool, write_spool
from tapeemu.rendering.tape_stream import MapStems, TapeStream, crossings
from tapeemu.units import seconds_to_samples
from tapeemu.validation import MAX_CHANNELS, FloatArray

__all__ = ["jobs_side_by_side", "spool_side_by_side"]


def jobs_side_by_side(job: Job, sources: Sequence[Path]) -> list[Job]:
    """The job of each of several files that lie side by side: its track, and what lies before and behind it.

    Raises
    ------
    ParameterError
        If no file could hear another.
    """
    reach = crossings(job.chain)
    if not job.chain.traits.crosses_stems:
        raise ParameterError(
            "side_by_side is set, but the chain has no stage of crosstalk that sounds, and stems hear each other "
            "through no other; add one, or leave it out"
        )
    if len(sources) < 2:
        raise ParameterError(
            f"side_by_side is set, but lies between two stems or more, and {len(sources)} is given; give more "
            "stems, or leave it out"
        )
    names = [source.name for source in sources]
    placed = _needs_all_stems(job.chain)
    return [
        replace(
            job.on_track(number),
            # Where a stem lies depends on the channels of all that lie before it.
            before=tuple(names[0 if placed else max(number - reach, 0) : number]),
            behind=tuple(names[number + 1 : number + 1 + reach]),
        )
        for number in range(len(sources))
    ]


def _needs_all_stems(processor: Processor) -> bool:
    """Whether a stage needs all stems though none hears another: a head at an angle delays each by its track."""
    if isinstance(processor, Chain):
        return any(_needs_all_stems(stage.processor) for stage in processor.sounding)
    return processor.traits.crosses_stems and not processor.traits.tracks_heard


def spool_side_by_side(
    sources: Sequence[Path],
    spools: Sequence[Path],
    *,
    targets: Sequence[Path],
    job: Job,
    jobs: int = 1,
    progress: Progress | None = None,
) -> list[Spooled]:
    """Put sound files through a chain together, each into a file of bare samples.

    Parameters
    ----------
    sources : sequence of Path
        Inputs, in the order in which they lie across the tape: the channels of each beside those of the next.
    spools : sequence of Path
        Made or replaced; they belong to the caller.
    targets : sequence of Path
        What the results will be called; only the names count, which may say the container.
    job : Job
        Chain, tape and delivery; the track is that of the first file.
    jobs : int
        Files at a time, in threads, between the stages where they hear each other; no bit depends on it.
    progress : callable, optional
        See :data:`tapeemu.rendering.progress.Progress`.

    Raises
    ------
    AudioError, OutputError, ParameterError
        If one of them cannot be read, or they do not go together.
    """
    began = time.perf_counter()
    with ExitStack() as stack:
        readers = [stack.enter_context(AudioReader(source)) for source in sources]
        for target, reader in zip(targets, readers, strict=True):
            encoding_for(target, reader.info, job.delivery)  # refused now, not after the work of all files
        map_stems = stack.enter_context(ThreadPoolExecutor(jobs)).map if jobs > 1 else map
        tape = _Tape(readers, job, map_stems, progress)
        files = [stack.enter_context(named_spool(spool, "w+b")) for spool in spools]
        frames = [0 for _ in files]
        for blocks in tape.blocks():
            for number, block in enumerate(blocks):
                write_spool(files[number], block, spools[number])
                frames[number] += block.shape[1]
    seconds = (time.perf_counter() - began) / len(spools)
    return [
        Spooled(
            rendered=rendered,
            spool=spool,
            channels=reader.info.channels,
            channel_mask=reader.info.channel_mask,
            frames=count,
            render_seconds=seconds,
        )
        for rendered, spool, reader, count in zip(tape.rendered(), spools, readers, frames, strict=True)
    ]


class _Stem:
    """A file that is read in step with others: silence once it has ended."""

    def __init__(self, reader: AudioReader, size: int, progress: Progress | None) -> None:
        self.info = reader.info
        self.frames = 0
        self.ended = False
        self._blocks = reader.blocks(size)
        self._size = size
        self._progress = progress
        self._waiting = np.zeros((self.info.channels, 0))

    def next(self) -> FloatArray:
        """The next frames, fewer than a block only where the file ends."""
        while not self.ended and self._waiting.shape[1] < self._size:
            block = next(self._blocks, None)
            if block is None:
                self.ended = True
                refuse_empty(self.info, self.frames + self._waiting.shape[1])
            else:
                self._waiting = np.concatenate([self._waiting, block], axis=1)
        block, self._waiting = self._waiting[:, : self._size], self._waiting[:, self._size :].copy()
        self.frames += block.shape[1]
        self.ended = self.ended and not self._waiting.size
        if self._progress is not None and block.size:
            self._progress(self.info.path, self.frames, self.info.frames)
        return block


class _Tape:
    """The stream of a chain for all files, and the blocks that come out for each."""

    def __init__(
        self, readers: Sequence[AudioReader], job: Job, map_stems: MapStems, progress: Progress | None
    ) -> None:
        infos = [reader.info for reader in readers]
        _refuse_unlike(readers)
        rate, channels = infos[0].sample_rate, [info.channels for info in infos]
        chain = job.tape()
        self._stream = TapeStream(
            chain if isinstance(chain, Chain) else Chain([chain]),
            sample_rate=rate,
            stems=channels,
            start_sample=seconds_to_samples(job.start_seconds, rate),
            track=job.track,
            map_stems=map_stems,
        )
        self._tail, tail_note = tail_and_note(self._stream, job)
        self._lead, lead_note = lead_and_note(self._stream, job)
        self._notes = (*tail_note, *lead_note)
        self._rate, self._rate_out = rate, job.delivery.sample_rate_hz or rate
        self._size = block_frames(sum(channels))
        self._stems = [_Stem(reader, self._size, progress) for reader in readers]
        self._reach = crossings(chain)

    def blocks(self) -> Iterator[list[FloatArray]]:
        """A block of each result, aligned with the inputs, at the sample rate of the delivery; some are empty."""
        resamplers = [Resampler(stem.info, self._rate_out) for stem in self._stems]
        made = 0
        for block in aligned_blocks(
            self._stream,
            self._read(),
            tail_samples=self._tail,
            lead_samples=self._lead,
            silence_samples=self._size,
        ):
            end, parts = 0, []
            for number, (stem, resampler) in enumerate(zip(self._stems, resamplers, strict=True)):
                end += stem.info.channels
                wanted = self._length(number)
                kept = block.shape[1] if wanted is None else max(wanted - made, 0)
                parts.append(resampler.of(block[end - stem.info.channels : end, :kept]))
            made += block.shape[1]
            yield parts
        yield [resampler.rest() for resampler in resamplers]

    def rendered(self) -> list[Rendered]:
        """What is known of each once all blocks have been taken."""
        return [
            Rendered(
                source=stem.info.path,
                sample_rate=self._rate_out,
                latency=self._stream.latency,
                lead_frames=self._lead * self._rate_out // self._rate,
                length_ratio=self._stream.length_ratio * self._rate_out / self._rate,
                seconds_in=stem.frames / self._rate,
                notes=(*layout_notes(stem.info), *self._notes, *self._longer(number)),
            )
            for number, stem in enumerate(self._stems)
        ]

    def _read(self) -> Iterator[FloatArray]:
        """The channels of all files in a row, until the last file has ended."""
        while not all(stem.ended for stem in self._stems):
            blocks = [stem.next() for stem in self._stems]
            samples = max(block.shape[1] for block in blocks)
            yield np.concatenate([np.pad(block, ((0, 0), (0, samples - block.shape[1]))) for block in blocks])

    def _heard(self, number: int) -> list[_Stem]:
        """The files that may be heard in a result, its own among them."""
        return self._stems[max(number - self._reach, 0) : number + 1 + self._reach]

    def _length(self, number: int) -> int | None:
        """Samples of a result at the rate of its input; None while a file that it hears goes on."""
        heard = self._heard(number)
        if not all(stem.ended for stem in heard):
            return None
        return self._lead + aligned_length(self._stream, max(stem.frames for stem in heard), self._tail)

    def _longer(self, number: int) -> tuple[str, ...]:
        stem, longest = self._stems[number], max(self._heard(number), key=lambda each: each.frames)
        if longest.frames == stem.frames:
            return ()
        seconds = (longest.frames - stem.frames) / self._rate
        return (f"lasts {seconds:.6g} s longer than its input, as long as {longest.info.path.name} beside it",)


def _refuse_unlike(readers: Sequence[AudioReader]) -> None:
    """Refuse files that cannot lie on one tape."""
    first = readers[0].info
    for info in (reader.info for reader in readers):
        if info.sample_rate != first.sample_rate:
            raise AudioError(
                f"{info.path} has {info.sample_rate:,} Hz and {first.path} {first.sample_rate:,} Hz, but stems "
                "side by side need one sample rate; bring them to one rate first, or render them apart"
            )
    channels = sum(reader.info.channels for reader in readers)
    if channels > MAX_CHANNELS:
        raise AudioError(
            f"the stems have {channels} channels together, but side by side lie {MAX_CHANNELS} at most; render "
            "them in groups"
        )
