"""A straight line through a decay: read on paper."""

import math

import numpy as np
import pytest

from measure.quantities.decay.line import regress


@pytest.mark.parametrize("seconds", [0.3, 60.0, 400.0])
def test_a_straight_decay_has_the_time_of_its_slope(seconds: float) -> None:
    """Also one that falls by less than 1 dB a second."""
    t = np.linspace(-0.1 * seconds, seconds, 2_000)
    line = regress(t, np.where(t < 0.0, 3.0, -60.0 * t / seconds), -5.0, -35.0)
    assert line.seconds == pytest.approx(seconds, rel=1e-9)
    assert line.bend == pytest.approx(0.0, abs=1e-6)
    assert line.interval == pytest.approx((seconds / 12.0, seconds * 35.0 / 60.0), rel=1e-9)


def test_a_level_that_does_not_fall_far_enough_has_no_line() -> None:
    t = np.linspace(0.0, 1.0, 500)
    assert math.isnan(regress(t, -20.0 * t, -5.0, -35.0).seconds)
    assert math.isnan(regress(t, 20.0 * t, -5.0, -35.0).seconds)
    assert math.isnan(regress(t[:7], -60.0 * t[:7] / t[6], 0.0, -10.0).seconds)
