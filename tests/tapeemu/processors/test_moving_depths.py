"""Depths of what moves the tape, along curves.

Truth: closed forms of single sines, scipy, and the laboratory, which shares nothing with what it measures.
"""

from typing import Any

import numpy as np
import pytest
from fed_blocks import in_blocks
from moving_settings import curve, moved
from scipy import signal, stats

from measure import flutter
from tapeemu import AmplitudeFlutter, HeadAzimuth, WowFlutter
from tapeemu.errors import ParameterError
from tapeemu.processors.amplitude_flutter import LevelPart
from tapeemu.processors.wow_flutter import RotatingPart

RATE = 48_000


def tone(hertz: float, first: int, samples: int) -> Any:
    return np.sin(2.0 * np.pi * hertz * np.arange(first, first + samples) / RATE)


# --- wow and flutter ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("hours", [0, 10])
def test_one_sine_whose_depth_grows_reads_where_the_closed_form_says(hours: int) -> None:
    """``d = -(depth / (2 pi r)) sin(2 pi r t)`` of a speed that is a cosine, and rises by a line.

    A sine that stands at zero at tape position 0 has nothing to settle. 1e-5 of a tone of 1 kHz are 2 ns.
    """
    start = 100 * RATE + hours * 3600 * RATE
    turning = RotatingPart(rate_hz=2.0, peak_percent=0.1, phase_degrees=0.0)
    machine = WowFlutter(rotating_parts=(turning,), random_percent=0.0, reader_taps=48)
    figure = machine.kernel_settings().figure_percent
    first, last = start / RATE, start / RATE + 0.5
    made = moved(machine, curve("weighted_flutter_percent", (first, 0.0), (last, 4.0 * figure)))
    heard = made(tone(1000.0, start, 20_000), RATE, start_sample=start)
    n = np.arange(2_000, 18_000)
    depth = 4.0 * 0.1e-2 * (n / RATE / 0.5)
    seconds = np.remainder(n + start, RATE // 2) / RATE  # whole turns are left out: hour ten is exact here too
    late = -depth / (2.0 * np.pi * 2.0) * np.sin(2.0 * np.pi * 2.0 * seconds)
    expected = np.sin(2.0 * np.pi * 1000.0 * (n / RATE - late))
    assert np.max(np.abs(late)) > 1e-4
    assert np.max(np.abs(heard[2_000:18_000] - expected)) < 1.3e-5


def test_the_depth_of_wow_adds_the_speed_error_that_its_slope_times_the_delay_is() -> None:
    """Of the sine above: ``-d'`` has the sine's speed in it, and ``-depth' U``; a jump is the steepest slope.

    By the rise of a cubic spline, a jump goes at most at 3/4 of its height in 5 ms.
    """
    turning = RotatingPart(rate_hz=2.0, peak_percent=0.1, phase_degrees=0.0)
    machine = WowFlutter(rotating_parts=(turning,), random_percent=0.0, reader_taps=48)
    start, figure = 100 * RATE, machine.kernel_settings().figure_percent
    jump = start + RATE // 8 + 120  # where the delay is about largest, and two means meet
    made = moved(machine, curve("weighted_flutter_percent", (jump / RATE, 0.0, "hold"), (jump / RATE, figure)))
    heard = made(tone(1000.0, start, 12_000), RATE, start_sample=start)
    aligned = np.exp(-2j * np.pi * 1000.0 * np.arange(12_000) / RATE) * heard
    window = np.hanning(97) / np.sum(np.hanning(97))  # two periods: the sum at twice the tone is gone
    phase = np.unwrap(np.angle(np.convolve(aligned, window, mode="same")[3_000:9_000]))
    fastest = np.max(np.abs(np.gradient(phase))) * RATE / (2.0 * np.pi * 1000.0)
    height = 0.1e-2 / (2.0 * np.pi * 2.0)
    assert fastest == pytest.approx(0.75 * height / 0.005, rel=0.08)
    assert fastest < 150.0 * height + 0.1e-2


@pytest.mark.parametrize("profile", [None, "cassette"])
def test_flutter_in_windows_along_a_curve_reads_what_the_curve_says(profile: Any) -> None:
    """By the laboratory's meter, within its doubt: three steps of the knob, each held for ten seconds."""
    rate, steps = 16_000, (0.1, 0.6, 0.25)
    points = [(10.0 * k, value, "hold") for k, value in enumerate(steps)]
    made = moved(WowFlutter(profile=profile, seed=4), curve("weighted_flutter_percent", *points))
    heard = made(np.sin(2.0 * np.pi * 3150.0 * np.arange(30 * rate) / rate), rate)
    for k, value in enumerate(steps):
        window = heard[10 * k * rate + rate // 10 : 10 * (k + 1) * rate - rate // 10]
        read = flutter(window, rate).weighted["two_sigma"]
        assert abs(read.value - value) <= 2.0 * read.uncertainty < 0.4 * value, (k, read)


@pytest.mark.long
def test_parts_move_each_by_its_own_depth() -> None:
    """Rotating parts that stay, noise that grows and scrape flutter that falls, against each of them alone.

    The delays add up, and a tone shows their sum; far behind the tape's first seconds, where nothing settles.
    """
    start, samples = 400 * RATE, 24_000
    turning = (RotatingPart(rate_hz=3.0, peak_percent=0.1),)
    noise = {"random_percent": 0.2, "seed": 9}
    scrape = {"scrape_percent": 0.3, "scrape_band_hz": (100.0, 400.0), "seed": 9}
    machine = WowFlutter(rotating_parts=turning, reader_taps=48, **{**noise, **scrape})
    first, last = start / RATE, start / RATE + 0.5
    made = moved(
        machine,
        curve("random_percent", (first, 0.0), (last, 0.2)),
        curve("scrape_percent", (first, 0.3), (last, 0.1)),
    )
    heard = made(tone(1000.0, start, samples), RATE, start_sample=start)
    where: dict[str, Any] = {"sample_rate": RATE, "start_sample": start, "samples": samples}
    alone = [
        each.delay_samples(**where)
        for each in (
            WowFlutter(rotating_parts=turning, random_percent=0.0, seed=9),
            WowFlutter(rotating_parts=(), **noise),
            WowFlutter(rotating_parts=(), random_percent=0.0, **scrape),
        )
    ]
    way = np.arange(samples) / (0.5 * RATE)
    late = alone[0] + way * alone[1] + (1.0 - way * 2.0 / 3.0) * alone[2]
    part = slice(2_000, 22_000)
    expected = np.sin(2.0 * np.pi * 1000.0 * (np.arange(samples) - late) / RATE)
    assert all(np.max(np.abs(each)) > 0.05 for each in alone)
    assert np.max(np.abs(heard[part] - expected[part])) < 2e-5


def test_the_skew_of_a_track_stays_while_the_depth_moves() -> None:
    tape = WowFlutter(track_skew_us=200.0, random_percent=0.0, seed=3)
    still = tape.replace(weighted_flutter_percent=0.0)
    start = 400 * RATE
    audio = tone(1000.0, start, 9_600)
    points = ((start / RATE, 0.3, "hold"), (start / RATE + 0.05, 0.0))
    for track in (0, 5):
        heard = moved(tape, curve("weighted_flutter_percent", *points))(
            audio, RATE, start_sample=start, track=track
        )
        expected = still(audio, RATE, start_sample=start, track=track)
        assert np.max(np.abs(heard[4_000:9_000] - expected[4_000:9_000])) < 1e-4


@pytest.mark.parametrize("error", [-3.0, 0.0, 1.7])
@pytest.mark.parametrize("start", [-300, 0, 36_000 * RATE + 77])
def test_no_cut_changes_a_sample_at_any_speed(error: float, start: int) -> None:
    """Blocks of one sample and of many, also where the tape is too fast or too slow, and at tape position 0."""
    rng = np.random.default_rng(4)
    audio = 0.3 * rng.standard_normal((2, 4_000))
    machine = WowFlutter(speed_error_percent=error, azimuth_skew_us=20.0, track_skew_us=30.0, scrape_percent=0.1)
    at = start / RATE
    made = moved(
        machine,
        curve("random_percent", (at, 0.0), (at + 0.04, 1.0, "hold"), (at + 0.05, 0.1)),
        curve("scrape_percent", (at + 0.02, 0.0, "hold"), (at + 0.03, 1.0)),
    )
    came = []
    for sizes in ((4_000,), (1, 700, 0, 37), (241,)):
        stream, parts, begin, turn = made.stream(sample_rate=RATE, channels=2, start_sample=start), [], 0, 0
        while begin < audio.shape[1]:
            size = sizes[turn % len(sizes)]
            parts.append(stream.process(audio[:, begin : begin + size]))
            begin, turn = begin + size, turn + 1
        came.append(np.concatenate([*parts, stream.flush(0)], axis=1))
    assert (
        abs(came[0].shape[1] - 4_000 / (1.0 + error / 100.0) - made.stream(sample_rate=RATE, channels=2).latency)
        < 2
    )
    assert np.array_equal(came[0], came[1])
    assert np.array_equal(came[0], came[2])


def test_the_tape_still_begins_at_zero_and_never_reads_ahead() -> None:
    """At tape position 0 the delay is none whatever the depth, so a click there comes out as it went in."""
    click = np.zeros(2_000)
    click[0] = 1.0
    points = ((0.0, 5.0), (0.01, 0.2), (0.02, 5.0))
    made = moved(WowFlutter(profile="worn", seed=8), curve("weighted_flutter_percent", *points))
    heard = made(click, RATE)
    assert heard[0] == pytest.approx(1.0, abs=1e-12)
    most = WowFlutter(profile="worn", seed=8, weighted_flutter_percent=5.0)
    assert made.stream(sample_rate=RATE, channels=1).latency == most.stream(sample_rate=RATE, channels=1).latency


def test_what_is_scaled_to_a_figure_cannot_move_beside_it() -> None:
    for made in (WowFlutter(weighted_flutter_percent=0.1), WowFlutter()):
        figure = curve("weighted_flutter_percent", (0.0, 0.1), (1.0, 0.2))
        others = () if made.weighted_flutter_percent else (figure,)
        with pytest.raises(ParameterError, match="cannot follow a curve here: weighted_flutter_percent scales"):
            moved(made, curve("random_percent", (0.0, 0.1), (1.0, 0.2)), *others)
    with pytest.raises(ParameterError, match="brings its own parts"):
        moved(WowFlutter(profile="worn"), curve("random_percent", (0.0, 0.1)))


# --- amplitude flutter -------------------------------------------------------------------------------------


def breathing(**values: Any) -> AmplitudeFlutter:
    part = LevelPart(rate_hz=3.0, peak_db=2.0, phase_degrees=40.0)
    return AmplitudeFlutter(**{"periodic_parts": (part,), "random_db": 0.0, **values})


@pytest.mark.parametrize("hours", [0, 10])
def test_a_level_that_breathes_more_and_more_is_the_closed_form(hours: int) -> None:
    start = RATE + hours * 3600 * RATE
    at = start / RATE
    made = moved(breathing(), curve("periodic_percent", (at, 0.0), (at + 0.5, 100.0)))
    heard = made(np.ones(24_000), RATE, start_sample=start)
    n = np.arange(2_000, 22_000)
    wave = np.cos(2.0 * np.pi * 3.0 * n / RATE + np.deg2rad(40.0))
    assert np.max(np.abs(20.0 * np.log10(heard[2_000:22_000]) - n / RATE / 0.5 * 2.0 * wave)) < 2e-6


def test_in_spacing_mode_the_level_at_the_frequency_breathes_as_well() -> None:
    """Envelope by scipy's analytic signal; the filters follow their law within 2 %."""
    made = moved(breathing(mode="spacing"), curve("periodic_percent", (1.0, 20.0), (1.5, 100.0)))
    heard = made(tone(10_000.0, RATE, 24_000), RATE, start_sample=RATE)
    part = np.arange(3_000, 21_000)
    level = 20.0 * np.log10(np.abs(signal.hilbert(heard))[part])
    wave = 2.0 * np.cos(2.0 * np.pi * 3.0 * part / RATE + np.deg2rad(40.0))
    assert np.max(np.abs(level - (0.2 + 0.8 * part / 24_000) * wave)) < 0.02 * 2.0


@pytest.mark.parametrize("parts", [(), (LevelPart(rate_hz=5.0, peak_db=1.0),)])
@pytest.mark.parametrize("correlation", [1.0, 0.4])
def test_random_levels_exceed_what_the_curve_says_for_5_percent_of_the_time(
    parts: Any, correlation: float
) -> None:
    """Steps of 20 s at 8 kHz, by scipy's quantile of the Gaussian; sines go on as they are set."""
    rate, steps = 8_000, (2.0, 0.0, 0.5)
    points = [(20.0 * k, value, "hold") for k, value in enumerate(steps)]
    made = moved(
        AmplitudeFlutter(periodic_parts=parts, channel_correlation=correlation, seed=6),
        curve("random_db", *points),
    )
    heard = made(np.ones((2, 60 * rate)), rate)
    sines = AmplitudeFlutter(periodic_parts=parts, random_db=0.0, seed=6)(np.ones((2, 60 * rate)), rate)
    level = 20.0 * np.log10(heard / sines)
    for k, value in enumerate(steps):
        part = level[:, 20 * k * rate + 600 : 20 * (k + 1) * rate - 600]
        assert stats.norm.ppf(0.975) * np.std(part, axis=1) == pytest.approx([value] * 2, rel=0.1, abs=1e-9)
        if value:
            assert np.corrcoef(part)[0, 1] == pytest.approx(correlation, abs=0.1)


@pytest.mark.parametrize("hours", [0, 10])
def test_dropouts_stay_and_follow_their_depth(hours: int) -> None:
    """The depth by the law of its place between the limits, in the dips of the list, made here."""
    start = RATE + hours * 3600 * RATE
    at, lengths = start / RATE, {"dropout_shortest_ms": 10.0, "dropout_longest_ms": 60.0}
    tape = AmplitudeFlutter(random_db=0.0, dropouts_per_minute=900.0, dropout_least_db=2.0, **lengths, seed=7)
    heard = moved(tape, curve("dropout_most_db", (at, 6.0), (at + 0.5, 12.0)))(
        np.ones(24_000), RATE, start_sample=start
    )
    seconds = at + np.arange(24_000) / RATE
    most, expected = 6.0 + 12.0 * (seconds - at), np.zeros(24_000)
    for centre, depth, length in tape.dropouts(at - 1.0, at + 1.5):
        share = np.log(depth / 2.0) / np.log(tape.dropout_most_db / 2.0)
        edge = np.clip((np.abs(seconds - centre) - 0.25e-3 * length) / (0.5e-3 * length), 0.0, 1.0)
        shape = 0.5 + 0.5 * np.cos(np.pi * edge)
        expected = np.maximum(expected, 2.0 * (most / 2.0) ** share * shape)
    part = slice(2_000, 22_000)
    assert np.ptp(expected[part]) > 5.0
    assert np.max(np.abs(20.0 * np.log10(heard) + expected)[part]) < 2e-4


@pytest.mark.parametrize("mode", ["gain", "spacing"])
def test_no_cut_and_no_beginning_changes_a_dropout(mode: Any) -> None:
    tape = AmplitudeFlutter(
        mode=mode, dropouts_per_minute=3_000.0, dropout_least_db=1.0, seed=7, dropouts_on_all_channels=False
    )
    made = moved(
        tape,
        curve("dropout_most_db", (0.05, 2.0, "hold"), (0.1, 40.0), (0.13, 10.0, "smooth"), (0.2, 20.0)),
        curve("random_db", (0.1, 0.3, "hold"), (0.12, 2.0), (0.2, 0.3)),
    )
    audio = 0.3 * np.random.default_rng(4).standard_normal((2, 12_000))
    came = [
        in_blocks(made.stream(sample_rate=RATE, channels=2), audio, sizes, tail=0)
        for sizes in ((12_000,), (1, 700, 0, 37) * 16, (241,))
    ]
    assert np.array_equal(came[0], came[1])
    assert np.array_equal(came[0], came[2])
    first = 5_001
    audio[:, :first] = 0.0
    whole = made(audio, RATE)
    assert np.array_equal(
        made(audio[:, first:], RATE, start_sample=first)[:, 200:-200], whole[:, first + 200 : -200]
    )


# --- azimuth -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("hours", [0, 10])
def test_a_head_that_turns_delays_by_its_geometry(hours: int) -> None:
    """``s tan(a) / v`` of an angle on a line through zero; a nanosecond is 6e-6 of a tone of 1 kHz."""
    start = RATE + hours * 3600 * RATE
    at = start / RATE
    made = moved(HeadAzimuth(wander_urad=0.0), curve("azimuth_urad", (at, -2_000.0), (at + 0.5, 4_000.0)))
    heard = made(np.array([tone(1000.0, start, 24_000)] * 2), RATE, start_sample=start)
    n = np.arange(2_000, 22_000)
    tangent = np.tan(1e-6 * (-2_000.0 + 6_000.0 * n / 24_000))
    late = 3.95e-3 * tangent / 0.381
    loss = np.sinc(1000.0 * 2e-3 * tangent / 0.381)
    for channel, share in enumerate((-0.5, 0.5)):
        expected = loss * np.sin(2.0 * np.pi * 1000.0 * (n / RATE - share * late))
        assert np.max(np.abs(heard[channel, 2_000:22_000] - expected)) < 2e-5


def test_a_head_wanders_by_what_its_curve_says() -> None:
    """Steps of 10 s at 16 kHz: the phase between channels by scipy's analytic signal, 1.96 of its deviations."""
    rate, steps = 16_000, (300.0, 0.0, 1_000.0)
    points = [(10.0 * k, value, "hold") for k, value in enumerate(steps)]
    head = HeadAzimuth(azimuth_urad=0.0, wander_low_hz=1.0, wander_high_hz=40.0, seed=5)
    pilot = np.sin(2.0 * np.pi * 2000.0 * np.arange(30 * rate) / rate)
    heard = moved(head, curve("wander_urad", *points))(np.array([pilot, pilot]), rate)
    one, two = signal.hilbert(heard, axis=1)
    late = np.angle(one * np.conj(two)) / (2.0 * np.pi * 2000.0)
    for k, value in enumerate(steps):
        part = late[10 * k * rate + 1_000 : 10 * (k + 1) * rate - 1_000] * 0.381 / 3.95e-3 * 1e6
        assert stats.norm.ppf(0.975) * np.std(part) == pytest.approx(value, rel=0.1, abs=0.5)


def test_a_wander_that_begins_later_and_ends_is_the_one_of_its_seed() -> None:
    """From a standing head to the whole wander: there it is the head that wandered all along."""
    audio = 0.3 * np.random.default_rng(2).standard_normal((3, 12_000))
    head = HeadAzimuth(wander_urad=0.0)
    heard = moved(head, curve("wander_urad", (0.05, 0.0, "hold"), (0.1, 200.0)))(audio, RATE)
    assert np.max(np.abs(heard - head(audio, RATE))[:, :1_800]) < 1e-13
    later = head.replace(wander_urad=200.0)(audio, RATE)
    assert np.max(np.abs(heard - later)[:, 5_600:]) < 1e-13
    assert np.max(np.abs(heard - later)) > 1e-3
