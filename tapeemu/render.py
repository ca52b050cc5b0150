"""Files through chains: block by block, in constant memory, all stems on the same tape."""

import math
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np

from tapeemu import riff_chunks
from tapeemu.audio_file import CONTAINERS, AudioInfo, AudioReader, AudioWriter, Encoding, choose_encoding
from tapeemu.errors import AudioError, OutputError, ParameterError
from tapeemu.loudness import LevelMeter
from tapeemu.processor import Processor, Settings, setting
from tapeemu.units import db_to_gain
from tapeemu.validation import FloatArray, check_sample_rate

__all__ = ["Delivery", "RenderReport", "render_file", "render_files", "target_in"]

BLOCK = 2**15
_LONGEST_TAIL_SECONDS = 60.0

Progress = Callable[[Path, int, int], None]
"""Called with the source, the input frames done, and all of them (0 where the header does not know)."""


class Delivery(Settings):
    """What the files that come out must be like.

    Attributes
    ----------
    container, depth : str or None
        Keys of :data:`tapeemu.audio_file.CONTAINERS` and `DEPTHS`; None keeps the input's.
    sample_rate_hz : int or None
        Resample the result to this rate; None keeps the input's.
    tail_seconds : float or None
        How much longer than the input; None takes what the chain declares for `tail_level_db`.
    tail_level_db : float
        Level below the signal at which a tail may end.
    loudness_lufs : float or None
        Integrated loudness (BS.1770) to bring the file to.
    true_peak_dbtp : float or None
        Highest true peak allowed: lowers the gain where `loudness_lufs` would exceed it; alone, brings
        the true peak to this level.
    dither : bool
        Triangular dither where samples become integers of up to 24 bits.
    overwrite : bool
        Replace existing files.
    """

    container: str | None = setting(None, "Container; as the input when left out")
    depth: Literal["16", "24", "32", "float", "double"] | None = setting(None, "Sample depth; as the input")
    sample_rate_hz: int | None = setting(None, "Sample rate; as the input", unit="Hz", ge=8_000, le=384_000)
    tail_seconds: float | None = setting(None, "Longer than the input by", unit="s", ge=0.0, le=600.0)
    tail_level_db: float = setting(-60.0, "Where a tail may end", unit="dB", ge=-120.0, le=0.0)
    loudness_lufs: float | None = setting(None, "Integrated loudness", unit="LUFS", ge=-60.0, le=0.0)
    true_peak_dbtp: float | None = setting(None, "Highest true peak", unit="dBTP", ge=-60.0, le=0.0)
    dither: bool = setting(True, "Triangular dither for integer samples")
    overwrite: bool = setting(False, "Replace existing files")


@dataclass(frozen=True, kw_only=True)
class RenderReport:
    """What was done to one file."""

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


class _Rendering:
    """One file on its way through a chain, as blocks of the result."""

    def __init__(
        self,
        reader: AudioReader,
        chain: Processor,
        delivery: Delivery,
        start_seconds: float,
        progress: Progress | None,
    ) -> None:
        info = reader.info
        self._reader = reader
        self._progress = progress
        self._stream = chain.stream(
            sample_rate=info.sample_rate,
            channels=info.channels,
            start_sample=round(start_seconds * info.sample_rate),
        )
        self.latency = self._stream.latency
        if delivery.tail_seconds is None:
            declared = self._stream.tail_samples(delivery.tail_level_db)
            self._tail = min(declared, round(_LONGEST_TAIL_SECONDS * info.sample_rate))
        else:
            self._tail = round(delivery.tail_seconds * info.sample_rate)
        self.sample_rate = delivery.sample_rate_hz or info.sample_rate
        self.expected_frames = round((info.frames * self._stream.length_ratio + self._tail) * self._rate_ratio)
        self.frames_in = 0

    @property
    def _rate_ratio(self) -> float:
        return self.sample_rate / self._reader.info.sample_rate

    def blocks(self) -> Iterator[FloatArray]:
        """The aligned result, at the sample rate of the delivery."""
        aligned = self._aligned()
        return aligned if self._rate_ratio == 1.0 else self._resampled(aligned)

    def _aligned(self) -> Iterator[FloatArray]:
        late = self.latency
        for block in self._reader.blocks(BLOCK):
            self.frames_in += block.shape[1]
            result = self._stream.advance(block)
            if self._progress is not None:
                self._progress(self._reader.path, self.frames_in, self._reader.info.frames)
            yield result[:, late:]
            late = max(late - result.shape[1], 0)
        if self.frames_in:
            rest = self._stream.drain(self._tail)
            yield rest[:, late:]

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


