"""Files through chains: block by block, in constant memory, all stems on the same tape."""

import hashlib
import json
import math
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, BinaryIO, Literal, Self

import numpy as np
from pydantic import model_validator

from tapeemu.errors import AudioError, OutputError, ParameterError
from tapeemu.files import riff_chunks
from tapeemu.files.audio_file import (
    CONTAINERS,
    LOSSY_SUFFIXES,
    AudioInfo,
    AudioReader,
    AudioWriter,
    Encoding,
    choose_encoding,
)
from tapeemu.files.part_files import PartFolder, check_target, reason
from tapeemu.processor import Processor, Settings, setting
from tapeemu.rendering.loudness import LevelMeter, usual_mask
from tapeemu.units import db_to_gain
from tapeemu.validation import FloatArray

__all__ = [
    "Delivery",
    "Progress",
    "RenderReport",
    "Spooled",
    "common_gain_db",
    "finish_spooled",
    "provenance",
    "render_file",
    "render_files",
    "spool_file",
    "target_in",
]

_BLOCK_SAMPLES = 2**16  # of all channels together, so that memory does not grow with their count
_LONGEST_TAIL_SECONDS = 60.0
_SAMPLE_BYTES = 8
_LONGEST_COMMENT = 6000  # all text fields of an AIFF share some 8,000 bytes, beyond which it cannot be made
_LONGEST_NAME = 200

Progress = Callable[[Path, int, int], None]
"""Called with the source, the input frames done, and all of them (0 where the header does not know)."""


