"""Stems for the page: samples exactly as they are in the file, in as few bytes as hold them."""

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tapeemu.errors import AudioError
from tapeemu.files.reader import read_audio
from tapeemu.validation import FloatArray

__all__ = ["PageStem", "read_stems"]

_MOST_CHANNELS = 2
_MOST_SECONDS = 900.0


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
    """

    name: str
    sample_rate: int
    channels: int
    frames: int
    coding: str
    content: bytes
    rounded: bool

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


def _stem(path: Path) -> PageStem:
    audio, sample_rate = read_audio(path)
    channels, frames = audio.shape
    if channels > _MOST_CHANNELS:
        raise AudioError(f"{path} has {channels} channels, but the desk plays one or two; mix it down first")
    if not frames:
        raise AudioError(f"{path} holds no sound; choose another file")
    if frames > _MOST_SECONDS * sample_rate:
        raise AudioError(
            f"{path} lasts {frames / sample_rate:.0f} s, but the desk holds {_MOST_SECONDS:.0f} s; cut out a part"
        )
    coding, content, rounded = _coded(audio)
    return PageStem(path.stem, sample_rate, channels, frames, coding, content, rounded)


def _coded(audio: FloatArray) -> tuple[str, bytes, bool]:
    for coding, bits in (("s16", 16), ("s24", 24)):
        scaled = audio * 2.0 ** (bits - 1)
        if (
            np.all(scaled == np.rint(scaled))
            and np.all(scaled >= -(2 ** (bits - 1)))
            and np.all(scaled < 2 ** (bits - 1))
        ):
            whole = scaled.astype("<i4")
            if bits == 16:
                return coding, whole.astype("<i2").tobytes(), False
            return coding, whole.reshape(-1).view(np.uint8).reshape(-1, 4)[:, :3].tobytes(), False
    single = audio.astype("<f4")
    return "f32", single.tobytes(), bool(np.any(single.astype(np.float64) != audio))
