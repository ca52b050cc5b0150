"""What octaves read of the loop gain, with the gain computed by scipy from the sections as they are run."""

import numpy as np
import pytest
import room_in_numpy
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st
from room_in_numpy import OCTAVES_HZ, Absorption, band_decay_seconds
from rooms import design_absorption

from tapeemu.dsp.kernels.line_filters import loop_decay_seconds, loop_level_db
from tapeemu.dsp.kernels.room_layout import usable_bands
from tapeemu.processors.fdn_reverb import DecayByBand

RATE = 48_000
DELAYS = np.geomspace(1_600, 10_000, 16).astype(np.int64)
# The slope of the requirement: 2.2 s at 125 Hz to 0.8 s at 8 kHz (the published test of one-pole absorption,
# where it reads 6 to 44 % too long).
SLOPE = np.array([2.2, 2.2, 2.1, 2.0, 1.9, 1.7, 1.3, 0.8, 0.8])


def sections_of(absorption: Absorption, line: int) -> np.ndarray:
    """Plain second-order sections of one line, its gain left out."""
    c, d, e, f = absorption.coefficients[:, :, line].T
    one = np.ones_like(c)
    return np.stack([one, c + e, d + f, one, e, f], axis=1)


def level_by_scipy(absorption: Absorption, frequencies: np.ndarray, rate: float) -> np.ndarray:
    """Level of one pass of every line."""
    levels = []
    for line, gain in enumerate(absorption.gains):
        sections = sections_of(absorption, line)
        response = np.full(frequencies.size, gain, dtype=complex)
        if sections.size:
            response = gain * scipy.signal.freqz_sos(sections, worN=frequencies, fs=rate)[1]
        levels.append(20.0 * np.log10(np.abs(response)))
    return np.array(levels)


def passes_by_scipy(
    absorption: Absorption, delays: np.ndarray, frequencies: np.ndarray, rate: float
) -> np.ndarray:
    """Samples that one pass of every line takes: the filters delay as well."""
    return np.array(
        [
            delay
            + sum(
                scipy.signal.group_delay((section[:3], section[3:]), w=frequencies, fs=rate)[1]
                for section in sections_of(absorption, line)
            )
            for line, delay in enumerate(delays)
        ]
    )


@pytest.fixture
def reading_error(octave_t30):
    """Largest relative error of what the usable octaves from 125 Hz up read, for lines like `DELAYS`.

    Behind filters of seven and of fourteen poles a side: what is read must not hang on the skirts.
    """

    def error(seconds: np.ndarray, rate: float = RATE, delays: np.ndarray = DELAYS) -> float:
        delays = (delays * rate / RATE).astype(np.int64)
        absorption = design_absorption(delays, seconds, rate)
        where = np.geomspace(15.0, 0.4999 * rate, 700)
        level = level_by_scipy(absorption, where, rate).sum(axis=0)
        decay = -60.0 * passes_by_scipy(absorption, delays, where, rate).sum(axis=0) / (rate * level)
        return max(
            abs(octave_t30(where, decay, OCTAVES_HZ[band], poles) / seconds[band] - 1.0)
            for band in range(1, usable_bands(float(rate)))
            for poles in (7, 14)
        )

    return error


@pytest.mark.parametrize("seconds", [0.2, 0.5, 2.0, 12.0, 60.0])
def test_flat_decay_is_exact_and_needs_no_filter(seconds):
    level = level_by_scipy(design_absorption(DELAYS, np.full(9, seconds), RATE), OCTAVES_HZ, RATE)
    np.testing.assert_allclose(-60.0 * DELAYS[:, None] / (RATE * level), seconds, rtol=1e-12)
    assert design_absorption(DELAYS, np.full(9, seconds), RATE).coefficients.shape[0] == 0


@pytest.mark.parametrize("scale", [0.5, pytest.param(1.0, marks=pytest.mark.long), 4.0])
@pytest.mark.parametrize("slope", [SLOPE, SLOPE[::-1]], ids=["down", "up"])
def test_slopes_are_hit_within_one_percent(slope, scale, reading_error):
    assert reading_error(scale * slope) < 0.01


@pytest.mark.parametrize("rate", [8_000, pytest.param(48_000, marks=pytest.mark.long), 384_000])
@pytest.mark.parametrize("step", [2.0, 0.5])
def test_a_table_that_doubles_from_band_to_band_is_read_within_two_percent(step, rate, reading_error):
    seconds = step ** (np.arange(9) - 4.0)
    assert reading_error(seconds, rate, (DELAYS * 2.0 * min(seconds[1:8])).astype(int)) < 0.02


