"""What swapping two stages does, over all orders in which nothing else changes."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from measure.results import Reading
from tapeemu.comparison.figures import FIGURES, paired_doubt
from tapeemu.comparison.sentences import SAME_DB

__all__ = [
    "OrderedFigures",
    "PairEffect",
    "Swap",
    "neighbour_swaps",
    "pair_effects",
    "pair_sentences",
    "swap_sentences",
]

OrderedFigures = Mapping[tuple[str, ...], tuple[Mapping[str, Reading], Mapping[str, tuple[float, ...]]]]
"""By order: figures, and figures with each repeat left out in turn."""

_KEYS = tuple(
    key
    for key, figure in FIGURES.items()
    if math.isfinite(figure.threshold) and key not in ("loudness_lufs", "true_peak_dbtp")
)
# Share of the matched pairs that must go the same way as their mean.
_AGREEING = 0.9


@dataclass(frozen=True, kw_only=True)
class PairEffect:
    """Change of one figure when `first` comes before `second` instead of after it.

    Attributes
    ----------
    first, second : str
        Stages.
    key : str
        Figure, a key of :data:`tapeemu.comparison.figures.FIGURES`.
    mean, lowest, highest : float
        Over the matched pairs; differences in the figure's unit, or shares where the figure is relative.
    doubt : float
        Uncertainty of a difference, from repeats that both orders share where there are any; averaged over
        the pairs and not reduced by their number, because all of them share those repeats.
    pairs : int
        Matched pairs of orders.
    clear : bool
        Whether the mean reaches the threshold and twice the doubt, and nine pairs in ten go its way.
    """

    first: str
    second: str
    key: str
    mean: float
    lowest: float
    highest: float
    doubt: float
    pairs: int
    clear: bool


@dataclass(frozen=True, kw_only=True)
class Swap:
    """How far two renders are apart in which two neighbouring stages have changed places.

    Attributes
    ----------
    first, second : str
        The two stages.
    null_db : float
        Level of the difference signal; minus infinity where the renders are equal.
    """

    first: str
    second: str
    null_db: float


def neighbour_swaps(orders: Sequence[tuple[str, ...]]) -> list[tuple[int, int, str, str]]:
    """Pairs of orders in which two neighbours have changed places and nothing else has.

    Returns
    -------
    list of (int, int, str, str)
        Places of the two orders in the list, and the two stages in the order of the first of them.
    """
    places = {order: place for place, order in enumerate(orders)}
    found = []
    for order, place in places.items():
        for left in range(len(order) - 1):
            swapped = (*order[:left], order[left + 1], order[left], *order[left + 2 :])
            other = places.get(swapped, -1)
            if other > place:
                found.append((place, other, order[left], order[left + 1]))
    return found


def swap_sentences(swaps: Sequence[Swap]) -> list[str]:
    """Say for each two stages how much it changes when they change places as neighbours."""
    said = []
    by_pair: dict[tuple[str, str], list[float]] = {}
    for swap in swaps:
        turned = (swap.second, swap.first)
        pair = turned if turned in by_pair else (swap.first, swap.second)
        by_pair.setdefault(pair, []).append(swap.null_db)
    for (first, second), levels in sorted(by_pair.items(), key=lambda item: -max(item[1])):
        loudest, softest = max(levels), min(levels)
        verdict = ", hard to tell apart" if loudest <= SAME_DB else ""
        said.append(
            f"{first} and {second}, as neighbours that change places: the renders differ by a signal of "
            f"{_decibels(softest)} to {_decibels(loudest)} re the sound ({len(levels)} pairs){verdict}."
        )
    return said


def _decibels(level: float) -> str:
    return f"{level:.0f} dB" if math.isfinite(level) else "nothing"


def pair_effects(sets: Sequence[OrderedFigures]) -> list[PairEffect]:
    """Compare each order with the one in which two stages have changed places.

    Parameters
    ----------
    sets : sequence of mappings
        Figures, and figures with each repeat left out, by order: all orders of one chain, for one stem or
        for several.

    Returns
    -------
    list of PairEffect
        For each pair of stages and each figure that is defined in all matched pairs.
    """
    stages = next(iter(sets[0]))
    effects = []
    for one, first in enumerate(stages):
        for second in stages[one + 1 :]:
            for key in _KEYS:
                effect = _effect(sets, first, second, key)
                if effect is not None:
                    effects.append(effect)
    return effects


def _effect(sets: Sequence[OrderedFigures], first: str, second: str, key: str) -> PairEffect | None:
    figure = FIGURES[key]
    changes, doubts, largest = [], [], -math.inf
    for by_order in sets:
        for order, (figures, parts) in by_order.items():
            if order.index(first) > order.index(second):
                continue
            other, other_parts = by_order[tuple({first: second, second: first}.get(name, name) for name in order)]
            here, there = figures.get(key), other.get(key)
            if here is None or there is None or not (here.defined and there.defined):
                return None
            scale = min(abs(here.value), abs(there.value)) if figure.relative else 1.0
            if scale == 0.0:
                return None
            largest = max(largest, here.value, there.value)
            changes.append((here.value - there.value) / scale)
            doubt = paired_doubt(parts.get(key, ()), other_parts.get(key, ()))
            if doubt is None:
                known = (each for each in (here.uncertainty, there.uncertainty) if math.isfinite(each))
                doubt = math.hypot(*known)
            doubts.append(doubt / scale)
    mean = math.fsum(changes) / len(changes)
    doubt = math.fsum(doubts) / len(doubts)
    agreeing = sum(1 for change in changes if change * mean > 0.0)
    return PairEffect(
        first=first,
        second=second,
        key=key,
        mean=mean,
        lowest=min(changes),
        highest=max(changes),
        doubt=doubt,
        pairs=len(changes),
        clear=largest >= figure.least
        and abs(mean) >= figure.threshold
        and abs(mean) > 2.0 * doubt
        and agreeing >= _AGREEING * len(changes),
    )


def pair_sentences(effects: Sequence[PairEffect]) -> list[str]:
    """Say which figures each swap moves clearly, and which swaps move none."""
    said = []
    silent = []
    for first, second in dict.fromkeys((effect.first, effect.second) for effect in effects):
        own = [effect for effect in effects if (effect.first, effect.second) == (first, second)]
        clear = [_phrase(effect) for effect in own if effect.clear]
        if clear:
            said.append(
                f"{first} before {second}, instead of after it ({own[0].pairs} matched pairs of renders): "
                f"{'; '.join(clear)}."
            )
        else:
            silent.append(f"{first} and {second}")
    if silent:
        said.append(
            "Which of the two comes first moves no figure clearly by its threshold, everything else being equal, "
            f"for: {'; '.join(silent)}."
        )
    return said


def _phrase(effect: PairEffect) -> str:
    figure = FIGURES[effect.key]
    name = figure.name.removesuffix(", against the first")
    if figure.relative:
        factors = [_percent(value) for value in (effect.mean, effect.lowest, effect.highest)]
        return f"{name} {factors[0]} ({factors[1]} to {factors[2]})"
    unit = f" {figure.unit}" if figure.unit else ""
    digits = figure.digits
    low, high = f"{effect.lowest:+.{digits}f}", f"{effect.highest:+.{digits}f}"
    return f"{name} {effect.mean:+.{digits}f}{unit} ({low} to {high}{unit})"


def _percent(share: float) -> str:
    # Changes are relative to the smaller of the two values, so a fall by half is -100 % there.
    ratio = 1.0 + share if share >= 0.0 else 1.0 / (1.0 - share)
    return f"{100.0 * (ratio - 1.0):+.0f} %"
