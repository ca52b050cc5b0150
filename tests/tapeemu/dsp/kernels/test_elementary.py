"""Elementary functions held to forty digits of mpmath, which shares nothing with them."""

import math
from collections.abc import Callable
from typing import Any

import mpmath
import numpy as np
import pytest

from tapeemu.dsp.kernels.elementary import (
    bessel_i0,
    cosine_of_turns,
    exponential,
    exponential_less_one,
    fade,
    logarithm,
    logarithm_of_ten,
    power_of_ten,
    sine_of_turns,
    tangent_hyperbolic,
)

mpmath.mp.dps = 40


@pytest.fixture
def spread() -> np.random.Generator:
    return np.random.default_rng(11)


def worst(
    function: Callable[[float], float], truth: Callable[[Any], Any], places: Any, *, relative: bool
) -> float:
    largest = 0.0
    for place in places:
        exact = truth(mpmath.mpf(float(place)))
        off = abs(mpmath.mpf(function(float(place))) - exact)
        largest = max(largest, float(off / abs(exact) if relative and exact != 0 else off))
    return largest


def test_sine_and_cosine_of_turns_are_those_of_mpmath(spread: np.random.Generator) -> None:
    turns = np.concatenate([spread.uniform(-3, 3, 1500), spread.uniform(-1e6, 1e6, 300), np.arange(-16, 17) / 16])
    assert worst(sine_of_turns, lambda x: mpmath.sin(2 * mpmath.pi * x), turns, relative=False) < 3e-16
    assert worst(cosine_of_turns, lambda x: mpmath.cos(2 * mpmath.pi * x), turns, relative=False) < 3e-16
    for quarter, (sine, cosine) in enumerate([(0.0, 1.0), (1.0, 0.0), (0.0, -1.0), (-1.0, 0.0)]):
        assert sine_of_turns(quarter / 4 + 1000.0) == sine
        assert cosine_of_turns(quarter / 4 - 1000.0) == cosine


def test_the_exponential_is_that_of_mpmath(spread: np.random.Generator) -> None:
    places = np.concatenate([spread.uniform(-2, 2, 1200), spread.uniform(-708, 709.7, 800)])
    assert worst(exponential, mpmath.exp, places, relative=True) < 5e-16
    assert exponential(0.0) == 1.0
    assert exponential(-746.0) == 0.0
    assert exponential(-745.0) == 5e-324  # the smallest number there is
    assert math.isinf(exponential(710.0))


def test_the_logarithm_is_that_of_mpmath(spread: np.random.Generator) -> None:
    wide, middle = np.exp(spread.uniform(-708, 709, 800)), spread.uniform(0.4, 2.5, 1200)
    places = np.concatenate([wide, middle, 1 + spread.uniform(-1e-3, 1e-3, 300)])
    assert worst(logarithm, mpmath.log, places, relative=True) < 5e-16
    assert logarithm(1.0) == 0.0
    assert logarithm(5e-324) == pytest.approx(math.log(5e-324), rel=1e-15)
    assert logarithm(0.0) == -math.inf
    assert math.isnan(logarithm(-1.0))
    assert logarithm(math.inf) == math.inf


def test_the_hyperbolic_tangent_is_that_of_mpmath(spread: np.random.Generator) -> None:
    small = 10.0 ** spread.uniform(-12, 0, 300)
    places = np.concatenate([spread.uniform(-5, 5, 1200), spread.uniform(-0.4, 0.4, 600), small])
    assert worst(tangent_hyperbolic, mpmath.tanh, places, relative=True) < 1e-15
    for place in places:
        assert tangent_hyperbolic(-place) == -tangent_hyperbolic(place)
    assert tangent_hyperbolic(40.0) == 1.0
    assert tangent_hyperbolic(0.0) == 0.0


def test_powers_of_ten_are_those_of_mpmath(spread: np.random.Generator) -> None:
    places = np.concatenate([spread.uniform(-3, 3, 1200), spread.uniform(-307, 308, 800), np.arange(-20, 21)])
    assert worst(power_of_ten, lambda x: mpmath.mpf(10) ** x, places, relative=True) < 5e-16
    assert power_of_ten(0.0) == 1.0
    assert power_of_ten(-324.0) == 0.0
    assert power_of_ten(308.0) == pytest.approx(1e308, rel=5e-16)
    assert math.isinf(power_of_ten(308.3))


def test_the_exponential_less_one_keeps_small_numbers(spread: np.random.Generator) -> None:
    """Small numbers are what it is for: poles of slow filters."""
    near = spread.uniform(-1e-9, 1e-9, 300)
    places = np.concatenate([near, spread.uniform(-1, 1, 1200), spread.uniform(-40, 40, 300)])
    assert worst(exponential_less_one, mpmath.expm1, places, relative=True) < 1e-15
    assert exponential_less_one(0.0) == 0.0


def test_the_logarithm_of_ten_is_that_of_mpmath(spread: np.random.Generator) -> None:
    places = np.concatenate([np.exp(spread.uniform(-700, 700, 800)), spread.uniform(0.4, 2.5, 800)])
    assert worst(logarithm_of_ten, mpmath.log10, places, relative=True) < 1e-15


def test_bessel_i0_is_that_of_mpmath(spread: np.random.Generator) -> None:
    places = np.concatenate([spread.uniform(-30, 30, 800), spread.uniform(0, 1e-3, 50), [0.0, 10.5, 11.0, 30.0]])
    assert worst(bessel_i0, lambda x: mpmath.besseli(0, x), places, relative=True) < 1e-14
    assert bessel_i0(0.0) == 1.0


def test_a_fade_is_a_squared_sine_between_its_ends_and_level_beyond() -> None:
    for zero, one in ((2.0, 6.0), (6.0, 2.0)):
        assert [fade(x, zero, one) for x in (-1e9, 1e9)] == ([0.0, 1.0] if zero < one else [1.0, 0.0])
        for x in np.linspace(2.0, 6.0, 9):
            share = (x - zero) / (one - zero)
            assert fade(x, zero, one) == pytest.approx(math.sin(0.5 * math.pi * share) ** 2, abs=1e-15)
