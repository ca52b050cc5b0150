"""Bad input of every sort, to the command line and to Python.

Each case: one line on standard error that names the file or option, the rule and the remedy; a status by
class (2 usage, 3 input, 4 output); no traceback; nothing left in the output folder; and the other file of
the same command is done all the same.
"""

import os
import re
import signal
import struct
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from sound_files import noise, whole

import tapeemu
from tapeemu.chain import Chain
from tapeemu.errors import AudioError, OutputError, ParameterError, TapeemuError
from tapeemu.files.encodings import Encoding
from tapeemu.files.reader import AudioReader, read_audio
from tapeemu.files.writer import AudioWriter
from tapeemu.rendering.delivery import Delivery
from tapeemu.rendering.render import render_file, render_files

RATE = 48_000
USAGE, INPUT, OUTPUT = 2, 3, 4
PRESET = """
format = 1
purpose = "Nothing but a gain"
[[stages]]
kind = "plugin_effect"
name = "level"
effect = "Gain"
parameters = { gain_db = -6.0 }
"""


def bytes_file(content: bytes, name: str = "bad.wav") -> Callable[[Path], Path]:
    def make(folder: Path) -> Path:
        path = folder / name
        path.write_bytes(content)
        return path

    return make


def changed(change: Callable[[bytes], bytes], **options: Any) -> Callable[[Path], Path]:
    def make(folder: Path) -> Path:
        path = whole(folder, **options)
        path.write_bytes(change(path.read_bytes()))
        return path

    return make


def floats(*values: float, where: int = 1234) -> Callable[[Path], Path]:
    def make(folder: Path) -> Path:
        audio = noise()
        audio[where : where + len(values), 1] = values
        return whole(folder, subtype="FLOAT", audio=audio)

    return make


def put(offset: int, code: str, value: int) -> Callable[[bytes], bytes]:
    def change(data: bytes) -> bytes:
        piece = struct.pack(code, value)
        return data[:offset] + piece + data[offset + len(piece) :]

    return change


def a_folder(folder: Path) -> Path:
    (folder / "bad.wav").mkdir()
    return folder / "bad.wav"


def a_pipe(folder: Path) -> Path:
    os.mkfifo(folder / "bad.wav")
    return folder / "bad.wav"


def a_link(leads_to: str) -> Callable[[Path], Path]:
    def make(folder: Path) -> Path:
        (folder / "bad.wav").symlink_to(leads_to)
        return folder / "bad.wav"

    return make


def named(name: str) -> Callable[[Path], Path]:
    return lambda folder: folder / name


def flac_flipped(place: float) -> Callable[[Path], Path]:
    def change(data: bytes) -> bytes:
        at = int(len(data) * place)
        return data[:at] + bytes([data[at] ^ 0x55]) + data[at + 1 :]

    return changed(change, name="bad.flac", fmt="FLAC")


PNG = b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR" + bytes(range(256)) * 8
TEXT = b"This is a letter, not a sound.\n" * 40

# name -> (file, what the message must say). All end with the status of bad input.
BAD_FILES: dict[str, tuple[Callable[[Path], Path], str]] = {
    "missing": (named("bad.wav"), "does not exist"),
    "missing folder": (named("nowhere/bad.wav"), "does not exist"),
    "below a file": (lambda f: whole(f, name="x.wav") / "bad.wav", "cannot be opened|does not exist"),
    "folder with a suffix": (a_folder, "folder without sound files"),
    "pipe": (a_pipe, "pipe or a device"),
    "device": (lambda _: Path("/dev/zero"), "pipe or a device"),
    "link to nothing": (a_link("gone.wav"), "link to a file that does not exist"),
    "link to itself": (a_link("bad.wav"), "cannot be opened"),
    "very long name": (named("x" * 300 + ".wav"), "cannot be opened"),
    "very long path": (named("/".join(["x" * 200] * 30) + ".wav"), "cannot be opened"),
    "null in the name": (named("a\0b.wav"), "cannot be opened"),
    "newline in a missing name": (named("a\nb.wav"), "does not exist"),
    "escape sequence in a missing name": (named("a\x1b[2Jb.wav"), "matches no file|does not exist"),
    "broken bytes in a missing name": (named(os.fsdecode(b"a\xff\xfe.wav")), "does not exist"),
    "markup in a missing name": (named("[bold]a[/bold].wav"), "matches no file|does not exist"),
    "pattern without matches": (named("*.nothing"), "matches no file"),
    "invalid pattern": (named("**x/**.[wav"), "matches no file|or searched|does not exist"),
    "empty file": (bytes_file(b""), "is empty"),
    "one byte": (bytes_file(b"R"), "cannot be read as a sound file"),
    "four bytes": (bytes_file(b"RIFF"), "cannot be read as a sound file"),
    "zeros": (bytes_file(bytes(5000)), "cannot be read as a sound file"),
    "0xff": (bytes_file(b"\xff" * 5000), "cannot be read as a sound file"),
    "no header": (bytes_file(bytes(4000), "bad.raw"), "has no header"),
}
for suffix in ("wav", "flac", "ogg", "mp3", "aiff", "caf", "au", "w64", "opus", "rf64"):
    BAD_FILES[f"text as {suffix}"] = (
        bytes_file(TEXT, f"bad.{suffix}"),
        "cannot be read as a sound file|has no header",
    )
    BAD_FILES[f"image as {suffix}"] = (
        bytes_file(PNG, f"bad.{suffix}"),
        "cannot be read as a sound file|has no header",
    )
