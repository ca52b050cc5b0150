"""What the HTML page shows of a comparison: choices, scales of the sides of a sound, strips, plots and tables."""

from collections.abc import Mapping, Sequence
from typing import Any

from measure.results import Reading
from tapeemu.comparison import Comparison
from tapeemu.comparison.compared_figures import FIGURES
from tapeemu.comparison.sentences import threshold_lines
from tapeemu.comparison.traits import TRAITS, Trait, figure_words, most_telling, short_phrase
from tapeemu.report import drawings, plots
from tapeemu.report.html_plots import plot_sections
from tapeemu.report.html_tables import figure_groups, figure_methods, figure_reasons, page_conditions
from tapeemu.report.pictures import Picture

__all__ = ["page_view"]

_FEW = 4  # orders that still fit beside each other as columns
_ZONE = 12.0  # width of a mark on a narrow screen, in percent of a scale
_HALF_SCALE = 46.0


def page_view(
    comparison: Comparison, in_colour: Sequence[int], chosen: Sequence[int], pictures: Sequence[Picture]
) -> dict[str, Any]:
    """All that the page says, but for the sound."""
    heads = [group.first for group in comparison.groups]
    rows = heads if len(heads) > 1 else [0] if len(comparison.renders) > _FEW else range(len(comparison.renders))
    few = len(rows) <= _FEW
    columns: list[Mapping[str, Reading]] = [comparison.figures[place] for place in rows]
    if few:
        columns.append(comparison.dry_figures)
    levels = comparison.plan.levels_dbfs
    colours = {place: f"var(--line-{number})" for number, place in enumerate(in_colour, start=1)}
    choices = _choices(comparison, colours)
    orders = [{"number": index, "label": render.label} for index, render in enumerate(comparison.renders, start=1)]
    pictured = [pictures[1 + in_colour.index(place)] for place in chosen]
    return {
        "name": comparison.name,
        "answer": _parted(comparison.answer),
        "sentences": comparison.against_the_first,
        "distances": comparison.distances,
        "few": few,
        "orders": orders,
        "rows": [orders[place] | {"choice": choice} for place, choice in zip(rows, choices, strict=False)],
        "grouped": 1 < len(heads) < len(orders),
        "choices": choices,
        "strips": _strips(comparison, in_colour, pictures),
        "scales": _scales(comparison, rows, colours),
        "groups": figure_groups(columns),
        "levels_text": ", ".join(f"{level:g}" for level in levels.values()) + " dBFS",
        "reasons": figure_reasons(comparison, rows),
        "drawn": [
            {
                "number": index + 1,
                "label": comparison.renders[index].label,
                "colour": plots.COLOURS[place],
                "dash": plots.DASHES[place],
                "settings": repr(comparison.renders[index].chain).replace(", Stage(", ",\n  Stage("),
            }
            for place, index in enumerate(chosen)
        ],
        "plots": plot_sections(comparison, chosen, [pictures[0], *pictured]),
        "conditions": page_conditions(comparison),
        "thresholds": threshold_lines(),
        "methods": figure_methods(comparison.figures[-1]),
    }


def _parted(text: str) -> list[str]:
    """The first sentence, which the page sets large, and the others."""
    # Names of stages may hold anything, but the first sentence holds none.
    first, stop, rest = text.partition(". ")
    return [first + stop.strip(), rest] if rest else [text]


def _choices(comparison: Comparison, colours: Mapping[int, str]) -> list[dict[str, Any]]:
    """What there is to choose from: groups of orders that sound alike, or each order where none do."""
    made = []
    alone = len(comparison.groups) == 1 and len(comparison.renders) <= _FEW
    groups = (
        [((place,), label) for place, label in enumerate(comparison.labels)]
        if alone
        else [(group.members, group.label) for group in comparison.groups]
    )
    for members, label in groups:
        first = members[0]
        against = 0 if first or len(groups) != 2 else groups[1][0][0]
        words = [
            short_phrase(trait, change)
            for trait in TRAITS
            for change in most_telling(trait, _clear(comparison, first, trait, against))
        ]
        made.append(
            {
                "number": first + 1,
                "label": label,
                "order": comparison.labels[first],
                "colour": colours.get(first, "var(--soft)"),
                "words": words,
                "reference": first == 0 and len(groups) > 2,
                "alike": [{"number": place + 1, "label": comparison.labels[place]} for place in members[1:]],
            }
        )
    return made


