"""Dropouts against their stated laws (Kolmogorov-Smirnov), and that any stretch can be listed alone."""

import numpy as np
import pytest
from scipy import stats

from tapeemu.dsp.dropouts import DropoutLaw, list_dropouts

LAW = DropoutLaw(key=20_261, per_minute=100.0, depth_db=(3.0, 12.0), length_ms=(5.0, 50.0))


@pytest.fixture(scope="module")
def events():
    found = list_dropouts(LAW, 0.0, 6_300.0)[:10_000]
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
    times = np.array(list_dropouts(LAW, 1_000.37, 3_000.37))[:, 0]
    counts = np.histogram(times, bins=np.arange(1_000.37, 3_000.4, 2.5))[0]
    mean = 2.5 * 100.0 / 60.0
    assert counts.mean() == pytest.approx(mean, rel=0.07)
    assert counts.var() == pytest.approx(mean, rel=0.2)


def test_a_stretch_can_be_listed_alone():
    whole = list_dropouts(LAW, -30.0, 4_030.0)
    parts = [list_dropouts(LAW, a, b) for a, b in ((-30.0, 0.5), (0.5, 0.7), (0.7, 4_000.0), (4_000.0, 4_030.0))]
    assert [event for part in parts for event in part] == whole
    assert whole == sorted(whole)


def test_equal_limits_make_all_alike_and_no_rate_makes_none():
    same = LAW._replace(depth_db=(7.0, 7.0), length_ms=(20.0, 20.0))
    assert {(event.depth_db, event.length_ms) for event in list_dropouts(same, 0.0, 60.0)} == {(7.0, 20.0)}
    assert list_dropouts(LAW._replace(per_minute=0.0), 0.0, 1e9) == []


def test_high_rates_keep_their_mean():
    many = list_dropouts(LAW._replace(per_minute=6_000.0), 0.0, 100.0)
    assert len(many) == pytest.approx(10_000, abs=400)
