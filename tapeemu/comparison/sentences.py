"""Plain sentences about what the figures mean, generated from the figures and the stated thresholds."""

import math
from collections.abc import Mapping, Sequence

from measure.results import Reading
from tapeemu.comparison.figures import FIGURES, LEVEL_NAMES, Figure, paired_doubt

__all__ = ["SAME_DB", "level_sentence", "meaning", "noteworthy", "threshold_lines"]

Figures = Mapping[str, Reading]

_DOUBT = 2.0  # standard uncertainties that a difference must exceed
_LEVEL_WORDS = {"quiet": "at the quiet level", "reference": "at reference level", "loud": "at the loud level"}
_TOPICS = (
    ("Dynamics", ("crest_db", "plr_db", "lra_lu")),
    ("Distortion", tuple(f"{kind}_{name}_percent" for name in LEVEL_NAMES for kind in ("thd", "imd"))),
    ("Decay", tuple(f"{kind}_{name}_seconds" for name in LEVEL_NAMES for kind in ("edt", "t20", "t30"))),
    ("Colour", ("centroid_hz", *(key for key in FIGURES if key.startswith("octave_")))),
    ("Stereo", ("stereo_correlation", "width_db")),
)
# Below the first the two are hard to tell apart in any circumstances, above the second they are different signals.
SAME_DB, _DIFFERENT_DB = -50.0, -10.0


def noteworthy(figure: Figure, value: Reading, other: Reading, doubt: float | None = None) -> bool:
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


def meaning(
    labels: Sequence[str],
    figures: Sequence[Figures],
    doubts: Sequence[Mapping[str, float]],
    left_out: Sequence[Mapping[str, Sequence[float]]],
) -> list[str]:
    """Say what sets each order apart from the first, and how each decays.

    Parameters
    ----------
    labels : sequence of str
        What the orders are called.
    figures : sequence of mapping
        Their figures, by the keys of :data:`tapeemu.comparison.figures.FIGURES`.
    doubts : sequence of mapping
        Uncertainties of the differences from the first order, where they are known.
    left_out : sequence of mapping
        Figures of the chains with each repeat left out in turn.

    Returns
    -------
    list of str
        One sentence a topic; differences under the threshold, or under twice their combined standard
        uncertainty, are not mentioned.
    """
    said = []
    for label, own, known in zip(labels[1:], figures[1:], doubts[1:], strict=True):
        said += _against(label, own, labels[0], figures[0], known)
    for label, own, parts in zip(labels, figures, left_out, strict=True):
        said += _decay_with_level(label, own, parts)
    return said


def _against(label: str, own: Figures, first_label: str, first: Figures, doubts: Mapping[str, float]) -> list[str]:
    said = [_likeness(label, own, first_label)] if own.get("null_db") is not None else []
    for topic, keys in _TOPICS:
        phrases = [
            _phrase(FIGURES[key], own[key], first[key])
            for key in keys
            if key in own and key in first and noteworthy(FIGURES[key], own[key], first[key], doubts.get(key))
        ]
        if phrases:
            said.append(f"{topic}: {_named(label)}, against {_named(first_label)}: {'; '.join(phrases)}.")
    if len(said) <= 1:
        said.append(f"{_named(label)} differs from {_named(first_label)} in no figure beyond threshold and doubt.")
    return said


def _named(label: str) -> str:
    return f"“{label}”"


def _likeness(label: str, own: Figures, first_label: str) -> str:
    null, correlation = own["null_db"], own["correlation"]
    if not null.defined:
        return f"{_named(label)} against {_named(first_label)}: {'; '.join(null.warnings)}."
    if null.value <= SAME_DB:
        verdict = "hard to tell apart"
    elif null.value >= _DIFFERENT_DB:
        verdict = "different signals"
    else:
        verdict = "alike, but not the same"
    side = "below" if null.value < 0.0 else "above"
    return (
        f"{_named(label)} and {_named(first_label)} are {verdict}: their difference lies "
        f"{abs(null.value):.1f} dB {side} the sound, their correlation is {correlation.value:.2f}."
    )


def _phrase(figure: Figure, value: Reading, other: Reading) -> str:
    word = figure.more if value.value > other.value else figure.less
    name = figure.name.removesuffix(", against the first")
    for level_name, words in _LEVEL_WORDS.items():
        name = name.replace(f", {level_name}", f" {words}")
    unit = f" {figure.unit}" if figure.unit else ""
    digits = figure.digits
    if figure.relative:
        return f"{name} {value.value:.{digits}f}{unit} instead of {other.value:.{digits}f}{unit}"
    return f"{name} {abs(value.value - other.value):.{digits}f}{unit} {word}"


def _decay_with_level(label: str, own: Figures, parts: Mapping[str, Sequence[float]]) -> list[str]:
    """Say when the early decay is stretched by level while the late one hides it."""
    quiet, loud = own.get("edt_quiet_seconds"), own.get("edt_loud_seconds")
    late_quiet, late_loud = own.get("t30_quiet_seconds"), own.get("t30_loud_seconds")
    if quiet is None or loud is None or late_quiet is None or late_loud is None:
        return []
    doubt = paired_doubt(parts.get("edt_loud_seconds", ()), parts.get("edt_quiet_seconds", ()))
    if not noteworthy(FIGURES["edt_loud_seconds"], loud, quiet, doubt):
        return []
    trend = "longer" if loud.value > quiet.value else "shorter"
    said = f"{_named(label)}: the louder, the {trend} the early decay, EDT "
    said += ", ".join(
        f"{reading.value:.2f} s {_LEVEL_WORDS[name]}"
        for name in LEVEL_NAMES
        if (reading := own[f"edt_{name}_seconds"]).defined
    )
    if late_quiet.defined and late_loud.defined:
        early, late = loud.value / quiet.value, late_loud.value / late_quiet.value
        if abs(early - 1.0) > 2.0 * abs(late - 1.0):
            said += f"; T30 hides it ({late_quiet.value:.2f} to {late_loud.value:.2f} s)"
    return [said + "."]


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
    lines.append(
        (
            "difference signal",
            f"{SAME_DB:g} and {_DIFFERENT_DB:g} dB",
            "under the first 'hard to tell apart', over the second 'different signals'; our choice, no source",
        )
    )
    return lines
