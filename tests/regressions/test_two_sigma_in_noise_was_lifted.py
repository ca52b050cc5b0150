"""Two-sigma of a sine in noise reads high; it was neither corrected nor said."""

import math

import numpy as np
import pytest
from scipy.special import ndtr

from measure.parts.signals import Modulation, modulated_tone
from measure.quantities.flutter import flutter

FS = 8000


CARRIER = 3150.0


SINE = 0.1 * math.cos(0.025 * math.pi)  # two-sigma of a sine of 0.1 %


def test_noise_under_a_sine_lifts_the_two_sigma_and_is_named() -> None:
    """The exact law: P(|a sin + noise| > t) = 5 %; the part that noise adds is stated and is inside the doubt."""
    rng = np.random.default_rng(3)
    signal = modulated_tone(
        CARRIER, duration_seconds=20, sample_rate=FS, speed=[Modulation(rate_hz=4, peak_percent=0.1)]
    )
    noisy = signal + 10 ** (-32 / 20) * 0.5 / math.sqrt(2) * rng.standard_normal(signal.size)
    reading = flutter(noisy, FS).unweighted["two_sigma"]
    sigma = float(reading.conditions["noise_percent"])
    level = np.linspace(0.08, 0.3, 4000)[:, None]
    sine = 0.1 * np.sin(2 * np.pi * (np.arange(500) + 0.5) / 500)
    above = np.mean(ndtr((sine - level) / sigma) + ndtr((-sine - level) / sigma), axis=1)
    exact = float(np.interp(-0.05, -above, level[:, 0]))
    assert exact > 1.05 * SINE
    assert reading.value == pytest.approx(exact, rel=0.02)
    assert abs(reading.value - SINE) < 2 * reading.uncertainty
    assert any("noise of the recording" in warning for warning in reading.warnings)
