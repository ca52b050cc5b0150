"""``tapeemu demo`` replaces what it made itself, and nothing else unasked."""

import functools
import signal
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tapeemu import demo_scene
from tapeemu.cli import main

Demo = Callable[..., tuple[object, str]]


WHOLE = demo_scene.make_stem


@functools.cache
def short_stem(name: str, *, sample_rate: int) -> np.ndarray:
    return WHOLE(name, sample_rate=sample_rate)[:, 14_400:19_200]


@pytest.fixture(autouse=True)
def short_scene(monkeypatch: pytest.MonkeyPatch) -> None:
    """A tenth of a second of a stem, made once, will do here."""
    monkeypatch.setattr(demo_scene, "make_stem", short_stem)


@pytest.fixture
def demo(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Demo:
    """Run the command as the installed program does; its status, and what it printed."""

    def run(*options: str) -> tuple[object, str]:
        arguments = ["tapeemu", "demo", "--out", str(tmp_path), "--preset", "preamplifier-alone", *options]
        monkeypatch.setattr(sys, "argv", arguments)
        monkeypatch.setattr(signal, "signal", lambda *_: None)
        with pytest.raises(SystemExit) as ended:
            main()
        printed = capsys.readouterr()
        return ended.value.code, printed.out + printed.err

    return run


def test_a_second_demonstration_replaces_the_first(tmp_path: Path, demo: Demo) -> None:
    assert demo()[0] == 0
    first = {path: path.read_bytes() for path in tmp_path.rglob("*.wav")}
    assert len(first) == 8
    assert demo()[0] == 0
    assert {path: path.read_bytes() for path in tmp_path.rglob("*.wav")} == first


@pytest.mark.parametrize("name", ["dry/hull.wav", "tape/hull.wav"])
def test_a_recording_of_the_same_name_stays(tmp_path: Path, demo: Demo, name: str) -> None:
    own = tmp_path / name
    own.parent.mkdir()
    soundfile.write(own, np.zeros(480), 48_000)
    kept = own.read_bytes()
    status, told = demo()
    assert status == 4
    assert "exists" in told
    assert "--overwrite" in told
    assert own.read_bytes() == kept
    assert demo("--overwrite")[0] == 0
    assert own.read_bytes() != kept
