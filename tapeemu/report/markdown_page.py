"""A comparison on several stems as a Markdown page: what a composer learns, a picture, and the tables below."""

import hashlib
import re
import shlex
from collections.abc import Sequence
from pathlib import Path

from tapeemu import __version__
from tapeemu.comparison import Comparison
from tapeemu.comparison.compared_figures import FIGURES, LEVEL_NAMES
from tapeemu.comparison.findings import (
    by_pair,
    effect_phrases,
    idle_pairs,
    pair_effects,
    range_lines,
    silent_sentence,
    swap_sentences,
)
from tapeemu.comparison.groups import ALIKE_DB, Group, shared_groups
from tapeemu.comparison.sentences import breathing, listed, threshold_lines
from tapeemu.files.part_files import check_target, write_together
from tapeemu.report.swap_picture import swap_picture
from tapeemu.report.wording import bursts_text, value_text

__all__ = ["page_files", "page_text", "write_page"]

_CHAIN_KEYS = (
    *(
        f"{kind}_{name}_{ending}"
        for kind, ending in (("thd", "percent"), ("imd", "percent"), ("edt", "seconds"), ("t30", "seconds"))
        for name in LEVEL_NAMES
    ),
    "swing_reference_db",
)
_RENDER_KEYS = (
    "crest_db",
    "plr_db",
    "lra_lu",
    "centroid_hz",
    "octave_125hz_db",
    "octave_1000hz_db",
    "octave_8000hz_db",
    "stereo_correlation",
    "width_db",
    "null_db",
    "correlation",
)


def write_page(
    comparisons: Sequence[Comparison],
    path: Path,
    *,
    preset: str,
    sources: Sequence[Path],
    about: str = "",
    overwrite: bool = False,
) -> list[Path]:
    """Write the page, and for all permutations the picture beside it, named as the page but ending in ``.svg``.

    Parameters
    ----------
    comparisons : sequence of Comparison
        One a stem, of the same orders.
    path : Path
        Target.
    preset : str
        Name of the preset, for the command.
    sources : sequence of Path
        The stems, for the command and the check sums.
    about : str
        What the stems are and who made them.
    overwrite : bool
        Replace what exists.

    Returns
    -------
    list of Path
        The files written.
    """
    files = page_files(path, permutations=_swapped(comparisons))
    for target in files:
        check_target(target, overwrite=overwrite)
    texts = [page_text(comparisons, preset=preset, sources=sources, about=about, picture=files[-1].name)]
    if len(files) > 1:
        texts.append(_picture(comparisons))
    contents = [text.encode("utf-8", errors="replace") for text in texts]
    write_together(dict(zip(files, contents, strict=True)), overwrite=overwrite)
    return files


def page_files(path: Path, *, permutations: bool) -> list[Path]:
    """What is written for a page: itself, and for all permutations a picture."""
    return [path, path.with_suffix(".svg")] if permutations else [path]


def _swapped(comparisons: Sequence[Comparison]) -> bool:
    return all(comparison.swaps for comparison in comparisons)


def _picture(comparisons: Sequence[Comparison]) -> str:
    return swap_picture(
        [(comparison.name, by_pair(comparison.swaps)) for comparison in comparisons], limit_db=ALIKE_DB
    )


def page_text(
    comparisons: Sequence[Comparison],
    *,
    preset: str,
    sources: Sequence[Path],
    about: str = "",
    picture: str = "",
) -> str:
    """Compose the page; see :func:`write_page`."""
    first = comparisons[0]
    groups = shared_groups([comparison.groups for comparison in comparisons], first.labels, _orders(first))
    lines = [
        f"# Which order? {len(first.renders)} orders of {_safe(preset)}",
        "",
        *([_safe(about), ""] if about else []),
        "## What a composer learns",
        "",
        *(f"- {_safe(sentence)}" for sentence in _lessons(comparisons, groups)),
        "",
        "Words come first, the figures that carry them in brackets. A sentence stands here because the mean "
        "difference reaches its threshold and is surer than chance at 99 %; what is not said is not supported.",
        "",
    ]
    if picture and _swapped(comparisons):
        lines += _picture_lines(picture)
    if len(groups) > 1:
        lines += ["## The orders that differ", "", *_groups_table(comparisons, groups), ""]
    if first.permutations and len(first.renders) > 2:
        lines += _effect_lines(comparisons)
    lines += _chain_lines(first, groups)
    for comparison in comparisons:
        lines += [
            "",
            f"## {_safe(comparison.name)}",
            "",
            f"All renders at {_minus(round(comparison.renders[0].loudness_lufs, 2))} LUFS; octaves, difference "
            "signal and correlation are against order 1.",
            "",
            *_table(comparison, _RENDER_KEYS, groups),
        ]
    lines += ["", "## Conditions", "", *_conditions(comparisons, sources), "", "## Made by", ""]
    lines += _command_lines(first, preset, sources, about)
    return "\n".join(lines)


