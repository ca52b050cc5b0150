"""What processors say of themselves is what the laboratory, the presets and the orders go by."""

from typing import Any

import numpy as np
import pytest
from dummy_processors import Hiss, PreEcho

import measure
from measure.parts.signals import synchronised_sweep
from measure.quantities.distortion import distortion_from_sweep
from tapeemu import (
    AmplitudeFlutter,
    Chain,
    Crosstalk,
    EraseResidue,
    FdnReverb,
    HeadAzimuth,
    PreampDrive,
    PrintThrough,
    Stage,
    TapeMagnetisation,
    WowFlutter,
)
from tapeemu.comparison.orders import two_orders
from tapeemu.errors import ParameterError
from tapeemu.presets.measuring import measure_chain, measured_parts
from tapeemu.processor import Traits
from tapeemu.processors.plugin_effect import PluginEffect
from tapeemu.validation import FloatArray

RATE = 48_000


@pytest.mark.parametrize(
    ("processor", "expected"),
    [
        (FdnReverb(), {"reverberates", "mixes_channels", "lingers"}),
        (FdnReverb(wet_percent=0.0), {"mixes_channels"}),
        (PluginEffect(effect="Reverb"), {"reverberates", "mixes_channels", "lingers", "from_elsewhere"}),
        (PluginEffect(effect="Delay"), {"echoes", "mixes_channels", "lingers", "from_elsewhere"}),
        (PluginEffect(effect="Distortion"), {"drives", "mixes_channels", "from_elsewhere"}),
        (PreampDrive(), {"drives"}),
        (TapeMagnetisation(), {"drives"}),
        (WowFlutter(), {"moves_time"}),
        (WowFlutter(azimuth_skew_us=10.0), {"moves_time", "channels_differ"}),
        (AmplitudeFlutter(), {"moves_level"}),
        (AmplitudeFlutter(random_db=1.0, channel_correlation=0.4), {"moves_level", "channels_differ"}),
        (Crosstalk(), {"mixes_channels", "neighbours", "crosses_stems", "tracks_heard"}),
        (Crosstalk(fringing_db=-120.0, coupling_db=-120.0), {"mixes_channels", "neighbours"}),
        (PrintThrough(), {"neighbours"}),
        (PrintThrough(level_db=-30.0), {"echoes", "lingers", "neighbours"}),
        (EraseResidue(), {"neighbours"}),
        (EraseResidue(residue_db=-46.0), {"echoes", "lingers", "neighbours"}),
        (HeadAzimuth(), {"channels_differ", "moves_time", "neighbours"}),
        (HeadAzimuth(wander_urad=0.0), {"channels_differ", "neighbours"}),
        (Hiss(), {"adds_sound", "tracks_differ", "channels_differ"}),
        (Chain(), set()),
        (Chain([Hiss(), Chain([PreampDrive()])]), {"adds_sound", "tracks_differ", "channels_differ", "drives"}),
        (Chain([Stage(processor=Hiss(), bypass=True), Stage(processor=FdnReverb(), mix_percent=0.0)]), set()),
    ],
)
def test_what_each_says_of_itself(processor: Any, expected: set[str]) -> None:
    names = {*Traits.__dataclass_fields__, "lingers"} - {"peak_gain_db"}
    assert {name for name in names if getattr(processor.traits, name)} == expected


def test_peak_gains_of_a_chain_add_up() -> None:
    assert Chain([WowFlutter(), Chain([FdnReverb()])]).traits.peak_gain_db == 12.0 + 20.0


def test_orders_and_parts_go_by_the_traits_of_chains_inside() -> None:
    """A reverb inside a chain inside is a reverb: for the two orders, and for what is measured without it."""
    inner = Stage(processor=Chain([FdnReverb(), WowFlutter()]), name="hall")
    chain = Chain([inner, PreampDrive()])
    assert [each.label for each in two_orders(chain)] == [
        "hall before preamp_drive",
        "preamp_drive before hall",
    ]
    assert list(measured_parts(chain)) == ["chain", "without reverb", "stage hall"]
    assert list(measured_parts(Chain([Stage(processor=FdnReverb(), mix_percent=0.0), PreampDrive()]))) == ["chain"]
    with pytest.raises(ParameterError, match="0 reverb and 1 drive"):
        two_orders(Chain([Chain([FdnReverb(), TapeMagnetisation()]), PreampDrive()]))


