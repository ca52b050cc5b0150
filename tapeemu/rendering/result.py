"""The file of a rendering: measured while it is written, refused if it would clip, with what its input said."""

import math
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from tapeemu.files.encodings import AudioInfo
from tapeemu.files.reader import AudioReader
from tapeemu.files.writer import AudioWriter
from tapeemu.rendering.delivery import clipping_notes, encoding_for
from tapeemu.rendering.file_rendering import Rendered
from tapeemu.rendering.job import Job
from tapeemu.rendering.loudness import LevelMeter
from tapeemu.rendering.metadata import carry_chunks, described, provenance, tags_with
from tapeemu.validation import FloatArray

__all__ = ["RenderReport", "fill_result", "open_result", "report_of"]


@dataclass(frozen=True, kw_only=True)
class RenderReport:
    """What was done to one file; `notes` tells what could not be kept or was cut.

    `clipped_samples` is 0 unless clipping was allowed.
    """

    source: Path
    target: Path
    sample_rate: int
    channels: int
    encoding: str
    seconds_in: float
    seconds_out: float
    latency_samples: int
    gain_db: float
    loudness_lufs: float
    peak_dbfs: float
    true_peak_dbtp: float
    clipped_samples: int
    seed: int | None
    chain: dict[str, Any]
    render_seconds: float
    notes: tuple[str, ...] = ()

    @property
    def times_real_time(self) -> float:
        """Seconds of audio made per second of work."""
        return self.seconds_out / self.render_seconds if self.render_seconds > 0.0 else math.inf

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; what is not finite becomes None."""
        plain = asdict(self) | {"source": str(self.source), "target": str(self.target)}
        return {
            key: None if isinstance(value, float) and not math.isfinite(value) else value
            for key, value in plain.items()
        }


def open_result(
    target: Path,
    reader: AudioReader,
    job: Job,
    *,
    expected_frames: int,
    before_renaming: Callable[[Path], None] | None,
) -> AudioWriter:
    """Begin the file of a result; it takes its name when its context is left without an error.

    Parameters
    ----------
    target : Path
        What it will be called.
    reader : AudioReader
        The input.
    job : Job
        Chain, tape and delivery.
    expected_frames : int
        Frames to come, as far as known.
    before_renaming : callable, optional
        Called with the path of the whole file just before it takes its name.

    Raises
    ------
    OutputError, ParameterError
        If it cannot be made there, or not as the delivery asks.
    """
    info = reader.info
    return AudioWriter(
        target,
        sample_rate=job.delivery.sample_rate_hz or info.sample_rate,
        channels=info.channels,
        encoding=encoding_for(target, info, job.delivery),
        seed=job.seed or 0,
        dither=job.delivery.dither,
        overwrite=job.delivery.overwrite,
        channel_mask=info.channel_mask,
        tags=tags_with(reader.tags, provenance(job)),
        expected_frames=expected_frames,
        before_renaming=before_renaming,
    )


def fill_result(
    writer: AudioWriter,
    blocks: Iterable[FloatArray],
    info: AudioInfo,
    *,
    job: Job,
    length_ratio: float,
    lead_frames: int = 0,
) -> tuple[LevelMeter, tuple[str, ...]]:
    """Write all blocks of a result and what its input (`info`) says of itself.

    Returns
    -------
    LevelMeter
        What was written.
    tuple of str
        What was clipped or could not be kept.

    Raises
    ------
    OutputError
        If it would clip, or cannot be written.
    """
    meter = LevelMeter(sample_rate=writer.sample_rate, channels=info.channels, channel_mask=info.channel_mask)
    for block in blocks:
        meter.add(block)
        writer.write(block)
    clipped = clipping_notes(writer, meter, job.delivery)
    carried = carry_chunks(writer, info, length_ratio=length_ratio, lead_frames=lead_frames, levels=meter)
    return meter, (*clipped, *carried)


def report_of(
    writer: AudioWriter,
    meter: LevelMeter,
    rendered: Rendered,
    *,
    job: Job,
    gain_db: float,
    notes: tuple[str, ...],
    render_seconds: float,
) -> RenderReport:
    """What was done to a file; `notes` come behind those of the rendering."""
    return RenderReport(
        source=rendered.source,
        target=writer.path,
        sample_rate=writer.sample_rate,
        channels=writer.channels,
        encoding=writer.encoding.label,
        seconds_in=rendered.seconds_in,
        seconds_out=writer.frames / writer.sample_rate,
        latency_samples=rendered.latency,
        gain_db=gain_db,
        loudness_lufs=meter.integrated_lufs,
        peak_dbfs=meter.peak_dbfs,
        true_peak_dbtp=meter.true_peak_dbtp,
        clipped_samples=writer.clipped,
        seed=job.seed,
        chain=described(job.tape()),
        notes=(*rendered.notes, *notes),
        render_seconds=render_seconds,
    )
