"""On a full disk `python -m measure signals` printed tracebacks of a library, and left an empty folder."""

import errno
import os
import resource
import subprocess
import sys
from pathlib import Path

import pytest

from measure import signal_files
from measure.errors import ResultsError
from measure.signal_files import TEST_SIGNALS, save_signals
from measure.validation import FloatArray


@pytest.mark.skipif(not hasattr(resource, "RLIMIT_FSIZE"), reason="files cannot be limited here")
def test_signals_on_a_full_disk_are_one_line(tmp_path: Path) -> None:
    """Files end at 64 kB, as on a disk that is full: the system refuses the rest."""
    folder = tmp_path / "new" / "signals"
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
    assert not folder.parent.exists()


def test_of_the_signals_none_is_there_before_all_are(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Half of them stayed, and the next run was refused because they exist."""
    shares: list[float] = []
    encoded = signal_files.encoded_sound

    def full(samples: FloatArray, sample_rate: int) -> memoryview:
        if len(shares) == 3:
            assert sorted(path.suffix for path in tmp_path.iterdir()) == [".part"] * 3
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return encoded(samples, sample_rate)

    monkeypatch.setattr(signal_files, "encoded_sound", full)
    with pytest.raises(ResultsError, match="no space left on device"):
        save_signals(tmp_path, sample_rate=44_100, reference_dbfs=-18.0, progress=shares.append)
    assert not list(tmp_path.iterdir())
    assert shares == [number / len(TEST_SIGNALS) for number in (1, 2, 3)]