for fmt, subtype, suffix in (
    ("WAV", "PCM_16", "wav"),
    ("WAVEX", "PCM_24", "wav"),
    ("RF64", "PCM_16", "wav"),
    ("AIFF", "PCM_16", "aiff"),
    ("CAF", "PCM_16", "caf"),
    ("FLAC", "PCM_16", "flac"),
    ("OGG", "VORBIS", "ogg"),
    ("OGG", "OPUS", "opus"),
    ("MP3", "MPEG_LAYER_III", "mp3"),
    ("AU", "PCM_16", "au"),
    ("W64", "PCM_16", "w64"),
):
    options: dict[str, Any] = {"name": f"bad.{suffix}", "fmt": fmt, "subtype": subtype, "audio": noise(2, 20_000)}
    said = "cut off|damaged|cannot be read as a sound file"
    BAD_FILES[f"{fmt} {subtype} cut in the middle"] = (changed(lambda d: d[: len(d) // 2], **options), said)
    BAD_FILES[f"{fmt} {subtype} without its last tenth"] = (
        changed(lambda d: d[: len(d) * 9 // 10], **options),
        said,
    )
    BAD_FILES[f"{fmt} {subtype} header only"] = (changed(lambda d: d[:64], **options), said)
    BAD_FILES[f"{fmt} {subtype} half a header"] = (changed(lambda d: d[:20], **options), said)
    if fmt not in ("MP3", "OGG", "FLAC"):
        empty = {**options, "audio": np.zeros((0, 2))}
        BAD_FILES[f"{fmt} {subtype} without a sample"] = (
            lambda folder, empty=empty: whole(folder, **empty),  # type: ignore[misc]
            "holds no audio",
        )
BAD_FILES |= {
    "flac flipped early": (flac_flipped(0.3), "damaged|cut off"),
    "flac flipped late": (flac_flipped(0.9), "damaged|cut off"),
    "lying size": (changed(put(40, "<I", 2**31)), "declares"),
    "lying size, a little": (changed(put(40, "<I", 12_004)), "declares"),
    "size of nothing": (changed(put(40, "<I", 0)), "belong to nothing"),
    "size too small": (changed(put(40, "<I", 100)), "belong to nothing"),
    "lying rate": (changed(put(24, "<I", 44_100)), "declares 44,100 Hz"),
    "rate of 0": (changed(put(24, "<I", 0)), "sample rate|cannot be read|declares 0 Hz"),
    "rate of 1 Hz": (lambda f: whole(f, rate=1), "sample rate of 1 Hz"),
    "rate of 7,999 Hz": (lambda f: whole(f, rate=7_999), "sample rate of 7,999 Hz"),
    "rate of 768 kHz": (lambda f: whole(f, rate=768_000), "sample rate of 768,000 Hz"),
    "rate of 2 GHz": (lambda f: whole(f, rate=2**31 - 1), "sample rate|cannot be read|Hz, but"),
    "no channels": (changed(put(22, "<H", 0)), "cannot be read|channels"),
    "too many channels": (changed(put(22, "<H", 33)), "declares 33 channel"),
    "too few channels": (changed(put(22, "<H", 1)), "declares 1 channel"),
    "257 channels": (lambda f: whole(f, audio=noise(257, 50)), "has 257 channels"),
    "1,024 channels": (lambda f: whole(f, audio=noise(1024, 50)), "has 1,024 channels"),
    "65,535 channels": (changed(put(22, "<H", 65_535)), "cannot be read|channel"),
    "bits": (changed(put(34, "<H", 24)), "24 bits"),
    "0 bits": (changed(put(34, "<H", 0)), "0 bits|cannot be read"),
    "unknown codec": (changed(put(20, "<H", 0x1234)), "cannot be read"),
    "aiff lying size": (changed(put(42, ">I", 2**30), name="bad.aiff", fmt="AIFF"), "damaged|cannot be read"),
    "au lying size": (changed(put(8, ">I", 2**30), name="bad.au", fmt="AU"), "damaged|cut off"),
    "au lying rate": (changed(put(16, ">I", 5), name="bad.au", fmt="AU"), "sample rate of 5 Hz"),
    "endless chunks": (changed(lambda d: d[:36] + b"junk\0\0\0\0" * 6000 + d[36:]), "more than 4,096 chunks"),
    "absurd": (floats(3e31), "must lie within 1e\\+30"),
    "nan": (floats(np.nan), "not finite numbers, the first at sample 1234 of channel 1"),
    "infinity": (floats(np.inf), "not finite numbers"),
    "minus infinity": (floats(-np.inf), "not finite numbers"),
    "all nan": (lambda f: whole(f, subtype="FLOAT", audio=noise() * np.nan), "sample 0 of channel 0"),
    "nan at the end": (floats(np.nan, where=2999), "sample 2999 of channel 1"),
    "nan in double": (lambda f: whole(f, subtype="DOUBLE", audio=noise() * np.nan), "not finite"),
    "integer-scaled": (lambda f: whole(f, subtype="FLOAT", audio=np.rint(noise() * 32768)), "whole numbers"),
    "integer-scaled, quiet": (lambda f: whole(f, subtype="FLOAT", audio=np.rint(noise() * 8)), "whole numbers"),
    "integer-scaled double": (
        lambda f: whole(f, subtype="DOUBLE", audio=np.rint(noise() * 2**23)),
        "whole numbers",
    ),
    "one integer": (lambda f: whole(f, subtype="FLOAT", audio=np.full((1, 1), 32_767.0)), "whole numbers"),
}

# Options that are wrong, with the status and what must be said. {out} is the output folder.
BAD_OPTIONS: dict[str, tuple[list[str], int, str]] = {
    "unknown option": (["--colour", "red"], USAGE, "No such option"),
    "unknown format": (["--format", "wax"], USAGE, "format is 'wax'"),
    "empty format": (["--format", ""], USAGE, "format is ''"),
    "unknown depth": (["--depth", "12"], USAGE, "depth is '12'"),
    "depth in a container that lacks it": (["--format", "flac", "--depth", "float"], USAGE, "depth float"),
    "depth of a lossy format": (["--format", "mp3", "--depth", "16"], USAGE, "depth 16 does not apply"),
    "32 bit flac": (["--format", "flac", "--depth", "32"], USAGE, "depth 32"),
    "rate of 1": (["--rate", "1"], USAGE, "sample_rate_hz is 1"),
    "rate of 0": (["--rate", "0"], USAGE, "sample_rate_hz is 0"),
    "negative rate": (["--rate", "-48000"], USAGE, "sample_rate_hz"),
    "rate beyond all": (["--rate", "768000"], USAGE, "sample_rate_hz"),
    "rate in words": (["--rate", "high"], USAGE, "--rate"),
    "rate with a comma": (["--rate", "44,1"], USAGE, "--rate"),
    "negative tail": (["--tail-seconds", "-1"], USAGE, "tail_seconds"),
    "endless tail": (["--tail-seconds", "1e9"], USAGE, "tail_seconds"),
    "infinite tail": (["--tail-seconds", "inf"], USAGE, "tail_seconds"),
    "tail of nan": (["--tail-seconds", "nan"], USAGE, "tail_seconds"),
    "tail level above the signal": (["--tail-level-db", "3"], USAGE, "tail_level_db"),
    "tail level of nan": (["--tail-level-db", "nan"], USAGE, "tail_level_db"),
    "positive loudness": (["--loudness-lufs", "3"], USAGE, "loudness_lufs"),
    "loudness of nan": (["--loudness-lufs", "nan"], USAGE, "loudness_lufs"),
    "positive true peak": (["--true-peak-dbtp", "1"], USAGE, "true_peak_dbtp"),
    "peak in words": (["--true-peak-dbtp", "loud"], USAGE, "--true-peak-dbtp"),
    "negative seed": (["--seed", "-1"], USAGE, "seed is -1"),
    "seed in words": (["--seed", "blue"], USAGE, "--seed"),
    "broken seed": (["--seed", "1.5"], USAGE, "--seed"),
    "negative track": (["--track", "-1"], USAGE, "track is -1"),
    "start of nan": (["--start-seconds", "nan"], USAGE, "start_seconds"),
    "start of infinity": (["--start-seconds", "inf"], USAGE, "start_seconds"),
    "negative jobs": (["--jobs", "-1"], USAGE, "jobs is -1"),
    "jobs in words": (["--jobs", "many"], USAGE, "'--jobs' / '-j': it must be a whole number; "),
    "tail in words": (["--tail-seconds", "long"], USAGE, "'--tail-seconds': it must be a number; "),
    "order of a stranger": (["--order", "hall"], USAGE, "order is 'hall', but 'hall' is not a stage"),
    "empty order": (["--order", ""], USAGE, "order is '', but '' is not a stage"),
    "order twice": (["--order", "level,level"], USAGE, "names 'level' more than once"),
    "two orders": (["--order", "level", "--order", "level"], USAGE, "--order is given 2 times"),
    "two presets": (["--preset", "hall-into-drive"], USAGE, "run the command once for each preset"),
    "dither and none": (["--dither", "--no-dither"], USAGE, "--dither is given 2 times"),
    "set twice": (["--set", "level.bypass=true", "--set", "level.bypass=false"], USAGE, "more than once"),
    "set of what is bypassed": (
        ["--set", "level.bypass=true", "--set", "level.mix_percent=50"],
        USAGE,
        "would change nothing: level is bypassed",
    ),
    "number in another unit": (["--set", "level.mix_percent=50 Hz"], USAGE, "'Hz' does not convert into it"),
    "set without a value": (["--set", "level.effect"], USAGE, "stage.parameter=value"),
    "set without a stage": (["--set", "effect=Gain"], USAGE, "stage.parameter=value"),
    "set of nothing": (["--set", ""], USAGE, "stage.parameter=value"),
    "set of an unknown stage": (["--set", "hall.size=1"], USAGE, "there is no stage 'hall'"),
    "set of an unknown parameter": (["--set", "level.colour=1"], USAGE, "colour"),
    "set out of range": (["--set", "level.mix_percent=101"], USAGE, "mix_percent"),
    "set of nan": (["--set", "level.mix_percent=nan"], USAGE, "mix_percent"),
    "set of a wrong type": (["--set", "level.bypass=perhaps"], USAGE, "bypass"),
    "set of a module": (["--set", "level.effect='__import__'"], USAGE, "must be one of"),
    "set of a stage in a stage": (["--set", "level.inner.x=1"], USAGE, "is not a chain"),
    "cluster of nobody": (["--cluster", "tcp://127.0.0.1:9"], USAGE, "cannot be reached"),
    "cluster of nonsense": (["--cluster", "no such:address"], USAGE, "cannot be reached"),
    "preset that is not there": (["-p", "no-such-preset"], INPUT, "no-such-preset"),
    "preset file that is not there": (["-p", "nowhere/x.toml"], INPUT, "nowhere/x.toml"),
    "preset up the tree": (["-p", "../../../etc/passwd"], INPUT, "etc/passwd"),
    "preset of no name": (["-p", ""], INPUT, "preset"),
    "preset with a null": (["-p", "a\0b"], INPUT, "preset"),
    "pattern up the tree": (["in/*/../../x*.wav"], USAGE, "goes up ('..') behind its first wildcard"),
    "preset of a very long name": (["-p", "x" * 5000], INPUT, "x"),
}

BAD_PRESETS: dict[str, bytes] = {
    "empty": b"",
    "not text": b"\xff\xfe\x00\x01",
    "not TOML": b"stages = [",
    "audio": b"RIFF\x24\x00\x00\x00WAVEfmt ",
    "no stages": b'format = 1\npurpose = "x"\n',
    "stages of a number": b'format = 1\npurpose = "x"\nstages = 3\n',
    "stages of texts": b'format = 1\npurpose = "x"\nstages = ["a"]\n',
    "unknown format": PRESET.replace("format = 1", "format = 99").encode(),
    "unknown kind": PRESET.replace('"plugin_effect"', '"exec"').encode(),
    "kind of a number": PRESET.replace('"plugin_effect"', "7").encode(),
    "unknown effect": PRESET.replace('"Gain"', '"load_plugin"').encode(),
    "effect of a file": PRESET.replace('"Gain"', '"/usr/lib/evil.vst3"').encode(),
    "dunder effect": PRESET.replace('"Gain"', '"__class__"').encode(),
    "unknown parameter": PRESET.replace("gain_db", "__init__").encode(),
    "parameter of nan": PRESET.replace("-6.0", "nan").encode(),
    "parameter of infinity": PRESET.replace("-6.0", "inf").encode(),
    "parameter in words": PRESET.replace("-6.0", '"loud"').encode(),
    "unknown key": PRESET.replace("format = 1", "format = 1\ncolour = 3").encode(),
    "unknown key of a stage": PRESET.replace('name = "level"', 'name = "level"\ncolour = 3').encode(),
    "mix beyond all": PRESET.replace('name = "level"', "mix_percent = 1e300").encode(),
    "two stages of one name": (PRESET + PRESET[PRESET.index("[[") :]).encode(),
    "a key twice": PRESET.replace("format = 1", "format = 1\nformat = 1").encode(),
    "deep nesting": b"a = " + b"[" * 5000 + b"]" * 5000,
    "far too big": PRESET.encode() + b"#" * (20 * 2**20),
}


@pytest.fixture
def run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Iterator[Callable[..., tuple[int, list[str], str]]]:
    """The command line in this process: status, lines of standard error, standard output."""
    from tapeemu.cli import main

    (tmp_path / "preset.toml").write_text(PRESET, "utf-8")
    monkeypatch.chdir(tmp_path)
    before = signal.getsignal(signal.SIGTERM)
    hook = sys.unraisablehook

    def command(*arguments: str, preset: str = "preset.toml") -> tuple[int, list[str], str]:
        monkeypatch.setattr(sys, "argv", ["tapeemu", "process", "-p", preset, *arguments])
        with pytest.raises(SystemExit) as ended:
            main()
        printed = capsys.readouterr()
        assert "Traceback" not in printed.err + printed.out
        return int(ended.value.code or 0), printed.err.splitlines(), printed.out

    yield command
    signal.signal(signal.SIGTERM, before)
    sys.unraisablehook = hook


def leftovers(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.rglob("*") if path.is_file() and path.name != ".tapeemu-journal")


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("case", BAD_FILES)
def test_bad_files_are_told_in_one_line_and_the_good_one_is_done(
    tmp_path: Path, run: Callable[..., Any], case: str
) -> None:
    make, told = BAD_FILES[case]
    (tmp_path / "in").mkdir()
    bad = make(tmp_path / "in")
    whole(tmp_path, name="good.wav")
    status, errors, _ = run(str(bad), "good.wav", "-o", "out")
    # A decoder may grumble on its own, and the first sound of all is announced.
    errors = [line for line in errors if line.startswith("tapeemu: ") and "compiling" not in line]
    assert status == INPUT
    assert len(errors) == 2
    assert errors[-1] == "tapeemu: 1 of 2 failed, 1 done"
    assert errors[0].isprintable()
    assert re.search(told, errors[0]), errors[0]
    assert ";" in errors[0], "a remedy stands behind the rule"
    shown = bad.name.encode("unicode_escape", "backslashreplace").decode("ascii")
    if bad.name.isprintable():
        assert bad.name in errors[0]
    else:
        assert shown[:1] in errors[0]
    assert leftovers(tmp_path / "out") == ["good.wav"]


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("case", [case for case in BAD_FILES if "pattern" not in case and "folder" not in case])
def test_bad_files_are_refused_in_python(tmp_path: Path, case: str) -> None:
    make, told = BAD_FILES[case]
    bad = make(tmp_path)
    with pytest.raises(AudioError, match=told.replace("matches no file|", "")):
        render_file(bad, Chain(stages=[]), tmp_path / "result.wav")
    assert not (tmp_path / "result.wav").exists()
    assert not list(tmp_path.glob(".tapeemu*"))


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("case", [case for case in BAD_FILES if "pattern" not in case])
def test_the_laboratory_refuses_the_same_files(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], case: str
) -> None:
    """Its own reader, the same table: one line with file, rule and remedy, the status of bad input, no plots."""
    from measure.command_line import main

    make, told = BAD_FILES[case]
    bad = make(tmp_path)
    lossy = bad.suffix in (".mp3", ".ogg", ".opus")
    allowed = f"{told}|must be lossless" if lossy else told.replace("folder without sound files", "is a folder")
    assert main([str(bad), "--plots", str(tmp_path / "plots")]) == INPUT
    lines = [line for line in capsys.readouterr().err.splitlines() if line.startswith("measure: ")]
    assert len(lines) == 1
    assert lines[0].isprintable()
    assert re.search(allowed.replace("matches no file|", ""), lines[0]), lines[0]
    assert ";" in lines[0], "a remedy stands behind the rule"
    assert not (tmp_path / "plots").exists()


@pytest.mark.parametrize(
    ("options", "status", "told"),
    [
        ([], USAGE, "missing: RECORDING"),
        (["x.wav", "--colour", "red"], USAGE, "not known here: --colour red"),
        (["x.wav", "--level", "nan"], USAGE, "--level is nan dBFS, but must be a finite number; leave it out"),
        (["x.wav", "--level", "loud"], USAGE, "--level is 'loud', but must be a number"),
        (["x.wav", "--level"], USAGE, "--level is given without its value"),
        (["signals"], USAGE, "missing: --out"),
        (["signals"], USAGE, "--out"),
        (["signals", "--out", "s", "--rate", "high"], USAGE, "--rate"),
        (["signals", "--out", "s", "--rate", "8000"], USAGE, "--rate is 8000 Hz"),
        (["signals", "--out", "s", "--level", "nan"], USAGE, "--level is nan"),
        (["signals", "--out", "file.txt"], OUTPUT, "cannot be made"),
        (["signals", "--out", "a\0b"], OUTPUT, "cannot be made"),
        (["signals", "--out", "/proc/nothing"], OUTPUT, "cannot be made"),
    ],
)
def test_the_laboratory_tells_wrong_use_in_one_line(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    options: list[str],
    status: int,
    told: str,
) -> None:
    from measure.command_line import main

    monkeypatch.chdir(tmp_path)
    (tmp_path / "file.txt").write_text("in the way")
    assert main(options) == status
    printed = capsys.readouterr()
    assert len(printed.err.splitlines()) == 1
    assert told in printed.err
    assert printed.err.startswith("measure: ")
    assert printed.err.strip().isprintable()


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize(
    "case",
    [
        # Who calls nobody waits for five seconds; an address that makes no sense is told on the same way at once.
        pytest.param(case, marks=pytest.mark.long if case == "cluster of nobody" else ())
        for case in BAD_OPTIONS
    ],
)
def test_bad_options_are_told_in_one_line(tmp_path: Path, run: Callable[..., Any], case: str) -> None:
    options, status, told = BAD_OPTIONS[case]
    if "cluster" in case:
        pytest.importorskip("distributed")
    whole(tmp_path, name="good.wav")
    named = {"preset": options[1]} if options[0] == "-p" else {}
    ended, errors, _ = run("good.wav", "-o", "out", *([] if named else options), **named)
    assert len(errors) == 1
    assert told in errors[0]
    assert ended == status
    assert errors[0].startswith("tapeemu: ")
    assert leftovers(tmp_path / "out") == []


@pytest.mark.parametrize("case", BAD_PRESETS)
def test_bad_presets_are_told_in_one_line(tmp_path: Path, run: Callable[..., Any], case: str) -> None:
    (tmp_path / "bad.toml").write_bytes(BAD_PRESETS[case])
    whole(tmp_path, name="good.wav")
    status, errors, _ = run("good.wav", "-o", "out", preset="bad.toml")
    assert status in (USAGE, INPUT)
    assert "bad.toml" in errors[0]
    # One line; where there are several mistakes, an indented line for each below it.
    assert len(errors) == 1 or f"has {len(errors) - 1} mistakes" in errors[0]
    assert all(line.startswith("  ") for line in errors[1:])
    assert leftovers(tmp_path / "out") == []


class TestGoodAfterAll:
    """Odd, but nothing to refuse."""

    @pytest.mark.parametrize(
        ("name", "audio"),
        [
            ("dc", np.full((2000, 1), 0.5)),
            ("silence", np.zeros((2000, 2))),
            ("one sample", np.full((1, 1), 0.25)),
            ("33 channels", noise(33, 500)),
            ("256 channels", noise(256, 50)),
            ("beyond full scale", 3.0 * noise()),
            ("a million times full scale", 1e6 * noise()),
            ("1e-30", 1e-30 * noise()),
        ],
    )
    def test_unusual_audio_is_rendered(
        self, tmp_path: Path, run: Callable[..., Any], name: str, audio: Any
    ) -> None:
        whole(tmp_path, name=f"{name}.wav", subtype="FLOAT", audio=audio)
        status, errors, _ = run(f"{name}.wav", "-o", "out")
        assert (status, errors) == (0, [])
        result = soundfile.read(tmp_path / "out" / f"{name}.wav", always_2d=True)[0]
        np.testing.assert_allclose(result[: len(audio)], audio * 10 ** (-6 / 20), rtol=1e-5, atol=1e-38)

    @pytest.mark.parametrize(
        "name",
        [
            "with spaces.wav",
            "two\nlines.wav",
            "名前 🎛.wav",
            "[red]a[bold].wav",
            "a[1].wav",
            "st*r?.wav",
            "'quotes\".wav",
            "{{ 7 * 7 }}.wav",
            "%s%n.wav",
            "back\\slash.wav",
            "\x1b[31mred.wav",
            ":smile:.wav",
            "x" * 251 + ".wav",
            os.fsdecode(b"latin \xe9.wav"),
        ],
    )
    def test_unusual_names_are_kept(self, tmp_path: Path, run: Callable[..., Any], name: str) -> None:
        (tmp_path / "in").mkdir()
        whole(tmp_path / "in", name="a.wav").rename(tmp_path / "in" / name)
        for arguments in (["in"], [f"in/{name}"]):
            status, errors, printed = run(*arguments, "-o", "out", "--overwrite")
            assert (status, errors) == (0, [])
            assert all(line.isprintable() for line in printed.splitlines())
        assert "Rendered" in printed
        assert leftovers(tmp_path / "out") == [name]
        status, errors, printed = run("in", "-o", "out", "--overwrite", "--json")
        import json

        assert json.loads(printed)["rendered"][0]["target"] == f"out/{name}"

    def test_a_name_with_a_leading_dash_is_a_file(self, tmp_path: Path, run: Callable[..., Any]) -> None:
        whole(tmp_path, name="-o.wav")
        assert run("-o", "out", "--", "-o.wav")[0] == 0
        assert leftovers(tmp_path / "out") == ["-o.wav"]

    def test_a_link_to_a_file_is_followed(self, tmp_path: Path, run: Callable[..., Any]) -> None:
        (tmp_path / "in").mkdir()
        (tmp_path / "in/link.wav").symlink_to(whole(tmp_path, name="good.wav"))
        assert run("in", "-o", "out")[0] == 0
        assert not (tmp_path / "out/link.wav").is_symlink()


class TestBadOutput:
    @pytest.fixture(autouse=True)
    def good(self, tmp_path: Path) -> Path:
        return whole(tmp_path, name="good.wav")

    def refused(self, run: Callable[..., Any], out: str, told: str, *options: str) -> None:
        status, errors, _ = run("good.wav", "-o", out, *options)
        assert status == OUTPUT
        assert len(errors) == 1
        assert told in errors[0]

    def test_the_input_is_not_replaced(self, tmp_path: Path, run: Callable[..., Any]) -> None:
        before = (tmp_path / "good.wav").read_bytes()
        self.refused(run, ".", "is an input", "--overwrite")
        assert (tmp_path / "good.wav").read_bytes() == before

    def test_onto_the_input_by_a_link(self, tmp_path: Path, run: Callable[..., Any]) -> None:
        (tmp_path / "out").symlink_to(tmp_path)
        self.refused(run, "out", "is an input", "--overwrite")

    def test_another_input_is_not_replaced(self, tmp_path: Path, run: Callable[..., Any]) -> None:
        (tmp_path / "out").mkdir()
        whole(tmp_path / "out", name="good.wav")
        status, errors, _ = run("good.wav", "out/good.wav", "-o", "out", "--overwrite")
        assert status in (USAGE, OUTPUT)
        assert len(errors) == 1

    def test_an_existing_file_is_not_replaced(self, tmp_path: Path, run: Callable[..., Any]) -> None:
        (tmp_path / "out").mkdir()
        (tmp_path / "out/good.wav").write_bytes(b"mine")
        self.refused(run, "out", "exists")
        assert (tmp_path / "out/good.wav").read_bytes() == b"mine"

    def test_a_folder_is_not_replaced(self, tmp_path: Path, run: Callable[..., Any]) -> None:
        (tmp_path / "out/good.wav").mkdir(parents=True)
        self.refused(run, "out", "is a folder", "--overwrite")

    def test_a_file_is_no_output_folder(self, tmp_path: Path, run: Callable[..., Any]) -> None:
        (tmp_path / "out").write_bytes(b"")
        self.refused(run, "out", "cannot be made")

    def test_into_an_impossible_name(self, run: Callable[..., Any]) -> None:
        self.refused(run, "x" * 300, "cannot be made")

    def test_into_a_place_where_nothing_can_be_made(self, run: Callable[..., Any]) -> None:
        self.refused(run, "/proc/nothing", "cannot be made")

    def test_a_journal_that_cannot_be_written(self, tmp_path: Path, run: Callable[..., Any]) -> None:
        (tmp_path / "out/.tapeemu-journal").mkdir(parents=True)
        self.refused(run, "out", ".tapeemu-journal cannot be written")
        assert leftovers(tmp_path / "out") == []

    def test_a_name_too_long_with_its_new_suffix(self, tmp_path: Path, run: Callable[..., Any]) -> None:
        whole(tmp_path, name="x" * 251 + ".wav")
        status, errors, _ = run("x" * 251 + ".wav", "-o", "out", "--format", "aiff")
        assert status == OUTPUT
        assert "not a possible name" in errors[0]
        assert leftovers(tmp_path / "out") == []

    @pytest.mark.parametrize(
        ("options", "audio"),
        [
            (["--format", "mp3"], noise(3)),
            (["--format", "flac"], noise(9)),
            (["--format", "mp3", "--rate", "96000"], noise()),
        ],
    )
    def test_what_the_format_cannot_hold(
        self, tmp_path: Path, run: Callable[..., Any], options: list[str], audio: Any
    ) -> None:
        whole(tmp_path, name="good.wav", audio=audio)
        self.refused(run, "out", "choose another format", *options)
        assert leftovers(tmp_path / "out") == []

    @pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may write anywhere")
    def test_into_a_read_only_folder(self, tmp_path: Path, run: Callable[..., Any]) -> None:
        (tmp_path / "out").mkdir(mode=0o500)
        self.refused(run, "out", "cannot be written to")

    def test_into_a_folder_that_refuses(
        self, tmp_path: Path, run: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """The same for everyone, root included: the system's refusal is put in its place."""
        opened = os.open

        def refuse(path: Any, flags: int, *rest: Any, **more: Any) -> int:
            if str(path).endswith(".part"):
                raise PermissionError(13, "Permission denied", str(path))
            return opened(path, flags, *rest, **more)

        monkeypatch.setattr(os, "open", refuse)
        self.refused(run, "out", "check its permissions")

    @pytest.mark.parametrize("jobs", ["1", "2"])
    def test_a_file_that_would_clip_fails_alone(self, tmp_path: Path, run: Callable[..., Any], jobs: str) -> None:
        """6 dB down, still twice full scale; the other file of the command is done."""
        whole(tmp_path, name="loud.wav", subtype="FLOAT", audio=np.array([[0.0, 4.0], [0.1, 0.1]]))
        command = ("loud.wav", "good.wav", "-o", "out", "--depth", "24", "--jobs", jobs)
        status, errors, _ = run(*command)
        assert status == OUTPUT
        assert len(errors) == 2
        assert "out/loud.wav would clip and is not written: 1 of 4 samples" in errors[0]
        for remedy in ("--depth float", "--true-peak-dbtp -1", "--allow-clipping"):
            assert remedy in errors[0]
        assert errors[1] == "tapeemu: 1 of 2 failed, 1 done"
        assert leftovers(tmp_path / "out") == ["good.wav"]
        status, errors, printed = run(*command, "--resume", "--allow-clipping")
        assert (status, errors) == (0, [])
        assert "left alone, finished and unchanged: 1" in printed
        assert "1 of 4 samples were clipped, the highest at +6.04 dBFS" in printed
        assert leftovers(tmp_path / "out") == ["good.wav", "loud.wav"]

    def test_names_that_collide_stop_the_batch_before_it_begins(
        self, tmp_path: Path, run: Callable[..., Any]
    ) -> None:
        whole(tmp_path, name="good.flac", fmt="FLAC")
        status, errors, _ = run("good.wav", "good.flac", "-o", "out", "--format", "wav")
        assert status == USAGE
        assert len(errors) == 1
        assert "would both become" in errors[0]
        assert not (tmp_path / "out").exists()


@contextmanager
def small_disk(folder: Path, size: int) -> Iterator[Path]:
    """A file system of a few hundred kilobytes; needs the right to mount."""
    place = folder / "disk"
    place.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(place)], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip("a small file system cannot be mounted here")
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True)


@pytest.mark.skipif(sys.platform != "linux", reason="needs mount and resource limits of Linux")
class TestFullDisk:
    @pytest.mark.parametrize("container", ["wav", "flac", "aiff", "ogg", "mp3"])
    @pytest.mark.parametrize("options", [[], ["--true-peak-dbtp", "-1"]], ids=["straight", "spooled"])
    def test_a_disk_that_fills_half_way(
        self, tmp_path: Path, run: Callable[..., Any], container: str, options: list[str]
    ) -> None:
        soundfile.write(tmp_path / "big.wav", noise(2, 600_000), RATE, "PCM_24")
        whole(tmp_path, name="small.wav")
        with small_disk(tmp_path, 120_000) as disk:
            status, errors, _ = run(
                "big.wav", "small.wav", "-o", str(disk / "out"), "--format", container, *options
            )
            assert status == OUTPUT
            assert len(errors) == 2
            assert "cannot be" in errors[0]
            assert "free" in errors[0]
            assert [Path(name).stem for name in leftovers(disk)] == ["small"]

    def test_a_full_disk_is_told_and_leaves_nothing(self, tmp_path: Path, run: Callable[..., Any]) -> None:
        whole(tmp_path, name="small.wav")
        with small_disk(tmp_path, 4096 * 4) as disk:
            with (disk / "ballast").open("wb", buffering=0) as ballast:
                try:
                    while ballast.write(bytes(4096)):
                        pass
                except OSError:
                    pass
            status, errors, _ = run("small.wav", "-o", str(disk))
            assert status == OUTPUT
            assert len(errors) == 1
            assert leftovers(disk) == ["ballast"]

    def test_a_limit_on_the_size_of_files(self, tmp_path: Path) -> None:
        """The same without the right to mount: the process may write no file beyond 100 kB."""
        soundfile.write(tmp_path / "big.wav", noise(2, 300_000), RATE, "PCM_24")
        (tmp_path / "preset.toml").write_text(PRESET, "utf-8")
        code = (
            "import resource, sys; resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000));"
            "from tapeemu.cli import main;"
            "sys.argv = ['tapeemu', 'process', 'big.wav', '-p', 'preset.toml', '-o', 'out']; main()"
        )
        done = subprocess.run(
            [sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=False
        )
        assert done.returncode == OUTPUT
        lines = done.stderr.splitlines()
        assert len([line for line in lines if "cannot be written" in line]) == 1
        assert "Traceback" not in done.stderr
        assert leftovers(tmp_path / "out") == []


def audio_of(shape: tuple[int, ...] = (2, 100)) -> Any:
    return np.zeros(shape)


BAD_CALLS: dict[str, tuple[Callable[[], Any], type[TapeemuError], str]] = {
    "integers": (lambda: tapeemu.PreampDrive()(np.zeros((2, 9), np.int16), sample_rate=RATE), AudioError, "int16"),
    "a list": (lambda: tapeemu.PreampDrive()([0.0, 1.0], sample_rate=RATE), AudioError, "list"),  # type: ignore[type-var]
    "half floats": (
        lambda: tapeemu.PreampDrive()(np.zeros((2, 9), np.float16), sample_rate=RATE),
        AudioError,
        "float16",
    ),
    "complex": (lambda: tapeemu.PreampDrive()(np.zeros((2, 9), complex), sample_rate=RATE), AudioError, "complex"),
    "objects": (lambda: tapeemu.PreampDrive()(np.array([None]), sample_rate=RATE), AudioError, "object"),
    "three dimensions": (
        lambda: tapeemu.PreampDrive()(audio_of((2, 3, 4)), sample_rate=RATE),
        AudioError,
        "dimensions",
    ),
    "no dimension": (lambda: tapeemu.PreampDrive()(np.array(0.5), sample_rate=RATE), AudioError, "dimensions"),
    "time first": (
        lambda: tapeemu.PreampDrive()(audio_of((48_000, 2)), sample_rate=RATE),
        ParameterError,
        "transpose",
    ),
    "no channels": (
        lambda: tapeemu.PreampDrive()(audio_of((0, 9)), sample_rate=RATE),
        ParameterError,
        "channels is 0",
    ),
    "rate of 0": (lambda: tapeemu.PreampDrive()(audio_of(), sample_rate=0), ParameterError, "sample_rate"),
    "rate of nan": (
        lambda: tapeemu.PreampDrive()(audio_of(), sample_rate=float("nan")),
        ParameterError,
        "sample_rate",
    ),
    "rate as text": (lambda: tapeemu.PreampDrive()(audio_of(), sample_rate="48k"), ParameterError, "sample_rate"),  # type: ignore[arg-type]
    "rate as truth": (lambda: tapeemu.PreampDrive()(audio_of(), sample_rate=True), ParameterError, "sample_rate"),
    "negative tail": (
        lambda: tapeemu.PreampDrive()(audio_of(), sample_rate=RATE, tail_seconds=-1.0),
        ParameterError,
        "tail",
    ),
    "tail of nan": (
        lambda: tapeemu.PreampDrive()(audio_of(), sample_rate=RATE, tail_seconds=float("nan")),
        ParameterError,
        "tail",
    ),
    "setting of nan": (lambda: tapeemu.PreampDrive(drive_db=float("nan")), ParameterError, "drive_db"),
    "setting of infinity": (lambda: tapeemu.PreampDrive(drive_db=float("inf")), ParameterError, "drive_db"),
    "setting as text": (lambda: tapeemu.PreampDrive(drive_db="loud"), ParameterError, "drive_db"),
    "unknown setting": (lambda: tapeemu.PreampDrive(driv_db=3.0), ParameterError, "did you mean"),
    "stages of text": (lambda: Chain(stages="hall"), ParameterError, "stages"),  # type: ignore[arg-type]
    "stages of numbers": (lambda: Chain(stages=[1]), ParameterError, "int"),  # type: ignore[list-item]
    "chain from strange keys": (lambda: Chain.from_dict({"stage": []}), ParameterError, "stage"),
    "writer without channels": (
        lambda: AudioWriter("/tmp", sample_rate=RATE, channels=2, encoding=Encoding("WAV", "PCM_16")),
        OutputError,
        "is a folder",
    ),
    "reader of a folder": (lambda: AudioReader("/"), AudioError, "is a folder"),
    "audio of nothing": (lambda: read_audio("/nowhere/at/all.wav"), AudioError, "does not exist"),
    "unequal lists": (lambda: render_files(["a"], Chain(stages=[]), targets=[]), ParameterError, "1 sources"),
    "delivery at no rate": (lambda: Delivery(sample_rate_hz=0), ParameterError, "sample_rate_hz"),
    "delivery of a depth": (lambda: Delivery(depth="8"), ParameterError, "depth"),  # type: ignore[arg-type]
    "delivery of a colour": (lambda: Delivery(colour=1), ParameterError, "colour"),  # type: ignore[call-arg]
}


@pytest.mark.parametrize("case", BAD_CALLS)
def test_bad_calls_are_refused_in_words(case: str) -> None:
    call, error, told = BAD_CALLS[case]
    with pytest.raises(error, match=told) as raised:
        call()
    assert "\n" not in str(raised.value)


def test_there_are_enough_of_them() -> None:
    assert len(BAD_FILES) + len(BAD_OPTIONS) + len(BAD_PRESETS) + len(BAD_CALLS) >= 150


def test_a_real_process_says_it_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "preset.toml").write_text(PRESET, "utf-8")
    command = [sys.executable, "-m", "tapeemu", "process", "gone.wav", "-p", "preset.toml", "-o", "out"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == INPUT
    assert done.stderr == "tapeemu: gone.wav does not exist; check its name\n"
    assert done.stdout == ""


def test_an_error_nobody_thought_of_is_one_line_too(
    tmp_path: Path, run: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    whole(tmp_path, name="a.wav")
    whole(tmp_path, name="b.wav")

    def fail(*_: Any, **__: Any) -> None:
        raise ZeroDivisionError("of all things")

    monkeypatch.setattr("tapeemu.rendering.batch.render_job", fail)
    status, errors, _ = run("a.wav", "b.wav", "-o", "out")
    assert status == 1
    assert errors[0] == "tapeemu: a.wav: internal error: ZeroDivisionError: of all things; please report it"
    assert len(errors) == 3
