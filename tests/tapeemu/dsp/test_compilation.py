"""Compiled loops: announced once, cached, and never stopped by a cache that cannot be written."""

import importlib.util
import os
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

from tapeemu.dsp.kernels.compilation import kernel

SOURCE = """
from tapeemu.dsp.kernels.compilation import kernel

@kernel()
def double(value: float) -> float:
    return 2.0 * value
"""
SCRIPT = """
import numpy as np
from tapeemu.dsp.kernels.compilation import announce_with
from tapeemu.rendering.loudness import LevelMeter
announce_with(print)
for _ in range(2):
    LevelMeter(sample_rate=48_000, channels=1).add(np.ones((1, 10)))
"""


def module_from(path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_a_function_without_a_place_for_its_cache_still_compiles() -> None:
    names: dict[str, object] = {"kernel": kernel}
    exec(SOURCE.replace("from tapeemu.dsp.kernels.compilation import kernel", ""), names)
    assert names["double"](4.0) == 8.0  # type: ignore[operator]


def test_a_full_disk_costs_the_cache_and_not_the_call(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from numba.core import caching

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(caching.IndexDataCacheFile, "save", full)
    path = tmp_path / "loops_on_a_full_disk.py"
    path.write_text(SOURCE)
    assert module_from(path).double(4.0) == 8.0


def test_the_first_compilation_is_announced_in_one_line_and_cached(tmp_path: Path) -> None:
    environment = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path)}

    def said() -> list[str]:
        done = subprocess.run(
            [sys.executable, "-c", SCRIPT], env=environment, capture_output=True, text=True, check=True
        )
        return done.stdout.splitlines()

    first = said()
    assert len(first) == 1
    assert "compiling signal-processing loops" in first[0]
    assert list(tmp_path.rglob("*.nbi"))
    assert said() == []