def test_a_table_that_doubles_and_halves_from_band_to_band_is_read_within_two_percent(reading_error):
    # the lines are as long as the reverb makes them for such a table
    assert reading_error(np.array([1.0, 2.0] * 4 + [1.0]), delays=DELAYS // 2) < 0.02


@pytest.mark.parametrize(
    "rate", [8_000, *(pytest.param(each, marks=pytest.mark.long) for each in (16_000, 44_100, 96_000)), 192_000]
)
def test_octaves_read_as_set_at_other_sample_rates(rate, reading_error):
    assert reading_error(SLOPE, rate) < 0.01
    assert reading_error(band_decay_seconds(2.0, 1.1, 0.5), rate) < 0.01


def test_bands_above_the_usable_range_are_left_out():
    assert usable_bands(48_000.0) == 9
    assert usable_bands(32_000.0) == 8  # 16 kHz is half of it
    assert usable_bands(8_000.0) == 6  # 2 kHz is the last below 3.6 kHz
    steep = SLOPE.copy()
    steep[8] = 0.1
    for one, other in zip(
        design_absorption(DELAYS, SLOPE, 32_000), design_absorption(DELAYS, steep, 32_000), strict=True
    ):
        np.testing.assert_array_equal(one, other)


@pytest.mark.parametrize(("low", "high"), [(1.1, 0.5), (1.0, 0.3), (0.5, 1.5), (2.0, 0.2)])
def test_simple_settings_are_exact_where_they_are_defined(low, high, reading_error):
    seconds = band_decay_seconds(3.0, low, high)
    np.testing.assert_allclose(seconds[[1, 4, 7]], [3.0 * low, 3.0, 3.0 * high], rtol=1e-12)
    assert reading_error(seconds) < 0.01


def test_default_shape_costs_one_section():
    assert design_absorption(DELAYS, band_decay_seconds(2.0, 1.1, 0.5), RATE).coefficients.shape == (1, 4, 16)


def test_reported_level_and_decay_are_those_of_scipy():
    absorption = design_absorption(DELAYS, SLOPE, RATE)
    filters = np.zeros((9, 4, DELAYS.size))
    filters[0, 0], filters[0, 1, 0] = absorption.gains, len(absorption.coefficients)
    filters[1 : 1 + len(absorption.coefficients)] = absorption.coefficients
    where = np.geomspace(20.0, 20_000.0, 50)
    level = level_by_scipy(absorption, where, RATE)
    samples = passes_by_scipy(absorption, DELAYS, where, RATE)
    decay = -60.0 * samples / (RATE * level)
    for line, delay in enumerate(DELAYS):
        for k, hz in enumerate(where):
            assert loop_level_db(filters, line, hz, float(RATE)) == pytest.approx(level[line, k], abs=1e-9)
            assert loop_decay_seconds(filters, delay, line, hz, float(RATE)) == pytest.approx(
                decay[line, k], rel=1e-7
            )


ZIGZAG = np.array([1.0, 2.0] * 4 + [1.0])


@pytest.mark.parametrize(
    ("delays", "seconds", "rate"),
    [
        (DELAYS, band_decay_seconds(2.0, 1.1, 0.5), RATE),
        (DELAYS, SLOPE, RATE),
        (DELAYS, SLOPE[::-1], RATE),
        (DELAYS // 2, ZIGZAG, RATE),
        (DELAYS // 6, SLOPE, 8_000),
        (4 * DELAYS, SLOPE, 192_000),
        (DELAYS // 3, 2.0 ** (np.arange(9) - 4.0), RATE),
        (DELAYS // 3, 0.5 ** (np.arange(9) - 4.0), RATE),
        (np.concatenate([DELAYS, DELAYS + 7]), SLOPE, RATE),
    ],
    ids=["ratios", "slope", "rising slope", "zigzag", "8 kHz", "192 kHz", "doubling", "halving", "32 lines"],
)
def test_filters_are_those_of_the_design_in_numpy(delays, seconds, rate):
    # Of the same structure, and within a ten-millionth: both are iterated to 1e-6 of the decay at the centres.
    ours = design_absorption(delays, seconds, rate)
    theirs = room_in_numpy.design_absorption(delays, np.asarray(seconds), rate)
    assert ours.coefficients.shape == theirs.coefficients.shape
    where = np.geomspace(20.0, 0.45 * rate, 200)
    np.testing.assert_allclose(
        level_by_scipy(ours, where, rate), level_by_scipy(theirs, where, rate), rtol=1e-7, atol=1e-7
    )


@settings(max_examples=20, deadline=None)
@given(
    first=st.floats(0.05, 60.0),
    steps=st.lists(st.floats(-1.0, 1.0), min_size=8, max_size=8),
    rate=st.sampled_from([8_000, 22_050, 48_000, 384_000]),
    size=st.floats(0.02, 4.0),
)
def test_every_line_loses_level_at_every_frequency_for_any_table(first, steps, rate, size):
    # Neighbours differ by the steepest that the reverb's settings allow, at most.
    path = np.log(first) + np.concatenate([[0.0], np.cumsum(steps)]) * np.log(DecayByBand.STEEPEST)
    seconds = np.exp(np.clip(path, np.log(0.05), np.log(60.0))).tolist()
    delays = np.maximum(DELAYS * size * rate / RATE, 2).astype(np.int64)
    absorption = design_absorption(delays, np.array(seconds), rate)
    where = np.concatenate([[0.0], np.geomspace(1.0, rate / 2, 700)])
    level = level_by_scipy(absorption, where, rate)
    longest = max(seconds[: usable_bands(float(rate))])
    assert np.all(level < np.maximum(-60.0 * delays[:, None] / (rate * 1.35 * longest), -89.0))
    for section in np.moveaxis(absorption.coefficients, 2, 1).reshape(-1, 4):
        assert abs(section[3]) < 1.0  # poles inside the unit circle: the triangle of stability
        assert abs(section[2]) < 1.0 + section[3]