class Delivery(Settings):
    """What the files that come out must be like.

    Attributes
    ----------
    container, depth : str or None
        Keys of :data:`tapeemu.files.audio_file.CONTAINERS` and `DEPTHS`; None keeps the input's, but makes WAV
        of 24 bits of a lossy one.
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
    keep_balance : bool
        Reach the loudness or true peak with the sum of all files rendered together, by one gain for all,
        so that the balance between the stems of a piece stays.
    allow_clipping : bool
        Write a file even if samples are cut to full scale on the way into integers or a lossy container;
        otherwise that is an error, and no file appears.
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
    keep_balance: bool = setting(False, "One gain for all files, found on their sum")
    allow_clipping: bool = setting(False, "Write files whose samples are cut to full scale")
    overwrite: bool = setting(False, "Replace existing files")

    @model_validator(mode="after")
    def _nothing_in_vain(self) -> Self:
        if self.tail_seconds is not None and self.given("tail_level_db"):
            raise ParameterError(
                f"tail_seconds is {self.tail_seconds:g} s and tail_level_db is {self.tail_level_db:g} dB, but "
                "each says where the tail ends and tail_seconds would win; leave one of them out"
            )
        if self.keep_balance and not self.sets_level:
            raise ParameterError(
                "keep_balance is set, but no level is asked for that would move the balance; give loudness_lufs "
                "or true_peak_dbtp too, or leave it out"
            )
        return self

    @property
    def sets_level(self) -> bool:
        """Whether the gain depends on the rendering."""
        return self.loudness_lufs is not None or self.true_peak_dbtp is not None


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
        self.notes = _layout_notes(info)
        if delivery.tail_seconds is None:
            declared = self._stream.tail_samples(delivery.tail_level_db)
            self._tail = min(declared, round(_LONGEST_TAIL_SECONDS * info.sample_rate))
            if self._tail < declared:
                self.notes += (f"tail cut at {_LONGEST_TAIL_SECONDS:g} s; tail_seconds asks for more",)
        else:
            self._tail = round(delivery.tail_seconds * info.sample_rate)
        self.sample_rate = delivery.sample_rate_hz or info.sample_rate
        self.length_ratio = self._stream.length_ratio * self.sample_rate / info.sample_rate
        self.expected_frames = round(info.frames * self.length_ratio + self._tail)
        self.frames_in = 0

    def blocks(self) -> Iterator[FloatArray]:
        """The aligned result, at the sample rate of the delivery."""
        aligned = self._aligned()
        return aligned if self.sample_rate == self._reader.info.sample_rate else self._resampled(aligned)

    def _aligned(self) -> Iterator[FloatArray]:
        late = self.latency
        size = _block_frames(self._reader.info.channels)
        given = 0
        for block in self._reader.blocks(size):
            self.frames_in += block.shape[1]
            result = self._stream.advance(block)
            if self._progress is not None:
                self._progress(self._reader.path, self.frames_in, self._reader.info.frames)
            given += result.shape[1]
            yield result[:, late:]
            late = max(late - result.shape[1], 0)
        if not self.frames_in:
            raise AudioError(f"{self._reader.path} holds no audio; there is nothing to render")
        # Silence in blocks rather than one call for latency and tail, which would hold all of it at once.
        wanted = self.latency + round(self.frames_in * self._stream.length_ratio) + self._tail
        silence = np.zeros((self._reader.info.channels, size))
        while wanted - given > size:
            result = self._stream.advance(silence)
            given += result.shape[1]
            yield result[:, late:]
            late = max(late - result.shape[1], 0)
        if given < wanted:
            # What a drained stream gives is counted from what it was fed, silence included.
            rest = self._stream.drain(size)[:, : wanted - given]
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


def _layout_notes(info: AudioInfo) -> tuple[str, ...]:
    """What is assumed about a file of more than two channels that does not say which speakers they feed."""
    if info.channels <= 2 or info.channel_mask:
        return ()
    if not usual_mask(info.channels):
        return (f"no loudness: the file does not say which speakers its {info.channels} channels feed",)
    low = ", low frequencies" if info.channels == 6 else ""
    return (f"channels taken as left, right, centre{low}, left and right surround; the file does not say",)


def _block_frames(channels: int) -> int:
    return max(_BLOCK_SAMPLES // channels, 256)


def _gain_for(meter: LevelMeter, delivery: Delivery, what: str) -> float:
    """Gain in decibels that brings a rendering to what the delivery asks for."""
    if meter.true_peak == 0.0 or not delivery.sets_level:
        return 0.0
    limits = []
    if delivery.loudness_lufs is not None:
        gain_db = meter.gain_to_reach(delivery.loudness_lufs)
        if not math.isfinite(gain_db):
            raise AudioError(
                f"{what}: the loudness is undefined ({meter.undefined}), so it cannot be brought to a target; set "
                "a true peak instead"
            )
        limits.append(gain_db)
    if delivery.true_peak_dbtp is not None:
        limits.append(delivery.true_peak_dbtp - meter.true_peak_dbtp)
    return min(limits)


def render_file(
    source: str | Path,
    chain: Processor,
    target: str | Path,
    *,
    delivery: Delivery | None = None,
    seed: int | None = None,
    start_seconds: float = 0.0,
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
    preset : str, optional
        Name of the preset that the chain comes from, for the file's comment, see :func:`provenance`.
    progress : callable, optional
        See :data:`Progress`.
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
    began = time.perf_counter()
    source, target = Path(source), Path(target)
    delivery = Delivery() if delivery is None else delivery
    tape = _tape(chain, seed, start_seconds)
    _refuse_own_input(source, target)
    with ExitStack() as stack:
        reader = stack.enter_context(AudioReader(source))
        rendering = _Rendering(reader, tape, delivery, start_seconds, progress)
        writer = stack.enter_context(
            _writer(
                target,
                reader,
                delivery,
                seed,
                rendering.expected_frames,
                provenance(chain, preset=preset, seed=seed, start_seconds=start_seconds, delivery=delivery),
                before_renaming,
            )
        )
        blocks = rendering.blocks()
        gain_db = 0.0
        if delivery.sets_level:
            # The gain is known only at the end, so the rendering waits in a file without a name.
            spool = stack.enter_context(_nameless_spool(target.parent))
            meter = _meter(reader.info, rendering.sample_rate)
            for block in blocks:
                meter.add(block)
                _spool_write(spool, block, target)
            gain_db = _gain_for(meter, delivery, str(source))
            blocks = _spool_read(spool, reader.info.channels, gain_db)
        meter = _write_measured(writer, blocks, _meter(reader.info, rendering.sample_rate))
        cut = _clipping(writer, meter, delivery)
        kept, lost = _carried(reader.info, rendering.sample_rate, rendering.length_ratio, writer.encoding, meter)
        writer.chunks = kept
    return _report(
        writer,
        meter,
        source=source,
        chain=tape,
        seed=seed,
        gain_db=gain_db,
        latency=rendering.latency,
        seconds_in=rendering.frames_in / reader.info.sample_rate,
        notes=(*rendering.notes, *cut, *lost),
        render_seconds=time.perf_counter() - began,
    )


def render_files(
    sources: Sequence[str | Path],
    chain: Processor,
    *,
    targets: Sequence[str | Path],
    delivery: Delivery | None = None,
    seed: int | None = None,
    start_seconds: float = 0.0,
    preset: str | None = None,
    progress: Progress | None = None,
) -> list[RenderReport]:
    """Put several sound files through a chain, on the same tape: same seed, same time origin.

    Parameters
    ----------
    sources, targets : sequence of str or Path
        Inputs, and an output for each.

    Other parameters, the result and the errors are those of :func:`render_file`; the first file that
    fails ends the call, files finished before it stay. :mod:`tapeemu.rendering.batch` goes on to the end instead.
    """
    delivery = Delivery() if delivery is None else delivery
    if len(sources) != len(targets):
        raise ParameterError(f"{len(sources)} sources but {len(targets)} targets were given; give one for each")
    pairs = [(Path(source), Path(target)) for source, target in zip(sources, targets, strict=True)]
    if not (delivery.keep_balance and delivery.sets_level and pairs):
        return [
            render_file(
                source,
                chain,
                target,
                delivery=delivery,
                seed=seed,
                start_seconds=start_seconds,
                preset=preset,
                progress=progress,
            )
            for source, target in pairs
        ]
    for source, target in pairs:
        _refuse_own_input(source, target)
        check_target(target, overwrite=delivery.overwrite)
    with PartFolder(pairs[0][1].parent) as folder:
        spooled = [
            spool_file(
                source,
                chain,
                folder / str(number),
                target=target,
                delivery=delivery,
                seed=seed,
                start_seconds=start_seconds,
                progress=progress,
            )
            for number, (source, target) in enumerate(pairs)
        ]
        gain_db = common_gain_db(spooled, delivery)
        return [
            finish_spooled(
                rendered,
                target,
                chain,
                gain_db=gain_db,
                delivery=delivery,
                seed=seed,
                start_seconds=start_seconds,
                preset=preset,
            )
            for rendered, (_, target) in zip(spooled, pairs, strict=True)
        ]


@dataclass(frozen=True, kw_only=True)
class Spooled:
    """A rendering that waits, as bare samples in a file, for the gain it will get."""

    source: Path
    spool: Path
    sample_rate: int
    channels: int
    channel_mask: int
    frames: int
    latency: int
    length_ratio: float
    seconds_in: float
    notes: tuple[str, ...]
    render_seconds: float


def spool_file(
    source: Path,
    chain: Processor,
    spool: Path,
    *,
    target: Path,
    delivery: Delivery,
    seed: int | None = None,
    start_seconds: float = 0.0,
    progress: Progress | None = None,
) -> Spooled:
    """Put one sound file through a chain, into a file of bare samples.

    Parameters
    ----------
    spool : Path
        Made or replaced; it belongs to the caller. The rest is as for :func:`render_file`; of `target` only the
        name counts, which may say the container.
    """
    began = time.perf_counter()
    tape = _tape(chain, seed, start_seconds)
    with AudioReader(source) as reader:
        rendering = _Rendering(reader, tape, delivery, start_seconds, progress)
        # Told now, not after the work of all files.
        choose_encoding(
            reader.info,
            container=_container(target, reader.info, delivery),
            depth=delivery.depth,
            sample_rate=rendering.sample_rate,
        )
        frames = 0
        with _named_spool(spool, "w+b") as file:
            for block in rendering.blocks():
                _spool_write(file, block, spool)
                frames += block.shape[1]
    return Spooled(
        source=source,
        spool=spool,
        sample_rate=rendering.sample_rate,
        channels=reader.info.channels,
        channel_mask=reader.info.channel_mask,
        frames=frames,
        latency=rendering.latency,
        length_ratio=rendering.length_ratio,
        seconds_in=rendering.frames_in / reader.info.sample_rate,
        notes=rendering.notes,
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
    first = spooled[0]
    channels = max(rendered.channels for rendered in spooled)
    for rendered in spooled:
        if rendered.sample_rate != first.sample_rate:
            raise AudioError(
                f"{rendered.source} has {rendered.sample_rate:,} Hz and {first.source} {first.sample_rate:,} Hz: "
                "their balance cannot be kept by adding them; ask for one sample rate for all"
            )
        if rendered.channels not in (1, channels):
            raise AudioError(
                f"{rendered.source} has {rendered.channels} channels and another file {channels}: their balance "
                "cannot be kept by adding them; render them apart"
            )
    widest = [rendered for rendered in spooled if rendered.channels == channels]
    masks = {rendered.channel_mask or usual_mask(channels): rendered.source for rendered in widest}
    if len(masks) > 1:
        one, other = list(masks.values())[:2]
        raise AudioError(
            f"{one} and {other} feed different speakers: their balance cannot be kept by adding them; render them "
            "apart"
        )
    meter = LevelMeter(sample_rate=first.sample_rate, channels=channels, channel_mask=widest[0].channel_mask)
    frames = max(rendered.frames for rendered in spooled)
    size = 4 * _block_frames(channels)
    for start in range(0, frames, size):
        total = np.zeros((channels, min(size, frames - start)))
        for rendered in spooled:
            with _named_spool(rendered.spool, "rb") as file:
                file.seek(start * rendered.channels * _SAMPLE_BYTES)
                data = file.read(total.shape[1] * rendered.channels * _SAMPLE_BYTES)
            piece = np.frombuffer(data).reshape(-1, rendered.channels).T
            total[:, : piece.shape[1]] += piece
        meter.add(total)
    return _gain_for(meter, delivery, f"the sum of {len(spooled)} file(s)")


def finish_spooled(
    rendered: Spooled,
    target: Path,
    chain: Processor,
    *,
    gain_db: float,
    delivery: Delivery,
    seed: int | None = None,
    start_seconds: float = 0.0,
    preset: str | None = None,
    before_renaming: Callable[[Path], None] | None = None,
) -> RenderReport:
    """Give a waiting rendering its gain and its file; parameters as for :func:`render_file`."""
    began = time.perf_counter()
    with ExitStack() as stack:
        reader = stack.enter_context(AudioReader(rendered.source))
        made = provenance(chain, preset=preset, seed=seed, start_seconds=start_seconds, delivery=delivery)
        writer = stack.enter_context(
            _writer(target, reader, delivery, seed, rendered.frames, made, before_renaming)
        )
        spool = stack.enter_context(_named_spool(rendered.spool, "rb"))
        blocks = _spool_read(spool, rendered.channels, gain_db)
        meter = _write_measured(writer, blocks, _meter(reader.info, rendered.sample_rate))
        cut = _clipping(writer, meter, delivery)
        kept, lost = _carried(reader.info, rendered.sample_rate, rendered.length_ratio, writer.encoding, meter)
        writer.chunks = kept
    return _report(
        writer,
        meter,
        source=rendered.source,
        chain=_tape(chain, seed, 0.0),
        seed=seed,
        gain_db=gain_db,
        latency=rendered.latency,
        seconds_in=rendered.seconds_in,
        notes=(*rendered.notes, *cut, *lost),
        render_seconds=rendered.render_seconds + time.perf_counter() - began,
    )


def target_in(folder: Path, source: Path, delivery: Delivery) -> Path:
    """Name of a source's result in a folder: the same, with the suffix of the container it will have."""
    if delivery.container is None:
        return folder / (source.stem + ".wav" if source.suffix.lower() in LOSSY_SUFFIXES else source.name)
    return folder / f"{source.stem}{CONTAINERS.get(delivery.container, ('', source.suffix))[1]}"


