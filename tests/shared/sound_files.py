"""Sound files written and read whole, for tests of rendering."""

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
