"""Student's distribution in closed form: one degree of freedom is Cauchy's, endless ones are Gauss's."""

import math

import pytest

from measure.parts.few_degrees import widened


def test_two_sigma_of_few_values_are_wider_by_students_distribution() -> None:
    assert widened(1.0) == pytest.approx(0.5 * math.tan(math.pi * (0.97725 - 0.5)), rel=1e-9)
    assert widened(1e9) == pytest.approx(1.0, abs=1e-4)
