"""A system gets its own copy of one channel, and must give one back."""

import numpy as np
import pytest

from measure.errors import MeasureError
from measure.parts.run import drive

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