def _gain_for(meter: LevelMeter, delivery: Delivery, source: Path) -> float:
    """Gain in decibels that brings a rendering to what the delivery asks for."""
    if meter.true_peak == 0.0:
        return 0.0
    limits = []
    if delivery.loudness_lufs is not None:
        loudness = meter.integrated_lufs
        if not math.isfinite(loudness):
            raise AudioError(
                f"{source}: the loudness is undefined (shorter than 0.4 s, or below the gate at -70 LUFS), so it "
                "cannot be brought to a target; set a true peak instead"
            )
        limits.append(delivery.loudness_lufs - loudness)
    if delivery.true_peak_dbtp is not None:
        limits.append(delivery.true_peak_dbtp - meter.true_peak_dbtp)
    return min(limits, default=0.0)


def render_file(
    source: str | Path,
    chain: Processor,
    target: str | Path,
    *,
    delivery: Delivery | None = None,
    seed: int | None = None,
    start_seconds: float = 0.0,
    progress: Progress | None = None,
) -> RenderReport:
    """Put one sound file through a chain.

    Parameters
    ----------
    source, target : str or Path
        Input, and output; the output's container follows `delivery`, not its suffix.
    chain : Processor
        Usually a :class:`tapeemu.Chain`.
    delivery : Delivery, optional
        Format, tail and level of the result; as the input by default.
    seed : int, optional
        Which tape: replaces the seeds inside the chain, see :meth:`Processor.with_seed`.
    start_seconds : float
        Place on the tape where the file starts, to the nearest sample.
    progress : callable, optional
        See :data:`Progress`.

    Returns
    -------
    RenderReport
        Levels, latency, clipped samples, seed and settings.

    Raises
    ------
    AudioError, OutputError, ParameterError
        If the input cannot be read, the output cannot be written, or an argument breaks a rule. No
        partial file is left.
    """
    return render_files(
        [source],
        chain,
        targets=[target],
        delivery=delivery,
        seed=seed,
        start_seconds=start_seconds,
        progress=progress,
    )[0]


def render_files(
    sources: Sequence[str | Path],
    chain: Processor,
    *,
    targets: Sequence[str | Path],
    delivery: Delivery | None = None,
    seed: int | None = None,
    start_seconds: float = 0.0,
    progress: Progress | None = None,
) -> list[RenderReport]:
    """Put several sound files through a chain, on the same tape: same seed, same time origin.

    Parameters
    ----------
    sources, targets : sequence of str or Path
        Inputs, and an output for each.

    Other parameters, the result and the errors are those of :func:`render_file`; the first file that
    fails ends the call, files finished before it stay.
    """
    delivery = Delivery() if delivery is None else delivery
    if len(sources) != len(targets):
        raise ParameterError(f"{len(sources)} sources but {len(targets)} targets were given; give one for each")
    tape = chain if seed is None else chain.with_seed(seed)
    reports = []
    for source, target in zip(map(Path, sources), map(Path, targets), strict=True):
        if target.exists() and source.exists() and target.samefile(source):
            raise OutputError(f"{target} is the input itself; write to another file or folder")
        reports.append(_render_one(source, target, tape, delivery, seed, start_seconds, progress))
    return reports


def target_in(folder: Path, source: Path, delivery: Delivery) -> Path:
    """Name of a source's result in a folder: the same, with the suffix of the container asked for."""
    if delivery.container is None:
        return folder / source.name
    return folder / f"{source.stem}{CONTAINERS.get(delivery.container, ('', source.suffix))[1]}"


