"""The quasi-peak meter, a detector fitted to tolerances of 4 %, claimed 0.02 %."""

import math

import numpy as np
import pytest

from measure.quantities.flutter import flutter

FS = 8000


CARRIER = 3150.0


def carrier_of(time: np.ndarray) -> np.ndarray:
    return np.sin(2 * np.pi * CARRIER * (time - 0.001 * np.cos(2 * np.pi * 4 * time) / (2 * np.pi * 4)))


TIME = np.arange(12 * FS) / FS


CLEAN = 0.5 * carrier_of(TIME)


def test_the_quasi_peak_meters_tolerance_is_part_of_its_doubt() -> None:
    """60 ms pulses may read 90 +- 6 % (from memory): meters that keep the standard differ by that."""
    reading = flutter(CLEAN, FS).weighted["quasi_peak"]
    assert reading.uncertainty == pytest.approx(reading.value * 0.06 / math.sqrt(3), rel=0.01)
