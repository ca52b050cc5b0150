"""Comparisons as one HTML file: players, blind test, figures and plots, with nothing loaded from the network."""

import base64
import contextlib
import hashlib
import json
import re
import tempfile
from collections.abc import Mapping, Sequence
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from tapeemu import __version__
from tapeemu.comparison.figures import FIGURES, LEVEL_NAMES
from tapeemu.comparison.groups import ALIKE_DB
from tapeemu.comparison.progress import SILENT, Progress
from tapeemu.comparison.sentences import threshold_lines
from tapeemu.comparison.traits import TRAITS, Trait, figure_words, most_telling, short_phrase
from tapeemu.errors import OutputError, ParameterError
from tapeemu.files.encodings import Encoding
from tapeemu.files.part_files import PartFile, check_target
from tapeemu.files.writer import AudioWriter
from tapeemu.rendering.matched import SPREAD_SECONDS
from tapeemu.report import drawings, plots
from tapeemu.report.page import value_text
from tapeemu.report.pictures import Picture, picture_of, shown

if TYPE_CHECKING:
    from measure.results import Reading
    from tapeemu.comparison import Comparison, Render

__all__ = ["write_report"]

_FEW = 4  # orders that still fit beside each other as columns
_ZONE = 12.0  # width of a mark on a narrow screen, in percent of a scale
_HALF_SCALE = 46.0
_EAGER = 6  # sounds that are all decoded at the first play
_MOST_CHANNELS = 8  # of a FLAC stream
_MEGABYTE = 1e6

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


def write_report(
    comparison: "Comparison", path: Path, *, overwrite: bool, embed_limit_mb: float, progress: Progress = SILENT
) -> list[Path]:
    """Write the report of a comparison.

    Parameters
    ----------
    comparison : Comparison
        What to show.
    path : Path
        Target, ending in ``.html``.
    overwrite : bool
        Replace what exists.
    embed_limit_mb : float
        Size of the coded audio up to which it is kept inside the file.
    progress : Progress
        Is told of every step.

    Returns
    -------
    list of Path
        The page, and what lies in the folder beside it.

    Raises
    ------
    OutputError, ParameterError
        If the target may not be written, or an argument breaks a rule.
    """
    from joblib import Parallel, delayed

    if path.suffix.lower() not in (".html", ".htm"):
        raise ParameterError(f"the report's name is {path.name!r}, but must end in .html")
    if not embed_limit_mb >= 0.0:
        raise ParameterError(f"embed_limit_mb is {embed_limit_mb!r}, but must be zero or more")
    check_target(path, overwrite=overwrite)
    renders = (comparison.dry, *comparison.renders)
    playable = comparison.dry.audio.shape[0] <= _MOST_CHANNELS
    heads = [group.first for group in comparison.groups]
    told = heads if len(heads) > 1 else list(range(min(len(comparison.renders), drawings.MOST_DRAWN)))
    nulls = [comparison.figures[place]["null_db"].value for place in told]
    in_colour = [told[index] for index in shown(nulls, drawings.MOST_DRAWN)]
    chosen = [told[index] for index in shown(nulls)]
    drawn = (comparison.dry, *(comparison.renders[index] for index in in_colour))
    with tempfile.TemporaryDirectory() as folder:
        step = progress.step("draw and code the sounds", len(drawn) + (len(renders) if playable else 0))

        def draw(render: "Render") -> Picture:
            picture = picture_of(render, comparison.sample_rate)
            step.advance()
            return picture

        def code(index: int, render: "Render") -> bytes:
            coded = _coded(render, Path(folder) / f"{index}.flac", comparison.sample_rate)
            step.advance()
            return coded

        work = [delayed(draw)(render) for render in drawn]
        if playable:
            work += [delayed(code)(index, render) for index, render in enumerate(renders)]
        done: list[Any] = Parallel(n_jobs=-1, prefer="threads")(work)
        step.finish()
    pictures, coded = done[: len(drawn)], done[len(drawn) :]
    inside = sum(map(len, coded)) <= embed_limit_mb * _MEGABYTE
    beside = path.with_name(f"{path.stem}-audio")
    step = progress.step("write the page", 1)
    text = _page(comparison, in_colour, chosen, pictures, coded, inside, beside.name)
    scripts = [] if inside else _scripts(beside, coded)
    _publish([*scripts, (path, text)], None if inside or not coded else beside, overwrite=overwrite)
    step.finish()
    return [path, *(target for target, _ in scripts)]