_SUFFIXES = {end: key for key, (_, end) in CONTAINERS.items() if key != "rf64"} | {".aif": "aiff"}


def _container(target: Path, info: AudioInfo, delivery: Delivery) -> str | None:
    """Container asked for by the delivery or by the target's name; None for that of the input."""
    if delivery.container is not None:
        return delivery.container
    named = _SUFFIXES.get(target.suffix.lower())
    is_as_input = named == "wav" and info.encoding.is_riff
    return None if is_as_input else named


def provenance(
    chain: Processor,
    *,
    preset: str | None = None,
    seed: int | None = None,
    start_seconds: float = 0.0,
    delivery: Delivery | None = None,
) -> str:
    """Text that says how a rendering is made, in one line: what its file carries as a comment.

    Version, preset, order of the stages, seed, place on the tape, and all settings that differ from their
    defaults as JSON: with that version, ``Chain.from_dict`` of what stands behind "chain" is the chain again.
    Settings too long for a comment are told by their SHA-256 alone.
    """
    from tapeemu import __version__

    parts = [f"Made by tapeemu {__version__}"]
    if preset is not None:
        parts.append(f"preset {preset[:_LONGEST_NAME]}")
    described = _described(chain)
    if "stages" in described:
        names = ",".join(stage.get("name", stage["kind"]) for stage in described["stages"])
        parts.append(f"order {names}" if names else "no stages")
    parts.append("seed of the preset" if seed is None else f"seed {seed}")
    parts.append(f"start {start_seconds:.17g} s")
    parts.append(f"chain {json.dumps(described)}")
    wishes = Delivery() if delivery is None else delivery.replace(overwrite=False, allow_clipping=False)
    if wishes != Delivery():
        parts.append(f"delivery {json.dumps(wishes.to_dict())}")
    # ASCII, because not every container keeps other letters.
    text = " ".join("; ".join(parts).split()).encode("ascii", "backslashreplace").decode("ascii")
    if len(text) <= _LONGEST_COMMENT:
        return text
    digest = hashlib.sha256(json.dumps(described, sort_keys=True).encode("ascii")).hexdigest()
    return f"Made by tapeemu {__version__}; settings too long for a comment, SHA-256 {digest}"