@pytest.mark.parametrize("ahead_seconds", [0.12, 0.3, 0.52, 1.0])
def test_a_pre_echo_is_not_read_as_harmonics(ahead_seconds: float) -> None:
    """A linear system has no harmonics; what it sounds early stands where a sweep shows them."""
    system = PreEcho(ahead_seconds=ahead_seconds)
    report = measure.bench(system, rows=["sweep"])
    third = report.curves["harmonic_3_against_frequency"].y
    assert not np.any(third > 0.01), "a linear system reads no third harmonic"
    (note,) = (note for note in report.notes if "before its input" in note)
    assert f"{ahead_seconds:.3g}"[:3] in note
    # The same sweep, taken to have no lead: 0.3 and 0.52 s are where second and third harmonic stand.
    sweep = synchronised_sweep(RATE, seconds=4.0, tail_seconds=3.0)
    recording = system(sweep.signal, RATE)
    orders = [curve.y for curve in distortion_from_sweep(recording, sweep).orders]
    assert bool(np.nanmax(np.stack(orders)) > 0.1) is (ahead_seconds in (0.3, 0.52))
    apart = distortion_from_sweep(recording, sweep, lead_seconds=ahead_seconds)
    assert not np.any(np.stack([curve.y for curve in apart.orders]) > 0.01)


def test_harmonics_are_read_beside_a_lead_that_does_not_reach_them() -> None:
    """A cubic of a sine: the third harmonic is a quarter of the cube's coefficient times the amplitude squared."""
    level = 10.0 ** (-18.0 / 20.0)

    def cubic(audio: FloatArray, sample_rate: float) -> FloatArray:
        return PreEcho(ahead_seconds=0.12)(audio + audio**3, sample_rate)

    report = measure.bench(cubic, rows=["sweep"])
    third = report.curves["harmonic_3_against_frequency"]
    expected = 100.0 * 0.25 * level**2 / (1.0 + 0.75 * level**2)
    middle = (third.x > 500.0) & (third.x < 2000.0)
    np.testing.assert_allclose(third.y[middle], expected, rtol=0.02)


@pytest.mark.parametrize(
    "system", [PreampDrive(drive_db=30.0), WowFlutter(profile="worn"), Hiss(level_dbfs=-20.0)]
)
def test_drive_flutter_and_noise_are_no_lead(system: Any) -> None:
    report = measure.bench(system, rows=["sweep"], seeds=(1,), reverberates=False)
    assert not any("before its input" in note for note in report.notes)


def test_the_bench_goes_by_what_it_is_told_of_reverberation() -> None:
    """A room too short for the sweep to tell is a room, and what a sweep takes for one need not be."""
    room = FdnReverb(decay_seconds=0.1)
    told = measure.bench(room, rows=["noise bursts", "distortion tone"], reverberates=True)
    found = measure.bench(room, rows=["noise bursts", "distortion tone"])
    assert "decay_1000hz_seconds" in told.readings
    assert any("reverberates" in warning for warning in told["thd_reference_percent"].warnings)
    assert not any("reverberates" in warning for warning in found["thd_reference_percent"].warnings)
    denied = measure.bench(
        FdnReverb(decay_seconds=1.0), rows=["noise bursts", "distortion tone"], reverberates=False
    )
    assert "decay_1000hz_seconds" not in denied.readings
    assert not any("reverberates" in warning for warning in denied["thd_reference_percent"].warnings)


def test_figures_that_noise_makes_worthless_are_not_kept() -> None:
    keys = ["weighted_flutter_percent", "thd_reference_percent", "level_fluctuation_rms_db"]
    noisy, _ = measure_chain(Chain([PreampDrive(thd_percent=1.0), Hiss(level_dbfs=-40.0)]), keys=keys, seeds=(1,))
    assert set(noisy.chain) == {"thd_reference_percent"}
    clean, _ = measure_chain(Chain([PreampDrive(thd_percent=1.0)]), keys=keys, seeds=(1,))
    assert set(clean.chain) == set(keys)
