"""Wow and flutter, recovered from rendered tones and clicks by scipy's analytic signal and closed forms."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from fed_blocks import in_blocks
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from tapeemu.dsp.flutter_figure import flutter_weighting
from tapeemu.dsp.kernels.trajectories import SETTLING
from tapeemu.errors import ParameterError
from tapeemu.processors.wow_flutter import RotatingPart, WowFlutter

RATE = 48_000
STILL = {"rotating_parts": (), "random_percent": 0.0}
HOUR = 3_600 * RATE


def tone(frequency, samples, rate=RATE):
    return np.sin(2.0 * np.pi * frequency * np.arange(samples) / rate)


def deviation(recording, frequency, rate=RATE, edge=0.25):
    """Speed deviation in percent, from the phase of the analytic signal; the edges are cut."""
    phase = np.unwrap(np.angle(signal.hilbert(recording)))
    speed = 100.0 * (np.gradient(phase) * rate / (2.0 * np.pi * frequency) - 1.0)
    cut = int(edge * rate)
    return speed[cut:-cut]


def slow(values):
    """Everything below 480 Hz of a quantity at 48 kHz, at 1,200 Hz, without delay; the edges are cut."""
    return signal.decimate(signal.decimate(values, 8, ftype="fir"), 5, ftype="fir")[20:-20]


def weighted_two_sigma(recording, frequency, rate):
    """Independent meter: table of the weighting (dB linear over log frequency), level exceeded 5 % of the time."""
    speed = deviation(recording, frequency, rate)
    table = Path(__file__).parents[2] / "reference" / "flutter_weighting.csv"
    with table.open() as lines:
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    points = np.log([float(row["freq_hz"]) for row in rows])
    levels = np.array([float(row["response_db"]) for row in rows])
    spectrum = np.fft.rfft(speed - speed.mean())
    rates = np.fft.rfftfreq(speed.size, 1.0 / rate)
    weight = 10.0 ** (np.interp(np.log(np.maximum(rates, 1e-9)), points, levels) / 20.0)
    weight[(rates < 0.1) | (rates > 200.0)] = 0.0
    weighted = np.fft.irfft(spectrum * weight, speed.size)
    cut = 2 * rate
    return float(np.quantile(np.abs(weighted[cut:-cut]), 0.95))


def test_weighting_is_the_table():
    # Table of IEC 60386 / AES6, from memory (see the file's first line).
    with (Path(__file__).parents[2] / "reference" / "flutter_weighting.csv").open() as lines:
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    rates = np.array([float(row["freq_hz"]) for row in rows])
    levels = np.array([float(row["response_db"]) for row in rows])
    np.testing.assert_allclose(20.0 * np.log10(flutter_weighting(rates)), levels, atol=1e-9)
    # Below the table it falls on by 18 dB an octave, and a rate of zero weighs next to nothing.
    below, none = flutter_weighting(np.array([0.05, 0.0]))
    assert below == pytest.approx(10.0 ** ((levels[0] - 18.0) / 20.0))
    assert 0.0 <= none < 1e-12


def test_rotating_parts_appear_at_their_rate_and_depth():
    """0.2 to 200 Hz: each within 0.5 % and 0.1 Hz of the setting, by least squares on the demodulated speed."""
    wanted = {0.2: 0.1, 1.0: 0.05, 4.0: 0.15, 30.0: 0.1, 100.0: 0.05, 200.0: 0.02}
    parts = tuple(RotatingPart(rate_hz=rate, peak_percent=peak) for rate, peak in wanted.items())
    wow = WowFlutter(**{**STILL, "rotating_parts": parts}, seed=4)
    settled = math.ceil(wow._delay(RATE).settling_samples)
    got = deviation(wow(tone(3_150.0, 21 * RATE), sample_rate=RATE, start_sample=settled), 3_150.0)
    got = slow(got)
    t = np.arange(got.size) / (RATE / 40)
    window = np.hanning(got.size)
    for rate, peak in wanted.items():
        basis = [f(2 * np.pi * other * t) for other in wanted for f in (np.cos, np.sin)]
        fit = np.linalg.lstsq(np.stack([*basis, np.ones_like(t)], axis=1), got, rcond=None)[0]
        place = 2 * list(wanted).index(rate)
        assert math.hypot(fit[place], fit[place + 1]) == pytest.approx(peak, rel=0.005)
        near = np.linspace(max(0.1, rate - 0.3), rate + 0.3, 121)
        line = [abs(np.sum(window * got * np.exp(-2j * np.pi * f * t))) for f in near]
        assert near[int(np.argmax(line))] == pytest.approx(rate, abs=0.1)
    assert np.std(got - np.stack([*basis, np.ones_like(t)], axis=1) @ fit) < 5e-4


def test_deviation_is_recovered_to_a_millionth():
    """Round trip of the time axis: rms error below 1e-6 % to 480 Hz (a recording with 80 dB SNR: 3.4e-5 %)."""
    part = RotatingPart(rate_hz=2.0, peak_percent=0.2, phase_degrees=30.0)
    wow = WowFlutter(**{**STILL, "rotating_parts": (part,)})
    start = 200_000  # behind the first seconds, in which the tape settles
    assert start > wow._delay(RATE).settling_samples
    got = deviation(wow(tone(3_150.0, 2 * RATE), sample_rate=RATE, start_sample=start), 3_150.0)
    t = (start + RATE // 4 + np.arange(got.size)) / RATE
    exact = 0.2 * np.cos(2 * np.pi * 2.0 * t + math.radians(30.0))
    assert np.std(slow(got - exact)) < 1e-6
    assert abs(np.mean(slow(got - exact))) < 1e-6
    speed = wow.speed_percent(sample_rate=RATE, start_sample=start + RATE // 4, samples=got.size)
    np.testing.assert_allclose(speed, exact, atol=1e-6)


@pytest.mark.parametrize(
    # v / (pi D): computed by hand to three digits.
    ("speed", "diameter", "rate"),
    [(38.1, 8.0, 15.2), (38.1, 38.0, 3.19), (19.05, 5.0, 12.1), (4.7625, 2.0, 7.58), (9.525, 260.0, 0.117)],
)
def test_diameter_gives_the_rate(speed, diameter, rate):
    part = RotatingPart(diameter_mm=diameter, peak_percent=0.1)
    assert part.turns_per_second(speed) == pytest.approx(rate, rel=0.005)


@pytest.mark.parametrize("figure", [0.02, 0.3, 2.0])
@pytest.mark.parametrize("profile", [None, "studio", "domestic", "cassette", "portable", "worn"])
def test_the_weighted_figure_reads_as_set(figure, profile):
    """Within 5 % over 30 s, by a meter that shares nothing with the setting but the table."""
    rate = 16_000
    wow = WowFlutter(weighted_flutter_percent=figure, profile=profile, seed=12)
    recording = wow(tone(3_150.0, 35 * rate, rate), sample_rate=rate)
    assert weighted_two_sigma(recording, 3_150.0, rate) == pytest.approx(figure, rel=0.05)
    assert wow.weighted_figure_percent() == pytest.approx(figure, rel=1e-9)


def test_one_sine_reads_as_the_closed_form():
    # Weighted two-sigma of a sine: cos(0.025 pi) of the weighted peak.
    part = RotatingPart(rate_hz=10.0, peak_percent=0.1)
    wow = WowFlutter(**{**STILL, "rotating_parts": (part,)})
    wanted = 0.1 * 10 ** (-2.1 / 20) * math.cos(0.025 * math.pi)
    assert wow.weighted_figure_percent() == pytest.approx(wanted, rel=1e-3)


@pytest.mark.parametrize(("slope", "edges"), [(None, None), (-6.0, None), (0.0, (1.0, 1_000.0))])
def test_random_part_follows_its_slope_and_exceeds_its_setting_5_percent_of_the_time(slope, edges):
    """Third octaves from 2 Hz against f to the power of slope / 3.01, within 1 dB (all: test_modulation.py)."""
    rate = 8_000
    wow = WowFlutter(
        rotating_parts=(),
        random_percent=0.2,
        random_slope_db_per_octave=slope,
        random_band_hz=edges or (0.5, 100.0),
        seed=5,
    )
    settled = math.ceil(wow._delay(rate).settling_samples)
    speed = wow.speed_percent(sample_rate=rate, start_sample=settled, samples=200 * rate)
    assert np.quantile(np.abs(speed), 0.95) == pytest.approx(0.2, rel=0.06)
    frequencies, density = signal.welch(speed, rate, nperseg=8 * rate)
    centres = 2.0 * 2.0 ** (np.arange(18) / 3.0)
    bands = [(frequencies > c / 2 ** (1 / 6)) & (frequencies < c * 2 ** (1 / 6)) for c in centres]
    power = np.array([density[band].mean() for band in bands])
    wanted = np.array(
        [(frequencies[band] ** ((-3.0 if slope is None else slope) / 3.0103)).mean() for band in bands]
    )
    error = 10.0 * np.log10(power / wanted)
    assert np.max(np.abs(error - error.mean())) < 1.0


def test_scrape_lies_in_its_band():
    wow = WowFlutter(**STILL, scrape_percent=0.1, seed=5)
    speed = wow.speed_percent(sample_rate=RATE, start_sample=0, samples=4 * RATE)
    assert np.quantile(np.abs(speed), 0.95) == pytest.approx(0.1, rel=0.03)
    frequencies, density = signal.welch(speed, RATE, nperseg=1 << 13)
    inside = (frequencies > 70.0) & (frequencies < 5_500.0)
    assert density[inside].sum() > 0.98 * density.sum()


def test_no_time_error_after_an_hour():
    """Pulses one hour into the tape come out where the bounded delay says, and the delay has no trend."""
    wow = WowFlutter(profile="worn", seed=9)
    bound = wow.stream(sample_rate=RATE, channels=1).latency
    means = []
    sparse = wow._delay(8_000)
    for hour in (0, 1, 10):
        places = np.array([9_000, 20_000, 31_000, 42_000])
        pulses = np.exp(-0.5 * ((np.arange(RATE) - places[:, None]) / 10.0) ** 2).sum(axis=0)
        start = hour * HOUR
        got = wow(pulses, sample_rate=RATE, start_sample=start)
        delay = wow.delay_samples(sample_rate=RATE, start_sample=start, samples=RATE)
        assert np.max(np.abs(delay)) < bound
        for place in places:
            near = np.arange(place - bound - 100, place + bound + 100)
            centre = np.sum(near * got[near]) / np.sum(got[near])
            assert centre - delay[round(centre)] == pytest.approx(place, abs=0.02)
        long = [sparse.values(start // 6 + k * 80_000, 1)[0] for k in range(360)]
        means.append(np.mean(long) / np.std(long))
    assert np.max(np.abs(means)) < 0.2


def test_output_is_aligned_with_the_input(rng):
    audio = signal.lfilter(*signal.butter(2, 800.0, fs=RATE), rng.standard_normal((2, 2 * RATE)))
    wet = WowFlutter()(audio, sample_rate=RATE)
    assert wet.shape == audio.shape
    lag = signal.correlate(wet[0], audio[0], mode="full", method="fft")
    assert abs(int(np.argmax(lag)) - (audio.shape[1] - 1)) <= 12  # the momentary delay of a studio transport
    still = WowFlutter(**STILL)(audio, sample_rate=RATE)
    np.testing.assert_array_equal(still, audio)


def test_knob_at_zero_stands_still(rng):
    audio = rng.standard_normal(5_000)
    np.testing.assert_array_equal(WowFlutter(weighted_flutter_percent=0.0)(audio, sample_rate=RATE), audio)


@pytest.mark.parametrize("error", [-3.0, -0.4, 1.0, 3.0])
def test_speed_error_shifts_pitch_and_length(error):
    wow = WowFlutter(**STILL, speed_error_percent=error)
    got = wow(tone(3_150.0, 2 * RATE), sample_rate=RATE)
    assert got.size == round(2 * RATE / (1.0 + error / 100.0))
    assert np.max(np.abs(slow(deviation(got, 3_150.0) - error))) < 1e-5


@pytest.mark.parametrize("error", [-1.3, 0.7])
def test_a_later_start_is_a_cut_of_the_same_run(error, rng):
    """Stems that start elsewhere share the tape: exactly, also with a speed error and hours in."""
    wow = WowFlutter(profile="cassette", speed_error_percent=error, seed=3)
    origin = 7 * HOUR + 11
    audio = rng.standard_normal((2, 60_000))
    whole = wow(audio, sample_rate=RATE, start_sample=origin)
    ratio = round((1.0 + error / 100.0) * 2**52)
    skip = 25_001
    first = (origin * 2**52 + ratio // 2) // ratio
    later = ((origin + skip) * 2**52 + ratio // 2) // ratio - first
    cut = wow(audio[:, skip:], sample_rate=RATE, start_sample=origin + skip)
    np.testing.assert_array_equal(cut[:, 2_000:30_000], whole[:, later + 2_000 : later + 30_000])


def test_mixing_stems_and_rendering_commute(rng):
    first, second = rng.standard_normal((2, 2, 20_000))
    wow = WowFlutter(profile="portable")
    separate = wow(first, sample_rate=RATE) + wow(second, sample_rate=RATE)
    np.testing.assert_allclose(wow(first + second, sample_rate=RATE), separate, atol=1e-12)


def test_azimuth_delays_channels_against_each_other():
    skew = 20.0
    audio = np.stack([tone(1_000.0, RATE)] * 3)
    wow = WowFlutter(azimuth_skew_us=skew)
    later = 20 * RATE  # the first seconds are for settling
    wet = wow(audio, sample_rate=RATE, start_sample=later)
    phase = np.angle(signal.hilbert(wet))[:, 4_000:-4_000]
    late = -np.diff(np.unwrap(phase), axis=0) / (2 * np.pi * 1_000.0) * 1e6
    np.testing.assert_allclose((late + 500.0) % 1_000.0 - 500.0, skew, atol=0.05)
    middle = WowFlutter()(audio[1], sample_rate=RATE, start_sample=later)
    np.testing.assert_allclose(wet[1], middle, atol=1e-12)


@pytest.mark.parametrize(
    ("flutter", "seconds"),
    [
        ({}, 16.0),
        ({"weighted_flutter_percent": 0.02}, 16.0),
        ({"weighted_flutter_percent": 0.1}, 3.2),
    ],
)
def test_azimuth_is_reached_when_its_setting_says(flutter, seconds):
    """It was said to be within the first seconds; on a steady tape 100 microseconds take a quarter of a minute."""
    rate, part = 8_000, {"rate_hz": 4.0, "peak_percent": 0.1}
    wow = WowFlutter(
        rotating_parts=(part,) if flutter else (), random_percent=0.0, azimuth_skew_us=100.0, **flutter
    )
    audio = np.stack([tone(500.0, 1_600, rate)] * 2)

    def late(at):
        first, second = signal.hilbert(wow(audio, sample_rate=rate, start_sample=round(at * rate)))[:, 700:-700]
        return np.angle(first * second.conj()).mean() / (2 * np.pi * 500.0) * 1e6

    assert late(seconds - 0.1) == pytest.approx(100.0, abs=0.1)
    assert late(0.6 * seconds) < 80.0
    assert late(-seconds) == pytest.approx(100.0, abs=0.1)


def test_azimuth_wanders_by_its_setting():
    audio = np.stack([tone(1_000.0, 120 * 8_000, 8_000)] * 2)
    wow = WowFlutter(**STILL, azimuth_wander_us=30.0)
    phase = np.angle(signal.hilbert(wow(audio, sample_rate=8_000)))[:, 2_000:-2_000]
    late = -np.diff(phase, axis=0)[0]
    late = (late + np.pi) % (2 * np.pi) - np.pi
    reading = np.quantile(np.abs(late / (2 * np.pi * 1_000.0) * 1e6), 0.95)
    assert reading == pytest.approx(30.0, rel=0.2)  # two minutes of noise below 1 Hz
    alone = wow(audio[0], sample_rate=8_000)
    np.testing.assert_array_equal(alone, audio[0])


@pytest.mark.parametrize("rate", [22_050, 48_000, 192_000])
@pytest.mark.parametrize("profile", [None, "studio", "domestic", "cassette", "portable", "worn"])
def test_the_tape_settles_from_zero_too_slowly_to_be_heard(profile, rate):
    """Exactly no delay at position 0; the speed error of settling stays below 5 % of the weighted figure."""
    for seed in range(6):
        wow = WowFlutter(profile=profile, seed=seed)
        trajectory = wow._delay(rate)
        assert np.all(wow.delay_samples(sample_rate=rate, start_sample=0, samples=1) == 0.0)
        assert trajectory.settling_samples < 60 * rate
        count = math.ceil(trajectory.settling_samples)
        places = np.unique(np.linspace(-1.1 * count, 1.1 * count, 9).astype(int))
        unsettled = wow._delay(rate)
        unsettled.memory.plan[SETTLING] = 0.0
        for place in places:
            settled = trajectory.values(int(place), 600)
            plain = unsettled.values(int(place), 600)
            error = 100.0 * np.abs(np.diff(settled - plain))
            assert np.max(error) < 0.05 * wow.weighted_figure_percent()
            if abs(place) > count + 600:
                np.testing.assert_array_equal(settled, plain)


def test_channels_start_together_whatever_the_azimuth():
    wow = WowFlutter(azimuth_skew_us=500.0, azimuth_wander_us=500.0, profile="worn", seed=2)
    click = np.zeros((6, 2_000))
    click[:, 0] = 1.0
    np.testing.assert_array_equal(wow(click, sample_rate=RATE)[:, 0], np.ones(6))
    # And each goes to its own delay: seen late enough, the outer channels are 2.5 places apart from the middle.
    still = WowFlutter(**STILL, azimuth_skew_us=400.0)
    later = 600 * RATE
    places = np.array([10_000])
    pulses = np.stack([np.exp(-0.5 * ((np.arange(20_000) - places[0]) / 10.0) ** 2)] * 6)
    wet = still(pulses, sample_rate=RATE, start_sample=later)
    centres = wet @ np.arange(20_000) / wet.sum(axis=1)
    np.testing.assert_allclose(centres - places[0], (np.arange(6) - 2.5) * 400e-6 * RATE, atol=0.01)


def test_a_later_start_is_on_the_same_run_while_the_tape_settles():
    """The trajectory is a function of the place on the tape, also in the seconds in which it settles."""
    rng = np.random.default_rng(7)
    wow = WowFlutter(profile="worn", seed=37)
    assert wow._delay(RATE).settling_samples > 2 * RATE
    audio = rng.standard_normal((2, 2 * RATE))
    whole = wow(audio, sample_rate=RATE)
    cut = wow(audio[:, 30_001:], sample_rate=RATE, start_sample=30_001)
    np.testing.assert_array_equal(cut[:, 2_000:-2_000], whole[:, 32_001:-2_000])


@settings(max_examples=12, deadline=None)
@given(
    blocks=st.lists(st.sampled_from([0, 1, 2, 7, 97, 1_024, 16_384, 16_385]), min_size=1, max_size=5),
    error=st.sampled_from([0.0, -2.0, 1.1]),
    skew=st.sampled_from([0.0, 60.0]),
    taps=st.sampled_from([32, 48]),
)
def test_any_blocks_give_the_same_bits(blocks, error, skew, taps):
    rng = np.random.default_rng(5)
    audio = rng.standard_normal((3, 40_000))
    wow = WowFlutter(
        profile="worn", speed_error_percent=error, azimuth_skew_us=skew, azimuth_wander_us=skew, reader_taps=taps
    )
    expected, cut = (
        in_blocks(wow.stream(sample_rate=RATE, channels=3, start_sample=-9_000), audio, sizes, tail=10)
        for sizes in ([40_000], [*blocks, 40_000])
    )
    np.testing.assert_array_equal(cut, expected)


def test_seed_changes_the_tape_and_nothing_else_does(rng):
    audio = rng.standard_normal(4_000)
    wow = WowFlutter(seed=5)
    np.testing.assert_array_equal(wow(audio, sample_rate=RATE), WowFlutter(seed=5)(audio, sample_rate=RATE))
    assert not np.array_equal(wow(audio, sample_rate=RATE), WowFlutter(seed=6)(audio, sample_rate=RATE))
    assert wow.with_seed(8) != wow.with_seed(9)


@pytest.mark.parametrize(
    ("values", "text"),
    [
        ({"rotating_parts": ({"peak_percent": 0.1},)}, "has neither rate_hz nor diameter_mm"),
        (
            {"rotating_parts": ({"peak_percent": 0.1, "rate_hz": 1, "diameter_mm": 3},)},
            "has both rate_hz and diameter_mm",
        ),
        (
            {"rotating_parts": ({"peak_percent": 0.1, "diameter_mm": 0.5},), "tape_speed_cm_s": 76.2},
            "turns at 485 Hz",
        ),
        ({"profile": "studio", "random_percent": 0.3}, "random_percent is set, but profile is 'studio'"),
        ({"profile": "studio", "random_percent": 0.03}, "random_percent is set, but profile is 'studio'"),
        ({"profile": "worn", "rotating_parts": ()}, "rotating_parts is set, but profile is 'worn'"),
        ({"profile": "worn", "scrape_percent": 0.1}, "scrape_percent is set, but profile is 'worn'"),
        ({"rotating_parts": (), "tape_speed_cm_s": 19.05}, "no rotating part is given by its diameter"),
        (
            {"rotating_parts": ({"peak_percent": 0.1, "rate_hz": 1.0},), "tape_speed_cm_s": 19.05},
            "no rotating part is given by its diameter",
        ),
        ({**STILL, "weighted_flutter_percent": 0.1}, "nothing to scale"),
        ({"rotating_parts": ({"peak_percent": 9.0, "rate_hz": 1},) * 3}, "must stay within 20 %"),
        ({"random_band_hz": (6.0, 0.5)}, "random_band_hz is 6 to 0.5 Hz"),
        ({"random_band_hz": (6.0, 11.0)}, "2 times its lower edge"),
        ({"scrape_percent": 0.1, "scrape_band_hz": (40.0, 900.0)}, "within 50 to 20000 Hz"),
        ({"weighted_flutter_percent": -1.0}, "weighted_flutter_percent is -1.0"),
        ({"speed_error_percent": 4.0}, "speed_error_percent is 4.0, but must be -3 to 3 %"),
        ({"random_percents": 0.1}, "did you mean 'random_percent'"),
    ],
)
def test_refuses_what_cannot_be(values, text):
    with pytest.raises(ParameterError, match=text):
        WowFlutter(**values)


def test_parts_survive_a_preset():
    wow = WowFlutter(rotating_parts=(RotatingPart(rate_hz=1.5, peak_percent=0.2),), random_band_hz=(0.4, 5.0))
    assert WowFlutter.from_dict(wow.to_dict()) == wow
    assert eval(repr(wow), {"WowFlutter": WowFlutter, "RotatingPart": RotatingPart}) == wow


def test_a_weighted_figure_beyond_five_percent_is_refused() -> None:
    with pytest.raises(ParameterError, match=r"weighted_flutter_percent is 5\.01, but must be 0 to 5 %"):
        WowFlutter(profile="worn", weighted_flutter_percent=5.01)


def test_tracks_of_a_multitrack_stand_askew_each_by_its_own_constant() -> None:
    """By definition: zero at the tape's beginning, later a constant within the range, even over many tracks."""
    tape = WowFlutter(track_skew_us=80.0, seed=5)
    plain = WowFlutter(seed=5)
    far = 600 * RATE
    common = plain.delay_samples(sample_rate=RATE, start_sample=far, samples=1_000)
    skews = []
    for track in range(40):
        apart = tape.delay_samples(sample_rate=RATE, start_sample=far, samples=1_000, track=track) - common
        assert np.ptp(apart) < 1e-9
        skews.append(1e6 * apart[0] / RATE)
        assert tape.delay_samples(sample_rate=RATE, start_sample=0, samples=1, track=track)[0] == 0.0
    assert np.max(np.abs(skews)) <= 80.0
    assert len(np.unique(skews)) == 40
    # Evenly drawn: a standard deviation of 80 / sqrt(3), within 3 sigma of its own scatter.
    assert 46.2 * 0.75 < np.std(skews) < 46.2 * 1.25


