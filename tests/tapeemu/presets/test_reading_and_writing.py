"""Preset files: read, refused with every mistake, rewritten with comments and order, found, described."""

import json
import math
import pickle
import random
import re
import tomllib
import tracemalloc
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from hypothesis import HealthCheck, given, reject, settings
from hypothesis import strategies as st
from made_presets import GOOD, figures_of, good, measured_of

import tapeemu
from measure.results import Reading
from tapeemu import AmplitudeFlutter, Chain, FdnReverb, PreampDrive, Stage, TapeMagnetisation, WowFlutter
from tapeemu.errors import OutputError, ParameterError, PresetError
from tapeemu.presets import find_preset, list_places, load_preset, parse_preset
from tapeemu.presets.kept_figures import KEPT, settings_digest, tolerance_for
from tapeemu.presets.lines import key_lines
from tapeemu.presets.measuring import FigureCheck
from tapeemu.presets.places import NAME, shipped_folder
from tapeemu.presets.preset import Preset
from tapeemu.presets.schema import preset_schema
from tapeemu.presets.searching import parse_condition, search
from tapeemu.presets.writing import preset_text, save_preset
from tapeemu.processors.amplitude_flutter import LevelPart
from tapeemu.processors.fdn_reverb import DecayByBand
from tapeemu.processors.plugin_effect import PluginEffect
from tapeemu.processors.wow_flutter import RotatingPart


@pytest.fixture
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "own"
    folder.mkdir()
    monkeypatch.setenv("TAPEEMU_PRESETS", str(folder))
    return folder


def mistakes(text: str) -> list[str]:
    with pytest.raises(PresetError) as caught:
        parse_preset(text, name="lighthouse")
    return list(caught.value.mistakes) or [caught.value.heading]


# Reading.


def test_a_file_written_by_hand_gives_the_chain_it_describes() -> None:
    preset = good()
    assert preset.purpose == "Radio in a lighthouse."
    assert preset.tags == ("radio", "distant")
    assert preset.chain.names == ("stairs", "valve", "reel")
    assert preset.chain.stages[0].processor == FdnReverb(
        wet_percent=40.0,
        decay_by_band_seconds=DecayByBand(at_500_hz_seconds=2.5, at_4000_hz_seconds=1.0),
    )
    assert preset.state == "not measured"
    assert dict(preset.readings) == {}


