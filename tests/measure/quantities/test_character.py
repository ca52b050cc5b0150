"""Character and likeness of recordings against signals whose answers are known on paper."""

import math

import numpy as np
import pytest

from measure.errors import MeasureError
from measure.quantities.character import Character, average_spectrum, character, likeness

RATE = 48_000


def sine(frequency_hz: float, *, amplitude: float = 1.0, seconds: float = 2.0) -> np.ndarray:
    return amplitude * np.sin(2.0 * np.pi * frequency_hz * np.arange(round(seconds * RATE)) / RATE)


@pytest.mark.parametrize("samples", [4_001, 48_000, 100_003])
def test_the_spectrum_holds_all_power(rng: np.random.Generator, samples: int) -> None:
    """Parseval's theorem: half-overlapping squared windows sum to one, with silence beyond both ends."""
    signal = rng.standard_normal((2, samples))
    _, power = average_spectrum(signal, RATE)
    assert power.sum() == pytest.approx(np.mean(signal**2) * 2, rel=1e-12)


@pytest.mark.parametrize("frequency_hz", [100.0, 997.0, 9_876.5])
def test_the_centroid_of_a_tone_is_the_tone(frequency_hz: float) -> None:
    assert character(sine(frequency_hz), RATE).centroid.value == pytest.approx(frequency_hz, abs=0.5)


def test_the_centroid_weighs_by_power() -> None:
    """0.8 and 0.6 have powers 0.64 and 0.36."""
    both = sine(1_000.0, amplitude=0.8) + sine(3_000.0, amplitude=0.6)
    expected = (0.64 * 1_000.0 + 0.36 * 3_000.0) / (0.64 + 0.36)
    assert character(both, RATE).centroid.value == pytest.approx(expected, rel=1e-3)


def test_octave_levels_are_those_of_their_tones() -> None:
    """A full-scale sine has 0 dBFS (AES17)."""
    both = sine(250.0, amplitude=0.5) + sine(4_000.0, amplitude=0.05)
    found = {reading.quantity: reading.value for reading in character(both, RATE).octaves}
    assert found["octave level, 250 Hz"] == pytest.approx(20.0 * math.log10(0.5), abs=0.01)
    assert found["octave level, 4000 Hz"] == pytest.approx(20.0 * math.log10(0.05), abs=0.01)
    assert found["octave level, 1000 Hz"] < -50.0  # what the abrupt ends of the tones scatter


def test_white_noise_rises_by_an_octave_each(rng: np.random.Generator) -> None:
    """Equal power per hertz: each base-ten octave holds 10^0.3 times the one below, 3 dB."""
    octaves = character(rng.standard_normal(20 * RATE), RATE).octaves
    steps = np.diff([reading.value for reading in octaves[3:]])
    assert steps == pytest.approx(3.0, abs=0.3)


def test_stereo_figures_follow_their_formulas(rng: np.random.Generator) -> None:
    """Left = m + s and right = m - s of unrelated m and s: width and correlation on paper."""
    middle, side = rng.standard_normal((2, 30 * RATE)) * np.array([[1.0], [0.5]])
    found = character(np.stack([middle + side, middle - side]), RATE)
    assert found.width.value == pytest.approx(20.0 * math.log10(0.5), abs=0.05)
    assert found.stereo_correlation.value == pytest.approx((1.0 - 0.25) / (1.0 + 0.25), abs=0.005)


def test_one_sided_cases_of_stereo_are_not_guessed() -> None:
    tone = sine(440.0)
    same = character(np.stack([tone, tone]), RATE)
    assert same.stereo_correlation.value == pytest.approx(1.0)
    assert "same" in same.width.warnings[0]
    opposite = character(np.stack([tone, -tone]), RATE)
    assert opposite.stereo_correlation.value == pytest.approx(-1.0)
    assert "opposite" in opposite.width.warnings[0]
    assert "silent" in character(np.stack([tone, 0.0 * tone]), RATE).stereo_correlation.warnings[0]
    assert "needs two" in character(tone, RATE).width.warnings[0]


@pytest.mark.parametrize("gain", [0.5, 0.9, 1.1, 2.0])
def test_the_null_of_a_scaled_copy(gain: float) -> None:
    """|g - 1| of the reference is left; the correlation stays one."""
    tone = sine(440.0)
    found = likeness(gain * tone, tone, RATE)
    assert found.null.value == pytest.approx(20.0 * math.log10(abs(gain - 1.0)), abs=1e-9)
    assert found.correlation.value == pytest.approx(1.0)


def test_the_null_of_a_shifted_tone() -> None:
    """Two sines of one period apart by an angle a: difference 2 sin(a / 2), correlation cos a."""
    tone = sine(100.0)
    angle = 2.0 * np.pi * 100.0 * 48 / RATE
    found = likeness(np.roll(tone, 48), tone, RATE)
    assert found.null.value == pytest.approx(20.0 * math.log10(2.0 * math.sin(angle / 2.0)), abs=1e-6)
    assert found.correlation.value == pytest.approx(math.cos(angle), abs=1e-9)


def test_equal_recordings_have_no_null() -> None:
    tone = sine(440.0)
    found = likeness(tone, tone, RATE)
    assert math.isnan(found.null.value)
    assert "identical" in found.null.warnings[0]


@pytest.mark.parametrize(
    ("signal", "reason"),
    [
        (np.zeros((2, RATE)), "silent"),
        (np.full((1, RATE), np.nan), "not finite"),
        (np.zeros((2, 0)), "empty"),
        (np.ones(100), "too short"),
    ],
)
def test_what_cannot_be_read_says_why(signal: np.ndarray, reason: str) -> None:
    for reading in character(signal, RATE).readings:
        assert math.isnan(reading.value)
        assert reason in reading.warnings[0]


def test_wrong_arguments_are_refused() -> None:
    with pytest.raises(MeasureError, match="floating point"):
        character(np.zeros(100, int), RATE)
    with pytest.raises(MeasureError, match="must have the same"):
        likeness(np.zeros(100), np.zeros(101), RATE)


def test_it_goes_to_plain_values_and_back(rng: np.random.Generator) -> None:
    found = character(rng.standard_normal((2, RATE)), RATE)
    again = Character.from_dict(found.to_dict())
    assert again.readings == found.readings


@pytest.mark.parametrize("silent", [0, 1])
def test_likeness_to_nothing_is_undefined_whichever_of_the_two_is_silent(silent):
    pair = [np.sin(0.1 * np.arange(RATE)), np.sin(0.1 * np.arange(RATE))]
    pair[silent] = np.zeros(RATE)
    found = likeness(*pair, RATE)
    for reading in (value for value in vars(found).values() if hasattr(value, "defined")):
        assert not reading.defined
        assert "silen" in reading.warnings[0]


def test_both_figures_of_likeness_say_what_they_are(rng: np.random.Generator) -> None:
    one = rng.standard_normal(1_000)
    found = likeness(one, 0.5 * one, RATE)
    assert (found.null.quantity, found.null.unit) == ("level of the difference", "dB")
    assert (found.correlation.quantity, found.correlation.unit) == ("correlation", "")
