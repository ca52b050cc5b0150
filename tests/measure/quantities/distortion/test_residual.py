"""Distortion and noise together: the notch over the total."""

import math

import numpy as np
import pytest

from measure.errors import MeasureError
from measure.quantities.distortion import thd_plus_noise

RATE = 48_000


def angle_of(frequency_hz, *, seconds=2.0, phase=0.2):
    return 2.0 * np.pi * frequency_hz / RATE * np.arange(round(seconds * RATE)) + phase


def test_thd_plus_noise_is_the_notch_over_the_total():
    # Third harmonic at 3 f0 behind the analogue notch, a tone at 1.37 f0, and white noise, all known.
    angle = angle_of(997.3)
    notch = {}
    for q in (1.2, 2.0, 3.0):
        for ratio in (3.0, 1.37):
            notch[q, ratio] = abs(1 - ratio**2) / math.hypot(1 - ratio**2, ratio / q)
    for q in (1.2, 2.0, 3.0):
        y = np.cos(angle) + 0.03 * np.cos(3.0 * angle) + 0.02 * np.cos(1.37 * angle)
        passed = math.hypot(0.03 * notch[q, 3.0], 0.02 * notch[q, 1.37])
        expected = 100.0 * passed / math.sqrt(1.0 + 0.03**2 + 0.02**2)
        reading = thd_plus_noise(y, RATE, notch_q=q)
        assert reading.value == pytest.approx(expected, rel=1.15e-4)
        assert f"Q {q:g}" in reading.method
    rms = 1e-3
    y = np.cos(angle) + rms * np.random.default_rng(4).standard_normal(len(angle))
    # White noise in 20 Hz to 20 kHz less what the notch takes: pi / 2 of its width f0 / Q.
    expected = 100.0 * rms * math.sqrt((19_980.0 - 997.3 / 2.0 * math.pi / 2.0) / 24_000.0) * math.sqrt(2.0)
    reading = thd_plus_noise(y, RATE)
    assert reading.value == pytest.approx(expected, abs=4.0 * reading.uncertainty)


def test_thd_plus_noise_refuses():
    with pytest.raises(MeasureError, match=r"1\.2 to 3"):
        thd_plus_noise(np.zeros(RATE), RATE, notch_q=5.0)
    with pytest.raises(MeasureError, match="band"):
        thd_plus_noise(np.zeros(RATE), RATE, low_hz=30_000.0)
    assert math.isnan(thd_plus_noise(np.zeros(RATE), RATE).value)
    assert "outside the band" in thd_plus_noise(np.sin(angle_of(15.0, seconds=2.0)), RATE).warnings[0]


def test_the_doubt_of_thd_plus_noise_is_its_scatter():
    """Of noise: that of a root mean square over the band under a Hann window (Welch 1967)."""
    time = np.arange(12_000) / 48_000
    found = []
    for seed in range(40):
        noise = 0.001 * np.random.default_rng(seed).standard_normal(time.size)
        found.append(thd_plus_noise(0.1 * np.sin(2.0 * np.pi * 1000.0 * time) + noise, 48_000))
    scatter = np.std([figure.value for figure in found], ddof=1)
    stated = np.mean([figure.uncertainty for figure in found])
    assert 0.75 < scatter / stated < 1.33  # 40 trials know a standard deviation to 11 %
