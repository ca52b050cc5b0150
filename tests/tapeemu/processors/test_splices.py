"""Splices: crossfade and offsets between tracks, held to the geometry of a straight cut."""

import numpy as np
import pytest

from tapeemu import Splices
from tapeemu.errors import ParameterError
from tapeemu.validation import FloatArray

RATE = 48_000


def share_of_new(at: float, channel: int, channels: int, track: int, angle: float, samples: int) -> FloatArray:
    """Share of the track's width behind the cut: W = 2 mm, s = 3.95 mm, v = 381 mm/s."""
    along = 1.0 / np.tan(np.radians(angle)) / 381.0
    middle = at + (track * channels + channel - 0.5 * (channels - 1)) * 3.95 * along
    return np.asarray(np.clip((np.arange(samples) / RATE - middle) / (2.0 * along) + 0.5, 0.0, 1.0))


@pytest.mark.parametrize(("track", "angle"), [(0, 45.0), (2, 45.0), (0, 60.0)])
def test_the_crossfade_is_that_of_a_straight_cut_on_every_track(track: int, angle: float) -> None:
    audio = np.random.default_rng(3).uniform(-0.5, 0.5, (2, RATE // 2))
    at, shift = 0.2003, 3001
    splices = Splices(splices=[{"at_seconds": at, "shift_seconds": shift / RATE}], angle_degrees=angle)
    heard = splices(audio, RATE, track=track)
    later = np.concatenate([audio[:, shift:], np.zeros((2, shift))], axis=1)
    for channel in range(2):
        new = share_of_new(at, channel, 2, track, angle, audio.shape[1])
        expected = (1.0 - new) * audio[channel] + new * later[channel]
        np.testing.assert_allclose(heard[channel], expected, atol=1e-12)
    untouched = share_of_new(at, 0, 2, track, angle, audio.shape[1]) == 0.0
    np.testing.assert_array_equal(heard[0, untouched], audio[0, untouched])


def test_blank_tape_is_silent_and_what_belongs_there_comes_back() -> None:
    audio = np.full((1, RATE), 0.5)
    heard = Splices(splices=[{"at_seconds": 0.3, "blank": True}, {"at_seconds": 0.6}])(audio, RATE)[0]
    off, on = (share_of_new(at, 0, 1, 0, 45.0, RATE) for at in (0.3, 0.6))
    np.testing.assert_allclose(heard, 0.5 * (1.0 - off + on), atol=1e-12)
    assert not np.any(heard[round(0.31 * RATE) : round(0.59 * RATE)])


def test_crossfade_and_offset_are_the_published_times() -> None:
    """At 38.1 cm/s 16.5 ms for 6.3 mm, and 10.4 ms between tracks 3.95 mm apart: W / v and s / v."""
    assert Splices(track_width_mm=6.3).crossfade_seconds() == pytest.approx(16.5e-3, abs=5e-5)
    assert Splices().offset_seconds() == pytest.approx(10.4e-3, abs=5e-5)


def test_cuts_that_overlap_are_refused() -> None:
    with pytest.raises(ParameterError, match=r"splice 2 is at 1.001 s, but must come 0.005249 s or more after"):
        Splices(splices=[{"at_seconds": 1.0, "blank": True}, {"at_seconds": 1.001}])
