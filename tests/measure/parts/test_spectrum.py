"""Spectra against the power of tones and noise written down on paper."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tones import RATE, tone

from measure.parts.spectrum import band_power, find_tone


def test_band_power_of_a_tone_and_of_noise():
    y = 0.5 * tone(997.3)[0]
    assert band_power(y, RATE, low_hz=900.0, high_hz=1100.0) == pytest.approx(0.125, rel=1e-6)
    white = np.random.default_rng(5).standard_normal(10 * RATE)
    # 4 kHz of 24 kHz hold a sixth of the power, to a few times 1 / sqrt(B T) = 0.5 %.
    assert band_power(white, RATE, low_hz=4_000.0, high_hz=8_000.0) == pytest.approx(1 / 6, rel=0.02)


@given(st.floats(100.0, 20_000.0))
@settings(max_examples=20, deadline=None)
def test_the_strongest_line_is_found_to_a_fraction_of_a_bin(frequency):
    assert abs(find_tone(tone(frequency, seconds=0.5)[0], RATE) - frequency) < 0.1
