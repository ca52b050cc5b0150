"""Amplitude flutter, recovered from rendered tones by scipy's analytic signal; the laws are closed forms."""

import numpy as np
import pytest
from fed_blocks import in_blocks
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal, stats

from tapeemu.errors import ParameterError
from tapeemu.processors.amplitude_flutter import AmplitudeFlutter, LevelPart

RATE = 48_000


def tone(frequency, samples, rate=RATE):
    return np.sin(2.0 * np.pi * frequency * np.arange(samples) / rate)


def level_db(recording, edge=4_800):
    return 20.0 * np.log10(np.abs(signal.hilbert(recording)))[..., edge : recording.shape[-1] - edge]


def swing(values, rate_hz, rate=RATE):
    """Peak of the component at a rate, by least squares."""
    t = np.arange(values.size) / rate
    basis = np.stack([np.cos(2 * np.pi * rate_hz * t), np.sin(2 * np.pi * rate_hz * t), np.ones_like(t)], axis=1)
    fit = np.linalg.lstsq(basis, values, rcond=None)[0]
    return float(np.hypot(fit[0], fit[1]))


@pytest.mark.parametrize(("rate_hz", "peak_db"), [(0.8, 2.0), (7.0, 0.2), (60.0, 1.0), (200.0, 6.0)])
def test_periodic_depth_is_the_depth_set(rate_hz, peak_db):
    flutter = AmplitudeFlutter(periodic_parts=(LevelPart(rate_hz=rate_hz, peak_db=peak_db),), random_db=0.0)
    got = level_db(flutter(tone(9_000.0, 3 * RATE), sample_rate=RATE))
    assert swing(got, rate_hz) == pytest.approx(peak_db, rel=0.001)
    assert np.ptp(got) / 2.0 == pytest.approx(peak_db, rel=0.02)


def test_periodic_part_has_the_phase_set():
    part = LevelPart(rate_hz=3.0, peak_db=1.0, phase_degrees=-50.0)
    flutter = AmplitudeFlutter(periodic_parts=(part,), random_db=0.0)
    start = 50_000_000_000
    got = flutter.level_db(sample_rate=RATE, start_sample=start, samples=RATE)
    turns = ((start + np.arange(RATE)) * 3 % RATE) / RATE
    np.testing.assert_allclose(got, np.cos(2 * np.pi * turns - np.radians(50.0)), atol=1e-9)


def test_random_depth_is_the_depth_set():
    """Over ten minutes: level exceeded 5 % of the time, and std / mean of the envelope of a 1 kHz tone."""
    rate = 8_000
    flutter = AmplitudeFlutter(random_db=0.5, random_low_hz=0.5, random_high_hz=40.0, seed=3)
    got = level_db(flutter(tone(1_000.0, 600 * rate, rate), sample_rate=rate))
    assert np.quantile(np.abs(got), 0.95) == pytest.approx(0.5, rel=0.02)
    assert abs(got.mean()) < 0.005
    envelope = 10 ** (got / 20.0)
    nepers = 0.5 / 1.959964 * np.log(10.0) / 20.0
    assert envelope.std() / envelope.mean() == pytest.approx(np.sqrt(np.expm1(nepers**2)), rel=0.02)
    # A Gaussian level in dB: no excess kurtosis beyond the scatter of some 40,000 independent values.
    assert abs(stats.kurtosis(got[::100])) < 0.1
    frequencies, density = signal.welch(got[::10], rate / 10, nperseg=1 << 13)
    inside = (frequencies > 0.3) & (frequencies < 46.0)
    assert density[inside].sum() > 0.98 * density.sum()


@pytest.mark.parametrize("correlation", [0.0, 0.5, 0.9])
def test_channels_correlate_as_set(correlation):
    flutter = AmplitudeFlutter(channel_correlation=correlation, random_low_hz=1.0, random_high_hz=100.0)
    audio = np.ones((3, 8_000 * 60))
    got = 20 * np.log10(flutter(audio, sample_rate=8_000))
    scatter = 4.0 / np.sqrt(2 * 99.0 * 60.0)
    np.testing.assert_allclose(np.corrcoef(got)[np.triu_indices(3, 1)], correlation, atol=scatter)
    np.testing.assert_allclose(got.std(axis=1), 0.3 / 1.96, rtol=0.05)


