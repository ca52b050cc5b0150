"""Edges of responses that are straight lines over octaves, where they are known on paper."""

import math

import numpy as np
import pytest

from measure.quantities.edges import band_edges

F = 62.5 * 2.0 ** (np.arange(24 * 8 + 1) / 24.0)  # to 16 kHz
SLOPE_DB = 6.0  # an octave, either side of 1 kHz
ROOF = -SLOPE_DB * np.abs(np.log2(F / 1_000.0))


def edges(magnitude, doubt=None):
    return band_edges(F, magnitude, reference_hz=1_000.0, method="lines", conditions={}, uncertainty_db=doubt)


@pytest.mark.parametrize("gain_db", [-30.0, 0.0, 12.0])
def test_a_response_that_falls_on_both_sides_has_both_edges(gain_db):
    octaves = 10.0 * math.log10(2.0) / SLOPE_DB
    lower, upper = edges(ROOF + gain_db)
    assert lower.value == pytest.approx(1_000.0 / 2.0**octaves, rel=1e-9)
    assert upper.value == pytest.approx(1_000.0 * 2.0**octaves, rel=1e-9)
    assert upper.uncertainty == pytest.approx(0.1 * math.log(2.0) / 24.0 * upper.value, rel=1e-9)


def test_doubt_of_the_magnitude_moves_the_edge_along_its_slope():
    """The edge is a level re that at the reference frequency, and both are in doubt by a tenth of an octave."""
    upper = edges(ROOF, np.full(F.size, 0.6))[1]
    octaves = math.hypot(0.1 / 24.0, 0.1, 0.1)
    assert upper.uncertainty / upper.value == pytest.approx(octaves * math.log(2.0), rel=1e-9)


def test_an_edge_says_where_its_doubt_is_a_bound():
    """The straight line between two points is off by less than is counted; noise is not."""
    assert "(a bound: " in edges(ROOF)[1].uncertainty_basis
    assert "mostly a bound" in edges(ROOF, np.full(F.size, 0.01))[1].uncertainty_basis
    assert "bound" not in edges(ROOF, np.full(F.size, 0.6))[1].uncertainty_basis


def test_the_edge_lies_where_it_is_passed_and_not_where_that_is_sure():
    """A parabola over octaves: a line from where it is sure, drawn back, would miss by a per cent."""
    curved = -3.0 * np.log2(F / 1_000.0) ** 2
    octaves = math.sqrt(10.0 * math.log10(2.0) / 3.0)
    lower, upper = edges(curved, np.full(F.size, 0.6))
    assert lower.value == pytest.approx(1_000.0 / 2.0**octaves, rel=1e-3)
    assert upper.value == pytest.approx(1_000.0 * 2.0**octaves, rel=1e-3)


def test_a_dip_counts_only_where_it_is_deeper_than_its_doubt():
    """A dropout while a sweep passes: the level is low there, and so unsure that it may not have fallen at all."""
    dipped, doubt = np.where(F > 8_000.0, -20.0, 0.0), np.full(F.size, 0.05)
    at = int(np.argmin(np.abs(F - 2_000.0)))
    dipped[at], doubt[at] = -3.2, 4.0
    assert edges(dipped, doubt)[1].value == pytest.approx(8_000.0, rel=0.03)
    doubt[at] = 0.05
    assert edges(dipped, doubt)[1].value == pytest.approx(2_000.0, rel=0.03)


def test_what_is_nothing_has_fallen_and_what_is_unknown_has_not():
    silent = np.where((F < 250.0) | (F > 4_000.0), -np.inf, 0.0)
    lower, upper = edges(silent)
    assert lower.value == pytest.approx(250.0, rel=0.03)
    assert upper.value == pytest.approx(4_000.0, rel=0.03)
    unknown = np.where((F < 250.0) | (F > 4_000.0), np.nan, 0.0)
    for edge, end in zip(edges(unknown), ("250 Hz", "4000 Hz"), strict=True):
        assert not edge.defined
        assert edge.warnings == (f"the magnitude stays within 3 dB as far as {end}, and is not known beyond",)
    assert edges(np.zeros(F.size))[1].warnings == ("the magnitude stays within 3 dB as far as 16000 Hz",)


def test_the_reference_itself_is_no_edge_though_the_point_nearest_to_it_has_fallen():
    """Between two points 40 dB apart: at a third of the way the line lies 27 dB above the nearer, lower one."""
    f = np.array([250.0, 500.0, 1_000.0, 1_300.0, 2_000.0, 4_000.0, 8_000.0])
    magnitude = np.array([0.0, 0.0, 0.0, -40.0, 0.0, 0.0, -40.0])
    upper = band_edges(f, magnitude, reference_hz=1_200.0, method="lines", conditions={})[1]
    assert 4_000.0 < upper.value < 8_000.0
