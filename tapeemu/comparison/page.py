"""The table of a comparison of several stems as a Markdown page, with the findings that it supports."""

import hashlib
import re
import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from measure.results import Reading
from tapeemu import __version__
from tapeemu.comparison.figures import FIGURES, LEVEL_NAMES
from tapeemu.comparison.findings import pair_effects, pair_sentences, swap_sentences
from tapeemu.comparison.sentences import meaning, threshold_lines
from tapeemu.errors import OutputError
from tapeemu.part_files import PartFile

if TYPE_CHECKING:
    from tapeemu.comparison import Comparison

__all__ = ["page_text", "write_page"]

_CHAIN_KEYS = tuple(
    f"{kind}_{name}_{ending}"
    for kind, ending in (("thd", "percent"), ("imd", "percent"), ("edt", "seconds"), ("t30", "seconds"))
    for name in LEVEL_NAMES
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
    comparisons: "Sequence[Comparison]",
    path: Path,
    *,
    preset: str,
    sources: Sequence[Path],
    about: str = "",
    overwrite: bool = False,
) -> None:
    """Write the page.

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
        What the stems are and where they come from.
    overwrite : bool
        Replace what exists.
    """
    part = PartFile(path, overwrite=overwrite)
    try:
        text = page_text(comparisons, preset=preset, sources=sources, about=about)
        part.path.write_text(text, "utf-8", errors="replace")
    except OSError as error:
        part.discard()
        raise OutputError(f"{path} cannot be written ({error.strerror}); is the disk full?") from None
    except BaseException:
        part.discard()
        raise
    part.publish()


def page_text(
    comparisons: "Sequence[Comparison]", *, preset: str, sources: Sequence[Path], about: str = ""
) -> str:
    """Compose the page; see :func:`write_page`."""
    first = comparisons[0]
    plan = first.plan
    command = ["tapeemu", "compare", *(source.name for source in sources), "--preset", preset]
    command += ["--all-orders"] if first.permutations else []
    command += ["--about", about] if about else []
    command += ["--table", "orders.md"]
    lines = [
        f"# {len(first.renders)} orders of {_safe(preset)}",
        "",
        f"Made by tapeemu {__version__} with one command, in a folder that holds the recordings:",
        "",
        f"    {shlex.join(command)}",
        "",
        *([_safe(about), ""] if about else []),
        "## What the figures support",
        "",
        "Each sentence compares all pairs of renders in which only the two stages named have changed places, and "
        "gives the mean change and its range over those pairs. It is there because the mean reaches the threshold "
        "and twice the uncertainty of a single difference, and nine pairs in ten go its way. The last "
        "sentences say how far apart renders are in which two neighbours have changed places. What is not said "
        "here is not supported."
        if first.permutations
        else "Differences from the first order that reach the threshold and twice their standard uncertainty.",
        "",
        *(f"- {_safe(sentence)}" for sentence in _findings(comparisons)),
        "",
        "## The chains, whatever the stem",
        "",
        f"THD and intermodulation in %, from tones that glide through half an octave around 1 kHz; EDT and T30 "
        f"in s, mean of the octaves at 500 Hz and 1 kHz, from {plan.bursts} bursts of interrupted pink noise. "
        f"Quiet, reference and loud are {', '.join(f'{level:g}' for level in plan.levels_dbfs.values())} dBFS "
        "going in. After ± the standard uncertainty; a dash where the conditions of a figure are not met.",
        "",
        *_table(first, _CHAIN_KEYS),
    ]
    for comparison in comparisons:
        lines += [
            "",
            f"## {_safe(comparison.name)}",
            "",
            f"All renders at {comparison.renders[0].loudness_lufs:.2f} LUFS; octaves, difference signal and "
            "correlation are against order 1.",
            "",
            *_table(comparison, _RENDER_KEYS),
        ]
    lines += ["", "## Conditions", "", *_conditions(comparisons, sources), ""]
    return "\n".join(lines)


def _findings(comparisons: "Sequence[Comparison]") -> list[str]:
    if comparisons[0].permutations:
        sets = [comparison.by_order for comparison in comparisons]
        shared = pair_sentences(pair_effects(sets))
        if len(sets) == 1:
            return shared + swap_sentences(comparisons[0].swaps)
        said = [f"All recordings together: {sentence}" for sentence in shared]
        for comparison, orders in zip(comparisons, sets, strict=True):
            own = pair_sentences([effect for effect in pair_effects([orders]) if effect.clear])
            said += [f"{comparison.name} alone: {sentence}" for sentence in own if sentence not in shared]
        return said + swap_sentences([swap for comparison in comparisons for swap in comparison.swaps])
    return [
        f"{comparison.name}: {sentence}"
        for comparison in comparisons
        for sentence in meaning(comparison.labels, comparison.figures, comparison.doubts, comparison.left_out)
    ]


def _table(comparison: "Comparison", keys: Sequence[str]) -> list[str]:
    heads = [f"{FIGURES[key].name} / {FIGURES[key].unit}".removesuffix(" / ") for key in keys]
    lines = [
        f"| | order | {' | '.join(_safe(head) for head in heads)} |",
        f"|--:|:--|{'--:|' * len(keys)}",
    ]
    for number, (label, own) in enumerate(zip(comparison.labels, comparison.figures, strict=True), start=1):
        cells = [value_text(key, own.get(key)) for key in keys]
        lines.append(f"| {number} | {_safe(label)} | {' | '.join(cells)} |")
    return lines


def value_text(key: str, reading: "Reading | None") -> str:
    """A figure as printed in tables: value and uncertainty without the unit, or a dash."""
    if reading is None or not reading.defined:
        return "–"
    digits = FIGURES[key].digits
    text = f"{round(reading.value, digits) + 0.0:.{digits}f}"  # no minus before a zero
    if reading.uncertainty > 0.0:
        # One digit more than the value shows, where the uncertainty is smaller than the last of those.
        fine = digits if reading.uncertainty >= 10.0**-digits else digits + 1
        doubt = f"{reading.uncertainty:.{fine}f}"
        if float(doubt) > 0.0:
            text += f" ± {doubt}"
    return text


def _conditions(comparisons: "Sequence[Comparison]", sources: Sequence[Path]) -> list[str]:
    first = comparisons[0]
    tape = "as in the preset" if first.seed is None else str(first.seed)
    lines = [
        f"- Tape (seed): {tape}; the same for all orders. Figures of renders come from {first.plan.tapes} tape(s)"
        f"{'; how another tape would change them was not measured' if first.plan.tapes == 1 else ''}.",
        f"- Loudness: integrated, ITU-R BS.1770, within 0.1 LU of one another; true peak at most "
        f"{first.true_peak_ceiling_dbtp:g} dBTP.",
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
    """Text that Markdown takes for nothing but text."""
    return re.sub(r"([\\`*_\[\]<>|#])", r"\\\1", " ".join(text.split()))


def _code(text: str) -> str:
    return " ".join(text.replace("`", "'").split())