def test_all_mistakes_are_told_at_once_with_line_and_key() -> None:
    text = (
        GOOD.replace("purpose =", "purpos =")
        .replace("wet_percent = 40.0", "wet_percnt = 40.0")
        .replace("thd_percent = 1.0", 'thd_percent = "much"\ndrive_dB = 3')
        .replace("rate_hz = 9.0", "rate_hz = -9.0")
    )
    told = mistakes(text)
    lines = text.splitlines()
    assert len(told) == 6
    expected = [
        ("'purpose' is required", None),
        ("'purpos' is not a key of a preset; did you mean 'purpose'?", "purpos ="),
        ("'wet_percnt'", "wet_percnt"),
        ("thd_percent", "much"),
        ("'drive_dB' is not a key of a stage of kind 'preamp_drive'; did you mean 'drive_db'?", "drive_dB"),
        ("rotating_parts 2", "rate_hz = -9"),
    ]
    for sentence, mark in expected:
        (found,) = [each for each in told if sentence in each]
        if mark is not None:
            line = next(number for number, row in enumerate(lines, start=1) if mark in row)
            assert f"line {line}" in found


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (("format = 1", "format = 2"), "newer version"),
        (("format = 1\n", ""), "'format' is required"),
        (('kind = "preamp_drive"', 'kind = "preamp_driv"'), "did you mean 'preamp_drive'?"),
        (
            ('kind = "preamp_drive"', 'kind = "plugin_object"\neffect = "print"'),
            "kind is 'plugin_object', but there is no such kind of stage",
        ),
        (('kind = "preamp_drive"\n', ""), "'kind' is required"),
        (("wet_percent = 40.0", "wet_percent = true"), "is true, but must be a number"),
        (("wet_percent = 40.0", 'wet_percent = "40"'), "must be a number: write it without quotes"),
        (("wet_percent = 40.0", "wet_percent = nan"), "must be a finite number"),
        (("wet_percent = 40.0", "wet_percent = 1979-05-27"), "dates and times"),
        (("wet_percent = 40.0", "mix_percent = 140.0"), "mix_percent is 140.0, but must be 0 to 100 %"),
        (
            ("wet_percent = 40.0", "wet_percent = 40.0\nwet_percent = 41.0"),
            "line 11: wet_percent is set already; keep one of the two",
        ),
        (('name = "valve"', 'name = "stairs"'), "stage names must differ"),
        (('name = "valve"', 'name = "a.b"'), "letters, digits"),
        (("thd_percent = 1.0", "thd_percent = 1.0\ndrive_db = 3.0"), "one follows from the other"),
        (("format = 1", "format = 1\n[measured]\nchain = 3\n[x]"), "'tool_version' is required"),
        (("tags =", "tag ="), "did you mean 'tags'?"),
    ],
)
def test_a_mistake_is_told_with_its_remedy(change: tuple[str, str], told: str) -> None:
    assert change[0] in GOOD
    assert any(told in each for each in mistakes(GOOD.replace(*change)))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("sample_rate_hz = 48000.0", "sample_rate_hz = 1e9"),
        ("reference_level_dbfs = -18.0", "reference_level_dbfs = 40"),
        ("seeds = [1, 2, 3]", f"seeds = {list(range(40))}"),
        ("seeds = [1, 2, 3]", "seeds = [-1]"),
        ("seeds = [1, 2, 3]", "seeds = 1"),
        ('settings_sha256 = "', 'settings_sha256 = 1 #"'),
        ("tolerance = 0.003", "tolerance = -0.003"),
        ("tolerance = 0.003", "tolerance = inf"),
        ("tolerance = 0.003", "tolerance = nan"),
        ("uncertainty = 0.002", "uncertainty = nan"),
        ("uncertainty = 0.002", 'uncertainty = "small"'),
        ("value = 0.1", "value = inf"),
        ("value = 0.1", "value = nan"),
        ("value = 0.1", 'value = "0.1"'),
        ("conditions = {", "conditions = { a = [1], "),
        ('warnings = ["no warning"]', "warnings = [1]"),
    ],
)
def test_conditions_that_a_verification_could_not_bear_are_refused(old: str, new: str) -> None:
    text = preset_text(good().replace(measured=measured_of(good().chain)))
    assert old in text
    assert mistakes(text.replace(old, new))


def test_a_misspelt_figure_is_refused_with_the_nearest() -> None:
    chain = good().chain
    text = preset_text(good().replace(measured=measured_of(chain)))
    told = mistakes(text.replace("weighted_flutter_percent", "weighted_fluter_percent"))
    assert any("did you mean 'weighted_flutter_percent'?" in each for each in told)


# What an untrusted file may not do.


@pytest.mark.parametrize(
    "text",
    [
        "a" * 200_000,
        "\n" * 10_000,
        "x = " + "[" * 1_500 + "]" * 1_500,
        ".".join("a" * 900) + " = 1",
        "[" + ".".join("a" * 900) + "]\n" + "\n".join(f"k{n} = 1" for n in range(3_000)),
        "x = " + "9" * 1_900,
        "x = 0x" + "f" * 1_900,
        "x = 1e999999999",
        GOOD + "\n".join('[[stages]]\nkind = "preamp_drive"' for _ in range(200)),
        GOOD.replace("tags = [", "tags = [" + '"a",' * 100),
        GOOD.replace("radio", "r" * 1_000),
        GOOD.replace(
            "rotating_parts = [", "rotating_parts = [" + "{ rate_hz = 1, peak_percent = 0.01 }, \n" * 100
        ),
        GOOD + '[[stages]]\nkind = "plugin_effect"\neffect = "Delay"\nparameters = { delay_seconds = 1e9 }',
        GOOD
        + '[[stages]]\nkind = "plugin_effect"\neffect = "Convolution"\nparameters = { impulse = "/etc/passwd" }',
        GOOD + '[[stages]]\nkind = "plugin_effect"\neffect = "load_plugin"',
        GOOD + '[[stages]]\nkind = "plugin_effect"\neffect = "__class__"',
        GOOD + '[[stages]]\nkind = "../../secret"',
        GOOD + "".join(f"[[{'.'.join(['stages'] * n)}]]\nkind = 'chain'\n" for n in range(1, 12)),
    ],
)
def test_hostile_files_are_refused_within_bounds(text: str) -> None:
    parse_preset(GOOD, name="x")  # imports are not what is bounded here
    tracemalloc.start()
    try:
        with pytest.raises(PresetError):
            parse_preset(text, name="x")
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert most < 64e6


