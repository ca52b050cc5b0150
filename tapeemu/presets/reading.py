"""From the text of a preset file to a preset, or to every mistake in it at once.

Reading runs no code, opens no other file, and stays within limits of size, depth and count, so that a file
from anywhere can be tried.
"""

import difflib
import math
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any, TypeGuard

from measure.results import Reading
from tapeemu.chain import STAGE_KEYS, Chain, Stage
from tapeemu.errors import ParameterError, PresetError
from tapeemu.presets import lines
from tapeemu.presets.host_states import VST3_MARK, lv2_state_text, vst3_preset_text
from tapeemu.presets.kept_figures import KEPT, KeptFigure, Measured
from tapeemu.presets.preset import Preset
from tapeemu.presets.syntax import explain_syntax
from tapeemu.processor import Processor, Settings
from tapeemu.processors import processor_kinds
from tapeemu.processors.plugin_effect import PluginObject
from tapeemu.settings_text import spoken_place
from tapeemu.units import split_quantity

__all__ = [
    "FORMAT",
    "STAGE_NAME_MARKS",
    "STAGE_NAME_RULE",
    "TOP_KEYS",
    "file_kinds",
    "parse_preset",
    "read_text",
]

FORMAT = 1
STAGE_NAME_MARKS = " -_"
"""What the name of a stage may have beside letters and digits."""
STAGE_NAME_RULE = "of letters, digits, spaces, '-' and '_'"
TOP_KEYS = ("format", "purpose", "tags", "stages", "measured")

_MAX_BYTES = 128 * 1024
_MAX_LINES = 4_000
_MAX_LINE = 2_000
_MAX_DEPTH = 12
_MAX_ITEMS = 64
_MAX_KEYS = 256
_MAX_TEXT = 400
_MAX_STAGES = 32
_MAX_CHAIN_DEPTH = 4
_MAX_MISTAKES = 50
_LARGEST = 2**64
# Conditions are what a verification will run with, so they bound its time and memory.
_MAX_SEEDS = 16
_CONDITION_RANGES = {"sample_rate_hz": (16_000.0, 192_000.0), "reference_level_dbfs": (-60.0, 0.0)}

_FIGURE_KEYS = (
    *("value", "uncertainty", "tolerance", "unit", "method", "standard", "basis", "conditions", "warnings"),
)

_Problem = tuple[lines.Path, str]


def read_text(path: Path) -> str:
    """The text of a preset file, within the limits; of what a host saved, the text in it.

    Raises
    ------
    PresetError
        If it cannot be read, is too large, is not UTF-8, or is what a host saved of something else.
    """
    try:
        with path.open("rb") as file:
            data = file.read(_MAX_BYTES + 1)
    except OSError as error:
        raise PresetError(f"{path} cannot be read ({error.strerror}); check its permissions") from None
    if len(data) > _MAX_BYTES:
        raise PresetError(
            f"{path} is larger than {_MAX_BYTES // 1024} KiB, more than a preset may have; check its name"
        )
    if data.startswith(VST3_MARK):
        if (text := vst3_preset_text(data)) is None:
            raise PresetError(
                f"{path} is no VST3 preset of this suite; save one in a host from one of its plug-ins"
            )
        return text
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise PresetError(f"{path} is not UTF-8 text (byte {error.start}); save it as UTF-8") from None
    if path.suffix == ".ttl":
        if (state := lv2_state_text(text)) is None:
            raise PresetError(f"{path} is no LV2 state of this suite; save one in a host from one of its plug-ins")
        return state
    return text


def file_kinds() -> dict[str, type[Processor]]:
    """Processors that a file can name; objects given from outside cannot be in one."""
    kinds: dict[str, type[Processor]] = {**processor_kinds(), Chain.kind: Chain}
    del kinds[PluginObject.kind]
    return kinds


