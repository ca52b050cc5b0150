"""How figures are printed, and that they go to JSON and back."""

import math

from hypothesis import given
from hypothesis import strategies as st

from measure.report import table_lines
from measure.results import Reading, figure_text


@given(st.floats(-1e6, 1e6), st.floats(1e-8, 1e4))
def test_the_text_is_the_figure(value: float, uncertainty: float) -> None:
    """Rounding costs at most half of the uncertainty, or the sixth digit; and never prints an exponent."""
    shown, doubt = figure_text(value, uncertainty)
    assert abs(float(shown) - value) <= max(0.51 * uncertainty, 0.51e-5 * abs(value), 1e-9)
    assert "e-" not in shown + doubt
    significant = shown.lstrip("-").replace(".", "").lstrip("0")
    assert len(significant) <= 7


def test_a_value_that_rounds_up_to_the_next_power_of_ten() -> None:
    assert figure_text(0.09996, 1e-5, most_digits=3)[0] == "0.100"
    assert figure_text(999.99996, 1e-5) == ("1000.00", "± < 0.01")


def test_readings_and_tables_print_them() -> None:
    reading = Reading(quantity="THD", value=3.00000000001, unit="%", method="fit", uncertainty=5e-13)
    assert str(reading) == "THD: 3 % exact (fit)"
    assert table_lines({"thd_percent": reading}) == ["thd_percent           3 exact       %"]
    rough = Reading(quantity="flutter", value=0.123456, unit="%", method="RMS", uncertainty=0.01)
    assert "0.123 ± 0.010 %" in str(rough)


def test_what_is_beyond_numbers_is_said_in_words() -> None:
    assert figure_text(math.nan, 0.1) == ("undefined", "")
    assert figure_text(-math.inf, 0.1) == ("-inf", "")
    assert figure_text(1234.5, math.inf) == ("1e+03", "± any")
    assert figure_text(1.25e-17, math.nan) == ("1.2e-17", "")
