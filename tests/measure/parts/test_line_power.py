"""Power of a tone in a band: exact without noise, unbiased with it, whatever its speed does."""

import math

import numpy as np
import pytest

from measure.parts.line_power import line_power

RATE = 16_000.0
SIZE = 6_400
CLOCK = np.arange(SIZE) / RATE
TURN = 2.0 * np.pi * 1_000.0 * CLOCK


def test_a_tone_has_half_its_square():
    power, doubt = line_power(0.2 * np.sin(TURN + 0.7), TURN, RATE, 1_000.0)
    assert power == pytest.approx(0.02, rel=1e-9)
    assert doubt < 1e-9


@pytest.mark.parametrize("rate_hz", [2.0, 5.0, 10.0])
def test_a_moving_delay_neither_makes_nor_takes_power(rate_hz):
    """1 % peak at each rate: a fixed clock would find a fifth of the tone, or nothing."""
    moved = np.sin(TURN + 0.01 * 1_000.0 / rate_hz * np.sin(2.0 * np.pi * rate_hz * CLOCK))
    power, _ = line_power(moved, TURN, RATE, 1_000.0)
    assert 10.0 * math.log10(2.0 * power) == pytest.approx(0.0, abs=0.02)


def test_noise_is_taken_off_and_told():
    rng = np.random.default_rng(4)
    tone = 0.1 * np.sin(TURN)
    found = np.array([line_power(tone + 0.1 * rng.standard_normal(SIZE), TURN, RATE, 1_000.0) for _ in range(300)])
    scatter = float(np.std(found[:, 0]))
    # Noise of the band is 1.5 % of the tone's power: left in, it would stand out of what 300 trials leave open.
    assert np.mean(found[:, 0]) == pytest.approx(0.005, abs=3.0 * scatter / math.sqrt(300.0))
    assert 3.0 * scatter / math.sqrt(300.0) < 0.6 * 0.015 * 0.005
    assert scatter < np.mean(found[:, 1]) < 2.0 * scatter


def test_a_second_tone_far_off_does_not_count():
    other = 0.5 * np.sin(2.0 * np.pi * 3_000.0 * CLOCK)
    power, _ = line_power(0.2 * np.sin(TURN) + other, TURN, RATE, 1_000.0)
    assert power == pytest.approx(0.02, rel=1e-6)