def test_full_correlation_moves_all_channels_alike():
    got = AmplitudeFlutter()(np.ones((4, 20_000)), sample_rate=RATE)
    np.testing.assert_array_equal(got, np.tile(got[0], (4, 1)))


def test_spacing_moves_10_khz_ten_times_as_far_as_1_khz():
    part = LevelPart(rate_hz=2.0, peak_db=1.5)
    flutter = AmplitudeFlutter(mode="spacing", periodic_parts=(part,), random_db=0.0)
    moved = {
        f: swing(level_db(flutter(tone(f, 2 * RATE), sample_rate=RATE)), 2.0) for f in (1_000.0, 3_000.0, 1e4)
    }
    assert moved[1e4] == pytest.approx(1.5, rel=0.01)
    assert moved[1e4] / moved[1_000.0] == pytest.approx(10.0, rel=0.01)
    assert moved[1e4] / moved[3_000.0] == pytest.approx(10.0 / 3.0, rel=0.01)


def test_random_spacing_keeps_the_law_at_every_moment():
    flutter = AmplitudeFlutter(mode="spacing", random_db=2.0, seed=2)
    high = level_db(flutter(tone(10_000.0, 4 * RATE), sample_rate=RATE))
    low = level_db(flutter(tone(1_000.0, 4 * RATE), sample_rate=RATE))
    slope = np.polyfit(high, low, 1)[0]
    assert slope == pytest.approx(0.1, rel=0.01)
    assert np.corrcoef(high, low)[0, 1] > 0.9999


def test_distance_is_never_negative_and_gives_the_loss():
    """54.575 dB times distance over wavelength (Wallace 1951), from the distance in micrometres."""
    flutter = AmplitudeFlutter(mode="spacing", random_db=3.0, seed=4)
    distance = flutter.distance_um(sample_rate=RATE, start_sample=0, samples=20 * RATE, tape_speed_cm_s=19.05)
    assert distance.min() >= 0.0
    assert distance.min() < 0.05 * distance.mean()
    wavelength_um = 190_500.0 / 10_000.0
    as_told = flutter.distance_um(sample_rate=RATE, start_sample=0, samples=20 * RATE)  # at 38.1 cm/s
    np.testing.assert_allclose(as_told, 2.0 * distance, rtol=1e-12, atol=1e-12)
    loss = 54.575 * distance / wavelength_um
    level = flutter.level_db(sample_rate=RATE, start_sample=0, samples=20 * RATE)
    np.testing.assert_allclose(loss - loss.mean(), level.mean() - level, atol=1e-4)
    got = level_db(flutter(tone(10_000.0, 4 * RATE), sample_rate=RATE))
    change = -54.575 * (distance[4_800 : 4 * RATE - 4_800] - distance.mean()) / wavelength_um
    assert np.max(np.abs(got - change - np.mean(got - change))) < 0.05


@pytest.mark.parametrize(("mode", "frequency"), [("gain", 1_000.0), ("gain", 12_000.0), ("spacing", 10_000.0)])
def test_dropouts_have_their_depth_length_and_place(mode, frequency):
    flutter = AmplitudeFlutter(
        mode=mode,
        random_db=0.0,
        dropouts_per_minute=90.0,
        dropout_least_db=9.0,
        dropout_most_db=9.0,
        dropout_shortest_ms=30.0,
        dropout_longest_ms=30.0,
        seed=6,
    )
    start = 3_600 * RATE
    got = level_db(flutter(tone(frequency, 12 * RATE), sample_rate=RATE, start_sample=start), edge=0)
    events = flutter.dropouts(3_600.5, 3_611.5)
    assert len(events) >= 5
    for before, event, after in zip(events, events[1:], events[2:], strict=False):
        if min(event.time_seconds - before.time_seconds, after.time_seconds - event.time_seconds) < 0.05:
            continue
        centre = round(event.time_seconds * RATE) - start
        near = got[centre - 1_800 : centre + 1_800]
        assert near.min() == pytest.approx(-9.0, rel=0.02)
        assert near[1_800] == pytest.approx(-9.0, rel=0.02)
        assert np.count_nonzero(near < -4.5) / RATE * 1e3 == pytest.approx(30.0, rel=0.02)
        assert near[0] == pytest.approx(0.0, abs=0.02)


