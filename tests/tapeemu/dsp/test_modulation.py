"""Trajectories: closed forms, statistics of the noise, and that any stretch can be had in any order."""

import math

import numpy as np
import pytest
from scipy import signal, stats

from tapeemu.dsp.modulation import (
    SEGMENT,
    TWO_SIGMA,
    FastNoise,
    NoiseBand,
    Sine,
    SlowNoise,
    Trajectory,
    exceeded_level,
    power_spectrum,
    stream_key,
)

RATE = 48_000.0


def mixed(rate=RATE):
    return Trajectory(
        sines=(Sine(0.7, 1e-3, 0.1), Sine(15.2, 1e-5, 0.6)),
        slow=(NoiseBand(3, 0.5, 6.0, 1e-4, integrate=True), NoiseBand(4, 6.0, 100.0, 1e-4, integrate=True)),
        fast=(NoiseBand(5, 100.0, 5_000.0, 1e-4, integrate=True),),
        sample_rate=rate,
    )


def test_sines_are_exact_at_any_hour():
    trajectory = Trajectory(sines=(Sine(3.19, 2.0, 0.25), Sine(200.0, 1.0, 0.0)), sample_rate=RATE)
    for first in (-100_000, 0, 1_728_000_123):
        n = first + np.arange(5_000)
        # Turns modulo one in integers: 3.19 Hz as 319 / 100.
        slow = (n * 319) % (100 * 48_000) / (100 * 48_000)
        fast = (n * 200) % 48_000 / 48_000
        exact = 2.0 * np.cos(2 * np.pi * (slow + 0.25)) + np.cos(2 * np.pi * fast)
        np.testing.assert_allclose(trajectory.values(first, 5_000), exact, atol=1e-4)
    alone = Trajectory(sines=(Sine(3.19, 2.0, 0.25),), sample_rate=RATE)
    exact = 2.0 * np.cos(2 * np.pi * (slow + 0.25))
    np.testing.assert_allclose(alone.values(first, 5_000), exact, atol=1e-10)


def test_any_order_of_access_gives_the_same_bits():
    forwards, backwards = mixed(), mixed()
    places = [0, 1, 40, 41, -3, 100_000]
    ahead = {place: forwards.segment(place).copy() for place in places}
    for place in reversed(places):
        np.testing.assert_array_equal(backwards.segment(place), ahead[place])
    joined = mixed().values(40 * SEGMENT, 2 * SEGMENT)
    np.testing.assert_array_equal(joined, np.concatenate([ahead[40], ahead[41]]))


@pytest.mark.parametrize("rate", [44_100.0, 96_000.0, 8_000.0])
def test_same_trajectory_at_every_sample_rate(rate):
    seconds = 40
    reference = mixed().values(int(RATE) * seconds, 24_000)[:: int(RATE / 100)]
    other = mixed(rate).values(int(rate) * seconds, int(rate / 2))[:: int(rate / 100)]
    # 8 kHz cannot carry the upper half of the fast band; its delays are below 2e-7 s.
    np.testing.assert_allclose(other, reference, atol=3e-7 if rate == 8_000.0 else 1e-9)


@pytest.mark.parametrize(("low", "high", "slope"), [(0.5, 6.0, 0.0), (6.0, 100.0, 0.0), (6.0, 100.0, -6.0)])
def test_slow_noise_has_the_rms_and_spectrum_asked_for(low, high, slope):
    band = NoiseBand(stream_key(11, "test"), low, high, 0.5, slope)
    noise = SlowNoise(band)
    values, _ = noise.nodes(0, int(3_000 / low * noise.rate_hz))
    cycles = 3_000 * (high - low) / low
    assert np.std(values) == pytest.approx(0.5, rel=4.0 / math.sqrt(2.0 * cycles) + 0.005)
    assert abs(stats.kurtosis(values)) < 12.0 / math.sqrt(cycles)
    frequencies, density = signal.welch(values, noise.rate_hz, nperseg=int(40 * noise.rate_hz / low))
    inside = (frequencies > 1.5 * low) & (frequencies < 0.8 * high)
    wanted = power_spectrum(band, frequencies)
    for part in np.array_split(np.nonzero(inside)[0], 6):
        assert 10 * np.log10(density[part].mean() / wanted[part].mean()) == pytest.approx(0.0, abs=0.5)
    outside = (frequencies > 1.2 * high) | (frequencies < 0.5 * low)
    assert density[outside].sum() < 1e-3 * density.sum()


