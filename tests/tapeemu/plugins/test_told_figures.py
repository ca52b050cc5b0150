"""What a plug-in tells of itself is what is measured of it: the latency at five rates and beyond, and the tail."""

import functools
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from clap_host import ClapLibrary
from lv2_host import Lv2Plugin
from vst3_host import Vst3Plugin

from tapeemu.plugins.tables import plugin_kinds, shipped_presets
from tapeemu.processors import processor_kinds

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the test hosts load libraries of Linux")

KINDS = [each.kind for each in plugin_kinds()]
FIVE_RATES = (22_050.0, 44_100.0, 48_000.0, 96_000.0, 192_000.0)
MORE_RATES = (8_000.0, 176_400.0, 352_800.0, 384_000.0)
SILENT = 1e-7
"""What hosts' own tests take for silence behind the tail."""
ENDLESS = 2**31 - 1
"""CLAP counts a tail of that many samples as one without an end; VST3 has 2**32 - 1 for it."""

Play = Callable[[npt.NDArray[np.float64]], npt.NDArray[np.float64]]


def late_by(play: Play, reset: Callable[[], None], samples: int) -> npt.NDArray[np.intp]:
    """Where the largest sample of the answer to an impulse at the song's beginning lies, for each channel.

    The answer is what an impulse changes; noise of the tape is there without it. All filters are of zero phase
    round the latency, flutter begins at the nominal speed, and reverberation comes behind the direct sound.
    """
    audio = np.zeros((2, samples))
    silence = play(audio)
    reset()
    audio[:, 0] = 0.25
    place: npt.NDArray[np.intp] = np.argmax(np.abs(play(audio) - silence), axis=1)
    return place


def check_latency(told: int, measured: npt.NDArray[np.intp]) -> None:
    """To the sample; two channels of heads askew lie as far before it as behind it."""
    assert np.sum(measured - told) == 0
    assert np.max(np.abs(measured - told)) <= 1


def check_clap(library: ClapLibrary, kind: str, rate: float) -> None:
    plugin = library.make(kind)
    assert plugin.activate(rate)
    told = plugin.latency()
    play = functools.partial(plugin.process, place=0, rate=rate)
    check_latency(told, late_by(play, plugin.reset, told + int(0.02 * rate)))
    plugin.end()


@pytest.mark.parametrize("kind", KINDS)
def test_the_latency_told_is_the_latency_measured(library: ClapLibrary, kind: str) -> None:
    check_clap(library, kind, 44_100.0)


@pytest.mark.long
@pytest.mark.parametrize("rate", [*FIVE_RATES, *MORE_RATES])
def test_at_every_rate(library: ClapLibrary, plugins: Path, rate: float) -> None:
    for kind in ["chain", *KINDS]:
        check_clap(library, kind, rate)
        vst3 = Vst3Plugin(plugins, kind)
        vst3.activate(rate)
        told = vst3.latency()
        check_latency(
            told,
            late_by(lambda audio, of=vst3: of.process(audio, place=0)[0], vst3.reset, told + int(0.02 * rate)),
        )
        vst3.end()
        lv2 = Lv2Plugin(plugins / "tapeemu.lv2", f"urn:tapeemu:{kind}", rate)
        lv2.activate()
        lv2.run(np.zeros((2, 64), np.float32))
        assert lv2.controls["latency"].value == told
        lv2.end()


@pytest.mark.parametrize("name", ["hall-into-drive", "cassette-worn"])
def test_the_latency_of_a_chain_is_that_of_all_its_stages(library: ClapLibrary, name: str) -> None:
    plugin = library.make("chain")
    assert plugin.load(shipped_presets()[name].encode())
    assert plugin.activate(44_100.0)
    told = plugin.latency()
    play = functools.partial(plugin.process, place=0, rate=44_100.0)
    check_latency(told, late_by(play, plugin.reset, told + 1_000))
    plugin.end()


def check_tail(library: ClapLibrary, kind: str, rate: float) -> None:
    """A third of a second of noise at full scale, and silence until the tail is over."""
    plugin = library.make(kind)
    assert plugin.activate(rate)
    tail, late = plugin.tail(), plugin.latency()
    if processor_kinds()[kind]().traits.adds_sound:
        assert tail >= ENDLESS
        plugin.end()
        return
    loud = np.random.default_rng(1).uniform(-1.0, 1.0, (2, int(0.3 * rate)))
    plugin.process(loud, place=0, rate=rate)
    place, left = loud.shape[1], tail + late
    while left > 0:
        count = min(left, 16_384)
        plugin.process(np.zeros((2, count)), place=place, rate=rate)
        place, left = place + count, left - count
    assert np.max(np.abs(plugin.process(np.zeros((2, int(0.2 * rate))), place=place, rate=rate))) < SILENT
    plugin.end()


@pytest.mark.parametrize("kind", ["fdn_reverb", "preamp_drive", "tape_noise"])
def test_nothing_sounds_behind_the_tail(library: ClapLibrary, kind: str) -> None:
    check_tail(library, kind, 48_000.0)


@pytest.mark.long
@pytest.mark.parametrize("rate", FIVE_RATES)
def test_nothing_sounds_behind_any_tail(library: ClapLibrary, rate: float) -> None:
    for kind in KINDS:
        check_tail(library, kind, rate)


def test_the_tail_of_a_reverb_is_the_time_that_it_falls_by_140_db(library: ClapLibrary) -> None:
    """At 125 Hz it falls by 60 dB in 1.1 times 2 s, by default; lower still it may ring a tenth longer."""
    plugin = library.make("fdn_reverb")
    assert plugin.activate(48_000.0)
    least = 140.0 / 60.0 * 2.2 * 48_000.0
    assert least <= plugin.tail() < 1.1 * least
    plugin.end()


@pytest.mark.parametrize(("name", "endless"), [("studio-at-38-with-hiss", True), ("hall-into-drive", False)])
def test_a_chain_with_noise_has_no_end(plugins: Path, library: ClapLibrary, name: str, endless: bool) -> None:
    text = shipped_presets()[name].encode()
    clap, vst3 = library.make("chain"), Vst3Plugin(plugins, "chain")
    assert clap.load(text)
    assert vst3.load(text)
    assert clap.activate(48_000.0)
    vst3.activate(48_000.0)
    assert (clap.tail() >= ENDLESS) == endless
    assert (vst3.tail() == 2**32 - 1) == endless
    assert endless or clap.tail() == vst3.tail()
    clap.end()
    vst3.end()
