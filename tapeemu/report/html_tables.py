"""The tables of the HTML page: figures of the orders, what limits them, how they were read, the conditions."""

from collections.abc import Mapping, Sequence
from typing import Any

from measure.results import Reading
from tapeemu.comparison import Comparison
from tapeemu.comparison.compared_figures import FIGURES, LEVEL_NAMES
from tapeemu.comparison.groups import ALIKE_DB
from tapeemu.errors import counted
from tapeemu.rendering.matched import SPREAD_SECONDS
from tapeemu.report.wording import bursts_text, cell_text

__all__ = ["figure_groups", "figure_methods", "figure_reasons", "page_conditions"]

_GROUPS = (
    ("Level", ("loudness_lufs", "true_peak_dbtp", "crest_db", "plr_db", "lra_lu")),
    ("Likeness", ("null_db", "correlation")),
    (
        "Distortion of the chain",
        tuple(f"{kind}_{name}_percent" for kind in ("thd", "imd") for name in LEVEL_NAMES),
    ),
    ("Steadiness of the chain", ("swing_reference_db",)),
    (
        "Decay of the chain, middle frequencies",
        tuple(f"{kind}_{name}_seconds" for kind in ("edt", "t20", "t30") for name in LEVEL_NAMES),
    ),
    ("Colour", ("centroid_hz", *(key for key in FIGURES if key.startswith("octave_")))),
    ("Stereo", ("stereo_correlation", "width_db")),
)


def figure_groups(columns: Sequence[Mapping[str, Reading]]) -> list[dict[str, Any]]:
    """Rows of figures under their headings, one cell a column."""
    groups = []
    for title, keys in _GROUPS:
        lines = []
        for key in keys:
            cells = [cell_text(key, own.get(key)) for own in columns]
            if any(key in own for own in columns):
                figure = FIGURES[key]
                unit = f", {figure.unit}" if figure.unit else ""
                lines.append({"name": f"{figure.name}{unit}", "cells": cells})
        groups.append({"title": title, "lines": lines})
    return groups


def figure_reasons(comparison: Comparison, rows: Sequence[int]) -> list[str]:
    """What limits a figure or leaves it undefined, once for each order and figure."""
    reasons: dict[str, None] = {}
    for place in rows:
        label = comparison.labels[place]
        for key, reading in comparison.figures[place].items():
            if reading.warnings and not (place == 0 and key == "null_db"):
                reasons[f"{place + 1} {label}, {FIGURES[key].name}: {'; '.join(reading.warnings)}"] = None
    return list(reasons)


def figure_methods(own: Mapping[str, Reading]) -> list[tuple[str, str, str, str]]:
    """How each figure was read: its name, method, standard and where its uncertainty comes from."""
    lines: dict[str, tuple[str, str, str, str]] = {}
    for key, reading in own.items():
        name = FIGURES[key].name
        for level_name in LEVEL_NAMES:
            name = name.removesuffix(f", {level_name}")
        if name.startswith("octave"):
            name = "octave bands"
        if reading.defined and name not in lines:
            standard = "–" if reading.standard == "none" else reading.standard
            lines[name] = (name, reading.method, standard, reading.uncertainty_basis)
    return list(lines.values())


def _lead_told(comparison: Comparison) -> list[str]:
    lead = comparison.dry.lead_samples / comparison.sample_rate
    return [f"All begin {lead:.3g} s before the stem, with what an order sounds early."] if lead else []


def page_conditions(comparison: Comparison) -> list[str]:
    """Under which conditions the figures hold, one sentence or more a line."""
    plan = comparison.plan
    repeats = comparison.repeats[0]
    tapes = len(repeats.get("crest_db", ()))
    seconds = comparison.dry.audio.shape[1] / comparison.sample_rate
    tape = "as in the preset" if comparison.seed is None else str(comparison.seed)
    said = [
        f"Stem: {comparison.name}, {counted(comparison.dry.audio.shape[0], 'channel')}, "
        f"{comparison.sample_rate:g} Hz, {seconds:.2f} s with a tail of {comparison.tail_seconds:.2f} s.",
        *_lead_told(comparison),
        f"Tape (seed): {tape}. All orders run on the same tape; each stage meets it at the same place.",
        f"Loudness: integrated, ITU-R BS.1770; true peak at most {comparison.true_peak_ceiling_dbtp:g} dBTP, by "
        "lowering all alike.",
        f"Chains: tones and pink noise at {', '.join(f'{level:g}' for level in plan.levels_dbfs.values())} dBFS "
        f"(quiet, reference, loud); tones glide through half an octave around 1 kHz in {plan.glide_decays:g} "
        f"decay times, {plan.glides} times; {bursts_text(comparison.bursts)} of noise. Each repeat has its own "
        "noise, its own tape and its own room, the same for all orders; figures of chains are means over the "
        "repeats.",
        f"Sound alike: orders whose difference lies {-ALIKE_DB:g} dB below the sound or further (a change "
        "of level of 0.27 dB would leave as much) and none of whose renders differs in a figure by its threshold.",
    ]
    if tapes > 1:
        said.append(
            f"Uncertainty of the figures of renders: standard deviation over {tapes} tapes (seeds), the room "
            f"being the same, over the loudest {SPREAD_SECONDS:g} s of the stem. Sentences state the mean "
            "difference over those tapes."
        )
    else:
        said.append("Figures of renders are those of one tape; how another would change them was not measured.")
    return said
