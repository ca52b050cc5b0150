"""How thoroughly orders are measured: what may be asked for, and what may not."""

from typing import Any

import pytest

from tapeemu.comparison import FULL, LEAN, MeasuringPlan
from tapeemu.comparison.plan import MANY, plan_for
from tapeemu.errors import ParameterError

# Least and most of each, own choice: the quiet level is not above the reference, nor the loud one below it;
# nothing is read over less than a decay of the chain; more repeats than this take days.
ENDS = {
    "reference_level_dbfs": (-60.0, 0.0),
    "quiet_db": (-60.0, 0.0),
    "loud_db": (0.0, 60.0),
    "glide_decays": (1.0, 20.0),
    "glides": (1, 100),
    "bursts": (1, 1000),
    "most_bursts": (1, 1000),
    "tapes": (1, 100),
    "most_tapes": (1, 100),
}


def with_one(name: str, value: float) -> MeasuringPlan:
    asked: dict[str, Any] = {name: value}
    return MeasuringPlan(**asked)


def test_every_number_of_a_plan_has_ends() -> None:
    assert set(ENDS) == set(MeasuringPlan.model_fields)


@pytest.mark.parametrize("name", ENDS)
def test_a_plan_is_taken_to_its_ends_and_no_farther(name: str) -> None:
    least, most = ENDS[name]
    step = 1 if isinstance(least, int) else 1e-9
    for end, beyond in ((least, least - step), (most, most + step)):
        assert getattr(with_one(name, end), name) == end
        with pytest.raises(ParameterError, match=name):
            with_one(name, beyond)


def test_many_orders_are_measured_at_the_same_levels_with_fewer_repeats() -> None:
    assert [plan_for(orders) for orders in (2, MANY, MANY + 1)] == [FULL, FULL, LEAN]
    assert LEAN.levels_dbfs == FULL.levels_dbfs == {"quiet": -38.0, "reference": -18.0, "loud": -8.0}
    assert (LEAN.bursts, LEAN.tapes, LEAN.glides) == (FULL.bursts, FULL.tapes, FULL.glides)
    assert LEAN.most_bursts < FULL.most_bursts
    assert LEAN.most_tapes < FULL.most_tapes
