"""The JSON Schema of preset files, for editors that check and complete while one types."""

from typing import Any

from tapeemu.automation import Curve, CurvePoint
from tapeemu.chain import Chain, Stage
from tapeemu.presets.kept_figures import KEPT
from tapeemu.presets.reading import FORMAT, file_kinds

__all__ = ["preset_schema"]

_NUMBER = {"type": "number"}
_TEXT = {"type": "string"}


def preset_schema() -> dict[str, Any]:
    """The schema, made from the declarations of the settings: defaults, ranges, units and sentences.

    Rules that tie settings to one another (either a rate or a diameter) are not part of it; reading a
    preset checks those.
    """
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "tapeemu preset",
        "type": "object",
        "properties": {
            "format": {"const": FORMAT, "description": "Version of the file format."},
            "purpose": {**_TEXT, "description": "What the preset is for, in one sentence.", "minLength": 1},
            "tags": {"type": "array", "items": _TEXT, "description": "Words to find it by."},
            "stages": {"$ref": "#/$defs/stages"},
            "measured": _measured(),
        },
        "required": ["format", "purpose", "stages"],
        "additionalProperties": False,
        "$defs": _stages() | _figures(),
    }


def _stages() -> dict[str, Any]:
    """Definitions of a stage of each kind, of their tables, and of a list of stages."""
    definitions: dict[str, Any] = {}
    choices = []
    for kind, model in file_kinds().items():
        if kind == Chain.kind:
            body: dict[str, Any] = {
                "properties": {"stages": {"$ref": "#/$defs/stages"}},
                "required": ["stages"],
                "description": "A chain within the chain.",
            }
        else:
            body = model.model_json_schema()
            tables = body.pop("$defs", {})
            for table in (body, *tables.values()):
                table["description"] = table.get("description", "").split("\n")[0]
                table["properties"] = {name: _or_with_unit(each) for name, each in table["properties"].items()}
            definitions |= tables
            body["description"] = (model.__doc__ or kind).split("\n")[0]
        body["properties"] = {"kind": {"const": kind}, **_stage_properties(), **body.get("properties", {})}
        body["required"] = ["kind", *body.get("required", [])]
        body |= {"type": "object", "title": kind, "additionalProperties": False}
        definitions[f"stage_{kind}"] = body
        choices.append({"$ref": f"#/$defs/stage_{kind}"})
    definitions["stages"] = {"type": "array", "minItems": 1, "items": {"anyOf": choices}}
    return definitions


def _figures() -> dict[str, Any]:
    """Definitions of a figure and of a table of figures."""
    figure = {
        "type": "object",
        "properties": {
            "value": _NUMBER,
            "uncertainty": {"type": "number", "minimum": 0},
            "tolerance": {"type": "number", "minimum": 0},
            "unit": _TEXT,
            "method": _TEXT,
            "standard": _TEXT,
            "basis": _TEXT,
            "conditions": {"type": "object"},
            "warnings": {"type": "array", "items": _TEXT},
        },
        "required": ["value", "tolerance"],
        "additionalProperties": False,
    }
    figures = {
        "type": "object",
        "properties": {key: {"$ref": "#/$defs/figure"} for key in KEPT},
        "additionalProperties": False,
    }
    return {"figure": figure, "figures": figures}


def _measured() -> dict[str, Any]:
    """The table that measuring writes."""
    return {
        "description": "What the bench read; written by 'tapeemu measure'.",
        "type": "object",
        "properties": {
            "tool_version": _TEXT,
            "settings_sha256": _TEXT,
            "sample_rate_hz": _NUMBER,
            "reference_level_dbfs": _NUMBER,
            "seeds": {"type": "array", "items": {"type": "integer"}},
            "chain": {"$ref": "#/$defs/figures"},
            "without_reverb": {"$ref": "#/$defs/figures"},
            "stages": {"type": "object", "additionalProperties": {"$ref": "#/$defs/figures"}},
        },
        "required": ["tool_version", "settings_sha256", "sample_rate_hz", "reference_level_dbfs"],
        "additionalProperties": False,
    }


_WITH_UNIT = {"type": "string", "pattern": r"^\s*[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?\s*[^\d\s.,+-].*$"}


def _or_with_unit(body: dict[str, Any]) -> dict[str, Any]:
    """A number that has a unit may stand as a text with its unit; whether that fits, reading checks."""
    if "unit" not in body:
        return body
    number = {
        key: body[key] for key in body if key in ("type", "minimum", "maximum") or key.startswith("exclusive")
    }
    choices = body.get("anyOf", [number])
    if not any(each.get("type") in ("number", "integer") for each in choices):
        return body
    rest = {key: value for key, value in body.items() if key not in number}
    return {**rest, "anyOf": [*choices, _WITH_UNIT]}


def _curve() -> dict[str, Any]:
    body = Curve.model_json_schema()
    point = body.pop("$defs")["CurvePoint"]
    point["description"] = (CurvePoint.__doc__ or "").split("\n")[0]
    point["properties"] = {name: _or_with_unit(each) for name, each in point["properties"].items()}
    body["description"] = (Curve.__doc__ or "").split("\n")[0]
    body["properties"]["points"] = {
        "type": "array",
        "minItems": 1,
        "items": {**point, "additionalProperties": False},
        "description": Curve.model_fields["points"].description,
    }
    return {**body, "additionalProperties": False}


def _stage_properties() -> dict[str, Any]:
    body = Stage.model_fields
    return {
        "name": {**_TEXT, "description": body["name"].description},
        "bypass": {"type": "boolean", "description": body["bypass"].description},
        "mix_percent": {
            "type": "number",
            "minimum": 0,
            "maximum": 100,
            "default": 100.0,
            "description": body["mix_percent"].description,
        },
        "automation": {"type": "array", "items": _curve(), "description": body["automation"].description},
    }
