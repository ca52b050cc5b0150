"""The reference of settings: made from the declarations, whole, and as it stands in the documents."""

import json
import re
from pathlib import Path

import pytest

from tapeemu.chain import Chain, Stage
from tapeemu.errors import ParameterError
from tapeemu.presets.reading import file_kinds
from tapeemu.presets.reference import effect_parameters, markdown_reference, reference_tables, stage_table
from tapeemu.presets.schema import preset_schema
from tapeemu.processors import processor_kinds
from tapeemu.processors.plugin_effect import EFFECTS, PluginEffect
from tapeemu.settings_text import nested_model

PAGE = Path(__file__).parents[3] / "docs/settings.md"


def test_the_page_is_what_the_declarations_say() -> None:
    assert PAGE.read_text("utf-8") == markdown_reference(), (
        "docs/settings.md is stale; run 'tapeemu settings --markdown --out docs/settings.md --overwrite'"
    )


def test_no_setting_is_missing() -> None:
    tables = {(table.kind, table.inside): [row.name for row in table.rows] for table in reference_tables()}
    for kind, model in file_kinds().items():
        assert tables[kind, ""] == list(model.model_fields)
        for name, field in model.model_fields.items():
            inner = nested_model(field)
            if inner is not None and kind != Chain.kind:
                assert tables[kind, name] == list(inner.model_fields)
    assert {row.name for row in stage_table().rows} == {"kind", *Stage.model_fields} - {"processor"}


def test_every_row_says_range_default_and_sense() -> None:
    for table in [stage_table(), *reference_tables()]:
        assert table.sense.endswith("."), table
        for row in table.rows:
            assert row.range, row
            assert row.default, row
            assert row.sense.endswith("."), row
            assert not row.sense.endswith(".."), row
            # The unit ends the name: one that is printed beside another would contradict it.
            suffix = {"%": "percent", "Hz": "hz", "s": "seconds", "dB": "db", "µs": "us", "ms": "ms", "mm": "mm"}
            if row.unit in suffix:
                assert row.name.endswith((f"_{suffix[row.unit]}", "_per_minute")), row


@pytest.mark.parametrize(
    ("kind", "name", "cells"),
    [
        ("fdn_reverb", "decay_seconds", ("s", "0.1 to 60", "left out")),
        ("preamp_drive", "thd_percent", ("%", "above 0 and below 100", "left out")),
        ("amplitude_flutter", "mode", ("", "gain, spacing", "gain")),
        ("wow_flutter", "seed", ("", "0 to 2^63 - 1", "1")),
        ("fdn_reverb", "room_seed", ("", "0 to 2^64 - 1", "0")),
        ("wow_flutter", "random_band_hz", ("Hz", "two numbers", "left out")),
        ("plugin_effect", "effect", ("", "text", "required")),
    ],
)
def test_rows_of_the_reference_are_those_written_by_hand(
    kind: str, name: str, cells: tuple[str, str, str]
) -> None:
    (row,) = [row for row in reference_tables(kind)[0].rows if row.name == name]
    assert (row.unit, row.range, row.default) == cells


def test_every_effect_is_listed_with_parameters_it_takes() -> None:
    found = dict(effect_parameters())
    assert set(found) == set(EFFECTS)
    for effect, told in found.items():
        for name, value in re.findall(r"(\w+) ([\w.-]+)", "" if told == "none" else told):
            number = value if name == "mode" else float(value)
            PluginEffect(effect=effect, parameters={name: number})


def test_an_unknown_kind_is_refused_with_those_there_are() -> None:
    with pytest.raises(ParameterError, match=r"no kind of stage 'reverb'; the kinds are: .*fdn_reverb"):
        reference_tables("reverb")
    assert json.dumps([table.sense for table in reference_tables("chain")])


def test_the_schema_tells_what_each_kind_is() -> None:
    """In the first line of its docstring."""
    for kind, made in processor_kinds().items():
        if kind != "plugin_object":
            assert preset_schema()["$defs"][f"stage_{kind}"]["description"] == (made.__doc__ or "").split("\n")[0]


def test_effects_are_listed_with_their_parameters() -> None:
    found = dict(effect_parameters())
    assert found["Gain"] == "gain_db 1"
    assert found["Invert"] == "none"
