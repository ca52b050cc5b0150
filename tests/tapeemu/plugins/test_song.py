"""Where the song is: loops and jumps, ten tracks on one tape, far places and early ones, punch-ins."""

import sys
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from clap_host import ClapLibrary, ClapPlugin
from vst3_host import Vst3Plugin

from tapeemu import AmplitudeFlutter, TapeNoise, WowFlutter
from tapeemu.plugins.tables import plugin_kinds, shipped_presets
from tapeemu.processor import Processor

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the test hosts load libraries of Linux")

RATE = 48_000.0
HOUR_TEN = 10 * 3_600 * 48_000
TAKEN_OVER = 9_000
"""Samples after which a chain at a new place plays alone: 0.12 s and three times the latency at most."""

CUT = {
    "cuts": ("splices", "splices = [{at_seconds = 1.0, blank = true}, {at_seconds = 100.8, shift_seconds = 0.2}]"),
    "stops": (
        "start_stop",
        'events = [{action = "stop", at_seconds = 0.4}, {action = "start", at_seconds = 101.2}]',
    ),
}
"""Stages that have events, which jumps lead into and over."""

MOVED: dict[str, Processor] = {"wow_flutter": WowFlutter(), "amplitude_flutter": AmplitudeFlutter()}


def noise(samples: int, seed: int = 3) -> npt.NDArray[np.float32]:
    return np.random.default_rng(seed).normal(0.0, 0.1, (2, samples)).astype(np.float32)


def sine(samples: int) -> npt.NDArray[np.float32]:
    return np.tile(np.sin(2.0 * np.pi * 100.0 * np.arange(samples) / RATE), (2, 1)).astype(np.float32)


def play(
    plugin: ClapPlugin, audio: npt.NDArray[np.float32], place: int, sizes: Sequence[int] = (480,)
) -> npt.NDArray[np.float32]:
    parts, at, turn = [], 0, 0
    while at < audio.shape[1]:
        size = sizes[turn % len(sizes)]
        parts.append(plugin.process(audio[:, at : at + size], place=place + at))
        at, turn = at + size, turn + 1
    return np.concatenate(parts, axis=1)


def above(audio: npt.NDArray[np.floating], hertz: float = 5_000.0) -> float:
    """Largest sample of what lies above a frequency."""
    from scipy.signal import fftconvolve, firwin

    high = firwin(1023, hertz, fs=RATE, pass_zero=False, window=("kaiser", 14.0))
    return float(np.max(np.abs(fftconvolve(audio[0].astype(np.float64), high, mode="valid"))))


