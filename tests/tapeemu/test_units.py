"""Conversions: values known on paper."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapeemu.units import db_to_gain, gain_to_db, percent_to_ratio, ratio_to_percent, seconds_to_samples


@pytest.mark.parametrize(("level_db", "gain"), [(0.0, 1.0), (20.0, 10.0), (-40.0, 0.01)])
def test_decibels_on_paper(level_db: float, gain: float) -> None:
    assert db_to_gain(level_db) == pytest.approx(gain, rel=1e-15)
    assert gain_to_db(-gain) == pytest.approx(level_db, abs=1e-12)


@given(st.floats(-300.0, 300.0))
def test_decibels_there_and_back(level_db: float) -> None:
    assert gain_to_db(db_to_gain(level_db)) == pytest.approx(level_db, abs=1e-9)


def test_nothing_is_minus_infinity() -> None:
    assert gain_to_db(0.0) == -math.inf


def test_percent_and_samples() -> None:
    assert percent_to_ratio(12.5) == 0.125
    assert ratio_to_percent(0.125) == 12.5
    assert seconds_to_samples(0.5, 44_100) == 22_050