def test_reading_opens_no_file_but_the_one_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "lighthouse.toml"
    path.write_text(GOOD + '[[stages]]\nkind = "plugin_effect"\neffect = "Gain"\n', "utf-8")
    load_preset(path)
    opened = []
    real = Path.open
    monkeypatch.setattr(Path, "open", lambda self, *a, **k: opened.append(self) or real(self, *a, **k))
    monkeypatch.setattr("builtins.open", lambda *a, **k: opened.append(a[0]))
    load_preset(path)
    assert opened == [path]


def test_files_that_are_no_text_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(PresetError, match="not UTF-8"):
        load_preset(path)
    path.write_bytes(b"#" * 200_000)
    with pytest.raises(PresetError, match="larger than"):
        load_preset(path)
    with pytest.raises(PresetError, match="no preset file"):
        load_preset(tmp_path)
    with pytest.raises(PresetError, match="not a possible name"):
        load_preset("a\0b")


# Two thousand mutated files.

HOSTILE_VALUES = (
    *("-1", "0", "1e308", "-1e308", "nan", "inf", "true", '""', '"\\u0000"', "[]", "{}", "[[]]", "1979-05-27"),
    *(
        "9223372036854775807",
        "99999999999999999999999",
        "-0.0",
        "0x7f",
        "'''a'''",
        '"' + "z" * 300 + '"',
        "[1, 2]",
    ),
    *("[{}]", "{ a = 1 }", "{ rate_hz = 1 }", "1e-320", '"preamp_drive"', "0.5", "3", "48000"),
)


def mutated(text: str, chance: random.Random) -> str:
    kind = chance.randrange(8)
    lines = text.splitlines()
    at = chance.randrange(len(lines))
    if kind == 0:  # a byte
        place = chance.randrange(len(text))
        return text[:place] + chance.choice("=[]{}\".,\\'#\n\x00é0a-_ ") + text[place + 1 :]
    if kind == 1:  # cut short
        return text[: chance.randrange(len(text))]
    if kind == 2:
        del lines[at]
    elif kind == 3:
        lines.insert(chance.randrange(len(lines)), lines[at])
    elif kind == 4:
        other = chance.randrange(len(lines))
        lines[at], lines[other] = lines[other], lines[at]
    elif kind == 5:  # a misspelt key
        lines[at] = re.sub(r"[a-z_]{4,}", lambda found: found[0][:2] + found[0][3:], lines[at], count=1)
    else:  # a value of another kind
        lines[at] = re.sub(r"= .*", lambda _: f"= {chance.choice(HOSTILE_VALUES)}", lines[at], count=1)
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize("count", [400, pytest.param(2_200, marks=pytest.mark.long)])
def test_mutated_presets_give_a_clear_error_or_a_valid_preset(count: int) -> None:
    chance = random.Random(4)
    sources = [GOOD, *(path.read_text("utf-8") for path in sorted(shipped_folder().glob("*.toml")))]
    # Most of a shipped file is its figures; the settings are where mistakes matter.
    sources += [text.split("\n[measured]")[0] + "\n" for text in sources[1:]] * 2
    accepted = refused = 0
    for _ in range(count):
        text = mutated(chance.choice(sources), chance)
        if text and chance.random() < 0.3:
            text = mutated(text, chance)
        preset, told = None, ""
        try:
            preset = parse_preset(text, name="mutant")
        except PresetError as error:
            told = str(error)
        if preset is None:
            refused += 1
            assert told.startswith("mutant")
            assert len(told) > len("mutant: ") + 10
        else:
            accepted += 1
            again = parse_preset(preset_text(preset.replace(text="")), name="mutant")
            assert again.chain == preset.chain
    assert accepted + refused == count
    assert accepted > count / 8
    assert refused > count / 8


