"""A full or closed standard output was an internal error or a traceback, and so was a document that is no text."""

import errno
import io
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tapeemu.errors import OutputError
from tapeemu.files.part_files import PartFile

Run = Callable[..., str]
FULL = "what was to be printed cannot be written (No space left on device); check the space there"


class Full(io.StringIO):
    """A stream to a full disk."""

    def write(self, text: str) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")


def test_a_full_disk_behind_the_output_is_told(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    from measure.command_line import main as measure
    from tapeemu.cli import main

    said = io.StringIO()
    monkeypatch.setattr(sys, "stderr", said)
    monkeypatch.setattr(sys, "stdout", Full())
    monkeypatch.setattr("signal.signal", lambda *_: None)
    monkeypatch.setattr(sys, "argv", ["tapeemu", "--version"])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 4
    assert measure(["signals", "--out", str(tmp_path / "tones")]) == 4
    assert said.getvalue().splitlines() == [f"tapeemu: {FULL}", f"measure: {FULL}"]


def test_a_closed_output_is_no_error(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    from measure.command_line import main as measure
    from tapeemu.cli import main

    monkeypatch.setattr("signal.signal", lambda *_: None)
    for argv in (["tapeemu", "--version"], ["tapeemu", "settings", "crosstalk"]):
        monkeypatch.setattr(sys, "stdout", None)
        monkeypatch.setattr(sys, "argv", argv)
        with pytest.raises(SystemExit) as ended:
            main()
        assert ended.value.code == 0
    monkeypatch.setattr(sys, "stdout", None)
    assert measure(["signals", "--out", str(tmp_path / "tones")]) == 0


def test_a_name_that_another_process_took_meanwhile_has_its_own_remedy(tmp_path: Path) -> None:
    """It was said to be a matter of space and permissions as well."""
    target = tmp_path / "stem.wav"
    part = PartFile(target, overwrite=False)
    target.write_text("another's")
    told = f"{target} exists; choose another name or folder, or replace it with --overwrite"
    with pytest.raises(OutputError) as refused:
        part.publish()
    assert str(refused.value) == told
    assert [path.name for path in tmp_path.iterdir()] == ["stem.wav"]


def test_a_document_that_is_no_text_is_refused(run: Run, tmp_path: Path) -> None:
    sound = tmp_path / "sound.wav"
    sound.write_bytes(b"RIFF\x80\xff")
    text = run("presets", "--markdown", "--update", sound, status=4)
    assert "sound.wav is not UTF-8 text; name a Markdown document, or save it as UTF-8" in text
    assert sound.read_bytes() == b"RIFF\x80\xff"
