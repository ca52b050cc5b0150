"""Figures that the kernels foretell: the weighting by scipy's monotone cubic, levels by closed forms."""

import math

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from measure.parts.weighting import FLUTTER_WEIGHTING_DB
from tapeemu.dsp.kernels.flutter_figures import FLUTTER_POINTS, flutter_figures


def foretold(lines: list[tuple[float, float]], rms: float) -> tuple[np.ndarray, np.ndarray]:
    """Weighted and unweighted figure of sines and noise of 0.5 to 5 Hz, and the curve of weighting."""
    sines, curve, figures = np.zeros((len(lines), 3)), np.zeros((17, 3)), np.zeros(2)
    sines[:, :2] = lines
    flutter_figures(sines, rms, 0.5, 5.0, 0.0, 0.0, 50.0, 100.0, curve, np.zeros(FLUTTER_POINTS), figures)
    return figures, curve


def test_the_curve_is_the_table_with_the_slopes_of_scipys_monotone_cubic() -> None:
    """The table stands in the laboratory as well, which shares no code with the kernels."""
    _, curve = foretold([(4.0, 0.01)], 0.0)
    table = np.array(FLUTTER_WEIGHTING_DB)
    np.testing.assert_allclose(2.0 ** curve[:, 0], table[:, 0], rtol=1e-14)
    np.testing.assert_array_equal(curve[:, 1], table[:, 1])
    theirs = PchipInterpolator(np.log2(table[:, 0]), table[:, 1]).derivative()(np.log2(table[:, 0]))
    np.testing.assert_allclose(curve[:, 2], theirs, rtol=1e-10, atol=1e-12)


@pytest.mark.parametrize("peak", [0.002, 0.5])
def test_a_sine_exceeds_a_cosine_of_its_peak_for_a_twentieth_of_the_time(peak: float) -> None:
    """Cos(0.025 pi) of the peak, by the arc sine law; at 4 Hz the weighting is 1, at 10 Hz -2.1 dB."""
    at_4_hz, _ = foretold([(4.0, peak)], 0.0)
    np.testing.assert_allclose(at_4_hz, 100.0 * peak * math.cos(0.025 * math.pi), rtol=1e-3)
    at_10_hz, _ = foretold([(10.0, peak)], 0.0)
    assert at_10_hz[0] / at_10_hz[1] == pytest.approx(10.0 ** (-2.1 / 20.0), rel=1e-9)


def test_sines_and_noise_together_agree_with_sampling(rng: np.random.Generator) -> None:
    samples = 100_000
    total = 0.3 * rng.standard_normal(samples)
    for peak in (1.0, 0.7):
        total += peak * np.cos(rng.uniform(0.0, 2.0 * np.pi, samples))
    figures, _ = foretold([(3.0, 0.01), (7.3, 0.007)], 0.003)
    assert figures[1] == pytest.approx(np.quantile(np.abs(total), 0.95), rel=0.01)