# All that UTF-8 can write: surrogates alone are left out. By name, the encoding would be tried a million times.
ANY_CHARACTER = st.characters(exclude_categories=("Cs",))


@settings(max_examples=150, deadline=None)
@given(st.text(ANY_CHARACTER, max_size=300))
def test_any_text_at_all_is_a_clear_error(text: str) -> None:
    with pytest.raises(PresetError):
        parse_preset(text, name="noise")


# Round trips.

percent = st.floats(0.0, 100.0)
names = st.from_regex(r"[a-z][a-z0-9_-]{0,12}", fullmatch=True, alphabet=ANY_CHARACTER)


def allowed_flutter(**values: object) -> WowFlutter:
    try:
        return WowFlutter(**values)  # type: ignore[arg-type]
    except ParameterError:  # a slow part alone, scaled to a weighted figure, may go beyond 20 % of speed
        reject()


def processors(depth: int = 1) -> st.SearchStrategy[object]:
    seeds = st.integers(0, 2**63 - 1)
    flutter = st.builds(
        allowed_flutter,
        rotating_parts=st.lists(
            st.builds(RotatingPart, rate_hz=st.floats(0.02, 250.0), peak_percent=st.floats(0.01, 1.0)),
            min_size=1,
            max_size=4,
        ).map(tuple),
        weighted_flutter_percent=st.none() | st.floats(0.0, 0.5),
        speed_error_percent=st.floats(-1.0, 1.0),
        seed=seeds,
    )
    level = st.builds(
        AmplitudeFlutter,
        mode=st.sampled_from(["gain", "spacing"]),
        random_db=st.floats(0.0, 6.0),
        periodic_parts=st.lists(
            st.builds(LevelPart, rate_hz=st.floats(0.02, 250.0), peak_db=st.floats(0.0, 4.0)), max_size=3
        ).map(tuple),
        seed=seeds,
    )
    hall = st.builds(
        FdnReverb,
        decay_seconds=st.floats(0.1, 60.0),
        wet_percent=percent,
        lines=st.sampled_from([8, 16, 32]),
        decay_by_band_seconds=st.none() | st.builds(DecayByBand, at_1000_hz_seconds=st.floats(0.05, 60.0)),
    )
    drive = st.builds(PreampDrive, drive_db=st.floats(-40.0, 40.0), asymmetry_percent=st.floats(-60.0, 60.0))
    tape = st.builds(TapeMagnetisation, mol_db=st.floats(0.0, 20.0))
    effect = st.just(PluginEffect(effect="HighpassFilter", parameters={"cutoff_frequency_hz": 60.0}))
    plain = st.one_of(flutter, level, hall, drive, tape, effect)
    return plain if depth == 0 else st.one_of(plain, chains(depth - 1))


def chains(depth: int = 1) -> st.SearchStrategy[Chain]:
    stages = st.builds(
        Stage,
        processor=processors(depth),
        name=names,
        bypass=st.booleans(),
        mix_percent=percent,  # type: ignore[arg-type]
    )
    return st.lists(stages, min_size=1, max_size=3, unique_by=lambda stage: stage.name).map(
        lambda found: Chain(stages=tuple(found))
    )


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(chains(), st.text(st.characters(exclude_categories=("C", "Z")), min_size=1, max_size=40))
def test_any_chain_survives_a_file(chain: Chain, purpose: str) -> None:
    preset = Preset(name="x", purpose=purpose, chain=chain, measured=measured_of(chain))
    text = preset_text(preset)
    again = parse_preset(text, name="x")
    assert again.chain == chain
    assert again.purpose == purpose
    assert again.state == "measured"
    assert preset_text(again) == text
    jsonschema.Draft202012Validator(preset_schema()).validate(tomllib.loads(text))


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(chains(0), chains(0))
def test_a_file_can_become_any_other_chain_in_place(before: Chain, after: Chain) -> None:
    text = preset_text(Preset(name="x", purpose="A change.", chain=before))
    changed = preset_text(parse_preset(text, name="x").replace(chain=after))
    assert parse_preset(changed, name="x").chain == after