def parse_preset(text: str, *, name: str, path: Path | None = None) -> Preset:
    """Check the text of a preset file and make a preset of it.

    Parameters
    ----------
    text : str
        Contents of the file.
    name : str
        Name of the preset.
    path : Path, optional
        Where the text comes from, for messages.

    Raises
    ------
    PresetError
        With every mistake, its line and its key.
    """
    where = str(path or name)
    _check_size(text, where)
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        line, sentence = explain_syntax(text, error)
        raise PresetError(f"{where}, line {line}: {sentence}") from None
    except RecursionError:
        raise PresetError(f"{where} is nested too deeply; presets need {_MAX_DEPTH} levels at most") from None
    problems = list(_unfit_values(table, (), 0))
    if not problems:
        made = _preset(table, problems, text=text, name=name, path=path)
        if made is not None and not problems:
            return made
    raise _error(where, lines.key_lines(text) if _shallow(table) else {}, problems)


def _check_size(text: str, where: str) -> None:
    # Before the parser: a key of thousands of dotted parts takes it a time that grows with their square.
    rows = text.splitlines()
    if len(text) > _MAX_BYTES or len(rows) > _MAX_LINES:
        raise PresetError(
            f"{where} has {len(rows):,} lines and {len(text):,} characters, but a preset may have {_MAX_LINES:,} "
            f"and {_MAX_BYTES:,}; check that it is a preset"
        )
    for number, row in enumerate(rows, start=1):
        if len(row) > _MAX_LINE:
            raise PresetError(
                f"{where}, line {number} has {len(row)} characters; {_MAX_LINE} are allowed: break it"
            )


def _depth(value: Any) -> int:
    deepest, waiting = 0, [(value, 0)]
    while waiting:
        inner, depth = waiting.pop()
        deepest = max(deepest, depth)
        children = inner.values() if isinstance(inner, dict) else inner if isinstance(inner, list) else ()
        waiting.extend((child, depth + 1) for child in children)
    return deepest


def _shallow(table: Any) -> bool:
    return _depth(table) <= 4 * _MAX_DEPTH


def _unfit_values(value: Any, path: lines.Path, depth: int) -> Iterator[_Problem]:
    """Values that stand in no preset, whatever the key: too many, too long, too deep, not finite, dates."""
    if depth > _MAX_DEPTH:
        yield path, f"is nested more than {_MAX_DEPTH} levels deep; presets need fewer"
    elif isinstance(value, dict):
        if len(value) > _MAX_KEYS:
            yield path, f"has {len(value)} keys, but a table may have {_MAX_KEYS} at most"
            return
        for key, inner in value.items():
            if len(key) > _MAX_TEXT:
                yield path, f"has a key of {len(key)} characters; {_MAX_TEXT} are allowed"
            else:
                yield from _unfit_values(inner, (*path, key), depth + 1)
    elif isinstance(value, list):
        if len(value) > _MAX_ITEMS:
            yield path, f"has {len(value)} items, but a list may have {_MAX_ITEMS} at most"
            return
        for number, inner in enumerate(value):
            yield from _unfit_values(inner, (*path, number), depth + 1)
    elif isinstance(value, str):
        if len(value) > _MAX_TEXT:
            yield path, f"is a text of {len(value)} characters, but may have {_MAX_TEXT} at most"
    elif isinstance(value, bool):
        return
    elif isinstance(value, int):
        if abs(value) > _LARGEST:
            yield path, "is a whole number beyond 2 to the power of 64"
    elif isinstance(value, float):
        if not math.isfinite(value):
            yield path, f"is {value}, but must be a finite number"
    else:
        yield path, f"is a {type(value).__name__}, but dates and times stand in no preset"


def _nearest(key: str, known: Sequence[str]) -> str:
    near = difflib.get_close_matches(key, known, n=1)
    return f"did you mean {near[0]!r}?" if near else f"known: {', '.join(known)}"


def _unknown(table: Mapping[str, Any], known: Sequence[str], path: lines.Path, what: str) -> list[_Problem]:
    return [
        ((*path, key), f"{key!r} is not a key of {what}; {_nearest(key, known)}")
        for key in table
        if key not in known
    ]


