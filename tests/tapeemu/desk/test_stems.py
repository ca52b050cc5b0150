"""Stems for the page: the very samples of the file."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from tapeemu.desk.stems import read_stems
from tapeemu.errors import AudioError


def written(folder: Path, name: str, audio: np.ndarray, subtype: str, rate: int = 48_000) -> Path:
    path = folder / name
    soundfile.write(path, audio.T, rate, subtype=subtype)
    return path


@pytest.mark.parametrize(
    ("subtype", "coding", "size"), [("PCM_16", "s16", 2), ("PCM_24", "s24", 3), ("FLOAT", "f32", 4)]
)
def test_samples_are_kept_in_as_few_bytes_as_hold_them(
    tmp_path: Path, subtype: str, coding: str, size: int
) -> None:
    audio = np.random.default_rng(1).uniform(-1.0, 1.0, (2, 50))
    path = written(tmp_path, "stem.wav", audio, subtype)
    [stem] = read_stems([path])
    assert (stem.name, stem.coding, stem.channels, stem.frames, stem.rounded) == ("stem", coding, 2, 50, False)
    truth = soundfile.read(path, dtype="float64", always_2d=True)[0].T
    raw = np.frombuffer(stem.content, np.uint8).reshape(-1, size)
    if coding == "f32":
        found = raw.copy().view("<f4").ravel().astype(np.float64)
    else:
        wide = np.zeros((len(raw), 4), np.uint8)
        wide[:, 4 - size :] = raw
        found = wide.view("<i4").ravel() / 2.0**31
    assert np.array_equal(found.reshape(2, 50), truth)


def test_what_single_precision_cannot_hold_is_said(tmp_path: Path) -> None:
    [stem] = read_stems([written(tmp_path, "fine.wav", np.full((1, 9), 0.1), "DOUBLE")])
    assert stem.rounded


def test_stems_that_cannot_loop_together_are_refused(tmp_path: Path) -> None:
    one = written(tmp_path, "one.wav", np.zeros((1, 9)), "PCM_16")
    other = written(tmp_path, "other.wav", np.zeros((1, 9)), "PCM_16", rate=44_100)
    with pytest.raises(AudioError, match=r"one sample rate.*one 48000 Hz, other 44100 Hz"):
        read_stems([one, other])
    with pytest.raises(AudioError, match="has 3 channels, but the desk plays one or two"):
        read_stems([written(tmp_path, "three.wav", np.zeros((3, 9)), "PCM_16")])
    with pytest.raises(AudioError, match="holds no sound"):
        read_stems([written(tmp_path, "empty.wav", np.zeros((1, 0)), "PCM_16")])
