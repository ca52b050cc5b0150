"""Headers that lie; layouts by the RIFF documents and ISO/IEC 11172-3."""

import shutil
import struct
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tapeemu.errors import AudioError
from tapeemu.files.headers import (
    count_mp3_samples,
    log_contradiction,
    mp3_contradiction,
    ogg_contradiction,
    riff_contradiction,
)
from tapeemu.files.reader import read_audio
from tapeemu.files.riff_chunks import carried_chunks

RATE = 48_000


def wav(path: Path, subtype: str = "PCM_16", file_format: str = "WAV", samples: int = 500) -> Path:
    soundfile.write(path, np.linspace(-0.5, 0.5, samples * 2).reshape(-1, 2), 48_000, subtype, format=file_format)
    return path


LIES = {
    "cut off": (lambda d: d[: len(d) // 2], "but only"),
    "audio longer than the file": (lambda d: d[:40] + struct.pack("<I", 2**31) + d[44:], "but only"),
    "audio of no bytes": (lambda d: d[:40] + bytes(4) + d[44:], "belong to nothing"),
    "audio of too few bytes": (lambda d: d[:40] + struct.pack("<I", 100) + d[44:], "belong to nothing"),
    "rate": (lambda d: d[:24] + struct.pack("<I", 44_100) + d[28:], "bytes a second"),
    "bytes a second": (lambda d: d[:28] + struct.pack("<I", 1) + d[32:], "bytes a second"),
    "channels": (lambda d: d[:22] + struct.pack("<H", 4) + d[24:], "4 channel"),
    "fewer channels": (lambda d: d[:22] + struct.pack("<H", 1) + d[24:], "1 channel"),
    "bits": (lambda d: d[:34] + struct.pack("<H", 24) + d[36:], "24 bits"),
    "bytes of a frame": (lambda d: d[:32] + struct.pack("<H", 6) + d[34:], "6 bytes"),
}
LIES["a list longer than the file"] = (lambda d: d[:36] + b"LIST" + struct.pack("<I", 2**29) + d[36:], "'LIST'")


@pytest.mark.parametrize("lie", LIES)
def test_a_header_that_lies_is_refused(tmp_path: Path, lie: str) -> None:
    path = wav(tmp_path / "a.wav")
    change, told = LIES[lie]
    path.write_bytes(change(path.read_bytes()))
    assert told in riff_contradiction(path)


HARMLESS = {
    "sizes of a stream": lambda d: d[:4] + b"\xff" * 4 + d[8:40] + b"\xff" * 4 + d[44:],
    "other sizes of a stream": lambda d: d[:40] + struct.pack("<I", 0x7FFFF000) + d[44:],
    "wrong outer size": lambda d: d[:4] + struct.pack("<I", 7) + d[8:],
    "a few loose bytes": lambda d: d + b"garbage",
    "a tag behind": lambda d: d + b"TAG" + bytes(125),
}


@pytest.mark.parametrize("oddity", HARMLESS)
def test_habits_of_other_programs_are_no_lies(tmp_path: Path, oddity: str) -> None:
    path = wav(tmp_path / "a.wav")
    path.write_bytes(HARMLESS[oddity](path.read_bytes()))
    assert riff_contradiction(path) == ""
    assert len(soundfile.read(path)[0]) == 500


def test_a_header_of_endless_chunks_ends(tmp_path: Path) -> None:
    path = wav(tmp_path / "a.wav")
    data = path.read_bytes()
    path.write_bytes(data[:36] + b"junk\0\0\0\0" * 5000 + data[36:])
    with pytest.raises(AudioError, match="more than 4,096 chunks"):
        carried_chunks(path)


@pytest.mark.parametrize("loud_first", [True, False])
def test_a_variable_rate_mp3_without_a_length_is_not_cut_in_silence(tmp_path: Path, loud_first: bool) -> None:
    """The library guesses the length from the first rate, and stops there if the guess was short."""
    if shutil.which("ffmpeg") is None:
        pytest.skip("ffmpeg makes the file")
    loud = np.random.default_rng(1).uniform(-0.9, 0.9, 150_000)
    parts = [loud, np.zeros(150_000)] if loud_first else [np.zeros(150_000), loud]
    soundfile.write(tmp_path / "in.wav", np.concatenate(parts), RATE)
    made = tmp_path / "a.mp3"
    command = ["ffmpeg", "-v", "error", "-i", tmp_path / "in.wav", "-q:a", "4", "-write_xing", "0", made]
    subprocess.run(command, check=True)
    if loud_first:
        with pytest.raises(AudioError, match="no header for its length"):
            read_audio(made)
    else:
        assert read_audio(made)[0].shape[1] >= 300_000


def test_what_the_library_corrects_on_its_own_is_told() -> None:
    """Lines as its log writes them; a size it calls unknown, or a field that is no size of audio, is no lie."""
    log = " SSND : 1000 (should be 600)\n"
    assert log_contradiction(log) == "its header declares 1,000 bytes, but there are 600"
    assert log_contradiction(f" data : {2**32 - 1} (should be 600)\n") == ""
    assert log_contradiction(" data : 600 (should be 1000)\n") == ""
    assert log_contradiction(" Frames : 1000 (should be 600)\n") == ""
    assert log_contradiction("") == ""


def test_an_ogg_file_without_its_end_is_told(tmp_path: Path) -> None:
    path = tmp_path / "a.ogg"
    soundfile.write(path, np.zeros(30_000), RATE)
    whole = path.read_bytes()
    assert ogg_contradiction(path) == ""
    last = whole.rfind(b"OggS\0")
    for cut in (whole[:-1], whole[:last], whole[: last + 20], b""):
        path.write_bytes(cut)
        assert ogg_contradiction(path) == "its last page is missing"
    path.write_bytes(whole[: last + 5] + bytes([whole[last + 5] & ~4]) + whole[last + 6 :])
    assert ogg_contradiction(path) == "its last page is missing"


def mp3_frame(version: int, bit_rate: int, rate: int, padding: int, size: int) -> bytes:
    """A frame of layer III: header by ISO/IEC 11172-3, 2.4.2.3, and a body of zeros."""
    header = 0xFFE00000 | version << 19 | 1 << 17 | 1 << 16 | bit_rate << 12 | rate << 10 | padding << 9
    return struct.pack(">I", header) + bytes(size - 4)


def test_mp3_frames_are_counted_by_their_headers(tmp_path: Path) -> None:
    """Sizes by the formula of the standard: 144 bit rate / sample rate, half of it in the second version."""
    path = tmp_path / "a.mp3"
    first = mp3_frame(3, 9, 0, 0, 144 * 128_000 // 44_100) + mp3_frame(3, 14, 1, 1, 144 * 320_000 // 48_000 + 1)
    path.write_bytes(first)
    assert count_mp3_samples(path) == 2 * 1152
    looks_like_one = mp3_frame(3, 1, 1, 0, 96)
    tag = b"ID3\x04\0\0" + bytes([0, 0, 2, 1]) + looks_like_one + bytes(2 * 128 + 1 - 96)
    path.write_bytes(tag + first)
    assert count_mp3_samples(path) == 2 * 1152
    second = mp3_frame(2, 8, 0, 0, 72 * 64_000 // 22_050) * 3
    path.write_bytes(b"\xff\0garbage" + second)
    assert count_mp3_samples(path) == 3 * 576
    path.write_bytes(first[:40] + b"Xing" + first[44:])
    assert count_mp3_samples(path) is None


def test_an_mp3_longer_than_it_is_taken_for_is_told() -> None:
    assert mp3_contradiction(stated=1000, counted=None) == ""
    assert mp3_contradiction(stated=1000, counted=1000 + 4 * 1152) == ""
    assert "taken as 1,000 samples, but holds about 5,609" in mp3_contradiction(stated=1000, counted=5609)