def test_a_rewrite_keeps_comments_order_and_everything_it_does_not_change() -> None:
    preset = good()
    assert preset_text(preset) == GOOD
    changed = preset.replace(
        chain=preset.chain.with_setting("valve", "thd_percent", 2.0), measured=measured_of(preset.chain)
    )
    text = preset_text(changed)
    before, after = GOOD.splitlines(), text.splitlines()
    assert [line for line in before if line not in after] == ["thd_percent = 1.0"]
    assert after[: len(before)] == [line.replace("thd_percent = 1.0", "thd_percent = 2.0") for line in before]

    commented = text.replace("[measured.chain]", "[measured.chain]\n# by the small lamp")
    commented = re.sub(r"(weighted_flutter_percent = .*)", r"\1  # seems low", commented)
    again = parse_preset(commented, name="lighthouse")
    rewritten = preset_text(again.replace(measured=measured_of(again.chain, 0.2)))
    assert "# by the small lamp" in rewritten
    assert "# seems low" in rewritten
    assert parse_preset(rewritten, name="x").readings["weighted_flutter_percent"].value == 0.2


def test_stages_keep_their_comments_when_their_order_changes() -> None:
    preset = good()
    text = preset_text(preset.replace(chain=preset.chain.reordered(["reel", "valve", "stairs"])))
    assert parse_preset(text, name="x").chain.names == ("reel", "valve", "stairs")
    for comment in re.findall("#.*", GOOD):
        assert comment.strip() in text


def test_figures_survive_a_file() -> None:
    chain = good().chain
    measured = measured_of(chain, without_reverb=figures_of(0.2), stages={"stairs": figures_of(0.3)})
    again = parse_preset(preset_text(good().replace(measured=measured)), name="x").measured
    assert again is not None
    assert again.parts().keys() == {"chain", "without reverb", "stage stairs"}
    assert "[measured.stages]" not in preset_text(good().replace(measured=measured))  # no heading above nothing
    for part, figures in measured.parts().items():
        for key, figure in figures.items():
            kept = again.parts()[part][key]
            assert kept.tolerance == figure.tolerance
            assert kept.reading.to_dict() | {"quantity": ""} == figure.reading.to_dict() | {"quantity": ""}
    fewer = preset_text(
        parse_preset(preset_text(good().replace(measured=measured)), name="x").replace(measured=measured_of(chain))
    )
    assert "without_reverb" not in fewer
    assert "measured.stages" not in fewer


