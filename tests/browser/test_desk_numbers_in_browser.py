"""What the page makes of the text of a preset is what Python makes of it: the same numbers, the same refusals.

The page's rules and numbers are written a second time, in its own language. Here every kind of stage that the page
offers is drawn at random and read by both, so that none can be forgotten.
"""

import contextlib
import json
import re
from typing import Any

import numpy as np
import pytest
from random_chains import Generator, settings, value

from tapeemu.desk.declarations import kinds_of_stages
from tapeemu.errors import TapeemuError
from tapeemu.native.processors import find_processors
from tapeemu.presets import list_places, load_preset, parse_preset
from tapeemu.processor import Processor
from tapeemu.processors import processor_kinds
from tapeemu.targets.setups import numbers_of

ASK = """
const { PresetText, setupOf, addsSound, hearsItsTrack } = window.tapeemuDesk;
return arguments[0].map((text) => {
  try {
    const [stage] = setupOf(new PresetText(text).root.stages).stages;
    return { numbers: stage.numbers.map(String), sounds: addsSound(stage), tracks: hearsItsTrack(stage) };
  } catch (error) {
    return { refused: error.message };
  }
});
"""


def literal(value: Any) -> str:
    """A value as TOML has it; floats to the last bit."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return json.dumps(value)
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, int):
        return str(value)
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(literal, value)) + "]"
    given = value if isinstance(value, dict) else {name: getattr(value, name) for name in value.model_fields_set}
    return "{ " + ", ".join(f"{name} = {literal(each)}" for name, each in given.items() if each is not None) + " }"


def text_of(kind: str, given: dict[str, Any]) -> str:
    lines = [f"{name} = {literal(each)}" for name, each in given.items() if each is not None]
    return "\n".join(['format = 1\npurpose = "drawn"\n', "[[stages]]", f'kind = "{kind}"', *lines, ""])


def drawn_at_will(rng: Generator, made: type[Processor]) -> dict[str, Any]:
    """Settings within their ranges, whether or not they go together."""
    return {
        name: value(rng, field.annotation, field.metadata)
        for name, field in made.model_fields.items()
        if rng.integers(3) == 0
    }


def numbers(processor: Processor) -> list[str]:
    """The numbers of a processor as text: bits of reals as JavaScript prints them are compared as numbers."""
    made = processor.kernel_settings()  # type: ignore[attr-defined]
    kind = next(each for each in find_processors() if each.settings.name == type(made).__name__)
    return [repr(number) for number in numbers_of(kind, made)[1]]


def read(text: str) -> Processor | None:
    """The processor of a preset of one stage; None where Python refuses it."""
    try:
        return parse_preset(text, name="drawn").chain.stages[0].processor
    except TapeemuError:
        return None


def agree(browser: Any, kind: str, rng: Generator, valid: int, at_will: int) -> None:
    made = processor_kinds()[kind]
    drawn = [settings(rng, made) for _ in range(valid)]
    given: list[dict[str, Any]] = [{name: getattr(each, name) for name in each.model_fields_set} for each in drawn]
    for _ in range(at_will):
        with contextlib.suppress(TapeemuError):  # tables within may refuse themselves
            given.append(drawn_at_will(rng, made))
    texts = [text_of(kind, each) for each in given]
    for text, here in zip(texts, browser.execute_script(ASK, texts), strict=True):
        processor = read(text)
        if processor is None:
            assert "refused" in here, f"the page plays what Python refuses:\n{text}"
            continue
        assert "refused" not in here, f"{here}\n{text}"
        there = numbers(processor)
        assert len(here["numbers"]) == len(there), text
        for mine, its in zip(here["numbers"], there, strict=True):
            same = int(mine) == int(its) if "." not in its and "e" not in its else float(mine) == float(its)
            assert same, f"{here['numbers']}\n{there}\n{text}"
        traits = processor.traits
        assert here["sounds"] == traits.adds_sound, text
        assert here["tracks"] or not traits.tracks_differ, text


ASK_WHOLE = """
const { PresetText, setupOfPreset } = window.tapeemuDesk;
return arguments[0].map((text) => {
  try {
    setupOfPreset(new PresetText(text).root);
    return "";
  } catch (error) {
    return error.message;
  }
});
"""

TWO = """format = 1
purpose = "Two."
tags = ["one"]

[[stages]]
name = "{}"
kind = "preamp_drive"

