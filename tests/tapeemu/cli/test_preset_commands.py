"""The commands that list, show, find, make, measure, verify and solve presets, as a user runs them."""

import json
import math
import shutil
import tomllib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from made_presets import measured_of

import tapeemu.presets.measuring
from measure.results.reading import Reading
from tapeemu import Chain, FdnReverb
from tapeemu.cli.measuring import plots_folder
from tapeemu.cli.presets import print_figures
from tapeemu.presets import load_preset, shipped_folder
from tapeemu.presets.kept_figures import KEPT
from tapeemu.presets.solving import Solution, _prepared
from tapeemu.processors.fdn_reverb import DecayByBand

Run = Callable[..., str]

FULL = {"preamplifier-alone", "tape-alone", "hall-into-drive"}


@pytest.fixture
def few_figures(monkeypatch: pytest.MonkeyPatch) -> None:
    """Presets keep what one tone of 1 kHz tells: a measurement takes a quarter of the time."""
    few = {key: rule for key, rule in KEPT.items() if rule.row == "distortion tone"}
    monkeypatch.setattr(tapeemu.presets.measuring, "KEPT", few)


def test_the_list_has_every_preset_and_shows_what_hides_what(run: Run, own: Path) -> None:
    plain = json.loads(run("presets", "--json"))
    assert {entry["name"] for entry in plain} == {path.stem for path in shipped_folder().glob("*.toml")}
    own.mkdir()
    shutil.copy(shipped_folder() / "tape-alone.toml", own / "hall-into-drive.toml")
    (own / "broken-file.toml").write_text("format = 1\nformat = 2", "utf-8")
    text = run("presets")
    assert "hides the" in text
    assert "cannot be read" in text
    for name in FULL:
        assert name in text
    entry = next(each for each in json.loads(run("presets", "--json")) if each["name"] == "hall-into-drive")
    assert (entry["origin"], Path(entry["path"])) == ("own", own / "hall-into-drive.toml")
    assert Path(entry["hides"]) == shipped_folder() / "hall-into-drive.toml"
    assert next(each for each in plain if each["name"] == "hall-into-drive")["hides"] is None
    assert "it hides the shipped" in run("show", "hall-into-drive")
    assert "from now on it hides the shipped" in run("new", "tape-alone", "--stage", "preamp_drive")
    assert "hides" not in run("new", "tape-by-itself", "--stage", "preamp_drive")


def test_one_is_shown_with_its_figures(run: Run, own: Path) -> None:
    text = run("show", "hall-into-drive")
    for part in ("chain", "without reverb", "stage hall", "weighted_flutter_percent", "decay_500hz_seconds"):
        assert part in text
    data = json.loads(run("show", "hall-into-drive", "--json"))
    assert data["state"] == "measured"
    assert data["figures"]["decay_500hz_seconds"]["uncertainty"] > 0.0
    assert "did you mean 'hall-into-drive'" in run("show", "hal-into-drive", status=3)


def test_presets_are_found_by_figures_and_tags(run: Run, own: Path) -> None:
    found = {each["name"] for each in json.loads(run("find", "thd=..1.3", "flutter=..0.001", "--json"))}
    assert found == {"preamplifier-alone", "tape-alone"}
    assert "hall-into-drive" in run("find", "rt60>=3", "--tag", "hall")
    assert "no preset meets" in run("find", "flutter=90..")
    assert "give a range" in run("find", "flutter=1", status=2)
    assert "nothing is asked for" in run("find", status=2)


def test_a_preset_is_made_from_stages_or_from_another(run: Run, own: Path) -> None:
    run(
        *("new", "cellar", "--purpose", "A cellar.", "--tag", "room"),
        *(
            "--stage",
            "room:fdn_reverb decay_seconds=0.7 wet_percent=25",
            "--stage",
            "preamp_drive thd_percent=0.5",
        ),
    )
    made = load_preset("cellar")
    assert made.path == own / "cellar.toml"
    assert (made.purpose, made.tags, made.chain.names) == ("A cellar.", ("room",), ("room", "preamp_drive"))
    assert "exists" in run("new", "cellar", "--stage", "preamp_drive", status=4)
    run("new", "cellar-turned", "--from", "cellar", "--order", "preamp_drive,room", "--set", "room.wet_percent=50")
    turned = load_preset("cellar-turned")
    assert turned.chain.names == ("preamp_drive", "room")
    assert turned.chain.to_dict()["stages"][1]["wet_percent"] == 50.0
    text = run("new", "other", "--stage", "fdn_reverb decay_second=1", "--stage", "preamp_driv", status=2)
    assert "did you mean 'decay_seconds'" in text
    assert "did you mean 'preamp_drive'" in text
    assert "joined by hyphens" in run("new", "Not A Name", "--stage", "preamp_drive", status=2)
    assert not (own / "other.toml").exists()