def _clear(comparison: Comparison, place: int, trait: Trait, against: int) -> list[Any]:
    found = (comparison.change(place, key, against=against) for key in trait.keys)
    return [change for change in found if change is not None]


def _scales(comparison: Comparison, rows: Sequence[int], colours: Mapping[int, str]) -> dict[str, Any]:
    """For each side of the sound: where the orders lie between its two words."""
    scales, equal = [], []
    first = rows[0]
    for trait in TRAITS if len(rows) > 1 else ():
        clear = {place: _clear(comparison, place, trait, first) for place in rows[1:]}
        telling = [change for changes in clear.values() for change in most_telling(trait, changes)]
        key = max(telling, key=lambda change: change.weight).key if telling else ""
        if not key:
            if any(each in own for own in comparison.figures for each in trait.keys):
                equal.append(trait.name.lower())
            continue
        sign = -1.0 if key == "stereo_correlation" else 1.0
        weights = {place: sign * comparison.weight(place, key, against=first) for place in rows}
        reach = max(2.0, *(abs(weight) for weight in weights.values()))
        points = []
        for place in rows:
            change = next((each for each in clear.get(place, []) if each.key == key), None)
            points.append(
                {
                    "number": place + 1,
                    "colour": colours.get(place, "var(--soft)"),
                    "percent": round(50.0 + _HALF_SCALE * weights[place] / reach, 1),
                    "sure": change is not None,
                    "words": figure_words(change) if change else "",
                }
            )
        scales.append(
            {
                "name": trait.name,
                "figure": FIGURES[key].name.removesuffix(", against the first"),
                "less": trait.less,
                "more": trait.more,
                "zone": round(_HALF_SCALE / reach, 1),
                "points": _stacked(points),
                "spoken": _in_words(trait, points),
            }
        )
    return {"rows": scales, "equal": equal, "first": first + 1}


def _stacked(points: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Give points that would cover one another rows of their own."""
    ends: list[float] = []
    for point in sorted(points, key=lambda each: float(each["percent"])):
        row = next((row for row, end in enumerate(ends) if point["percent"] - end >= _ZONE), len(ends))
        ends[row : row + 1] = [point["percent"]]
        point["row"] = row
    return points


def _in_words(trait: Trait, points: Sequence[Mapping[str, Any]]) -> str:
    first = points[0]
    said = [f"{trait.name}, from {trait.less} to {trait.more}, order {first['number']} in the middle"]
    said += [
        f"order {point['number']}: {point['words'] if point['sure'] else 'no difference to rely on'}"
        for point in points[1:]
    ]
    return "; ".join(said)


def _strips(comparison: Comparison, in_colour: Sequence[int], pictures: Sequence[Picture]) -> dict[str, Any]:
    sounds = (comparison.dry, *(comparison.renders[place] for place in in_colour))
    tracks = [0, *(place + 1 for place in in_colour)]
    spectrum, apart = drawings.spectra(pictures, 1)

    def strip(drawing: drawings.Strip) -> dict[str, Any]:
        lines = [
            {
                "track": track,
                "path": path,
                "colour": "var(--soft)" if not track else f"var(--line-{number})",
            }
            for number, (track, path) in enumerate(zip(tracks, drawing.paths, strict=True))
        ]
        return {"lines": lines, "upright": drawing.vertical, "level": drawing.horizontal}

    return {
        "whole": strip(drawings.whole(sounds, comparison.sample_rate)),
        "moment": strip(drawings.moment(sounds, comparison.sample_rate)),
        "spectrum": strip(spectrum),
        "apart": strip(apart),
        "first": in_colour[0] + 1,
    }
