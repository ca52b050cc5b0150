"""What distortion figures claim of their own uncertainty; recordings that would give a plausible wrong figure."""

import math

import numpy as np
import pytest

from measure.parts.tone_fit import fit_tone
from measure.quantities.distortion import harmonic_distortion

RATE = 48_000
TIME = np.arange(RATE) / RATE
ANGLE = 2.0 * np.pi * 1000.0 * TIME + 0.3
THIRD = np.cos(ANGLE) + 0.03 * np.cos(3.0 * ANGLE)


@pytest.mark.parametrize("offset_hz", [-300.0, 20.0, 100.0, 410.0])
@pytest.mark.parametrize("level_db", [-20.0, -30.0])
def test_a_second_tone_beside_the_first_is_refused(offset_hz: float, level_db: float) -> None:
    """It swings the time base, so that harmonics were lost: 1.9503 +- 0.0003 % were printed for 3 %."""
    reading = harmonic_distortion(
        THIRD + 10 ** (level_db / 20) * np.cos(2 * np.pi * (1000 + offset_hz) * TIME), RATE
    ).thd_f
    assert not reading.defined
    assert f"second tone at {1000 + offset_hz:g}" in reading.warnings[0]


@pytest.mark.parametrize("offset_hz", [60.0, 200.0, -150.0])
def test_a_weak_second_tone_is_named_and_within_the_doubt(offset_hz: float) -> None:
    reading = harmonic_distortion(THIRD + 0.01 * np.cos(2 * np.pi * (1000 + offset_hz) * TIME), RATE).thd_f
    assert 1e-4 < abs(reading.value - 3.0) < 2 * reading.uncertainty
    assert reading.uncertainty < 0.002
    assert f"weak second tone at {1000 + offset_hz:g} Hz" in reading.warnings[0]


@pytest.mark.parametrize("offset_hz", [980.0, 1910.0, 900.0])
def test_a_tone_of_a_tenth_far_from_the_first_is_refused_and_a_weaker_one_is_not(offset_hz: float) -> None:
    """Guard of the second tone: -20 dB re the first, anywhere but on a harmonic or beside the tone."""
    other = np.cos(2 * np.pi * (1500.0 + offset_hz) * TIME)
    loud = harmonic_distortion(THIRD + 0.105 * other, RATE).thd_f
    assert not loud.defined
    assert "second tone" in loud.warnings[0]
    soft = harmonic_distortion(THIRD + 0.095 * other, RATE).thd_f
    assert soft.value == pytest.approx(3.0, abs=max(1e-3, 2 * soft.uncertainty))


@pytest.mark.parametrize(
    "disturb",
    [
        lambda y: y * ~((TIME > 0.43) & (TIME < 0.45)),
        lambda y: y * ~((TIME > 0.43) & (TIME < 0.431)),
        lambda y: y + 3.0 * (np.arange(y.size) == 20_000),
        lambda y: np.concatenate([y[:20_000], y[20_517:]]),
        lambda y: y * np.where(TIME > 0.4, -1.0, 1.0),
    ],
    ids=["gap of 20 ms", "gap of 1 ms", "click", "splice", "flip"],
)
def test_what_interrupts_the_tone_is_left_out_and_named(disturb: object) -> None:
    """A gap of 20 ms read 2.930 for 3.002 %."""
    assert callable(disturb)
    reading = harmonic_distortion(disturb(THIRD), RATE).thd_f
    assert reading.value == pytest.approx(3.0, rel=1e-5)
    assert "left out" in reading.warnings[0]


def test_uneven_level_is_named() -> None:
    reading = harmonic_distortion(THIRD * (1 + 0.2 * np.sin(2 * np.pi * 7 * TIME)), RATE).thd_f
    assert abs(reading.value - 3.0) < 2 * reading.uncertainty
    assert "level swings by 14 %" in reading.warnings[0]