def test_every_mistake_of_a_file_has_a_line_of_its_own(run: Run, own: Path, tmp_path: Path) -> None:
    path = tmp_path / "bad.toml"
    path.write_text('format = 1\npurpos = "x"\n[[stages]]\nkind = "fdn_reverb"\nwet = 3\n', "utf-8")
    lines = run("show", path, status=3).splitlines()
    assert lines[0].endswith("has 3 mistakes:")
    assert [line.strip().split(":")[0] for line in lines[1:]] == [
        "'purpose' is required",
        "line 2",
        "line 5, stage 1",
    ]


def test_the_schema_is_exported_once(run: Run, own: Path, tmp_path: Path) -> None:
    path = tmp_path / "schema.json"
    run("schema", "--out", path)
    assert json.loads(path.read_text("utf-8"))["title"] == "tapeemu preset"
    run("schema", "--out", path, status=4)


@pytest.mark.parametrize("thorough", [False, pytest.param(True, marks=pytest.mark.long)])
def test_measured_verified_altered_and_found_out(
    run: Run, own: Path, request: pytest.FixtureRequest, thorough: bool
) -> None:
    """Thoroughly: with all figures, and told as text and as JSON."""
    if not thorough:
        request.getfixturevalue("few_figures")
    run("new", "small", "--purpose", "A drive.", "--stage", "drive:preamp_drive drive_db=6")
    path = own / "small.toml"
    path.write_text(path.read_text("utf-8").replace("drive_db = 6.0", "drive_db = 6.0  # enough"), "utf-8")
    assert "not measured yet" in run("verify", "small", status=5)
    before = path.read_bytes()
    assert "thd_reference_percent" in run("measure", "small", "--dry-run")
    assert path.read_bytes() == before
    run("measure", "small")
    assert "# enough" in path.read_text("utf-8")
    assert tomllib.loads(path.read_text("utf-8"))["measured"]["sample_rate_hz"] == 48_000.0
    assert list(own.iterdir()) == [path]
    assert json.loads(run("verify", "small", "--json"))[0]["proved"] is True
    if thorough:
        assert "1 of 1 presets proved" in run("verify", "small")
    path.write_text(path.read_text("utf-8").replace("drive_db = 6.0", "drive_db = 8.0"), "utf-8")
    text = run("verify", "small", status=5)
    assert "stale, out of tolerance" in text
    assert "thd_reference_percent" in text
    assert "0 of 1 presets proved" in text
    if thorough:
        assert json.loads(run("verify", "small", "--json", status=5))[0]["proved"] is False


@pytest.mark.usefixtures("few_figures")
def test_figures_are_solved_for_and_saved(run: Run, own: Path) -> None:
    text = run("solve", "wanted", "thd=2", "--tag", "solved")
    assert "written" in text
    made = load_preset("wanted")
    assert made.state == "measured"
    assert made.readings["thd_reference_percent"].value == pytest.approx(2.0, rel=0.02)
    assert "exists" in run("solve", "wanted", "thd=2", status=4)
    assert "not a figure" in run("solve", "other", "thdd=2", status=2)
    assert "FIGURE=VALUE" in run("solve", "other", "thd", status=2)


@pytest.mark.long
def test_figures_that_contradict_each_other_are_not_reached(run: Run, own: Path) -> None:
    # 3 % third harmonic only 1 dB above a level with 1 % is more than any of the two curves bends.
    text = run("solve", "contradiction", "thd=1", "mol=1", "--dry-run", status=5)
    assert "not as near as 1 %" in text