def _page(
    comparison: "Comparison",
    in_colour: Sequence[int],
    chosen: Sequence[int],
    pictures: Sequence[Picture],
    coded: Sequence[bytes],
    inside: bool,
    folder: str,
) -> str:
    from jinja2 import Environment

    renders = (comparison.dry, *comparison.renders)
    tracks = _tracks(renders, coded, inside, folder)
    view = _view(comparison, in_colour, chosen, pictures)
    size_mb = sum(map(len, coded)) / _MEGABYTE
    script = _own("script.js")
    data = {
        "name": comparison.name,
        "rate": comparison.sample_rate,
        "seconds": comparison.dry.audio.shape[1] / comparison.sample_rate,
        "points": drawings.POINTS,
        "eager": _EAGER,
        "tracks": [{key: track[key] for key in ("number", "label", "file")} for track in tracks],
    }
    # Autoescaping is on for all that comes from outside; what is marked safe was made in this package.
    environment = Environment(autoescape=True)
    environment.filters["set"] = _typeset
    page = environment.from_string(_own("page.html"))
    return page.render(
        **view,
        version=__version__,
        nonce=hashlib.sha256(script.encode() + comparison.name.encode("utf-8", "replace")).hexdigest()[:32],
        style=_own("style.css"),
        script=script,
        data=_json(data),
        tracks=tracks,
        rival=view["choices"][1]["number"] if len(view["choices"]) > 1 else min(2, len(tracks) - 1),
        points=drawings.POINTS,
        seconds=f"{data['seconds']:.2f}",
        audio_note=_audio_note(inside, size_mb, folder),
    )


def _scripts(folder: Path, coded: Sequence[bytes]) -> list[tuple[Path, str]]:
    """Audio as scripts, which a page opened from disk may load where it may not load sound files."""
    return [
        (
            folder / f"order-{index}.js",
            f'(window.tapeemuAudio ??= {{}})[{index}] = "{base64.b64encode(data).decode("ascii")}";\n',
        )
        for index, data in enumerate(coded)
    ]


def _publish(files: Sequence[tuple[Path, str]], folder: Path | None, *, overwrite: bool) -> None:
    """Write all files or none: each is whole before the first takes its name, and what was there before stays."""
    parts: list[PartFile] = []
    new: list[Path] = []
    made = folder is not None and not folder.exists()
    try:
        if folder is not None:
            _make(folder)
        for target, text in files:
            parts.append(PartFile(target, overwrite=overwrite))
            parts[-1].write(text.encode("utf-8", errors="replace"))
        for part in parts:
            there = part.target.exists()
            part.publish()
            if not there:
                new.append(part.target)
    except BaseException:
        for part in parts:
            part.discard()
        for target in new:
            target.unlink(missing_ok=True)
        if made and folder is not None:
            with contextlib.suppress(OSError):
                folder.rmdir()
        raise


def _make(folder: Path) -> None:
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise OutputError(f"{folder} cannot be made ({error.strerror}); choose another place") from None


def _typeset(text: str) -> str:
    """Keep numbers and units on one line, and write minus signs as such."""
    return re.sub(r"(?<=\d) (?=(?:dB|LU|%|s|k?Hz)\b|%)", "\N{NO-BREAK SPACE}", _minus(text))


def _minus(text: str) -> str:
    return re.sub(r"(?<![\w.])-(?=\d)", "\N{MINUS SIGN}", text)


def _cell(key: str, reading: "Reading | None") -> str:
    return _minus(value_text(key, reading)).replace("± ", "±\N{NO-BREAK SPACE}")


def _own(name: str) -> str:
    return files(__package__).joinpath(name).read_text("utf-8")


def _json(data: Any) -> str:
    """JSON that may stand inside a script element, whatever its strings hold."""
    text = json.dumps(data, ensure_ascii=True, allow_nan=False)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _coded(render: "Render", path: Path, sample_rate: float) -> bytes:
    """A render as FLAC of 16 bits, with dither."""
    with AudioWriter(
        path, sample_rate=round(sample_rate), channels=render.audio.shape[0], encoding=Encoding("FLAC", "PCM_16")
    ) as writer:
        for start in range(0, render.audio.shape[1], 2**16):
            writer.write(render.audio[:, start : start + 2**16].astype(np.float64))
    return path.read_bytes()


