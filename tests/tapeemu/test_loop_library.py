"""The compiled library that Python calls the kernels in: the bits of numba, and what happens without it."""

import gc
import hashlib
import os
import shutil
import subprocess
import sys
import threading
import time
import tracemalloc
import typing
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest
from random_chains import chain, settings
from strict_reference import Asked, results_by, run

import tapeemu
from tapeemu import AmplitudeFlutter, Chain, Curve, CurvePoint, PreampDrive, Stage, WowFlutter, loop_library
from tapeemu.dsp.kernels import by_library
from tapeemu.dsp.kernels.arrays import Reals1
from tapeemu.dsp.kernels.compilation import LOOPS
from tapeemu.kernel_stream import KernelStream
from tapeemu.native.generate import C_FOLDER
from tapeemu.processors import processor_kinds

NOT_OURS = {"plugin_effect", "plugin_object", "chain"}
needs_library = pytest.mark.skipif(
    not by_library.is_there(), reason="the loops are not built; run python -m tapeemu.loop_library"
)
SAYS = "from tapeemu.dsp.kernels.compilation import LOOPS; print(LOOPS)"


def asked(number: int, made: Any, samples: int) -> Asked:
    rng = np.random.default_rng(number)
    channels, rate = int(rng.integers(1, 4)), float(rng.choice([22_050.0, 44_100.0, 48_000.0, 96_000.0]))
    cuts = tuple(int(count) for count in rng.integers(1, 700, 5))
    place = int(rng.choice([0, 36_000 * 48_000 + 7]))
    return Asked(made, 0.3 * rng.standard_normal((channels, samples)), rate, cuts, place, 1, -80.0)


def moving() -> Chain:
    """Settings and mixes that follow curves, within a chain within a chain."""
    rising = (CurvePoint(seconds=0.0, value=0.0), CurvePoint(seconds=0.1, value=20.0))
    drive = Stage(processor=PreampDrive(), automation=(Curve(setting="drive_db", points=rising),))
    inner = Chain([drive, Stage(processor=AmplitudeFlutter(mode="spacing"), mix_percent=50.0)])
    share = Curve(setting="mix_percent", points=rising)
    tape = Stage(processor=WowFlutter(speed_error_percent=1.3), mix_percent=40.0)
    return Chain([Stage(processor=inner, automation=(share,)), tape])


def differing(cases: list[Asked], folder: Path) -> list[str]:
    """What of the cases library and numba do not agree on to the last bit."""
    pairs = zip(cases, *(results_by(loops, cases, folder) for loops in ("library", "numba")), strict=True)
    return [
        str(case.processor)[:200]
        for case, one, other in pairs
        if not np.array_equal(one.audio, other.audio) or (one.latency, one.tail) != (other.latency, other.tail)
    ]


@pytest.mark.long  # every processor is seconds of compilation by numba
@needs_library
def test_every_processor_and_chains_have_the_bits_of_numba(tmp_path: Path) -> None:
    kinds = sorted(set(processor_kinds()) - NOT_OURS)
    rng = np.random.default_rng(5)
    made = [processor_kinds()[kind]() for kind in kinds if kind not in ("splices", "start_stop")]
    made += [settings(rng, processor_kinds()[kind]) for kind in kinds for _ in range(3)]
    made += [chain(rng, [processor_kinds()[kind] for kind in kinds]) for _ in range(12)]
    cases = [asked(number, each, 6_000) for number, each in enumerate([*made, moving()])]
    assert differing(cases, tmp_path) == []


# --- what runs the kernels ----------------------------------------------------------------------------------


def says(environment: dict[str, str], root: Path | None = None) -> str:
    """What runs the kernels of a process with these variables, and of a tree."""
    clean = {name: value for name, value in os.environ.items() if not name.startswith(("NUMBA_", "TAPEEMU_"))}
    where = str(root or Path(tapeemu.__file__).parents[1])
    done = subprocess.run(
        [sys.executable, "-c", SAYS],
        env={**clean, "PYTHONPATH": where, **environment},
        capture_output=True,
        text=True,
        check=False,
        cwd="/",
    )
    return done.stdout.strip() or done.stderr.strip().splitlines()[-1]


def test_the_environment_chooses_what_runs_the_kernels() -> None:
    default = "library" if by_library.is_there() else "numba"
    assert says({}) == says({"NUMBA_DISABLE_JIT": "0"}) == default
    assert says({"NUMBA_DISABLE_JIT": "1"}) == "python"
    assert says({"NUMBA_BOUNDSCHECK": "1"}) == says({"TAPEEMU_LOOPS": "numba"}) == "numba"
    refused = says({"TAPEEMU_LOOPS": "fast"})
    assert refused.startswith("tapeemu.errors.ParameterError")
    assert "none of library, numba, python; correct or unset it" in refused


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    """A copy of the package."""
    shutil.copytree(
        Path(tapeemu.__file__).parent, tmp_path / "tapeemu", ignore=shutil.ignore_patterns("__pycache__", "page")
    )
    return tmp_path


