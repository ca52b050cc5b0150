"""Blocks of every size, buses of every width, in place or not, and samples too small to be heard."""

import random
import sys
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from clap_host import ClapLibrary, ClapPlugin
from vst3_host import Vst3Plugin

from tapeemu.plugins.tables import plugin_kinds, shipped_presets
from tapeemu.processors import processor_kinds

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the test hosts load libraries of Linux")

KINDS = [each.kind for each in plugin_kinds()]
RATE, LONGEST = 48_000.0, 16_384
SURROUND = 0x3F
"""Left, right, centre, low frequencies, left and right behind: speakers of VST3, one bit each."""


def noise(channels: int, samples: int, seed: int = 3) -> npt.NDArray[np.float32]:
    return np.random.default_rng(seed).normal(0.0, 0.1, (channels, samples)).astype(np.float32)


def cut(plugin: ClapPlugin, audio: npt.NDArray[Any], seed: int, place: int) -> npt.NDArray[Any]:
    """Blocks from 0 to the longest, mixed at random, in place by turns."""
    rng, at, parts = random.Random(seed), 0, []
    while at < audio.shape[1]:
        size = rng.choice([0, 1, rng.randrange(64), rng.randrange(2_048), rng.randrange(LONGEST + 1)])
        block = audio[:, at : at + size]
        parts.append(plugin.process(block, place=place + at, in_place=rng.random() < 0.5))
        at += size
    return np.concatenate(parts, axis=1)


def check_blocks(library: ClapLibrary, kind: str, state: bytes | None, samples: int, seeds: range) -> None:
    audio, place = noise(2, samples), 96_000 - 777
    made = []
    for seed in (None, *seeds):
        plugin = library.make(kind)
        assert state is None or plugin.load(state)
        assert plugin.activate(RATE, max(samples, LONGEST))
        made.append(plugin.process(audio, place=place) if seed is None else cut(plugin, audio, seed, place))
        plugin.end()
    for each in made[1:]:
        assert np.array_equal(each, made[0])


@pytest.mark.parametrize("kind", ["amplitude_flutter", "tape_noise", "preamp_drive", "fdn_reverb"])
def test_blocks_mixed_at_random_are_one_block_to_the_bit(library: ClapLibrary, kind: str) -> None:
    check_blocks(library, kind, None, 20_000, range(1))


@pytest.mark.long
@pytest.mark.parametrize("kind", ["chain", *KINDS])
def test_blocks_of_every_plugin(library: ClapLibrary, kind: str) -> None:
    check_blocks(library, kind, None, 150_000, range(5))


@pytest.mark.long
@pytest.mark.parametrize("name", ["hall-into-drive", "cassette-worn", "multitrack-mid-century"])
def test_blocks_of_chains(library: ClapLibrary, name: str) -> None:
    check_blocks(library, "chain", shipped_presets()[name].encode(), 150_000, range(3))


def check_bus(library: ClapLibrary, plugins: Path, kind: str, channels: int) -> None:
    """What Python makes of as many channels, in both formats, in place and not."""
    audio = noise(channels, 3_000)
    expected = processor_kinds()[kind]().stream(sample_rate=RATE, channels=channels).process(audio)
    expected[np.abs(expected) < np.finfo(expected.dtype).tiny] = 0.0  # denormal samples are silence in a plug-in
    clap = library.make(kind)
    assert clap.set_channels(channels)
    assert clap.activate(RATE)
    assert np.array_equal(clap.process(audio, place=0), expected)
    clap.reset()
    assert np.array_equal(clap.process(audio, place=0, in_place=True), expected)
    clap.end()
    vst3, speakers = Vst3Plugin(plugins, kind), {1: 1 << 19, 2: 3, 6: SURROUND}[channels]
    assert vst3.set_buses([speakers], [speakers])
    vst3.activate()
    assert np.array_equal(vst3.process(audio, place=0)[0], expected)
    vst3.reset()
    assert np.array_equal(vst3.process(audio, place=0, in_place=True)[0], expected)
    vst3.end()


@pytest.mark.parametrize("channels", [1, 2, 6])
@pytest.mark.parametrize("kind", ["amplitude_flutter", "preamp_drive", "head_azimuth"])
def test_mono_stereo_and_surround_sound_as_in_python(
    library: ClapLibrary, plugins: Path, kind: str, channels: int
) -> None:
    check_bus(library, plugins, kind, channels)


@pytest.mark.long
@pytest.mark.parametrize("channels", [1, 2, 6])
@pytest.mark.parametrize("kind", KINDS)
def test_buses_of_every_plugin(library: ClapLibrary, plugins: Path, kind: str, channels: int) -> None:
    check_bus(library, plugins, kind, channels)


