"""The level that sines and noise exceed 5 % of the time: closed forms, and sampling."""

import math

import numpy as np
import pytest
from scipy import stats

from tapeemu.dsp.exceedance import TWO_SIGMA, exceeded_level


def test_level_exceeded_by_a_sine_and_by_noise():
    # Closed forms: cos(0.025 pi) of the peak, 1.960 standard deviations.
    assert exceeded_level([2.0], 0.0) == pytest.approx(2.0 * math.cos(0.025 * math.pi), rel=1e-3)
    assert exceeded_level([], 3.0) == pytest.approx(1.959964 * 3.0, rel=1e-6)
    assert exceeded_level([0.0], 3.0, share=0.3173105) == pytest.approx(3.0, rel=1e-5)
    assert stats.norm.sf(TWO_SIGMA) == pytest.approx(0.025, rel=1e-9)


@pytest.mark.parametrize(
    ("peaks", "rms"), [([1.0, 1.0], 0.0), ([1.0, 0.7, 0.2], 0.3), ([0.5], 1.0), ([1.0] * 4, 0.05)]
)
def test_level_exceeded_by_a_mixture_agrees_with_sampling(peaks, rms, rng):
    samples = 400_000
    total = rms * rng.standard_normal(samples)
    for peak in peaks:
        total += peak * np.cos(rng.uniform(0.0, 2.0 * np.pi, samples))
    assert exceeded_level(peaks, rms) == pytest.approx(np.quantile(np.abs(total), 0.95), rel=0.006)