def _clipping(writer: AudioWriter, meter: LevelMeter, delivery: Delivery) -> tuple[str, ...]:
    """Refuse a file that would clip; a note where that is allowed.

    Raises
    ------
    OutputError
        With the peak, the number of samples, and what to do instead.
    """
    if not writer.clipped:
        return ()
    peak = f"{meter.peak_dbfs:+.2f}" if meter.peak_dbfs >= 0.01 else f"{meter.peak_dbfs:+.1g}"
    count = f"{writer.clipped:,} of {writer.frames * writer.channels:,} samples"
    if delivery.allow_clipping:
        return (f"{count} were clipped, the highest at {peak} dBFS",)
    raise OutputError(
        f"{writer.path} would clip and is not written: {count} lie beyond full scale, the highest at {peak} dBFS "
        f"(true peak {meter.true_peak_dbtp:+.2f} dBTP); {', '.join(_remedies(writer, meter, delivery))}, or clip "
        "with --allow-clipping"
    )


def _remedies(writer: AudioWriter, meter: LevelMeter, delivery: Delivery) -> list[str]:
    """What keeps a file from clipping, as options whose values are right for this file."""
    container = writer.encoding.container
    room = "--depth float" if container not in ("FLAC", "OGG", "MP3") else "--format wav --depth float"
    # One for all: it is found on the sum, where single files may stick out.
    ceiling = -1.0
    if delivery.true_peak_dbtp is not None:
        ceiling = min(ceiling, math.floor(10.0 * (delivery.true_peak_dbtp - meter.peak_dbfs)) / 10.0)
    found = [f"write floats with {room}", f"set a ceiling with --true-peak-dbtp {ceiling:g}"]
    loudness = delivery.loudness_lufs if delivery.keep_balance else meter.integrated_lufs
    if loudness is not None and math.isfinite(loudness):
        target = math.floor(loudness - meter.true_peak_dbtp - 1.0)
        if target >= -60:
            found.append(f"set a loudness with --loudness-lufs {target}")
    return found


