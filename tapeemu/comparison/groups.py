"""Which orders sound alike: groups whose renders differ too little to be told apart."""

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tapeemu.rendering.matched import Render
from tapeemu.validation import FloatArray

__all__ = ["ALIKE_DB", "Group", "differences_db", "grouped", "shared_groups"]

ALIKE_DB = -30.0
"""Renders whose difference lies this far below the sound or further count as alike.

A change of level alone that leaves such a difference is one of 0.27 dB, about half of the smallest step that is
commonly said to be heard (0.5 to 1 dB, from memory). Our choice, no source; the blind test of the report settles
single cases.
"""

_BLOCK = 2**18


@dataclass(frozen=True, kw_only=True)
class Group:
    """Orders that sound alike.

    Attributes
    ----------
    members : tuple of int
        Places in the list of orders; the first is measured and heard for all.
    label : str
        What they have in common, in words.
    widest_db : float
        Level of the largest difference signal inside the group; minus infinity for one member.
    """

    members: tuple[int, ...]
    label: str
    widest_db: float

    @property
    def first(self) -> int:
        """Place of the order that stands for the group."""
        return self.members[0]


def differences_db(renders: Sequence[Render]) -> FloatArray:
    """Level of what is left of each two renders when one is taken from the other.

    Parameters
    ----------
    renders : sequence of Render
        All of one length.

    Returns
    -------
    ndarray, shape (renders, renders)
        Power of the difference in dB, in each row re the power of that row's render. Minus infinity where two are
        equal, infinity where they differ and that render is silent.
    """
    sounds = [render.audio.reshape(-1) for render in renders]
    powers = np.zeros((len(sounds), len(sounds)))
    for start in range(0, sounds[0].size, _BLOCK):
        block: npt.NDArray[np.float64] = np.array([sound[start : start + _BLOCK] for sound in sounds], np.float64)
        for one in range(len(sounds)):
            # Differences themselves, because products of nearly equal sounds would cancel.
            powers[one, one] += float(np.dot(block[one], block[one]))
            for two in range(one + 1, len(sounds)):
                left = block[two] - block[one]
                powers[one, two] += float(np.dot(left, left))
    found = np.full(powers.shape, -math.inf)
    for one, two in itertools.permutations(range(len(sounds)), 2):
        left = powers[min(one, two), max(one, two)]
        if left > 0.0:
            found[one, two] = 10.0 * math.log10(left / powers[one, one]) if powers[one, one] > 0.0 else math.inf
    return found


def grouped(
    differences: FloatArray,
    labels: Sequence[str],
    orders: Sequence[tuple[str, ...]],
    differ: Callable[[int, int], bool],
) -> tuple[Group, ...]:
    """Sort orders into groups, each of which differs too little inside to be told apart.

    Parameters
    ----------
    differences : ndarray, shape (orders, orders)
        From :func:`differences_db`.
    labels, orders : sequence
        What the orders are called, and their stages.
    differ : callable
        Whether two renders, given by their places, differ in some figure by enough to be told of.

    Notes
    -----
    Each order joins the first group to all of whose members it is alike (complete linkage, in the order of
    the list), so that no chain of small steps joins what is far apart.
    """
    groups: list[list[int]] = []
    for place in range(len(labels)):
        for members in groups:
            if all(differences[place, other] <= ALIKE_DB for other in members) and not differ(members[0], place):
                members.append(place)
                break
        else:
            groups.append([place])
    return tuple(
        Group(
            members=tuple(members),
            label=_common(members, labels, orders),
            widest_db=max(
                (float(differences[a, b]) for a, b in itertools.combinations(members, 2)), default=-math.inf
            ),
        )
        for members in groups
    )


def shared_groups(
    sets: Sequence[Sequence[Group]], labels: Sequence[str], orders: Sequence[tuple[str, ...]]
) -> tuple[Group, ...]:
    """Orders that stand in one group on every one of several recordings."""
    signatures: dict[tuple[int, ...], list[int]] = {}
    for place in range(len(labels)):
        where = tuple(
            next(number for number, group in enumerate(groups) if place in group.members) for groups in sets
        )
        signatures.setdefault(where, []).append(place)
    return tuple(
        Group(
            members=tuple(members),
            label=_common(members, labels, orders),
            widest_db=max(groups[number].widest_db for groups, number in zip(sets, where, strict=True)),
        )
        for where, members in signatures.items()
    )


def _common(members: Sequence[int], labels: Sequence[str], orders: Sequence[tuple[str, ...]]) -> str:
    """What the orders of a group have in common and those outside it do not all share."""
    if len(members) == 1:
        return labels[members[0]]
    if len(members) == len(labels):
        return "any order"
    stages = orders[members[0]]
    everyone = all(set(order) == set(stages) and len(order) == len(set(order)) for order in orders)
    if not everyone:
        return ", ".join(labels[place] for place in members)
    kept = {
        (one, two)
        for one, two in itertools.permutations(stages, 2)
        if all(orders[place].index(one) < orders[place].index(two) for place in members)
    }
    described = [
        place
        for place, order in enumerate(orders)
        if all(order.index(one) < order.index(two) for one, two in kept)
    ]
    if not kept or described != list(members):
        return f"{labels[members[0]]} and {len(members) - 1} like it"
    direct = [
        (one, two)
        for one, two in kept
        if not any((one, other) in kept and (other, two) in kept for other in stages)
    ]
    ranks: dict[str, int] = {}
    for stage in stages:
        if any(stage in pair for pair in kept):
            ranks[stage] = _depth(stage, direct)
    rows = [[stage for stage in stages if ranks.get(stage) == rank] for rank in range(max(ranks.values()) + 1)]
    if all((one, two) in kept for upper, lower in itertools.pairwise(rows) for one in upper for two in lower):
        return " before ".join(_listed(row) for row in rows)
    by_first = {one: [two for other, two in sorted(direct, key=lambda pair: stages.index(pair[1])) if other == one]
                for one in stages}  # fmt: skip
    return ", ".join(f"{one} before {_listed(later)}" for one, later in by_first.items() if later)


def _depth(stage: str, direct: Sequence[tuple[str, str]]) -> int:
    return max((1 + _depth(one, direct) for one, two in direct if two == stage), default=0)


def _listed(names: Sequence[str]) -> str:
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)