def test_files_appear_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "lighthouse.toml"
    save_preset(good(), path)
    with pytest.raises(OutputError, match="exists"):
        save_preset(good(), path)
    before = path.read_bytes()

    def full(*_: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(OutputError, match="No space left"):
        save_preset(good().replace(purpose="Another."), path, overwrite=True)
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_what_cannot_be_read_again_is_not_written(tmp_path: Path) -> None:
    with pytest.raises(PresetError, match="purpose"):
        save_preset(good().replace(purpose="two\nlines"), tmp_path / "x.toml", overwrite=True)
    outside = Chain(stages=[lambda audio, rate, reset=False: audio])
    with pytest.raises(ParameterError, match="given from outside"):
        save_preset(Preset(name="x", purpose="x", chain=outside), tmp_path / "x.toml")
    assert list(tmp_path.iterdir()) == []


# Lines.


def test_lines_of_keys_are_those_of_the_text() -> None:
    text = (
        'a = """one\n\\" # [x]\n"""""\n[b]\n"c d".e = 1 # "\n[[f]]\ng = [\n 1, #\n {h = \'#\', i = [2,\r\n3]}\n]'
    )
    text += "\n[f.j]\n[[f]]\n"
    tomllib.loads(text)
    lines = key_lines(text)
    assert lines[("a",)] == 1
    assert lines[("b",)] == 4
    assert lines[("b", "c d", "e")] == 5
    assert lines[("f",)] == lines[("f", 0)] == 6
    assert lines[("f", 0, "g", 0)] == 8
    assert lines[("f", 0, "g", 1, "h")] == 9
    assert lines[("f", 0, "g", 1, "i", 1)] == 10
    assert lines[("f", 0, "j")] == 12
    assert lines[("f", 1)] == 13


def test_lines_are_found_without_a_space_between_anything() -> None:
    text = "a=[[1],\n2]\n[b]\nc={d=1,e=[2,\n{f=3}]}\ng=''\nh=4"
    assert tomllib.loads(text)["b"]["h"] == 4
    lines = key_lines(text)
    assert {place: line for place, line in lines.items() if isinstance(place[-1], str)} == {
        ("a",): 1,
        ("b",): 3,
        ("b", "c"): 4,
        ("b", "c", "d"): 4,
        ("b", "c", "e"): 4,
        ("b", "c", "e", 1, "f"): 5,
        ("b", "g"): 6,
        ("b", "h"): 7,
    }
    assert [lines["a", 0], lines["a", 0, 0], lines["a", 1], lines["b", "c", "e", 1]] == [1, 1, 2, 5]


def test_every_key_of_every_shipped_file_has_its_line() -> None:
    for path in shipped_folder().glob("*.toml"):
        text = path.read_text("utf-8")
        lines, rows = key_lines(text), text.splitlines()
        waiting: list[tuple[tuple[object, ...], object]] = [((), tomllib.loads(text))]
        while waiting:
            place, value = waiting.pop()
            if place:
                row = rows[lines[place] - 1]  # type: ignore[index]
                assert isinstance(place[-1], int) or str(place[-1]) in row
            if isinstance(value, dict):
                waiting += [((*place, key), inner) for key, inner in value.items()]
            elif isinstance(value, list):
                waiting += [((*place, number), inner) for number, inner in enumerate(value)]


# Digest and state.


def test_the_digest_sees_settings_and_order_and_nothing_else() -> None:
    chain = good().chain
    same = GOOD.replace("40.0 ", "40 ").replace("# one sentence", "# two").replace("radio", "wireless")
    same = same.replace('kind = "preamp_drive"', 'kind = "preamp_drive"\nasymmetry_percent = 0.0')
    assert settings_digest(parse_preset(same, name="x").chain) == settings_digest(chain)
    for other in (
        chain.with_setting("valve", "thd_percent", 1.0001),
        chain.with_setting("valve", "bypass", True),
        chain.reordered(["valve", "stairs", "reel"]),
    ):
        assert settings_digest(other) != settings_digest(chain)


def test_a_changed_setting_makes_the_figures_stale() -> None:
    chain = good().chain
    text = preset_text(good().replace(measured=measured_of(chain)))
    assert parse_preset(text, name="x").state == "measured"
    assert parse_preset(text.replace("thd_percent = 1.0", "thd_percent = 1.5"), name="x").state == "stale"


@pytest.mark.parametrize("bad", [math.inf, -math.inf, math.nan])
def test_a_figure_without_a_value_is_not_written_as_zero(bad: float) -> None:
    for measured in (
        measured_of(good().chain, bad),
        replace(
            measured_of(good().chain),
            chain={key: replace(each, tolerance=bad) for key, each in figures_of(0.1).items()},
        ),
    ):
        with pytest.raises(PresetError, match="must be a finite number"):
            preset_text(good().replace(measured=measured))


def test_a_figure_that_cannot_be_measured_any_more_is_not_proved() -> None:
    (kept,) = figures_of(0.1).values()
    gone = FigureCheck(part="chain", key="weighted_flutter_percent", kept=kept, found=None)
    new = FigureCheck(part="chain", key="weighted_flutter_percent", kept=None, found=kept)
    assert (gone.within, new.within) == (False, True)


@pytest.mark.parametrize("key", list(KEPT))
def test_a_tolerance_is_the_uncertainty_within_limits(key: str) -> None:
    def reading(value: float, doubt: float) -> Reading:
        return Reading(quantity="q", value=value, unit="", method="m", uncertainty=doubt)

    floor = KEPT[key].floor
    assert tolerance_for(key, reading(0.0, math.nan)) == floor
    assert tolerance_for(key, reading(0.0, 2.5 * floor)) == 2.5 * floor
    assert tolerance_for(key, reading(0.0, 50.0 * floor)) == 4.0 * floor
    share = 0.0 if key.endswith("_db") else KEPT[key].share
    assert tolerance_for(key, reading(-1e6, 0.0)) == pytest.approx(max(floor, share * 1e6))


# Places.


def test_a_name_is_looked_for_in_the_users_folder_first(own_folder: Path) -> None:
    assert find_preset("hall-into-drive").origin == "shipped"
    (own_folder / "hall-into-drive.toml").write_text(GOOD, "utf-8")
    place = find_preset("hall-into-drive")
    assert (place.origin, place.hides) == ("own", shipped_folder() / "hall-into-drive.toml")
    assert load_preset("hall-into-drive").chain == good().chain
    listed = [each for each in list_places() if each.name == "hall-into-drive"]
    assert listed == [place]
    by_path = find_preset(own_folder / "hall-into-drive.toml")
    assert (by_path.origin, by_path.path) == ("file", own_folder / "hall-into-drive.toml")


def test_a_name_that_is_not_there_gets_the_nearest(own_folder: Path) -> None:
    with pytest.raises(PresetError, match="did you mean 'hall-into-drive'"):
        find_preset("hall_into_drve")
    (own_folder / "Not A Name.toml").write_text(GOOD, "utf-8")
    assert all(NAME.fullmatch(place.name) for place in list_places())


def test_without_a_folder_of_ones_own_the_shipped_ones_are_there(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TAPEEMU_PRESETS", "/does/not/exist")
    assert {place.origin for place in list_places()} == {"shipped"}


# Search.


def test_search_is_by_ranges_of_figures_and_tags() -> None:
    chain = good().chain
    low = good().replace(name="low", measured=measured_of(chain, 0.05))
    high = good().replace(name="high", measured=measured_of(chain, 0.5), tags=("broken",))
    bare = good().replace(name="bare")
    everything = [low, high, bare]

    def found(*conditions: str, tags: tuple[str, ...] = ()) -> list[str]:
        return [each.name for each in search(everything, [parse_condition(c) for c in conditions], tags=tags)]

    assert found("flutter=..0.1") == ["low"]
    assert found("flutter=0.05..0.5") == ["low", "high"]
    assert found("weighted_flutter_percent >= 0.06") == ["high"]
    assert found("flutter<=1", tags=("broken",)) == ["high"]
    assert found("thd=..5") == []
    assert found() == ["low", "high", "bare"]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("fluter=0.1..0.2", "did you mean 'flutter'"),
        ("flutter=0.1", "give a range"),
        ("flutter=0.2..0.1", "swap them"),
        ("flutter=a..b", "not a number"),
        ("flutter=nan..1", "not a number"),
        ("flutter", "must be FIGURE=LEAST..MOST"),
        ("flutter=..", "gives neither a least nor a most"),
    ],
)
def test_a_condition_that_is_none_is_refused(text: str, told: str) -> None:
    with pytest.raises(ParameterError, match=re.escape(told)):
        parse_condition(text)


