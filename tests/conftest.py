"""Fixtures shared by all tests."""

import gc
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Generator
from pathlib import Path

import hypothesis
import numpy as np
import pytest

# The same examples in every usual run: who changed nothing sees no new failure. The profile "search", that of long
# tests, draws new ones.
hypothesis.settings.register_profile("search", print_blob=True)
hypothesis.settings.register_profile("same", derandomize=True)
hypothesis.settings.load_profile("same")


def pytest_configure(config: pytest.Config) -> None:
    """Before any test module takes the profile and the compiler by name: what the compiler makes is kept."""
    if config.getoption("markexpr") == "long" and not config.getoption("--hypothesis-profile"):
        hypothesis.settings.load_profile("search")
    # Each worker of a parallel run has one core; a matrix library with a thread on each spins while it waits. This
    # tells the workers, which are started after it; this process has loaded its own library.
    for library in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ.setdefault(library, "1")

    from compiled import remembering

    from tapeemu.targets import machines

    if getattr(config, "cache", None) is not None:  # not there if the plug-in is left out
        machines.compile_c = remembering(machines.compile_c, config.cache.mkdir("compiled-c"))


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Generator[None, object, object]:
    """Without looking for garbage: thousands of tests all stay, and each search goes through them anew."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.enable()
        gc.freeze()


@pytest.fixture
def german(tmp_path: Path) -> dict[str, str]:
    """An environment that knows a locale with decimal commas, made on the spot."""
    maker = shutil.which("localedef")
    if maker is None:
        pytest.skip("localedef is not installed")
    made = subprocess.run(
        [maker, "-i", "de_DE", "-f", "UTF-8", str(tmp_path / "de_DE.UTF-8")], capture_output=True, check=False
    )
    if not (tmp_path / "de_DE.UTF-8").is_dir():
        pytest.skip(f"no locale can be made here: {made.stderr.decode(errors='replace').strip()}")
    return {**os.environ, "LOCPATH": str(tmp_path)}


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(20261125)


@pytest.fixture(scope="session")
def octave_t30():
    """T30 of an octave by pyroomacoustics, from decay times over frequency: a reader that knows no network.

    The band is scipy's analogue Butterworth about the exact centre (IEC 61260-1:2014, base ten). Seven
    poles a side and fourteen (pyfar's) both meet class 1; the energy behind it is the sum of what decays at
    every frequency.
    """
    from pyroomacoustics.experimental import measure_rt60
    from scipy.signal import butter, freqs_zpk

    def read(frequencies_hz, decay_seconds, nominal_hz, poles=7):
        centre_hz = 1000.0 * 10.0 ** (0.3 * round(np.log10(nominal_hz / 1000.0) / 0.3))
        edges = [centre_hz * 10.0**-0.15, centre_hz * 10.0**0.15]
        band = butter(poles, edges, "bandpass", analog=True, output="zpk")
        weights = np.abs(freqs_zpk(*band, worN=frequencies_hz)[1]) ** 2 * np.gradient(frequencies_hz)
        slowest = float(decay_seconds[weights > 1e-9 * weights.max()].max())
        times = np.linspace(0.0, 2.0 * slowest, 4000)
        energy = np.exp(-6.0 * np.log(10.0) * times[:, None] / decay_seconds) @ weights
        return float(measure_rt60(np.sqrt(energy), 1.0 / times[1], decay_db=30))

    return read


@pytest.fixture
def own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of one's own presets, still to be made."""
    folder = tmp_path / "own"
    monkeypatch.setenv("TAPEEMU_PRESETS", str(folder))
    return folder


@pytest.fixture
def run(own: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Callable[..., str]:
    """Run a command as the installed program does, and return what it printed."""
    from tapeemu.cli import main

    def command(*arguments: object, status: int = 0) -> str:
        monkeypatch.setattr(sys, "argv", ["tapeemu", *map(str, arguments)])
        monkeypatch.setattr(signal, "signal", lambda *_: None)
        with pytest.raises(SystemExit) as ended:
            main()
        printed = capsys.readouterr()
        assert ended.value.code == status, printed.out + printed.err
        assert "internal error" not in printed.err
        return printed.out + printed.err

    return command


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    """in/a.wav, in/x/b.wav, in/x/y/a.flac, and things that are not sound files."""
    from batches import make

    for number, name in enumerate(("a.wav", "x/b.wav", "x/y/a.flac")):
        make(tmp_path / "in" / name, number)
    (tmp_path / "in/notes.txt").write_text("not a sound", "utf-8")
    (tmp_path / "in/.hidden.wav").write_bytes(b"")
    (tmp_path / "in/.git").mkdir()
    (tmp_path / "in/.git/c.wav").write_bytes(b"")
    return tmp_path
