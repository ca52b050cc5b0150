"""No test noticed the guard against a second tone, a tenth of the first and far from it."""

import numpy as np
import pytest
from distorted_tones import RATE, THIRD, TIME

from measure.quantities.distortion import harmonic_distortion


@pytest.mark.parametrize("offset_hz", [980.0, 1910.0, 900.0])
def test_a_tone_of_a_tenth_far_from_the_first_is_refused_and_a_weaker_one_is_not(offset_hz: float) -> None:
    """Guard of the second tone: -20 dB re the first, anywhere but on a harmonic or beside the tone."""
    other = np.cos(2 * np.pi * (1500.0 + offset_hz) * TIME)
    loud = harmonic_distortion(THIRD + 0.105 * other, RATE).thd_f
    assert not loud.defined
    assert "second tone" in loud.warnings[0]
    soft = harmonic_distortion(THIRD + 0.095 * other, RATE).thd_f
    assert soft.value == pytest.approx(3.0, abs=max(1e-3, 2 * soft.uncertainty))
