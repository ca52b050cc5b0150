"""Azimuth, crosstalk and print-through, read from systems that are made here, and from those of the suite."""

import math
from collections.abc import Callable

import numpy as np
import pytest

import measure
import tapeemu
from measure.errors import MeasureError
from measure.parts.signals import print_through_burst
from measure.quantities.print_through import print_through_of_recording
from measure.validation import FloatArray

RATE = 48_000


def tone(hz: float, seconds: float, late_us: FloatArray | float = 0.0) -> FloatArray:
    time = np.arange(round(seconds * RATE)) / RATE - 1e-6 * np.asarray(late_us)
    return np.asarray(0.1 * np.sin(2.0 * np.pi * hz * time))


@pytest.mark.parametrize("late_us", [0.0, 3.11, -250.0])
def test_delay_between_channels_is_read_to_a_nanosecond(late_us: float) -> None:
    both = np.stack([tone(1000.0, 2.0), 0.5 * tone(1000.0, 2.0, late_us)])
    read = measure.azimuth(both, RATE, frequency_hz=1000.0)
    assert read.delay.value == pytest.approx(late_us, abs=1e-3)
    assert read.wander.value < 1e-6


def test_wander_of_a_sine_is_what_it_exceeds_for_a_twentieth_of_the_time() -> None:
    """``sin`` exceeds cos(0.025 pi) = 0.9969 of its peak for 5 % of the time, either way."""
    time = np.arange(20 * RATE) / RATE
    both = np.stack([tone(3150.0, 20.0), tone(3150.0, 20.0, 5.0 + 2.0 * np.sin(2.0 * np.pi * 0.5 * time))])
    read = measure.azimuth(both, RATE, frequency_hz=3150.0)
    assert read.wander.value == pytest.approx(2.0 * math.cos(0.025 * math.pi), rel=0.01)
    assert read.delay.value == pytest.approx(5.0, abs=0.02)


def test_azimuth_says_why_there_is_none() -> None:
    with pytest.raises(MeasureError, match="lies between two"):
        measure.azimuth(tone(1000.0, 1.0), RATE)
    silent = np.stack([tone(1000.0, 1.0), np.zeros(RATE)])
    noise = np.random.default_rng(1).standard_normal((2, RATE))
    # Two pairs of tones within a frame's width: their beats come and go by themselves.
    beats = np.stack([tone(1000.0, 1.0) + tone(1000.0 + hz, 1.0) for hz in (3.0, 7.0)])
    # The second tone turns against the first for ever.
    apart = np.stack([tone(1000.0, 1.0), tone(1003.0, 1.0)])
    for recording, why in (
        (silent, "silent"),
        (noise, "no tone of 1000 Hz"),
        (noise[:, :3000], "too short"),
        (beats, "do not share one tone of 1000 Hz"),
        (apart, "more than a quarter of the tone's period"),
    ):
        read = measure.azimuth(recording, RATE)
        assert math.isnan(read.delay.value)
        assert why in read.delay.warnings[0]


def test_azimuth_of_the_suite_is_read_as_set() -> None:
    head = tapeemu.HeadAzimuth(azimuth_urad=1200.0, wander_urad=300.0, tape_speed_cm_s=9.525)
    heard = head(np.stack([tone(3150.0, 60.0)] * 2), RATE)[:, RATE:-RATE]
    read = measure.azimuth(heard, RATE, frequency_hz=3150.0)
    told = head.delay_us(sample_rate=RATE, start_sample=RATE, samples=58 * RATE)
    assert read.delay.value == pytest.approx(np.mean(told), abs=0.03)
    assert read.wander.value == pytest.approx(np.quantile(np.abs(told - np.mean(told)), 0.95), rel=0.02)
    still = head.replace(wander_urad=0.0)(np.stack([tone(3150.0, 2.0)] * 2), RATE)[:, 4800:-4800]
    wanted = 0.1 * 3.95 / 9.525 * math.tan(1200e-6) * 1e6
    assert measure.azimuth(still, RATE, frequency_hz=3150.0).delay.value == pytest.approx(wanted, abs=1e-3)


