"""Test tones: phase against exact integer arithmetic, modulation against its definition."""

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from measure.errors import MeasureError
from measure.parts.signals import TEST_TONES_HZ, Modulation, modulated_tone, tone


@pytest.mark.parametrize("frequency", sorted(TEST_TONES_HZ.values()))
def test_phase_is_exact_to_the_end_of_a_long_tone(frequency: float) -> None:
    """Truth by rational arithmetic: the fraction of a period at sample n is (f n / rate) mod 1."""
    rate, seconds = 48_000, 60
    signal = tone(frequency, duration_seconds=seconds, sample_rate=rate, level_dbfs=0.0)
    for index in (0, 1, 12_345, rate * seconds - 1):
        turn = float(Fraction(int(frequency) * index, rate) % 1)
        assert signal[index] == pytest.approx(math.sin(2 * math.pi * turn), abs=1e-12)


def test_level_is_that_of_the_peak_re_full_scale() -> None:
    """AES17: a sine whose peak is full scale has 0 dBFS."""
    signal = tone(997, duration_seconds=1.0, sample_rate=48_000, level_dbfs=-20.0)
    assert np.max(np.abs(signal)) == pytest.approx(0.1, rel=1e-5)
    assert np.sqrt(np.mean(signal**2)) == pytest.approx(0.1 / math.sqrt(2), rel=1e-4)


@given(
    rate_hz=st.floats(0.2, 200.0),
    peak=st.floats(0.001, 2.0),
    phase=st.floats(0.0, 6.28),
    start=st.floats(0.0, 6.28),
)
@settings(max_examples=25, deadline=None)
def test_the_phase_of_a_modulated_tone_is_the_integral_of_its_frequency(
    rate_hz: float, peak: float, phase: float, start: float
) -> None:
    """Truth by quadrature: Simpson's rule on the frequency as defined."""
    fs, carrier = 48_000.0, 3150.0
    modulation = Modulation(rate_hz=rate_hz, peak_percent=peak, phase_radians=phase)
    signal = modulated_tone(
        carrier, duration_seconds=0.1, sample_rate=fs, speed=[modulation], level_dbfs=0.0, phase_radians=start
    )

    def frequency(time: np.ndarray) -> np.ndarray:
        return carrier * (1 + 0.01 * peak * np.sin(2 * np.pi * rate_hz * time + phase))

    time = np.arange(signal.size) / fs
    left, middle, right = frequency(time[:-1]), frequency(time[:-1] + 0.5 / fs), frequency(time[1:])
    turns = np.concatenate([[0.0], np.cumsum((left + 4 * middle + right) / (6 * fs))])
    np.testing.assert_allclose(signal, np.sin(2 * np.pi * turns + start), atol=1e-8)


def test_envelope_of_a_modulated_tone_is_as_defined() -> None:
    modulation = Modulation(rate_hz=5.0, peak_percent=10.0, phase_radians=0.5)
    plain = modulated_tone(3150, duration_seconds=0.5, sample_rate=48_000)
    uneven = modulated_tone(3150, duration_seconds=0.5, sample_rate=48_000, amplitude=[modulation])
    time = np.arange(plain.size) / 48_000
    np.testing.assert_allclose(uneven, plain * (1 + 0.1 * np.sin(2 * np.pi * 5 * time + 0.5)), atol=1e-12)


@pytest.mark.parametrize(
    ("arguments", "match"),
    [
        ({"frequency_hz": 24_000.0}, "below half the sample rate"),
        ({"frequency_hz": 0.0}, "frequency_hz is 0.0"),
        ({"duration_seconds": -1.0}, "duration_seconds is -1.0"),
        ({"duration_seconds": math.inf}, "duration_seconds is inf"),
        ({"sample_rate": 0.0}, "sample_rate is 0.0"),
    ],
)
def test_impossible_tones_are_refused(arguments: dict[str, float], match: str) -> None:
    known = {"frequency_hz": 1000.0, "duration_seconds": 1.0, "sample_rate": 48_000.0} | arguments
    with pytest.raises(MeasureError, match=match):
        tone(known["frequency_hz"], duration_seconds=known["duration_seconds"], sample_rate=known["sample_rate"])


def test_a_modulation_needs_a_rate() -> None:
    with pytest.raises(MeasureError, match="rate_hz is 0"):
        Modulation(rate_hz=0, peak_percent=1)
