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
    line = line_power(0.2 * np.sin(TURN + 0.7), TURN, RATE, 1_000.0)
    assert line.power == pytest.approx(0.02, rel=1e-9)
    assert line.uncertainty < 1e-9


@pytest.mark.parametrize("rate_hz", [2.0, 5.0, 10.0])
def test_a_moving_delay_neither_makes_nor_takes_power(rate_hz):
    """1 % peak at each rate: a fixed clock would find a fifth of the tone, or nothing."""
    moved = np.sin(TURN + 0.01 * 1_000.0 / rate_hz * np.sin(2.0 * np.pi * rate_hz * CLOCK))
    line = line_power(moved, TURN, RATE, 1_000.0)
    assert 10.0 * math.log10(2.0 * line.power) == pytest.approx(0.0, abs=0.02)


@pytest.mark.parametrize("noise", [0.1, 0.4])
def test_noise_is_taken_off_and_told(noise):
    """Noise of 20 and of 32 dB over what is read: the scatter of 300 trials is told to 4 %.

    It was said to be 1.3 and 1.7 times as large: sidebands were suspected in all that was taken off.
    """
    rng = np.random.default_rng(4)
    tone = 0.1 * np.sin(TURN)
    lines = [line_power(tone + noise * rng.standard_normal(SIZE), TURN, RATE, 1_000.0) for _ in range(300)]
    power = np.array([line.power for line in lines])
    scatter = float(np.std(power))
    # Noise of the band is 1.5 % of the tone's power: left in, it would stand out of what 300 trials leave open.
    assert np.mean(power) == pytest.approx(0.005, abs=3.0 * scatter / math.sqrt(300.0))
    assert 3.0 * scatter / math.sqrt(300.0) < 0.6 * 0.015 * (noise / 0.1) ** 2 * 0.005
    assert np.sqrt(np.mean([line.uncertainty**2 for line in lines])) == pytest.approx(scatter, rel=0.12)


def test_sidebands_that_were_taken_for_noise_are_within_the_doubt():
    """A speed that moves by 2 % at 40 to 60 Hz: much of its sidebands lies beside the band, and falls off."""
    rng = np.random.default_rng(5)
    rates = np.fft.rfftfreq(4 * SIZE, 1.0 / RATE)
    missed, lines = [], []
    for _ in range(20):
        drawn = np.fft.rfft(rng.standard_normal(4 * SIZE)) * ((rates > 40.0) & (rates < 60.0))
        speed = np.fft.irfft(drawn)
        late = np.cumsum(0.02 * speed[:SIZE] / np.std(speed)) / RATE
        lines.append(line_power(np.sin(TURN + 2.0 * np.pi * 1_000.0 * late), TURN, RATE, 1_000.0))
        missed.append(abs(lines[-1].power - 0.5))
    # Twice what noise of that density would do does not explain it.
    assert np.mean([each > 2.0 * line.scatter for each, line in zip(missed, lines, strict=True)]) > 0.3
    assert np.mean([each < 2.0 * line.uncertainty for each, line in zip(missed, lines, strict=True)]) > 0.9


def test_a_second_tone_far_off_does_not_count():
    other = 0.5 * np.sin(2.0 * np.pi * 3_000.0 * CLOCK)
    line = line_power(0.2 * np.sin(TURN) + other, TURN, RATE, 1_000.0)
    assert line.power == pytest.approx(0.02, rel=1e-6)
