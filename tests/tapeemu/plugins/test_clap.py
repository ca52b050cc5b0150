"""What no host from elsewhere lets us reach: state, positions of the song, changes while it plays, odd blocks."""

import random
import sys
import threading

import numpy as np
import numpy.typing as npt
import pytest
from bypassing import check_bypass, turns, wave
from clap_host import ClapLibrary, ClapPlugin
from state_mutants import check_mutants

from tapeemu import PreampDrive, WowFlutter
from tapeemu.errors import PresetError
from tapeemu.presets import load_preset
from tapeemu.presets.reading import parse_preset

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the test host loads libraries of Linux")

RATE = 48_000.0


def noise(samples: int) -> npt.NDArray[np.float32]:
    return np.random.default_rng(3).normal(0.0, 0.1, (2, samples)).astype(np.float32)


def sine(samples: int) -> npt.NDArray[np.float32]:
    wave = 0.5 * np.sin(2.0 * np.pi * 100.0 * np.arange(samples) / RATE)
    return np.tile(wave, (2, 1)).astype(np.float32)


def play(
    plugin: ClapPlugin, audio: npt.NDArray[np.float32], block: int, place: int | None
) -> npt.NDArray[np.float32]:
    return np.concatenate(
        [
            plugin.process(audio[:, at : at + block], place=None if place is None else place + at)
            for at in range(0, audio.shape[1], block)
        ],
        axis=1,
    )


@pytest.mark.parametrize("name", ["studio-at-38-with-hiss", "bounced-three-times"])
def test_a_preset_sounds_as_on_the_command_line(chain: ClapPlugin, name: str) -> None:
    preset, audio = load_preset(name), noise(2_400)
    assert preset.path is not None
    assert chain.load(preset.path.read_bytes())
    assert chain.save() == preset.path.read_bytes()
    assert chain.activate(RATE)
    stream = preset.chain.stream(sample_rate=RATE, channels=2)
    assert chain.latency() == stream.latency
    assert np.array_equal(play(chain, audio, 700, None), stream.process(audio))


def test_mixed_nested_and_bypassed_stages_sound_as_on_the_command_line(chain: ClapPlugin) -> None:
    text = """format = 1
purpose = "All that a chain may be."

[[stages]]
name = "pass"
kind = "chain"
mix_percent = 60

[[stages.stages]]
kind = "preamp_drive"
thd_percent = 2.5
mix_percent = 40.5

[[stages.stages]]
kind = "wow_flutter"
rotating_parts = [{ rate_hz = 3, peak_percent = 0.2, phase_degrees = -30 }, { rate_hz = 9, peak_percent = 0.1 }]

[[stages]]
kind = "preamp_drive"
bypass = true

[[stages]]
kind = "amplitude_flutter"
mode = "spacing"
periodic_parts = [{ rate_hz = 5.5, peak_db = 0.4 }]
"""
    audio = noise(2_400)
    assert chain.load(text.encode())
    assert chain.activate(RATE)
    stream = parse_preset(text, name="all").chain.stream(sample_rate=RATE, channels=2)
    assert chain.latency() == stream.latency
    assert np.array_equal(play(chain, audio, 2_400, None), stream.process(audio))


def test_the_place_on_the_tape_is_that_of_the_song(library: ClapLibrary) -> None:
    plugin, audio = library.make("wow_flutter"), noise(2_400)
    assert plugin.activate(RATE)
    expected = WowFlutter().stream(sample_rate=RATE, channels=2, start_sample=480_000).process(audio)
    first = play(plugin, audio, 500, 480_000)
    plugin.reset()
    again = play(plugin, audio, 333, 480_000)
    plugin.end()
    assert np.array_equal(first, expected)
    assert np.array_equal(first, again)


def test_a_jump_of_the_song_does_not_click(library: ClapLibrary) -> None:
    plugin, audio = library.make("wow_flutter"), sine(24_000)
    assert plugin.activate(RATE)
    before = play(plugin, audio[:, :12_000], 480, 0)
    behind = play(plugin, audio[:, 12_000:], 480, 960_000)
    plugin.end()
    window = np.hanning(16_000)
    spectrum = np.fft.rfft(np.concatenate([before, behind], axis=1)[0, 6_000:22_000] * window)
    spectrum[: int(5_000 * 16_000 / RATE)] = 0.0
    assert np.max(np.abs(np.fft.irfft(spectrum))) < 1e-5  # -100 dBFS; a step there is -40