def _render_one(
    source: Path,
    target: Path,
    chain: Processor,
    delivery: Delivery,
    seed: int | None,
    start_seconds: float,
    progress: Progress | None,
) -> RenderReport:
    began = time.perf_counter()
    with ExitStack() as stack:
        reader = stack.enter_context(AudioReader(source))
        encoding = choose_encoding(reader.info, container=delivery.container, depth=delivery.depth)
        rendering = _Rendering(reader, chain, delivery, start_seconds, progress)
        writer = stack.enter_context(
            AudioWriter(
                target,
                sample_rate=rendering.sample_rate,
                channels=reader.info.channels,
                encoding=encoding,
                seed=seed or 0,
                dither=delivery.dither,
                overwrite=delivery.overwrite,
                tags=reader.tags,
                chunks=_carried(reader.info, rendering.sample_rate, encoding),
                expected_frames=rendering.expected_frames,
            )
        )
        blocks = rendering.blocks()
        gain_db = 0.0
        if delivery.loudness_lufs is not None or delivery.true_peak_dbtp is not None:
            # The gain is known only at the end, so the rendering waits in a file without a name.
            spool = stack.enter_context(_spool(target.parent))
            meter = LevelMeter(sample_rate=rendering.sample_rate, channels=reader.info.channels)
            for block in blocks:
                meter.add(block)
                _spool_write(spool, block, target)
            gain_db = _gain_for(meter, delivery, source)
            blocks = _spool_read(spool, reader.info.channels, db_to_gain(gain_db))
        meter = LevelMeter(sample_rate=rendering.sample_rate, channels=reader.info.channels)
        frames = 0
        for block in blocks:
            meter.add(block)
            writer.write(block)
            frames += block.shape[1]
        if rendering.frames_in == 0:
            raise AudioError(f"{source} holds no audio; nothing to render")
    return RenderReport(
        source=source,
        target=target,
        sample_rate=rendering.sample_rate,
        channels=reader.info.channels,
        encoding=writer.encoding.label,
        seconds_in=rendering.frames_in / reader.info.sample_rate,
        seconds_out=frames / rendering.sample_rate,
        latency_samples=rendering.latency,
        gain_db=gain_db,
        loudness_lufs=meter.integrated_lufs,
        peak_dbfs=meter.peak_dbfs,
        true_peak_dbtp=meter.true_peak_dbtp,
        clipped_samples=writer.clipped,
        seed=seed,
        chain=chain.to_dict(),
        render_seconds=time.perf_counter() - began,
    )


def _carried(info: AudioInfo, sample_rate: int, encoding: Encoding) -> list[tuple[bytes, bytes]]:
    """Metadata chunks of the input as they must stand in the output."""
    check_sample_rate(sample_rate)
    carried = []
    for identifier, body in riff_chunks.carried_chunks(info.path):
        content = body
        if identifier == b"bext":
            content = riff_chunks.rescaled_time_reference(content, sample_rate / info.sample_rate)
            content = riff_chunks.with_coding_history(
                content, sample_rate=sample_rate, bits=encoding.bits or 32, channels=info.channels
            )
        carried.append((identifier, content))
    return carried


def _spool(folder: Path) -> Any:
    try:
        return tempfile.TemporaryFile(dir=folder)
    except OSError as error:
        raise OutputError(f"{folder} cannot be written to ({error.strerror}); choose another folder") from None


def _spool_write(spool: Any, block: FloatArray, target: Path) -> None:
    try:
        spool.write(np.ascontiguousarray(block.T).tobytes())
    except OSError as error:
        raise OutputError(f"{target} cannot be rendered ({error.strerror}); is the disk full?") from None


def _spool_read(spool: Any, channels: int, gain: float) -> Iterator[FloatArray]:
    spool.seek(0)
    while data := spool.read(BLOCK * channels * 8):
        yield np.ascontiguousarray(np.frombuffer(data).reshape(-1, channels).T) * gain