def _tape(chain: Processor, seed: int | None, start_seconds: float) -> Processor:
    if not math.isfinite(start_seconds):
        raise ParameterError(f"start_seconds is {start_seconds!r}, but must be a finite number")
    if seed is None:
        return chain
    if seed < 0:
        raise ParameterError(f"seed is {seed}, but must be zero or more")
    return chain.with_seed(seed)


def _refuse_own_input(source: Path, target: Path) -> None:
    try:
        same = source.samefile(target)
    except (OSError, ValueError):  # one of them is not there, which is told where it matters
        return
    if same:
        raise OutputError(f"{target} is the input itself; write to another file or folder")


def _writer(
    target: Path,
    reader: AudioReader,
    delivery: Delivery,
    seed: int | None,
    expected_frames: int,
    comment: str,
    before_renaming: Callable[[Path], None] | None,
) -> AudioWriter:
    sample_rate = delivery.sample_rate_hz or reader.info.sample_rate
    tags = reader.tags
    # What the input says of itself stays: a file that was put on tape twice tells both passes.
    lines = [*tags.get("comment", "").splitlines(), comment]
    while len("\n".join(lines).encode("utf-8", "replace")) > _LONGEST_COMMENT and len(lines) > 1:
        del lines[0]
    tags["comment"] = "\n".join(lines)
    return AudioWriter(
        target,
        sample_rate=sample_rate,
        channels=reader.info.channels,
        encoding=choose_encoding(
            reader.info,
            container=_container(target, reader.info, delivery),
            depth=delivery.depth,
            sample_rate=sample_rate,
        ),
        seed=seed or 0,
        dither=delivery.dither,
        channel_mask=reader.info.channel_mask,
        overwrite=delivery.overwrite,
        tags=tags,
        expected_frames=expected_frames,
        before_renaming=before_renaming,
    )


