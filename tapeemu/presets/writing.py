"""From a preset to the text of its file, whole or changed in place, and onto the disk in one step."""

import math
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.items import AoT, Table

from measure.results import Reading
from tapeemu.chain import STAGE_KEYS, Chain, Stage
from tapeemu.errors import ParameterError, PresetError
from tapeemu.files.part_files import PartFile, write_whole
from tapeemu.presets.kept_figures import KeptFigure, Measured
from tapeemu.presets.preset import Preset
from tapeemu.presets.reading import FORMAT, parse_preset

__all__ = ["check_free", "check_words", "preset_text", "save_preset", "table_text", "write_text"]

_CONDITIONS = (
    *("source", "level_dbfs", "tone_hz", "frequency_hz", "low_hz", "high_hz", "amplitude_ratio"),
    *("third_harmonic_percent", "band", "band_hz", "weighting", "duration_seconds", "seconds", "sweep_seconds"),
    *("fit_range_db", "repeats"),
)
"""Conditions of a figure that its line in a file states: level, tone, band, duration. What holds for all
figures stands once, at the top of the table."""


def preset_text(preset: Preset) -> str:
    """The text of a preset's file.

    A preset that was read from a file gives that text with only the differences changed in place, so comments,
    order of keys and blank lines survive; any other is written from nothing.

    Raises
    ------
    PresetError
        If the preset cannot be written to a file that could be read again, e.g. for a purpose of two lines.
    """
    if not preset.text:
        document = _fresh(preset)
    else:
        document = tomlkit.parse(preset.text)
        before = parse_preset(preset.text, name=preset.name, path=preset.path)
        if before.purpose != preset.purpose:
            document["purpose"] = preset.purpose
        if before.tags != preset.tags:
            document["tags"] = list(preset.tags)
        if before.chain != preset.chain:
            _change_stages(document, before.chain, preset.chain)
        if before.measured != preset.measured:
            _change_measured(document, preset.measured)
    text = tomlkit.dumps(document)
    try:
        text.encode("utf-8")
    except UnicodeEncodeError as error:
        line = text.count("\n", 0, error.start)
        raise PresetError(
            f"{preset.name} cannot be written: {text.splitlines()[line]!r} holds bytes that are not UTF-8; "
            "write it with other letters"
        ) from None
    if parse_preset(text, name=preset.name).chain != preset.chain:
        raise PresetError(f"{preset.name} cannot be written without loss; please report it with the chain")
    return text


def save_preset(preset: Preset, path: Path, *, overwrite: bool = False) -> Preset:
    """Write a preset's file, whole or not at all, and return the preset as it now stands there.

    Raises
    ------
    OutputError
        If the file exists and may not be replaced, or cannot be written.
    PresetError
        If the preset cannot be put into a file.
    """
    text = preset_text(preset)
    write_text(text, path, overwrite=overwrite)
    return parse_preset(text, name=path.stem, path=path)


def table_text(values: Mapping[str, Any]) -> str:
    """Plain values as the text of a TOML file, to be checked like any other."""
    document = tomlkit.document()
    for key, value in values.items():
        document[key] = _item(value)
    return tomlkit.dumps(document)


def check_free(path: Path, *, overwrite: bool) -> None:
    """Refuse a place that cannot be written to, before long work is begun.

    Raises
    ------
    OutputError
        Says why.
    """
    PartFile(_behind_links(path), overwrite=overwrite).discard()


def check_words(purpose: str, tags: Sequence[str]) -> None:
    """Refuse a purpose or tags that no file could hold, before long work is begun.

    Raises
    ------
    ParameterError
        Says which.
    """
    for what, word in (*((("--purpose", purpose),) if purpose else ()), *(("--tag", tag) for tag in tags)):
        try:
            word.encode("utf-8")
        except UnicodeEncodeError:
            raise ParameterError(
                f"{what} is {word!r}, which holds bytes that are not UTF-8; write it with other letters"
            ) from None
        if "\n" in word.strip():
            raise ParameterError(f"{what} is {word!r}, but must stand in one line; leave the line break out")
        if not word.strip():
            raise ParameterError(f"{what} is {word!r}, but must say something; write a word, or leave it out")


def write_text(text: str, path: Path, *, overwrite: bool) -> None:
    """Write a text file in one step: beside its place first, then renamed."""
    write_whole(_behind_links(path), text.encode("utf-8"), overwrite=overwrite)


def _behind_links(path: Path) -> Path:
    """The file that a link stands for; a name that is not possible is left to whoever writes."""
    return path.resolve() if os.path.islink(path) else path  # noqa: PTH114  (a path's own fails on long names)


def _fresh(preset: Preset) -> tomlkit.TOMLDocument:
    document = tomlkit.document()
    document["format"] = FORMAT
    document["purpose"] = preset.purpose
    document["tags"] = list(preset.tags)
    document["stages"] = _stage_tables(preset.chain)
    if preset.measured is not None:
        _change_measured(document, preset.measured)
    return document


def _stage_tables(chain: Chain) -> AoT:
    tables = tomlkit.aot()
    for stage in chain.stages:
        tables.append(_stage_table(stage))
    return tables