def test_the_skew_of_a_track_is_heard() -> None:
    """The phase of a tone between two tracks."""
    tape = WowFlutter(weighted_flutter_percent=0.0, track_skew_us=100.0, seed=9)
    far, hz = 900 * RATE, 1_000.0
    tone = np.sin(2.0 * np.pi * hz * np.arange(9_600) / RATE)
    turn = np.exp(-2j * np.pi * hz * np.arange(2_400, 7_200) / RATE)

    def phase(track: int) -> float:
        stream = tape.stream(sample_rate=RATE, channels=1, start_sample=far, track=track)
        heard = stream.process(tone[np.newaxis])[0][stream.latency :]
        return float(np.angle(np.sum(heard[2_400:7_200] * turn)))

    lag = [
        float(tape.delay_samples(sample_rate=RATE, start_sample=far, samples=1, track=track)[0])
        for track in (1, 2)
    ]
    assert abs(lag[0] - lag[1]) > 0.1
    assert phase(1) - phase(2) == pytest.approx(2.0 * np.pi * hz * (lag[1] - lag[0]) / RATE, abs=1e-5)


def test_what_is_set_where_no_part_moves_is_told_and_nothing_else():
    reason = "no part of the transport moves"
    assert WowFlutter(weighted_flutter_percent=0.0).idle() == {}
    assert WowFlutter(weighted_flutter_percent=0.0, reader_taps=48, seed=3).idle() == {
        "reader_taps": reason,
        "seed": reason,
    }
    assert WowFlutter(weighted_flutter_percent=0.0, reader_taps=48, speed_error_percent=1.0).idle() == {}


def test_a_band_of_scrape_that_is_left_out_is_the_one_that_its_help_names():
    help_text = WowFlutter.model_fields["scrape_band_hz"].description
    assert "100 to 5000" in help_text
    left_out, named = (
        WowFlutter(scrape_percent=0.3, seed=5, **band).delay_samples(sample_rate=RATE, start_sample=0, samples=600)
        for band in ({}, {"scrape_band_hz": (100.0, 5000.0)})
    )
    np.testing.assert_array_equal(left_out, named)
