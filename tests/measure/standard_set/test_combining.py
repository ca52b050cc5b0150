"""Figures of several seeds: their mean, their spread, and what was lost."""

import math
from dataclasses import replace

from measure.results import Reading
from measure.standard_set.combining import combined


def reading(value: float, uncertainty: float = 0.0, *warnings: str) -> Reading:
    return Reading(quantity="q", value=value, unit="u", method="m", uncertainty=uncertainty, warnings=warnings)


def test_one_seed_is_told_as_it_was_read() -> None:
    one = reading(3.0, 0.1)
    assert combined([one], [7]) is one


def test_several_have_their_mean_and_their_spread() -> None:
    found = combined([reading(1.0, 0.2), reading(2.0, 0.3), reading(3.0, 0.1)], [1, 2, 3])
    assert (found.value, found.uncertainty) == (2.0, 1.0)
    assert found.conditions["repeats"] == 3
    assert combined([reading(1.0, 5.0), reading(2.0, 3.0)], [1, 2]).uncertainty == 5.0


def test_a_seed_without_a_figure_is_named_and_left_out() -> None:
    lost = replace(reading(math.nan, math.nan), warnings=("too short",))
    found = combined([lost, reading(2.0, 0.5)], [4, 5])
    assert (found.value, found.uncertainty) == (2.0, 0.5)
    assert found.warnings == ("undefined for seed 4: too short",)
    assert found.conditions["repeats"] == 1
    assert combined([lost, lost], [4, 5]) == lost
