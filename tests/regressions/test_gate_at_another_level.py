"""No test noticed a relative gate at -9.5 LU."""

import math

import numpy as np
import pytest
from level_meters import meter_of

RATE = 48_000


class TestGates:
    """Closed form: tones long enough that the blocks across their joints count for little."""

    SECONDS = 60.0

    def loudness_of(self, *levels_lufs: float) -> float:
        """Of a 997 Hz sine at each loudness in turn; of full scale it reads -3.01 LUFS (BS.1770-5)."""
        amplitude = np.repeat(
            [10.0 ** ((level + 3.01) / 20.0) for level in levels_lufs], round(self.SECONDS * RATE)
        )
        audio = amplitude * np.sin(2.0 * np.pi * 997.0 / RATE * np.arange(amplitude.size))
        return meter_of(audio[None]).integrated_lufs

    @pytest.mark.parametrize(
        "below",
        [9.4, *(pytest.param(each, marks=pytest.mark.long) for each in (9.6, 9.8, 10.2, 10.4)), 9.9, 10.1, 10.6],
    )
    def test_the_relative_gate_lies_10_lu_below_the_mean(self, below: float) -> None:
        """Two equal stretches whose lower one lies `below` the mean of both."""
        upper = -23.0
        # From lower = mean - below, where the mean is that of the two powers.
        share = 10.0 ** (-below / 10.0)
        lower = upper + 10.0 * math.log10(share / (2.0 - share))
        mean = lower + below
        expected = mean if below < 10.0 else upper
        assert abs(mean - upper) > 2.5
        assert self.loudness_of(upper, lower) == pytest.approx(expected, abs=0.03)

    @pytest.mark.parametrize(("level", "heard"), [(-69.8, True), (-70.2, False)])
    def test_the_absolute_gate_lies_at_minus_70(self, level: float, heard: bool) -> None:
        assert math.isfinite(self.loudness_of(level)) == heard
