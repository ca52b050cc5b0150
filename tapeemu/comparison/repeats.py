"""What repeats tell: tapes, rooms and bursts of noise that all orders share, so that orders differ in pairs."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from measure.results import Reading
from tapeemu.comparison.compared_figures import FIGURES

__all__ = [
    "Repeats",
    "mean_and_doubt",
    "paired_difference",
    "repeats_of_renders",
    "settled",
    "widened",
    "with_spread",
]

Repeats = Mapping[str, tuple[float, ...]]
"""Values of figures on each repeat; the repeats are the same for all orders."""


def repeats_of_renders(tapes: Sequence[Mapping[str, Reading]]) -> dict[str, tuple[float, ...]]:
    """Figures of one order on several tapes, as far as they are defined on all."""
    found = {}
    for key in tapes[0] if len(tapes) > 1 else ():
        values = tuple(tape[key].value for tape in tapes if key in tape)
        if len(values) == len(tapes) and np.all(np.isfinite(values)):
            found[key] = values
    return found


def paired_difference(one: Sequence[float], two: Sequence[float]) -> tuple[float, float] | None:
    """Mean difference of a figure between two orders, and its uncertainty, from repeats that both share.

    What a tape, a room or a burst of noise does to both alike cancels. A repeat on which one of the two is
    undefined is left out for both. The uncertainty is the standard error, widened for the few repeats so that
    twice of it is Student's limit at 99 %. None where fewer than two repeats are left.
    """
    count = min(len(one), len(two))
    differences = np.subtract(one[:count], two[:count])
    return mean_and_doubt(differences[np.isfinite(differences)].tolist())


def mean_and_doubt(values: Sequence[float]) -> tuple[float, float] | None:
    """Mean of independent values and its widened standard error; None for fewer than two."""
    count = len(values)
    if count < 2:
        return None
    spread = float(np.std(values, ddof=1)) / math.sqrt(count)
    return math.fsum(values) / count, widened(spread, count)


def settled(
    key: str, own: Mapping[str, Reading], repeats: Repeats, other: Mapping[str, Reading], others: Repeats
) -> bool:
    """Whether it is clear that two orders differ in a figure by its threshold, or that they do not."""
    one, two = own.get(key), other.get(key)
    if one is None or two is None or not (one.defined and two.defined):
        return True
    pair = paired_difference(repeats.get(key, ()), others.get(key, ()))
    if pair is None:
        return True
    figure = FIGURES[key]
    threshold = figure.threshold * (min(abs(one.value), abs(two.value)) if figure.relative else 1.0)
    return abs(abs(pair[0]) - threshold) >= 2.0 * pair[1]


def widened(doubt: float, repeats: int) -> float:
    """Widen a doubt for the few repeats it comes from, so that twice of it is Student's limit at 99 %."""
    from scipy.special import stdtrit

    return doubt * float(stdtrit(repeats - 1, 0.995)) / 2.0


def with_spread(figures: Mapping[str, Reading], repeats: Repeats) -> dict[str, Reading]:
    """Give figures of renders the standard deviation over tapes as their uncertainty."""
    return {
        key: replace(
            reading,
            uncertainty=float(np.std(repeats[key], ddof=1)),
            uncertainty_basis=f"repeats ({len(repeats[key])} tapes, loudest part of the stem)",
        )
        if key in repeats
        else reading
        for key, reading in figures.items()
    }