# Schema, notebooks, Python.


def test_a_setting_left_out_leaves_the_file_even_where_it_stood_at_its_default() -> None:
    """Left standing it would be refused beside the profile that takes its place."""
    text = GOOD.partition("rotating_parts")[0] + "random_percent = 0.03  # as it is anyway\n"
    preset = parse_preset(text, name="lighthouse")
    chain = preset.chain.with_settings("reel", {"random_percent": None, "profile": "worn"})
    written = preset_text(preset.replace(chain=chain))
    assert "random_percent" not in written
    assert parse_preset(written, name="lighthouse").chain == chain
    assert "# the stairwell comes first" in written


def test_the_schema_is_valid_and_sees_what_the_reader_sees() -> None:
    schema = preset_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    checker = jsonschema.Draft202012Validator(schema)
    checker.validate(tomllib.loads(GOOD))
    for text in (
        GOOD.replace("wet_percent = 40.0", 'wet_percent = "40 %"'),
        GOOD.replace("at_500_hz_seconds = 2.5", 'at_500_hz_seconds = "2500ms"'),
        GOOD.replace("rate_hz = 9.0", 'rate_hz = "0.009 kHz"'),
    ):
        checker.validate(tomllib.loads(text))
        assert parse_preset(text, name="lighthouse").chain == good().chain
    for old, new in [
        ("wet_percent = 40.0", "wet_percnt = 40.0"),
        ("wet_percent = 40.0", "wet_percent = 400.0"),
        ("wet_percent = 40.0", 'wet_percent = "forty"'),
        ("wet_percent = 40.0", 'wet_percent = "40"'),
        ("wet_percent = 40.0", "wet_percent = -1.0"),
        ('kind = "preamp_drive"', 'kind = "other"'),
        ("format = 1", "format = 2"),
        ("purpose =", "purpos ="),
        ("rate_hz = 9.0", "rate_hz = -9.0"),
    ]:
        assert not checker.is_valid(tomllib.loads(GOOD.replace(old, new))), new
    json.dumps(schema)


