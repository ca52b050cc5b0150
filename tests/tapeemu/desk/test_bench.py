"""The laboratory behind the desk, without the measuring."""

import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

import tapeemu
from tapeemu.chain import Chain
from tapeemu.desk import bench
from tapeemu.desk.bench import Bench
from tapeemu.errors import ParameterError
from tapeemu.presets import load_preset
from tapeemu.presets.preset import Preset
from tapeemu.presets.writing import save_preset

FIRST, SECOND = Chain(stages=[tapeemu.PreampDrive()]), Chain(stages=[tapeemu.WowFlutter()])


class Laboratory:
    """Readings that come when a test lets them."""

    def __init__(self) -> None:
        self.begun, self.may_go_on = threading.Event(), threading.Event()

    def readings(self, chain: Chain) -> Iterator[dict[str, Any]]:
        yield {"thd_reference_percent": [1.0 if chain == FIRST else 2.0, "%"]}
        self.begun.set()
        assert self.may_go_on.wait(20.0)
        yield {"mol_3_percent_db": [3.0, "dB"]}


def wait_until(holds: Callable[[], bool]) -> None:
    for _ in range(2_000):
        if holds():
            return
        threading.Event().wait(0.01)
    raise AssertionError("it never came")


def test_figures_come_as_they_are_read_and_only_for_the_newest_chain(monkeypatch: pytest.MonkeyPatch) -> None:
    laboratory = Laboratory()
    monkeypatch.setattr(bench, "_readings", laboratory.readings)
    works = Bench()
    assert works.figures("0") == {"number": 0, "figures": {}, "done": True}
    first = works.measure(FIRST)
    assert laboratory.begun.wait(20.0)
    some = {"thd_reference_percent": [1.0, "%"]}
    assert works.figures(str(first)) == {"number": first, "figures": some, "done": False}
    second = works.measure(SECOND)
    assert second == first + 1
    # Whoever asks for a chain that was given up learns the number of the newest, and no figures.
    assert works.figures(str(first)) == {"number": second, "figures": {}, "done": True}
    laboratory.may_go_on.set()
    wait_until(lambda: works.figures(str(second))["done"])
    both = {"thd_reference_percent": [2.0, "%"], "mol_3_percent_db": [3.0, "dB"]}
    assert works.figures(str(second)) == {"number": second, "figures": both, "done": True}


def test_a_file_is_measured_and_written_unless_it_changed_meanwhile(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    written: list[Path] = []
    untouched, touched, last = (tmp_path / f"{name}.toml" for name in ("untouched", "touched", "last"))
    for path in (untouched, touched, last):
        save_preset(Preset(name=path.stem, purpose="Drive.", chain=FIRST), path)

    def measure(preset: Preset) -> tuple[Preset, None]:
        if preset.path == touched:
            save_preset(Preset(name="touched", purpose="Flutter.", chain=SECOND), touched, overwrite=True)
        return preset, None

    monkeypatch.setattr(bench, "measure_preset", measure)
    monkeypatch.setattr(bench, "save_preset", lambda _preset, path, **_: written.append(path))
    works = Bench()
    for path in (untouched, touched, last):
        works.measure_file(path)
    wait_until(lambda: last in written)
    assert written == [untouched, last]
    assert load_preset(touched).chain == SECOND


def test_what_cannot_be_measured_has_no_figures(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: Any, **__: Any) -> None:
        raise ParameterError("no; because of it; do that")

    monkeypatch.setattr(bench, "measure_chain", refuse)
    works = Bench()
    number = works.measure(FIRST)
    wait_until(lambda: works.figures(str(number))["done"])
    assert works.figures(str(number))["figures"] == {}