def _preset(
    table: dict[str, Any], problems: list[_Problem], *, text: str, name: str, path: Path | None
) -> Preset | None:
    problems += _unknown(table, TOP_KEYS, (), "a preset")
    version = table.get("format")
    if version is None:
        problems.append((("format",), f"'format' is required; write format = {FORMAT}"))
    elif isinstance(version, bool) or not isinstance(version, int) or version != FORMAT:
        newer = "; a newer version of tapeemu may read it" if isinstance(version, int) and version > FORMAT else ""
        problems.append((("format",), f"format is {version!r}, but must be {FORMAT}{newer}"))
    purpose = table.get("purpose")
    if isinstance(purpose, str) and "\n" in purpose.strip():
        problems.append((("purpose",), f"purpose is {purpose!r}, but must be one sentence in one line"))
    elif not isinstance(purpose, str) or not purpose.strip():
        problems.append((("purpose",), "'purpose' is required: what the preset is for, in one sentence"))
    tags = table.get("tags", [])
    if not isinstance(tags, list) or not all(isinstance(tag, str) and tag.strip() for tag in tags):
        problems.append((("tags",), "tags must be a list of words"))
    chain = _chain(table.get("stages"), ("stages",), problems, _Count(), 1)
    measured = None
    if "measured" in table:
        measured = _measured(table["measured"], chain.names if chain else (), problems)
    if problems or chain is None:
        return None
    return Preset(
        name=name,
        path=path,
        purpose=str(purpose).strip(),
        tags=tuple(tags),
        chain=chain,
        measured=measured,
        text=text,
    )


class _Count:
    """Stages seen so far, those of chains within the chain included."""

    def __init__(self) -> None:
        self.stages = 0


def _chain(stages: Any, path: lines.Path, problems: list[_Problem], count: _Count, depth: int) -> Chain | None:
    if not isinstance(stages, list) or not stages:
        problems.append((path, "a chain needs one or more [[stages]]"))
        return None
    if depth > _MAX_CHAIN_DEPTH:
        problems.append((path, f"chains may stand in chains {_MAX_CHAIN_DEPTH} deep at most"))
        return None
    made = []
    for number, table in enumerate(stages):
        count.stages += 1
        if count.stages > _MAX_STAGES:
            problems.append(((*path, number), f"is one stage more than the {_MAX_STAGES} allowed"))
            return None
        made.append(_stage(table, (*path, number), problems, count, depth))
    good = [stage for stage in made if stage is not None]
    if len(good) < len(made):
        return None
    found = Chain.find_problems({"stages": good})
    problems += [(path, sentence) for _, sentence in found]
    return None if found else Chain(stages=tuple(good))


def _stage(table: Any, path: lines.Path, problems: list[_Problem], count: _Count, depth: int) -> Stage | None:
    if not isinstance(table, dict):
        problems.append((path, "a stage must be a table with the key 'kind'"))
        return None
    before = len(problems)
    kinds = file_kinds()
    kind = table.get("kind")
    if not isinstance(kind, str) or kind not in kinds:
        hint = _nearest(kind, list(kinds)) if isinstance(kind, str) else f"known: {', '.join(kinds)}"
        rule = "'kind' is required" if kind is None else f"kind is {kind!r}, but there is no such kind of stage"
        problems.append(((*path, "kind"), f"{rule}; {hint}"))
        return None
    own = {key: table[key] for key in STAGE_KEYS if key in table}
    settings = {key: value for key, value in table.items() if key not in ("kind", *STAGE_KEYS)}
    known = (*kinds[kind].model_fields, "kind", *STAGE_KEYS)
    problems += _unknown(settings, known, path, f"a stage of kind {kind!r}")
    settings = {key: value for key, value in settings.items() if key in known}
    processor = (
        _chain(settings.get("stages"), (*path, "stages"), problems, count, depth + 1)
        if kind == Chain.kind
        else _settings(kinds[kind], settings, path, problems)
    )
    # What curves can be followed depends on the processor; without one they are not looked at.
    checked = own if processor is not None else {key: own[key] for key in own if key != "automation"}
    found = Stage.find_problems({**checked, "processor": processor or Chain()})
    problems += [((*path, *place), text) for place, text in found]
    if isinstance(own.get("name"), str) and not _good_name(own["name"]):
        problems.append(((*path, "name"), f"name is {own['name']!r}, but must be {STAGE_NAME_RULE}"))
    if len(problems) > before or processor is None:
        return None
    stage = Stage(processor=processor, **own)
    problems += _swapped_types(own, stage, path)
    return stage if len(problems) == before else None


