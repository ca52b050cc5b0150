"""Trajectories: closed forms, statistics of the noise, and that any stretch can be had in any order."""

import math

import numpy as np
import pytest
from scipy import signal, stats

from tapeemu.dsp.fast_noise import FastNoise, band_spectrum
from tapeemu.dsp.noise_band import NoiseBand, SlowNoise, power_spectrum
from tapeemu.dsp.random_law import OctaveNoise, RandomLaw, law_density
from tapeemu.dsp.tape_position import stream_key
from tapeemu.dsp.trajectory import SEGMENT, SettledTrajectory, Sine, Trajectory

RATE = 48_000.0


def mixed(rate=RATE):
    return Trajectory(
        sines=(Sine(0.7, 1e-3, 0.1), Sine(15.2, 1e-5, 0.6)),
        slow=(NoiseBand(3, 0.5, 6.0, 1e-4, integrate=True), NoiseBand(4, 6.0, 100.0, 1e-4, integrate=True)),
        fast=(NoiseBand(5, 100.0, 3_000.0, 1e-4, integrate=True),),
        law=RandomLaw(6, 0.05, 2_500.0, 1e-4),
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
    # 8 kHz cannot carry the law above 3.6 kHz; its delays there are below 1e-10 s.
    np.testing.assert_allclose(other, reference, atol=1e-9)


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
    noise = FastNoise(band_spectrum(band), RATE)
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


def third_octave_errors_db(centres, slope, frequencies, density):
    """Mean density in third octaves against the closed form of the law; the common level is taken out."""
    edges = [(c / 2 ** (1 / 6), c * 2 ** (1 / 6)) for c in centres]
    width = np.gradient(frequencies)
    inside = [(frequencies >= low) & (frequencies < high) for low, high in edges]
    power = np.array([np.average(density[each], weights=width[each]) for each in inside])
    bins = np.asarray(centres)[:, None] * 2.0 ** (np.linspace(-1.0, 1.0, 41) / 6.0)
    widths = np.gradient(bins, axis=1)
    wanted = (bins ** (slope / 3.0103) * widths).sum(axis=1) / widths.sum(axis=1)
    error = 10.0 * np.log10(power / wanted)
    return error - error.mean()


@pytest.mark.parametrize("slope", [-9.0, -6.0, -3.0, 0.0, 6.0])
@pytest.mark.parametrize("edges", [(0.05, 100.0), (0.05, 85.0), (0.05, 119.0), (1.0, 2.0), (3.0, 200.0)])
def test_octaves_add_up_to_the_law(slope, edges):
    """Fourier transforms of the taps, octave by octave, without any scatter: third octaves within 0.5 dB.

    The spectrum of nodes repeats at their rate; the interpolant between them leaves the first half of a period.
    """
    law = RandomLaw(1, *edges, 1e-3, slope)
    noise = OctaveNoise(law, RATE, 16, 64)
    frequencies = np.geomspace(edges[0] / 1.13, edges[1] * 1.13, 1_500)
    density = np.zeros(frequencies.size)
    places = np.arange(2)[:, None] - 2.0 * (np.arange(32) - 15.0)
    for octave, centre in enumerate(law.centres_hz):
        node_rate = 4.0 * law.ratio * centre
        turns = np.exp(-2j * np.pi * frequencies[:, None] * (places.ravel() / node_rate))
        response = turns @ noise._taps[:2].ravel() * noise._octaves.value_scales[octave] / node_rate
        density += (frequencies < 0.5 * node_rate) * 2.0 * (node_rate / 2.0) * np.abs(response) ** 2
    density *= (2.0 * np.pi * frequencies) ** 2
    steps = round(3.0 * math.log2(edges[1] / edges[0]))
    centres = edges[0] * (edges[1] / edges[0]) ** (np.arange(steps + 1) / steps)
    error = third_octave_errors_db(centres, slope, frequencies, density)
    assert np.max(np.abs(error)) < 0.5
    # In absolute terms too: nothing is lost.
    assert 10 * np.log10(np.median(density / law_density(law, frequencies))) == pytest.approx(0.0, abs=0.3)


def test_random_law_is_heard_in_every_third_octave():
    """The noise itself, 0.05 to 100 Hz in one over the frequency: within 1 dB; readings scatter by 0.3 dB."""
    law = RandomLaw(stream_key(3, "law"), 0.05, 100.0, 1e-3)
    rate, parts = 25.0, 24
    noise = OctaveNoise(law, 200.0, 8, 25 * 600)
    values, slopes = np.empty((2, parts, 15_000))
    for part in range(parts):  # four hours of delay, 25 values a second
        noise.fill(part * 15_000 * 8, values[part], slopes[part])
    frequencies, density = signal.welch(np.diff(values.ravel()) * rate, rate, nperseg=12_000)
    density /= np.sinc(frequencies / rate) ** 2
    slow = 0.05 * 2.0 ** (np.arange(19) / 3.0)  # to 3.2 Hz
    assert np.max(np.abs(third_octave_errors_db(slow, -3.0, frequencies, density))) < 1.0
    rate = 8_000.0
    speed = np.diff(Trajectory(law=law, sample_rate=rate).values(0, 200 * 8_000)) * rate
    frequencies, density_fast = signal.welch(speed, rate, nperseg=80_000)
    fast = 0.05 * 2.0 ** (np.arange(15, 34) / 3.0)  # 1.6 to 102 Hz
    assert np.max(np.abs(third_octave_errors_db(fast, -3.0, frequencies, density_fast))) < 1.0


def test_random_law_has_its_rms_and_is_gaussian():
    law = RandomLaw(stream_key(4, "law"), 2.0, 1_000.0, 1e-3)
    rate = 16_000.0
    speed = np.diff(Trajectory(law=law, sample_rate=rate).values(0, 60 * 16_000)) * rate
    assert np.std(speed) == pytest.approx(1e-3, rel=0.02)
    assert abs(stats.kurtosis(speed)) < 0.1
    # The density is that of law_density in absolute terms too, flanks included.
    frequencies, density = signal.welch(speed, rate, nperseg=1 << 15)
    grid = np.array([10.0, 30.0, 60.0, 80.0, 100.0, 125.0, 250.0, 1_000.0, 1_400.0])
    for frequency in grid:
        near = (frequencies > frequency * 0.93) & (frequencies < frequency * 1.07)
        wanted = law_density(law, frequencies[near]).mean()
        assert 10.0 * np.log10(density[near].mean() / wanted) == pytest.approx(0.0, abs=0.8)


def test_octaves_are_independent_and_steady():
    """No octave repeats another one's numbers, and the power does not depend on the place between nodes."""
    law = RandomLaw(stream_key(5, "law"), 10.0, 20.0, 1e-3)
    rate = 8_000.0
    values = Trajectory(law=law, sample_rate=rate).values(0, 400 * 8_000)
    nodes_hz = [2.0 * 2.0 * law.ratio * centre for centre in law.centres_hz]
    time = np.arange(values.size) / rate
    for node_rate in (nodes_hz[0], nodes_hz[0] / 2.0, nodes_hz[1], nodes_hz[1] / 2.0):
        place = (time * node_rate) % 1.0
        power = [np.mean(values[(place >= k / 4) & (place < (k + 1) / 4)] ** 2) for k in range(4)]
        assert np.max(power) / np.min(power) == pytest.approx(1.0, abs=0.03)
    one, two = (Trajectory(law=law._replace(key=key), sample_rate=rate).values(0, 400_000) for key in (1, 2))
    assert abs(np.corrcoef(one, two)[0, 1]) < 0.15


def test_law_is_the_same_in_hour_ten_whatever_came_before():
    law = RandomLaw(stream_key(6, "law"), 0.05, 2_500.0, 1e-3)
    index = 10 * 3_600 * 48_000 // SEGMENT
    fresh = Trajectory(law=law, sample_rate=RATE).segment(index).copy()
    used = Trajectory(law=law, sample_rate=RATE)
    for other in (0, -7, index - 1):
        used.segment(other)
    np.testing.assert_array_equal(used.segment(index), fresh)


@pytest.mark.parametrize("constant", [0.0, 3.0])
def test_settled_trajectory_is_zero_at_the_start_and_itself_later(constant):
    plain = mixed()
    fastest = 1e-8
    settled = SettledTrajectory(mixed(), constant=constant * 1e-6, fastest=fastest)
    assert settled.values(0, 1)[0] == 0.0
    assert settled.values(-1, 3)[1] == 0.0
    settling = math.ceil(settled.settling_samples)
    assert 1_000 < settling < 500_000
    for first in (settling, settling + 10 * SEGMENT, -settling - 1_000):
        np.testing.assert_array_equal(settled.values(first, 1_000), plain.values(first, 1_000) + constant * 1e-6)
    span = np.arange(-settling - 10, settling + 11)
    added = settled.values(int(span[0]), span.size) - plain.values(int(span[0]), span.size)
    assert np.max(np.abs(np.diff(added))) <= 1.001 * fastest
    assert np.max(np.abs(np.diff(added))) > 0.99 * fastest
    np.testing.assert_allclose(added, added[::-1], atol=1e-15, rtol=0.0)
    assert np.max(np.abs(settled.values(-settling, 2 * settling))) <= settled.bound


def test_trajectory_that_starts_at_zero_needs_no_settling():
    still = SettledTrajectory(Trajectory(sample_rate=RATE), fastest=0.0)
    assert still.settling_samples == 0.0
    assert still.bound == 0.0
    assert not np.any(still.values(-5, 10))


def test_keys_are_independent():
    seen = {stream_key(seed, name, number) for seed in range(50) for name in ("wow", "drift") for number in (0, 1)}
    assert len(seen) == 200
    first, _ = SlowNoise(NoiseBand(stream_key(1, "wow"), 0.5, 6.0, 1.0)).nodes(0, 100_000)
    second, _ = SlowNoise(NoiseBand(stream_key(2, "wow"), 0.5, 6.0, 1.0)).nodes(0, 100_000)
    assert abs(np.corrcoef(first, second)[0, 1]) < 0.04
