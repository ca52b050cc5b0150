"""Level swing of a held note: closed forms, and what the meter must not see."""

import math
from typing import Any

import numpy as np
import pytest

from measure.errors import MeasureError
from measure.quantities.steadiness import level_swing

RATE = 16_000.0


def trembling(depth: float, rate_hz: float) -> Any:
    def system(audio: np.ndarray, rate: float) -> np.ndarray:
        return audio * (1.0 + depth * np.sin(2.0 * np.pi * rate_hz * np.arange(audio.size) / rate))

    return system


@pytest.mark.parametrize("depth", [0.01, 0.3, 0.6])
def test_a_tremolo_swings_by_what_its_law_says(depth: float) -> None:
    """Standard deviation of 20 lg(1 + m sin x) over a whole turn, by plain summation; 0.5 Hz is slow."""
    law = 20.0 * np.log10(1.0 + depth * np.sin(np.linspace(0.0, 2.0 * np.pi, 10_000, endpoint=False)))
    found = level_swing(trembling(depth, 0.5), RATE, seconds=8.0, settle_seconds=0.0)
    assert found.value == pytest.approx(float(np.std(law)), rel=0.03)
    assert found.unit == "dB"


def test_narrow_noise_swings_by_rayleigh_s_distribution() -> None:
    """The level of narrow Gaussian noise has a standard deviation of 10 / ln 10 * pi / sqrt 6 = 5.57 dB."""
    random = np.random.default_rng(3)

    def system(audio: np.ndarray, rate: float) -> np.ndarray:
        points = np.linspace(0.0, 400.0, audio.size)
        real, imaginary = (np.interp(points, np.arange(401), random.standard_normal(401)) for _ in range(2))
        return real * audio + imaginary * np.roll(audio, round(rate / 4000.0))  # a quarter turn at 1 kHz

    found = level_swing(system, RATE, seconds=100.0, settle_seconds=0.0)
    assert found.value == pytest.approx(10.0 / math.log(10.0) * math.pi / math.sqrt(6.0), rel=0.1)


def test_gain_pitch_and_a_far_tone_are_not_seen() -> None:
    def wavering(audio: np.ndarray, rate: float) -> np.ndarray:
        clock = np.arange(audio.size) / rate
        far = 0.05 * np.sin(2.0 * np.pi * 4000.0 * clock) * (clock % 1.0 < 0.5)
        return 0.1 * np.sin(2.0 * np.pi * 1000.0 * clock + 3.0 * np.sin(2.0 * np.pi * clock)) + far

    assert level_swing(wavering, RATE).value < 0.01
    assert level_swing(lambda audio, rate: 0.001 * audio, RATE).value < 1e-3


def test_silence_has_no_figure() -> None:
    found = level_swing(lambda audio, rate: 0.0 * audio, RATE)
    assert math.isnan(found.value)
    assert "silence" in found.warnings[0]


def test_a_gap_counts_no_deeper_than_forty_decibels() -> None:
    """Half of the time nothing: levels of +3.01 and -40 dB, whose standard deviation is half of their distance."""

    def half(audio: np.ndarray, rate: float) -> np.ndarray:
        return audio * (np.arange(audio.size) < audio.size // 2)

    found = level_swing(half, RATE, seconds=20.0, settle_seconds=0.0)
    assert found.value == pytest.approx(0.5 * (40.0 + 10.0 * math.log10(2.0)), rel=0.02)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"seconds": 0.5}, "must be 1 or more"),
        ({"settle_seconds": -1.0}, "must not be negative"),
        ({"seconds": math.nan}, "must be 1 or more"),
        ({"frequency_hz": 50.0}, "between 100 and 6400 Hz"),
        ({"frequency_hz": 7000.0}, "between 100 and 6400 Hz"),
    ],
)
def test_wrong_arguments_are_refused_with_their_rule(arguments: dict[str, float], words: str) -> None:
    with pytest.raises(MeasureError, match=words):
        level_swing(lambda audio, rate: audio, RATE, **arguments)


def test_what_comes_before_the_note_is_steady_is_left_out() -> None:
    """A level that climbs for 1.5 s by 20 dB and then stands."""

    def slow(audio: np.ndarray, rate: float) -> np.ndarray:
        return audio * np.minimum(0.1 + 0.6 * np.arange(audio.size) / rate, 1.0)

    assert level_swing(slow, RATE, settle_seconds=2.0).value < 0.001
    assert level_swing(slow, RATE, settle_seconds=0.5).value > 1.0