def leaking(gain_db: float, noise: float = 0.0) -> Callable[[FloatArray, float], FloatArray]:
    def system(audio: FloatArray, sample_rate: float) -> FloatArray:
        leak = np.stack([audio[0], audio[1] + 10.0 ** (gain_db / 20.0) * audio[0]])
        return 0.5 * leak + noise * np.random.default_rng(1).standard_normal(audio.shape)

    return system


def test_crosstalk_is_read_re_the_driven_channel_with_its_doubt() -> None:
    clean = measure.crosstalk(leaking(-47.0), RATE, frequencies_hz=(31.5, 1000.0, 16_000.0))
    np.testing.assert_allclose(clean.curve.y, -47.0, atol=1e-6)
    errors = []
    noisy = measure.crosstalk(leaking(-47.0, noise=1e-3), RATE)
    for reading in noisy.levels:
        errors.append((reading.value + 47.0) / reading.uncertainty)
    assert 0.3 < np.std(errors) < 2.0
    (nothing,) = measure.crosstalk(leaking(-110.0, noise=1e-3), RATE, frequencies_hz=(1000.0,)).levels
    assert math.isnan(nothing.value)
    assert "nothing is heard at 1000 Hz" in nothing.warnings[0]
    with pytest.raises(MeasureError, match="must differ and lie from 0 to 1"):
        measure.crosstalk(leaking(-47.0), RATE, silent=2)


def test_crosstalk_of_the_suite_follows_its_laws() -> None:
    crosstalk = tapeemu.Crosstalk(fringing_db=-32.0, coupling_db=-52.0)
    read = measure.crosstalk(crosstalk, RATE)
    hz = read.curve.x
    fringing = 10.0 ** (-32.0 / 20.0) * np.exp(-2.0 * np.pi * hz * 0.75e-3 / 0.381)
    expected = np.hypot(fringing, 10.0 ** (-52.0 / 20.0) * hz / 1000.0)
    np.testing.assert_allclose(read.curve.y, 20.0 * np.log10(expected), atol=0.1)


def echoing(pre_db: float, post_db: float, seconds: float, noise: float = 0.0) -> tapeemu.Processor:
    def system(audio: FloatArray, sample_rate: float) -> FloatArray:
        late = round(seconds * sample_rate)
        out = audio + noise * np.random.default_rng(2).standard_normal(audio.size)
        out[late:] += 10.0 ** (post_db / 20.0) * audio[:-late]
        out[:-late] += 10.0 ** (pre_db / 20.0) * audio[late:]
        return out

    return system  # type: ignore[return-value]


@pytest.mark.parametrize("noise", [0.0, 3e-4])
def test_echoes_before_and_behind_are_told_apart(noise: float) -> None:
    read = measure.print_through(echoing(-52.0, -47.0, 0.8, noise), RATE, longest_seconds=1.5)
    assert read.pre.value == pytest.approx(-52.0, abs=3.0 * read.pre.uncertainty + 1e-3)
    assert read.post.value == pytest.approx(-47.0, abs=3.0 * read.post.uncertainty + 1e-3)
    assert read.post.uncertainty < 0.3
    within = 3e-3 if noise else 0.05 / RATE
    assert read.pre_seconds.value == pytest.approx(0.8, abs=within)
    assert read.post_seconds.value == pytest.approx(0.8, abs=within)


def test_the_doubt_of_an_echo_is_its_scatter_in_noise() -> None:
    """Sixty noises; the bend of the crest tells how far noise moves it, a fourth of what was said."""
    burst = print_through_burst(8_000.0, level_dbfs=0.0, silence_seconds=0.5)
    off = []
    for seed in range(60):
        heard = burst + 0.01 * np.random.default_rng(seed).standard_normal(burst.size)
        heard[2_400:] += 0.01 * burst[:-2_400]
        read = print_through_of_recording(heard, 8_000.0)
        off.append(
            (
                (read.post.value + 40.0) / read.post.uncertainty,
                (read.post_seconds.value - 0.3) / read.post_seconds.uncertainty,
            )
        )
    assert np.sqrt(np.mean(np.square(off), axis=0)) == pytest.approx(1.0, abs=0.25)


