"""Aliasing: none where nothing folds back, the folded power where it does."""

import math

import pytest

from measure.quantities.distortion import aliasing_to_signal

RATE = 48_000


def db(ratio):
    return 20.0 * math.log10(ratio)


def test_aliasing_of_a_cube_is_the_folded_harmonic():
    # 15 kHz cubed: everything but the tone folds; x - 0.1 x^3 gives 0.025 at 3 kHz under 0.925, exact.
    reading = aliasing_to_signal(lambda x, _: x - 0.1 * x**3, RATE, frequency_hz=15_000.0, level_dbfs=0.0)
    assert reading.value == pytest.approx(db(0.025 / 0.925), abs=1e-6)
    clean = aliasing_to_signal(lambda x, _: x - 0.1 * x**3, RATE, frequency_hz=1_245.0, level_dbfs=0.0)
    assert clean.value < -240.0
    assert math.isnan(aliasing_to_signal(lambda x, _: 0.0 * x, RATE).value)
