"""Colouration of noise, whose figure has a formula, and of a comb."""

import math

import numpy as np
import pytest
from exponential_decays import decay

from measure.quantities.decay import colouration

RATE = 48_000


def test_colouration_of_gaussian_noise():
    # 20 lg of a Rayleigh magnitude: 5.57 dB; flatness e^-gamma: -2.51 dB.
    result = colouration(decay(2.0, duration=4.0, seed=6), RATE)
    assert result.deviation.value == pytest.approx(5.57, abs=4.0 * result.deviation.uncertainty)
    assert result.flatness.value == pytest.approx(-10.0 * np.euler_gamma / math.log(10.0), abs=0.1)
    assert result.deviation.uncertainty < 0.15


def test_colouration_of_a_comb():
    # 1 + a z^-M: mean of 20 lg |H| over whole periods is 0, of |H|^2 it is 1 + a^2.
    h = np.zeros(RATE)
    h[0], h[480] = 1.0, 0.5
    result = colouration(h, RATE, low_hz=1_000.0, high_hz=9_000.0)
    assert result.flatness.value == pytest.approx(-10.0 * math.log10(1.25), abs=1e-2)


@pytest.mark.parametrize(("rate", "high_hz"), [(48_000, 10_000.0), (16_000, 8_000.0)])
def test_the_band_ends_at_half_the_rate_and_says_so(rate, high_hz):
    h = np.random.default_rng(1).standard_normal(rate)
    assert colouration(h, rate).deviation.conditions["high_hz"] == high_hz


def test_there_is_no_colour_of_a_band_that_holds_too_little():
    noise = np.random.default_rng(1).standard_normal(2_048)
    few = colouration(noise, RATE, low_hz=100.0, high_hz=1_000.0)  # bins of 23.4 Hz
    assert math.isnan(few.deviation.value)
    assert "only 38 bins" in few.flatness.warnings[0]
    spectrum = np.fft.rfft(np.random.default_rng(2).standard_normal(RATE))
    spectrum[90:10_100] = 0.0
    nothing = colouration(np.fft.irfft(spectrum, RATE), RATE)
    assert math.isnan(nothing.flatness.value)
    assert "there is nothing between 100 and 10000 Hz" in nothing.deviation.warnings[0]
