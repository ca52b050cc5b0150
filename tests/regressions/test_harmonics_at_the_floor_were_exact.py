"""Harmonics of -120 dB claimed 2e-8 dB, and were off by 0.08."""

import numpy as np
import pytest
from distorted_tones import RATE, TIME

from measure.quantities.distortion import harmonic_distortion


@pytest.mark.parametrize("frequency_hz", [60.0, 311.1, 1000.0, 1400.55, 3000.0])
@pytest.mark.parametrize("level_db", [-120.0, -140.0])
def test_harmonics_near_the_floor_of_the_method(frequency_hz: float, level_db: float) -> None:
    """Without noise the image of the tone in the time base is all that is wrong: up to 0.08 dB at -120 dB."""
    angle = 2 * np.pi * frequency_hz * TIME + 0.4
    size = 10 ** (level_db / 20)
    y = np.cos(angle) + size * (np.cos(2 * angle + 1) + np.cos(3 * angle + 2)) + 0.1
    for order in (2, 3):
        reading = harmonic_distortion(y, RATE).harmonic(order)
        if reading.defined:
            assert abs(reading.value - level_db) < 2 * reading.uncertainty + 1e-6
            assert reading.uncertainty < 2.0
    # The steady component does not enter; the second harmonic is exact.
    assert harmonic_distortion(y, RATE).harmonic(2).value == pytest.approx(level_db, abs=1e-3)
