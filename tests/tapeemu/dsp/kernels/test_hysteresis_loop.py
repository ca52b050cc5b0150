"""The Langevin function, against hyperbolic functions of numpy and its series."""

import numpy as np

from tapeemu.dsp.kernels.hysteresis_loop import langevin_ratio


def test_the_ratio_is_that_of_the_closed_form_on_both_sides_of_four() -> None:
    x = np.array([0.5, 1.0, 2.0, 3.0, 3.999, 4.0, 4.001, 10.0, 100.0])
    expected = (1.0 / np.tanh(x) - 1.0 / x) / x
    for sign in (1.0, -1.0):
        np.testing.assert_allclose([langevin_ratio(sign * each) for each in x], expected, rtol=1e-14)


def test_near_zero_it_is_the_series() -> None:
    x = np.array([0.0, 1e-9, 1e-3, 0.01])
    expected = 1.0 / 3.0 - x**2 / 45.0 + 2.0 * x**4 / 945.0
    np.testing.assert_allclose([langevin_ratio(each) for each in x], expected, rtol=2e-15)