def test_what_was_not_reached_is_told(run: Run, own: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def nearest(wanted: dict[str, float], **_: object) -> Solution:
        reached = Reading(quantity="THD", value=1.25, unit="%", method="none", uncertainty=0.0)
        return Solution(
            chain=Chain([FdnReverb()]), wanted=wanted, reached={"thd_reference_percent": reached}, rounds=8
        )

    monkeypatch.setattr("tapeemu.presets.solving.solve", nearest)
    text = run("solve", "contradiction", "thd=1", "mol=1", "--dry-run", status=5)
    assert "not as near as 1 %" in text
    rows = {line.split()[0]: line.split() for line in text.splitlines() if line.strip()}
    assert rows["mol_3_percent_db"][1:] == ["1", "undefined"]
    assert rows["thd_reference_percent"][1:3] == ["1", "1.25"]
    assert rows["thd_reference_percent"][-1].startswith("25")


@pytest.mark.parametrize("stage", ["../../../out", "..", "/etc/x", "a/../../b", "C:\\x", "x" * 500, "\0", "hall"])
def test_plots_stay_in_their_folder_whatever_a_stage_is_called(tmp_path: Path, stage: str) -> None:
    folder = plots_folder(tmp_path, "cellar", f"stage {stage}")
    folder.mkdir(parents=True)
    assert folder.resolve().parent == tmp_path.resolve() / "cellar"


@pytest.mark.long
def test_plots_and_the_whole_standard_set_on_request(run: Run, own: Path, tmp_path: Path) -> None:
    data = json.loads(
        run("measure", "preamplifier-alone", "--full", "--json", "--plots", tmp_path).rpartition("\n}")[0] + "\n}"
    )
    assert "aliasing_to_signal_db" in data["preamplifier-alone"]["chain"]["readings"]
    assert list((tmp_path / "preamplifier-alone/chain").glob("*.png"))


# What a change of settings on the command line does, and what it refuses.


def test_none_gives_any_setting_its_default_again(run: Run, own: Path) -> None:
    run("new", "x", "--from", "hall-into-drive", "--set", "hall.wet_percent=none", "--set", "level.random_db=NONE")
    hall, *_, level = (stage.processor for stage in load_preset("x").chain.stages)
    assert hall.to_dict().get("wet_percent") is None
    assert level.to_dict().get("random_db") is None
    text = run("new", "y", "--from", "loop-echo-after-drive", "--set", "loop.effect=none", status=2)
    assert "'effect' is required" in text


def test_solving_for_several_decays_bends_the_room_between_them() -> None:
    before = FdnReverb(decay_by_band_seconds=DecayByBand(at_125_hz_seconds=2.0, at_8000_hz_seconds=1.0))
    chain = Chain(stages=[before])
    wanted = {"decay_500hz_seconds": 2.5, "decay_2000hz_seconds": 1.5}
    for key, value in wanted.items():
        chain, _ = _prepared(chain, key, value, wanted)
    after = chain.stages[0].processor
    assert isinstance(after, FdnReverb)
    change = after.target_decay_seconds() / before.target_decay_seconds()
    assert after.target_decay_seconds()[[3, 5]] == pytest.approx([2.5, 1.5], rel=1e-5)
    # Straight over the logarithm of frequency between the two, and as at the nearest outside.
    assert change[4] == pytest.approx(math.sqrt(change[3] * change[5]), rel=1e-5)
    assert change[:3] == pytest.approx(change[3], rel=1e-5)
    assert change[6:] == pytest.approx(change[5], rel=1e-5)


def test_figures_are_asked_for_with_their_unit_or_without(run: Run, own: Path) -> None:
    assert run("find", "rt60=3000ms..") == run("find", "rt60=3..")
    assert "is not a number in s; write it like 0.15 or '0.15 s'" in run("find", "rt60=3 Hz..", status=2)
    assert "gives neither a least nor a most" in run("find", "rt60=..", status=2)


def test_settings_are_listed(run: Run, own: Path, tmp_path: Path) -> None:
    text = run("settings")
    for kind in ("fdn_reverb", "wow_flutter", "chain"):
        assert kind in text
    text = run("settings", "fdn_reverb")
    assert "decay_seconds" in text
    assert "0.1 to 60" in text
    assert "at_63_hz_seconds" in text
    assert "Bitcrush" in run("settings", "plugin_effect")
    assert json.loads(run("settings", "preamp_drive", "--json"))[0]["rows"][0]["name"] == "drive_db"
    assert "the kinds are" in run("settings", "reverb", status=2)
    run("settings", "--markdown", "--out", tmp_path / "page.md")
    assert (tmp_path / "page.md").read_text("utf-8") == run("settings", "--markdown")
    assert "replace it with --overwrite" in run("settings", "--markdown", "--out", tmp_path / "page.md", status=4)


def test_a_preset_that_lies_here_is_named(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "ferry.toml").write_text("")
    assert "did you mean the file 'ferry.toml'?" in run("show", "ferry", status=3)
    assert "'tapeemu presets' lists" in run("show", "qqqq", status=3)


def test_seeds_are_told_where_figures_are_a_mean(capsys: pytest.CaptureFixture[str]) -> None:
    measured = measured_of(Chain())
    print_figures(measured, state="fresh")
    assert "mean of seeds 1, 2, 3" in capsys.readouterr().out
    print_figures(replace(measured, seeds=(4,)), state="fresh")
    assert "seeds" not in capsys.readouterr().out
