"""What is said of two orders."""

import pytest

from measure.results import Reading
from tapeemu.comparison.sentences import differing


def octave(value_db: float, below_strongest_db: float) -> dict[str, Reading]:
    """The level of an octave, and how far it lies below the strongest one."""
    conditions = {"below_strongest_db": below_strongest_db}
    reading = Reading(quantity="q", value=value_db, unit="dB", method="m", uncertainty=0.1, conditions=conditions)
    return {"octave_8000hz_db": reading}


@pytest.mark.parametrize(("one", "two", "told"), [(10.0, 80.0, True), (80.0, 10.0, True), (80.0, 80.0, False)])
def test_an_octave_is_told_where_either_order_lets_it_be_heard(one: float, two: float, told: bool) -> None:
    """Far below the strongest in both, no one hears how they differ."""
    assert bool(differing(octave(6.0, one), {}, octave(0.0, two), {})) is told
