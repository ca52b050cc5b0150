"""Tone fits against signals written down on paper: tones, harmonics, noise of known density."""

import math
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from measure.errors import MeasureError
from measure.parts.spectrum import (
    aliasing_ratio_db,
    band_power,
    find_tone,
    fit_lines,
    fit_tone,
    prime_grid,
    unusable,
)

RATE = 48_000


def tone(frequency_hz, *, seconds=1.0, amplitude=1.0, phase=0.3, deviation=0.0, wow_hz=4.0):
    t = np.arange(round(seconds * RATE)) / RATE
    angle = 2.0 * np.pi * frequency_hz * t + phase
    if deviation:
        angle += deviation * frequency_hz / wow_hz * np.sin(2.0 * np.pi * wow_hz * t)
    return amplitude * np.cos(angle), angle


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


def test_lines_in_ratio_to_a_fluttering_tone():
    carrier, angle = tone(7000.0, seconds=2.0, deviation=0.002)
    side = 0.05 * np.cos(angle * 7060.0 / 7000.0) + 0.02 * np.cos(angle * 6880.0 / 7000.0 + 1.0)
    fit = fit_lines(
        carrier + side, RATE, reference_hz=7000.0, lines_hz=[7000.0, 7060.0, 6880.0], neighbour_hz=60.0
    )
    # Beside a neighbour at 60 Hz the time base follows 18 Hz: all but the last sidebands of this flutter.
    assert fit.amplitudes / fit.amplitudes[0] == pytest.approx([1.0, 0.05, 0.02], rel=1e-4)


def test_lines_are_refused_where_the_tone_is_missing():
    fit = fit_lines(BAD["noise"], RATE, reference_hz=7000.0, lines_hz=[7000.0], neighbour_hz=60.0)
    assert fit.reason
    assert np.isnan(fit.amplitudes).all()


def test_band_power_of_a_tone_and_of_noise():
    y = 0.5 * tone(997.3)[0]
    assert band_power(y, RATE, low_hz=900.0, high_hz=1100.0) == pytest.approx(0.125, rel=1e-6)
    white = np.random.default_rng(5).standard_normal(10 * RATE)
    # 4 kHz of 24 kHz hold a sixth of the power, to a few times 1 / sqrt(B T) = 0.5 %.
    assert band_power(white, RATE, low_hz=4_000.0, high_hz=8_000.0) == pytest.approx(1 / 6, rel=0.02)


@given(st.floats(100.0, 20_000.0))
@settings(max_examples=20, deadline=None)
def test_the_strongest_line_is_found_to_a_fraction_of_a_bin(frequency):
    assert abs(find_tone(tone(frequency, seconds=0.5)[0], RATE) - frequency) < 0.1


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


def test_reasons_name_the_first_bad_sample():
    assert "sample 77" in unusable(BAD["not a number"])
    assert unusable(tone(100.0)[0]) == ""


def test_too_few_periods_are_told_with_their_number():
    fit = fit_tone(np.sin(2.0 * np.pi * 100.0 * np.arange(1440) / RATE + 0.4), RATE)
    assert re.match(r"the recording holds 3\.0 periods of 100 Hz, under", fit.reason)


@pytest.mark.parametrize("size", [16, 101, 4096])
def test_the_window_of_the_fit_is_tukeys(size):
    """Half of it tapered, read in the middle of each sample (scipy's has points at both ends)."""
    from scipy.signal.windows import tukey

    from measure.parts.spectrum import _weights

    np.testing.assert_allclose(_weights(size), tukey(2 * size + 1, 0.5)[1::2], atol=1e-12)
