"""Knobs that a host moves while sound goes on: no step of a ramp is heard, nor how the host cuts its blocks."""

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from clap_host import ClapLibrary
from lv2_host import Lv2Plugin
from scipy.signal import fftconvolve, firwin
from vst3_host import Vst3Plugin

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the test host loads libraries of Linux")

RATE, SAMPLES, EVERY = 48_000.0, 36_000, 512
"""Hosts may send one value in 512 samples; a knob that jumped at each would click at about -40 dBFS."""
MOVES = {
    "level of a mix": ("fdn_reverb", "Mix", 0.0, 100.0),
    "share of a room": ("fdn_reverb", "Wet", 0.0, 60.0),
    "depth of flutter": ("amplitude_flutter", "Random", 0.0, 1.0),
    "angle of a head": ("head_azimuth", "Azimuth", -1_000.0, 1_000.0),
}
KEYS = {"Mix": "mix_percent", "Wet": "wet_percent", "Random": "random_db", "Azimuth": "azimuth_urad"}
"""Of the same knobs, as VST3 and LV2 have them."""


def bounce(library: ClapLibrary, what: str, steps: int, block: int) -> npt.NDArray[np.float64]:
    """A sine of 100 Hz at half of full scale while a knob goes from one end to the other and back, offline."""
    kind, knob, low, high = MOVES[what]
    plugin, parts = library.make(kind), []
    plugin.offline()
    plugin.turn(knob, low)
    assert plugin.activate(RATE)
    audio = np.tile(0.5 * np.sin(2.0 * np.pi * 100.0 * np.arange(SAMPLES) / RATE), (2, 1))
    course = {6_144 + EVERY * k: low + (high - low) * (1.0 - abs(2.0 * k / steps - 1.0)) for k in range(steps + 1)}
    for at in range(0, SAMPLES, block):
        changes = [(time - at, knob, value) for time, value in course.items() if at <= time < at + block]
        parts.append(plugin.process(audio[:, at : at + block], place=at, changes=changes))
    assert plugin.value(knob) == low
    plugin.end()
    return np.concatenate(parts, axis=1)


def zipper(heard: npt.NDArray[np.floating]) -> float:
    """The largest sample of what lies above 5 kHz, once the sound's beginning is over."""
    high = firwin(1023, 5_000.0, fs=RATE, pass_zero=False, window=("kaiser", 14.0))
    return float(np.max(np.abs(fftconvolve(heard[0, 4_000:].astype(np.float64), high, mode="valid"))))


Block = Callable[[npt.NDArray[np.float32], float], npt.NDArray[np.float32]]
"""A block, and where the knob stands in it."""


def in_three_formats(
    library: ClapLibrary, plugins: Path, what: str
) -> tuple[dict[str, Block], Callable[[], None]]:
    """A plug-in of each, which plays in real time, and what ends them."""
    kind, knob, _, _ = MOVES[what]
    key = KEYS[knob]
    clap, vst3 = library.make(kind), Vst3Plugin(plugins, kind)
    lv2 = Lv2Plugin(plugins / "tapeemu.lv2", f"urn:tapeemu:{kind}")
    assert clap.activate(RATE)
    vst3.activate()
    lv2.activate()

    def play_lv2(audio: npt.NDArray[np.float32], value: float) -> npt.NDArray[np.float32]:
        lv2.controls[key].value = value
        return lv2.run(audio)

    def end() -> None:
        for each in (clap, vst3, lv2):
            each.end()

    return {
        "CLAP": lambda audio, value: clap.process(audio, changes=[(0, knob, value)]),
        "VST3": lambda audio, value: vst3.process(audio, changes=[(0, key, vst3.normal(key, value))])[0],
        "LV2": play_lv2,
    }, end


QUICK = "depth of flutter"


@pytest.mark.parametrize(
    "what", [pytest.param(each, marks=[pytest.mark.long] * (each != QUICK)) for each in MOVES]
)
def test_a_ramp_has_no_steps(library: ClapLibrary, what: str) -> None:
    """What lies above 5 kHz stays below -100 dBFS, from end to end in half a second and in a single step."""
    for steps in (2, 48):
        assert zipper(bounce(library, what, steps, 1_024)) < 1e-5


@pytest.mark.parametrize("what", [QUICK, pytest.param("share of a room", marks=pytest.mark.long)])
def test_a_ramp_is_the_same_however_the_host_cuts_its_blocks(library: ClapLibrary, what: str) -> None:
    """To the bit: cut at its own steps, and at twice as many."""
    whole = bounce(library, what, 48, 36_000)
    for block in (512, 1_024, 4_608):
        assert np.array_equal(bounce(library, what, 48, block), whole)


@pytest.mark.parametrize(
    "what", [pytest.param(each, marks=[pytest.mark.long] * (each != QUICK)) for each in MOVES]
)
def test_a_knob_that_moves_at_every_block_of_a_host_that_plays_has_no_steps(
    library: ClapLibrary, plugins: Path, what: str
) -> None:
    """One value a block, at its beginning, in each format: above 5 kHz below -100 dBFS, and it is followed."""
    kind, _, low, high = MOVES[what]
    formats, end = in_three_formats(library, plugins, what)
    still = library.make(kind)
    still.turn(MOVES[what][1], low)
    assert still.activate(RATE)
    heard: dict[str, list[npt.NDArray[np.float32]]] = {name: [] for name in formats}
    moved: set[str] = set()

    def play(value: float) -> None:
        at = np.arange(EVERY) + EVERY * len(heard["LV2"])
        softly = np.sin(np.minimum(at / 6_000.0, 1.0) * np.pi / 2.0) ** 4  # what began hard would ring in a room
        wave = 0.5 * softly * np.sin(2.0 * np.pi * 100.0 * at / RATE)
        audio = np.tile(wave, (2, 1)).astype(np.float32)
        unmoved = still.process(audio)
        for name, block in formats.items():
            heard[name].append(block(audio, float(value)))
            if np.max(np.abs(heard[name][-1] - unmoved)) > 1e-3:
                moved.add(name)
        time.sleep(0.002)  # its own thread makes the chains

    for _ in range(12):
        play(low)
    moved.clear()  # the beginning, before it stood at the lower end
    for value in np.linspace(low, high, 40):
        play(value)
    give_up = time.monotonic() + 60.0
    while moved != set(formats) and time.monotonic() < give_up:
        play(high)
    for value in np.linspace(high, low, 20):
        play(value)
    end()
    still.end()
    assert moved == set(formats)
    for name, parts in heard.items():
        assert zipper(np.concatenate(parts, axis=1)) < 1e-5, name
