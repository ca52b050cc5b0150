"""Drift of 3 % in a parabola made 0.0997 % of flutter read 0.192 %."""

import math

import numpy as np
import pytest

from measure.quantities.flutter import flutter

FS = 8000


CARRIER = 3150.0


SINE = 0.1 * math.cos(0.025 * math.pi)  # two-sigma of a sine of 0.1 %


def tone_with(deviation_hz: np.ndarray, time: np.ndarray) -> np.ndarray:
    """A tone whose frequency is 3150 Hz plus a deviation, by summing up."""
    return 0.5 * np.sin(2 * np.pi * (CARRIER * time + np.cumsum(deviation_hz) * (time[1] - time[0])))


def test_a_curved_drift_stays_out_of_the_flutter() -> None:
    """3 % of parabola over 20 s made 0.192 % of weighted flutter out of 0.0997 %."""
    time = np.arange(20 * FS) / FS
    place = time / 10.0 - 1.0
    deviation = CARRIER * (0.029 * place**2 + 0.001 * np.sin(2 * np.pi * 4 * time))
    result = flutter(tone_with(deviation, time), FS)
    mean = 1.0 + 0.029 / 3.0
    assert result.weighted["two_sigma"].value == pytest.approx(SINE / mean, rel=1e-3)
    assert abs(result.drift.value - 1.45 / mean) < 4 * result.drift.uncertainty