def test_dropouts_may_hit_channels_apart():
    apart = AmplitudeFlutter(random_db=0.0, dropouts_per_minute=300.0, dropouts_on_all_channels=False)
    got = apart(np.ones((2, 4 * RATE)), sample_rate=RATE)
    assert apart.dropouts(0.0, 4.0, channel=0) != apart.dropouts(0.0, 4.0, channel=1)
    assert np.corrcoef(got)[0, 1] < 0.5
    together = apart.replace(dropouts_on_all_channels=True)(np.ones((2, 4 * RATE)), sample_rate=RATE)
    np.testing.assert_array_equal(together[0], together[1])


def test_same_level_at_every_sample_rate():
    flutter = AmplitudeFlutter(dropouts_per_minute=60.0, periodic_parts=(LevelPart(rate_hz=9.0, peak_db=0.3),))
    at_48 = flutter.level_db(sample_rate=48_000, start_sample=48_000 * 20, samples=96_000)[::160]
    at_44 = flutter.level_db(sample_rate=44_100, start_sample=44_100 * 20, samples=88_200)[::147]
    np.testing.assert_allclose(at_48, at_44, atol=1e-6)


@settings(max_examples=10, deadline=None)
@given(
    blocks=st.lists(st.sampled_from([0, 1, 3, 101, 4_096, 16_384, 20_000]), min_size=1, max_size=5),
    mode=st.sampled_from(["gain", "spacing"]),
    correlation=st.sampled_from([1.0, 0.4]),
)
def test_any_blocks_give_the_same_bits(blocks, mode, correlation):
    rng = np.random.default_rng(6)
    audio = rng.standard_normal((3, 40_000))
    flutter = AmplitudeFlutter(mode=mode, channel_correlation=correlation, dropouts_per_minute=600.0)
    expected, cut = (
        in_blocks(flutter.stream(sample_rate=RATE, channels=3, start_sample=-20_000), audio, sizes, tail=3)
        for sizes in ([40_000], [*blocks, 40_000])
    )
    np.testing.assert_array_equal(cut, expected)


def test_steepest_settings_stay_bounded(rng):
    parts = (LevelPart(rate_hz=250.0, peak_db=1.0), LevelPart(rate_hz=0.1, peak_db=0.5))
    flutter = AmplitudeFlutter(
        mode="spacing",
        periodic_parts=parts,
        random_db=0.3,
        spacing_frequency_hz=1_000.0,
        dropouts_per_minute=6_000.0,
        dropout_most_db=60.0,
    )
    got = flutter(np.sign(rng.standard_normal((2, 20_000))), sample_rate=RATE)
    assert np.all(np.isfinite(got))
    assert np.max(np.abs(got)) < 128 * 100.0  # as many taps, each below the rise of 40 dB at most


@pytest.mark.parametrize(
    ("values", "text"),
    [
        ({"random_low_hz": 30.0}, "from 30 to 20 Hz"),
        ({"dropout_least_db": 20.0}, "least depth of a dropout is 20 dB"),
        ({"dropout_shortest_ms": 60.0}, "least length of a dropout is 60 ms"),
        ({"periodic_parts": ({"rate_hz": 1.0, "peak_db": 12.0},) * 3}, "add up to 36 dB"),
        ({"channel_correlation": 1.2}, "channel_correlation is 1.2"),
        ({"mode": "spacing", "random_db": 12.0, "spacing_frequency_hz": 5_000.0}, "20 kHz would rise by 73 dB"),
        ({"spacing_frequency_hz": 8_000.0}, "spacing_frequency_hz is 8000 Hz, but mode is 'gain'"),
        ({"mode": "both"}, "mode is 'both', but must be one of: gain, spacing"),
    ],
)
def test_refuses_what_cannot_be(values, text):
    with pytest.raises(ParameterError, match=text):
        AmplitudeFlutter(**values)
