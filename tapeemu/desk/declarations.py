"""The settings of all kinds of stages as plain data, from the declarations that everything else is made from."""

import types
from collections.abc import Mapping
from typing import Any, Literal, Union, get_args, get_origin

from pydantic.fields import FieldInfo

from tapeemu.chain import STAGE_KEYS, Chain, Stage
from tapeemu.dsp.transport_profiles import AS_SET, PROFILES, TransportProfile
from tapeemu.presets.places import NAME
from tapeemu.presets.reading import FORMAT, STAGE_NAME_MARKS, STAGE_NAME_RULE, TOP_KEYS, file_kinds
from tapeemu.processors.plugin_effect import PluginEffect
from tapeemu.settings import Settings
from tapeemu.settings_text import is_list, nested_model, unit_of

__all__ = ["kinds_of_stages", "preset_rules", "stage_settings", "transports"]

_LIMITS = ("ge", "gt", "le", "lt")


def kinds_of_stages() -> dict[str, Any]:
    """Every kind of stage that a page can play: its sentence, its settings, and what switches others off."""
    kinds = {name: kind for name, kind in file_kinds().items() if name not in (PluginEffect.kind, Chain.kind)}
    return {
        name: {
            "sense": (kind.__doc__ or "").strip().split("\n")[0],
            "amounts": {key: list(shaping) for key, shaping in kind.amounts.items()},
            "moves": list(kind.moves),
            "drives": kind().traits.drives,
            "fields": _fields(kind),
        }
        for name, kind in kinds.items()
    }


def stage_settings() -> dict[str, Any]:
    """What every stage has beside the settings of its kind."""
    return {name: _field(Stage.model_fields[name]) for name in STAGE_KEYS}


def preset_rules() -> dict[str, Any]:
    """What the reader of presets asks of a text beside its stages, and of names."""
    return {
        "format": FORMAT,
        "keys": list(TOP_KEYS),
        "name_marks": STAGE_NAME_MARKS,
        "name_rule": STAGE_NAME_RULE,
        "preset_name": f"^(?:{NAME.pattern})$",
    }


def transports() -> dict[str, Any]:
    """The classes of transport by name, and what is left out without one."""
    return {"as_set": _transport(AS_SET)} | {name: _transport(profile) for name, profile in PROFILES.items()}


def _transport(profile: TransportProfile) -> dict[str, Any]:
    return profile._asdict() | {"parts": [list(part) for part in profile.parts]}


def _fields(model: type[Settings]) -> dict[str, Any]:
    return {name: _field(field) for name, field in model.model_fields.items()}


def _field(field: FieldInfo) -> dict[str, Any]:
    limits: dict[str, Any] = dict.fromkeys(_LIMITS)
    for item in field.metadata:
        limits |= {name: getattr(item, name) for name in _LIMITS if getattr(item, name, None) is not None}
    # Numbers beyond what a script counts exactly go as text.
    limits = {
        name: str(value) if isinstance(value, int) and value > 2**53 else value for name, value in limits.items()
    }
    default = None if field.is_required() else field.default
    nested = nested_model(field)
    return {
        "sense": (field.description or "").rstrip(".") + ".",
        "unit": unit_of(field),
        "required": field.is_required(),
        "optional": types.NoneType in get_args(field.annotation),
        "default": list(default) if isinstance(default, tuple) else default,
        **limits,
        **_sort(field),
        **({"fields": _fields(nested)} if nested is not None and issubclass(nested, Settings) else {}),
    }


def _sort(field: FieldInfo) -> Mapping[str, Any]:
    """What a value may be: a choice, a switch, a number, two of them, a table or a list of tables."""
    alone = [each for each in _inside(field.annotation) if each is not types.NoneType]
    if get_origin(alone[0]) is Literal:
        return {"type": "choice", "choices": list(get_args(alone[0]))}
    if nested_model(field) is not None:
        return {"type": "tables" if is_list(field) else "table"}
    if is_list(field):
        return {"type": "pair"}
    return {"type": {bool: "switch", int: "whole", str: "text"}.get(alone[0], "number")}


def _inside(annotation: Any) -> tuple[Any, ...]:
    united = get_origin(annotation) in (Union, types.UnionType)
    return get_args(annotation) if united else (annotation,)
