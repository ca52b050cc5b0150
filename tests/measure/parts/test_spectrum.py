"""Spectra against the power of tones and noise written down on paper."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tones import RATE, tone

from measure.errors import MeasureError
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


@pytest.mark.parametrize(("low_hz", "high_hz"), [(-1.0, 100.0), (100.0, 100.0), (200.0, 100.0)])
def test_a_band_rises_from_zero_or_more(low_hz, high_hz):
    with pytest.raises(MeasureError, match="must rise from 0 Hz or more"):
        band_power(np.ones(64), RATE, low_hz=low_hz, high_hz=high_hz)


def test_what_is_too_short_has_no_power_and_no_line():
    assert np.isnan(band_power(np.ones(7), RATE, low_hz=0.0, high_hz=100.0))
    assert np.isnan(find_tone(np.ones(15), RATE))


def test_no_line_is_found_above_half_the_rate():
    assert np.isnan(find_tone(tone(997.0, seconds=0.5)[0], RATE, near_hz=30_000.0))