def _good_name(name: str) -> bool:
    return bool(name.strip()) and all(character.isalnum() or character in STAGE_NAME_MARKS for character in name)


def _settings(
    model: type[Processor], values: dict[str, Any], path: lines.Path, problems: list[_Problem]
) -> Processor | None:
    found = model.find_problems(values)
    problems += [((*path, *place), sentence) for place, sentence in found]
    if found:
        return None
    try:
        made = model.from_dict(values)
    except ParameterError as error:
        problems.append((path, str(error)))
        return None
    swapped = _swapped_types(values, made, path)
    problems += swapped
    return None if swapped else made


def _swapped_types(given: Any, kept: Any, path: lines.Path) -> list[_Problem]:
    """Where a text or a true stood for a number and was silently turned into one, or the other way round."""
    if isinstance(given, dict):
        found = []
        for key, value in given.items():
            inner = kept.get(key) if isinstance(kept, Mapping) else getattr(kept, key, value)
            found += _swapped_types(value, inner, (*path, key))
        return found
    if isinstance(given, list) and isinstance(kept, tuple | list) and len(given) == len(kept):
        found = []
        for number, (value, inner) in enumerate(zip(given, kept, strict=True)):
            found += _swapped_types(value, inner, (*path, number))
        return found
    if isinstance(kept, Settings):
        return [(path, f"is {given!r}, but must be a table of settings")]
    if isinstance(given, str) and not isinstance(kept, str):
        if isinstance(kept, bool):
            return [(path, f"is {given!r}, but must be true or false, without quotes")]
        if split_quantity(given) is None:
            return [(path, f"is {given!r}, but must be a number: write it without quotes, or with its unit")]
    elif isinstance(given, bool) and not isinstance(kept, bool):
        return [
            (path, f"is {str(given).lower()}, but must be {'a text' if isinstance(kept, str) else 'a number'}")
        ]
    elif isinstance(kept, bool) and not isinstance(given, bool):
        return [(path, f"is {given!r}, but must be true or false")]
    return []


def _measured(table: Any, names: Sequence[str], problems: list[_Problem]) -> Measured | None:
    path: lines.Path = ("measured",)
    if not isinstance(table, dict):
        problems.append((path, "'measured' must be a table, as 'tapeemu measure' writes it"))
        return None
    before = len(problems)
    known = [each.name for each in fields(Measured)]
    problems += _unknown(table, known, path, "the table of measured figures")
    for key in ("tool_version", "settings_sha256", *_CONDITION_RANGES):
        value = table.get(key)
        if value is None:
            problems.append(((*path, key), f"'{key}' is required, as 'tapeemu measure' writes it"))
        elif key not in _CONDITION_RANGES:
            if not isinstance(value, str):
                problems.append(((*path, key), f"{key} is {value!r}, but must be a text"))
        else:
            least, most = _CONDITION_RANGES[key]
            if isinstance(value, bool) or not isinstance(value, int | float) or not least <= value <= most:
                problems.append(((*path, key), f"{key} is {value!r}, but must be {least:g} to {most:g}"))
    seeds = table.get("seeds", [])
    good = isinstance(seeds, list) and len(seeds) <= _MAX_SEEDS
    if not good or any(isinstance(s, bool) or not isinstance(s, int) or not 0 <= s < 2**63 for s in seeds):
        problems.append(((*path, "seeds"), f"seeds must be a list of up to {_MAX_SEEDS} whole numbers from 0 up"))
    parts = {part: _figures(table.get(part, {}), (*path, part), problems) for part in ("chain", "without_reverb")}
    stages = table.get("stages", {})
    by_stage: dict[str, dict[str, KeptFigure]] = {}
    if not isinstance(stages, dict):
        problems.append(((*path, "stages"), "must be a table of stage names"))
    else:
        for name, inner in stages.items():
            if names and name not in names:
                problems.append(((*path, "stages", name), f"there is no stage {name!r}; {_nearest(name, names)}"))
            by_stage[name] = _figures(inner, (*path, "stages", name), problems)
    if len(problems) > before:
        return None
    return Measured(
        tool_version=table["tool_version"],
        settings_sha256=table["settings_sha256"],
        sample_rate_hz=float(table["sample_rate_hz"]),
        reference_level_dbfs=float(table["reference_level_dbfs"]),
        seeds=tuple(seeds),
        stages=by_stage,
        **parts,
    )