def test_a_change_is_heard_and_a_bounce_with_automation_repeats(library: ClapLibrary) -> None:
    def bounce() -> npt.NDArray[np.float32]:
        plugin, audio = library.make("preamp_drive"), sine(24_000)
        plugin.offline()
        assert plugin.activate(RATE)
        parts = [
            plugin.process(
                audio[:, at : at + 4_800],
                changes=[(100, "Drive: set", 1.0), (100, "Drive", min(20.0 + at / 4_800, 22.0))],
            )
            for at in range(0, 24_000, 4_800)
        ]
        plugin.end()
        return np.concatenate(parts, axis=1)

    one = bounce()
    assert np.array_equal(one, bounce())
    last = PreampDrive(drive_db=22.0).stream(sample_rate=RATE, channels=2).process(sine(24_000))
    assert np.max(np.abs(one[:, -600:] - last[:, -600:])) < 1e-4
    assert np.max(np.abs(one[:, :100])) < 1e-3  # nothing before its latency


@pytest.mark.parametrize("kind", ["wow_flutter", "preamp_drive", "fdn_reverb"])
def test_bypass_at_any_sample_makes_no_click_and_keeps_the_latency(library: ClapLibrary, kind: str) -> None:
    audio, block = wave(), 4_000
    plugin = library.make(kind)
    assert plugin.activate(RATE)
    parts = []
    for at in range(0, audio.shape[1], block):
        changes = [
            (turn - at, "Bypass", float(number % 2 == 0))
            for number, turn in enumerate(turns())
            if at <= turn < at + block
        ]
        parts.append(plugin.process(audio[:, at : at + block], place=at, changes=changes))
    late = plugin.latency()
    plugin.end()
    check_bypass(np.concatenate(parts, axis=1), audio, late)


def test_a_state_keeps_what_was_turned_and_what_does_not_fit(library: ClapLibrary) -> None:
    plugin, other = library.make("amplitude_flutter"), library.make("amplitude_flutter")
    plugin.turn("Random", 0.123456789123)
    plugin.turn("Track of the tape", 5.0)
    plugin.turn("Dropout least", 50.0)  # more than the most: no such tape, until the other is turned as well
    state = plugin.save()
    assert other.load(state)
    assert other.save() == state
    assert {name: other.value(name) for name in other.knobs} == {name: plugin.value(name) for name in plugin.knobs}
    assert parse_preset(state.decode(), name="state").chain.stages[0].processor.kind == "amplitude_flutter"
    plugin.end()
    other.end()


def test_numbers_have_a_point_and_a_unit(library: ClapLibrary) -> None:
    plugin = library.make("preamp_drive")
    assert plugin.text("Drive", 12.5) == "12.5 dB"
    assert plugin.value_of("Drive", "3.25 dB") == plugin.value_of("Drive", "3.25") == 3.25
    assert plugin.value_of("Drive", "3,25") is None
    assert plugin.value_of("Drive: set", plugin.text("Drive: set", 2.0)) == 2.0
    plugin.end()


def test_a_bad_state_is_refused_and_changes_nothing(chain: ClapPlugin) -> None:
    with pytest.raises(PresetError):
        parse_preset("format = 1", name="short")
    assert not chain.load(b"")
    check_mutants(chain.load, chain.save, 20)


def test_blocks_of_any_size_in_place_and_side_by_side_in_threads_give_the_same(library: ClapLibrary) -> None:
    """They begin together and play long enough to be interrupted by one another."""
    audio = noise(30_000)
    made: dict[int, npt.NDArray[np.float32]] = {}
    together = threading.Barrier(3)

    def run(number: int) -> None:
        plugin, at, parts = library.make("tape_magnetisation"), 0, []
        assert plugin.activate(RATE, 16_384)
        rng = random.Random(number)
        together.wait(60.0)
        while at < audio.shape[1]:
            size = 16_384 if number == 0 else rng.choice([0, 1, 7, 512, 2_027, 9_000])
            parts.append(plugin.process(audio[:, at : at + size], in_place=number == 1))
            at += size
        plugin.end()
        made[number] = np.concatenate(parts, axis=1)

    threads = [threading.Thread(target=run, args=(number,)) for number in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert np.array_equal(made[0], made[1])
    assert np.array_equal(made[0], made[2])


def test_noise_has_no_end_and_a_drive_has(library: ClapLibrary) -> None:
    for kind, endless in (("tape_noise", True), ("preamp_drive", False)):
        plugin = library.make(kind)
        assert plugin.activate(RATE)
        assert (plugin.tail() >= 2**31 - 1) == endless
        plugin.end()


def test_outputs_without_sound_are_silent_not_as_they_were(chain: ClapPlugin) -> None:
    """Too few channels, or none."""
    for active in (False, True):
        assert not active or chain.activate(RATE)
        for channels in (1, 0):
            assert not chain.process(np.ones((channels, 64), np.float32)).any()