def _tracks(
    renders: "Sequence[Render]", coded: Sequence[bytes], inside: bool, folder: str
) -> list[dict[str, Any]]:
    if not coded:
        return []
    return [
        {
            "number": index,
            "label": render.label,
            "gain": _minus(f"{render.gain_db:+.1f}"),
            "embedded": base64.b64encode(coded[index]).decode("ascii") if inside else "",
            "file": "" if inside else f"{folder}/order-{index}.js",
        }
        for index, render in enumerate(renders)
    ]


def _audio_note(inside: bool, size_mb: float, folder: str) -> str:
    coding = f"The sound is coded without loss (FLAC, 16 bits with dither, {size_mb:.1f} MB)"
    if inside:
        return f"{coding} and lies inside this file."
    return f"{coding}. It lies in the folder {folder}, which must stay beside this file."


def _view(
    comparison: "Comparison", in_colour: Sequence[int], chosen: Sequence[int], pictures: Sequence[Picture]
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
        "groups": _figure_groups(columns),
        "levels_text": ", ".join(f"{level:g}" for level in levels.values()) + " dBFS",
        "reasons": _reasons(comparison, rows),
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
        "plots": _plots(comparison, chosen, [pictures[0], *pictured]),
        "conditions": _conditions(comparison),
        "thresholds": threshold_lines(),
        "methods": _methods(comparison.figures[-1]),
    }


def _parted(text: str) -> list[str]:
    """The first sentence, which the page sets large, and the others."""
    # Names of stages may hold anything, but the first sentence holds none.
    first, stop, rest = text.partition(". ")
    return [first + stop.strip(), rest] if rest else [text]


def _choices(comparison: "Comparison", colours: Mapping[int, str]) -> list[dict[str, Any]]:
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


def _clear(comparison: "Comparison", place: int, trait: Trait, against: int) -> list[Any]:
    found = (comparison.change(place, key, against=against) for key in trait.keys)
    return [change for change in found if change is not None]


def _scales(comparison: "Comparison", rows: Sequence[int], colours: Mapping[int, str]) -> dict[str, Any]:
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


def _strips(comparison: "Comparison", in_colour: Sequence[int], pictures: Sequence[Picture]) -> dict[str, Any]:
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
        return {"lines": lines, "upright": drawing.upright, "level": drawing.level}

    return {
        "whole": strip(drawings.whole(sounds, comparison.sample_rate)),
        "moment": strip(drawings.moment(sounds, comparison.sample_rate)),
        "spectrum": strip(spectrum),
        "apart": strip(apart),
        "first": in_colour[0] + 1,
    }


def _figure_groups(columns: "Sequence[Mapping[str, Reading]]") -> list[dict[str, Any]]:
    groups = []
    for title, keys in _GROUPS:
        lines = []
        for key in keys:
            cells = [_cell(key, own.get(key)) for own in columns]
            if any(key in own for own in columns):
                figure = FIGURES[key]
                unit = f", {figure.unit}" if figure.unit else ""
                lines.append({"name": f"{figure.name}{unit}", "cells": cells})
        groups.append({"title": title, "lines": lines})
    return groups


def _reasons(comparison: "Comparison", rows: Sequence[int]) -> list[str]:
    reasons: dict[str, None] = {}
    for place in rows:
        label = comparison.labels[place]
        for key, reading in comparison.figures[place].items():
            if reading.warnings and not (place == 0 and key == "null_db"):
                reasons[f"{place + 1} {label}, {FIGURES[key].name}: {'; '.join(reading.warnings)}"] = None
    return list(reasons)


def _methods(own: "Mapping[str, Reading]") -> list[tuple[str, str, str, str]]:
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


