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


def curves(*drawn: str) -> str:
    """A table for each setting and the point of its curve; of a point what is not told is good."""
    good = {"seconds": "seconds = 0.0", "value": "value = 1.0"}
    tables = []
    for name, point in zip(drawn[::2], drawn[1::2], strict=True):
        told = point.strip("{ }")
        parts = [told] * bool(told) + [each for key, each in good.items() if key not in told]
        tables.append(f"{{ setting = '{name}', points = [{{ {', '.join(parts)} }}] }}")
    return f"automation = [{', '.join(tables)}]"


# What each rule between settings refuses, and words of its sentence, which drawn settings seldom meet.
REFUSED = (
    ("preamp_drive", "drive_db = 3.0\nthd_percent = 1.0", "drive_db and thd_percent are both set"),
    ("preamp_drive", "thd_percent = 99.0", "but this curve gives"),
    ("tape_magnetisation", "drive_db = 3.0\nmol_db = 6.0", "drive_db and mol_db are both set"),
    ("fdn_reverb", "decay_by_band_seconds = {}", "at least one band"),
    (
        "fdn_reverb",
        "decay_by_band_seconds = { at_125_hz_seconds = 4.0, at_250_hz_seconds = 1.0 }",
        "factor of 2.5",
    ),
    (
        "fdn_reverb",
        "low_decay_ratio = 1.0\ndecay_by_band_seconds = { at_125_hz_seconds = 1.0 }",
        "low_decay_ratio is set",
    ),
    (
        "fdn_reverb",
        "decay_seconds = 60.0\ndecay_by_band_seconds = { at_125_hz_seconds = 2.0, at_1000_hz_seconds = 1.0 }",
        "scales a band",
    ),
    ("amplitude_flutter", 'mode = "gain"\nspacing_frequency_hz = 9000.0', "all frequencies move alike"),
    ("amplitude_flutter", "random_low_hz = 10.0\nrandom_high_hz = 11.0", "1.25 to 200 times apart"),
    ("amplitude_flutter", "dropout_least_db = 30.0\ndropout_most_db = 20.0", "shallowest"),
    ("amplitude_flutter", "dropout_shortest_ms = 50.0\ndropout_longest_ms = 20.0", "longer than the longest"),
    (
        "amplitude_flutter",
        "periodic_parts = [" + 3 * "{ rate_hz = 5.0, peak_db = 9.0 }, " + "]",
        "more than 24 dB",
    ),
    (
        "amplitude_flutter",
        'mode = "spacing"\nspacing_frequency_hz = 1000.0\nrandom_db = 6.0',
        "rise by more than 40 dB",
    ),
    ("tape_noise", "bass_time_constant_us = 300.0", "0 (none), or 500 or more"),
    ("crosstalk", "guard_mm = 3.0\ntape_speed_cm_s = 4.76\nfringing_db = -60.0", "ms for guard_mm"),
    ("head_azimuth", "wander_low_hz = 1.0\nwander_high_hz = 1.1", "edges of the wander"),
    ("head_azimuth", "azimuth_urad = 1000.0\ntrack_width_mm = 12.0\ntape_speed_cm_s = 4.76", "slanted gap"),
    ("print_through", "full_radius_mm = 40.0\nhub_radius_mm = 60.0", "lies inside the innermost"),
    ("print_through", "full_radius_mm = 130.0\ntape_speed_cm_s = 4.76", "the outermost turn lasts"),
    ("tape_noise", "hiss_db = -60.0\ntrack_width_mm = 2.0", "hiss_db and track_width_mm are both set"),
    ("tape_noise", 'hiss_weighting = "a"', "hiss_weighting is set"),
    ("splices", "splices = [{ at_seconds = 1.0, blank = true, shift_seconds = 0.1 }]", "nothing to shift"),
    ("splices", "splices = [{ at_seconds = 1.0 }, { at_seconds = 1.0 }]", "put them in order"),
    (
        "start_stop",
        'events = [{ action = "start", at_seconds = 1.0 }, { action = "start", at_seconds = 2.0 }]',
        "must take turns",
    ),
    (
        "start_stop",
        'events = [{ action = "start", at_seconds = 2.0 }, { action = "stop", at_seconds = 1.0 }]',
        "put them in order",
    ),
    (
        "start_stop",
        'events = [{ action = "stop", at_seconds = 1.0 }, { action = "start", at_seconds = 1.1 }]',
        "at rest only",
    ),
    ("tape_response", "bass_time_constant_us = 300.0", "0 (none), or 500 or more"),
    ("tape_response", "face_length_mm = 20.0\ntape_speed_cm_s = 2.0", "face of the head"),
    ("tape_response", 'bump_db = 1.0\npoles = "deep"', "bump_db and poles are both set"),
    ("tape_response", "record_loss_um = 1.0\nsol_10khz_db = 0.0", "record_loss_um and sol_10khz_db are both set"),
    ("tape_response", "spacing_um = 1.0\nsol_10khz_db = 0.0", "spacing_um and sol_10khz_db are both set"),
    ("tape_response", "sol_10khz_db = 40.0", "it can be from"),
    (
        "tape_response",
        "boost_limit_db = 9.0\nresponse_tolerance_db = 3.0",
        "boost_limit_db and response_tolerance_db are both set",
    ),
    (
        "tape_response",
        "response_tolerance_db = 0.1\nspacing_um = 5.0\ntape_speed_cm_s = 4.76\nface_length_mm = 0.0",
        "cannot fall by",
    ),
    ("wow_flutter", "scrape_band_hz = [100.0, 101.0]", "scrape_band_hz must lie within"),
    ("wow_flutter", 'profile = "studio"\nrandom_percent = 0.1', "brings its own parts"),
    ("wow_flutter", "rotating_parts = [{ peak_percent = 0.1 }]", "needs one of rate_hz and diameter_mm"),
    (
        "wow_flutter",
        "tape_speed_cm_s = 19.0\nrotating_parts = [{ rate_hz = 1.0, peak_percent = 0.1 }]",
        "nothing depends on it",
    ),
    (
        "wow_flutter",
        "tape_speed_cm_s = 4.76\nrotating_parts = [{ diameter_mm = 2000.0, peak_percent = 0.1 }]",
        "must turn at 0.02 to 250 Hz",
    ),
    ("wow_flutter", "random_percent = 0.0\nweighted_flutter_percent = 0.1\nrotating_parts = []", "no part moves"),
    (
        "wow_flutter",
        "rotating_parts = [" + 3 * "{ rate_hz = 1.0, peak_percent = 9.0 }, " + "]",
        "must stay within 20 %",
    ),
    ("preamp_drive", curves("drive_db", "{}", "drive_db", "{}"), "automation has two curves for drive_db"),
    ("preamp_drive", curves("offset", "{}"), "cannot follow a curve; these can"),
    ("preamp_drive", curves("drive_db", "{ samples = 0, seconds = 0.0 }"), "give either seconds or samples"),
    ("preamp_drive", curves("drive_db", "{ value = 999.0 }"), "a point of the curve of drive_db cannot be"),
    (
        "wow_flutter",
        "weighted_flutter_percent = 0.1\n" + curves("random_percent", "{}"),
        "random_percent cannot follow a curve here",
    ),
)


def test_every_rule_between_settings_is_the_command_s(ready: Any) -> None:
    texts = [text_of(kind, {}) + lines + "\n" for kind, lines, _ in REFUSED]
    for text, here, (_, _, words) in zip(texts, ready.execute_script(ASK, texts), REFUSED, strict=True):
        assert read(text) is None, f"Python plays what the page may refuse:\n{text}"
        assert words in here.get("refused", "it plays"), text


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