def test_a_preset_is_used_like_a_chain_and_shown_in_a_notebook(rng: np.random.Generator) -> None:
    preset = tapeemu.load_preset("hall-into-drive")
    assert isinstance(preset, tapeemu.Preset)
    assert preset.path == shipped_folder() / "hall-into-drive.toml"
    assert preset.readings["decay_500hz_seconds"].unit == "s"
    dry = 0.1 * rng.standard_normal((2, 2_000))
    assert np.array_equal(preset(dry, sample_rate=48_000), preset.chain(dry, sample_rate=48_000))
    assert pickle.loads(pickle.dumps(preset)) == preset
    html = preset.replace(purpose="<script>")._repr_html_()
    assert "<script>" not in html
    for stage in preset.chain.stages:
        assert f"<td>{stage.name}</td>" in html
    assert "weighted_flutter_percent" in html


@pytest.mark.parametrize(
    ("name", "wrong", "told"),
    [
        ("value", "'x'", "value is 'x', but must be a finite number"),
        ("tolerance", "-1.0", "tolerance is -1.0, but must be a finite number, not negative"),
        ("uncertainty", "true", "uncertainty is True, but must be a finite number, not negative"),
    ],
)
def test_a_number_that_is_none_is_told_with_its_rule(name: str, wrong: str, told: str) -> None:
    numbers = {"value": "1.0", "tolerance": "0.1", "uncertainty": "0.1", name: wrong}
    table = ", ".join(f"{key} = {number}" for key, number in numbers.items())
    text = f"{GOOD}\n[measured.chain]\nthd_reference_percent = {{ {table}, unit = '%' }}\n"
    with pytest.raises(PresetError) as error:
        parse_preset(text, name="a")
    assert f"{told}\n" in f"{error.value}\n"


def test_a_preset_that_is_called_is_its_chain() -> None:
    audio = np.random.default_rng(1).uniform(-0.5, 0.5, 500)
    preset = Preset(name="x", purpose="y", chain=Chain(stages=[PreampDrive(thd_percent=3.0)]))
    np.testing.assert_array_equal(preset(audio, 48_000), preset.chain(audio, 48_000))
    assert preset(audio, 48_000).shape == audio.shape
