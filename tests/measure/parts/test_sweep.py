"""The signals that drive a system are what they say."""

import math

import numpy as np
import pytest

from measure.errors import MeasureError
from measure.parts.sweep import drive, level_steps, noise_burst, steady_tone, synchronised_sweep, two_tones

RATE = 48_000


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
    with pytest.raises(MeasureError, match="half the rate"):
        steady_tone(RATE, frequency_hz=24_000.0, seconds=1.0, level_dbfs=0.0)


def test_drive_asks_for_one_channel_of_the_same_length():
    x = np.ones(100)
    assert np.array_equal(drive(lambda audio, _: np.stack([audio]), x, RATE), x)
    assert len(drive(lambda audio, _: np.concatenate([audio, audio]), x, RATE)) == 100
    with pytest.raises(MeasureError, match="one channel"):
        drive(lambda audio, _: np.stack([audio, audio]), x, RATE)
    with pytest.raises(MeasureError, match="shorten"):
        drive(lambda audio, _: audio[:50], x, RATE)
    with pytest.raises(MeasureError, match="one channel"):
        drive(lambda audio, _: audio.astype(np.int32), x, RATE)


def test_a_system_that_works_in_place_does_not_spoil_the_signal():
    x = np.ones(100)

    def in_place(audio, _):
        audio *= 0.0
        return audio

    drive(in_place, x, RATE)
    assert np.all(x == 1.0)