def _picture_lines(picture: str) -> list[str]:
    return [
        f"![How far two renders are apart when two stages change places]({picture})",
        "",
        "*Each mark: the level of what is left when one render is taken from the other, the two stages being "
        "neighbours and all else equal; one line a recording, from the smallest to the largest. Left of the "
        f"broken line, at {_minus(ALIKE_DB)} dB, the two are too alike to tell apart.*",
        "",
    ]


def _effect_lines(comparisons: Sequence[Comparison]) -> list[str]:
    """What swapping two stages does, in figures."""
    sets = [comparison.by_order for comparison in comparisons]
    effects = pair_effects(sets)
    return [
        "## The figures behind it",
        "",
        "Mean change and its range over all pairs of renders in which only the two stages named have changed "
        "places, all recordings together.",
        "",
        *(f"- {_safe(line)}" for line in [*range_lines(effects), *silent_sentence(effects)]),
        *(
            f"- {_safe(line)}"
            for line in swap_sentences([swap for comparison in comparisons for swap in comparison.swaps])
        ),
        "",
    ]


def _chain_lines(first: Comparison, groups: Sequence[Group]) -> list[str]:
    """Figures of the chains, which no stem changes."""
    levels = ", ".join(_minus(level) for level in first.plan.levels_dbfs.values())
    return [
        "## The chains, whatever the stem",
        "",
        "THD and intermodulation in %, from tones that glide through half an octave around 1 kHz; EDT and T30 "
        "in s, mean of the octaves at 500 Hz and 1 kHz, from interrupted pink noise; level swing in dB, of a held "
        "note near 1 kHz. "
        f"Quiet, reference and loud are {levels} dBFS "
        "going in. After ± the standard error over repeats, each with its own noise, tape and room; a dash where "
        "the conditions of a figure are not met. Each row stands for its group.",
        "",
        *_table(first, _CHAIN_KEYS, groups),
    ]


def _command_lines(first: Comparison, preset: str, sources: Sequence[Path], about: str) -> list[str]:
    """The command that makes the page again."""
    command = ["tapeemu", "compare", *(source.name for source in sources), "--preset", preset]
    command += ["--all-orders"] if first.permutations else []
    command += ["--about", about] if about else []
    command += ["--table", "orders.md"]
    return [
        f"tapeemu {__version__}, in a folder that holds the recordings:",
        "",
        f"    {shlex.join(command)}",
        "",
    ]


def _orders(comparison: Comparison) -> list[tuple[str, ...]]:
    return [render.order for render in comparison.renders]


def _lessons(comparisons: Sequence[Comparison], groups: Sequence[Group]) -> list[str]:
    """At most ten lines or so: what holds for all recordings, then for each."""
    first = comparisons[0]
    if len(first.renders) < 3 or not first.permutations:
        return [f"{comparison.name}: {comparison.answer}" for comparison in comparisons]
    several = len(comparisons) > 1
    sets = [comparison.by_order for comparison in comparisons]
    shared = effect_phrases(pair_effects(sets))
    said = [
        f"Of {len(first.renders)} orders, {len(groups)} sound different: "
        f"{'; '.join(group.label for group in groups)}."
        if len(groups) > 1
        else f"None of the {len(first.renders)} orders can be told from another."
    ]
    said += [
        f"{'On all recordings, ' if several else ''}{stages}: {', '.join(phrases)}."
        for stages, phrases in shared.items()
    ]
    idle = idle_pairs([swap for comparison in comparisons for swap in comparison.swaps])
    if idle:
        said.append(f"Which comes first changes too little to hear, side by side, for {'; '.join(idle)}.")
    said += breathing(first.labels, first.figures, first.repeats, groups)
    if several:
        for comparison, orders in zip(comparisons, sets, strict=True):
            own = []
            for stages, phrases in effect_phrases(pair_effects([orders])).items():
                further = [phrase for phrase in phrases if phrase not in shared.get(stages, [])]
                own += [f"{stages}: {', '.join(further)}."] if further else []
            said.append(f"Only on {Path(comparison.name).stem}, {' '.join(own)}" if own else "")
        quiet = [
            Path(one.name).stem for one, line in zip(comparisons, said[-len(sets) :], strict=True) if not line
        ]
        if quiet:
            said.append(f"Nothing beyond that is supported on {listed(quiet)}.")
    return [line for line in said if line]