def _figures(table: Any, path: lines.Path, problems: list[_Problem]) -> dict[str, KeptFigure]:
    if not isinstance(table, dict):
        problems.append((path, "must be a table of figures"))
        return {}
    made = {}
    for key, values in table.items():
        place = (*path, key)
        before = len(problems)
        if key not in KEPT:
            problems.append((place, f"{key!r} is not a figure that presets keep; {_nearest(key, list(KEPT))}"))
            continue
        if not isinstance(values, dict):
            problems.append((place, "must be a table with value, tolerance, unit and, where known, uncertainty"))
            continue
        problems += _unknown(values, _FIGURE_KEYS, place, "a figure")
        numbers = {}
        for name in ("value", "uncertainty", "tolerance"):
            value = values.get(name)
            if name == "uncertainty" and name not in values:
                numbers[name] = math.nan  # not known
            elif not _is_finite(value) or (name != "value" and value < 0.0):
                rule = "a finite number" if name == "value" else "a finite number, not negative"
                problems.append(((*place, name), f"{name} is {value!r}, but must be {rule}"))
            else:
                numbers[name] = float(value)
        for name in ("unit", "method", "standard", "basis"):
            if not isinstance(values.get(name, ""), str):
                problems.append(((*place, name), f"{name} must be a text"))
        conditions = values.get("conditions", {})
        if not isinstance(conditions, dict) or any(isinstance(v, dict | list) for v in conditions.values()):
            problems.append(((*place, "conditions"), "conditions must be a table of numbers and texts"))
        warnings = values.get("warnings", [])
        if not isinstance(warnings, list) or not all(isinstance(each, str) for each in warnings):
            problems.append(((*place, "warnings"), "warnings must be a list of texts"))
        if len(problems) == before:
            made[key] = KeptFigure(
                reading=Reading(
                    quantity=key.rpartition("_")[0].replace("_", " "),
                    value=numbers["value"],
                    unit=values.get("unit", ""),
                    method=values.get("method", "not stated"),
                    standard=values.get("standard", "none"),
                    conditions=conditions,
                    uncertainty=numbers["uncertainty"],
                    uncertainty_basis=values.get("basis", "not stated"),
                    warnings=tuple(warnings),
                ),
                tolerance=numbers["tolerance"],
            )
    return made


def _is_finite(value: Any) -> TypeGuard[float]:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _error(where: str, places: dict[lines.Path, int], problems: list[_Problem]) -> PresetError:
    located = sorted(
        ((lines.find_line(places, path) or 0, path, sentence) for path, sentence in problems),
        key=lambda entry: entry[0],
    )
    told = [_told(line, path, sentence) for line, path, sentence in located[:_MAX_MISTAKES]]
    if len(located) > _MAX_MISTAKES:
        told.append(f"and {len(located) - _MAX_MISTAKES} more")
    if len(told) == 1:
        return PresetError(f"{where}: {told[0]}")
    return PresetError(f"{where} has {len(located)} mistakes:", tuple(told))


def _told(line: int, path: lines.Path, sentence: str) -> str:
    # Most sentences name their key; said twice it only hides the line.
    keys = [number for number, step in enumerate(path) if isinstance(step, str)]
    own = keys[-1] if keys else 0
    named = bool(keys) and sentence.lstrip("'").startswith(spoken_place(path[own:]))
    outer = path[:own] if named else path
    places = [f"line {line}"] if line else []
    places += [_spoken(outer)] if outer else []
    return f"{', '.join(places)}: {sentence}" if places else sentence


def _spoken(path: lines.Path) -> str:
    """A place in words: ``stage 2, decay_seconds``."""
    words: list[str] = []
    for step in path:
        if isinstance(step, int):
            words[-1] = f"{words[-1].removesuffix('s') if words[-1] == 'stages' else words[-1]} {step + 1}"
        else:
            words.append(_shown(step))
    return ", ".join(words)


def _shown(key: str) -> str:
    return key if key.isprintable() and len(key) <= 60 else repr(key[:60])
