"""No test noticed a skew that is lost where wander is set."""

import numpy as np
import pytest
from scipy import signal

from tapeemu.processors.wow_flutter import WowFlutter

RATE = 48_000


STILL = {"rotating_parts": (), "random_percent": 0.0}


def tone(frequency, samples, rate=RATE):
    return np.sin(2.0 * np.pi * frequency * np.arange(samples) / rate)


def test_azimuth_wanders_about_its_skew():
    """Neither takes the other's place: the mean is the skew, and it is exceeded as without skew."""
    seconds, rate = 120, 8_000
    audio = np.stack([tone(500.0, seconds * rate, rate)] * 2)
    wow = WowFlutter(**STILL, azimuth_skew_us=-150.0, azimuth_wander_us=30.0)
    phase = np.angle(signal.hilbert(wow(audio, sample_rate=rate, start_sample=60 * rate)))[:, 2_000:-2_000]
    late = -np.diff(np.unwrap(phase), axis=0)[0] / (2 * np.pi * 500.0) * 1e6
    late = (late + 1_000.0) % 2_000.0 - 1_000.0
    assert np.mean(late) == pytest.approx(-150.0, abs=4.0)
    assert np.quantile(np.abs(late - np.mean(late)), 0.95) == pytest.approx(30.0, rel=0.2)
