"""Lines and rest: what is fitted is what was put in, and filters act on it without ends."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from measure.parts.fluctuation import (
    Line,
    _end_of_band,
    fast_length,
    steady_rms,
    whole_periods,
)
from measure.parts.steady_lines import _background, decompose, spectral_lines

RATE = 1000.0


def series(*lines: tuple[float, float, float], seconds: float = 12.0) -> np.ndarray:
    """Sum of (rate, amplitude, phase) cosines."""
    time = np.arange(round(seconds * RATE)) / RATE
    return np.sum([a * np.cos(2 * np.pi * f * time + p) for f, a, p in lines], axis=0)


def test_mean_drift_and_lines_are_told_apart() -> None:
    parts = [(0.21, 2.0, 0.4), (0.55, 1.0, 1.0), (4.0, 0.5, 2.0), (4.31, 0.4, 0.1), (180.0, 0.01, 0.2)]
    time = np.arange(12_000) / RATE
    split = decompose(7.0 + 0.3 * (time - 6.0) + series(*parts), RATE, highest_hz=240)
    assert split.mean == pytest.approx(7.0 + 0.3 * -0.5 / RATE, abs=1e-6)
    assert split.slope == pytest.approx(0.3, abs=1e-6)
    found = sorted((line.rate_hz, abs(line.amplitude), np.angle(line.amplitude)) for line in split.lines[:5])
    np.testing.assert_allclose(found, parts, atol=1e-5)
    assert np.max(np.abs(split.rest)) < 1e-5


def test_lines_come_strongest_first() -> None:
    split = decompose(series((3, 0.1, 0), (20, 0.3, 0), (50, 0.2, 0)), RATE, highest_hz=240)
    assert [round(line.rate_hz) for line in split.lines] == [20, 50, 3]


@pytest.mark.parametrize("first", [0, 100])
def test_noise_holds_no_lines(first: int) -> None:
    """15 dB above the neighbourhood: fewer than one series of 3000 has a bin like that by chance."""
    for seed in range(first, first + 40):
        noise = np.random.default_rng(seed).standard_normal(6000)
        assert decompose(noise, RATE, highest_hz=240).lines == ()


@given(
    st.lists(st.tuples(st.floats(0.3, 200), st.floats(0.1, 1), st.floats(0, 6)), min_size=1, max_size=6),
)
@settings(max_examples=40, deadline=None)
def test_whatever_is_found_adds_up_to_the_series(lines: list[tuple[float, float, float]]) -> None:
    """Even for lines too close to be told apart nothing is lost or invented."""
    given_series = series(*lines, seconds=8)
    split = decompose(given_series, RATE, highest_hz=240)
    same, rate, _ = split.filtered(np.ones_like, rate=RATE)
    assert rate == pytest.approx(RATE, rel=0.02)
    time = np.arange(given_series.size) / RATE
    straight = split.mean + split.slope * (time - time.mean())
    model = np.real([line.amplitude * np.exp(2j * np.pi * line.rate_hz * time) for line in split.lines]).sum(
        axis=0
    )
    np.testing.assert_allclose(straight + model + split.rest, given_series, atol=1e-8)
    assert np.max(np.abs(same)) < 20


def test_a_filter_acts_on_lines_exactly_up_to_the_ends() -> None:
    """A step between 0.1 and 0.2 Hz over 12 s would ring for longer than the series lasts."""
    split = decompose(series((0.2, 1.0, 0.3), (5.0, 0.5, 0.7)), RATE, highest_hz=240)
    kept, rate, lines = split.filtered(lambda f: (f < 1.0).astype(float), rate=4 * RATE)
    assert rate >= 4 * RATE
    time = np.arange(kept.size) / rate
    np.testing.assert_allclose(kept, np.cos(2 * np.pi * 0.2 * time + 0.3), atol=1e-6)
    assert sorted(round(abs(line.amplitude), 6) for line in lines) == [0.0, 1.0]


def test_a_complex_response_turns_lines() -> None:
    split = decompose(series((5.0, 1.0, 0.7)), RATE, highest_hz=240)
    turned, rate, _ = split.filtered(lambda f: np.full(f.size, 1j), rate=RATE)
    time = np.arange(turned.size) / rate
    np.testing.assert_allclose(turned, np.cos(2 * np.pi * 5 * time + 0.7 + np.pi / 2), atol=1e-6)


def test_density_of_white_noise() -> None:
    """One-sided: 2 v / rate; 6000 bins of it average to 1.6 %, allowed are three times that."""
    noise = np.random.default_rng(2).standard_normal(12_000)
    at, density = decompose(noise, RATE, highest_hz=240).density()
    assert at[-1] == pytest.approx(RATE / 2)
    assert np.mean(density[1:-1]) == pytest.approx(2 / RATE, rel=0.05)


@pytest.mark.parametrize("fitted", [True, False])
def test_scatter_of_noise_beside_a_line(fitted: bool) -> None:
    """Relative scatter of the RMS of white noise of band B over T: 1 / (2 sqrt(B T)), diluted by a line.

    A line of amplitude a at density P adds a^2 P / T to the variance of the mean square.
    """
    rng = np.random.default_rng(3)
    density, band, seconds, amplitude = 2e-4, 200.0, 60.0, 0.3
    noise = math.sqrt(density * RATE / 2) * rng.standard_normal(round(seconds * RATE))
    values = noise + series((40.0, amplitude, 0.2), seconds=seconds)
    split = decompose(values, RATE, highest_hz=240, lines=fitted)
    lines = split.lines if fitted else spectral_lines(split.rest, RATE, highest_hz=240)
    scatter = split.scatter(lambda f: (f < band).astype(float), lines, seconds, fitted=fitted)
    power = density * band + amplitude**2 / 2
    expected = 0.5 * math.sqrt((density**2 * band + amplitude**2 * density) / seconds) / power
    assert scatter == pytest.approx(expected, rel=0.15)


def test_lines_read_off_the_spectrum() -> None:
    found = spectral_lines(series((40.013, 0.3, 1.0), (163.7, 0.1, 2.0)), RATE, highest_hz=240)
    assert [line.rate_hz for line in found] == pytest.approx([40.013, 163.7], abs=0.002)
    assert [abs(line.amplitude) for line in found] == pytest.approx([0.3, 0.1], rel=0.01)
    assert spectral_lines(np.zeros(10), RATE, highest_hz=240) == ()


def test_whole_periods_of_a_slow_line() -> None:
    """12 s hold 2.4 periods of 0.2 Hz: 10 s hold four half periods exactly."""
    assert whole_periods((Line(0.2, 1.0 + 0j),), 12.0, RATE) == pytest.approx(10_000, abs=1)
    assert whole_periods((), 12.0, RATE) == 12_000
    # A weak slow line does not cost the strong one its length.
    assert whole_periods((Line(4.0, 1.0 + 0j), Line(0.2, 0.01 + 0j)), 12.0, RATE) == 12_000


def test_rms_of_several_lines_is_that_of_endless_ones() -> None:
    parts = [(4.0, 0.5, 2.0), (4.61, 0.4, 0.1), (0.55, 1.0, 1.0)]
    split = decompose(series(*parts), RATE, highest_hz=240)
    values, rate, lines = split.filtered(np.ones_like, rate=RATE)
    expected = math.sqrt(0.5 * sum(a**2 for _, a, _ in parts))
    assert steady_rms(values, rate, lines) == pytest.approx(expected, rel=1e-6)
    assert steady_rms(values, rate, ()) == pytest.approx(np.sqrt(np.mean(values**2)))


def test_rms_of_lines_that_cannot_be_told_apart_is_that_of_the_series() -> None:
    """Two large lines that nearly cancel all along: the sum of their powers would be far too much."""
    time = np.arange(12_000) / RATE
    lines = (Line(4.0, 10.0 + 0j), Line(4.001, -10.0 + 0j))
    values = np.real(sum(line.amplitude * np.exp(2j * np.pi * line.rate_hz * time) for line in lines))
    assert steady_rms(values, RATE, lines) == pytest.approx(np.sqrt(np.mean(values**2)), rel=1e-9)


def test_fast_length_keeps_the_beginning() -> None:
    values = np.arange(10_007.0)
    kept = fast_length(values)
    assert 0.99 * values.size < kept.size <= values.size
    np.testing.assert_array_equal(kept, values[: kept.size])


@pytest.mark.parametrize("power", [1.0, 2.0])
def test_the_background_of_slow_wander_rises_towards_0_hz(power):
    """A spectrum that is a power law has that law as its background, down to the lowest bins."""
    at = np.arange(4000.0)
    law = np.maximum(at, 1.0) ** -power
    ratio = _background(law, 1.0)[2:1000] * math.log(2.0) / law[2:1000]
    assert np.all((ratio > 0.4) & (ratio < 2.5))


@pytest.mark.parametrize("first", [0, 1, 5, 40])
def test_a_band_ends_where_its_gain_weighs_as_much_as_was_asked(first: int) -> None:
    """Bin by bin, as the rule reads: an octave, then on until (sum g)^2 / sum g^2 is enough, or to the end."""
    rng = np.random.default_rng(3)
    for gain in (
        np.ones(90),
        rng.uniform(0, 1, 90) ** 6,
        np.r_[rng.uniform(0, 1, 30), np.zeros(60)],
        np.zeros(90),
    ):
        for fewest in (0.5, 3.0, 12.0, 500.0):
            last = max(2 * first, first + 1)
            while last < gain.size:
                part = gain[first:last]
                if np.any(part) and np.sum(part) ** 2 >= fewest * np.sum(part**2):
                    break
                last += 1
            assert _end_of_band(gain, first, fewest) == last


def test_a_short_spectrum_has_its_median_for_background() -> None:
    power = np.full(32, 3.0)
    assert _background(power, 1.0) == pytest.approx(3.0 / math.log(2.0))
    # Nothing at the slow end: there is no slope to follow, and the median is kept.
    hollow = np.concatenate([np.zeros(40), np.ones(400)])
    assert np.all(_background(hollow, 1.0)[1:17] == 0.0)


def test_silence_has_no_doubt() -> None:
    split = decompose(np.zeros(4096), RATE, highest_hz=200.0)
    assert split.scatter(lambda hz: np.ones_like(hz), (), 4.0, fitted=True) == 0.0


@pytest.mark.parametrize(("known_hz", "is_new"), [([], True), ([10.0], False), ([10.15], False), ([11.0], True)])
def test_a_line_is_found_once_and_not_beside_one_that_is_known(known_hz, is_new):
    """A period of two bins: nearer than two periods, 0.4 Hz here, lines are one."""
    from measure.parts.steady_lines import _peaks

    power = np.ones(400)
    power[99:102] = [1e5, 1e6, 1e5]
    found = _peaks(power, 0.1, 2.0, 4.0, 30.0, np.array(known_hz))
    assert [frequency for frequency, _ in found] == ([pytest.approx(10.0)] if is_new else [])