def _conditions(comparison: "Comparison") -> list[str]:
    plan = comparison.plan
    repeats = comparison.repeats[0]
    bursts, tapes = len(repeats.get("edt_reference_seconds", ())), len(repeats.get("crest_db", ()))
    seconds = comparison.dry.audio.shape[1] / comparison.sample_rate
    tape = "as in the preset" if comparison.seed is None else str(comparison.seed)
    said = [
        f"Stem: {comparison.name}, {comparison.dry.audio.shape[0]} channel(s), {comparison.sample_rate:g} Hz, "
        f"{seconds:.2f} s with a tail of {comparison.tail_seconds:.2f} s.",
        f"Tape (seed): {tape}. All orders run on the same tape; each stage meets it at the same place.",
        f"Loudness: integrated, ITU-R BS.1770; true peak at most {comparison.true_peak_ceiling_dbtp:g} dBTP, by "
        "lowering all alike.",
        f"Chains: tones and pink noise at {', '.join(f'{level:g}' for level in plan.levels_dbfs.values())} dBFS "
        f"(quiet, reference, loud); tones glide through half an octave around 1 kHz in {plan.glide_decays:g} "
        f"decay times, {plan.glides} times; {bursts} bursts of noise. Each repeat has its own noise, its own "
        "tape and its own room, the same for all orders; figures of chains are means over the repeats.",
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


def _plots(comparison: "Comparison", chosen: Sequence[int], pictures: Sequence[Picture]) -> list[dict[str, Any]]:
    dry, *drawn = pictures
    numbers = [index + 1 for index in chosen]
    bursts = len(comparison.repeats[0].get("edt_reference_seconds", ()))
    figures = [comparison.figures[index] for index in chosen]
    names = "; ".join(f"{number} is {comparison.labels[number - 1]}" for number in numbers)
    levels = comparison.plan.levels_dbfs

    def plot(svg: str, alt: str, caption: str) -> dict[str, str]:
        return {"svg": svg, "alt": f"{alt} {names}.", "caption": caption}

    decay = [
        plot(
            plots.measured_plot(figures, levels, "edt", "Early decay against level", "s"),
            f"Early decay time against level: {_spoken(figures, 'edt', 'seconds', numbers)}.",
            "EDT, middle frequencies, with its standard uncertainty.",
        ),
        plot(
            plots.measured_plot(figures, levels, "t30", "Late decay against level", "s"),
            f"T30 against level: {_spoken(figures, 't30', 'seconds', numbers)}.",
            "T30, middle frequencies, with its standard uncertainty.",
        ),
    ]
    decay += [
        plot(
            plots.decay_plot([comparison.decays[index][name] for index in chosen], name),
            f"Decay curves of the octave at 1 kHz after noise of {levels[name]:g} dBFS.",
            f"Interrupted pink noise of {levels[name]:g} dBFS, mean of {bursts} bursts.",
        )
        for name in LEVEL_NAMES
    ]
    distortion = [
        plot(
            plots.measured_plot(figures, levels, kind, title, "%"),
            f"{title}: {_spoken(figures, kind, 'percent', numbers)}.",
            "With its standard uncertainty; the scale is linear below 0.1 %.",
        )
        for kind, title in (("thd", "Harmonic distortion against level"), ("imd", "Intermodulation against level"))
    ]
    colour = [
        plot(
            plots.spectrum_plot(drawn, dry),
            "Average spectrum of each order and of the dry stem in third octaves.",
            "Mean of the channels at equal loudness.",
        ),
        plot(
            plots.difference_plot(drawn),
            "Spectrum of the further orders less that of the first, in third octaves.",
            "Bands more than 80 dB below the strongest are left out.",
        ),
        plot(
            plots.level_plot(drawn, dry),
            "Histogram of short-term levels of each order and of the dry stem.",
            "A narrow heap is even, a wide one dynamic.",
        ),
    ]
    top = max(float(np.max(picture.spectrogram_db)) for picture in drawn)
    first = drawn[0]
    grams = [
        plot(
            plots.spectrogram_plot(picture, top, number),
            f"Spectrogram of order {number}, on the scale common to all.",
            f"{number}: mel bands, dB below the strongest of all.",
        )
        for number, picture in zip(numbers, drawn, strict=True)
    ]
    grams += [
        plot(
            plots.spectrogram_difference_plot(picture, first, top, number),
            f"Spectrogram of order {number} less that of order 1.",
            f"{number} less 1: where it is louder and where softer.",
        )
        for number, picture in zip(numbers[1:], drawn[1:], strict=True)
    ]
    return [
        {"title": "Decay", "plots": decay},
        {"title": "Distortion", "plots": distortion},
        {"title": "Spectrum and level", "plots": colour},
        {"title": "Spectrograms", "plots": grams},
    ]


def _spoken(figures: "Sequence[Mapping[str, Reading]]", kind: str, ending: str, numbers: Sequence[int]) -> str:
    """The figures of a plot in words, for those who cannot see it."""
    said = []
    for number, own in zip(numbers, figures, strict=True):
        values = [
            f"{name} {value_text(key, own[key])}" for name in LEVEL_NAMES if (key := f"{kind}_{name}_{ending}")
        ]
        said.append(f"order {number}: {', '.join(values)} {FIGURES[f'{kind}_quiet_{ending}'].unit}")
    return "; ".join(said)