def _groups_table(comparisons: Sequence[Comparison], groups: Sequence[Group]) -> list[str]:
    lines = ["| | sounds like this | orders |", "|--:|:--|:--|"]
    labels = comparisons[0].labels
    for group in groups:
        numbers = ", ".join(str(place + 1) for place in group.members)
        lines.append(f"| {group.first + 1} | {_safe(group.label)} | {numbers} |")
    lines += [
        "",
        "The numbers: " + "; ".join(f"{place + 1} {_safe(label)}" for place, label in enumerate(labels)) + ".",
    ]
    return lines


def _table(comparison: Comparison, keys: Sequence[str], groups: Sequence[Group]) -> list[str]:
    heads = [f"{FIGURES[key].name} / {FIGURES[key].unit}".removesuffix(" / ") for key in keys]
    lines = [
        f"| | order | {' | '.join(_safe(head) for head in heads)} |",
        f"|--:|:--|{'--:|' * len(keys)}",
    ]
    places = [group.first for group in groups] if len(groups) > 1 else range(min(len(comparison.renders), 2))
    for place in places:
        cells = [_safe(value_text(key, comparison.figures[place].get(key))) for key in keys]
        lines.append(f"| {place + 1} | {_safe(comparison.labels[place])} | {' | '.join(cells)} |")
    return lines


def _minus(value: float) -> str:
    return f"{value:g}".replace("-", "\N{MINUS SIGN}")


def _conditions(comparisons: Sequence[Comparison], sources: Sequence[Path]) -> list[str]:
    first = comparisons[0]
    tape = "as in the preset" if first.seed is None else str(first.seed)
    tapes = listed(sorted({str(len(one.repeats[0].get("crest_db", ()))) for one in comparisons}))
    lines = [
        f"- Tape (seed): {tape}; the same for all orders. Figures of renders are those of this tape; sentences "
        f"state the mean over {tapes} tapes, the figures of chains that over {bursts_text(first.bursts)} of noise "
        f"and {first.plan.glides} glides, each on its own tape and in its own room.",
        f"- Orders count as alike whose renders differ by {_minus(ALIKE_DB)} dB re the sound or less, and in no "
        "figure by its threshold, on every recording.",
        f"- Loudness: integrated, ITU-R BS.1770, within 0.1 LU of one another; true peak at most "
        f"{_minus(first.true_peak_ceiling_dbtp)} dBTP.",
        "- Stages: "
        + "; ".join(
            f"{_safe(stage.name)} = `{_code(repr(stage.processor))}`"
            + (f" at {stage.mix_percent:g} %" if stage.mix_percent != 100.0 else "")
            for stage in first.renders[0].chain.stages
            if not stage.bypass
        )
        + ".",
        "- Thresholds: "
        + "; ".join(f"{name} {amount} ({basis})" for name, amount, basis in threshold_lines()[:-1])
        + ".",
        "- Recordings:",
    ]
    for source, comparison in zip(sources, comparisons, strict=True):
        total = hashlib.sha256(source.read_bytes()).hexdigest()
        lines.append(
            f"    - {_safe(comparison.name)}, {comparison.sample_rate:g} Hz, tail of "
            f"{comparison.tail_seconds:.1f} s added, SHA-256 {total}"
        )
    return lines


def _safe(text: str) -> str:
    """The text with the signs of Markdown escaped."""
    signed = re.sub(r"(?<![\w.-])-(?=\d)", "\N{MINUS SIGN}", " ".join(text.split()))
    return re.sub(r"([\\`*_\[\]<>|#])", r"\\\1", signed)


def _code(text: str) -> str:
    return " ".join(text.replace("`", "'").split())
