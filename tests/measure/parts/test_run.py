"""A system gets its own copy of one channel, and must give one back."""

import numpy as np
import pytest

from measure.errors import MeasureError
from measure.parts.run import drive, drive_by_bursts
from measure.parts.signals import noise_burst

RATE = 48_000


def test_drive_asks_for_one_channel_of_the_same_length():
    x = np.ones(100)
    assert np.array_equal(drive(lambda audio, _: np.stack([audio]), x, RATE), x)
    assert len(drive(lambda audio, _: np.concatenate([audio, audio]), x, RATE)) == 100
    with pytest.raises(MeasureError, match="one channel"):
        drive(lambda audio, _: np.stack([audio, audio]), x, RATE)
    with pytest.raises(MeasureError, match="shorten"):
        drive(lambda audio, _: audio[:50], x, RATE)
    with pytest.raises(MeasureError, match="one channel"):
        drive(lambda audio, _: audio.astype(np.int32), x, RATE)


def test_a_system_that_works_in_place_does_not_spoil_the_signal():
    x = np.ones(100)

    def in_place(audio, _):
        audio *= 0.0
        return audio

    drive(in_place, x, RATE)
    assert np.all(x == 1.0)


def test_bursts_are_of_one_timing_and_of_different_noise():
    """What comes back is what was made by each seed in turn, and the timing told is that of the first."""
    length = {"burst_seconds": 0.01, "silence_seconds": 0.02, "level_dbfs": -12.0}
    back, burst = drive_by_bursts(lambda audio, _: 2.0 * audio, noise_burst, RATE, repeats=3, seed=5, **length)
    assert (burst.stop, burst.seed, burst.level_dbfs, len(burst.signal)) == (480, 5, -12.0, 1_440)
    made = [noise_burst(RATE, seconds=0.01, silence_seconds=0.02, level_dbfs=-12.0, seed=k) for k in (5, 6, 7)]
    for recording, each in zip(back, made, strict=True):
        np.testing.assert_array_equal(recording, 2.0 * each.signal)
    for wrong in (0, -1, 2.0, True):
        with pytest.raises(MeasureError, match="whole number of 1 or more"):
            drive_by_bursts(lambda audio, _: audio, noise_burst, RATE, repeats=wrong, seed=5, **length)
