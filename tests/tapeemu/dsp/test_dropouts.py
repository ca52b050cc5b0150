"""Dropouts against their stated laws (Kolmogorov-Smirnov), and that any stretch can be listed alone."""

import math
from fractions import Fraction

import numpy as np
import pytest
from scipy import stats

from tapeemu.dsp.dropouts import list_dropouts
from tapeemu.dsp.kernels import dropouts as kernels
from tapeemu.dsp.kernels.glides import Glide
from tapeemu.dsp.kernels.hashing import mix_hash, uniform

KEY = 20_261
CELL = np.empty((kernels.MOST_IN_CELL, 3))


def law_of(per_minute=100.0, depth_db=(3.0, 12.0), length_ms=(5.0, 50.0)):
    law = np.full(kernels.LAW_NUMBERS, np.nan)
    kernels.dropout_law(per_minute, *depth_db, *length_ms, law)
    return law


LAW = law_of()


def standing():
    """No depth that moves."""
    glide = Glide(np.zeros((2, 7)), np.zeros(3, np.int64))
    return kernels.MovingDepth(glide, np.zeros(5), -1, 0)


@pytest.fixture(scope="module")
def events():
    found = list_dropouts(KEY, LAW, 0.0, 6_300.0)[:10_000]
    assert len(found) == 10_000
    return np.array(found).T


def test_gaps_are_exponential(events):
    gaps = np.diff(events[0])
    assert stats.kstest(gaps, stats.expon(scale=0.6).cdf).pvalue > 0.05
    assert stats.kstest(gaps, stats.expon(scale=0.6 * 1.08).cdf).pvalue < 1e-4
    assert stats.kstest(gaps, stats.uniform(0.0, 1.2).cdf).pvalue < 1e-9


def test_depths_and_lengths_are_log_uniform(events):
    for values, limits in ((events[1], (3.0, 12.0)), (events[2], (5.0, 50.0))):
        assert stats.kstest(values, stats.loguniform(*limits).cdf).pvalue > 0.05
        assert stats.kstest(values, stats.loguniform(limits[0], 1.08 * limits[1]).cdf).pvalue < 1e-4
        assert stats.kstest(values, stats.uniform(limits[0], limits[1] - limits[0]).cdf).pvalue < 1e-9


def test_depth_length_and_gap_are_independent(events):
    table = np.stack([np.diff(events[0]), events[1][1:], events[2][1:], events[1][:-1]])
    correlation = np.corrcoef(stats.rankdata(table, axis=1)) - np.eye(4)
    assert np.max(np.abs(correlation)) < 0.04  # four standard deviations


def test_counts_are_poisson_with_any_cell_boundary():
    times = np.array(list_dropouts(KEY, LAW, 1_000.37, 3_000.37))[:, 0]
    counts = np.histogram(times, bins=np.arange(1_000.37, 3_000.4, 2.5))[0]
    mean = 2.5 * 100.0 / 60.0
    assert counts.mean() == pytest.approx(mean, rel=0.07)
    assert counts.var() == pytest.approx(mean, rel=0.2)


def test_a_stretch_can_be_listed_alone():
    whole = list_dropouts(KEY, LAW, -30.0, 4_030.0)
    parts = [
        list_dropouts(KEY, LAW, a, b) for a, b in ((-30.0, 0.5), (0.5, 0.7), (0.7, 4_000.0), (4_000.0, 4_030.0))
    ]
    assert [event for part in parts for event in part] == whole
    assert whole == sorted(whole)


def test_equal_limits_make_all_alike_and_no_rate_makes_none():
    same = law_of(depth_db=(7.0, 7.0), length_ms=(20.0, 20.0))
    assert {(event.depth_db, event.length_ms) for event in list_dropouts(KEY, same, 0.0, 60.0)} == {(7.0, 20.0)}
    assert list_dropouts(KEY, law_of(per_minute=0.0), 0.0, 1e9) == []


def test_high_rates_keep_their_mean():
    many = list_dropouts(KEY, law_of(per_minute=6_000.0), 0.0, 100.0)
    assert len(many) == pytest.approx(10_000, abs=400)


def test_counts_of_a_cell_are_poisson_quantiles():
    """scipy's quantiles of the hashed number that decides, means from 1 a minute to 100 a second."""
    for per_minute in (1.0, 60.0, 6_000.0):
        law = law_of(per_minute)
        cells = [np.int64(cell) for cell in range(-200, 200)]
        counts = [kernels.list_cell(np.uint64(9), law, cell, CELL) for cell in cells]
        shares = [
            uniform(np.uint64(mix_hash(np.uint64(9), cell.astype(np.uint64))), np.uint64(0)) for cell in cells
        ]
        np.testing.assert_array_equal(counts, stats.poisson(per_minute / 60.0).ppf(shares))


@pytest.mark.parametrize("rate", [48_000.0, 44_100.0 / 1.001])
@pytest.mark.parametrize("hours", [-3, 0, 10, 1_000_000])
@pytest.mark.parametrize(("after", "size"), [(-77, 20_000), (40, 43_900)])
def test_depths_of_a_stretch_are_those_of_the_list(rate, hours, after, size):
    """Whole numbers of samples decide the place: an hour from the origin and a million hours are as exact.

    Some stretches begin and end just inside a second, where dropouts of its neighbours reach in.
    """
    law = law_of(3_000.0)
    first = int(hours * 3_600 * rate) + after
    depth = np.full(size, np.nan)
    assert kernels.add_dropouts(np.uint64(KEY), law, rate, np.int64(first), 0, standing(), depth)
    exact = Fraction(rate)
    wanted = np.zeros(size)
    start = Fraction(first) / exact
    for cell in range(math.floor(start) - 1, math.ceil(start + size / exact) + 1):
        count = kernels.list_cell(np.uint64(KEY), law, np.int64(cell), CELL)
        for seconds, deep, length_ms in CELL[:count].tolist():
            place = (cell + Fraction(seconds)) * exact - first
            away = np.abs(np.arange(size) - float(place)) / (1e-3 * length_ms * rate)
            edge = 0.5 * (1.0 + np.cos(np.pi * np.clip((away - 0.25) / 0.5, 0.0, 1.0)))
            wanted = np.maximum(wanted, deep * edge)
    np.testing.assert_allclose(depth, wanted, atol=2e-11 if abs(hours) < 100 else 2e-7)


def test_a_stretch_without_dropouts_is_left_alone():
    law = law_of(1.0)
    depth = np.full(10, 7.0)
    found = [
        kernels.add_dropouts(np.uint64(KEY), law, 48_000.0, np.int64(48_000 * k), 0, standing(), depth)
        for k in range(10)
    ]
    assert found == [False] * 10
    assert np.all(depth == 7.0)
    assert not kernels.add_dropouts(np.uint64(KEY), law_of(0.0), 48_000.0, np.int64(0), 0, standing(), depth)
