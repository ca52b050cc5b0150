"""What commands hand on to the library, and how they show what came back; the library itself is stood in for."""

import math
import re
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from batches import make

from tapeemu import AmplitudeFlutter, Chain, PreampDrive, Stage, WowFlutter
from tapeemu.cli import measuring
from tapeemu.cli.process import print_reports
from tapeemu.cli.warm import warm_kernels
from tapeemu.errors import ParameterError
from tapeemu.presets import load_preset
from tapeemu.presets.preset import Preset
from tapeemu.presets.writing import save_preset

Run = Callable[..., str]


class Kept(list[Any]):
    """What a function was given; it then ends the command."""

    def named(self, *names: str) -> Callable[..., Any]:
        def stand_in(*_: Any, **given: Any) -> Any:
            self.append(tuple(given[name] for name in names))
            raise ParameterError("that is enough")

        return stand_in


def test_all_orders_are_asked_for_where_the_option_says_so(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = Kept()
    monkeypatch.setattr("tapeemu.comparison.compare", kept.named("orders"))
    stem = make(tmp_path / "a.wav")
    for options in (["--all-orders"], [], ["--orders", "one,two"]):
        run("compare", stem, "-p", "hall-into-drive", *options, status=2)
    assert kept == [("all",), (None,), (["one,two"],)]


def test_a_dry_run_with_plots_writes_no_preset(run: Run, own: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = Kept()
    monkeypatch.setattr(measuring, "_measured_full", kept.named("write", "full"))
    run("new", "small", "--stage", "preamp_drive drive_db=6")
    for options in (["--dry-run"], ["--full"], []):
        run("measure", "small", "--plots", own / "plots", *options, status=2)
    assert kept == [(False, False), (False, True), (True, False)]


def test_the_full_set_leaves_out_what_is_bypassed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    stages = [
        Stage(processor=WowFlutter(), name="reel"),
        Stage(processor=AmplitudeFlutter(), name="level", bypass=True),
        Stage(processor=PreampDrive(), name="drive"),
    ]
    path = tmp_path / "three.toml"
    save_preset(Preset(name="three", purpose="Three.", chain=Chain(stages)), path)
    kept: list[Any] = []
    monkeypatch.setattr("measure.standard_set.bench", lambda _, stages, progress: kept.append(stages))
    measuring._measured_full(SimpleNamespace(path=path, name="three"), full=True, write=False, plots=None)  # type: ignore[arg-type]
    assert [list(given) for given in kept] == [["reel", "drive"]]


def test_stages_are_numbered_from_one(run: Run) -> None:
    text = run("show", "hall-into-drive")
    for number, name in enumerate(load_preset("hall-into-drive").chain.names, start=1):
        assert re.search(rf"^\W*{number}\W+{name}\b", text, re.MULTILINE)


def test_nobody_is_told_of_progress_where_no_bar_is_seen(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = Kept()
    monkeypatch.setattr("tapeemu.rendering.batch.render_batch", kept.named("progress"))
    run("process", make(tmp_path / "a.wav"), "-p", "hall-into-drive", "-o", tmp_path / "out", status=2)
    assert kept == [(None,)]


def test_a_loudness_that_is_undefined_is_a_dash(capsys: pytest.CaptureFixture[str]) -> None:
    def report(loudness_lufs: float) -> Any:
        return SimpleNamespace(
            target=Path("x.wav"),
            encoding="wav 24 bit",
            sample_rate=48_000,
            channels=2,
            seconds_in=8.0,
            seconds_out=9.5,
            loudness_lufs=loudness_lufs,
            peak_dbfs=-6.0,
            true_peak_dbtp=-5.5,
            gain_db=1.5,
            clipped_samples=0,
            times_real_time=40.0,
            seed=None,
            latency_samples=12,
            chain={"stages": []},
            notes=(),
        )

    for value, shown in ((math.nan, "–"), (-23.04, "-23.0")):
        print_reports([report(value)])
        row = next(line.split() for line in capsys.readouterr().out.splitlines() if "x.wav" in line)
        assert row[row.index("9.50") + 1] == shown


def test_every_kind_that_needs_no_setting_is_compiled(monkeypatch: pytest.MonkeyPatch) -> None:
    ran = []

    class Ready:
        model_fields: dict[str, Any] = {}  # noqa: RUF012  as pydantic has it

        def __call__(self, audio: Any, *, sample_rate: float) -> None:
            ran.append((audio.shape, sample_rate))

    class Waiting(Ready):
        model_fields = {"effect": SimpleNamespace(is_required=lambda: True)}  # noqa: RUF012

    monkeypatch.setattr("tapeemu.processors.processor_kinds", lambda: {"a": Ready, "b": Waiting, "c": Ready})
    warm_kernels()
    assert ran == [((2, 256), 48_000)] * 2