def test_flutter_that_a_short_recording_cannot_follow_is_named() -> None:
    """71.6 Hz, 0.3 s: the time base is one fixed frequency, and flutter takes from the harmonics."""
    time = np.arange(round(0.3 * RATE)) / RATE
    angle = 2 * np.pi * 71.6 * time + 0.5 * np.sin(2 * np.pi * 4 * time)
    reading = harmonic_distortion(np.cos(angle) + 0.03 * np.cos(3 * angle), RATE).thd_f
    assert abs(reading.value - 3.0) < 2 * reading.uncertainty


@pytest.mark.parametrize("frequency_hz", [60.0, 311.1, 1000.0, 1400.55, 3000.0])
@pytest.mark.parametrize("level_db", [-120.0, -140.0])
def test_harmonics_near_the_floor_of_the_method(frequency_hz: float, level_db: float) -> None:
    """Without noise the image of the tone in the time base is all that is wrong: up to 0.08 dB at -120 dB."""
    angle = 2 * np.pi * frequency_hz * TIME + 0.4
    size = 10 ** (level_db / 20)
    y = np.cos(angle) + size * (np.cos(2 * angle + 1) + np.cos(3 * angle + 2)) + 0.1
    for order in (2, 3):
        reading = harmonic_distortion(y, RATE).harmonic(order)
        if reading.defined:
            assert abs(reading.value - level_db) < 2 * reading.uncertainty + 1e-6
            assert reading.uncertainty < 2.0
    # The steady component does not enter; the second harmonic is exact.
    assert harmonic_distortion(y, RATE).harmonic(2).value == pytest.approx(level_db, abs=1e-3)


def test_noise_is_taken_off_in_power() -> None:
    """Noise debias: 30 recordings of a line 8 dB above the noise in its bin; without it the mean is 7 % high."""
    amplitude = 3e-4
    read, raw = [], []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        y = np.cos(ANGLE) + amplitude * np.cos(2 * ANGLE) + 0.015 * rng.standard_normal(TIME.size)
        fit = fit_tone(y, RATE, orders=2)
        raw.append(fit.amplitudes[2] ** 2)
        read.append(harmonic_distortion(y, RATE, orders=2).thd_f.value)
    # The square of amplitude plus noise of variance v = 2 s^2 / N / (window's loss) per quadrature.
    mean_square = np.mean(np.square(read)) / 1e4
    assert mean_square == pytest.approx(amplitude**2, rel=0.3)
    assert np.mean(raw) > 1.1 * amplitude**2
    assert mean_square < 0.97 * np.mean(raw)


@pytest.mark.parametrize("third", [0.0, 1e-4, 1e-3, 5e-3])
def test_intervals_of_thd_hold_the_truth(third: float) -> None:
    """Of 16 recordings with noise at -40 dB at least 12 within two sigma (95 % fail that once in a thousand)."""
    held, off, stated = 0, [], []
    for seed in range(3000, 3016):
        rng = np.random.default_rng(seed)
        angle = 2 * np.pi * rng.uniform(300, 3000) * TIME[: RATE // 2]
        y = np.cos(angle) + third * np.cos(3 * angle) + 0.01 * rng.standard_normal(angle.size)
        reading = harmonic_distortion(y, RATE).thd_f
        held += abs(reading.value - 100 * third) < 2 * reading.uncertainty
        off.append(reading.value - 100 * third)
        stated.append(reading.uncertainty)
    assert held >= 12
    if third == 5e-3:
        # 1 in theory, 18 % of scatter; 0.9 to 1.1 in 200 trials of the benchmark, less near the noise, where the
        # interval is one-sided. Half the doubt gives 2, twice 0.5.
        assert 0.65 < math.sqrt(np.mean(np.square(off)) / np.mean(np.square(stated))) < 1.5


def test_a_harmonic_that_hardly_stands_out_says_so() -> None:
    rng = np.random.default_rng(4)
    found = []
    for _ in range(12):
        y = np.cos(ANGLE) + 2.5e-4 * np.cos(3 * ANGLE) + 0.01 * rng.standard_normal(TIME.size)
        reading = harmonic_distortion(y, RATE).harmonic(3)
        if reading.defined:
            found.append(reading)
            assert abs(reading.value - 20 * math.log10(2.5e-4)) < 3 * reading.uncertainty
    assert found
    assert any("hardly stands out" in warning for reading in found for warning in reading.warnings)
