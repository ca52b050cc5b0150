"""Plain sentences about what the figures mean: a musician's words first, the figures after them.

Everything is generated from the figures and the stated thresholds. A difference is worth a word if it
reaches the threshold and is surer than chance; what is not said is not supported.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from measure.results import Reading
from tapeemu.comparison.compared_figures import FIGURES, LEVEL_NAMES, ComparedFigure
from tapeemu.comparison.groups import ALIKE_DB, Group
from tapeemu.comparison.repeats import Repeats, paired_difference
from tapeemu.comparison.traits import Change, audible, changes, phrase

__all__ = [
    "answer",
    "breathing",
    "clear_change",
    "differing",
    "level_sentence",
    "listed",
    "meaning",
    "named",
    "noteworthy",
    "threshold_lines",
]

Figures = Mapping[str, Reading]

_DOUBT = 2.0  # widened uncertainties that a difference must exceed: Student's limit at 99 %


def noteworthy(figure: ComparedFigure, value: Reading, other: Reading, doubt: float | None = None) -> bool:
    """Whether two figures differ by at least the threshold, and by twice the uncertainty of their difference.

    That uncertainty is `doubt` where it is known, else the combination of the two.
    """
    if not (value.defined and other.defined) or max(value.value, other.value) < figure.least:
        return False
    difference = abs(value.value - other.value)
    scale = min(abs(value.value), abs(other.value)) if figure.relative else 1.0
    if doubt is None:
        doubt = math.hypot(*(each for each in (value.uncertainty, other.uncertainty) if math.isfinite(each)))
    return difference >= figure.threshold * scale and difference > _DOUBT * doubt


def clear_change(key: str, own: Figures, repeats: Repeats, other: Figures, others: Repeats) -> Change | None:
    """The change of a figure from one order to another, where it is worth a word.

    Where both were repeated, it is the mean of the differences on each repeat: what holds on any tape.
    """
    one, two = own.get(key), other.get(key)
    if one is None or two is None or not (audible(one) or audible(two)):
        return None
    pair = paired_difference(repeats.get(key, ()), others.get(key, ()))
    if pair is not None:
        one = replace(one, value=two.value + pair[0])
    if not noteworthy(FIGURES[key], one, two, None if pair is None else pair[1]):
        return None
    return Change(key=key, value=one.value, other=two.value)


def differing(own: Figures, repeats: Repeats, other: Figures, others: Repeats) -> list[str]:
    """Say in what an order differs from another, one phrase a side of the sound; empty where in nothing."""
    found = changes(lambda key: clear_change(key, own, repeats, other, others))
    return [phrase(trait, change) for trait, chosen in found for change in chosen]


def meaning(
    labels: Sequence[str],
    figures: Sequence[Figures],
    repeats: Sequence[Repeats],
    groups: Sequence[Group] = (),
) -> list[str]:
    """Say what sets each order, or each group of orders, apart from the first, and how each decays.

    Parameters
    ----------
    labels : sequence of str
        What the orders are called.
    figures : sequence of mapping
        Their figures, by the keys of :data:`tapeemu.comparison.compared_figures.FIGURES`.
    repeats : sequence of mapping
        The values of those figures on each repeat.
    groups : sequence of Group
        Which orders sound alike; the first of each speaks for it. Each on its own by default.

    Returns
    -------
    list of str
        One sentence an order, and one for each whose early decay follows the level. Differences under the
        threshold, or under twice their uncertainty, are not mentioned.
    """
    heads = [(group.first, group.label) for group in groups] or list(enumerate(labels))
    first, first_label = heads[0]
    said = []
    for place, label in heads[1:]:
        phrases = differing(figures[place], repeats[place], figures[first], repeats[first])
        if phrases:
            said.append(f"{named(label)}, heard against {named(first_label)}: {', '.join(phrases)}.")
        else:
            said.append(_no_figure(named(label), named(first_label), figures[place]))
    return said + breathing(labels, figures, repeats, groups)


def breathing(
    labels: Sequence[str], figures: Sequence[Figures], repeats: Sequence[Repeats], groups: Sequence[Group] = ()
) -> list[str]:
    """Say whose early decay follows the level; see :func:`meaning`."""
    heads = [(group.first, group.label) for group in groups] or list(enumerate(labels))
    return [
        sentence for place, label in heads for sentence in _decay_with_level(label, figures[place], repeats[place])
    ]


def _no_figure(label: str, first_label: str, own: Figures) -> str:
    null = own.get("null_db")
    if null is None:
        return f"{label} differs from {first_label} in no figure beyond threshold and doubt."
    if not null.defined:
        return f"{label}, heard against {first_label}: {'; '.join(null.warnings)}."
    return (
        f"{label} differs from {first_label} in no figure beyond threshold and doubt; the difference of the two "
        f"lies {_away(null.value)}."
    )


def _away(null_db: float) -> str:
    return f"{abs(null_db):.0f} dB {'below' if null_db < 0.0 else 'above'} the sound"


def named(label: str) -> str:
    """A label in quotation marks."""
    return f"“{label}”"


def listed(names: Sequence[str]) -> str:
    """Several in a row: "a, b and c"."""
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def answer(
    labels: Sequence[str],
    figures: Sequence[Figures],
    repeats: Sequence[Repeats],
    groups: Sequence[Group],
    mattering: Sequence[str] = (),
    idle: Sequence[str] = (),
) -> str:
    """Answer in one paragraph whether the order matters on this recording, and to what.

    Parameters
    ----------
    labels, figures, repeats, groups
        As for :func:`meaning`.
    mattering : sequence of str
        For all permutations: sentences about the pairs of stages whose order is heard.
    idle : sequence of str
        Pairs of stages whose order is not heard, in words.
    """
    count = len(labels)
    if count == 1:
        return (
            f"There is one order here, beside the dry stem. It is {named(labels[0])}; name further orders to "
            "learn whether the order matters."
        )
    if len(groups) == 1:
        none = "The two orders cannot be" if count == 2 else f"No two of the {_number(count)} orders can be"
        return (
            f"On this recording the order does not matter. {none} told apart: {_widest(groups[0])}, and no figure "
            f"of the sound differs beyond its threshold. Choose any.{_elsewhere(labels, figures, repeats)}"
        )
    if count == 2:
        phrases = differing(figures[0], repeats[0], figures[1], repeats[1])
        null = figures[1].get("null_db")
        away = f" The difference of the two lies {_away(null.value)}." if null is not None and null.defined else ""
        if phrases:
            return (
                f"On this recording the order matters. {_opened(labels[0])}, instead of {labels[1]}: "
                f"{', '.join(phrases)}.{away} Nothing else that was measured differs clearly."
            )
        return (
            f"On this recording the two orders are not the same, but no figure says which is which.{away} Let the "
            "blind test decide whether you hear it."
        )
    if len(groups) == count:
        return (
            f"On this recording the order matters. Each of the {_number(count)} differs from all the others. "
            + (" ".join(mattering) or "What sets them apart stands below.")
        )
    said = (
        f"On this recording the order matters, but not every detail of it. The {_number(count)} orders fall into "
        f"{_number(len(groups))} groups, and inside each they are too alike to tell apart."
    )
    if mattering:
        said += f" {' '.join(mattering)}"
    if idle:
        said += f" Which comes first changes too little to hear, side by side, for {'; '.join(idle)}."
    return said


def _elsewhere(labels: Sequence[str], figures: Sequence[Figures], repeats: Sequence[Repeats]) -> str:
    """What tones and noise tell of two orders that this recording does not."""
    if len(labels) != 2:
        return ""
    phrases = differing(figures[0], repeats[0], figures[1], repeats[1])
    if not phrases:
        return ""
    return (
        f" Tones and noise at other levels do tell the chains apart: {labels[0]}, instead of {labels[1]}: "
        f"{', '.join(phrases)}."
    )


def _widest(group: Group) -> str:
    if not math.isfinite(group.widest_db):
        return "they are equal to the last bit"
    return f"their differences lie {abs(group.widest_db):.0f} dB below the sound or further"


def _number(count: int) -> str:
    words = (
        "no",
        "one",
        "two",
        "three",
        "four",
        "five",
        "six",
        "seven",
        "eight",
        "nine",
        "ten",
        "eleven",
        "twelve",
    )
    return words[count] if count < len(words) else str(count)


def _opened(text: str) -> str:
    return text[:1].upper() + text[1:]


def _decay_with_level(label: str, own: Figures, repeats: Repeats) -> list[str]:
    """Say when the early decay is stretched by level while the late one hides it."""
    quiet, loud = own.get("edt_quiet_seconds"), own.get("edt_loud_seconds")
    late_quiet, late_loud = own.get("t30_quiet_seconds"), own.get("t30_loud_seconds")
    if quiet is None or loud is None or late_quiet is None or late_loud is None:
        return []
    pair = paired_difference(repeats.get("edt_loud_seconds", ()), repeats.get("edt_quiet_seconds", ()))
    if pair is not None:
        loud = replace(loud, value=quiet.value + pair[0])
    if not noteworthy(FIGURES["edt_loud_seconds"], loud, quiet, None if pair is None else pair[1]):
        return []
    longer = loud.value > quiet.value
    said = (
        f"{named(label)} breathes with the playing: the louder, the {'longer' if longer else 'shorter'} the room "
        "holds on at first (early decay "
    )
    said += ", ".join(
        f"{reading.value:.2f} s {name if name != 'reference' else 'at reference level'}"
        for name in LEVEL_NAMES
        if (reading := own[f"edt_{name}_seconds"]).defined
    )
    if late_quiet.defined and late_loud.defined:
        early, late = loud.value / quiet.value, late_loud.value / late_quiet.value
        if abs(early - 1.0) > 2.0 * abs(late - 1.0):
            said += f"; T30 hides it, {late_quiet.value:.2f} to {late_loud.value:.2f} s"
    return [said + ")."]


def level_sentence(loudness_lufs: Sequence[float], true_peak_dbtp: Sequence[float], ceiling_dbtp: float) -> str:
    """Say how well the renders are matched."""
    mean = sum(loudness_lufs) / len(loudness_lufs)
    apart = max(loudness_lufs) - min(loudness_lufs)
    return (
        f"All are matched at {mean:.1f} LUFS (BS.1770 integrated, {apart:.3f} LU apart at most); the highest true "
        f"peak is {max(true_peak_dbtp):.1f} dBTP, under the ceiling of {ceiling_dbtp:g} dBTP."
    )


def threshold_lines() -> list[tuple[str, str, str]]:
    """Name, threshold and basis of each kind of figure that sentences are made from."""
    seen: dict[tuple[str, str], str] = {}
    for figure in FIGURES.values():
        if not math.isfinite(figure.threshold) or figure.key in ("loudness_lufs", "true_peak_dbtp"):
            continue
        name = figure.name
        for level_name in LEVEL_NAMES:
            name = name.removesuffix(f", {level_name}")
        if name.startswith("octave"):
            name = "octave bands"
        amount = (
            f"{100.0 * figure.threshold:g} %" if figure.relative else f"{figure.threshold:g} {figure.unit}".strip()
        )
        seen[name, amount] = figure.basis
    lines = [(name, amount, basis) for (name, amount), basis in seen.items()]
    alike = f"\N{MINUS SIGN}{-ALIKE_DB:g} dB"
    lines.append(("difference signal", alike, "orders no further apart count as alike; our choice, no source"))
    return lines
