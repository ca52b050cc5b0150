"""Sound files written and read whole, for tests of what is made of them."""

from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from tapeemu.validation import FloatArray

RATE = 48_000


def make(path: Path, audio: FloatArray, *, rate: int = RATE, subtype: str = "DOUBLE", **options: Any) -> Path:
    """A file of what is given, exact unless another subtype is asked for."""
    soundfile.write(path, audio.T, rate, subtype, **options)
    return path


def load(path: Path) -> FloatArray:
    """All samples, channels first."""
    return np.ascontiguousarray(soundfile.read(path, always_2d=True)[0].T)


def noise(channels: int = 2, samples: int = 3000) -> Any:
    """A little noise, frames first."""
    return np.random.default_rng(3).uniform(-0.3, 0.3, (samples, channels))


def whole(folder: Path, *, name: str = "bad.wav", subtype: str = "PCM_16", fmt: str = "WAV", **keys: Any) -> Path:
    """A file of the format asked for; `audio` has its frames first."""
    path = folder / name
    soundfile.write(path, keys.pop("audio", noise()), keys.pop("rate", RATE), subtype, format=fmt)
    return path
