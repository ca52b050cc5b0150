"""Sound files through a chain: one, or several on the same tape."""

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import BinaryIO

from tapeemu.errors import OutputError, ParameterError
from tapeemu.files.encodings import AudioInfo
from tapeemu.files.part_files import PartFolder, check_target
from tapeemu.files.reader import AudioReader
from tapeemu.processor import Processor
from tapeemu.rendering.balance import common_gain_db, finish_spooled, spool_file
from tapeemu.rendering.delivery import Delivery, gain_for
from tapeemu.rendering.file_rendering import FileRendering
from tapeemu.rendering.job import Job
from tapeemu.rendering.loudness import LevelMeter
from tapeemu.rendering.progress import Progress
from tapeemu.rendering.result import RenderReport, fill_result, open_result, report_of
from tapeemu.rendering.side_by_side import jobs_side_by_side, spool_side_by_side
from tapeemu.rendering.spool import nameless_spool, read_spool, write_spool
from tapeemu.validation import FloatArray

__all__ = ["render_file", "render_files", "render_job"]


def render_file(
    source: str | Path,
    chain: Processor,
    target: str | Path,
    *,
    delivery: Delivery | None = None,
    seed: int | None = None,
    start_seconds: float = 0.0,
    track: int = 0,
    preset: str | None = None,
    progress: Progress | None = None,
    before_renaming: Callable[[Path], None] | None = None,
) -> RenderReport:
    """Put one sound file through a chain.

    Parameters
    ----------
    source, target : str or Path
        Input, and output. The container is that of `delivery`; else the one that the target's suffix names; else
        the input's.
    chain : Processor
        Usually a :class:`tapeemu.Chain`.
    delivery : Delivery, optional
        Format, tail and level of the result; as the input by default.
    seed : int, optional
        Which tape: replaces the seeds inside the chain, see :meth:`Processor.with_seed`.
    start_seconds : float
        Place on the tape where the file starts, to the nearest sample.
    track : int
        Track of the tape: what a chain adds of its own is independent from track to track.
    preset : str, optional
        Name of the preset that the chain comes from, for the comment in the file, see
        :func:`tapeemu.rendering.metadata.provenance`.
    progress : callable, optional
        See :data:`tapeemu.rendering.progress.Progress`.
    before_renaming : callable, optional
        Called with the path of the whole result just before it takes the name `target`.

    Returns
    -------
    RenderReport
        Levels, latency, clipped samples, seed and settings.

    Raises
    ------
    AudioError, OutputError, ParameterError
        If the input cannot be read, the output cannot be written or would clip, or an argument breaks a rule.
        No partial file is left.
    """
    job = Job(
        chain=chain,
        delivery=delivery or Delivery(),
        seed=seed,
        start_seconds=start_seconds,
        track=track,
        preset=preset,
    )
    return render_job(Path(source), Path(target), job, progress=progress, before_renaming=before_renaming)


def render_job(
    source: Path,
    target: Path,
    job: Job,
    *,
    progress: Progress | None = None,
    before_renaming: Callable[[Path], None] | None = None,
) -> RenderReport:
    """Put one sound file through a job; the other parameters and the errors are those of :func:`render_file`."""
    began = time.perf_counter()
    job.tape()  # refuses a seed, a place or a track that no tape has
    _refuse_own_input(source, target)
    with ExitStack() as stack:
        reader = stack.enter_context(AudioReader(source))
        rendering = FileRendering(reader, job, progress)
        writer = stack.enter_context(
            open_result(
                target, reader, job, expected_frames=rendering.expected_frames, before_renaming=before_renaming
            )
        )
        blocks, gain_db = rendering.blocks(), 0.0
        if job.delivery.sets_level:
            spool = stack.enter_context(nameless_spool(target.parent))
            meter = _spooled_levels(spool, blocks, reader.info, rendering.sample_rate, target)
            gain_db = gain_for(meter, job.delivery, str(source))
            blocks = read_spool(spool, reader.info.channels, gain_db)
        meter, notes = fill_result(
            writer,
            blocks,
            reader.info,
            job=job,
            length_ratio=rendering.length_ratio,
            lead_frames=rendering.lead_frames,
        )
    return report_of(
        writer,
        meter,
        rendering.rendered(),
        job=job,
        gain_db=gain_db,
        notes=notes,
        render_seconds=time.perf_counter() - began,
    )


