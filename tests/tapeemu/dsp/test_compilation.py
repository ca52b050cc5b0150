"""Loops compiled by numba: announced once, cached, and never stopped by a cache that cannot be written."""

import gc
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import numba
import numpy as np
import pytest
from modules import module_at

import tapeemu
from tapeemu.dsp.kernels import compilation
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


PLAIN = """
import pickle, sys
import numpy as np
from tapeemu.dsp.kernels.interpolation import locate
assert not hasattr(locate, "signatures"), "compiled all the same"
audio, cases = pickle.load(sys.stdin.buffer)
pickle.dump([case(audio, sample_rate=48_000, tail_seconds=0.001) for case in cases], sys.stdout.buffer)
"""


CALLED = """
from tapeemu.dsp.kernels.compilation import kernel

@kernel()
def amount() -> float:
    return {amount}
"""
BETWEEN = """
from tapeemu.dsp.kernels.called import amount
from tapeemu.dsp.kernels.compilation import kernel

@kernel()
def passed_on() -> float:
    return amount()
"""
CALLER = """
from tapeemu.dsp.kernels.between import passed_on
from tapeemu.dsp.kernels.compilation import kernel

@kernel()
def total(value: float) -> float:
    return value + passed_on()
"""
SUM = """
from tapeemu.dsp.kernels.caller import total
print(total(1.0), sum(total.stats.cache_hits.values()))
"""


@pytest.fixture(autouse=True)
def by_numba(monkeypatch: pytest.MonkeyPatch) -> None:
    """Kernels that are made here, and those of processes that are started here, are compiled by numba."""
    monkeypatch.setattr(compilation, "LOOPS", "numba")
    monkeypatch.setenv("TAPEEMU_LOOPS", "numba")


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
    assert module_at(path).double(4.0) == 8.0


def test_what_another_kernel_calls_is_compiled_for_that_alone(tmp_path: Path) -> None:
    """Not for Python as well, which is a fifth of the work, until Python calls it."""
    path = tmp_path / "loops_that_call.py"
    path.write_text(
        f"{SOURCE}\n@kernel()\ndef fourfold(value: float) -> float:\n    return double(double(value))\n"
    )
    loops = module_at(path)
    assert loops.fourfold(3.0) == 12.0
    assert (len(loops.fourfold.signatures), len(loops.double.signatures)) == (1, 0)
    assert loops.double(3.0) == 6.0


@pytest.mark.parametrize("collecting", [True, False])
def test_the_collector_is_left_as_it_was(tmp_path: Path, collecting: bool) -> None:
    path = tmp_path / f"loops_{collecting}.py"
    path.write_text(SOURCE)
    (gc.enable if collecting else gc.disable)()
    try:
        module_at(path).double(4.0)
        assert gc.isenabled() is collecting
    finally:
        gc.enable()


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


def test_a_kernel_is_compiled_again_when_one_that_it_calls_in_another_file_changes(tmp_path: Path) -> None:
    package = tmp_path / "tapeemu"
    shutil.copytree(
        Path(tapeemu.__file__).parent, package, ignore=shutil.ignore_patterns("__pycache__", "presets", "cli")
    )
    kernels = package / "dsp" / "kernels"
    (kernels / "between.py").write_text(BETWEEN)
    (kernels / "caller.py").write_text(CALLER)

    def run(amount: float) -> tuple[float, int]:
        (kernels / "called.py").write_text(CALLED.format(amount=amount))
        done = subprocess.run(
            [sys.executable, "-B", "-c", SUM], cwd=tmp_path, capture_output=True, text=True, check=True
        )
        total, hits = done.stdout.split()
        return float(total), int(hits)

    assert run(2.0) == (3.0, 0)
    assert run(2.0) == (3.0, 1)
    assert run(4.0) == (5.0, 0)


def test_the_stamp_of_a_file_follows_imports_by_way_of_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same by the stamp alone: a file two imports away, and two that import each other."""
    from tapeemu.dsp.kernels import by_numba

    def stamp(**sources: str) -> tuple[str, ...]:
        folder = tmp_path / str(len(list(tmp_path.iterdir())))
        folder.mkdir()
        for name, source in sources.items():
            (folder / f"{name}.py").write_text(source)
        monkeypatch.setattr(by_numba, "_FOLDER", folder)
        return by_numba._stamp_of_imports(folder / "caller.py")

    called, between = CALLED.format(amount=2.0), BETWEEN  # each imports compilation.py as well
    first = stamp(caller=CALLER, between=between, called=called, other="")
    assert len(first) == 3
    assert stamp(caller=CALLER, between=between, called=called, other="x = 1") == first
    assert stamp(caller=CALLER, between=between, called=CALLED.format(amount=4.0)) != first
    assert stamp(caller=CALLER, between=f"{between}\n", called=called) != first
    back = CALLED.format(amount="passed_on()") + "from tapeemu.dsp.kernels.between import passed_on\n"
    assert len(stamp(caller=CALLER, between=between, called=back)) == 3


@pytest.mark.skipif(numba.config.DISABLE_JIT, reason="nothing is compiled")
def test_lanes_are_a_setting_of_one_kernel_and_change_nothing_but_speed(
    rng: np.random.Generator, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Absorbing filters, compiled with statements side by side, against the same lines left as Python."""
    from tapeemu.dsp.kernels.line_filters import FILTER_ROWS
    from tapeemu.dsp.kernels.network import CHUNK, absorb

    filters = 0.3 * rng.standard_normal((FILTER_ROWS, 4, 16))
    audio = rng.standard_normal((CHUNK, 16))
    states = np.zeros((FILTER_ROWS - 1, 2, 16)), np.zeros((FILTER_ROWS - 1, 2, 16))
    compiled, plain = audio.copy(), audio.copy()
    seen: list[int] = []
    optimise = numba.core.codegen.JITCodeLibrary._optimize_final_module

    def watched(library: Any) -> None:
        seen.append(numba.config.SLP_VECTORIZE)
        optimise(library)

    # Else the second run would find it compiled.
    monkeypatch.setattr(numba.config, "CACHE_DIR", str(tmp_path))
    compile_for = kernel(abreast=True)(lambda value: 2.0 * value).compile
    monkeypatch.setattr(numba.core.codegen.JITCodeLibrary, "_optimize_final_module", watched)
    before = numba.config.SLP_VECTORIZE
    compile_for((numba.types.float64,))
    assert seen
    assert set(seen) == {1}
    assert before == numba.config.SLP_VECTORIZE
    getattr(absorb, "by_numba", absorb)(compiled, filters, 3, states[0], np.uintp(CHUNK))
    absorb.py_func(plain, filters, 3, states[1], CHUNK)
    np.testing.assert_array_equal(compiled, plain)
    np.testing.assert_array_equal(states[0], states[1])
