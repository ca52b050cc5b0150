"""Demodulation: against another analytic signal, at the ends, and by what it is told."""

import numpy as np
import pytest
from demodulated_tone import FS, demodulated

from measure.parts.demodulation import decimate
from measure.parts.signals import Modulation, modulated_tone, tone
from measure.parts.steady_tone import NotMeasurableError


def test_agrees_with_scipys_analytic_signal() -> None:
    """scipy.signal.hilbert and a phase difference, away from the ends: a second route to the same quantity."""
    from scipy.signal import hilbert

    speed = [Modulation(rate_hz=4, peak_percent=0.3), Modulation(rate_hz=61, peak_percent=0.05, phase_radians=1)]
    amplitude = [Modulation(rate_hz=7, peak_percent=5)]
    signal = modulated_tone(3150, duration_seconds=3, sample_rate=FS, speed=speed, amplitude=amplitude)
    analytic = hilbert(signal)
    theirs = np.gradient(np.unwrap(np.angle(analytic))) * FS / (2 * np.pi)
    ours = demodulated(signal)
    time = ours.start_seconds + np.arange(ours.frequency_hz.size) / ours.rate
    middle = (time > 0.5) & (time < 2.5)
    at = np.arange(signal.size) / FS
    # np.gradient differentiates over two samples: at 61 Hz that is good to 1e-5 of the deviation.
    np.testing.assert_allclose(
        ours.frequency_hz[middle], np.interp(time[middle], at, theirs), rtol=0, atol=3150 * 2e-7
    )
    np.testing.assert_allclose(ours.amplitude[middle], np.interp(time[middle], at, np.abs(analytic)), rtol=1e-5)


@pytest.mark.parametrize("phase", [0.0, 1.0, 2.5])
def test_nothing_of_the_ends_is_in_the_result(phase: float) -> None:
    """From the first to the last point the deviation is the one that was put in."""
    speed = [Modulation(rate_hz=4, peak_percent=0.3, phase_radians=phase)]
    signal = modulated_tone(3150.7, duration_seconds=1.37, sample_rate=FS, speed=speed, phase_radians=phase)
    found = demodulated(signal)
    time = found.start_seconds + np.arange(found.frequency_hz.size) / found.rate
    truth = 3150.7 * (1 + 0.003 * np.sin(2 * np.pi * 4 * time + phase))
    np.testing.assert_allclose(found.frequency_hz, truth, rtol=1e-8)
    assert found.start_seconds < 0.01
    assert found.duration_seconds > 1.35


def test_the_constant_part_and_the_scale_do_not_matter() -> None:
    signal = tone(3150, duration_seconds=1, sample_rate=FS)
    plain = demodulated(signal)
    for scale, shift in ((1e6, 0.0), (1e-30, 0.0), (1.0, 0.4)):
        other = demodulated(signal * scale + shift)
        np.testing.assert_allclose(other.frequency_hz, plain.frequency_hz, rtol=1e-9)
        np.testing.assert_allclose(other.amplitude, plain.amplitude * scale, rtol=1e-7)


def test_noise_density_is_read_beside_the_carrier(rng: np.random.Generator) -> None:
    """White noise of variance v has the one-sided density 2 v / rate. The median over 20,000 bins: within 3 %."""
    signal = tone(3150, duration_seconds=10, sample_rate=FS) + 1e-3 * rng.standard_normal(10 * FS)
    assert demodulated(signal).noise_density == pytest.approx(2e-6 / FS, rel=0.03)


def test_decimation_keeps_the_band() -> None:
    rate = 9281.25
    time = np.arange(round(4 * rate)) / rate
    series = 3 + np.sin(2 * np.pi * 200 * time) + np.sin(2 * np.pi * 1.3 * time)
    fewer, new_rate, start = decimate(series, rate, highest_hz=200)
    at = start + np.arange(fewer.size) / new_rate
    assert new_rate < 1100
    np.testing.assert_allclose(
        fewer, 3 + np.sin(2 * np.pi * 200 * at) + np.sin(2 * np.pi * 1.3 * at), rtol=0, atol=1e-6
    )


def test_decimation_rejects_what_would_fold_into_the_band() -> None:
    rate = 9281.25
    time = np.arange(round(4 * rate)) / rate
    fewer, _, _ = decimate(np.sin(2 * np.pi * 850 * time), rate, highest_hz=200)
    assert np.max(np.abs(fewer)) < 1e-6


def test_a_nominal_frequency_may_be_given() -> None:
    signal = tone(997, duration_seconds=2, sample_rate=FS)
    found = demodulated(signal, nominal_hz=(1000.0,), given=True, highest_rate_hz=100.0)
    assert found.nominal_hz == 1000.0
    assert found.carrier_hz == pytest.approx(997, abs=1e-6)


def test_what_is_coarse_enough_already_stays_as_it_is() -> None:
    series = np.random.default_rng(1).standard_normal(500)
    kept, rate, start = decimate(series, 100.0, highest_hz=50.0)
    assert kept is series
    assert (rate, start) == (100.0, 0.0)


def test_a_tone_that_the_rate_cannot_hold_is_refused() -> None:
    with pytest.raises(NotMeasurableError, match="at 6000 samples per second has no room"):
        demodulated(np.sin(np.arange(12_000) * 0.3), rate=6_000)


def test_a_tone_far_from_the_one_given_is_told_by_how_much() -> None:
    from measure.parts.demodulation import _doubts_of_frequency

    (told,) = _doubts_of_frequency(2835.0, 3150.0, given=True)
    assert told.startswith("the tone has 2835 Hz, -10 % from the 3150 Hz given")
    assert _doubts_of_frequency(3151.0, 3150.0, given=True) == []
    assert _doubts_of_frequency(3150.0, 3150.0, given=False) == []
