"""Figures measured, proved, found stale, and solved for: everything here runs the bench."""

import math
from pathlib import Path

import pytest

from measure.results import Reading
from tapeemu import (
    AmplitudeFlutter,
    Chain,
    Curve,
    CurvePoint,
    FdnReverb,
    PreampDrive,
    Stage,
    TapeMagnetisation,
    WowFlutter,
)
from tapeemu.errors import ParameterError
from tapeemu.presets import load_preset, measuring, parse_preset
from tapeemu.presets.kept_figures import KEPT
from tapeemu.presets.measuring import (
    Verification,
    measure_chain,
    measure_preset,
    measured_parts,
    verify_all,
    verify_preset,
)
from tapeemu.presets.preset import Preset
from tapeemu.presets.solving import SOLVABLE, Solution, _Knob, _refuse_curves, solve
from tapeemu.presets.writing import preset_text, save_preset
from tapeemu.processors.amplitude_flutter import LevelPart
from tapeemu.processors.plugin_effect import PluginEffect

# On paper: tanh has 3 % third harmonic at g = 0.6287864, 13.95 dB below g = 3.134 (standards, exact waveshapers).
TANH_3_PERCENT_GAIN = 0.6287864


def test_errors_are_ratios_of_figures_and_of_levels() -> None:
    """1 dB is a ratio of 1.12202 (ten to the power of a twentieth)."""
    wanted = {"mol_3_percent_db": 6.0, "weighted_flutter_percent": 0.2, "decay_1khz_seconds": 1.0}
    reached = {
        "mol_3_percent_db": Reading(quantity="", value=7.0, unit="dB", method=""),
        "weighted_flutter_percent": Reading(quantity="", value=0.19, unit="%", method=""),
    }
    found = Solution(chain=Chain(), wanted=wanted, reached=reached, rounds=1)
    assert found.error_percent("mol_3_percent_db") == pytest.approx(12.202, abs=0.001)
    assert found.error_percent("weighted_flutter_percent") == pytest.approx(5.0, abs=1e-9)
    assert found.error_percent("decay_1khz_seconds") == math.inf
    assert found.worst_percent == math.inf


@pytest.fixture(scope="module")
def driven() -> Preset:
    """A preset that is quick to measure, with figures."""
    chain = Chain(stages=[Stage(processor=PreampDrive(drive_db=6.0), name="drive")])
    preset, _ = measure_preset(Preset(name="driven", purpose="A drive.", chain=chain))
    return parse_preset(preset_text(preset), name="driven")


def test_the_figures_are_those_known_on_paper(driven: Preset) -> None:
    level = 20.0 * math.log10(TANH_3_PERCENT_GAIN) - 6.0 + 18.0
    assert driven.readings["mol_3_percent_db"].value == pytest.approx(level, abs=0.01)
    # Third harmonic over fundamental of tanh(g sin t) for small g, to the next order: (g^2 / 12)(1 - g^2 / 2 ...).
    gain = 10.0 ** ((6.0 - 18.0) / 20.0)
    third = 10.0 ** (driven.readings["harmonic_3_reference_db"].value / 20.0)
    assert third == pytest.approx(gain**2 / 12.0, rel=0.06)
    assert driven.readings["thd_reference_percent"].value == pytest.approx(100.0 * third, rel=0.01)
    assert driven.readings["weighted_flutter_percent"].value < 0.0005


def test_measuring_twice_gives_the_same_figures(driven: Preset) -> None:
    result = verify_preset(driven)
    assert result.proved
    for check in result.checks:
        assert check.kept is not None
        assert check.moved == pytest.approx(0.0, abs=1e-5 * max(1.0, abs(check.kept.reading.value)))


def test_a_setting_altered_with_its_digest_is_out_of_tolerance_and_without_it_stale_too(driven: Preset) -> None:
    assert driven.measured is not None
    text = driven.text.replace("drive_db = 6.0", "drive_db = 6.5")
    altered = parse_preset(text, name="driven")
    assert altered.state == "stale"
    digest = measure_chain(altered.chain, keys=["gain_1000hz_db"])[0].settings_sha256
    forged = parse_preset(text.replace(driven.measured.settings_sha256, digest), name="driven")
    assert forged.state == "measured"
    result = verify_preset(forged)
    assert not result.proved
    (thd,) = [each for each in result.failed if each.key == "thd_reference_percent"]
    # Half a decibel more drive is one decibel more distortion.
    assert thd.kept is not None
    assert thd.moved == pytest.approx(thd.kept.reading.value * (10.0 ** (1.0 / 20.0) - 1.0), rel=0.05)
    assert "moved by +" in str(result)
    assert {each.key for each in result.failed} == {
        *("thd_reference_percent", "harmonic_3_reference_db", "mol_3_percent_db"),
        *("modulation_distortion_percent", "gain_1000hz_db"),
        *(f"mol_{hz}hz_output_db" for hz in (315, 1000, 6300)),
        "sol_10000hz_db",
    }
    stale = Verification(name="driven", state=altered.state, checks=result.checks)
    assert not stale.proved
    assert "driven: stale, out of tolerance" in str(stale)
    assert "driven: out of tolerance" in str(result)


