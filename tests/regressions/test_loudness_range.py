"""No test noticed a wrong loudness range."""

import math

import numpy as np
import pytest

from measure.quantities.level import loudness


@pytest.mark.parametrize(
    ("first", "last", "expected"),
    [
        # All of it is heard: the 10th to 95th percentile of an even distribution is 0.85 of its span.
        (-30.0, -14.0, 0.85 * 16.0),
        # Mean power of an even distribution from a to b: b + 10 lg(10 / ln 10 / (b - a)), here -10 - 9.64 LUFS;
        # what lies 20 LU below that is not heard.
        (-50.0, -10.0, 0.85 * (20.0 + 9.643)),
        # Below -70 LUFS nothing is heard.
        (-90.0, -55.0, 0.85 * 15.0),
    ],
    ids=["percentiles", "relative gate", "absolute gate"],
)
def test_loudness_range_of_a_fade_has_a_closed_form(first: float, last: float, expected: float) -> None:
    """The short-term loudness of a tone that grows by so many decibels a second does too (EBU Tech 3342)."""
    rate, seconds = 16_000, 150.0
    time = np.arange(round(seconds * rate)) / rate
    # The blocks of 3 s run from 0 to `seconds` - 3; a block reads by its mean power, which is that of its middle
    # plus a constant.
    slope = (last - first) / (seconds - 3.0)
    growth = 3.0 * slope * math.log(10.0) / 10.0
    middle = 10.0 * math.log10(math.sinh(growth / 2.0) / (growth / 2.0))
    level_db = first + slope * (time - 1.5) - middle + 3.01
    signal = 10.0 ** (level_db / 20.0) * np.sin(2.0 * np.pi * 997.0 * time)
    assert loudness(signal, rate)[1].value == pytest.approx(expected, abs=0.08)
