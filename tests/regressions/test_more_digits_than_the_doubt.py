"""Figures were printed with more digits than their uncertainty supports, and with '+/- 5e-13 %'."""

import math

import pytest

from measure.results import figure_text


@pytest.mark.parametrize(
    ("value", "uncertainty", "text"),
    [
        (0.0996917, 1e-5, "0.099692 ± 0.000010"),
        (2.93, 0.03, "2.93 ± 0.03"),
        (2.93012, 0.026, "2.930 ± 0.026"),
        (1234.0, 230.0, "1230 ± 230"),
        (0.0123, 0.5, "0.0 ± 0.5"),
        (-0.0004, 0.01, "0.000 ± 0.010"),
        # Six digits are all that anybody reads.
        (1000.00031, 1e-5, "1000.00 ± < 0.01"),
        # What only the rounding of numbers puts in doubt is exact.
        (3.0, 5e-13, "3 exact"),
        (6.5e-14, 3e-14, "0 exact"),
        (0.0, 0.0, "0 exact"),
        (20_000.0, 0.0, "20000 exact"),
        (565.91, math.nan, "565.9 "),
        (math.nan, 1.0, "undefined "),
    ],
)
def test_digits_that_the_uncertainty_supports(value: float, uncertainty: float, text: str) -> None:
    assert " ".join(figure_text(value, uncertainty)) == text
