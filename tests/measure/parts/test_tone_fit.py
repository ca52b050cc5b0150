"""Tone fits against signals written down on paper: tones, harmonics, noise of known density."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tones import RATE, tone

from measure.errors import MeasureError
from measure.parts.line_solver import edge_weights
from measure.parts.tone_fit import fit_tone


@settings(max_examples=30, deadline=None)
@given(
    frequency=st.floats(30.0, 7_000.0),
    phase=st.floats(-3.0, 3.0),
    turn=st.floats(-3.0, 3.0),
    seed=st.integers(0, 2**31),
)
def test_any_frequency_reads_amplitude_phase_and_frequency(frequency, phase, turn, seed):
    # Amplitudes 1, 1 and 0.03 by construction, noise at -96 dB re the tone. 0.001 dB is 0.0115 %.
    first, angle = tone(frequency, phase=phase)
    noise = 10.0 ** (-96 / 20) / math.sqrt(2.0) * np.random.default_rng(seed).standard_normal(len(first))
    fit = fit_tone(first + 0.03 * np.cos(3.0 * angle + turn) + noise, RATE, frequency_hz=frequency)
    assert fit.reason == ""
    assert abs(20.0 * math.log10(fit.amplitudes[1])) < 1e-4
    assert abs(20.0 * math.log10(fit.amplitudes[3] / 0.03)) < 1e-3
    # cos(3 angle + turn): where the tone crests, harmonic 3 has the phase `turn`.
    assert abs(math.remainder(fit.phases_rad[3] - turn, 2.0 * np.pi)) < 1e-4
    assert abs(fit.frequency_hz - frequency) < 5.0 * fit.frequency_uncertainty_hz


def test_stated_uncertainty_is_the_scatter():
    # 60 recordings of one tone in white noise of -50 dB: scatter over statement is 1 within 4 / sqrt(120).
    rng = np.random.default_rng(3)
    clean, angle = tone(997.3, seconds=0.3)
    clean = clean + 0.01 * np.cos(2.0 * angle)
    fits = [fit_tone(clean + 10.0 ** (-50 / 20) * rng.standard_normal(len(clean)), RATE) for _ in range(60)]
    for order in (1, 2):
        scatter = np.std([fit.amplitudes[order] for fit in fits], ddof=1)
        stated = np.sqrt(np.mean([fit.sigmas[order] ** 2 for fit in fits]))
        assert scatter / stated == pytest.approx(1.0, abs=4.0 / math.sqrt(120.0))


@pytest.mark.parametrize(("wow_hz", "deviation"), [(0.5, 0.01), (4.0, 0.002), (4.0, 0.01), (100.0, 0.002)])
def test_flutter_does_not_smear_the_harmonics(wow_hz, deviation):
    first, angle = tone(1000.0, seconds=2.0, deviation=deviation, wow_hz=wow_hz)
    fit = fit_tone(first + 0.03 * np.cos(3.0 * angle), RATE)
    assert fit.tracked
    assert fit.amplitudes[3] / fit.amplitudes[1] == pytest.approx(0.03, rel=1e-5)


def test_noise_rejection_is_that_of_the_whole_recording():
    # The variance of an amplitude in white noise is at least 2 sigma^2 / N; the window costs 20 %.
    fit = fit_tone(tone(997.3)[0] + 0.01 * np.random.default_rng(1).standard_normal(RATE), RATE)
    bound = 0.01 * math.sqrt(2.0 / RATE)
    assert 1.0 < fit.sigmas[5] / bound < 1.25


def test_a_short_low_tone_is_fitted_at_a_fixed_frequency():
    # 22 periods of 20.3 Hz are too short to demodulate; the four-parameter fit of IEEE 1057 reads them.
    first, angle = tone(20.3, seconds=1.1)
    fit = fit_tone(first + 0.05 * np.cos(3.0 * angle), RATE)
    assert not fit.tracked
    assert fit.frequency_hz == pytest.approx(20.3, rel=1e-9)
    assert fit.amplitudes[3] == pytest.approx(0.05, rel=1e-6)
    assert any("periods" in warning for warning in fit.warnings)


BAD = {
    "silence": np.zeros(RATE),
    "one sample": np.ones(1),
    "constant": np.full(RATE, 0.5),
    "not a number": np.where(np.arange(RATE) == 77, np.nan, 0.5 * np.sin(np.arange(RATE) * 0.1)),
    "infinite": np.where(np.arange(RATE) == 77, np.inf, 0.5 * np.sin(np.arange(RATE) * 0.1)),
    "noise": np.random.default_rng(0).standard_normal(RATE),
    "two tones": tone(1000.0)[0] + tone(1370.0)[0],
    "a weaker second tone": tone(1000.0)[0] + tone(1370.0, amplitude=0.2)[0],
    "two tones that beat": tone(1000.0)[0] + tone(1004.0)[0],
    "half of it silent": np.where(np.arange(RATE) < RATE // 2, tone(1000.0)[0], 0.0),
    "three periods": tone(1000.0)[0][:144],
    "ramp": np.linspace(-1.0, 1.0, RATE),
    "close to half the rate": tone(23_999.9)[0],
}


@pytest.mark.parametrize("name", BAD)
def test_what_is_not_one_tone_is_refused_with_a_reason(name):
    fit = fit_tone(BAD[name], RATE)
    assert len(fit.reason) > 10
    assert np.all(np.isnan(fit.amplitudes))
    assert math.isnan(fit.frequency_hz)


def test_a_tone_at_another_frequency_than_said_is_refused():
    # What a wrong sample rate looks like: 1 kHz read at 44.1 kHz instead of 48 kHz.
    assert "1000 Hz" in fit_tone(tone(1000.0)[0], 44_100, frequency_hz=1000.0).reason


def test_flat_tops_are_reported():
    clipped = np.clip(1.5 * tone(997.3)[0], -1.0, 1.0)
    assert any("clipped" in warning for warning in fit_tone(clipped, RATE).warnings)
    assert fit_tone(tone(997.3)[0], RATE).warnings == ()


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.floats(-1e6, 1e6, width=32), min_size=0, max_size=300),
    st.sampled_from([0.0, 1e-30, 1.0, 1e20]),
    st.sampled_from([1.0, 8_000.0, 48_000.0]),
)
def test_rubbish_never_reads_as_a_clean_tone(samples, scale, rate):
    fit = fit_tone(np.array(samples, dtype=np.float64) * scale, rate)
    # Either refused with a reason, or most of the power is in the lines that were found.
    assert fit.reason or 0.5 * np.nansum(fit.amplitudes[1:] ** 2) > 0.3 * fit.total_rms**2


def test_wrong_arguments_raise():
    with pytest.raises(MeasureError, match="floating point"):
        fit_tone(np.zeros(100, dtype=np.int16), RATE)
    with pytest.raises(MeasureError, match="one channel"):
        fit_tone(np.zeros((2, 100)), RATE)
    with pytest.raises(MeasureError, match="sample_rate"):
        fit_tone(np.zeros(100), 0.0)
    with pytest.raises(MeasureError, match="orders"):
        fit_tone(np.zeros(100), RATE, orders=1)
    with pytest.raises(MeasureError, match="half the rate"):
        fit_tone(np.zeros(100), RATE, frequency_hz=30_000.0)


def test_a_strong_tone_far_from_the_one_looked_for_is_refused():
    # Beside 1 kHz a time base follows its skirt backwards, to lines below zero; that ended in an IndexError.
    t = np.arange(2 * RATE) / RATE
    strong = (
        0.3 * tone(3150.0, seconds=2.0, deviation=0.001, phase=0.0)[0] * (1.0 + 0.02 * np.sin(3.4 * np.pi * t))
    )
    fit = fit_tone(strong + 0.1 * strong**2 + 0.2 * strong**3, RATE, frequency_hz=1000.0)
    assert fit.reason
    assert np.all(np.isnan(fit.amplitudes))


def test_too_few_periods_are_told_with_their_number():
    fit = fit_tone(np.sin(2.0 * np.pi * 100.0 * np.arange(1440) / RATE + 0.4), RATE)
    assert fit.reason.startswith("the recording holds 3.0 periods of 100 Hz, fewer than")


@pytest.mark.parametrize("size", [16, 101, 4096])
def test_the_window_of_the_fit_is_tukeys(size):
    """Half of it tapered, read in the middle of each sample (scipy's has points at both ends)."""
    from scipy.signal.windows import tukey

    np.testing.assert_allclose(edge_weights(size), tukey(2 * size + 1, 0.5)[1::2], atol=1e-12)
