"""Aliasing on a prime grid against folded harmonics in closed form."""

import math

import numpy as np
import pytest
from tones import RATE

from measure.errors import MeasureError
from measure.parts.prime_grid import aliasing_ratio_db, prime_grid


def test_prime_grid_is_prime_and_near():
    length, frequency = prime_grid(RATE, frequency_hz=1245.0)
    assert length == 47_981  # the largest prime below 48 000
    assert all(length % d for d in range(2, 220))
    assert abs(frequency - 1245.0) < RATE / length


def test_aliasing_of_a_cube_is_the_folded_harmonic():
    # x^3 of 15 kHz makes 45 kHz, which folds to 3 kHz: 1/4 against 3/4 of amplitude, -9.54 dB. Exact.
    length, frequency = prime_grid(RATE, frequency_hz=15_000.0)
    x = np.cos(2.0 * np.pi * frequency / RATE * np.arange(length))
    ratio = aliasing_ratio_db(x**3, RATE, frequency_hz=frequency)
    assert ratio == pytest.approx(-20.0 * math.log10(3.0), abs=1e-6)
    # Below a third of half the rate nothing folds.
    length, frequency = prime_grid(RATE, frequency_hz=1_000.0)
    x = np.cos(2.0 * np.pi * frequency / RATE * np.arange(length))
    assert aliasing_ratio_db(x**3, RATE, frequency_hz=frequency) < -200.0


def test_aliasing_needs_its_grid():
    with pytest.raises(MeasureError, match="grid"):
        aliasing_ratio_db(np.zeros(47_981), RATE, frequency_hz=1_000.0)
    with pytest.raises(MeasureError, match="prime"):
        aliasing_ratio_db(np.zeros(48_000), RATE, frequency_hz=1_000.0)


def test_there_is_no_ratio_to_a_tone_that_is_not_there():
    length, frequency = prime_grid(RATE, frequency_hz=1_000.0)
    assert math.isnan(aliasing_ratio_db(np.zeros(length), RATE, frequency_hz=frequency))
