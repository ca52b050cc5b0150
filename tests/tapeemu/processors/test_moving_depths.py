"""Depths of what moves the tape, along curves.

Truth: closed forms of single sines, scipy, and the laboratory, which shares nothing with what it measures.
"""

from typing import Any

import numpy as np
import pytest

from measure import flutter
from tapeemu import Chain, Curve, CurvePoint, Stage, WowFlutter
from tapeemu.processor import Processor
from tapeemu.processors.wow_flutter import RotatingPart

RATE = 48_000


def curve(name: str, *points: tuple[Any, ...]) -> Curve:
    return Curve(
        setting=name,
        points=tuple(
            CurvePoint(seconds=at, value=value, shape=(*shape, "linear")[0]) for at, value, *shape in points
        ),
    )


def moved(processor: Processor, *curves: Curve) -> Chain:
    return Chain([Stage(processor=processor, automation=curves)])


def tone(hertz: float, first: int, samples: int) -> Any:
    return np.sin(2.0 * np.pi * hertz * np.arange(first, first + samples) / RATE)


# --- wow and flutter ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("hours", [0, 10])
def test_one_sine_whose_depth_grows_reads_where_the_closed_form_says(hours: int) -> None:
    """``d = -(depth / (2 pi r)) sin(2 pi r t)`` of a cosine in speed, with a depth that rises by a line; at hour ten too.

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
    """Of the sine above: ``-d'`` has the part of the sine's speed, and ``-depth' U``; a jump is the steepest slope.

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
