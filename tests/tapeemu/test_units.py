"""Conversions: values known on paper."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapeemu.units import (
    db_to_gain,
    gain_to_db,
    percent_to_ratio,
    ratio_to_percent,
    read_quantity,
    seconds_to_samples,
)


@pytest.mark.parametrize(("level_db", "gain"), [(0.0, 1.0), (20.0, 10.0), (-40.0, 0.01)])
def test_decibels_are_those_on_paper(level_db: float, gain: float) -> None:
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


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("1.8 s", "s", 1.8),
        ("1800ms", "s", 1.8),
        ("0.1 ms", "µs", 100.0),
        ("3 min", "s", 180.0),
        ("7.5 in/s", "cm/s", 19.05),  # the inch is 25.4 mm, exactly (international inch, 1959)
        ("15 ips", "cm/s", 38.1),
        ("-3 DB", "dB", -3.0),
        (".5 kHz", "Hz", 500.0),
        ("1e3 Hz", "kHz", 1.0),
        ("-18 dBFS", "dB", None),
        ("2 %", "", None),
        ("2", "%", None),
        ("2 % of it", "%", None),
        ("1,8 s", "s", None),
        ("s", "s", None),
    ],
)
def test_numbers_with_units(text: str, unit: str, value: float | None) -> None:
    assert read_quantity(text, unit) == value
