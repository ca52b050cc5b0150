"""A page of 24 orders had 24 rows of equal numbers instead of groups that can be told apart."""

import itertools
import math

import numpy as np
import pytest

from tapeemu.comparison.groups import ALIKE_DB, grouped


def never(*_: int) -> bool:
    return False


def levels_by(apart: float, matters: list[tuple[str, str]], orders: list[tuple[str, ...]]) -> np.ndarray:
    """Differences where only some pairs of stages matter: far if one of those stands the other way round."""

    def far(one: tuple[str, ...], two: tuple[str, ...]) -> bool:
        return any((one.index(a) < one.index(b)) != (two.index(a) < two.index(b)) for a, b in matters)

    return np.array([[apart if far(one, two) else -60.0 for two in orders] for one in orders])


@pytest.mark.parametrize(
    ("matters", "labels"),
    [
        ([("a", "b")], ["a before b", "b before a"]),
        (
            [("a", "b"), ("a", "c")],
            ["a before b and c", "b before a before c", "b and c before a", "c before a before b"],
        ),
        ([], ["any order"]),
    ],
)
def test_groups_are_named_by_what_their_orders_share(matters: list[tuple[str, str]], labels: list[str]) -> None:
    orders = list(itertools.permutations("abcd"))
    names = [" > ".join(order) for order in orders]
    groups = grouped(levels_by(-10.0, matters, orders), names, orders, never)
    assert sorted(group.label for group in groups) == sorted(labels)
    assert sorted(place for group in groups for place in group.members) == list(range(24))
    for group in groups:
        assert group.first == group.members[0] == min(group.members)


def test_no_chain_of_small_steps_joins_what_is_far_apart() -> None:
    """On a line, neighbours are alike and ends are not: complete linkage keeps the ends apart."""
    levels = np.array(
        [[-math.inf if one == two else -35.0 + 6.0 * (abs(one - two) - 1) for two in range(4)] for one in range(4)]
    )
    groups = grouped(levels, list("wxyz"), [("w",), ("x",), ("y",), ("z",)], never)
    assert [group.members for group in groups] == [(0, 1), (2, 3)]
    assert groups[0].widest_db == -35.0
    assert all(levels[one, two] <= ALIKE_DB for group in groups for one in group.members for two in group.members)
