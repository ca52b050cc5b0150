"""`python -m measure --plots` replaced files that were there."""

import os
from pathlib import Path

import numpy as np
import pytest
from sound_files import RATE, whole

OUTPUT = 4  # the exit status


def test_the_laboratory_overwrites_nothing_unasked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from measure.command_line import main

    seconds = np.arange(2 * RATE) / RATE
    recording = whole(tmp_path, name="\x1b[31mlatin.wav", audio=0.1 * np.sin(2e3 * np.pi * seconds))
    recording = recording.rename(tmp_path / os.fsdecode(b"latin \xe9.wav"))
    plots = tmp_path / "plots"
    assert main([str(recording), "--plots", str(plots)]) == 0
    (plots / "harmonics.png").write_bytes(b"mine")
    capsys.readouterr()
    assert main([str(recording), "--plots", str(plots)]) == OUTPUT
    assert "exists" in capsys.readouterr().err
    assert (plots / "harmonics.png").read_bytes() == b"mine"
    assert main([str(recording), "--plots", str(plots), "--overwrite"]) == 0
    assert (plots / "harmonics.png").read_bytes() != b"mine"
    signals = ["signals", "--out", str(tmp_path / "signals")]
    assert main(signals) == 0
    (tmp_path / "signals/tone_315hz.wav").write_bytes(b"mine")
    assert main(signals) == OUTPUT
    assert (tmp_path / "signals/tone_315hz.wav").read_bytes() == b"mine"
    assert main([*signals, "--overwrite"]) == 0
    assert (tmp_path / "signals/tone_315hz.wav").read_bytes() != b"mine"
