"""Stems for the page: samples exactly as they are in the file, in as few bytes as hold them."""

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from tapeemu.errors import AudioError
from tapeemu.files.reader import AudioReader
from tapeemu.validation import FloatArray

__all__ = ["PageStem", "read_stems", "stale_stems"]

_MOST_CHANNELS = 2
_MOST_SECONDS = 900.0
_BLOCK = 2**18
_BITS = {"s16": 16, "s24": 24}


@dataclass(frozen=True)
class PageStem:
    """A stem as a page gets it.

    Attributes
    ----------
    name : str
        Name of the file without its ending.
    sample_rate, channels, frames : int
        Its shape.
    coding : str
        ``"s16"``, ``"s24"`` or ``"f32"``: the narrowest that holds every sample; little-endian, one channel after
        the other.
    content : bytes
        The samples.
    rounded : bool
        Whether samples were rounded to single precision.
    path : Path
        Where it was read from.
    stamp : tuple of int
        Time of change and size of the file when it was read.
    """

    name: str
    sample_rate: int
    channels: int
    frames: int
    coding: str
    content: bytes
    rounded: bool
    path: Path
    stamp: tuple[int, int]

    def described(self) -> dict[str, Any]:
        """All but the samples, as plain data."""
        return {
            "name": self.name,
            "channels": self.channels,
            "frames": self.frames,
            "coding": self.coding,
            "rounded": self.rounded,
        }

    def embedded(self) -> dict[str, Any]:
        """All of it, as plain data."""
        return self.described() | {"content": base64.b64encode(self.content).decode("ascii")}


def read_stems(paths: Sequence[Path]) -> list[PageStem]:
    """Read stems that shall loop together.

    Raises
    ------
    AudioError
        If one cannot be used, or their sample rates differ.
    """
    stems = [_stem(path) for path in paths]
    rates = sorted({stem.sample_rate for stem in stems})
    if len(rates) > 1:
        told = ", ".join(f"{stem.name} {stem.sample_rate} Hz" for stem in stems)
        raise AudioError(
            f"stems that loop together need one sample rate, but they have {told}; convert them first"
        )
    return stems


def stale_stems(stems: Sequence[PageStem]) -> list[str]:
    """A sentence for each stem whose file is no longer what was read."""
    return [sentence for stem in stems if (sentence := _how_stale(stem))]


def _how_stale(stem: PageStem) -> str | None:
    kept = "it plays and is rendered here as it was when the desk was opened"
    try:
        now = _stamp(stem.path)
    except OSError:
        return f"{stem.path.name} is no longer there; {kept}"
    if now != stem.stamp:
        return f"{stem.path.name} was changed on disk; {kept}; start tapeemu desk again to hear it as it is now"
    return None


def _stamp(path: Path) -> tuple[int, int]:
    found = path.stat()
    return found.st_mtime_ns, found.st_size


def _stem(path: Path) -> PageStem:
    with AudioReader(path) as reader:
        stamp = _stamp(path)  # before a sample is read: what is written meanwhile is told of, too
        rate, channels = reader.info.sample_rate, reader.info.channels
        if channels > _MOST_CHANNELS:
            raise AudioError(f"{path} has {channels} channels, but the desk plays one or two; mix it down first")
        # By its header: nobody waits for hours of sound that are refused then.
        _check_length(path, reader.info.frames, rate)
        return _coded(path, stamp, reader)


def _check_length(path: Path, frames: int, sample_rate: int) -> None:
    if frames > _MOST_SECONDS * sample_rate:
        raise AudioError(
            f"{path} lasts {frames / sample_rate:.0f} s, but the desk holds {_MOST_SECONDS:.0f} s; cut out a part"
        )


def _coded(path: Path, stamp: tuple[int, int], reader: AudioReader) -> PageStem:
    """The stem, block by block: minutes at a high rate take hundreds of megabytes in each form."""
    rate = reader.info.sample_rate
    blocks: list[npt.NDArray[np.float32]] = []
    fits = dict.fromkeys(_BITS, True)
    frames, rounded = 0, False
    for block in reader.blocks(_BLOCK):
        frames += block.shape[1]
        _check_length(path, frames, rate)  # of a file whose header does not know
        single = block.astype("<f4")
        rounded = rounded or bool(np.any(single != block))
        fits = {coding: fits[coding] and _is_whole(block, bits) for coding, bits in _BITS.items()}
        blocks.append(single)
    if not frames:
        raise AudioError(f"{path} holds no sound; choose another file")
    channels = len(blocks[0])
    coding = next((name for name, fit in fits.items() if fit), "f32")
    content = b"".join(_bytes(block[channel], coding) for channel in range(channels) for block in blocks)
    # Single precision holds whole numbers of 24 bits.
    return PageStem(path.stem, rate, channels, frames, coding, content, rounded, path.absolute(), stamp)


def _is_whole(block: FloatArray, bits: int) -> bool:
    scaled = block * 2.0 ** (bits - 1)
    return bool(
        np.all(scaled == np.rint(scaled))
        and np.all(scaled >= -(2 ** (bits - 1)))
        and np.all(scaled < 2 ** (bits - 1))
    )


def _bytes(samples: npt.NDArray[np.float32], coding: str) -> bytes:
    if coding == "f32":
        return samples.tobytes()
    whole = (samples * np.float32(2.0 ** (_BITS[coding] - 1))).astype("<i4")
    if coding == "s16":
        return whole.astype("<i2").tobytes()
    return whole.view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
