"""A closed pipe (``| head``) made a limit that is missed a success, and a success an internal error."""

import io
import os
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

Run = Callable[..., str]
Deaf = Callable[[], None]


@pytest.fixture(params=[True, False], ids=["buffered", "unbuffered"])
def deaf(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Callable[[], None]:
    """Give this process a standard output whose reader has gone; unbuffered as PYTHONUNBUFFERED makes it."""

    def give() -> None:
        reader, writer = os.pipe()
        os.close(reader)
        raw = io.FileIO(writer, "wb")
        buffer = io.BufferedWriter(raw) if request.param else raw
        monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(buffer, write_through=not request.param))

    return give


def test_a_missed_limit_stays_missed(deaf: Deaf, tmp_path: Path) -> None:
    from measure.command_line import main

    tone = 0.1 * np.sin(2.0 * np.pi * 1_000.0 * np.arange(4_000) / 8_000.0)
    soundfile.write(tmp_path / "tone.wav", tone, 8_000)
    limits = tmp_path / "limits.toml"
    limits.write_text('[[limit]]\nfigure = "peak_dbfs"\nmost = -60\n', "utf-8")
    deaf()
    assert main([str(tmp_path / "tone.wav"), "--limits", str(limits)]) == 6


def test_commands_end_as_they_would_have(deaf: Deaf, run: Run, tmp_path: Path) -> None:
    preset = tmp_path / "mine.toml"
    deaf()
    run("new", preset, "--stage", "crosstalk")
    assert preset.is_file()
    run("settings", "--markdown")
    run("verify", preset, status=5)
