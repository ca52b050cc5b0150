"""Sound files in: what is read is compared with what the library of sound files itself reads."""

from pathlib import Path

import numpy as np
import soundfile

from tapeemu.files.reader import read_audio
from tapeemu.validation import FloatArray

RATE = 48_000


def noise(channels: int = 2, samples: int = 5000) -> FloatArray:
    return np.random.default_rng(5).uniform(-0.9, 0.9, (channels, samples))


def test_what_is_read_is_what_the_library_reads(tmp_path: Path) -> None:
    source = tmp_path / "a.wav"
    soundfile.write(source, noise(33).T, RATE, "FLOAT")
    audio, rate = read_audio(source)
    assert rate == RATE
    np.testing.assert_array_equal(audio, soundfile.read(source)[0].T)