def test_integral_is_the_integral():
    """The rate of change of the integrated noise has the rms of the noise, and its nodes carry the slope."""
    noise = SlowNoise(NoiseBand(77, 0.5, 6.0, 0.01, integrate=True))
    values, slopes = noise.nodes(-5_000, 200_000)
    assert np.std(slopes) * noise.rate_hz == pytest.approx(0.01, rel=0.03)
    # Sixth-order difference as the independent derivative.
    steps = np.array([-1, 9, -45, 0, 45, -9, 1]) / 60.0
    difference = np.convolve(values, steps[::-1], mode="valid")
    error = difference - slopes[3:-3]
    assert np.std(error) < 2e-3 * np.std(slopes)
    assert np.max(np.abs(values)) <= noise.bound


def test_integral_does_not_drift():
    noise = SlowNoise(NoiseBand(78, 0.05, 0.5, 3e-4, integrate=True))
    hour = int(3_600 * noise.rate_hz)
    first, _ = noise.nodes(0, hour)
    tenth, _ = noise.nodes(9 * hour, hour)
    assert abs(first.mean()) < 0.02 * noise.rms
    assert abs(tenth.mean()) < 0.02 * noise.rms
    assert np.std(tenth) == pytest.approx(np.std(first), rel=0.15)


def test_fast_noise_is_steady_and_gaussian():
    band = NoiseBand(9, 100.0, 5_000.0, 0.25)
    noise = FastNoise(band, RATE)
    out = np.zeros(40 * SEGMENT)
    noise.add(0, out)
    assert np.std(out) == pytest.approx(0.25, rel=0.005)
    assert abs(stats.kurtosis(out)) < 0.05
    frequencies, density = signal.welch(out, RATE, nperseg=4_096)
    inside = (frequencies > 200.0) & (frequencies < 4_000.0)
    wanted = power_spectrum(band, frequencies)
    assert np.max(np.abs(10 * np.log10(density[inside] / wanted[inside]))) < 1.0
    assert density[frequencies > 6_500.0].sum() < 1e-5 * density.sum()
    # Power round the cross-fades equals the power elsewhere.
    hop = round(0.18 * RATE)
    folded = out[: out.size // hop * hop].reshape(-1, hop)
    edge = folded[:, : round(0.02 * RATE)]
    assert np.mean(edge**2) == pytest.approx(np.mean(folded**2), rel=0.03)


def test_keys_are_independent():
    seen = {stream_key(seed, name, number) for seed in range(50) for name in ("wow", "drift") for number in (0, 1)}
    assert len(seen) == 200
    first, _ = SlowNoise(NoiseBand(stream_key(1, "wow"), 0.5, 6.0, 1.0)).nodes(0, 100_000)
    second, _ = SlowNoise(NoiseBand(stream_key(2, "wow"), 0.5, 6.0, 1.0)).nodes(0, 100_000)
    assert abs(np.corrcoef(first, second)[0, 1]) < 0.04


def test_level_exceeded_by_a_sine_and_by_noise():
    # Closed forms: cos(0.025 pi) of the peak, 1.960 standard deviations.
    assert exceeded_level([2.0], 0.0) == pytest.approx(2.0 * math.cos(0.025 * math.pi), rel=1e-3)
    assert exceeded_level([], 3.0) == pytest.approx(1.959964 * 3.0, rel=1e-6)
    assert exceeded_level([0.0], 3.0, share=0.3173105) == pytest.approx(3.0, rel=1e-5)
    assert stats.norm.sf(TWO_SIGMA) == pytest.approx(0.025, rel=1e-9)


@pytest.mark.parametrize(
    ("peaks", "rms"), [([1.0, 1.0], 0.0), ([1.0, 0.7, 0.2], 0.3), ([0.5], 1.0), ([1.0] * 4, 0.05)]
)
def test_level_exceeded_by_a_mixture_agrees_with_sampling(peaks, rms, rng):
    samples = 400_000
    total = rms * rng.standard_normal(samples)
    for peak in peaks:
        total += peak * np.cos(rng.uniform(0.0, 2.0 * np.pi, samples))
    assert exceeded_level(peaks, rms) == pytest.approx(np.quantile(np.abs(total), 0.95), rel=0.006)
