"""Settings in words: ranges, and what is wrong with a value, made from the declarations alone."""

import difflib
import inspect
import textwrap
import types
from collections.abc import Mapping
from typing import Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from tapeemu.units import read_quantity, split_quantity

__all__ = [
    "choices_text",
    "explain",
    "find_sentences",
    "is_list",
    "nested_model",
    "range_text",
    "shortened",
    "spoken_place",
    "unit_of",
    "with_numbers",
    "with_parameters",
]

_WIDTH = 100
_SECTIONS = ("Notes", "Examples", "Returns", "Raises", "See Also")
_SHOWN = 60
"""Characters of a wrong value that a message shows."""


def unit_of(field: FieldInfo) -> str:
    """Unit of a setting as declared; empty for a pure number and for what is none."""
    extra = field.json_schema_extra
    return str(extra["unit"]) if isinstance(extra, Mapping) and "unit" in extra else ""


def range_text(field: FieldInfo, *, with_unit: bool = True) -> str:
    """Range of a setting in words: ``0.1 to 60 s``; empty where there is no limit."""
    limits: dict[str, float] = {}
    for item in field.metadata:
        for name in ("ge", "gt", "le", "lt"):
            if getattr(item, name, None) is not None:
                limits[name] = getattr(item, name)
    unit = unit_of(field)
    tail = f" {unit}" if unit and with_unit else ""
    if "ge" in limits and "le" in limits:
        return f"{_number(limits['ge'])} to {_number(limits['le'])}{tail}"
    words = {"ge": "at least", "gt": "above", "le": "at most", "lt": "below"}
    return " and ".join(f"{words[name]} {_number(limits[name])}" for name in words if name in limits) + (
        tail if limits else ""
    )


def _number(value: float) -> str:
    if isinstance(value, int) and value >= 10**15:
        power = (value + 1).bit_length() - 1
        return f"2^{power} - 1" if value + 1 == 1 << power else str(value)
    return f"{value:.15g}"


def choices_text(field: FieldInfo) -> str:
    """The words or numbers that a setting may be, joined; empty if it is not a choice."""
    return ", ".join(str(value) for leaf in _leaves(field.annotation) for value in _literals(leaf))


def _literals(annotation: Any) -> tuple[Any, ...]:
    return get_args(annotation) if get_origin(annotation) is Literal else ()


def _leaves(annotation: Any) -> list[Any]:
    """The types that an annotation comes down to, those inside unions and tuples included."""
    if get_origin(annotation) in (Union, types.UnionType, tuple, list):
        return [leaf for inner in get_args(annotation) for leaf in _leaves(inner)]
    return [] if annotation in (Ellipsis, type(None)) else [annotation]


def nested_model(field: FieldInfo) -> type[BaseModel] | None:
    """The class of the table, or of the tables in the list, that a setting is; None for plain values."""
    for leaf in _leaves(field.annotation):
        if isinstance(leaf, type) and issubclass(leaf, BaseModel):
            return leaf
    return None


def is_list(field: FieldInfo) -> bool:
    """Whether a setting is a list, of tables or of numbers."""
    return any(
        get_origin(inner) is tuple
        for inner in (field.annotation, *(get_args(field.annotation) if _is_union(field.annotation) else ()))
    )


def _is_union(annotation: Any) -> bool:
    return get_origin(annotation) in (Union, types.UnionType)


def with_numbers(values: Mapping[str, Any], model: type[BaseModel]) -> dict[str, Any]:
    """The same values with every text that is a number with a fitting unit turned into the number.

    What is true or false is no number, and becomes a text that none can be read from, shown without quotes.
    """
    read = dict(values)
    for name, value in values.items():
        field = model.model_fields.get(name)
        if field is None:
            continue
        if nested_model(field) is not None:
            read[name] = [_named(inner) for inner in value] if isinstance(value, list) else _named(value)
        if not set(_leaves(field.annotation)) <= {float, int}:
            continue
        if isinstance(value, list | tuple):
            read[name] = type(value)(_as_number(inner, field) for inner in value)
        else:
            read[name] = _as_number(value, field)
    return read


def _named(table: Any) -> Any:
    # A key that is no text would end in an error of Python and not in one about the key.
    return {str(key): value for key, value in table.items()} if isinstance(table, Mapping) else table