@needs_library
@pytest.mark.parametrize("changed", ["dsp/kernels/drive.py", "native/c/subset.h"])
def test_a_library_of_other_kernels_is_not_used(tree: Path, changed: str) -> None:
    assert says({}, tree) == "library"
    path = tree / "tapeemu" / changed
    path.write_bytes(path.read_bytes() + b"\n")
    assert says({}, tree) == "numba"
    assert "run python -m tapeemu.loop_library" in says({"TAPEEMU_LOOPS": "library"}, tree)


def builds(tree: Path) -> list[Path]:
    return [tree / "tapeemu" / "native" / "library" / name for name in loop_library.library_names()]


@needs_library
def test_what_was_not_built_is_not_used(tree: Path) -> None:
    """The system opens a file that is cut off, and ends the process when it is called."""
    for path in builds(tree):
        path.write_bytes(path.read_bytes()[:8_192])
    assert says({}, tree) == "numba"
    for path in builds(tree):
        path.unlink()
    assert says({}, tree) == "numba"


@needs_library
def test_a_library_of_another_machine_is_not_used(tree: Path) -> None:
    """Nothing that the system can open, and all that is beside it right."""
    lines = []
    for path in builds(tree):
        path.write_bytes(b"no library")
        lines.append(f"{hashlib.sha256(b'no library').hexdigest()} {path.name}\n")
    path.with_name("loops.txt").write_text("".join(lines), "ascii")
    assert loop_library.files_as_built(path.parent) == builds(tree)
    assert says({}, tree) == "numba"


@needs_library
@pytest.mark.skipif(len(loop_library.library_names()) < 2, reason="one build serves this kind of machine")
def test_the_build_for_every_processor_serves_without_the_other(tree: Path) -> None:
    for path in builds(tree)[:0:-1]:
        path.unlink()
        assert says({}, tree) == "library"
    builds(tree)[0].unlink()
    assert says({}, tree) == "numba"


@needs_library
@pytest.mark.skipif(
    len(loop_library.library_names()) < 2 or not Path("/proc/cpuinfo").exists(),
    reason="one build serves this kind of machine, or the system does not tell of its processor",
)
def test_the_widest_build_that_the_processor_runs_is_used() -> None:
    told = set(Path("/proc/cpuinfo").read_text().split())
    runs = ("avx2" in told) + ({"avx2", "avx512f", "avx512dq", "avx512bw", "avx512vl"} <= told)
    library = by_library._library()
    assert library is not None
    assert Path(library._name).name == loop_library.library_names()[runs]


