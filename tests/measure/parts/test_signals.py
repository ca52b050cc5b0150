"""Signals are what they say: phase against exact integer arithmetic, all else against its definition."""

import inspect
import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from measure.errors import MeasureError
from measure.parts.signals import (
    Modulation,
    level_steps,
    modulated_tone,
    noise_burst,
    pink_burst,
    steady_tone,
    synchronised_sweep,
    tone,
    two_tones,
)
from measure.quantities.response import frequency_response

RATE = 48_000


@pytest.mark.parametrize("frequency", [997.0, 3000.0, 3150.0, 12_500.0])
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


def test_sweep_is_synchronised():
    sweep = synchronised_sweep(RATE, low_hz=20.0, high_hz=20_000.0, seconds=3.0, level_dbfs=-6.0)
    # Novak, Lotton and Simon 2015: f1 L is a whole number, so every harmonic starts in phase with the tone.
    assert sweep.start_hz * sweep.rate_seconds == pytest.approx(
        round(sweep.start_hz * sweep.rate_seconds), abs=1e-9
    )
    assert sweep.start_hz * math.exp(sweep.sweep_seconds / sweep.rate_seconds) == pytest.approx(
        sweep.stop_hz, rel=1e-3
    )
    assert abs(sweep.sweep_seconds - 3.0) < 0.1
    assert np.max(np.abs(sweep.signal)) == pytest.approx(10.0 ** (-6 / 20), rel=1e-3)
    assert not np.any(sweep.signal[round(sweep.sweep_seconds * RATE) :])


def test_inverse_spectrum_inverts_the_sweep():
    sweep = synchronised_sweep(RATE, seconds=3.0)
    size = 1 << 19
    product = np.fft.rfft(sweep.signal, size) * sweep.inverse_spectrum(size) * RATE / RATE
    f = np.fft.rfftfreq(size, 1.0 / RATE)
    inside = (f > 100.0) & (f < 10_000.0)
    # Stationary phase and the faded ends leave ripples of a few thousandths.
    assert np.max(np.abs(np.abs(product[inside]) - 1.0)) < 5e-3
    assert np.max(np.abs(np.angle(product[inside]))) < 5e-3


def test_sweep_fits_the_rate():
    sweep = synchronised_sweep(16_000, high_hz=20_000.0)
    assert sweep.high_hz == 7_200.0
    with pytest.raises(MeasureError, match="octave"):
        synchronised_sweep(RATE, low_hz=9_000.0, high_hz=10_000.0)
    with pytest.raises(MeasureError, match="seconds"):
        synchronised_sweep(RATE, seconds=0.0)


def test_noise_burst_has_its_level_and_stops():
    burst = noise_burst(RATE, seconds=0.5, silence_seconds=0.2, level_dbfs=-18.0, seed=3)
    # 0 dBFS is the RMS of a sine of amplitude 1 (AES17).
    rms = np.sqrt(np.mean(burst.signal[: burst.stop] ** 2))
    assert 20.0 * math.log10(rms * math.sqrt(2.0)) == pytest.approx(-18.0, abs=1e-9)
    assert burst.stop == RATE // 2
    assert not np.any(burst.signal[burst.stop :])
    assert np.array_equal(burst.signal, noise_burst(RATE, seconds=0.5, silence_seconds=0.2, seed=3).signal)
    with pytest.raises(MeasureError, match="seconds"):
        noise_burst(RATE, seconds=0.0)


def test_the_pink_burst_is_pink_and_stops() -> None:
    """Equal power in every octave; RMS as asked for (AES17)."""
    burst = pink_burst(RATE, seconds=8.0, silence_seconds=0.5, level_dbfs=-12.0, seed=1)
    noise = burst.signal[: burst.stop]
    assert not burst.signal[burst.stop :].any()
    assert 10.0 * np.log10(2.0 * np.mean(noise**2)) == pytest.approx(-12.0, abs=1e-9)
    power = np.abs(np.fft.rfft(noise)) ** 2
    frequency = np.fft.rfftfreq(noise.size, 1.0 / RATE)
    octaves = [
        np.sum(power[(frequency >= low) & (frequency < 2.0 * low)]) for low in (500.0, 1000.0, 2000.0, 4000.0)
    ]
    assert 10.0 * np.log10(octaves) - 10.0 * np.log10(np.mean(octaves)) == pytest.approx(0.0, abs=0.4)


