"""No test noticed distortion from which the power of noise is not taken off."""

import numpy as np
import pytest
from distorted_tones import ANGLE, RATE, TIME

from measure.parts.tone_fit import fit_tone
from measure.quantities.distortion import harmonic_distortion


def test_noise_is_taken_off_in_power() -> None:
    """Noise debias: 30 recordings of a line 8 dB above the noise in its bin; without it the mean is 7 % high."""
    amplitude = 3e-4
    read, raw = [], []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        y = np.cos(ANGLE) + amplitude * np.cos(2 * ANGLE) + 0.015 * rng.standard_normal(TIME.size)
        fit = fit_tone(y, RATE, orders=2)
        raw.append(fit.amplitudes[2] ** 2)
        read.append(harmonic_distortion(y, RATE, orders=2).thd_f.value)
    # The square of amplitude plus noise of variance v = 2 s^2 / N / (window's loss) per quadrature.
    mean_square = np.mean(np.square(read)) / 1e4
    assert mean_square == pytest.approx(amplitude**2, rel=0.3)
    assert np.mean(raw) > 1.1 * amplitude**2
    assert mean_square < 0.97 * np.mean(raw)
