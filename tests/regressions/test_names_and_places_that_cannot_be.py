"""Bytes that are no text and names too long were internal errors, and a device was replaced by a file."""

import os
import resource
import stat
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from measure.errors import ResultsError
from measure.writing import whole_file
from tapeemu.cli.common import output_folder
from tapeemu.errors import OutputError

Run = Callable[..., str]

STAGE = ("--stage", "preamp_drive thd_percent=1")
PRESET = ("--preset", "preamplifier-alone")
LONG = "x" * 300
ODD = "\udcff"  # how Python hands on a byte of a command line that is not UTF-8

posix = pytest.mark.skipif(sys.platform == "win32", reason="needs names of any bytes, pipes and limits")


@posix
@pytest.mark.parametrize(
    "words",
    [
        (*STAGE, "--purpose", f"odd {ODD}"),
        (*STAGE, "--tag", ODD),
        ("--stage", f"preamp_drive thd_percent={ODD}"),
        ("--from", "preamplifier-alone", "--set", f"drive.{ODD}=1"),
    ],
    ids=str,
)
def test_bytes_that_are_no_text_are_told_with_the_remedy(run: Run, own: Path, words: tuple[str, ...]) -> None:
    said = run("new", "mine", *words, status=2)
    assert "not UTF-8; write it with other letters" in said
    assert len(said.splitlines()) == 1
    assert not list(own.glob("*")) if own.exists() else True


@posix
def test_a_file_may_have_any_bytes_for_a_name(run: Run, tmp_path: Path) -> None:
    path = tmp_path / f"{ODD}.toml"
    run("new", path, *STAGE)
    assert path.is_file()
    assert "1" in run("show", path)


def test_solving_refuses_words_before_its_work(run: Run, own: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tapeemu.presets.solving.solve", lambda *_, **__: pytest.fail("solved before it was told"))
    assert "one line" in run("solve", "mine", "thd=1", "--purpose", "one\ntwo", status=2)
    assert "one line" in run("new", "mine", *STAGE, "--purpose", "one\r\ntwo", status=2)
    assert not (own / "mine.toml").exists()


def test_names_too_long_are_told(run: Run, tmp_path: Path) -> None:
    for words in (
        ("new", LONG, *STAGE),
        ("new", tmp_path / f"{LONG}.toml", *STAGE),
        ("schema", "--out", tmp_path / LONG),
        ("settings", "--markdown", "--out", tmp_path / LONG),
    ):
        assert "is not a possible name" in run(*words, status=4)
    assert "there is no preset file" in run("show", tmp_path / f"{LONG}.toml", status=3)


@posix
def test_what_is_no_file_is_not_replaced(run: Run, tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    assert "a device or a pipe" in run("schema", "--out", pipe, "--overwrite", status=4)
    with pytest.raises(ResultsError, match="device"), whole_file(pipe, overwrite=True):
        pass
    assert stat.S_ISFIFO(pipe.stat().st_mode)
    with pytest.raises(OutputError, match="cannot be made, for a file has that name"):
        output_folder(pipe)


@posix
@pytest.mark.parametrize("container", ["wav", "flac"])
def test_a_disk_without_space_is_not_a_wrong_format(run: Run, tmp_path: Path, container: str) -> None:
    # "choose another format, depth or rate" was the remedy told; a limit on files' sizes stands in for the disk
    stem = tmp_path / "stem.wav"
    soundfile.write(stem, np.full(2_000, 0.1), 48_000)
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    (tmp_path / "out").mkdir()
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, before[1]))
    try:
        said = run("process", stem, *PRESET, "--out", tmp_path / "out", "--format", container, status=4)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert "space" in said
    assert "rate" not in said.replace("preamp", "")
    assert not list((tmp_path / "out").iterdir())