def test_no_echo_is_no_figure() -> None:
    read = measure.print_through(lambda audio, rate: audio, RATE, longest_seconds=0.5)
    assert all(math.isnan(each.value) for each in (read.pre, read.post, read.pre_seconds, read.post_seconds))
    assert "no echo stands out before the sound" in read.pre.warnings[0]
    gone = measure.print_through(lambda audio, rate: 0.0 * audio, RATE, longest_seconds=0.5)
    assert "does not come back" in gone.post.warnings[0]
    with pytest.raises(MeasureError, match=r"between 0\.2 and 30"):
        measure.print_through(lambda audio, rate: audio, RATE, longest_seconds=0.1)


@pytest.mark.parametrize("stored", ["tails_out", "heads_out"])
def test_print_through_of_the_suite_in_level_and_time(stored: str) -> None:
    """At the peak, within 0.1 dB and a sample; where the echo lies follows from the reel's radius there."""
    reel = tapeemu.PrintThrough.model_validate(
        {"level_db": -50.0, "asymmetry_db": 4.0, "stored": stored, "hub_radius_mm": 50.0, "full_radius_mm": 55.0}
    )
    read = measure.print_through(reel, RATE, frequency_hz=reel.peak_hz(), longest_seconds=1.5)
    pre, post = (-54.0, -50.0) if stored == "tails_out" else (-50.0, -54.0)
    assert read.pre.value == pytest.approx(pre, abs=0.1)
    assert read.post.value == pytest.approx(post, abs=0.1)
    # The burst's middle lies 1.5 s and a burst and a half into the tape; an echo is read where its turn is over.
    middle = 1.5 + 1.5 * 0.1
    sign = 1.0 if stored == "tails_out" else -1.0

    def turn(seconds: float, half: float) -> float:
        start = 0.05 if stored == "tails_out" else 0.055
        radius = math.sqrt(start**2 + sign * 0.381 * seconds * 54.1e-6 / math.pi)
        return 2.0 * math.pi * (radius + sign * half * 54.1e-6) / 0.381

    post_seconds = turn(middle + turn(middle, -0.5), -0.5)
    pre_seconds = turn(middle - turn(middle, 0.5), 0.5)
    assert read.post_seconds.value == pytest.approx(post_seconds, abs=1.0 / RATE)
    assert read.pre_seconds.value == pytest.approx(pre_seconds, abs=1.0 / RATE)


def test_the_course_of_a_delay_lasts_as_long_as_the_recording() -> None:
    read = measure.azimuth(np.stack([tone(1000.0, 2.0)] * 2), RATE, frequency_hz=1000.0)
    assert read.course.x[0] > 0.0
    assert 1.8 < read.course.x[-1] < 2.0


@pytest.mark.parametrize("frequencies_hz", [(), (0.0,), (-1.0, 1000.0), (30_000.0,)])
def test_crosstalk_needs_frequencies_that_can_be_sent(frequencies_hz: tuple[float, ...]) -> None:
    with pytest.raises(MeasureError, match="needs one or more from above 0"):
        measure.crosstalk(lambda audio, rate: audio, RATE, frequencies_hz=frequencies_hz)


@pytest.mark.parametrize("change", [lambda a: a[:1], lambda a: a[0], lambda a: a[:, :-1]])
def test_a_system_keeps_its_channels_and_their_length(change: Callable[[FloatArray], FloatArray]) -> None:
    with pytest.raises(MeasureError, match="must keep the channels and not shorten audio"):
        measure.crosstalk(lambda audio, rate: change(audio), RATE, frequencies_hz=(1000.0,))


@pytest.mark.parametrize(
    ("gain", "reason"),
    [
        (math.nan, "non-finite samples"),
        (1e-12, "the tone does not come back"),
        (0.0, "the tone does not come back"),
    ],
)
def test_crosstalk_says_why_there_is_none(gain: float, reason: str) -> None:
    read = measure.crosstalk(lambda audio, rate: gain * audio, RATE, frequencies_hz=(1000.0,))
    assert math.isnan(read.levels[0].value)
    assert reason in read.levels[0].warnings[0]
    assert read.levels[0].warnings == read.curve.warnings