def test_two_tones_share_the_peak_four_to_one():
    y = two_tones(RATE, low_hz=60.0, high_hz=7_000.0, low_to_high=4.0, seconds=1.0, level_dbfs=0.0)
    lines = np.abs(np.fft.rfft(y[: RATE // 2] * np.hanning(RATE // 2))) / (RATE / 8)
    assert lines[30] == pytest.approx(0.8, rel=1e-3)
    assert lines[3500] == pytest.approx(0.2, rel=1e-3)


def test_steps_have_their_levels_and_no_clicks():
    steps = level_steps(RATE, frequency_hz=997.3, levels_dbfs=(-20.0, -10.0, 0.0))
    for (start, stop), level in zip(steps.windows, steps.levels_dbfs, strict=True):
        rms = np.sqrt(np.mean(steps.signal[start:stop] ** 2))
        assert 20.0 * math.log10(rms * math.sqrt(2.0)) == pytest.approx(level, abs=0.02)
    # The second difference of a sine of amplitude 1 is (2 pi f / rate)^2; a jump of gain would exceed it by far.
    curvature = np.max(np.abs(np.diff(steps.signal, 2)))
    assert curvature < 1.1 * (2.0 * np.pi * 997.3 / RATE) ** 2
    with pytest.raises(MeasureError, match="levels"):
        level_steps(RATE, frequency_hz=997.3, levels_dbfs=())
    with pytest.raises(MeasureError, match="longer"):
        level_steps(RATE, frequency_hz=997.3, levels_dbfs=(0.0,), step_seconds=0.1, settle_seconds=0.1)


def test_steady_tone_knows_half_the_rate():
    with pytest.raises(MeasureError, match="half the sample rate"):
        steady_tone(RATE, frequency_hz=24_000.0, seconds=1.0, level_dbfs=0.0)


def test_a_steady_tone_fades_in_from_nothing_and_is_a_sine_after_10_ms() -> None:
    sound = steady_tone(RATE, frequency_hz=1_000.0, seconds=0.1, level_dbfs=-6.0)
    sine = 10.0 ** (-6.0 / 20.0) * np.sin(2.0 * np.pi * 1_000.0 / RATE * np.arange(sound.size))
    np.testing.assert_allclose(sound[480:], sine[480:], atol=1e-12)
    fade = sound[12:480:48] / sine[12:480:48]  # at the crests
    np.testing.assert_allclose(fade, np.sin(0.5 * np.pi * np.arange(12, 480, 48) / 480.0) ** 2, atol=1e-9)
    assert np.max(np.abs(steady_tone(RATE, frequency_hz=1_000.0, seconds=0.001, level_dbfs=0.0))) <= 1.0


def test_tones_begin_at_zero() -> None:
    """A sine without a phase; and one that fades in by half a cosine, (pi k / 2 n)^2 at its k-th sample."""
    assert tone(1000.0, duration_seconds=0.1, sample_rate=48_000.0)[0] == 0.0
    steady = steady_tone(48_000.0, frequency_hz=12_000.0, seconds=0.1, level_dbfs=0.0)
    assert steady[1] == pytest.approx((0.5 * np.pi / 480) ** 2, rel=1e-4)
    assert np.max(np.abs(steady)) == pytest.approx(1.0)


def test_sweeps_sent_unasked_lie_at_the_reference_level() -> None:
    """18 dB below full scale (EBU R 68)."""
    assert np.max(np.abs(synchronised_sweep(48_000.0, seconds=0.5).signal)) == pytest.approx(10.0**-0.9, rel=1e-3)
    for function in (frequency_response, synchronised_sweep):
        assert inspect.signature(function).parameters["level_dbfs"].default == -18.0
