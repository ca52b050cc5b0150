"""Traits, tails and idle settings were those of a stage at rest, whatever its curves switched on.

A hum that a curve brought in added no sound, modulation noise had no tracks, two curves that lengthen a tail
together had the tail of one; and `--set` changed what a curve stands above without a word.
"""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tapeemu import (
    Chain,
    Curve,
    CurvePoint,
    EraseResidue,
    FdnReverb,
    PreampDrive,
    Stage,
    TapeMagnetisation,
    TapeNoise,
)
from tapeemu.errors import ParameterError
from tapeemu.presets.solving import solve
from tapeemu.processor import Processor

RATE = 48_000
Run = Callable[..., str]


def moved(processor: Processor, **ends: tuple[float, float]) -> Stage:
    """A stage whose settings go from one end to the other in a second."""
    curves = [
        Curve(setting=name, points=(CurvePoint(seconds=0.0, value=first), CurvePoint(seconds=1.0, value=last)))
        for name, (first, last) in ends.items()
    ]
    return Stage(processor=processor, automation=tuple(curves))


def test_noise_that_a_curve_brings_in_has_tracks_and_adds_sound() -> None:
    silence = np.zeros(4_800)
    hum = Chain([moved(TapeNoise(hiss=False, modulation_noise_db=-60.0), hum_db=(-30.0, -20.0))])
    assert np.any(hum(silence, RATE))
    assert hum.traits.adds_sound
    assert Chain([hum]).traits.adds_sound

    grain = Chain([moved(TapeNoise(hiss=False, hum_db=-60.0), modulation_noise_db=(-30.0, -20.0))])
    sound = np.random.default_rng(1).standard_normal(4_800) * 0.1
    assert not np.array_equal(grain(sound, RATE), grain(sound, RATE, track=1))
    assert grain.traits.tracks_differ


def test_a_room_that_a_curve_opens_reverberates() -> None:
    assert Chain([moved(FdnReverb(wet_percent=0.0), wet_percent=(0.0, 50.0))]).traits.reverberates
    assert not Chain([moved(FdnReverb(wet_percent=50.0), wet_percent=(0.0, 0.0))]).traits.reverberates


def test_what_is_behind_a_source_that_a_curve_brings_in_has_heard_it_before() -> None:
    """A render that starts later is that of the whole from there on, with what the hall heard of the hum."""
    hum = moved(TapeNoise(hiss=False, modulation_noise_db=-60.0), hum_db=(-30.0, -20.0))
    chain = Chain([hum, FdnReverb(decay_seconds=0.2, lines=8, wet_percent=80.0)])
    late, silence = 24_000, np.zeros(4_800)
    whole = chain(np.zeros(late + silence.size), RATE, start_sample=-48_000)
    part = chain(silence, RATE, start_sample=late - 48_000)
    np.testing.assert_allclose(part, whole[late:], atol=1e-6 * float(np.max(np.abs(whole))))


def test_curves_that_lengthen_a_tail_together_have_the_tail_of_both() -> None:
    both = Chain([moved(EraseResidue(earlier_seconds=0.5), residue_db=(-100.0, -30.0), bass_rise_db=(0.0, 18.0))])
    loudest = EraseResidue(earlier_seconds=0.5, residue_db=-30.0, bass_rise_db=18.0)
    tails = [each.stream(sample_rate=RATE, channels=1).tail_samples() for each in (both, loudest)]
    assert tails[0] == tails[1]


@pytest.mark.parametrize(
    ("processor", "ends"),
    [
        (PreampDrive(), {"drive_db": (0.0, 6.0), "thd_percent": (1.0, 2.0)}),
        (TapeMagnetisation(), {"drive_db": (0.0, 6.0), "mol_db": (4.0, 8.0)}),
    ],
)
def test_curves_that_decide_the_same_thing_are_refused_together(
    processor: Processor, ends: dict[str, tuple[float, float]]
) -> None:
    with pytest.raises(
        ParameterError, match=rf"the curves of {' and '.join(ends)} are refused together: .* leave one"
    ):
        moved(processor, **ends)


def test_a_curve_that_changes_no_sample_is_told() -> None:
    told = {
        "reference_level_dbfs": moved(PreampDrive(drive_db=6.0), reference_level_dbfs=(-20.0, -10.0)),
        "hiss_db": moved(TapeNoise(hiss=False, hum_db=-40.0), hiss_db=(-60.0, -40.0)),
        "width_percent": moved(FdnReverb(wet_percent=0.0), width_percent=(0.0, 100.0)),
    }
    for name, stage in told.items():
        assert list(stage.idle()) == [name]


@pytest.fixture
def growing(own: Path) -> None:
    """A preset of one's own: a drive and a mix that follow curves."""
    own.mkdir()
    points = "points = [{seconds = 0, value = 0.5}, {seconds = 2, value = 6}]"
    (own / "growing.toml").write_text(f"""format = 1
purpose = "A drive that grows."
[[stages]]
kind = "preamp_drive"
name = "drive"
thd_percent = 1.0
automation = [{{setting = "thd_percent", {points}}}]
[[stages]]
kind = "fdn_reverb"
name = "hall"
mix_percent = 0
automation = [{{setting = "mix_percent", {points}}}]
""")


@pytest.mark.usefixtures("growing")
def test_a_value_that_a_curve_stands_above_is_refused(run: Run, own: Path) -> None:
    for place in ("drive.thd_percent", "hall.mix_percent"):
        text = run("new", "x", "--from", "growing", "--set", f"{place}=3", status=2)
        stage = place.partition(".")[0]
        assert (
            f"--set {place} would change nothing: it follows a curve of {stage} ({stage}.automation=none" in text
        )
    run("new", "x", "--from", "growing", "--set", "drive.automation=none", "--set", "drive.thd_percent=3")
    assert 'setting = "thd_percent"' not in (own / "x.toml").read_text()


@pytest.mark.usefixtures("growing")
def test_a_stage_whose_mix_a_curve_opens_can_be_set(run: Run, own: Path) -> None:
    """At rest it is mixed away, and `--set` took it for silent."""
    run("new", "x", "--from", "growing", "--set", "hall.decay_seconds=1.5")
    assert "decay_seconds = 1.5" in (own / "x.toml").read_text()


def test_no_setting_is_solved_for_under_a_curve() -> None:
    """It was turned eight times, changed nothing, and was written."""
    start = Chain([moved(PreampDrive(thd_percent=1.0), thd_percent=(1.0, 6.0))])
    with pytest.raises(
        ParameterError, match="thd_percent follows a curve, so one setting cannot give it; start from"
    ):
        solve({"thd_reference_percent": 2.0}, start=start)
