"""Folders of stems that tests of batches share."""

from pathlib import Path

import pytest
from batches import make


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    """in/a.wav, in/x/b.wav, in/x/y/a.flac, and things that are not sound files."""
    for number, name in enumerate(("a.wav", "x/b.wav", "x/y/a.flac")):
        make(tmp_path / "in" / name, number)
    (tmp_path / "in/notes.txt").write_text("not a sound", "utf-8")
    (tmp_path / "in/.hidden.wav").write_bytes(b"")
    (tmp_path / "in/.git").mkdir()
    (tmp_path / "in/.git/c.wav").write_bytes(b"")
    return tmp_path
