"""What swapping two stages does, over all orders in which nothing else changes."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from measure.results import Reading
from tapeemu.comparison.compared_figures import FIGURES
from tapeemu.comparison.groups import ALIKE_DB
from tapeemu.comparison.repeats import Repeats, mean_and_doubt
from tapeemu.comparison.traits import TRAITS, Change, audible, most_telling, phrase

__all__ = [
    "OrderedFigures",
    "PairEffect",
    "Swap",
    "by_pair",
    "effect_phrases",
    "effect_sentences",
    "idle_pairs",
    "neighbour_swaps",
    "pair_effects",
    "range_lines",
    "silent_sentence",
    "swap_sentences",
]

OrderedFigures = Mapping[tuple[str, ...], tuple[Mapping[str, Reading], Repeats]]
"""By order: figures, and their values on each repeat."""

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
        Figure, a key of :data:`tapeemu.comparison.compared_figures.FIGURES`.
    mean, lowest, highest : float
        Over the matched pairs; differences in the figure's unit, or shares where the figure is relative.
    value, other : float
        Mean of the figure with `first` before `second`, and after it.
    doubt : float
        Uncertainty of the mean change, from the repeats that all pairs share; where there are none, that of a
        single difference.
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
    value: float
    other: float
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


def by_pair(swaps: Sequence[Swap]) -> dict[tuple[str, str], list[float]]:
    """Levels of the differences by the two stages, whichever came first; the widest apart first."""
    found: dict[tuple[str, str], list[float]] = {}
    for swap in swaps:
        turned = (swap.second, swap.first)
        found.setdefault(turned if turned in found else (swap.first, swap.second), []).append(swap.null_db)
    return dict(sorted(found.items(), key=lambda item: -max(item[1])))


def swap_sentences(swaps: Sequence[Swap]) -> list[str]:
    """Say for each two stages how much it changes when they change places as neighbours."""
    said = []
    for (first, second), levels in by_pair(swaps).items():
        loudest, softest = max(levels), min(levels)
        verdict = ", too little to tell them apart" if loudest <= ALIKE_DB else ""
        said.append(
            f"{first} and {second}, as neighbours that change places: the renders differ by a signal of "
            f"{_decibels(softest)} to {_decibels(loudest)} re the sound ({len(levels)} pairs){verdict}."
        )
    return said


def idle_pairs(swaps: Sequence[Swap]) -> list[str]:
    """Pairs of stages whose order, as neighbours, is never heard."""
    return [
        f"{first} and {second}" for (first, second), levels in by_pair(swaps).items() if max(levels) <= ALIKE_DB
    ]


def _decibels(level: float) -> str:
    return f"{level:.0f} dB" if math.isfinite(level) else "nothing"


def pair_effects(sets: Sequence[OrderedFigures]) -> list[PairEffect]:
    """Compare each order with the one in which two stages have changed places.

    Parameters
    ----------
    sets : sequence of mappings
        Figures, and their values on each repeat, by order: all orders of one chain, for one stem or for
        several.

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
    changes, singles, largest, heard = [], [], -math.inf, False
    values, others = [], []
    by_repeat: list[list[float]] = []
    for by_order in sets:
        for order, (figures, repeats) in by_order.items():
            if order.index(first) > order.index(second):
                continue
            place = tuple({first: second, second: first}.get(name, name) for name in order)
            there_figures, other_repeats = by_order[place]
            here, there = figures.get(key), there_figures.get(key)
            if here is None or there is None or not (here.defined and there.defined):
                return None
            scale = min(abs(here.value), abs(there.value)) if figure.relative else 1.0
            if scale == 0.0:
                return None
            heard = heard or audible(here) or audible(there)
            largest = max(largest, here.value, there.value)
            values.append(here.value)
            others.append(there.value)
            changes.append((here.value - there.value) / scale)
            known = (each for each in (here.uncertainty, there.uncertainty) if math.isfinite(each))
            singles.append(math.hypot(*known) / scale)
            pairs = zip(repeats.get(key, ()), other_repeats.get(key, ()), strict=False)
            by_repeat.append([(one - two) / scale for one, two in pairs])
    mean = math.fsum(changes) / len(changes)
    shared = min(map(len, by_repeat))
    means = [math.fsum(each[repeat] for each in by_repeat) / len(by_repeat) for repeat in range(shared)]
    repeated = mean_and_doubt([each for each in means if math.isfinite(each)])
    if repeated is not None:
        # What holds on any tape, not on this one alone.
        mean, doubt = repeated
    else:
        doubt = math.fsum(singles) / len(singles)
    other = math.fsum(others) / len(others)
    value = other + (mean * min(abs(other), abs(math.fsum(values) / len(values))) if figure.relative else mean)
    agreeing = sum(1 for change in changes if change * mean > 0.0)
    return PairEffect(
        first=first,
        second=second,
        key=key,
        mean=mean,
        lowest=min(changes),
        highest=max(changes),
        value=value,
        other=other,
        doubt=doubt,
        pairs=len(changes),
        clear=heard
        and largest >= figure.least
        and abs(mean) >= figure.threshold
        and abs(mean) > 2.0 * doubt
        and agreeing >= _AGREEING * len(changes),
    )


def effect_sentences(effects: Sequence[PairEffect]) -> list[str]:
    """Say what each swap changes clearly, in a musician's words with the mean figures after them."""
    return [f"{stages}: {', '.join(phrases)}." for stages, phrases in effect_phrases(effects).items()]


def effect_phrases(effects: Sequence[PairEffect]) -> dict[str, list[str]]:
    """The same as phrases, by the two stages: "hall before drive"."""
    said = {}
    for (first, second), own in _by_stages(effects).items():
        phrases = []
        for trait in TRAITS:
            clear = [
                Change(key=effect.key, value=effect.value, other=effect.other)
                for key in trait.keys
                for effect in own
                if effect.key == key and effect.clear
            ]
            phrases += [phrase(trait, change) for change in most_telling(trait, clear)]
        if phrases:
            said[f"{first} before {second}"] = phrases
    return said


def range_lines(effects: Sequence[PairEffect]) -> list[str]:
    """The figures behind those sentences: mean change and its range over all matched pairs."""
    said = []
    for (first, second), own in _by_stages(effects).items():
        clear = [_range(effect) for effect in own if effect.clear]
        if clear:
            said.append(
                f"{first} before {second}, instead of after it ({own[0].pairs} matched pairs of renders): "
                f"{'; '.join(clear)}."
            )
    return said


def silent_sentence(effects: Sequence[PairEffect]) -> list[str]:
    """Say which swaps move no figure clearly; nothing where each moves one."""
    silent = [
        f"{first} and {second}"
        for (first, second), own in _by_stages(effects).items()
        if not any(effect.clear for effect in own)
    ]
    if not silent:
        return []
    return [
        "Which of the two comes first moves no figure clearly by its threshold, everything else being equal, "
        f"for: {'; '.join(silent)}."
    ]


def _by_stages(effects: Sequence[PairEffect]) -> dict[tuple[str, str], list[PairEffect]]:
    found: dict[tuple[str, str], list[PairEffect]] = {}
    for effect in effects:
        found.setdefault((effect.first, effect.second), []).append(effect)
    return found


def _range(effect: PairEffect) -> str:
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
