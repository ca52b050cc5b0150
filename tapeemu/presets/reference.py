"""Every setting there is, with its unit, range, default and sense: made from the declarations, never by hand."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from tapeemu.chain import Chain, Stage, spoken
from tapeemu.errors import ParameterError
from tapeemu.presets.reading import file_kinds
from tapeemu.processor import Processor, Settings
from tapeemu.settings_text import choices_text, is_list, nested_model, range_text, unit_of

__all__ = ["SettingRow", "Table", "effect_parameters", "markdown_reference", "reference_tables", "stage_table"]


@dataclass(frozen=True, kw_only=True)
class SettingRow:
    """One setting as the reference shows it; every attribute is a text."""

    name: str
    unit: str
    range: str
    default: str
    sense: str


@dataclass(frozen=True, kw_only=True)
class Table:
    """Settings that stand together: those of a kind of stage, or of a table inside one of its settings.

    Attributes
    ----------
    kind : str
        Kind of stage; empty for what every stage has.
    inside : str
        The setting whose table, or list of tables, this is; empty for the stage itself.
    sense : str
        What it is, in a sentence.
    rows : tuple of SettingRow
        The settings in their order.
    """

    kind: str
    inside: str
    sense: str
    rows: tuple[SettingRow, ...]


def reference_tables(kind: str | None = None) -> list[Table]:
    """The tables of every kind of stage a preset may name, or of one.

    Raises
    ------
    ParameterError
        If there is no such kind.
    """
    kinds = file_kinds()
    if kind is not None and kind not in kinds:
        raise ParameterError(f"there is no kind of stage {kind!r}; the kinds are: {', '.join(kinds)}")
    return [table for each in ([kind] if kind else kinds) for table in _of_kind(each, kinds[each])]


def stage_table() -> Table:
    """What every stage has, whatever its kind."""
    return Table(
        kind="",
        inside="",
        sense="Every stage has these, whatever its kind.",
        rows=(
            SettingRow(
                name="kind",
                unit="",
                range=", ".join(file_kinds()),
                default="required",
                sense="What the stage is, by the names of the tables below.",
            ),
            *(_row(name, field, {}) for name, field in Stage.model_fields.items() if name != "processor"),
        ),
    )


def _of_kind(kind: str, model: type[Settings]) -> Iterator[Table]:
    if kind == Chain.kind:
        row = SettingRow(
            name="stages",
            unit="",
            range="list of stages",
            default="required",
            sense="Stages in the order of the signal.",
        )
        yield Table(kind=kind, inside="", sense="A chain within the chain.", rows=(row,))
        return
    idle = {
        name: amount
        for amount, shaping in reversed(list(model.amounts.items()))
        for name in shaping
        if amount != "wet_percent"
    }
    sense = (model.__doc__ or "").strip().split("\n")[0]
    if issubclass(model, Processor):
        sense += f" {_curves(model)}"
    rows = tuple(_row(name, field, idle) for name, field in model.model_fields.items())
    yield Table(kind=kind, inside="", sense=sense, rows=rows)
    for name, field in model.model_fields.items():
        inner = nested_model(field)
        if inner is not None:
            yield Table(
                kind=kind,
                inside=name,
                sense=(inner.__doc__ or "").strip().split("\n")[0],
                rows=tuple(_row(each, part, {}) for each, part in inner.model_fields.items()),
            )


def _curves(model: type[Processor]) -> str:
    """Which settings can follow curves, and why the others cannot."""
    if not model.moves:
        return f"Its settings cannot follow curves: {model.stands}. The mix of the stage can."
    return f"Curves can move {', '.join(model.moves)}; not the others: {model.stands}."


def _row(name: str, field: FieldInfo, idle: Mapping[str, str]) -> SettingRow:
    sense = (field.description or "").rstrip(".") + "."
    if name in idle:
        sense += f" Heard only while {idle[name]} is above 0."
    return SettingRow(name=name, unit=unit_of(field), range=_allowed(field), default=_default(field), sense=sense)


def _allowed(field: FieldInfo) -> str:
    choices = choices_text(field)
    if choices:
        return choices
    if nested_model(field) is not None:
        return "list of tables" if is_list(field) else "table"
    if is_list(field):
        return "two numbers"
    return range_text(field, with_unit=False) or _KINDS_OF_VALUE.get(str(field.annotation), "")


_KINDS_OF_VALUE = {
    str(bool): "true or false",
    str(str): "text",
    str(dict[str, float | str]): "table of numbers and texts",
    str(float | None): "any",
}


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "required"
    return _plain(field.default)


def _plain(value: Any) -> str:
    if value is None:
        return "left out"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, BaseModel):
        return spoken(value.model_dump(exclude_none=True))
    if isinstance(value, tuple | list | dict | str) and not value:
        return "none"
    if isinstance(value, tuple) and all(isinstance(inner, float) for inner in value):
        return " to ".join(_plain(inner) for inner in value)
    if isinstance(value, tuple):
        return "; ".join(_plain(inner) for inner in value)
    return f"{value:g}" if isinstance(value, float) else str(value)


def effect_parameters() -> list[tuple[str, str]]:
    """The effects that a stage of kind plugin_effect may name, with their parameters and defaults."""
    import pedalboard

    from tapeemu.processors.plugin_effect import EFFECTS, parameter_names

    found = []
    for effect in EFFECTS:
        made = getattr(pedalboard, effect)()
        values = {name: getattr(made, name) for name in parameter_names(effect)}
        told = [
            # A choice prints as its class and its name.
            f"{name} {_plain(value) if isinstance(value, int | float) else str(value).rpartition('.')[2]}"
            for name, value in values.items()
        ]
        found.append((effect, ", ".join(told) or "none"))
    return found


_HEAD = """\
# Settings

Every kind of stage with its settings, as a preset file, `--set STAGE.SETTING=VALUE` and the constructors in Python
take them. Written by `tapeemu settings --markdown` from the declarations in the code; a test keeps it true.

- A number may stand with its unit as a text where that converts exactly: `decay_seconds = "1800 ms"` in a file,
  `--set hall.decay_seconds=1.8s` on the command line.
- *Left out* is the default of what need not be there; on the command line `--set hall.decay_seconds=none` leaves a
  setting out again.
- Settings that would decide the same thing are refused together, wherever they are given.
"""


def markdown_reference() -> str:
    """The whole reference as a Markdown page."""
    parts = [_HEAD]
    for table in [stage_table(), *reference_tables()]:
        if table.inside:
            heading = f"### In `{table.inside}` of `{table.kind}`"
        else:
            heading = f"## `{table.kind}`" if table.kind else "## Every stage"
        rows = [
            f"| `{row.name}` | {row.unit} | {row.range} | {row.default} | {row.sense} |".replace("  ", " ")
            for row in table.rows
        ]
        head = "| Setting | Unit | Range | Default | What it does |\n|---|---|---|---|---|"
        parts.append(f"{heading}\n\n{table.sense}\n\n{head}\n" + "\n".join(rows) + "\n")
        if table.kind == "plugin_effect":
            parts.append(
                "`tapeemu settings plugin_effect` lists the effects with their parameters and defaults.\n"
            )
    return "\n".join(parts)