DEAR = ("print_through", "tape_response", "wow_flutter")
"""Made in longer than a tenth of a second, or late by seconds."""
HELD = {
    "amplitude_flutter": 'mode = "spacing"',
    "erase_residue": "earlier_seconds = 0.1",
    "splices": "splices = [{at_seconds = 0.03, shift_seconds = 0.02}, {at_seconds = 0.06, blank = true}]",
    "start_stop": "stop_seconds = 0.02\nbass_time_constant_us = 3180.0\n"
    'events = [{action = "stop", at_seconds = 0}, {action = "start", at_seconds = 100.02}]',
}
"""Settings with which more is kept from block to block than by default."""


@pytest.mark.parametrize("kind", [pytest.param(each, marks=[pytest.mark.long] * (each in DEAR)) for each in KINDS])
def test_after_a_reset_it_sounds_as_when_it_was_made(library: ClapLibrary, kind: str) -> None:
    """To the bit, long enough for all that it keeps to come out again, and after a jump, when two of it sound."""
    plugin = library.make(kind)
    stage = f'format = 1\npurpose = "One."\n[[stages]]\nkind = "{kind}"\n{HELD.get(kind, "")}\n'
    assert plugin.load(stage.encode())
    assert plugin.activate(RATE)
    audio = noise(2, 6_000 + 2 * plugin.latency())
    first = plugin.process(audio, place=0)
    plugin.process(noise(2, 7_777, seed=5), place=4_800_013)
    plugin.reset()
    assert np.array_equal(plugin.process(audio, place=0), first)
    plugin.end()


def test_a_bus_that_no_plugin_has_is_refused_and_changes_nothing(library: ClapLibrary, plugins: Path) -> None:
    audio = noise(2, 500)
    clap, vst3 = library.make("amplitude_flutter"), Vst3Plugin(plugins, "amplitude_flutter")
    for into, out in ((0, 0), (65, 65), (1, 2), (2, 6), (2**31, 2**31)):
        assert not clap.set_channels(into, out)
    for ins, outs in (([0], [0]), ([3], [1 << 19]), ([3], [SURROUND]), ([3, 3], [3]), ([3], [3, 3]), ([], [])):
        assert not vst3.set_buses(ins, outs)
    assert clap.activate(RATE)
    vst3.activate()
    assert not clap.set_channels(1)  # while it is active
    assert not vst3.set_buses([1 << 19], [1 << 19])
    assert np.array_equal(clap.process(audio, place=0), vst3.process(audio, place=0)[0])
    clap.end()
    vst3.end()


def denormal(audio: npt.NDArray[Any]) -> int:
    return int(np.count_nonzero((audio != 0.0) & (np.abs(audio) < np.finfo(audio.dtype).tiny)))


def check_denormals(library: ClapLibrary, kind: str, quiet: int) -> None:
    """What is denormal comes in as silence, and a tail ends in exact zeros without having been so."""
    for sort, smallest in ((np.float32, 1e-40), (np.float64, 1e-310)):
        plugin = library.make(kind)
        assert plugin.activate(RATE, LONGEST)
        samples = plugin.latency() + 2_000
        silence = plugin.process(np.zeros((2, samples), sort), place=0)
        plugin.reset()
        small = np.full((2, samples), smallest, sort)
        small[:, ::3] *= -1.0
        assert np.array_equal(plugin.process(small, place=0), silence)
        # Just above, in float32, and softened by what it passes: none of it comes out denormal.
        plugin.reset()
        assert denormal(plugin.process(np.full((2, samples), 1.2e-38, sort), place=0)) == 0
        plugin.reset()
        plugin.process(noise(2, 4_800).astype(sort), place=0)
        place, last = 4_800, np.ones((2, 1))
        for _ in range(quiet):
            last = plugin.process(np.zeros((2, LONGEST), sort), place=place)
            assert denormal(last) == 0
            place += LONGEST
        assert processor_kinds()[kind]().traits.adds_sound or not last.any()
        plugin.end()


@pytest.mark.parametrize("kind", ["amplitude_flutter", "preamp_drive"])
def test_what_is_denormal_is_silence(library: ClapLibrary, kind: str) -> None:
    check_denormals(library, kind, 18)


@pytest.mark.long
@pytest.mark.parametrize("kind", KINDS)
def test_what_is_denormal_is_silence_everywhere(library: ClapLibrary, kind: str) -> None:
    check_denormals(library, kind, 140)
