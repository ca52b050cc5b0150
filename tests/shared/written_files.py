"""Sound files as the writer of the project writes them, in blocks, for its tests."""

from pathlib import Path

import numpy as np

from tapeemu.files.encodings import Encoding
from tapeemu.files.writer import AudioWriter
from tapeemu.validation import FloatArray

RATE = 48_000


def noise(channels: int = 2, samples: int = 5000) -> FloatArray:
    return np.random.default_rng(5).uniform(-0.9, 0.9, (channels, samples))


def write(path: Path, audio: FloatArray, encoding: Encoding, **options: object) -> AudioWriter:
    with AudioWriter(
        path,
        sample_rate=RATE,
        channels=audio.shape[0],
        encoding=encoding,
        **options,  # type: ignore[arg-type]
    ) as writer:
        for start in range(0, audio.shape[1], 1777):
            writer.write(audio[:, start : start + 1777])
    return writer
