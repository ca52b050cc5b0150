"""What a command ends with, by the README's list of statuses."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from measure.errors import counted as of_measure
from tapeemu.cli import _status
from tapeemu.cli.process import _times
from tapeemu.errors import counted as of_tapeemu
from tapeemu.files import part_files

Run = Callable[..., str]
README = Path(__file__).parents[3] / "README.md"
STAGE = ("--stage", "preamp_drive thd_percent=1")

WRONG = {
    "kind": (("new", "x", "--stage", "preamp"), "--stage, number 1: kind is 'preamp', but there is no such kind"),
    "key": (("new", "x", *STAGE, "--stage", "preamp_drive thd=1"), "--stage, number 2: 'thd' is not a key"),
    "value": (
        ("new", "x", "--stage", "preamp_drive thd_percent=1000"),
        "thd_percent is 1000, but must be above",
    ),
    "no stage": (("new", "x", "--stage", ""), "--stage is ''"),
    "empty tag": (("new", "x", *STAGE, "--tag", ""), "--tag is '', but must say something"),
    "empty purpose": (("new", "x", *STAGE, "--purpose", " "), "--purpose is ' ', but must say something"),
    "tag to find": (("find", "--tag", ""), "--tag is '', but must say something"),
    "change": (("new", "x", "--from", "hall-into-drive", "--set", "hall.x=1"), "'x' is not a setting here"),
    "figure": (
        ("solve", "x", "thd=1e9", "--dry-run"),
        "thd_percent is 1000000000.0, but must be above",
    ),
    "more than the curve gives": (("solve", "x", "thd=99", "--dry-run"), "this curve gives 1.32e-05 to 47.7 %"),
}


@pytest.mark.parametrize("wrong", WRONG)
def test_wrong_use_is_one_line_and_status_2(run: Run, own: Path, wrong: str) -> None:
    assert "2 wrong use or setting, 3 input or preset cannot be used" in " ".join(
        README.read_text("utf-8").split()
    )
    command, words = WRONG[wrong]
    told = run(*command, status=2)
    assert words in told
    assert len(told.splitlines()) == 1
    assert not re.search(r"\bline \d", told)  # of a text that nobody wrote
    assert not own.exists()


def test_folders_of_which_nothing_came_go_again(tmp_path: Path) -> None:
    kept = part_files.make_folder(tmp_path / "a" / "kept")
    (kept / "file").touch()
    part_files.make_folder(tmp_path / "a" / "b" / "c")
    (tmp_path / "there").mkdir()
    part_files.make_folder(tmp_path / "there")
    part_files.remove_empty_folders()
    assert sorted(str(path.relative_to(tmp_path)) for path in tmp_path.rglob("*")) == [
        "a",
        "a/kept",
        "a/kept/file",
        "there",
    ]


@pytest.mark.parametrize("command", ["demo", "compare", "device"])
def test_a_full_disk_leaves_no_folder(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str
) -> None:
    def full(self: part_files.PartFile, *_: object, **__: object) -> None:
        raise part_files.OutputError(f"{tmp_path} cannot be written to (No space left on device); make room")

    monkeypatch.setattr(part_files.PartFile, "__init__", full)
    monkeypatch.setattr("tapeemu.comparison.compare", full)
    out = tmp_path / "made" / "here"
    stem = Path(__file__).parents[2] / "reference" / "overdrive.flac"
    given = {"demo": (), "compare": (stem, "--preset", "hall-into-drive"), "device": ("preamplifier-alone",)}
    run(command, *given[command], "--out", out, status=4)
    assert not out.parent.exists()


def test_how_many_times_real_time_is_never_none() -> None:
    assert [_times(each) for each in (0.0312, 0.46, 3.14, 9.6, 123.4)] == ["0.031", "0.46", "3.1", "10", "123"]


@pytest.mark.parametrize("counted", [of_tapeemu, of_measure])
def test_things_are_counted_in_words(counted: Callable[..., str]) -> None:
    assert [counted(number, "channel") for number in (0, 1, 2)] == ["0 channels", "1 channel", "2 channels"]
    assert [counted(number, "sample is", "samples are") for number in (1, 3)] == ["1 sample is", "3 samples are"]


@pytest.mark.parametrize(("given", "status"), [("--version", 0), ("--no-such-option", 2)])
def test_what_was_not_interrupted_does_not_say_so(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], given: str, status: int
) -> None:
    monkeypatch.setattr("sys.argv", ["tapeemu", given])
    assert _status() == status
    assert "interrupted" not in capsys.readouterr().err
