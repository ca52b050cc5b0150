"""The commands that list, show, find, make, measure, verify and solve presets, as a user runs them."""

import json
import math
import shutil
import signal
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tapeemu import Chain, FdnReverb
from tapeemu.cli import main
from tapeemu.cli.measuring import _off_by, plots_folder
from tapeemu.presets import load_preset, shipped_folder
from tapeemu.presets.preset import Preset
from tapeemu.presets.solving import _prepared
from tapeemu.presets.writing import save_preset
from tapeemu.processors.fdn_reverb import DecayByBand

Run = Callable[..., str]

FULL = {"preamplifier-alone", "tape-alone", "hall-into-drive"}


@pytest.fixture
def own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "own"
    monkeypatch.setenv("TAPEEMU_PRESETS", str(folder))
    return folder


@pytest.fixture
def run(own: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Run a command as the installed program does, and return what it printed."""

    def command(*arguments: object, status: int = 0) -> str:
        monkeypatch.setattr(sys, "argv", ["tapeemu", *map(str, arguments)])
        monkeypatch.setattr(signal, "signal", lambda *_: None)
        with pytest.raises(SystemExit) as ended:
            main()
        printed = capsys.readouterr()
        assert ended.value.code == status, printed.out + printed.err
        assert "internal error" not in printed.err
        return printed.out + printed.err

    return command


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
    assert "it hides the shipped" in run("show", "hall-into-drive")


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
    text = run("new", "other", "--stage", "fdn_reverb decay_second=1", "--stage", "preamp_driv", status=3)
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


def test_measured_verified_altered_and_found_out(run: Run, own: Path) -> None:
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
    assert "1 of 1 presets proved" in run("verify", "small")
    path.write_text(path.read_text("utf-8").replace("drive_db = 6.0", "drive_db = 8.0"), "utf-8")
    text = run("verify", "small", status=5)
    assert "stale, out of tolerance" in text
    assert "thd_reference_percent" in text
    result = json.loads(run("verify", "small", "--json", status=5))
    assert result[0]["proved"] is False


def test_figures_are_solved_for_and_saved(run: Run, own: Path) -> None:
    text = run("solve", "wanted", "thd=2", "--tag", "solved")
    assert "written" in text
    made = load_preset("wanted")
    assert made.state == "measured"
    assert made.readings["thd_reference_percent"].value == pytest.approx(2.0, rel=0.02)
    assert "exists" in run("solve", "wanted", "thd=2", status=4)
    # 3 % third harmonic only 1 dB above a level with 1 % is more than any of the two curves bends.
    text = run("solve", "contradiction", "thd=1", "mol=1", "--dry-run", status=5)
    assert "not as near as 1 %" in text
    assert "not a figure" in run("solve", "other", "thdd=2", status=2)
    assert "FIGURE=VALUE" in run("solve", "other", "thd", status=2)


@pytest.mark.parametrize("stage", ["../../../out", "..", "/etc/x", "a/../../b", "C:\\x", "x" * 500, "\0", "hall"])
def test_plots_stay_in_their_folder_whatever_a_stage_is_called(tmp_path: Path, stage: str) -> None:
    folder = plots_folder(tmp_path, "cellar", f"stage {stage}")
    folder.mkdir(parents=True)
    assert folder.resolve().parent == tmp_path.resolve() / "cellar"


def test_plots_and_the_whole_standard_set_on_request(run: Run, own: Path, tmp_path: Path) -> None:
    data = json.loads(
        run("measure", "tape-alone", "--full", "--json", "--plots", tmp_path).rpartition("\n}")[0] + "\n}"
    )
    assert "aliasing_to_signal_db" in data["tape-alone"]["chain"]["readings"]
    assert list((tmp_path / "tape-alone/chain").glob("*.png"))


# What a change of settings on the command line does, and what it refuses.


def test_a_decay_beside_a_table_scales_the_room(run: Run, own: Path) -> None:
    """It is heard, and what is saved says the same again."""
    run("new", "shorter", "--from", "hall-into-drive", "--set", "hall.decay_seconds=1.2")
    before, after = (load_preset(name).chain.stages[0].processor for name in ("hall-into-drive", "shorter"))
    assert isinstance(before, FdnReverb)
    assert isinstance(after, FdnReverb)
    assert after.target_decay_seconds()[4] == pytest.approx(1.2, rel=1e-12)
    np.testing.assert_allclose(after.target_decay_seconds() / before.target_decay_seconds(), 1.2 / 3.0, rtol=1e-12)
    impulse = np.zeros(24_000)
    impulse[0] = 1.0
    assert not np.array_equal(before(impulse, sample_rate=48_000), after(impulse, sample_rate=48_000))


def test_none_leaves_a_setting_out_in_any_order_of_changes(run: Run, own: Path) -> None:
    """A ratio is refused beside the table, and taken once the table is left out, whichever is said first."""
    clear, ratio = "hall.decay_by_band_seconds=none", "hall.low_decay_ratio=1.4"
    text = run("new", "x", "--from", "hall-into-drive", "--set", ratio, status=2)
    assert "low_decay_ratio is 1.4, but decay_by_band_seconds sets the decay of every band" in text
    for number, changes in enumerate(((clear, ratio), (ratio, clear))):
        options = [part for change in changes for part in ("--set", change)]
        run("new", f"x-{number}", "--from", "hall-into-drive", *options)
        hall = load_preset(f"x-{number}").chain.stages[0].processor
        assert isinstance(hall, FdnReverb)
        assert hall.decay_by_band_seconds is None
        assert hall.target_decay_seconds()[1] / hall.target_decay_seconds()[4] == pytest.approx(1.4)
        assert "decay_by_band" not in (own / f"x-{number}.toml").read_text("utf-8").split("[measured]")[0]


def test_none_gives_any_setting_its_default_again(run: Run, own: Path) -> None:
    run("new", "x", "--from", "hall-into-drive", "--set", "hall.wet_percent=none", "--set", "level.random_db=NONE")
    hall, *_, level = (stage.processor for stage in load_preset("x").chain.stages)
    assert hall.to_dict().get("wet_percent") is None
    assert level.to_dict().get("random_db") is None
    text = run("new", "y", "--from", "loop-echo-after-drive", "--set", "loop.effect=none", status=2)
    assert "'effect' is required" in text


def test_what_would_change_nothing_is_refused_with_its_reason(run: Run, own: Path) -> None:
    for change, reason in (
        ("level.dropout_most_db=30", "dropouts_per_minute is 0"),
        ("hall.bypass=true hall.wet_percent=20", "hall is bypassed"),
        ("hall.mix_percent=0 hall.wet_percent=20", "hall.mix_percent is 0"),
        ("hall.wet_percent=0 hall.decay_seconds=2", "wet_percent is 0"),
        ("drive.thd_percent=none drive.reference_level_dbfs=-20", "neither thd_percent nor level_matched is set"),
    ):
        options = [part for each in change.split() for part in ("--set", each)]
        text = run("new", "x", "--from", "hall-into-drive", *options, status=2)
        assert "would change nothing" in text
        assert reason in text
    text = run(
        "new", "x", "--stage", "amplitude_flutter random_db=0 random_low_hz=1 dropouts_per_minute=9", status=2
    )
    assert "random_low_hz would be without effect: random_db is 0" in text


def test_what_a_file_holds_without_effect_is_told(run: Run, own: Path, tmp_path: Path) -> None:
    path = tmp_path / "still.toml"
    path.write_text(
        'format = 1\npurpose = "Still."\n[[stages]]\nname = "level"\nkind = "amplitude_flutter"\nrandom_db = 0.0\n'
        "random_low_hz = 1.0\ndropouts_per_minute = 9.0\n",
        "utf-8",
    )
    assert "level.random_low_hz is without effect: random_db is 0" in run("show", path)
    assert "level.random_low_hz is without effect: random_db is 0" in run("new", "copy", "--from", path)


def test_a_new_tape_keeps_its_room() -> None:
    chain = load_preset("hall-into-drive").chain
    other = chain.with_seed(7)
    assert other.stages[0] == chain.stages[0]
    assert other.stages[2].processor.to_dict()["seed"] != chain.stages[2].processor.to_dict().get("seed", 1)
    hall = Chain(stages=[chain.stages[0]])
    sound = np.random.default_rng(1).uniform(-0.3, 0.3, (2, 4_800))
    np.testing.assert_array_equal(hall.with_seed(7)(sound, sample_rate=48_000), hall(sound, sample_rate=48_000))
    moved = hall.with_setting("hall", "room_seed", 1)
    assert not np.array_equal(moved(sound, sample_rate=48_000), hall(sound, sample_rate=48_000))


def test_an_order_may_name_only_what_moves(run: Run, own: Path) -> None:
    run("new", "turned", "--from", "hall-into-drive", "--order", "drive,hall")
    assert load_preset("turned").chain.names == ("drive", "hall", "transport", "level")
    assert "moves nothing" in run("new", "x", "--from", "hall-into-drive", "--order", "drive", status=2)


def test_an_option_of_one_value_is_given_once(run: Run, own: Path) -> None:
    text = run("new", "x", "--from", "tape-alone", "--from", "pulse-tight", status=2)
    assert "--from is given 2 times, but holds one value; give it once" in text
    run("new", "x", "--from", "pulse-tight", "--tag", "one", "--tag", "two")
    assert load_preset("x").tags == ("one", "two")


def test_solving_for_one_decay_keeps_the_shape_of_the_room(run: Run, own: Path) -> None:
    """Ratios between octaves as before: exactly in the settings, and what was asked for as read by the bench."""
    own.mkdir()
    table = dict(zip(DecayByBand.model_fields, (0.7, 0.9, 0.8, 0.75, 0.7, 0.6, 0.5, 0.4, 0.3), strict=True))
    room = FdnReverb(decay_by_band_seconds=DecayByBand(**table), lines=8)
    save_preset(Preset(name="cellar", purpose="A cellar.", chain=Chain(stages=[room])), own / "cellar.toml")
    run("solve", "smaller", "rt60=0.5s", "--from", "cellar")
    made = load_preset("smaller")
    before, after = (load_preset(name).chain.stages[0].processor for name in ("cellar", "smaller"))
    assert isinstance(before, FdnReverb)
    assert isinstance(after, FdnReverb)
    factors = after.target_decay_seconds() / before.target_decay_seconds()
    np.testing.assert_allclose(factors, factors[0], rtol=1e-9)
    # Said in one setting: the table stays as it stood in the file.
    assert after == before.replace(decay_seconds=after.decay_seconds)
    assert made.readings["decay_500hz_seconds"].value == pytest.approx(0.5, rel=0.01)


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


def test_how_far_off_is_told_without_an_exponent() -> None:
    assert [_off_by(percent) for percent in (5e-5, 0.55, 12.0)] == ["< 0.01", "0.55", "12"]