def _spooled_levels(
    spool: BinaryIO, blocks: Iterator[FloatArray], info: AudioInfo, sample_rate: int, target: Path
) -> LevelMeter:
    """Put a rendering aside and measure it: its gain is known only at the end."""
    meter = LevelMeter(sample_rate=sample_rate, channels=info.channels, channel_mask=info.channel_mask)
    for block in blocks:
        meter.add(block)
        write_spool(spool, block, target)
    return meter


def render_files(
    sources: Sequence[str | Path],
    chain: Processor,
    *,
    targets: Sequence[str | Path],
    delivery: Delivery | None = None,
    seed: int | None = None,
    start_seconds: float = 0.0,
    track: int = 0,
    preset: str | None = None,
    side_by_side: bool = False,
    progress: Progress | None = None,
) -> list[RenderReport]:
    """Put several sound files through a chain, on the same tape: same seed, same time origin.

    Parameters
    ----------
    sources, targets : sequence of str or Path
        Inputs, and an output for each. Each lies on a track of its own, beginning with `track`.
    side_by_side : bool
        They are rendered together: where the chain has crosstalk, the channels of all files lie beside each other
        in the order given, so that each file hears its neighbours. Each result lasts as long as what it hears.

    Other parameters, the result and the errors are those of :func:`render_file`; the first file that
    fails ends the call, files finished before it stay. :mod:`tapeemu.rendering.batch` goes on to the end instead.
    """
    if len(sources) != len(targets):
        raise ParameterError(f"{len(sources)} sources but {len(targets)} targets were given; give one for each")
    job = Job(
        chain=chain,
        delivery=delivery or Delivery(),
        seed=seed,
        start_seconds=start_seconds,
        track=track,
        preset=preset,
    )
    pairs = [(Path(source), Path(target)) for source, target in zip(sources, targets, strict=True)]
    if side_by_side or (pairs and job.delivery.keep_balance):
        return _together(pairs, job, progress, side_by_side=side_by_side)
    return [
        render_job(source, target, job.on_track(number), progress=progress)
        for number, (source, target) in enumerate(pairs)
    ]


def _together(
    pairs: list[tuple[Path, Path]], job: Job, progress: Progress | None, *, side_by_side: bool
) -> list[RenderReport]:
    """Render all before any gets its file: their sum decides on the gain, or they hear each other."""
    sources, targets = [source for source, _ in pairs], [target for _, target in pairs]
    if side_by_side:
        jobs = jobs_side_by_side(job, sources)
    else:
        jobs = [job.on_track(number) for number in range(len(pairs))]
    for source, target in pairs:
        _refuse_own_input(source, target)
        check_target(target, overwrite=job.delivery.overwrite)
    with PartFolder(targets[0].parent) as folder:
        spools = [folder / str(number) for number in range(len(pairs))]
        if side_by_side:
            spooled = spool_side_by_side(sources, spools, targets=targets, job=job, progress=progress)
        else:
            spooled = [
                spool_file(source, spool, target=target, job=own, progress=progress)
                for source, spool, target, own in zip(sources, spools, targets, jobs, strict=True)
            ]
        gain_db = common_gain_db(spooled, job.delivery) if job.delivery.keep_balance else None
        return [
            finish_spooled(each, target, gain_db=gain_db, job=own)
            for each, target, own in zip(spooled, targets, jobs, strict=True)
        ]


def _refuse_own_input(source: Path, target: Path) -> None:
    try:
        same = source.samefile(target)
    except (OSError, ValueError):  # one of them is not there, which is told where it matters
        return
    if same:
        raise OutputError(f"{target} is the input itself; write to another file or folder")
