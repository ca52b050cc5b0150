"""Two hundred kills at random moments: no damaged target, nothing lost, the batch always goes on.

pytest -m long tests/long/test_kills.py
"""

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

KILLS = 200
PRESET = """
format = 1
purpose = "Unsteady, and driven a little"
[[stages]]
kind = "wow_flutter"
[[stages]]
kind = "preamp_drive"
"""
# Three in four by SIGKILL, whose target cannot tidy up; the rest as a user or a system would end it.
SIGNALS = [signal.SIGKILL, signal.SIGKILL, signal.SIGKILL, signal.SIGTERM, signal.SIGKILL, signal.SIGINT]

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(os.name != "posix", reason="signals of POSIX"),
]


def test_two_hundred_kills(tmp_path: Path) -> None:
    chance = random.Random(20261125)
    (tmp_path / "p.toml").write_text(PRESET, "utf-8")
    (tmp_path / "in/x").mkdir(parents=True)
    rng = np.random.default_rng(1)
    suffixes = {"wav": "PCM_24", "flac": "PCM_16", "aiff": "PCM_16", "ogg": "VORBIS"}
    for number in range(16):
        suffix = list(suffixes)[number % 4]
        where = tmp_path / ("in" if number % 2 else "in/x") / f"{number}.{suffix}"
        soundfile.write(where, rng.uniform(-0.3, 0.3, (400_000, 2)), 48_000, suffixes[suffix])
    command = [sys.executable, "-m", "tapeemu", "process", "in", "-p", "p.toml", "--true-peak-dbtp", "-1", "-o"]
    began = time.monotonic()
    subprocess.run([*command, "whole"], cwd=tmp_path, check=True, capture_output=True)
    seconds = time.monotonic() - began
    # Ogg puts a random serial number into each file, so what they hold is compared.
    whole = {
        path.relative_to(tmp_path / "whole"): path for path in (tmp_path / "whole").rglob("*.*") if path.is_file()
    }
    del whole[Path(".tapeemu-journal")]
    killed = seen = 0
    while killed < KILLS:
        options = ["out", "--resume", "--jobs", chance.choice(["1", "1", "2"])]
        running = subprocess.Popen(
            [*command, *options], cwd=tmp_path, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
        )
        try:
            # The first half second belongs to the interpreter, which has its own way with Ctrl-C.
            _, errors = running.communicate(timeout=chance.uniform(0.6, 1.2 * seconds + 0.6))
        except subprocess.TimeoutExpired:
            running.send_signal(SIGNALS[killed % len(SIGNALS)])
            _, errors = running.communicate(timeout=60)
            killed += 1
        else:
            assert running.returncode == 0, errors
        assert "Traceback" not in errors
        assert "failed" not in errors
        for path in (tmp_path / "out").rglob("*"):
            if path.is_dir() or path.name.startswith(".tapeemu-"):
                continue
            ours = soundfile.read(path)[0]
            np.testing.assert_array_equal(ours, soundfile.read(whole[path.relative_to(tmp_path / "out")])[0])
            seen += 1
        if running.returncode == 0:
            assert {
                path.relative_to(tmp_path / "out") for path in (tmp_path / "out").rglob("*.*") if path.is_file()
            } == {
                *whole,
                Path(".tapeemu-journal"),
            }
            shutil.rmtree(tmp_path / "out")
    assert seen > KILLS
