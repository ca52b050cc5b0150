"""Stems for the page: the very samples of the file."""

import os
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tapeemu.desk.page import write_page
from tapeemu.desk.stems import PageStem, read_stems, stale_stems
from tapeemu.errors import AudioError
from tapeemu.files.reader import AudioReader
from tapeemu.presets import load_preset


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


def test_an_hour_is_refused_by_its_header_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """All of it was read and converted first: gigabytes for a sentence."""
    path = written(tmp_path, "hour.wav", np.zeros((1, 8_000 * 3_600), np.int16), "PCM_16", rate=8_000)
    monkeypatch.setattr(AudioReader, "blocks", lambda *_: pytest.fail("it was read"))
    with pytest.raises(AudioError, match=r"hour.wav lasts 3600 s, but the desk holds 900 s; cut out a part"):
        read_stems([path])


def test_a_page_that_no_browser_could_read_is_refused(tmp_path: Path) -> None:
    content = bytes(129_000_000)
    long = PageStem("long", 96_000, 2, 32_250_000, "s16", content, False, tmp_path / "long.wav", (0, 0))
    with pytest.raises(AudioError, match="the stems take 258 MB, but one page may hold 256 MB; cut out a part"):
        write_page([long, long], load_preset("hall-into-drive"), tmp_path / "page.html")
    assert not list(tmp_path.iterdir())


def test_a_stem_of_several_blocks_has_its_samples_in_order(tmp_path: Path) -> None:
    """The narrowest coding is that of the whole: the last block alone needs 24 bits."""
    audio = np.zeros((2, 2**18 + 7))
    audio[:, -3:] = [[2.0**-23, 0.5, -1.0], [0.0, -(2.0**-23), 0.25]]
    [stem] = read_stems([written(tmp_path, "stem.wav", audio, "PCM_24")])
    raw = np.frombuffer(stem.content, np.uint8).reshape(2, -1, 3)
    wide = np.zeros((2, raw.shape[1], 4), np.uint8)
    wide[:, :, 1:] = raw
    assert stem.coding == "s24"
    assert np.array_equal(wide.view("<i4")[:, :, 0] / 2.0**31, audio)


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


def test_a_stem_whose_file_changed_or_went_is_told_of(tmp_path: Path) -> None:
    """It played on as it had been read, and nobody knew."""
    paths = [tmp_path / f"{name}.wav" for name in ("kept", "longer", "louder", "gone")]
    for path in paths:
        soundfile.write(path, np.full(8, 0.5), 48_000)
    stems = read_stems(paths)
    assert stale_stems(stems) == []
    soundfile.write(paths[1], np.full(9, 0.5), 48_000)
    soundfile.write(paths[2], np.full(8, 0.6), 48_000)
    os.utime(paths[2], ns=(stems[2].stamp[0] + 1, stems[2].stamp[0] + 1))
    paths[3].unlink()
    longer, louder, gone = stale_stems(stems)
    assert longer.startswith("longer.wav was changed on disk; it plays")
    assert louder.startswith("louder.wav was changed on disk; it plays")
    assert gone.startswith("gone.wav is no longer there; it plays")
