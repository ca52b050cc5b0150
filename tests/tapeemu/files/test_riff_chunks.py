"""Metadata that is carried; layouts by EBU Tech 3285 and the RIFF documents."""

import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile
from broadcast_chunks import FIELDS, bext

from tapeemu.files.headers import riff_contradiction
from tapeemu.files.riff_chunks import (
    append_chunks,
    carried_chunks,
    channel_mask,
    comment,
    rescaled,
    set_channel_mask,
    with_coding_history,
    with_levels,
)


def wav(path: Path, subtype: str = "PCM_16", file_format: str = "WAV", samples: int = 500) -> Path:
    soundfile.write(path, np.linspace(-0.5, 0.5, samples * 2).reshape(-1, 2), 48_000, subtype, format=file_format)
    return path


@pytest.mark.parametrize("file_format", ["WAV", "WAVEX", "RF64"])
def test_chunks_appended_are_chunks_read_and_the_audio_stays(tmp_path: Path, file_format: str) -> None:
    path = wav(tmp_path / "a.wav", file_format=file_format, samples=501)
    before = soundfile.read(path)[0]
    chunks = [(b"bext", bext()), (b"iXML", b"<BWFXML/>"), (b"cue ", struct.pack("<I", 0)), (b"LIST", b"adtlx")]
    append_chunks(path, chunks)
    assert carried_chunks(path) == chunks
    assert riff_contradiction(path) == ""
    np.testing.assert_array_equal(soundfile.read(path)[0], before)
    head = path.read_bytes()
    stated = (
        struct.unpack_from("<Q", head, 20)[0] if file_format == "RF64" else struct.unpack_from("<I", head, 4)[0]
    )
    assert stated == len(head) - 8


def test_what_is_not_a_wav_has_no_chunks(tmp_path: Path) -> None:
    path = tmp_path / "a.flac"
    soundfile.write(path, np.zeros(100), 48_000)
    assert carried_chunks(path) == []


def chunk(identifier: bytes, body: bytes, *, size: int | None = None) -> bytes:
    return identifier + struct.pack("<I", len(body) if size is None else size) + body + bytes(len(body) % 2)


def riff(*chunks: bytes, form: bytes = b"RIFF") -> bytes:
    body = b"WAVE" + b"".join(chunks)
    return form + struct.pack("<I", len(body)) + body