class _Truth(str):
    """True or false where a number belongs: it would count as 1 or 0, but a text is refused."""

    def __repr__(self) -> str:
        return str(self)


def _as_number(value: Any, field: FieldInfo) -> Any:
    if isinstance(value, bool):
        return _Truth(str(value).lower())
    number = read_quantity(value, unit_of(field)) if isinstance(value, str) else None
    return value if number is None else number


def with_parameters(told: str, model: type[BaseModel]) -> str:
    """A docstring with the section of its settings, made from their declarations: unit, range, default, sentence.

    It stands before notes and examples. A docstring that has such a section keeps its own.
    """
    text = inspect.cleandoc(told)
    if not model.model_fields or any(f"{name}\n---" in text for name in ("Parameters", "Attributes")):
        return text
    lines = ["Parameters", "----------"]
    for name, field in model.model_fields.items():
        lines.append(f"{name} : {_declared(field)}")
        lines += textwrap.wrap(field.description or "", _WIDTH, initial_indent="    ", subsequent_indent="    ")
    places = [text.index(f"\n{name}\n---") for name in _SECTIONS if f"\n{name}\n---" in text]
    at = min(places, default=len(text))
    parts = (text[:at].strip(), "\n".join(lines), text[at:].strip())
    return "\n\n".join(part for part in parts if part) + "\n"


def _declared(field: FieldInfo) -> str:
    """Kind, unit, range and default of a setting: ``number, 0.1 to 60 s, default 2``."""
    leaves = _leaves(field.annotation)
    table = nested_model(field)
    if choices_text(field):
        kind = f"one of {choices_text(field)}"
    elif table is not None:
        kind = f"list of {table.__name__}" if is_list(field) else table.__name__
    elif set(leaves) <= {bool}:
        kind = "true or false"
    elif set(leaves) <= {int}:
        kind = "whole number"
    elif set(leaves) <= {float, int}:
        kind = f"{len(leaves)} numbers" if is_list(field) else "number"
    else:
        kind = "text" if set(leaves) <= {str} else "object"
    told = [kind]
    if range_text(field):
        told.append(range_text(field))
    elif unit_of(field):
        told.append(f"in {unit_of(field)}")
    if field.is_required():
        told.append("required")
    elif field.default is None or field.default == ():
        told.append("optional")
    else:
        told.append(f"default {shortened(field.default)}")
    return ", ".join(told)


def explain(error: ValidationError, model: type[BaseModel]) -> str:
    """Say in one line what is wrong with settings: name, value, rule, and the nearest valid name."""
    told = []
    for place, sentence in find_sentences(error, model):
        names = [step for step in place if isinstance(step, str)]
        outer = place[: place.index(names[-1])] if names else ()
        told.append(f"{spoken_place(outer)}, {sentence}" if outer else sentence)
    return "; ".join(told)


def spoken_place(place: tuple[str | int, ...]) -> str:
    """A place in words, counted from 1: ``rotating_parts 2, rate_hz``."""
    words: list[str] = []
    for step in place:
        if isinstance(step, int) and words:
            words[-1] = f"{words[-1]} {step + 1}"
        else:
            words.append(str(step))
    return ", ".join(words)


def find_sentences(error: ValidationError, model: type[BaseModel]) -> list[tuple[tuple[str | int, ...], str]]:
    """Every mistake that pydantic found, with its place, in our words; each begins with its own name."""
    found: dict[tuple[tuple[str | int, ...], str], None] = {}
    for issue in error.errors(include_url=False):
        place, field, owner = _located(issue["loc"], model)
        found[place, _sentence(issue, place, field, owner)] = None
    return list(found)


def _located(
    steps: tuple[str | int, ...], model: type[BaseModel]
) -> tuple[tuple[str | int, ...], FieldInfo | None, type[BaseModel]]:
    """The place without the names of types that pydantic adds, its setting, and the settings it is one of."""
    place: list[str | int] = []
    field, owner, inside = None, model, model
    for number, step in enumerate(steps):
        if isinstance(step, int):
            place.append(step)
        elif step in inside.model_fields:
            owner, field = inside, inside.model_fields[step]
            inside = nested_model(field) or inside
            place.append(step)
        elif number == len(steps) - 1 and field is None:
            place.append(step)
        elif number == len(steps) - 1 and field is not None and inside is not owner:
            place.append(step)
            owner, field = inside, None
        elif field is not None and _leaves(field.annotation) and isinstance(step, str) and _is_key(field, step):
            place.append(step)
    return tuple(place), field, owner


