"""Every sentence with a figure of docs/in-the-host.md is checked here; one without a check fails a test."""

import math
import re
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from clap_host import ClapLibrary
from page_sentences import sentences, without_names

from tapeemu import PreampDrive, WowFlutter
from tapeemu.plugins import building
from tapeemu.plugins.tables import MOST_PARTS, plugin_kinds

ROOT = Path(__file__).parents[3]
LIVE = (ROOT / "tapeemu/native/c/live.c").read_text("utf-8")
CORE = (ROOT / "tapeemu/plugins/c/core.c").read_text("utf-8")
SETUP = (ROOT / "tapeemu/plugins/c/setup.c").read_text("utf-8")
RATE = 48_000.0

# What looks like a figure and is none: names, numbers of the steps of a list, a knob from end to end.
NAMES = re.compile(r"Stage 1|Ardour 7(\.3)?|(^| )[1-9]\.( |$)|0 % and back to 100 %")


def constant(text: str, name: str) -> float:
    """A number that a C file defines."""
    (found,) = re.findall(rf"#define {name} \(?(?:\(tapeemu_real\))?(-?[\d.e-]+)", text)
    return float(found)


def size_of_a_build(plugins: Path) -> None:
    whole = sum(path.stat().st_size for path in plugins.rglob("*") if path.is_file())
    assert 1.35e6 < whole < 1.45e6  # as rounded there
    assert building.KEPT_BUILDS == 8


def rise_of_the_drive(plugins: Path) -> None:
    """Of sound that is so soft that the drive stays linear."""
    quiet = 1e-6 * np.sin(2.0 * np.pi * 1_000.0 * np.arange(9_600) / RATE)
    most = max(knob.most for kind in plugin_kinds() for knob in kind.knobs if knob.key == "drive_db")
    loud = PreampDrive(drive_db=most, level_matched=True)(quiet, sample_rate=RATE)
    assert 20.0 * math.log10(np.max(np.abs(loud[4_800:])) / 1e-6) == pytest.approx(39.0, abs=0.5)


def latency_of_flutter(plugins: Path) -> None:
    assert round(1e3 * WowFlutter().stream(sample_rate=RATE, channels=2).latency / RATE) == 2


def lists_and_seeds(plugins: Path) -> None:
    assert MOST_PARTS == 32
    seeds = [knob.most for kind in plugin_kinds() for knob in kind.knobs if knob.key == "seed"]
    assert seeds
    assert set(seeds) == {65_535.0}


def piece(plugins: Path) -> None:
    """How long a change takes has a test of its own below."""
    assert constant(CORE, "PIECE") == 512


def two_noises(plugins: Path) -> None:
    noises = np.random.default_rng(1).standard_normal((2, 100_000))
    assert 10.0 * math.log10(np.mean(noises.sum(0) ** 2) / np.mean(noises[0] ** 2)) == pytest.approx(3.0, abs=0.1)


def long_fade(plugins: Path) -> None:
    assert constant(LIVE, "LONG_FADE_SECONDS") == 0.25
    assert 20.0 * math.log10(constant(LIVE, "QUIET")) == pytest.approx(-60.0)


def smallest(plugins: Path) -> None:
    assert constant(CORE, "SMALLEST") == pytest.approx(float(np.finfo(np.float32).tiny), rel=1e-12)
    assert constant(SETUP, "RUN_IN_DB") == -120.0


def oldest_macos(plugins: Path) -> None:
    targets = [each.target for each in building.MACHINES.values() if each.system == "darwin"]
    assert targets == ["x86_64-macos.11.0", "aarch64-macos.11.0"]


CHECKS: dict[str, Callable[[Path], None]] = {
    "the eight builds used last": size_of_a_build,
    "up to 39 dB louder": rise_of_the_drive,
    "2 ms for the default flutter": latency_of_flutter,
    "32 rows at most) and seeds above 65535": lists_and_seeds,
    "for up to 0.1 s and thrice the latency, then takes over in 30 ms": piece,
    "up to 3 dB louder": two_noises,
    "over 0.25 s": long_fade,
    "samples below 1e-38": smallest,
    "within -120 dB in the first seconds": smallest,
    "macOS (11 and later)": oldest_macos,
}


def test_every_figure_of_the_page_has_a_check() -> None:
    told = sentences((ROOT / "docs/in-the-host.md").read_text("utf-8"))
    found = [each for each in told if re.search(r"\d", NAMES.sub("", without_names(each)))]
    unchecked = [each for each in found if not any(words in each for words in CHECKS)]
    assert not unchecked
    for words in CHECKS:
        assert any(words in each for each in told), f"the page no longer says: {words}"


@pytest.mark.parametrize("check", sorted(set(CHECKS.values()), key=lambda each: each.__name__))
def test_what_the_page_says_is_true(plugins: Path, check: Callable[[Path], None]) -> None:
    check(plugins)


@pytest.mark.skipif(sys.platform != "linux", reason="the test host loads libraries of Linux")
@pytest.mark.parametrize(
    ("kind", "knob", "value"), [("amplitude_flutter", "Random", 1.0), ("wow_flutter", "Seed", 9.0)]
)
def test_a_change_is_heard_after_a_tenth_of_a_second_and_three_latencies(
    library: ClapLibrary, kind: str, knob: str, value: float
) -> None:
    """By then it has begun, 30 ms later it is over: the chain as if it had always been so, to the bit."""
    audio, at = np.random.default_rng(3).normal(0.0, 0.1, (2, 20_000)), 4_096
    old, new, moved = (library.make(kind) for _ in range(3))
    new.turn(knob, value)
    for each in (old, new, moved):
        each.offline()
        assert each.activate(RATE)
    late = moved.latency()
    before, behind = (each.process(audio, place=0) for each in (old, new))
    heard = moved.process(audio, place=0, changes=[(at, knob, value)])
    for each in (old, new, moved):
        each.end()
    begins = int(np.argmax(np.any(heard != before, axis=0)))
    heard_by = int(0.1 * RATE) + 3 * late
    assert at < begins <= at + heard_by
    over = at + heard_by + int(0.03 * RATE) + 1
    assert np.array_equal(heard[:, over:], behind[:, over:])
    assert np.max(np.abs(behind[:, over:] - before[:, over:])) > 1e-4
