"""What VST3 hosts tell and are told that Python hosts do not show: points within a block, silence, lateness."""

import ctypes
import sys
import time
from ctypes import CFUNCTYPE, c_double, c_int32, c_uint8, c_uint32, c_void_p
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from bypassing import check_bypass, played_with_bypass, wave
from vst3_host import OFFLINE, Vst3Plugin, call, knob

from tapeemu import AmplitudeFlutter, PreampDrive

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the test host loads libraries of Linux")

LATENCY_CHANGED = 1 << 3


def test_silent_channels_are_told_and_no_others(plugins: Path) -> None:
    plugin = Vst3Plugin(plugins, "amplitude_flutter")
    plugin.activate()
    audio = np.zeros((2, 512), np.float32)
    for left, silent in ((0.0, 0b11), (0.5, 0b10), (0.0, 0b11)):
        audio[0] = left
        told = []
        for _ in range(3 + plugin.latency() // 512):
            out, flags = plugin.process(audio)
            assert flags == sum(int(not row.any()) << channel for channel, row in enumerate(out))
            told.append(flags)
        assert told[-1] == silent
    plugin.end()


def test_a_later_setting_is_told_and_sounds_when_it_has_begun_again(plugins: Path) -> None:
    plugin, told = Vst3Plugin(plugins, "print_through"), []
    nothing = CFUNCTYPE(c_int32, c_void_p)(lambda self: 0)
    restart = CFUNCTYPE(c_int32, c_void_p, c_int32)(lambda self, flags: told.append(flags) or 0)
    table = (c_void_p * 7)(*([ctypes.cast(nothing, c_void_p)] * 6), ctypes.cast(restart, c_void_p))
    handler = c_void_p(ctypes.addressof(table))
    call(plugin.controller, 16, c_int32, (c_void_p, ctypes.addressof(handler)))
    pre_echo = (c_uint32, knob("pre_echo"))
    call(plugin.controller, 15, c_int32, pre_echo, (c_double, 0.0))
    plugin.activate()
    before = plugin.latency()
    call(plugin.controller, 15, c_int32, pre_echo, (c_double, 1.0))
    end = time.monotonic() + 60.0
    while not told and time.monotonic() < end:  # our own thread makes the chain
        time.sleep(0.01)
        assert call(plugin.controller, 14, c_double, pre_echo) == 1.0
    assert told == [LATENCY_CHANGED]
    assert plugin.latency() == before
    call(plugin.component, 11, c_int32, (c_uint8, 0))
    call(plugin.component, 11, c_int32, (c_uint8, 1))
    assert plugin.latency() > before + 10_000  # a turn of the reel
    plugin.end()


@pytest.mark.parametrize("kind", ["wow_flutter", "fdn_reverb"])
def test_bypass_at_any_sample_makes_no_click_and_keeps_the_latency(plugins: Path, kind: str) -> None:
    plugin = Vst3Plugin(plugins, kind)
    plugin.activate()

    def switch(off: bool) -> None:
        call(plugin.controller, 15, c_int32, (c_uint32, knob("bypass")), (c_double, float(off)))

    heard = played_with_bypass(lambda audio: plugin.process(audio)[0], switch)
    late = plugin.latency()
    plugin.end()
    check_bypass(heard, wave().astype(np.float32), late)


def test_points_within_a_block_are_followed_at_their_samples(plugins: Path) -> None:
    """However the host cuts the song: every block offline, with a step at a sample in the middle of one."""
    audio = (0.3 * np.sin(np.arange(48_000).reshape(2, -1) / 9.0)).astype(np.float32)

    def bounce(sizes: int, step: int) -> npt.NDArray[np.float32]:
        plugin = Vst3Plugin(plugins, "preamp_drive")
        points = [(step, key, plugin.normal(key, to)) for key, to in (("drive_db.set", 1.0), ("drive_db", 20.0))]
        plugin.activate()
        parts = []
        for at in range(0, audio.shape[1], sizes):
            within = [(each - at, key, value) for each, key, value in points if at <= each < at + sizes]
            parts.append(plugin.process(audio[:, at : at + sizes], place=at, mode=OFFLINE, changes=within)[0])
        assert plugin.value("drive_db") == plugin.normal("drive_db", 20.0)
        plugin.end()
        return np.concatenate(parts, axis=1)

    whole = bounce(24_000, 7_001)
    assert np.array_equal(whole, bounce(1_000, 7_001))
    assert np.array_equal(whole, bounce(7_001, 7_001))
    assert not np.array_equal(whole, bounce(24_000, 7_301))
    last = PreampDrive(drive_db=20.0).stream(sample_rate=48_000.0, channels=2).process(audio)
    assert np.max(np.abs(whole[:, -600:] - last[:, -600:])) < 1e-4


def test_a_value_that_came_back_in_single_precision_is_no_change(plugins: Path) -> None:
    plugin = Vst3Plugin(plugins, "amplitude_flutter")
    before = plugin.save()
    audio = np.random.default_rng(3).normal(0.0, 0.1, (2, 4_000)).astype(np.float32)
    plugin.activate()
    keys = ("random_db", "random_low_hz", "random_high_hz", "dropout_most_db")
    told = [(0, key, float(np.float32(plugin.value(key)))) for key in keys if plugin.value(key)]
    assert any(value != plugin.value(key) for _, key, value in told)
    out, _ = plugin.process(audio, changes=told, place=0, mode=OFFLINE)
    assert plugin.save() == before
    assert np.array_equal(out, AmplitudeFlutter().stream(sample_rate=48_000.0, channels=2).process(audio))
    plugin.end()


def test_outputs_without_sound_are_silent_not_as_they_were(plugins: Path) -> None:
    plugin = Vst3Plugin(plugins, "preamp_drive")
    audio = np.ones((2, 64), np.float32)
    for active in (False, True):
        if active:
            plugin.activate()
        # More channels than were agreed on, fewer, and none.
        for channels, outputs in ((2, 3), (1, 2), (0, 2)):
            out, silent = plugin.process(audio[:channels], outputs=outputs)
            assert np.all(np.isfinite(out))
            sounds = active and channels == 2
            assert not out[2 if sounds else 0 :].any()
            assert silent >> (2 if sounds else 0) == (1 << (outputs - (2 if sounds else 0))) - 1
    plugin.end()


def test_what_is_no_number_and_no_place_does_not_stay(plugins: Path) -> None:
    """A room and a drive that were given such samples go on as one that was given silence instead."""
    plugin, clean = Vst3Plugin(plugins, "fdn_reverb"), Vst3Plugin(plugins, "fdn_reverb")
    audio = np.random.default_rng(3).normal(0.0, 0.1, (2, 2_000)).astype(np.float32)
    silenced, wrong = audio.copy(), audio.copy()
    for at, value in ((100, np.nan), (700, np.inf), (1_300, -np.inf)):
        silenced[:, at], wrong[:, at] = 0.0, value
    for each in (plugin, clean):
        each.activate()
    assert np.array_equal(plugin.process(wrong)[0], clean.process(silenced)[0])
    for place in (2**63 - 1, -(2**63), 0):
        out, _ = plugin.process(audio, place=place, changes=[(5, "wet_percent", np.nan)])
        assert np.all(np.isfinite(out))
    plugin.end()
    clean.end()
