"""The bar with the time left: seen on a terminal, and never mixed with what a command prints."""

import io
import re
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from measure.progress import new_bars, shown
from measure.report import Report
from measure.standard_set import bench
from measure.validation import FloatArray
from tapeemu import Chain, FdnReverb, PreampDrive
from tapeemu.cli.common import Bar
from tapeemu.presets.measuring import in_processes, measure_chain
from tapeemu.rendering.plan import BatchPlan, Item


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def terminal(monkeypatch: pytest.MonkeyPatch) -> Terminal:
    """A terminal in place of standard error; called within a test, since pytest sets its own before."""
    made = Terminal()
    monkeypatch.setattr(sys, "stderr", made)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "100")
    return made


def test_it_shows_what_how_much_and_how_long(monkeypatch: pytest.MonkeyPatch) -> None:
    """Half done after ten seconds of a clock that is put in: ten seconds are left."""
    screen = terminal(monkeypatch)
    now = [100.0]
    with Bar("files", 8.0) as bar:
        assert bar._shown is not None
        bar._shown.get_time = lambda: now[0]
        for done in range(1, 5):
            now[0] += 2.5
            bar.update(float(done), f"{done}/8 fog.wav")
        bar._shown.refresh()
    seen = screen.getvalue()
    assert "files 4/8 fog.wav" in seen
    assert "50 %" in seen
    assert re.search(r"0:00:1[0-4]", seen)


def test_what_is_printed_meanwhile_stays_whole(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    screen = terminal(monkeypatch)
    with Bar("presets", 2) as bar:
        bar.update(1, "1/2")
        with bar.aside():
            sys.stdout.write("hall-into-drive: proved\n")
        bar.update(2, "2/2")
    assert capsys.readouterr().out == "hall-into-drive: proved\n"
    assert "hall-into-drive" not in screen.getvalue()


def test_nothing_is_drawn_where_nobody_looks(monkeypatch: pytest.MonkeyPatch) -> None:
    pipe = io.StringIO()
    monkeypatch.setattr(sys, "stderr", pipe)
    with Bar("files", 1.0) as bar:
        assert not bar.visible
        bar.update(0.5, "x")
        with bar.aside():
            pass
    assert pipe.getvalue() == ""


def test_a_batch_counts_by_the_size_of_its_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """900 bytes and 100 bytes: the first half of the first is 45 %; a late word takes nothing back."""
    from tapeemu.cli.process import _Count

    monkeypatch.chdir(tmp_path)
    Path("a.wav").write_bytes(bytes(900))
    Path("b.wav").write_bytes(bytes(100))
    first, second = (Item(Path(name), Path("out") / name) for name in ("a.wav", "b.wav"))
    count = _Count(BatchPlan(Path("out"), (first, second)))
    shown: list[Any] = []
    monkeypatch.setattr(count.bar, "update", lambda done, text: shown.append((done, text)))
    count.of_one_file(Path("a.wav"), 50, 100)
    count.finished(Item(second.source.absolute(), second.target.absolute()))
    count.finished(first)
    count.of_one_file(Path("a.wav"), 80, 100)
    count.of_one_file(Path("b.wav"), 80, 0)
    assert shown == [
        (450.0, "0/2 a.wav"),
        (550.0, "1/2"),
        (1000.0, "2/2"),
        (1000.0, "2/2 a.wav"),
        (1000.0, "2/2 b.wav"),
    ]


def test_the_laboratory_shows_it_too(monkeypatch: pytest.MonkeyPatch) -> None:
    screen = terminal(monkeypatch)
    with shown("read the recording") as progress:
        progress(0.5)
        time.sleep(0.2)  # for the bar, which is drawn ten times a second
    assert "read the recording" in screen.getvalue()
    assert "50 %" in screen.getvalue()
    monkeypatch.setattr(sys, "stderr", io.StringIO())
    with shown("read the recording") as progress:
        progress(0.5)
    assert isinstance(sys.stderr, io.StringIO)
    assert sys.stderr.getvalue() == ""


def test_the_bench_tells_what_share_of_the_signals_is_done() -> None:
    shares: list[float] = []

    def wire(audio: FloatArray, rate: float) -> FloatArray:
        return audio

    bench(wire, sample_rate=8_000, rows=["distortion tone"], stages={"the same": wire}, progress=shares.append)
    assert sorted(shares) == [0.25, 0.5, 0.75, 1.0]  # a sweep and a tone each


def test_measuring_tells_shares_of_all_parts_of_a_chain(monkeypatch: pytest.MonkeyPatch) -> None:
    shares: list[float] = []

    def half(*_: object, progress: Callable[[float], None], **__: object) -> Report:
        progress(0.5)
        return Report(sample_rate=48_000.0, reference_level_dbfs=-18.0, seeds=(), readings={}, curves={}, notes=())

    monkeypatch.setattr("measure.standard_set.bench", half)
    measure_chain(Chain([FdnReverb(), PreampDrive()]), progress=shares.append)
    assert shares == pytest.approx([0.5 / 3, 1.5 / 3, 2.5 / 3])


def test_presets_in_one_process_tell_shares_of_all() -> None:
    shares: list[float] = []

    def task(number: int, told: Callable[[float], None] | None) -> int:
        assert told is not None
        told(0.5)
        return number

    assert list(in_processes(task, [1, 2], jobs=1, progress=shares.append)) == [1, 2]
    assert shares == [0.25, 0.75]


def test_what_is_printed_beside_bars_goes_where_it_went(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal(monkeypatch)
    printed = sys.stdout
    with new_bars():
        assert sys.stdout is printed
