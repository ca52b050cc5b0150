"""Writing and checking generated files."""

from pathlib import Path

import pytest

from tapeemu.native import generate


def test_stale_and_forgotten_files_are_named_and_then_mended(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(generate, "C_FOLDER", tmp_path)
    monkeypatch.setattr(generate, "generated_files", lambda: {"fresh.c": "1", "stale.c": "2", "new.h": "3"})
    (tmp_path / "fresh.c").write_text("1")
    (tmp_path / "stale.c").write_text("old")
    (tmp_path / "left.inc").write_text("from a kernel that is gone")
    (tmp_path / "live.c").write_text("by hand")
    assert generate.main(["--check"]) == 1
    named = [line.split(" is stale")[0] for line in capsys.readouterr().err.splitlines()]
    assert named == ["stale.c", "new.h", "left.inc"]
    assert (tmp_path / "stale.c").read_text() == "old"
    assert generate.main([]) == 0
    assert capsys.readouterr().out == "3 files, 2 written, 1 removed\n"
    assert {path.name: path.read_text() for path in tmp_path.iterdir()} == {
        "fresh.c": "1",
        "stale.c": "2",
        "new.h": "3",
        "live.c": "by hand",
    }
    assert generate.main(["--check"]) == 0
    (tmp_path / "left.inc").write_text("again")
    assert generate.main(["--check"]) == 1