[[stages]]
name = "{}"
kind = "crosstalk"
"""
PLAIN = TWO.format("first", "second")


@pytest.mark.parametrize(
    "text",
    [
        *(
            TWO.format(name, "second")
            for name in ("a_b-c 1", "\u00dcber \u0394 \u96f6", "\u00bd", "\u2167", "\u00b2")
        ),
        *(
            TWO.format(name, "second")
            for name in ("", " ", "a.b", "a/b", "tape!", "a\u00a0b", "e\u0301", "\U0001f39e")
        ),
        *(TWO.format("first", name) for name in ("first", "preamp_drive", "First", "first ")),
        PLAIN.replace('name = "first"', "name = 3"),
        PLAIN.replace('name = "second"\n', ""),
        PLAIN.replace("[[stages]]\nname", "[[stages]]\nbypass = true\nname").replace("second", "first"),
        PLAIN.replace("format = 1", "format = 2"),
        PLAIN.replace("format = 1", 'format = "1"'),
        PLAIN.replace("format = 1\n", ""),
        PLAIN.replace("tags", "tag"),
        PLAIN.replace('["one"]', '"one"'),
        PLAIN.replace('["one"]', '["one", " "]'),
        PLAIN.replace('"Two."', "2"),
        PLAIN[: PLAIN.index("[[")],
    ],
)
def test_a_text_is_refused_by_the_page_as_by_the_command(ready: Any, text: str) -> None:
    """Names of stages were not looked at until the preset was saved."""
    [here] = ready.execute_script(ASK_WHOLE, [text])
    there = ""
    try:
        parse_preset(text, name="tried")
    except TapeemuError as error:
        there = str(error)
    assert bool(here) == bool(there), f"the page: {here or 'plays it'}; the command: {there or 'plays it'}\n{text}"


KINDS = sorted(kinds_of_stages())


@pytest.mark.parametrize("kind", KINDS)
def test_the_numbers_of_every_kind_are_those_of_python(ready: Any, kind: str) -> None:
    agree(ready, kind, np.random.default_rng([1, KINDS.index(kind)]), 3, 6)


BESIDE_OTHERS = {"dropout_most_db": 60.0}
"""Values that fit the other settings' defaults, where that nearly at the lower end does not."""


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kinds_of_stages()[kind]["moves"]])
def test_every_setting_that_moves_is_found_in_the_engine(ready: Any, kind: str) -> None:
    """What can follow a curve in Python moves in the engine, under the same name or one that the page knows."""
    for name in kinds_of_stages()[kind]["moves"]:
        value = processor_kinds()[kind].model_fields[name].metadata[0]
        least = BESIDE_OTHERS.get(name, float(getattr(value, "ge", getattr(value, "gt", 0.0))) + 1.0)
        text = (
            text_of(kind, {})
            + f"automation = [{{ setting = {name!r}, points = [{{ seconds = 1.0, value = {least} }}] }}]\n"
        )
        assert parse_preset(text, name="moving").chain.stages[0].automation
        assert ready.execute_script(
            "const { PresetText, setupOf, data } = window.tapeemuDesk;"
            "const setup = setupOf(new PresetText(arguments[0]).root.stages);"
            "return data.engine[setup.stages[0].kind].settings[setup.curves[0].setting]?.moves",
            text,
        ), name


@pytest.mark.long
@pytest.mark.parametrize("kind", KINDS)
def test_many_numbers_of_every_kind_are_those_of_python(ready: Any, kind: str) -> None:
    agree(ready, kind, np.random.default_rng([2, KINDS.index(kind)]), 60, 140)


def by_labels(sentence: str, labels: dict[str, str]) -> str:
    """A sentence of a declaration, which names settings by their keys, with what these are called on the page."""
    return re.sub(r"\w+_\w+", lambda key: f"\u201c{labels[key[0]]}\u201d", sentence)


def test_every_kind_is_a_strip_with_units_and_sentences(ready: Any) -> None:
    """Every setting stands in its strip, named, with its unit and its sentence."""
    before = ready.execute_script("return window.tapeemuDesk.desk.text")
    try:
        for kind, declared in kinds_of_stages().items():
            ready.execute_script("window.tapeemuDesk.desk.edit(arguments[0], 'kind')", text_of(kind, {}))
            assert ready.execute_script("return window.tapeemuDesk.desk.mistake") is None, kind
            shown = ready.execute_script(
                "return arguments[0].map((name) => { const one = document.getElementById(`stage-0-${name}`);"
                "const box = one.closest('.setting');"
                "return [box.querySelector('.label').textContent, box.querySelector('.sense').textContent,"
                " box.querySelector('.unit')?.textContent ?? '']; })",
                list(declared["fields"]),
            )
            labels = dict(zip(declared["fields"], (label for label, _, _ in shown), strict=True))
            for (label, sense, unit), (name, field) in zip(shown, declared["fields"].items(), strict=True):
                assert label
                assert "_" not in label
                assert sense == by_labels(field["sense"], labels), name
                if field["type"] == "number":
                    assert unit == field["unit"], name
    finally:
        ready.execute_script("window.tapeemuDesk.desk.edit(arguments[0], 'kind')", before)


FORETELL = """
const { desk, data } = window.tapeemuDesk;
const before = desk.text;
const found = arguments[0].map((name) => {
  desk.edit(data.presets.find((preset) => preset.name === name).text, name);
  desk.foretell();
  return desk.mistake ? null : desk.expected;
});
desk.edit(before, "back");
return found;
"""
AGREEMENT = {
    "thd_reference_percent": (0.01, 0.0),
    "mol_3_percent_db": (0.0, 0.1),
    "noise_a_weighted_db": (0.0, 0.2),
    "decay_500hz_seconds": (0.06, 0.0),
    "weighted_flutter_percent": (0.05, 0.001),
}
"""By how much an expected figure may differ from a measured one: of it, and in its unit."""


@pytest.mark.parametrize(
    "names",
    [
        ("quarter-inch-at-38", "hall-into-drive", "bed-slow-wow"),
        pytest.param(tuple(place.name for place in list_places()), marks=pytest.mark.long),
    ],
)
def test_expected_figures_are_what_the_laboratory_read(ready: Any, names: tuple[str, ...]) -> None:
    """Of shipped presets, where a page can play them; the laboratory shares nothing with the page."""
    presets = [load_preset(name) for name in names]
    foretold = ready.execute_script(FORETELL, [preset.name for preset in presets])
    compared = set()
    for preset, expected in zip(presets, foretold, strict=True):
        if expected is None:
            assert "plugin_effect" in preset.text
            continue
        for key, (share, size) in AGREEMENT.items():
            measured = preset.readings.get(key)
            if measured is None or expected.get(key) is None:
                continue
            within = share * abs(measured.value) + size + 3.0 * (measured.uncertainty or 0.0)
            assert expected[key] == pytest.approx(measured.value, abs=within), (preset.name, key)
            compared.add(key)
    assert compared == set(AGREEMENT)
