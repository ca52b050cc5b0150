"""Several files brought to a level by one gain, found on their sum, so that their balance stays.

Each is rendered into a spool first (:func:`spool_file`); when all are, the gain is known
(:func:`common_gain_db`) and each becomes its file (:func:`finish_spooled`). Files that lie side by side on the
tape (:mod:`tapeemu.rendering.side_by_side`) wait in spools too.
"""

import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tapeemu.errors import AudioError, counted
from tapeemu.files.reader import AudioReader
from tapeemu.rendering.delivery import Delivery, encoding_for, gain_for
from tapeemu.rendering.file_rendering import FileRendering, Rendered, block_frames
from tapeemu.rendering.job import Job
from tapeemu.rendering.loudness import LevelMeter, usual_mask
from tapeemu.rendering.progress import Progress
from tapeemu.rendering.result import RenderReport, fill_result, open_result, report_of
from tapeemu.rendering.spool import add_from_spool, named_spool, read_spool, write_spool

__all__ = ["Spooled", "common_gain_db", "finish_spooled", "spool_file"]


@dataclass(frozen=True, kw_only=True)
class Spooled:
    """A rendering that waits, as bare samples in a file, for the gain it will get."""

    rendered: Rendered
    spool: Path
    channels: int
    channel_mask: int
    frames: int
    render_seconds: float


def spool_file(source: Path, spool: Path, *, target: Path, job: Job, progress: Progress | None = None) -> Spooled:
    """Put one sound file through a chain, into a file of bare samples.

    Parameters
    ----------
    source : Path
        Input.
    spool : Path
        Made or replaced; it belongs to the caller.
    target : Path
        What the result will be called; only its name counts, which may say the container.
    job : Job
        Chain, tape and delivery.
    progress : callable, optional
        See :data:`tapeemu.rendering.progress.Progress`.
    """
    began = time.perf_counter()
    job.tape()  # refuses a seed, a place or a track that no tape has
    with AudioReader(source) as reader:
        rendering = FileRendering(reader, job, progress)
        encoding_for(target, reader.info, job.delivery)  # refused now, not after the work of all files
        frames = 0
        with named_spool(spool, "w+b") as file:
            for block in rendering.blocks():
                write_spool(file, block, spool)
                frames += block.shape[1]
    return Spooled(
        rendered=rendering.rendered(),
        spool=spool,
        channels=reader.info.channels,
        channel_mask=reader.info.channel_mask,
        frames=frames,
        render_seconds=time.perf_counter() - began,
    )


def common_gain_db(spooled: Sequence[Spooled], delivery: Delivery) -> float:
    """Gain that brings the sum of several renderings to what the delivery asks for.

    Parameters
    ----------
    spooled : sequence of Spooled
        All of one sample rate; mono counts in every channel of the others, which must be alike and feed the
        same speakers.
    delivery : Delivery
        Loudness and true peak wanted.

    Raises
    ------
    AudioError
        If they cannot be added, or their loudness is undefined.
    """
    _refuse_sum(spooled)
    return _gain_of_sum(spooled, delivery, f"the sum of {counted(len(spooled), 'file')}")


def _gain_of_sum(spooled: Sequence[Spooled], delivery: Delivery, what: str) -> float:
    channels = max(each.channels for each in spooled)
    widest = next(each for each in spooled if each.channels == channels)
    meter = LevelMeter(
        sample_rate=widest.rendered.sample_rate, channels=channels, channel_mask=widest.channel_mask
    )
    frames = max(each.frames for each in spooled)
    size = 4 * block_frames(channels)
    for start in range(0, frames, size):
        total = np.zeros((channels, min(size, frames - start)))
        for each in spooled:
            add_from_spool(total, each.spool, channels=each.channels, start_frame=start)
        meter.add(total)
    return gain_for(meter, delivery, what)


def _refuse_sum(spooled: Sequence[Spooled]) -> None:
    """Refuse renderings that cannot be added: of several rates, channel counts or layouts."""
    first = spooled[0].rendered
    channels = max(each.channels for each in spooled)
    for each in spooled:
        rendered = each.rendered
        if rendered.sample_rate != first.sample_rate:
            raise AudioError(
                f"{rendered.source} has {rendered.sample_rate:,} Hz and {first.source} {first.sample_rate:,} Hz: "
                "their balance cannot be kept by adding them; ask for one sample rate for all"
            )
        if each.channels not in (1, channels):
            raise AudioError(
                f"{rendered.source} has {each.channels} channels and another file {channels}: their balance "
                "cannot be kept by adding them; render them apart"
            )
    widest = [each for each in spooled if each.channels == channels]
    masks = {each.channel_mask or usual_mask(channels): each.rendered.source for each in widest}
    if len(masks) > 1:
        one, other = list(masks.values())[:2]
        raise AudioError(
            f"{one} and {other} feed different speakers: their balance cannot be kept by adding them; render them "
            "apart"
        )


def finish_spooled(
    spooled: Spooled,
    target: Path,
    *,
    gain_db: float | None,
    job: Job,
    before_renaming: Callable[[Path], None] | None = None,
) -> RenderReport:
    """Give a waiting rendering its gain and its file; parameters as for :func:`tapeemu.render_file`.

    Without a gain it gets the one that its own level asks for, if any is asked for.
    """
    began = time.perf_counter()
    rendered = spooled.rendered
    if gain_db is None:
        sets_level = job.delivery.sets_level
        gain_db = _gain_of_sum([spooled], job.delivery, str(rendered.source)) if sets_level else 0.0
    with ExitStack() as stack:
        reader = stack.enter_context(AudioReader(rendered.source))
        writer = stack.enter_context(
            open_result(target, reader, job, expected_frames=spooled.frames, before_renaming=before_renaming)
        )
        spool = stack.enter_context(named_spool(spooled.spool, "rb"))
        blocks = read_spool(spool, spooled.channels, gain_db)
        meter, notes = fill_result(
            writer,
            blocks,
            reader.info,
            job=job,
            length_ratio=rendered.length_ratio,
            lead_frames=rendered.lead_frames,
        )
    return report_of(
        writer,
        meter,
        rendered,
        job=job,
        gain_db=gain_db,
        notes=notes,
        render_seconds=spooled.render_seconds + time.perf_counter() - began,
    )