@pytest.mark.parametrize("kind", MOVED)
@pytest.mark.parametrize("length", [pytest.param(100, marks=pytest.mark.long), 1_000, 14_400])
def test_loops_do_not_click(library: ClapLibrary, kind: str, length: int) -> None:
    """A sine of 100 Hz at full scale runs on while the song loops, also in loops shorter than the change takes."""
    plugin, audio = library.make(kind), sine(length * max(4, 48_000 // length))
    assert plugin.activate(RATE)
    parts = [play(plugin, audio[:, at : at + length], 960_000) for at in range(0, audio.shape[1], length)]
    plugin.end()
    assert above(np.concatenate(parts, axis=1)[:, 2_000:]) < 1e-3  # -60 dBFS


def test_a_song_that_slips_by_a_sample_at_every_block_does_not_click(library: ClapLibrary) -> None:
    plugin, audio = library.make("wow_flutter"), sine(24_000)
    assert plugin.activate(RATE)
    parts = [play(plugin, audio[:, at : at + 480], 960_000 + at + at // 480) for at in range(0, 24_000, 480)]
    plugin.end()
    assert above(np.concatenate(parts, axis=1)[:, 2_000:]) < 1e-3


def test_instances_of_two_rates_side_by_side_know_nothing_of_each_other(library: ClapLibrary) -> None:
    audio, rates, kind = noise(3_000), (44_100.0, 96_000.0), "wow_flutter"
    plugins = [library.make(kind) for _ in rates]
    for plugin, rate in zip(plugins, rates, strict=True):
        assert plugin.activate(rate)
    heard: list[list[npt.NDArray[np.float32]]] = [[], []]
    for at in range(0, 3_000, 500):
        for plugin, rate, parts in zip(plugins, rates, heard, strict=True):
            parts.append(plugin.process(audio[:, at : at + 500], place=at, rate=rate))
    for plugin, rate, parts in zip(plugins, rates, heard, strict=True):
        plugin.end()
        expected = WowFlutter().stream(sample_rate=rate, channels=2).process(audio)
        assert np.array_equal(np.concatenate(parts, axis=1), expected)


def test_jumps_of_a_whole_chain_do_not_click(library: ClapLibrary) -> None:
    """Flutter, level and drive together; of what the drive adds, the harmonics above 5 kHz stay below as well."""
    plugin, audio = library.make("chain"), 0.1 * sine(60_000)
    assert plugin.load(shipped_presets()["quarter-inch-at-38"].encode())
    assert plugin.activate(RATE)
    parts = [play(plugin, audio[:, 20_000 * turn :][:, :20_000], 7_000_000 * turn) for turn in range(3)]
    plugin.end()
    assert above(np.concatenate(parts, axis=1)[:, 12_000:]) < 1e-3


@pytest.mark.long
@pytest.mark.parametrize("what", [*(each.kind for each in plugin_kinds()), *CUT])
def test_jumps_of_no_plugin_click(library: ClapLibrary, what: str) -> None:
    """Four places of the song, at uneven times. What is above 5 kHz by itself is there without jumps as well."""
    kind, text = CUT.get(what, (what, ""))
    audio, heard = sine(72_000), []
    for place in (4_800_000, 0):
        plugin = library.make(kind)
        assert not text or plugin.load(
            f'format = 1\npurpose = "Cut."\n[[stages]]\nkind = "{kind}"\n{text}\n'.encode()
        )
        assert plugin.activate(RATE)
        late = plugin.latency()
        long = np.tile(audio, (1, 2 + late // 72_000))
        cuts = [0, 30_001 + late, 40_333 + late, 51_200 + late, long.shape[1]]
        parts = [
            play(plugin, long[:, begin:end], begin + turn * place, (480, 77))
            for turn, (begin, end) in enumerate(pairwise(cuts))
        ]
        heard.append(above(np.concatenate(parts, axis=1)[:, late + 12_000 :]))
        plugin.end()
    assert heard[0] < max(1e-3, 1.5 * heard[1])  # -60 dBFS


@pytest.mark.parametrize("kind", MOVED)
def test_after_loops_the_tape_stands_where_the_song_is(library: ClapLibrary, kind: str) -> None:
    """To the bit, after three rounds of uneven blocks: nothing drifts."""
    plugin, audio = library.make(kind), noise(16_000)
    assert plugin.activate(RATE)
    for _ in range(3):
        made = play(plugin, audio, 480_000, (480, 1, 77, 1_024))
    plugin.end()
    stream = MOVED[kind].stream(sample_rate=RATE, channels=2, start_sample=480_000)
    assert np.array_equal(made[:, TAKEN_OVER:], stream.process(audio)[:, TAKEN_OVER:])


def test_ten_tracks_are_on_one_tape(library: ClapLibrary) -> None:
    """The same flutter to the bit on all, however each host cuts its blocks; hiss is each track's own."""
    audio = noise(6_000)
    for kind, alike in (("wow_flutter", True), ("amplitude_flutter", True), ("tape_noise", False)):
        plugins = [library.make(kind) for _ in range(10)]
        made = []
        for track, plugin in enumerate(plugins):
            plugin.turn("Track of the tape", float(track))
            assert plugin.activate(RATE)
        for track, plugin in enumerate(plugins):
            made.append(play(plugin, audio, 1_000_000, (64 + 31 * track, 512)))
        for plugin in plugins:
            plugin.end()
        assert {np.array_equal(each, made[0]) for each in made[1:]} == {alike}
        if not alike:
            apart = np.corrcoef([(each - audio)[0] for each in made]) - np.eye(10)
            assert np.max(np.abs(apart)) < 6.0 / np.sqrt(6_000.0)


@pytest.mark.parametrize("place", [HOUR_TEN, HOUR_TEN + 12_345, 1, -1, -24_000, -HOUR_TEN])
def test_far_places_and_those_before_the_beginning_are_as_in_python(
    library: ClapLibrary, plugins: Path, place: int
) -> None:
    """A pre-roll of a host begins before the song does."""
    audio = noise(3_000)
    for kind, processor in (*MOVED.items(), ("tape_noise", TapeNoise())):
        expected = processor.stream(sample_rate=RATE, channels=2, start_sample=place).process(audio)
        clap, vst3 = library.make(kind), Vst3Plugin(plugins, kind)
        assert clap.activate(RATE)
        vst3.activate()
        assert np.array_equal(play(clap, audio, place, (700,)), expected)
        assert np.array_equal(vst3.process(audio, place=place)[0], expected)
        clap.end()
        vst3.end()


def test_a_song_that_runs_in_from_before_its_beginning_does_not_jump_there(library: ClapLibrary) -> None:
    audio, place = noise(6_000), -3_000
    plugin = library.make("tape_noise")
    assert plugin.activate(RATE)
    stream = TapeNoise().stream(sample_rate=RATE, channels=2, start_sample=place)
    assert np.array_equal(play(plugin, audio, place, (480, 7)), stream.process(audio))
    plugin.end()


def test_a_bounce_repeats_and_a_punch_in_fits_its_take(library: ClapLibrary) -> None:
    """Of flutter and hiss to the bit once the filters' memory has passed, of all that has memory to -90 dBFS."""
    audio, since = noise(60_000), 20_000
    for kind, name, bound in (
        ("wow_flutter", None, 0.0),
        ("tape_noise", None, 0.0),
        ("chain", "quarter-inch-at-38", 3e-5),
    ):
        plugin = library.make(kind)
        assert name is None or plugin.load(shipped_presets()[name].encode())
        plugin.offline()
        assert plugin.activate(RATE)
        take = play(plugin, audio, 96_000)
        play(plugin, noise(5_000, seed=4), 5_000_000)
        plugin.reset()
        assert np.array_equal(play(plugin, audio, 96_000, (1_024, 3)), take)
        plugin.reset()
        late = plugin.latency()
        punched = play(plugin, audio[:, since:], 96_000 + since, (333,))
        plugin.end()
        settled = 30_000
        assert np.max(np.abs(punched[:, settled:] - take[:, since + settled :])) <= bound, (kind, late)
