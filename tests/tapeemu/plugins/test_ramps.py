"""Knobs that a host moves while sound goes on: no step of a ramp is heard, nor how the host cuts its blocks."""

import sys

import numpy as np
import numpy.typing as npt
import pytest
from clap_host import ClapLibrary
from scipy.signal import fftconvolve, firwin

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the test host loads libraries of Linux")

RATE, SAMPLES, EVERY = 48_000.0, 36_000, 512
"""Hosts may send one value in 512 samples; a knob that jumped at each would click at about -40 dBFS."""
MOVES = {
    "level of a mix": ("head_azimuth", "Mix", 0.0, 100.0),
    "share of a room": ("fdn_reverb", "Wet", 0.0, 60.0),
    "depth of flutter": ("amplitude_flutter", "Random", 0.0, 1.0),
    "angle of a head": ("head_azimuth", "Azimuth", -1_000.0, 1_000.0),
}


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


QUICK = "depth of flutter"


@pytest.mark.parametrize(
    "what", [pytest.param(each, marks=[pytest.mark.long] * (each != QUICK)) for each in MOVES]
)
def test_a_ramp_has_no_steps(library: ClapLibrary, what: str) -> None:
    """What lies above 5 kHz stays below -100 dBFS, from end to end in half a second and in a single step."""
    high = firwin(1023, 5_000.0, fs=RATE, pass_zero=False, window=("kaiser", 14.0))
    for steps in (2, 48):
        heard = bounce(library, what, steps, 1_024)[0, 4_000:]
        assert np.max(np.abs(fftconvolve(heard, high, mode="valid"))) < 1e-5


@pytest.mark.parametrize("what", [QUICK, pytest.param("share of a room", marks=pytest.mark.long)])
def test_a_ramp_is_the_same_however_the_host_cuts_its_blocks(library: ClapLibrary, what: str) -> None:
    """To the bit: cut at its own steps, and at twice as many."""
    whole = bounce(library, what, 48, 36_000)
    for block in (512, 1_024, 4_608):
        assert np.array_equal(bounce(library, what, 48, block), whole)