@pytest.mark.skipif(next(loop_library.compilers(), None) is None, reason="no C compiler")
def test_where_nothing_can_be_written_nothing_is_built_and_the_reason_is_said(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.touch()
    with pytest.raises(loop_library.LibraryError, match=r"cannot be written to .*; make it writable"):
        loop_library.build(file / "library")


def test_without_a_compiler_nothing_is_built_and_the_reason_is_said(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("CC", raising=False)
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr(loop_library, "FOLDER", tmp_path / "library")
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    assert loop_library.main() == 1
    assert "there is no C compiler" in capsys.readouterr().err
    monkeypatch.setenv("CC", str(tmp_path / "missing"))
    assert loop_library.main() == 1
    assert "does not run" in capsys.readouterr().err


def test_c_files_of_other_kernels_are_not_built(tree: Path) -> None:
    path = tree / "tapeemu" / "dsp" / "kernels" / "drive.py"
    path.write_bytes(path.read_bytes() + b"\n")
    done = subprocess.run(
        [sys.executable, "-m", "tapeemu.loop_library"],
        cwd=tree,
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": str(tree)},
    )
    assert done.returncode == 1
    assert "drive.c is not made from the kernels that stand here" in done.stderr


@pytest.mark.parametrize("stale", [[], ["drive.c"]])
def test_only_files_of_these_kernels_reach_a_compiler(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, stale: list[str]
) -> None:
    monkeypatch.setattr(loop_library, "stale_files", lambda: stale)
    monkeypatch.setattr(loop_library, "compilers", lambda: iter(()))
    said = "^drive.c is not made from the kernels" if stale else "^there is no C compiler"
    with pytest.raises(loop_library.LibraryError, match=said):
        loop_library.build(tmp_path)


def test_every_generated_file_says_what_it_is_made_from() -> None:
    assert loop_library.stale_files() == []
    assert all("Generated from" in path.read_text("utf-8").splitlines()[0] for path in C_FOLDER.glob("drive.[ch]"))


# --- calls --------------------------------------------------------------------------------------------------


@pytest.mark.skipif(LOOPS != "library", reason="the library is not used")
def test_an_array_with_gaps_or_of_another_element_gives_the_same(rng: np.random.Generator) -> None:
    from tapeemu.dsp.kernels.dot_products import dot_product

    taps, line = rng.standard_normal(11), rng.standard_normal(40)
    wide = np.zeros(22)
    wide[::2] = taps
    expected = dot_product(taps, line, 3)
    assert dot_product(wide[::2], line, 3) == expected
    whole = np.arange(11)
    assert dot_product(whole, line, 3) == dot_product(whole.astype(float), line, 3)
    with pytest.raises(by_library.UnfitError):  # numba refuses the other order of bytes in words of its own
        by_library._array("real", 1)(taps.astype(taps.dtype.newbyteorder()))


@pytest.mark.skipif(LOOPS != "library", reason="the library is not used")
def test_a_sound_needs_no_numba() -> None:
    code = "import sys, numpy as np; from tapeemu import PreampDrive; "
    code += "PreampDrive()(np.ones((1, 100)), 48_000); print('numba' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


@pytest.mark.skipif(LOOPS != "library", reason="the library is not used")
def test_streams_in_threads_give_what_they_give_alone() -> None:
    cases = [asked(number, PreampDrive(drive_db=float(number)), 20_000) for number in range(4)]
    alone = [run(case).audio for case in cases]
    together: list[Any] = [None] * len(cases)

    def work(number: int) -> None:
        together[number] = run(cases[number]).audio

    threads = [threading.Thread(target=work, args=(number,)) for number in range(len(cases))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for one, other in zip(alone, together, strict=True):
        np.testing.assert_array_equal(one, other)


class Pair(NamedTuple):
    """A group that no kernel has, so that nobody has asked for its form before."""

    first: Reals1
    second: Reals1


def test_threads_that_ask_at_once_get_the_same_form_of_a_group(monkeypatch: pytest.MonkeyPatch) -> None:
    """With two forms of one group, a kernel would refuse the one and be compiled by numba instead."""
    together, find = threading.Barrier(2), typing.get_type_hints

    def find_together(*arguments: Any, **named: Any) -> Any:
        together.wait(timeout=10.0)
        return find(*arguments, **named)

    monkeypatch.setattr(typing, "get_type_hints", find_together)
    forms: list[type] = []
    pair = Pair(np.zeros(1), np.zeros(2))
    threads = [threading.Thread(target=lambda: forms.append(type(by_library.held(pair)))) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(forms) == 2
    assert forms[0] is forms[1]


@pytest.mark.skipif(LOOPS != "library", reason="the library is not used")
def test_calls_leave_no_memory_behind() -> None:
    """The collector rests, for it would give back what calls have left."""
    stream = AmplitudeFlutter().stream(sample_rate=48_000, channels=2)
    assert isinstance(stream, KernelStream)
    block, out = np.zeros((2, 64)), np.zeros((2, 64))

    def use(times: int) -> None:
        for _ in range(times):
            stream.kernels.process(stream.memory, block, out)

    use(10)
    gc.collect()
    gc.disable()
    tracemalloc.start()
    try:
        use(100)  # what Python keeps for reuse is filled
        before = tracemalloc.get_traced_memory()[0]
        use(1_000)
        grown = tracemalloc.get_traced_memory()[0] - before
    finally:
        tracemalloc.stop()
        gc.enable()
    assert grown < 1_000


@pytest.mark.skipif(LOOPS != "library", reason="the library is not used")
def test_a_stream_that_is_done_with_leaves_nothing_to_collect() -> None:
    mover = AmplitudeFlutter()
    mover.stream(sample_rate=48_000, channels=2)
    gc.collect()
    gc.disable()
    try:
        mover.stream(sample_rate=48_000, channels=2).advance(np.zeros((2, 64)))
        left = gc.collect()
    finally:
        gc.enable()
    assert left == 0


@pytest.mark.skipif(LOOPS != "library", reason="the library is not used")
def test_a_call_lets_go_of_the_interpreter() -> None:
    """While a long block is made, another thread counts on."""
    stream = PreampDrive(drive_db=12.0).stream(sample_rate=48_000, channels=2)
    block = np.zeros((2, 2_000_000))
    stopped, counted = threading.Event(), [0]

    def count() -> None:
        while not stopped.is_set():
            counted[0] += 1
            time.sleep(0.0005)

    other = threading.Thread(target=count)
    other.start()
    while counted[0] == 0:
        time.sleep(0.0005)
    before = counted[0]
    stream.advance(block)
    during = counted[0] - before
    stopped.set()
    other.join()
    assert during > 2
