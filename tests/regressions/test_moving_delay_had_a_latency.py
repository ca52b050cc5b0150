"""The latency of a modulated system read 565.9 +/- 3e-6 samples, wrong by a hundred."""

import math

import numpy as np
import pytest

from measure.quantities.response import frequency_response

RATE = 48_000


def test_a_tape_whose_delay_moves_has_no_polarity():
    def tape(x, _):
        n = np.arange(len(x))
        return np.interp(n + 40.0 * np.sin(2.0 * np.pi * 0.7 * n / RATE), n, x)

    r = frequency_response(tape, RATE)
    assert math.isnan(r.polarity.value)
    assert "arrive" in r.latency_samples.warnings[0]


@pytest.mark.parametrize(("depth", "rate_hz"), [(40.0, 0.7), (2.0, 0.7), (500.0, 0.5)])
def test_a_moving_delay_has_no_latency(depth, rate_hz):
    # It read 565.9 +- 3e-6 samples where the delay went from 500 to 580.
    def tape(x, _):
        n = np.arange(len(x))
        return np.interp(n - 600.0 - depth * np.sin(2.0 * np.pi * rate_hz * n / RATE), n, x)

    r = frequency_response(tape, RATE)
    assert math.isnan(r.latency_samples.value)
    assert math.isnan(r.latency_seconds.value)
    assert "no one latency" in r.latency_samples.warnings[0]