def test_a_stage_that_is_gone_is_told_as_a_figure_that_cannot_be_measured(
    driven: Preset, monkeypatch: pytest.MonkeyPatch
) -> None:
    few = {key: rule for key, rule in KEPT.items() if rule.row in ("distortion tone", "level steps")}
    monkeypatch.setattr(measuring, "KEPT", few)
    bypassed = driven.replace(chain=driven.chain.with_setting("drive", "bypass", True))
    result = verify_preset(bypassed)
    told = {each.key for each in result.failed if "can no longer be measured" in str(each)}
    assert "mol_3_percent_db" in told


@pytest.mark.long
def test_several_files_are_verified_in_processes_of_their_own(driven: Preset, tmp_path: Path) -> None:
    paths = [tmp_path / f"{name}.toml" for name in ("first", "second")]
    for path in paths:
        save_preset(driven.replace(text=""), path)
    altered = paths[1].read_text("utf-8").replace("drive_db = 6.0", "drive_db = 9.0")
    paths[1].write_text(altered, "utf-8")
    results = list(verify_all(paths, jobs=2))
    assert [result.name for result in results] == ["first", "second"]
    assert [result.proved for result in results] == [True, False]


def test_what_is_measured_of_a_chain_depends_on_where_it_reverberates() -> None:
    hall, drive, reel = FdnReverb(), PreampDrive(), WowFlutter()
    assert list(measured_parts(Chain(stages=[drive, reel]))) == ["chain"]
    assert list(measured_parts(Chain(stages=[hall]))) == ["chain"]
    assert list(measured_parts(Chain(stages=[hall, drive]))) == ["chain", "without reverb", "stage fdn_reverb"]
    echo = PluginEffect(effect="Delay", parameters={"delay_seconds": 0.3})
    inner = Chain(stages=[echo, reel])
    parts = measured_parts(Chain(stages=[Stage(processor=inner, name="loop"), drive]))
    assert list(parts) == ["chain", "without reverb", "stage loop"]
    dry, keys = parts["without reverb"]
    assert isinstance(dry, Chain)
    assert isinstance(dry.stages[0].processor, Chain)
    assert [stage.bypass for stage in dry.stages[0].processor.stages] == [True, False]
    assert not any(key.startswith("decay_") for key in keys)
    off = Chain(stages=[Stage(processor=hall, bypass=True), drive])
    assert list(measured_parts(off)) == ["chain"]


def test_a_stage_by_itself_keeps_its_curves_but_not_its_mix() -> None:
    """Its decay was read without the curve that decides it."""
    points = (CurvePoint(seconds=0.0, value=1.0), CurvePoint(seconds=1.0, value=2.0))
    rising = Curve(setting="wet_percent", points=points)
    share = Curve(setting="mix_percent", points=(CurvePoint(seconds=0.0, value=9.0),))
    hall = Stage(processor=FdnReverb(), name="hall", automation=(rising, share))
    alone, _ = measured_parts(Chain(stages=[hall, PreampDrive()]))["stage hall"]
    assert alone == Chain(stages=[Stage(processor=FdnReverb(), automation=(rising,))])
    mixed = Stage(processor=FdnReverb(), name="hall", mix_percent=40.0)
    assert measured_parts(Chain(stages=[mixed, PreampDrive()]))["stage hall"][0] == FdnReverb()


def test_what_kept_solving_from_coming_nearer_is_told() -> None:
    start = Chain(stages=[PreampDrive(thd_percent=40.0)])
    solution = solve({"thd_reference_percent": 60.0}, start=start)
    assert solution.worst_percent > 1.0
    assert "this curve gives" in solution.kept_back


# The stage that is made for a figure, in the order of the chain, and its setting.
MADE_FOR = {
    "decay_500hz_seconds": ("fdn_reverb", "decay_seconds"),
    "thd_reference_percent": ("preamp_drive", "thd_percent"),
    "weighted_flutter_percent": ("wow_flutter", "weighted_flutter_percent"),
}


@pytest.mark.parametrize(
    "wanted",
    [
        {"weighted_flutter_percent": 0.15, "thd_reference_percent": 1.0},
        pytest.param(
            {"weighted_flutter_percent": 0.15, "thd_reference_percent": 1.0, "decay_500hz_seconds": 0.9},
            marks=pytest.mark.long,
        ),
    ],
    ids=["two", "three"],
)
def test_solve_reaches_flutter_distortion_and_decay_from_nothing(wanted: dict[str, float]) -> None:
    solution = solve(wanted)
    for key, value in wanted.items():
        assert solution.reached[key].value == pytest.approx(value, rel=0.03), key
        assert solution.error_percent(key) <= 1.0
    kinds = [stage.processor.kind for stage in solution.chain.stages]
    made = [MADE_FOR[key] for key in MADE_FOR if key in wanted]
    assert kinds == [kind for kind, _ in made]
    # A person reads the file: 1 % allows three digits, which are right within half of that.
    for stage, (_, setting) in zip(solution.chain.stages, made, strict=True):
        value = stage.processor.to_dict()[setting]
        assert value == float(f"{value:.3g}")
    # An independent measurement of the settings found, not the one that solving stopped at.
    measured, _ = measure_chain(Chain.from_dict(solution.chain.to_dict()), keys=wanted)
    for key, value in wanted.items():
        assert measured.figures[key].reading.value == pytest.approx(value, rel=0.03), key