def _meter(info: AudioInfo, sample_rate: int) -> LevelMeter:
    return LevelMeter(sample_rate=sample_rate, channels=info.channels, channel_mask=info.channel_mask)


def _write_measured(writer: AudioWriter, blocks: Iterator[FloatArray], meter: LevelMeter) -> LevelMeter:
    for block in blocks:
        meter.add(block)
        writer.write(block)
    return meter


def _report(
    writer: AudioWriter,
    meter: LevelMeter,
    *,
    source: Path,
    chain: Processor,
    seed: int | None,
    gain_db: float,
    latency: int,
    seconds_in: float,
    notes: tuple[str, ...],
    render_seconds: float,
) -> RenderReport:
    return RenderReport(
        source=source,
        target=writer.path,
        sample_rate=writer.sample_rate,
        channels=writer.channels,
        encoding=writer.encoding.label,
        seconds_in=seconds_in,
        seconds_out=writer.frames / writer.sample_rate,
        latency_samples=latency,
        gain_db=gain_db,
        loudness_lufs=meter.integrated_lufs,
        peak_dbfs=meter.peak_dbfs,
        true_peak_dbtp=meter.true_peak_dbtp,
        clipped_samples=writer.clipped,
        seed=seed,
        chain=_described(chain),
        notes=notes,
        render_seconds=render_seconds,
    )


def _described(chain: Processor) -> dict[str, Any]:
    """The chain as a preset would hold it, or by its repr where it holds objects from outside."""
    try:
        return chain.to_dict()
    except ParameterError:
        stages = getattr(chain, "stages", ())
        return {"stages": [{"kind": stage.processor.kind, "name": stage.name} for stage in stages]}


def _carried(
    info: AudioInfo, sample_rate: int, ratio: float, encoding: Encoding, meter: LevelMeter
) -> tuple[list[tuple[bytes, bytes]], tuple[str, ...]]:
    """Metadata chunks of the input as they must stand in the output, and notes on what it cannot hold."""
    found = riff_chunks.carried_chunks(info.path)
    if not found:
        return [], ()
    if not encoding.is_riff:
        names = ", ".join(sorted({identifier.decode("ascii").strip() for identifier, _ in found}))
        return [], (f"not kept, because {encoding.container.lower()} has no place for it: {names}",)
    carried = []
    for identifier, body in found:
        content = riff_chunks.rescaled(identifier, body, ratio, rate_ratio=sample_rate / info.sample_rate)
        if identifier == b"bext":
            content = riff_chunks.with_coding_history(
                content, sample_rate=sample_rate, bits=encoding.bits or 32, channels=info.channels
            )
            content = riff_chunks.with_levels(
                content, loudness_lufs=meter.integrated_lufs, true_peak_dbtp=meter.true_peak_dbtp
            )
        carried.append((identifier, content))
    return carried, ()


def _nameless_spool(folder: Path) -> Any:
    try:
        return tempfile.TemporaryFile(dir=folder)
    except OSError as error:
        raise OutputError(
            f"{folder} cannot be written to ({reason(error)}); check its permissions and space, or choose another "
            "folder"
        ) from None


def _named_spool(path: Path, mode: str) -> Any:
    try:
        return path.open(mode)
    except OSError as error:
        raise OutputError(
            f"{path.parent} cannot keep a rendering ({reason(error)}); check its permissions and space"
        ) from None


def _spool_write(spool: BinaryIO, block: FloatArray, target: Path) -> None:
    try:
        spool.write(np.ascontiguousarray(block.T).tobytes())
        spool.flush()
    except OSError as error:
        raise OutputError(
            f"{target} cannot be rendered ({reason(error)}); a level target needs room beside the results for "
            "8 bytes a sample: free some space"
        ) from None


def _spool_read(spool: BinaryIO, channels: int, gain_db: float) -> Iterator[FloatArray]:
    gain = db_to_gain(gain_db)
    spool.seek(0)
    while data := spool.read(_block_frames(channels) * channels * _SAMPLE_BYTES):
        yield np.ascontiguousarray(np.frombuffer(data).reshape(-1, channels).T) * gain
