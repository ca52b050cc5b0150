"""An echo of -25 dB added 6 % to the flutter without a word."""

import math

import numpy as np
import pytest

from measure.quantities.flutter import flutter

FS = 8000


CARRIER = 3150.0


SINE = 0.1 * math.cos(0.025 * math.pi)  # two-sigma of a sine of 0.1 %


def carrier_of(time: np.ndarray) -> np.ndarray:
    return np.sin(2 * np.pi * CARRIER * (time - 0.001 * np.cos(2 * np.pi * 4 * time) / (2 * np.pi * 4)))


TIME = np.arange(12 * FS) / FS


CLEAN = 0.5 * carrier_of(TIME)


@pytest.mark.parametrize("delay_seconds", [0.0473, 0.1, 0.333])
def test_an_echo_is_named_and_within_the_doubt(delay_seconds: float) -> None:
    """-25 dB of it changes the deviation by up to 11 %: |f(t) - f(t - tau)| times 0.056."""
    reading = flutter(CLEAN + 0.5 * 10 ** (-25 / 20) * carrier_of(TIME - delay_seconds), FS).weighted["two_sigma"]
    assert abs(reading.value - SINE) > 0.01 * SINE
    assert abs(reading.value - SINE) < 2 * reading.uncertainty
    assert any("echo of -2" in warning for warning in reading.warnings)
