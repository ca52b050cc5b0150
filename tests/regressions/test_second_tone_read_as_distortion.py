"""A second tone near the carrier (1100 Hz at -20 dB) read as 1.9503 +/- 0.0003 % of distortion."""

import numpy as np
import pytest
from distorted_tones import RATE, THIRD, TIME

from measure.quantities.distortion import harmonic_distortion


@pytest.mark.parametrize("offset_hz", [-300.0, 20.0, 100.0, 410.0])
@pytest.mark.parametrize("level_db", [-20.0, -30.0])
def test_a_second_tone_beside_the_first_is_refused(offset_hz: float, level_db: float) -> None:
    """It swings the time base, so that harmonics were lost: 1.9503 +- 0.0003 % were printed for 3 %."""
    reading = harmonic_distortion(
        THIRD + 10 ** (level_db / 20) * np.cos(2 * np.pi * (1000 + offset_hz) * TIME), RATE
    ).thd_f
    assert not reading.defined
    assert f"second tone at {1000 + offset_hz:g}" in reading.warnings[0]


@pytest.mark.parametrize("offset_hz", [60.0, 200.0, -150.0])
def test_a_weak_second_tone_is_named_and_within_the_doubt(offset_hz: float) -> None:
    reading = harmonic_distortion(THIRD + 0.01 * np.cos(2 * np.pi * (1000 + offset_hz) * TIME), RATE).thd_f
    assert 1e-4 < abs(reading.value - 3.0) < 2 * reading.uncertainty
    assert reading.uncertainty < 0.002
    assert f"weak second tone at {1000 + offset_hz:g} Hz" in reading.warnings[0]
