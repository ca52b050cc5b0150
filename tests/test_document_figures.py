"""Every sentence of the README that holds a figure is checked here against the code, or against a measurement.

A sentence with a figure and no check fails the test: add the check that makes it true for ever. Code is run by
test_readme.py, the table of presets is held by test_preset_library.py and by ``tapeemu verify``, and the pages
docs/settings.md and docs/orders.md are written by the program.
"""

import re
import tomllib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from modules import module_at
from page_sentences import sentences, with_figures

from tapeemu import Chain, FdnReverb, PreampDrive, TapeMagnetisation, WowFlutter

ROOT = Path(__file__).parent.parent
RATE = 48_000


def harmonics(processor: Callable[..., np.ndarray], level_dbfs: float) -> np.ndarray:
    """Amplitudes of the first harmonics, in terms of the fundamental, of a 1 kHz sine of a peak level."""
    sine = 10.0 ** (level_dbfs / 20.0) * np.sin(2.0 * np.pi * 1_000.0 * np.arange(3 * RATE) / RATE)
    spectrum = np.abs(np.fft.rfft(processor(sine, sample_rate=RATE)[2 * RATE :]))
    return spectrum[1_000:10_001:1_000] / spectrum[1_000]


def what_the_meter_reads() -> None:
    from tapeemu.presets.measuring import measure_chain

    chain = Chain(
        stages=[
            FdnReverb(decay_seconds=2.4),
            PreampDrive(thd_percent=1.0),
            WowFlutter(weighted_flutter_percent=0.15, profile="domestic"),
        ]
    )
    keys = ("weighted_flutter_percent", "thd_reference_percent", "decay_1000hz_seconds")
    measured, _ = measure_chain(chain, keys=keys, seeds=(1,))
    for key, value, share in zip(keys, (0.15, 1.0, 2.4), (0.05, 0.01, 0.04), strict=True):
        assert measured.figures[key].reading.value == pytest.approx(value, rel=share), key


def python_version() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    assert project["requires-python"] == ">=3.11"


def four_stems() -> None:
    from tapeemu.demo_scene import STEMS

    assert len(STEMS) == 4


def third_harmonic() -> None:
    tape = TapeMagnetisation(mol_db=6.0)
    assert harmonics(tape, -18.0 + 6.0)[2] == pytest.approx(0.03, rel=0.01)


def reference_level() -> None:
    for processor in (PreampDrive(), TapeMagnetisation()):
        assert processor.reference_level_dbfs == -18.0
    # The peak of the sine: 1 % is read at a peak of -18 dBFS, not at an rms of it.
    thd = np.sqrt(np.sum(harmonics(PreampDrive(thd_percent=1.0), -18.0)[1:] ** 2))
    assert thd == pytest.approx(0.01, rel=0.005)


def four_recordings() -> None:
    assert "four recordings" in (ROOT / "docs/orders.md").read_text("utf-8").lower()


def hour_ten() -> None:
    text = (ROOT / "tests/test_numerical_hygiene.py").read_text("utf-8")
    assert f"HOUR_TEN = {10 * 3_600:_} * RATE" in text


def two_hundred_kills() -> None:
    assert "KILLS = 200" in (ROOT / "tests/long/test_kills.py").read_text("utf-8")


def sorts_of_bad_input() -> None:
    bad = module_at(ROOT / "tests/test_bad_input.py")
    tables = [value for name, value in vars(bad).items() if name.startswith("BAD_") and isinstance(value, dict)]
    assert sum(map(len, tables)) > 150


def exit_statuses() -> None:
    from tapeemu.cli import common

    (told,) = [each for each in sentences(README) if each.startswith("0 done")]
    statuses = dict(re.findall(r"(\d+) ([a-z]+ [a-z]+|[a-z]+)", told.replace("a preset's ", "")))
    assert statuses == {
        "0": "done",
        str(common.EXIT_INTERNAL): "internal error",
        str(common.EXIT_USAGE): "wrong use",
        str(common.EXIT_INPUT): "input or",
        str(common.EXIT_OUTPUT): "output cannot",
        str(common.EXIT_NOT_PROVED): "figures are",
        str(common.EXIT_INTERRUPTED): "interrupted",
    }


README = (ROOT / "README.md").read_text("utf-8")
CHECKS: dict[str, Callable[[], None]] = {
    "ask for 0.15 % weighted flutter, 1 % distortion at reference level, 2.4 s reverberation at 1 kHz": (
        what_the_meter_reads
    ),
    "with Python 3.11 or newer": python_version,
    "makes four short stems": four_stems,
    "the level of 3 % third harmonic": third_harmonic,
    "decay time at 1 kHz, by octave where wanted": what_the_meter_reads,
    "Reference level is -18 dBFS unless set otherwise, as the peak of a sine": reference_level,
    "does to four recordings": four_recordings,
    "hour ten is the same": hour_ten,
    "200 kills at random moments": two_hundred_kills,
    "over 150 sorts": sorts_of_bad_input,
    "0 done, 1 internal error": exit_statuses,
}


def test_every_figure_of_the_readme_has_a_check() -> None:
    found = with_figures(README)
    unchecked = [each for each in found if not any(words in each for words in CHECKS)]
    assert not unchecked, "figures without a check, see the docstring of this file"
    for words in CHECKS:
        assert any(words in each for each in found), f"the README no longer says: {words}"


@pytest.mark.parametrize("check", sorted(set(CHECKS.values()), key=lambda each: each.__name__))
def test_what_the_readme_says_is_true(check: Callable[[], None]) -> None:
    check()


def test_a_test_that_the_laboratory_names_exists() -> None:
    """Each bound in its table says which test holds it."""
    text = (ROOT / "measure/README.md").read_text("utf-8")
    sources = {path.name: path.read_text("utf-8") for path in (ROOT / "tests/measure").rglob("*.py")}
    named = re.findall(r"`(test_\w+(?:\.py)?)`", text)
    assert named
    for name in named:
        assert name in sources or any(f"def {name}" in source for source in sources.values()), name


def test_every_file_that_the_readme_names_exists() -> None:
    for name in re.findall(r"`((?:tests|benchmarks|docs)/[\w/.-]*)`|\]\(([\w/.-]+)\)", README):
        assert (ROOT / (name[0] or name[1])).exists(), name