def _is_key(field: FieldInfo, step: str) -> bool:
    # In a table of free keys the first name is a key; the names of types that follow are pydantic's.
    return get_origin(field.annotation) is dict and step not in ("float", "str", "int", "bool")


def _sentence(issue: Any, place: tuple[str | int, ...], field: FieldInfo | None, owner: type[BaseModel]) -> str:
    kind, value = issue["type"], issue["input"]
    if kind == "string_unicode":
        return f"{shortened(value)} holds bytes that are not UTF-8; write it with other letters"
    names = [step for step in place if isinstance(step, str)]
    name = spoken_place(place[place.index(names[-1]) :]) if names else ""
    if kind == "extra_forbidden":
        near = difflib.get_close_matches(names[-1], list(owner.model_fields), n=1)
        hint = f"did you mean {near[0]!r}?" if near else f"known: {', '.join(owner.model_fields)}"
        return f"{names[-1]!r} is not a setting here; {hint}"
    if kind == "missing" and not (place and isinstance(place[-1], int)):
        sense = (field.description or "").rstrip(".") if field is not None else ""
        unit = unit_of(field) if field is not None else ""
        told = f": {sense[:1].lower()}{sense[1:]}{f', in {unit}' if unit else ''}" if sense else ""
        return f"{name!r} is required{told}"
    message = issue["msg"].removeprefix("Value error, ").removeprefix("Input ")
    rule = _rule(kind, value, field) if field is not None else ""
    if rule:
        return f"{name} is {shortened(value)}, but must be {rule}"
    if name and message.startswith(("must", "should")):
        return f"{name} is {shortened(value)}, but {message.replace('should', 'must', 1)}"
    return f"{name}: {message}" if name else str(message)


def _rule(kind: str, value: Any, field: FieldInfo) -> str:
    """What a value must be, in words, by the sort of mistake; empty where the message says it itself."""
    unit = unit_of(field)
    if get_origin(field.annotation) is dict and kind != "dict_type":
        return "a number or a text"
    if kind in ("greater_than", "greater_than_equal", "less_than", "less_than_equal"):
        return range_text(field)
    if kind == "literal_error":
        return f"one of: {choices_text(field)}"
    if kind.startswith("bool_"):
        return "true or false"
    if kind == "string_type":
        return "a text, in quotes"
    if kind == "finite_number":
        return "a finite number"
    table = nested_model(field)
    if kind in ("model_type", "dict_type", "model_attributes_type"):
        example = next(iter(table.model_fields)) if table is not None else "name"
        return f"a table of settings, such as {{ {example} = 1 }}"
    if kind in ("tuple_type", "list_type", "too_short", "too_long", "missing"):
        if table is not None:
            example = ", ".join(f"{name} = 1" for name, inner in table.model_fields.items() if inner.is_required())
            return f"a list of tables, such as [{{ {example or 'name = 1'} }}]"
        count = len(_leaves(field.annotation))
        return f"a list of {count} numbers, such as [{', '.join(str(place + 1) for place in range(count))}]"
    if kind.startswith(("float_", "int_")):
        if isinstance(value, str) and (parts := split_quantity(value)) is not None:
            own = f"this is set in {unit}" if unit else "this is a number without a unit"
            return f"a number in a unit that fits: {own}, and {parts[1]!r} does not convert into it"
        whole = "whole number" if kind.startswith("int_") else "number"
        if isinstance(value, str) and "," in value:
            return f"a {whole} with a point, such as {value.replace(',', '.')[:_SHOWN]}"
        return f"a {whole}" + (f" in {unit}, such as 1 or '1 {unit}'" if unit else "")
    return ""


def shortened(value: Any) -> str:
    """A value as a message shows it: in quotes if it is a text, and not too long."""
    text = repr(value)
    return text if len(text) <= _SHOWN else f"{text[: _SHOWN - 3]}..."
