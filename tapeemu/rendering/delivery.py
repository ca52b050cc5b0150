"""What the files that come out must be like: format, name, level, and whether they may clip."""

import math
from pathlib import Path
from typing import Literal, Self

from pydantic import model_validator

from tapeemu.errors import AudioError, OutputError, ParameterError
from tapeemu.files.encodings import CONTAINERS, LOSSY_SUFFIXES, AudioInfo, Encoding, choose_encoding
from tapeemu.files.writer import AudioWriter
from tapeemu.processor import Settings, setting
from tapeemu.rendering.loudness import LevelMeter

__all__ = ["Delivery", "clipping_notes", "encoding_for", "gain_for", "target_in"]

_SUFFIXES = {end: key for key, (_, end) in CONTAINERS.items() if key != "rf64"} | {".aif": "aiff"}


class Delivery(Settings):
    """What the files that come out must be like.

    Attributes
    ----------
    container, depth : str or None
        Keys of :data:`tapeemu.files.encodings.CONTAINERS` and `DEPTHS`; None keeps the input's, but makes WAV
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

    container: str | None = setting(None, "Container; left out: that of the input")
    depth: Literal["16", "24", "32", "float", "double"] | None = setting(
        None, "Sample depth; left out: that of the input"
    )
    sample_rate_hz: int | None = setting(
        None, "Sample rate; left out: that of the input", unit="Hz", ge=8_000, le=384_000
    )
    tail_seconds: float | None = setting(
        None, "Time that the output outlasts the input; left out: by level", unit="s", ge=0.0, le=600.0
    )
    tail_level_db: float = setting(
        -60.0, "Level re the signal at which a tail may end", unit="dB", ge=-120.0, le=0.0
    )
    loudness_lufs: float | None = setting(None, "Integrated loudness", unit="LUFS", ge=-60.0, le=0.0)
    true_peak_dbtp: float | None = setting(None, "Highest true peak", unit="dBTP", ge=-60.0, le=0.0)
    dither: bool = setting(True, "Triangular dither for integer samples")
    keep_balance: bool = setting(False, "One gain for all files, found on their sum")
    allow_clipping: bool = setting(False, "Write files whose samples are cut to full scale")
    overwrite: bool = setting(False, "Replace existing files")

    @model_validator(mode="after")
    def _refuse_what_has_no_effect(self) -> Self:
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


def target_in(folder: Path, source: Path, delivery: Delivery) -> Path:
    """Name of a source's result in a folder: the same, with the suffix of the container it will have."""
    if delivery.container is None:
        return folder / (source.stem + ".wav" if source.suffix.lower() in LOSSY_SUFFIXES else source.name)
    return folder / f"{source.stem}{CONTAINERS.get(delivery.container, ('', source.suffix))[1]}"


def encoding_for(target: Path, info: AudioInfo, delivery: Delivery) -> Encoding:
    """Encoding of a result: as the delivery asks, else as the target's name says, else as the input.

    Raises
    ------
    ParameterError
        If what is asked for does not go together.
    """
    return choose_encoding(
        info,
        container=_container(target, info, delivery),
        depth=delivery.depth,
        sample_rate=delivery.sample_rate_hz,
    )


def _container(target: Path, info: AudioInfo, delivery: Delivery) -> str | None:
    """Container asked for by the delivery or by the target's name; None for that of the input."""
    if delivery.container is not None:
        return delivery.container
    named = _SUFFIXES.get(target.suffix.lower())
    is_as_input = named == "wav" and info.encoding.is_riff
    return None if is_as_input else named


def gain_for(meter: LevelMeter, delivery: Delivery, what: str) -> float:
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


def clipping_notes(writer: AudioWriter, meter: LevelMeter, delivery: Delivery) -> tuple[str, ...]:
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
