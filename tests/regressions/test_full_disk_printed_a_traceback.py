"""On a full disk `python -m measure signals` printed tracebacks of a library, and left an empty folder."""

import resource
import subprocess
import sys
from pathlib import Path

import pytest


@pytest.mark.skipif(not hasattr(resource, "RLIMIT_FSIZE"), reason="files cannot be limited here")
def test_signals_on_a_full_disk_are_one_line(tmp_path: Path) -> None:
    """Files end at 64 kB, as on a disk that is full: the system refuses the rest."""
    folder = tmp_path / "signals"
    done = subprocess.run(
        [sys.executable, "-m", "measure", "signals", "--out", str(folder)],
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (65_536, 65_536)),
    )
    assert done.returncode == 4
    assert len(done.stderr.splitlines()) == 1
    assert "cannot be written (file too large)" in done.stderr
    assert not folder.exists()