def test_a_chunk_that_is_cut_off_is_not_carried(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(riff(chunk(b"iXML", b"<whole/>"), chunk(b"axml", b"<cut", size=400)))
    assert carried_chunks(path) == [(b"iXML", b"<whole/>")]


@pytest.mark.parametrize(
    ("long_sizes", "behind"),
    [
        (struct.pack("<QQ", 0, 6), [b"iXML"]),  # the audio is six bytes long, and what follows is found
        (b"cut", []),  # without its long size, audio of four gigabytes is not there
        (struct.pack("<QQ", 0, 2**63 - 8), []),  # no file goes on behind that
    ],
)
def test_the_size_of_long_audio_stands_in_a_chunk_of_its_own(
    tmp_path: Path, long_sizes: bytes, behind: list[bytes]
) -> None:
    """EBU Tech 3306: 0xFFFFFFFF in the audio's own chunk, and 64 bits in the one at the head of the file."""
    audio = chunk(b"data", bytes(6), size=0xFFFFFFFF)
    path = tmp_path / "a.wav"
    path.write_bytes(riff(chunk(b"ds64", long_sizes), audio, chunk(b"iXML", b"<x/>"), form=b"RF64"))
    assert [identifier for identifier, _ in carried_chunks(path)] == behind


def test_a_header_without_a_format_names_no_speakers(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    content = riff(chunk(b"iXML", b"<x/>"))
    path.write_bytes(content)
    assert channel_mask(path) == 0
    set_channel_mask(path, 3)
    assert path.read_bytes() == content


def test_a_comment_is_found_among_other_fields_however_long(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    fields = chunk(b"INAM", b"odd") + chunk(b"ICMT", b"x" * 5000 + b"\0behind")
    named = chunk(b"LIST", b"INFO" + chunk(b"INAM", b"no comment here"))
    path.write_bytes(riff(chunk(b"LIST", b"adtl" + fields), named, chunk(b"LIST", b"INFO" + fields)))
    assert comment(path) == "x" * 5000
    path.write_bytes(riff(named))
    assert comment(path) == ""


def test_no_chunks_leave_a_file_as_it_is(tmp_path: Path) -> None:
    path = wav(tmp_path / "a.wav")
    before = path.read_bytes()
    append_chunks(path, [])
    assert path.read_bytes() == before


def test_a_broadcast_extension_that_is_too_short_is_left_alone() -> None:
    """The fixed part of it has 602 bytes (EBU Tech 3285)."""
    short = bext()[:601]
    assert with_coding_history(short, sample_rate=48_000, bits=24, channels=2) == short
    assert rescaled(b"bext", short, 2.0) == short


def test_sample_counts_are_rescaled() -> None:
    stamped = rescaled(b"bext", bext(time_reference=2**33 + 48_000), 2.0)
    assert struct.unpack_from("<Q", stamped, FIELDS["TimeReferenceLow"][0])[0] == 2 * (2**33 + 48_000)
    cue = struct.pack("<I", 1) + struct.pack("<II4sIII", 1, 1000, b"data", 0, 0, 1000)
    assert struct.unpack("<II4sIII", rescaled(b"cue ", cue, 0.5)[4:]) == (1, 500, b"data", 0, 0, 500)
    sampler = struct.pack("<9I", 0, 0, 20_833, 60, 0, 0, 0, 1, 0) + struct.pack("<6I", 0, 0, 100, 900, 0, 0)
    doubled = rescaled(b"smpl", sampler, 2.0)
    assert struct.unpack_from("<I", doubled, 8)[0] == 10_416
    assert struct.unpack_from("<II", doubled, 44) == (200, 1800)
    label = b"adtl" + b"ltxt" + struct.pack("<III", 20, 1, 1000) + b"rgn " + bytes(8)
    assert struct.unpack_from("<I", rescaled(b"LIST", label, 2.0), 16)[0] == 2000


@pytest.mark.parametrize("identifier", [b"bext", b"cue ", b"smpl", b"LIST", b"iXML"])
@pytest.mark.parametrize("body", [b"", b"abc", b"adtlltxt\xff\xff\xff\xff", b"\xff" * 40, b"\xff" * 700])
def test_chunks_too_short_for_what_they_declare_stay_as_long_as_they_are(identifier: bytes, body: bytes) -> None:
    assert len(rescaled(identifier, body, 0.5)) == len(body)


def test_levels_of_the_old_audio_do_not_stay() -> None:
    changed = with_levels(bext(), loudness_lufs=-23.04, true_peak_dbtp=-1.5)
    values = [
        struct.unpack_from("<h", changed, FIELDS[name][0])[0]
        for name in (
            "LoudnessValue",
            "LoudnessRange",
            "MaxTruePeakLevel",
            "MaxMomentaryLoudness",
            "MaxShortTermLoudness",
        )
    ]
    # 0x7FFF marks a value that was not measured (Tech 3285 v2, 2.3).
    assert values == [-2304, 0x7FFF, -150, 0x7FFF, 0x7FFF]
    assert with_levels(bext(version=1), loudness_lufs=-23.0, true_peak_dbtp=-1.0) == bext(version=1)
    silent = with_levels(bext(), loudness_lufs=-float("inf"), true_peak_dbtp=-float("inf"))
    assert struct.unpack_from("<h", silent, FIELDS["LoudnessValue"][0])[0] == 0x7FFF


def test_coding_history_grows_by_a_row() -> None:
    first = with_coding_history(bext(), sample_rate=48_000, bits=24, channels=2)
    second = with_coding_history(first, sample_rate=44_100, bits=16, channels=1)
    rows = second[602:].decode("ascii").splitlines()
    assert rows == ["A=PCM,F=48000,W=24,M=stereo,T=tapeemu", "A=PCM,F=44100,W=16,M=mono,T=tapeemu"]


def test_metadata_beyond_reason_is_left_behind(tmp_path: Path) -> None:
    path = wav(tmp_path / "a.wav")
    with path.open("ab") as file:
        file.write(b"iXML" + struct.pack("<I", 2**25))
        file.truncate(file.tell() + 2**25)
    assert carried_chunks(path) == []
