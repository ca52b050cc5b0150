"""Trajectories: closed forms, statistics of the noise, and that any stretch can be had in any order."""

import math

import numpy as np
import pytest
from moving import Settling, Sine, Trajectory
from scipy import signal, stats

from tapeemu.dsp.kernels import noise_spectrum, octave_noise
from tapeemu.dsp.kernels.trajectories import PIECE
from tapeemu.dsp.noises import NoiseBand, RandomLaw, band_density, law_density
from tapeemu.dsp.tape_position import Purpose, stream_key
from tapeemu.dsp.trajectory import SEGMENT

RATE = 48_000.0


def mixed(rate=RATE, settling=None):
    return Trajectory(
        sines=(Sine(0.7, 1e-3, 0.1), Sine(15.2, 1e-5, 0.6)),
        noises=(
            NoiseBand(3, 0.5, 6.0, 1e-4, integrate=True),
            NoiseBand(4, 6.0, 100.0, 1e-4, integrate=True),
            NoiseBand(5, 100.0, 3_000.0, 1e-4, integrate=True),
            RandomLaw(6, 0.05, 2_500.0, 1e-4),
        ),
        sample_rate=rate,
        settling=settling,
    )


MIXED_EDGES = ((1, 0.5, 6.0), (1, 6.0, 100.0), (1, 100.0, 3_000.0), (0, 0.05, 2_500.0))
"""Kind and edges of the noises of :func:`mixed`."""


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
    pieces = mixed()
    for number in (3, 4, 5, 4, 31, 32, 33):
        whole = ahead[40] if number < 32 else ahead[41]
        begin = number * PIECE % SEGMENT
        np.testing.assert_array_equal(pieces.piece(40 * SEGMENT // PIECE + number), whole[begin : begin + PIECE])
    joined = mixed().values(40 * SEGMENT, 2 * SEGMENT)
    np.testing.assert_array_equal(joined, np.concatenate([ahead[40], ahead[41]]))


@pytest.mark.parametrize("rate", [44_100.0, 96_000.0, 8_000.0])
def test_same_trajectory_at_every_sample_rate(rate):
    seconds = 40
    reference = mixed().values(int(RATE) * seconds, 24_000)[:: int(RATE / 100)]
    other = mixed(rate).values(int(rate) * seconds, int(rate / 2))[:: int(rate / 100)]
    # 8 kHz cannot carry the law above 3.6 kHz; its delays there are below 1e-10 s.
    np.testing.assert_allclose(other, reference, atol=1e-9)


@pytest.mark.parametrize(
    ("low", "high"), [(0.5, 6.0), (6.0, 100.0), (0.1, 1.0), (0.3, 20.0), (0.0, 20.0), (10.0, 13.0)]
)
def test_a_band_has_the_rms_and_spectrum_asked_for(low, high):
    """Read from thousands of periods of its lowest frequency, at a rate that is not that of the nodes."""
    band = NoiseBand(stream_key(11, Purpose.PLACE), low, high, 0.5)
    rate = 12.1 * high
    lowest = low or 0.15 * high
    seconds = 3_000 / lowest
    # Curves are drawn at 2.75 kHz and more: the tape is run so fast that a band is read in reasonable time.
    faster = 2_000.0 / rate
    quick = NoiseBand(band.key, low * faster, high * faster, band.rms)
    values = Trajectory(noises=(quick,), sample_rate=rate * faster).values(0, int(seconds * rate))
    cycles = seconds * (high - low)
    assert np.std(values) == pytest.approx(0.5, rel=4.0 / math.sqrt(2.0 * cycles) + 0.005)
    assert abs(stats.kurtosis(values)) < 12.0 / math.sqrt(cycles) + 0.02
    frequencies, density = signal.welch(values, rate, nperseg=int(40 * rate / lowest))
    inside = (frequencies > 1.5 * low) & (frequencies < 0.8 * high)
    wanted = band_density(band, frequencies)
    if np.count_nonzero(inside) > 12:
        for part in np.array_split(np.nonzero(inside)[0], 6):
            assert 10 * np.log10(density[part].mean() / wanted[part].mean()) == pytest.approx(0.0, abs=0.5)
    outside = (frequencies > 1.2 * high) | (frequencies < 0.5 * low)
    assert density[outside].sum() < 1e-3 * density.sum()


def test_integral_is_the_integral():
    """The rate of change of the integrated noise has the rms and the spectrum of the noise."""
    rate = 2_000.0
    band = NoiseBand(77, 5.0, 60.0, 0.01, integrate=True)
    values = Trajectory(noises=(band,), sample_rate=rate).values(-5_000, 600_000)
    # Sixth-order difference as the independent derivative.
    steps = np.array([-1, 9, -45, 0, 45, -9, 1]) / 60.0
    noise = np.convolve(values, steps[::-1], mode="valid") * rate
    assert np.std(noise) == pytest.approx(0.01, rel=0.02)
    frequencies, density = signal.welch(noise, rate, nperseg=8_192)
    inside = (frequencies > 7.5) & (frequencies < 48.0)
    wanted = band_density(band, frequencies)
    for part in np.array_split(np.nonzero(inside)[0], 6):
        assert 10 * np.log10(density[part].mean() / wanted[part].mean()) == pytest.approx(0.0, abs=0.5)
    assert np.max(np.abs(values)) <= Trajectory(noises=(band,), sample_rate=rate).bound


def test_integral_does_not_drift():
    rate = 50.0
    trajectory = Trajectory(noises=(NoiseBand(78, 0.05, 0.5, 3e-4, integrate=True),), sample_rate=rate)
    hour = int(3_600 * rate)
    first = trajectory.values(0, hour)
    tenth = trajectory.values(9 * hour, hour)
    rms = trajectory.bound / 8.0
    assert abs(first.mean()) < 0.02 * rms
    assert abs(tenth.mean()) < 0.02 * rms
    assert np.std(tenth) == pytest.approx(np.std(first), rel=0.15)


def test_fast_noise_is_steady_and_gaussian():
    band = NoiseBand(9, 100.0, 5_000.0, 0.25)
    out = Trajectory(noises=(band,), sample_rate=RATE).values(0, 1 << 20)
    assert np.std(out) == pytest.approx(0.25, rel=0.005)
    assert abs(stats.kurtosis(out)) < 0.05
    frequencies, density = signal.welch(out, RATE, nperseg=4_096)
    inside = (frequencies > 200.0) & (frequencies < 4_000.0)
    wanted = band_density(band, frequencies)
    assert np.max(np.abs(10 * np.log10(density[inside] / wanted[inside]))) < 1.0
    assert density[frequencies > 6_500.0].sum() < 1e-5 * density.sum()
    # Power at the seams of segments equals the power elsewhere, and nothing jumps there.
    folded = out.reshape(-1, SEGMENT)
    seams = np.abs(folded[1:, 0] - folded[:-1, -1])
    assert np.mean(folded[:, :100] ** 2) == pytest.approx(np.mean(folded**2), rel=0.1)
    assert np.mean(seams**2) == pytest.approx(np.mean(np.diff(out) ** 2), rel=0.4)


@pytest.mark.parametrize("rate", [8_000.0, 48_000.0])
def test_noise_beyond_the_sample_rate_is_left_out(rate):
    """The law goes to 20 kHz: what is read follows it to 0.36 of the rate; nothing is folded back."""
    law = RandomLaw(12, 50.0, 20_000.0, 1e-3)
    speed = np.gradient(Trajectory(noises=(law,), sample_rate=rate).values(0, 1 << 18)) * rate
    frequencies, density = signal.welch(speed, rate, nperseg=2_048)
    turn = 2.0 * np.pi * frequencies / rate
    with np.errstate(invalid="ignore", divide="ignore"):
        density *= (turn / np.sin(turn)) ** 2
    for low, high in ((0.05, 0.1), (0.1, 0.15), (0.15, 0.2), (0.2, 0.3), (0.3, 0.36)):
        inside = (frequencies > low * rate) & (frequencies < high * rate)
        error = density[inside].mean() / law_density(law, frequencies[inside]).mean()
        assert 10.0 * np.log10(error) == pytest.approx(0.0, abs=1.0)
    nothing = Trajectory(noises=(NoiseBand(1, 10_000.0, 20_000.0, 1.0),), sample_rate=8_000.0)
    assert nothing.bound == 0.0
    assert not np.any(nothing.values(0, 100))


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


def octaves_of(law, rate=RATE):
    """The taps of a law as the kernels design them, one octave a row."""
    edges = (noise_spectrum.LAW, law.low_hz, law.high_hz, rate)
    octaves = octave_noise.noise_octaves(*edges)
    noises = octave_noise.Noises(
        keys=np.zeros(1, dtype=np.uint64),
        rates=np.zeros((1, 3), dtype=np.uint64),
        layout=np.zeros((1, octave_noise.LAYOUT_SIZE), dtype=np.int64),
        values=np.zeros((1, octave_noise.VALUES_SIZE)),
        taps=np.zeros((2 * octaves, 32)),
        spans=np.zeros((2, octaves + 1), dtype=np.int64),
        held=np.zeros((octaves + 1, 2), dtype=np.int64),
        numbers=np.zeros((octaves + 1, 4)),
        nodes=np.zeros((octaves + 1, 4)),
        cubics=np.zeros((3, 4)),
    )
    octave_noise.design_noise(
        0,
        noise_spectrum.LAW,
        np.uint64(1),
        *edges[1:3],
        law.rms,
        law.slope_db_per_octave,
        True,
        rate,
        3_000.0,
        noises,
    )
    return noises.taps.reshape(octaves, 2, 32), noise_spectrum.noise_highest(*edges)


@pytest.mark.parametrize("slope", [-9.0, -6.0, -3.0, 0.0, 6.0])
@pytest.mark.parametrize(
    "edges", [(0.05, 100.0), (0.05, 85.0), (0.05, 119.0), (1.0, 2.0), (3.0, 200.0), (0.05, 2_500.0)]
)
def test_octaves_add_up_to_the_law(slope, edges):
    """Fourier transforms of the taps, octave by octave, without any scatter: third octaves within 0.5 dB.

    Each octave passes the interpolators of those above it; the spectrum of nodes repeats at their rate, and the
    interpolant between them leaves the first half of a period.
    """
    law = RandomLaw(1, *edges, 1e-3, slope)
    taps, highest = octaves_of(law)
    frequencies = np.geomspace(edges[0] / 1.13, edges[1] * 1.13, 1_500)
    density = np.zeros(frequencies.size)
    places = np.arange(2)[:, None] - 2.0 * (np.arange(32) - 15.0)
    for octave, rows in enumerate(taps):
        node_rate = 4.0 * highest / 2.0 ** (len(taps) - 1 - octave)
        turns = np.exp(-2j * np.pi * frequencies[:, None] * (places.ravel() / node_rate))
        power = (frequencies < 0.5 * node_rate) * np.abs(turns @ rows.ravel()) ** 2 / node_rate
        for above in range(1, len(taps) - octave):
            # Lagrange's eight coefficients for the middle, common knowledge.
            angles = 2.0 * np.pi * frequencies[:, None] * np.array([1, 3, 5, 7]) / (node_rate * 2.0**above)
            power *= (0.5 + np.cos(angles) @ np.array([1_225, -245, 49, -5]) / 2_048) ** 2
        density += power
    density *= (2.0 * np.pi * frequencies) ** 2
    steps = round(3.0 * math.log2(edges[1] / edges[0]))
    centres = edges[0] * (edges[1] / edges[0]) ** (np.arange(steps + 1) / steps)
    error = third_octave_errors_db(centres, slope, frequencies, density)
    assert np.max(np.abs(error)) < 0.5
    # In absolute terms too: nothing is lost.
    assert 10 * np.log10(np.median(density / law_density(law, frequencies))) == pytest.approx(0.0, abs=0.3)


@pytest.mark.parametrize("edges", [(0.05, 100.0), (0.05, 2_500.0), (50.0, 20_000.0)])
@pytest.mark.parametrize("slope", [-9.0, -3.0, 6.0])
def test_bound_of_a_law_is_eight_standard_deviations_of_its_integral(edges, slope):
    law = RandomLaw(1, *edges, 1e-3, slope)
    grid = np.geomspace(edges[0] / 2.6, min(2.6 * edges[1], 0.45 * RATE), 20_001)
    rms = math.sqrt(np.trapezoid(law_density(law, grid) / (2.0 * np.pi * grid) ** 2, grid))
    assert Trajectory(noises=(law,), sample_rate=RATE).bound == pytest.approx(8.0 * rms, rel=2e-3)


@pytest.mark.parametrize(
    "band", [(0.3, 20.0), (0.0, 20.0), (10.0, 13.0), (100.0, 5_000.0), (0.1, 1.0), (9_000.0, 20_000.0)]
)
@pytest.mark.parametrize("integrate", [False, True])
def test_bound_of_a_band_is_eight_standard_deviations(band, integrate):
    if integrate and not band[0]:
        pytest.skip("a band down to 0 Hz has no bounded integral")
    rate = 32_000.0
    noise = NoiseBand(1, *band, 1.0, integrate=integrate)
    grid = np.geomspace(1e-3 * band[1], min(1.2 * band[1], 0.45 * rate), 20_001)
    density = band_density(noise, grid) / (2.0 * np.pi * grid if integrate else 1.0) ** 2
    rms = math.sqrt(np.trapezoid(density, grid))
    assert Trajectory(noises=(noise,), sample_rate=rate).bound == pytest.approx(8.0 * rms, rel=2e-3)


def test_random_law_is_heard_in_every_third_octave():
    """The noise itself, 0.05 to 100 Hz in one over the frequency: within 1 dB; readings scatter by 0.3 dB."""
    law = RandomLaw(stream_key(3, Purpose.PLACE), 0.05, 100.0, 1e-3)
    # Four hours of delay, 25 values a second.
    rate = 25.0
    slow_law = Trajectory(noises=(law,), sample_rate=400.0)
    values = slow_law.values(0, 4 * 3_600 * 400)[::16]
    frequencies, density = signal.welch(np.diff(values.ravel()) * rate, rate, nperseg=12_000)
    density /= np.sinc(frequencies / rate) ** 2
    slow = 0.05 * 2.0 ** (np.arange(19) / 3.0)  # to 3.2 Hz
    assert np.max(np.abs(third_octave_errors_db(slow, -3.0, frequencies, density))) < 1.0
    rate = 8_000.0
    speed = np.diff(Trajectory(noises=(law,), sample_rate=rate).values(0, 200 * 8_000)) * rate
    frequencies, density_fast = signal.welch(speed, rate, nperseg=80_000)
    fast = 0.05 * 2.0 ** (np.arange(15, 34) / 3.0)  # 1.6 to 102 Hz
    assert np.max(np.abs(third_octave_errors_db(fast, -3.0, frequencies, density_fast))) < 1.0


def test_random_law_has_its_rms_and_is_gaussian():
    law = RandomLaw(stream_key(4, Purpose.PLACE), 2.0, 1_000.0, 1e-3)
    rate = 16_000.0
    speed = np.diff(Trajectory(noises=(law,), sample_rate=rate).values(0, 240 * 16_000)) * rate
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
    law = RandomLaw(stream_key(5, Purpose.PLACE), 10.0, 20.0, 1e-3)
    rate = 8_000.0
    values = Trajectory(noises=(law,), sample_rate=rate).values(0, 400 * 8_000)
    _, highest = octaves_of(law, rate)
    nodes_hz = [4.0 * highest, 2.0 * highest]
    time = np.arange(values.size) / rate
    for node_rate in (nodes_hz[0], nodes_hz[0] / 2.0, nodes_hz[1], nodes_hz[1] / 2.0):
        place = (time * node_rate) % 1.0
        power = [np.mean(values[(place >= k / 4) & (place < (k + 1) / 4)] ** 2) for k in range(4)]
        assert np.max(power) / np.min(power) == pytest.approx(1.0, abs=0.03)
    one, two = (Trajectory(noises=(law._replace(key=key),), sample_rate=rate).values(0, 400_000) for key in (1, 2))
    assert abs(np.corrcoef(one, two)[0, 1]) < 0.15


def test_no_piece_makes_more_than_its_share_of_nodes():
    """Nodes are counted over three segments: a piece makes its own, and again none that the one before made."""
    trajectory = mixed()
    first = 41 * SEGMENT // PIECE
    trajectory.piece(first - 1)
    made = [trajectory.nodes_made(number) for number in range(first, first + 3 * SEGMENT // PIECE)]
    # Four nodes a period of the highest frequency, half as many an octave below, and so on; the slow octaves are
    # raised to twice the rate.
    highest = sum(noise_spectrum.noise_highest(kind, low, high, RATE) for kind, low, high in MIXED_EDGES)
    assert np.mean(made) <= 1.05 * 16.0 * highest * PIECE / RATE
    assert np.max(made) < 1.5 * np.mean(made)


def test_law_is_the_same_in_hour_ten_whatever_came_before():
    law = RandomLaw(stream_key(6, Purpose.PLACE), 0.05, 2_500.0, 1e-3)
    index = 10 * 3_600 * 48_000 // SEGMENT
    fresh = Trajectory(noises=(law,), sample_rate=RATE).segment(index).copy()
    used = Trajectory(noises=(law,), sample_rate=RATE)
    for other in (0, -7, index - 1):
        used.segment(other)
    np.testing.assert_array_equal(used.segment(index), fresh)


@pytest.mark.parametrize("constant", [0.0, 3.0])
def test_settled_trajectory_is_zero_at_the_start_and_itself_later(constant):
    plain = mixed()
    fastest = 1e-8
    settled = mixed(settling=Settling(constant * 1e-6, fastest))
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
    still = Trajectory(sample_rate=RATE, settling=Settling(0.0, 0.0))
    assert still.settling_samples == 0.0
    assert still.bound == 0.0
    assert not np.any(still.values(-5, 10))


def test_keys_are_independent():
    seen = {
        stream_key(seed, name, number)
        for seed in range(50)
        for name in (Purpose.FLUTTER, Purpose.SCRAPE)
        for number in (0, 1)
    }
    assert len(seen) == 200
    first, second = (
        Trajectory(noises=(NoiseBand(stream_key(seed, Purpose.PLACE), 5.0, 60.0, 1.0),), sample_rate=720.0).values(
            0, 100_000
        )
        for seed in (1, 2)
    )
    assert abs(np.corrcoef(first, second)[0, 1]) < 0.04