def _stage_table(stage: Stage) -> Table:
    table = tomlkit.table()
    values = stage.to_dict()
    for key in ("name", "kind", *(key for key in values if key not in ("name", "kind", "stages"))):
        if key in values:
            table[key] = _item(values[key])
    if isinstance(stage.processor, Chain):
        table["stages"] = _stage_tables(stage.processor)
    return table


def _item(value: Any) -> Any:
    """A value as it stands in a file: tables within a line, and lists of them a line each."""
    if isinstance(value, Mapping):
        table = tomlkit.inline_table()
        for key, inner in value.items():
            table[key] = _item(inner)
        return table
    if isinstance(value, list | tuple):
        items = tomlkit.array()
        for inner in value:
            items.append(_item(inner))
        return items.multiline(any(isinstance(inner, Mapping) for inner in value))
    return value


def _change_stages(document: Any, before: Chain, after: Chain) -> None:
    tables = document["stages"]
    old = {stage.name: (stage, table) for stage, table in zip(before.stages, tables, strict=True)}
    if before.names != after.names or not isinstance(tables, AoT):
        moved = tomlkit.aot()
        for stage in after.stages:
            known = old.get(stage.name)
            usable = known is not None and isinstance(known[1], Table) and _same_kind(known[0], stage)
            moved.append(known[1] if known and usable else _stage_table(stage))
        document["stages"] = moved
        tables = document["stages"]
    for number, stage in enumerate(after.stages):
        known = old.get(stage.name)
        if known is None or known[0] == stage:
            continue
        if _same_kind(known[0], stage):
            _change_stage(tables[number], known[0], stage)
        else:
            tables[number] = _stage_table(stage)


def _same_kind(one: Stage, other: Stage) -> bool:
    return one.processor.kind == other.processor.kind


def _change_stage(table: Any, before: Stage, after: Stage) -> None:
    if isinstance(after.processor, Chain) and isinstance(before.processor, Chain):
        _change_stages(table, before.processor, after.processor)
    values = after.to_dict()
    for key in STAGE_KEYS:
        if getattr(before, key) != getattr(after, key):
            _set(table, key, values.get(key))
    for key in () if isinstance(after.processor, Chain) else type(after.processor).model_fields:
        changed = getattr(before.processor, key) != getattr(after.processor, key)
        # One that stood there at its default and was left out goes too: it might be refused beside another.
        if changed or (before.processor.given(key) and not after.processor.given(key)):
            _set(table, key, values.get(key))


def _set(table: Any, key: str, value: Any) -> None:
    if value is not None:
        table[key] = _item(value)
    elif key in table:
        del table[key]


def _change_measured(document: Any, measured: Measured | None) -> None:
    if measured is None:
        del document["measured"]
        return
    wanted: dict[str, Any] = {
        "tool_version": measured.tool_version,
        "settings_sha256": measured.settings_sha256,
        "sample_rate_hz": measured.sample_rate_hz,
        "reference_level_dbfs": measured.reference_level_dbfs,
        "seeds": list(measured.seeds),
    }
    if "measured" not in document or not isinstance(document["measured"], Table):
        document["measured"] = tomlkit.table()
    table = document["measured"]
    for key, value in wanted.items():
        if key not in table or table[key] != value:
            table[key] = value
    _change_figures(table, "chain", measured.chain)
    _change_figures(table, "without_reverb", measured.without_reverb)
    stages = table.get("stages")
    for name in list(stages or ()):
        if name not in measured.stages:
            del stages[name]
    if stages is not None and not len(stages):
        del table["stages"]
    if measured.stages:
        if "stages" not in table:
            table["stages"] = tomlkit.table(is_super_table=True)
        for name, figures in measured.stages.items():
            _change_figures(table["stages"], name, figures)


def _change_figures(parent: Any, part: str, figures: Mapping[str, KeptFigure]) -> None:
    if not figures:
        if part in parent:
            del parent[part]
        return
    if part not in parent:
        parent[part] = tomlkit.table()
    table = parent[part]
    for key in list(table):
        if key not in figures:
            del table[key]
    for key, figure in figures.items():
        values = _figure_values(figure)
        if key not in table or table[key] != values:
            table[key] = _item(values)


def _figure_values(figure: KeptFigure) -> dict[str, Any]:
    reading = figure.reading
    values: dict[str, Any] = {
        "value": _rounded(reading.value, 6),
        # Left out where it is not known: zero would claim that the figure is exact.
        **({"uncertainty": _rounded(reading.uncertainty, 3)} if math.isfinite(reading.uncertainty) else {}),
        "tolerance": _rounded(figure.tolerance, 3),
        "unit": reading.unit,
        "method": reading.method,
        "standard": reading.standard,
        "basis": reading.uncertainty_basis,
        "conditions": dict(_conditions(reading)),
        "warnings": list(reading.warnings),
    }
    if reading.standard == "none":
        del values["standard"]
    return {key: value for key, value in values.items() if value not in ([], {})}


def _conditions(reading: Reading) -> Mapping[str, Any]:
    return {
        key: _rounded(value, 5) if isinstance(value, float) else value
        for key, value in reading.conditions.items()
        if key in _CONDITIONS and not (isinstance(value, float) and not math.isfinite(value))
    }


def _rounded(value: float, digits: int) -> float:
    if not math.isfinite(value):
        raise PresetError(f"a figure is {value}, but must be a finite number to be kept; leave it out")
    return float(f"{value:.{digits}g}")
