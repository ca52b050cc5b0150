"""Echo density of noise, of pulses, and of nothing."""

import math

import numpy as np
import pytest
from exponential_decays import NO_DECAYS, decay

from measure.quantities.decay import colouration, echo_density

RATE = 48_000


def test_echo_density_of_noise_is_one():
    density = echo_density(np.random.default_rng(1).standard_normal(RATE), RATE)
    # Gaussian noise has density 1 by definition; a window of 25 ms holds some 900 samples.
    assert np.mean(density.profile.y) == pytest.approx(1.0, abs=0.01)
    assert density.half.value < 0.03


def test_echo_density_of_sparse_pulses():
    # One pulse every 20 ms: sigma is far below it, and the share of samples beyond is 1 in 960 over 0.317.
    h = np.zeros(RATE)
    h[::960] = 1.0
    density = echo_density(h, RATE, window_seconds=0.1)
    assert np.max(density.profile.y) < 0.01
    assert math.isnan(density.nine_tenths.value)
    assert "never reaches" in density.nine_tenths.warnings[0]


def test_echo_density_of_growing_density_is_found_in_time():
    # Sparse before 0.3 s, noise after: the window of 25 ms reaches half way through at 0.3 s.
    rng = np.random.default_rng(2)
    h = np.where(np.arange(RATE) < 0.3 * RATE, (rng.random(RATE) < 0.001) * 1.0, 1.0) * rng.standard_normal(RATE)
    h[0] = 1.0
    assert echo_density(h, RATE).nine_tenths.value == pytest.approx(0.3, abs=0.025)


@pytest.mark.parametrize("name", ["silence", "one sample", "constant", "not a number"])
def test_no_density_and_no_colour_of_nothing(name):
    for reading in (*echo_density(NO_DECAYS[name], RATE).readings, *colouration(NO_DECAYS[name], RATE).readings):
        assert math.isnan(reading.value)
        assert reading.warnings


@pytest.mark.parametrize(
    ("response", "window_seconds", "reason"),
    [
        (decay(0.3, duration=0.04), 0.025, "two windows of it are needed"),
        (decay(0.3, duration=1.0), 0.0003, "two windows of it are needed"),
        (NO_DECAYS["a lone echo"], 0.025, "a single echo"),
    ],
)
def test_a_response_shorter_than_its_windows_has_no_density(response, window_seconds, reason):
    for reading in echo_density(response, RATE, window_seconds=window_seconds).readings:
        assert math.isnan(reading.value)
        assert reason in reading.warnings[0]