@pytest.mark.long
@pytest.mark.parametrize("drive", [PreampDrive(drive_db=-10.0), TapeMagnetisation(drive_db=-10.0)])
def test_solve_starts_from_settings_that_are_far_off(drive: PreampDrive | TapeMagnetisation) -> None:
    start = Chain(
        stages=[
            Stage(processor=drive, name="tape"),
            Stage(
                processor=AmplitudeFlutter(random_db=0.1, periodic_parts=(LevelPart(rate_hz=3.0, peak_db=0.05),)),
                name="level",
            ),
        ]
    )
    wanted = {"thd_reference_percent": 1.0, "level_fluctuation_peak_db": 0.8}
    solution = solve(wanted, start=start)
    assert solution.worst_percent <= 1.0
    assert solution.chain.names == ("tape", "level")
    level = solution.chain.stages[1].processor
    assert isinstance(level, AmplitudeFlutter)
    # Everything that moves is scaled alike, so the character stays.
    assert level.periodic_parts[0].peak_db / level.random_db == pytest.approx(0.5, rel=1e-4)


def test_settings_that_give_the_figure_already_stay_as_they_are() -> None:
    drive = PreampDrive(drive_db=6.03125)
    reached = solve({"thd_reference_percent": 1.0}, start=Chain([drive]), within_percent=1e3)
    assert reached.rounds == 1
    assert reached.chain.stages[0].processor == drive


def test_solve_reaches_a_level_of_three_percent() -> None:
    solution = solve({"mol_3_percent_db": 8.0})
    assert solution.reached["mol_3_percent_db"].value == pytest.approx(8.0, abs=0.1)
    assert solution.chain.stages[0].processor.kind == "tape_magnetisation"


def test_solve_gives_the_nearest_where_a_figure_is_out_of_reach() -> None:
    # Two drives: the second alone distorts more than is wanted, whatever becomes of the first.
    start = Chain(
        stages=[Stage(processor=PreampDrive(), name="first"), Stage(processor=PreampDrive(drive_db=14.0))]
    )
    solution = solve({"thd_reference_percent": 0.5}, start=start, rounds=3)
    assert solution.worst_percent > 1.0
    assert solution.rounds == 3


@pytest.mark.parametrize(
    ("wanted", "told"),
    [
        ({}, "no figure is wanted"),
        ({"gain_1000hz_db": 1.0}, "cannot be solved for"),
        ({"weighted_flutter_percent": -1.0}, "above zero"),
        ({"weighted_flutter_percent": math.nan}, "above zero"),
        ({"weighted_flutter_percent": 50.0}, "weighted_flutter_percent"),
        ({"level_fluctuation_peak_db": 1.0, "level_fluctuation_rms_db": 1.0}, "follow from one another"),
        ({"decay_125hz_seconds": 20.0, "decay_250hz_seconds": 0.2}, "neighbouring bands"),
    ],
)
def test_what_cannot_be_had_is_refused_before_measuring(wanted: dict[str, float], told: str) -> None:
    with pytest.raises(ParameterError, match=told):
        solve(wanted)


def test_every_figure_that_can_be_asked_for_is_kept_in_presets() -> None:
    assert set(SOLVABLE) <= set(KEPT)
    assert load_preset("hall-into-drive").readings.keys() <= set(KEPT)


def test_a_decay_is_solved_beside_a_curve_but_not_beneath_a_mix_that_moves() -> None:
    points = (CurvePoint(seconds=0.0, value=10.0), CurvePoint(seconds=1.0, value=20.0))
    wet, mix = (
        Stage(processor=FdnReverb(), name="hall", automation=(Curve(setting=setting, points=points),))
        for setting in ("wet_percent", "mix_percent")
    )
    _refuse_curves(wet, "decay_1000hz_seconds")
    for stage, key in (mix, "decay_1000hz_seconds"), (wet, "thd_percent"), (mix, "thd_percent"):
        with pytest.raises(ParameterError, match=rf"{key} is wanted, but in stage 'hall' \w+ follows a curve"):
            _refuse_curves(stage, key)


def test_a_setting_is_turned_by_the_slope_that_was_seen() -> None:
    """Expected 0.5, seen 0.25 nepers a step: from 2, where 0.5 was found, 0.5 more take two steps."""
    knob = _Knob("thd_percent", "drive", 0.0, 0.5, lambda processor, place, digits: processor)
    chain = Chain(stages=[Stage(processor=PreampDrive(), name="drive")])
    knob.turned(chain, 1.0, math.e)
    assert knob.place == pytest.approx(2.0)
    knob.turned(chain, math.exp(0.5), math.e)
    assert knob.place == pytest.approx(4.0)
    knob.turned(chain, math.exp(0.5), math.e)  # nothing moved: a quarter of the expected slope is the least
    assert knob.place == pytest.approx(4.0 + 0.5 / 0.125)
