"""Intermodulation against closed forms."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from measure.errors import MeasureError
from measure.parts.signals import two_tones
from measure.quantities.distortion import difference_frequency_distortion, modulation_distortion
from measure.quantities.distortion.two_tones import percent_reading

RATE = 48_000
NOISE = 10.0 ** (-96 / 20) / math.sqrt(2.0)  # RMS of a floor 96 dB below a tone of amplitude 1


def angle_of(frequency_hz, *, seconds=2.0, phase=0.2):
    return 2.0 * np.pi * frequency_hz / RATE * np.arange(round(seconds * RATE)) + phase


def noise(n, seed=0):
    return NOISE * np.random.default_rng(seed).standard_normal(n)


def shaped(x, a, b):
    return x + a * x**2 - b * x**3


@settings(max_examples=10, deadline=None)
@given(st.floats(0.01, 0.3), st.floats(0.01, 0.3), st.sampled_from([1.0, 0.991, 1.017]))
def test_intermodulation_closed_forms(a, b, speed):
    # x + a x^2 - b x^3 on A1 cos + A2 cos: f2 +- f1 are a A1 A2; f2 +- 2 f1 are 3/4 b A1^2 A2, exactly.
    # `speed` is a tape that runs wrong: both tones move together.
    x = two_tones(RATE, low_hz=60.0 * speed, high_hz=7_000.0 * speed, low_to_high=4.0, seconds=1.5, level_dbfs=0.0)
    result = modulation_distortion(shaped(x, a, b) + noise(len(x)), RATE)
    first, second = 0.8, 0.2
    carrier = second - b * (0.75 * second**3 + 1.5 * first**2 * second)
    assert result.second.value == pytest.approx(200.0 * a * first * second / carrier, rel=1.15e-4, abs=1e-3)
    assert result.third.value == pytest.approx(150.0 * b * first**2 * second / carrier, rel=1.15e-4, abs=1e-3)
    pairs = math.sqrt(2.0) * math.hypot(a * first * second, 0.75 * b * first**2 * second)
    assert result.single.value == pytest.approx(100.0 * pairs / carrier, rel=1.15e-4, abs=1e-3)

    x = two_tones(RATE, low_hz=19_000.0 * speed, high_hz=20_000.0 * speed, seconds=1.0, level_dbfs=0.0)
    difference = difference_frequency_distortion(shaped(x, a, b) + noise(len(x)), RATE)
    both = 2.0 * (0.5 - b * 2.25 * 0.125)
    assert difference.second.value == pytest.approx(25.0 * a / both, rel=1.15e-4, abs=1e-3)
    assert difference.third.value == pytest.approx(150.0 * b * 0.125 / both, rel=1.15e-4, abs=1e-3)


@pytest.mark.parametrize("order", [2, 3])
def test_doubt_is_that_of_the_noise_round_the_sidebands_of_the_order(order):
    """Noise within 15 Hz of one pair of sidebands leaves the doubt of the other pair alone."""
    x = two_tones(RATE, low_hz=60.0, high_hz=7_000.0, low_to_high=4.0, seconds=2.0, level_dbfs=0.0)
    spectrum = np.zeros(len(x) // 2 + 1, complex)
    f = np.fft.rfftfreq(len(x), 1.0 / RATE)
    near = np.abs(np.abs(f - 7_000.0) - (order - 1) * 60.0) < 15.0
    spectrum[near] = 20.0 * np.exp(2j * np.pi * np.random.default_rng(3).random(np.count_nonzero(near)))
    found = modulation_distortion(shaped(x, 0.2, 0.1) + noise(len(x)) + np.fft.irfft(spectrum, len(x)), RATE)
    here, there = (found.second, found.third)[:: 1 if order == 2 else -1]
    assert here.uncertainty > 10.0 * there.uncertainty


def test_intermodulation_survives_flutter():
    t = np.arange(2 * RATE) / RATE
    clock = t + 0.002 / (2.0 * np.pi * 4.0) * np.sin(2.0 * np.pi * 4.0 * t)
    x = 0.8 * np.sin(2.0 * np.pi * 60.0 * clock) + 0.2 * np.sin(2.0 * np.pi * 7_000.0 * clock)
    carrier = 0.2 - 0.1 * (0.75 * 0.2**3 + 1.5 * 0.64 * 0.2)
    result = modulation_distortion(shaped(x, 0.2, 0.1), RATE)
    assert result.second.value == pytest.approx(200.0 * 0.2 * 0.16 / carrier, rel=2e-3)


def test_total_difference_frequency_distortion():
    # 8 and 11.95 kHz: 3.95 and 4.05 kHz, the RMS of both over the sum of the tones (from memory).
    x = two_tones(RATE, low_hz=8_000.0, high_hz=11_950.0, seconds=1.0, level_dbfs=0.0)
    result = difference_frequency_distortion(shaped(x, 0.2, 0.1), RATE, low_hz=8_000.0, high_hz=11_950.0)
    both = 2.0 * (0.5 - 0.1 * 2.25 * 0.125)
    assert result.total.value == pytest.approx(100.0 * math.hypot(0.05, 0.075 * 0.125) / both, rel=1.15e-4)


def test_intermodulation_refuses():
    one = np.sin(angle_of(7_000.0))
    for reading in modulation_distortion(one, RATE).readings:
        assert math.isnan(reading.value)
        assert "missing" in reading.warnings[0]
    for signal in (np.zeros(RATE), np.random.default_rng(1).standard_normal(RATE), one[:500]):
        for reading in (
            *modulation_distortion(signal, RATE).readings,
            *difference_frequency_distortion(signal, RATE).readings,
        ):
            assert math.isnan(reading.value)
            assert reading.warnings
    with pytest.raises(MeasureError, match="other tones"):
        difference_frequency_distortion(one, 41_000)
    with pytest.raises(MeasureError, match="rise"):
        modulation_distortion(one, RATE, low_hz=7_000.0, high_hz=60.0)


def test_products_too_close_to_be_told_apart_are_refused():
    """Tones of 2000 and 2998 Hz make 998 and 1002 Hz, which half a second cannot part."""
    time = np.arange(24_000) / 48_000
    for high_hz, told in ((2998.0, True), (2900.0, False)):
        pair = 0.1 * np.sin(2.0 * np.pi * 2000.0 * time) + 0.1 * np.sin(2.0 * np.pi * high_hz * time)
        found = difference_frequency_distortion(pair, 48_000, low_hz=2000.0, high_hz=high_hz)
        assert any("too close to be told apart" in warning for warning in found.second.warnings) is told
        assert found.second.defined is not told


def test_the_doubt_of_clean_products_is_small():
    time = np.arange(48_000) / 48_000
    pair = 0.1 * np.sin(2.0 * np.pi * 7000.0 * time) + 0.1 * np.sin(2.0 * np.pi * 7400.0 * time)
    for figure in vars(difference_frequency_distortion(pair, 48_000, low_hz=7000.0, high_hz=7400.0)).values():
        assert 0.0 <= figure.uncertainty < 1e-6  # per cent: nothing but rounding is there


def test_the_doubt_is_that_of_noise_at_the_products():
    """Products of a pair in noise, over 25 recordings: the scatter is what each one states, in percent."""
    rng = np.random.default_rng(4)
    clean = two_tones(RATE, low_hz=60.0, high_hz=7_000.0, low_to_high=4.0, seconds=1.0, level_dbfs=-6.0)
    found = [
        modulation_distortion(
            clean**3 * 0.3 + clean + 3e-4 * rng.standard_normal(clean.size), RATE, low_hz=60.0, high_hz=7_000.0
        ).third
        for _ in range(25)
    ]
    scatter = np.std([reading.value for reading in found], ddof=1)
    # 25 recordings tell a scatter to 14 %: allowed is two and a half times that.
    assert np.mean([reading.uncertainty for reading in found]) == pytest.approx(scatter, rel=0.35)


def test_ratio_and_doubt_are_both_in_percent() -> None:
    reading = percent_reading("q", 0.03, 0.002, "none", "none", {}, "")
    assert (reading.value, reading.uncertainty) == (pytest.approx(3.0), pytest.approx(0.2))
    undefined = percent_reading("q", 0.03, 0.002, "none", "none", {}, "too short")
    assert not undefined.defined
    assert math.isnan(undefined.uncertainty)


def test_two_tones_beside_a_louder_one_have_no_distortion():
    x = two_tones(RATE, low_hz=60.0, high_hz=7_000.0, low_to_high=4.0, seconds=1.5, level_dbfs=-20.0)
    third = 0.2 * np.sin(angle_of(997.0, seconds=1.5))
    result = modulation_distortion(x + third, RATE)
    assert math.isnan(result.single.value)
    # Powers: 0.1^2 / 2 (0.8^2 + 0.2^2) = 0.0034 beside 0.02.
    assert "hold only 15 % of the power" in result.single.warnings[0]
