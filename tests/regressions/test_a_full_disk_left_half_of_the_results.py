"""On a full disk `--plots` left some of the plots, and `compare --renders` a report without its renders."""

import errno
import os
import sys
from pathlib import Path
from typing import Any

import pytest
from hostile_comparison import comparison

from measure.errors import ResultsError
from measure.plots import save_plots
from measure.report import Report
from tapeemu.files.writer import AudioWriter
from tapeemu.report import html_page, unnamed_renders


def _full(*_: object, **__: object) -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_of_the_plots_none_is_there_before_all_are(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Drawn:
        def savefig(self, file: Any, **_: object) -> None:
            file.write(b"drawn")

    class Undrawn:
        savefig = _full

    monkeypatch.setattr("measure.plots.figures_of", lambda _: {"first": Drawn(), "second": Undrawn()})
    report = Report(sample_rate=48_000.0, reference_level_dbfs=-18.0, seeds=(), readings={}, curves={})
    with pytest.raises(ResultsError, match="no space left on device"):
        save_plots(report, tmp_path / "new" / "plots")
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("where", ["renders", "report"])
def test_a_report_and_its_renders_are_there_together_or_not_at_all(
    where: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from tapeemu.cli import main

    monkeypatch.setattr("tapeemu.comparison.compare", lambda *_, **__: comparison())
    monkeypatch.setattr("signal.signal", lambda *_: None)
    if where == "renders":
        written = AudioWriter.write
        monkeypatch.setattr(
            AudioWriter, "write", lambda file, audio: _full() if "-2-" in file.path.name else written(file, audio)
        )
    else:
        monkeypatch.setattr(html_page, "picture_of", _full)
    (tmp_path / "stem.wav").write_bytes(b"")
    out = tmp_path / "out"
    argv = ["tapeemu", "compare", str(tmp_path / "stem.wav"), "--preset", "hall-into-drive", "--renders"]
    monkeypatch.setattr(sys, "argv", [*argv, "--out", str(out)])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code != 0
    assert not out.exists()


def test_renders_take_their_names_at_the_end(tmp_path: Path) -> None:
    with unnamed_renders(comparison(), tmp_path) as paths:
        assert not [path for path in tmp_path.iterdir() if not path.name.endswith(".part")]
    assert sorted(tmp_path.iterdir()) == sorted(paths)
