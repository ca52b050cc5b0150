"""Presets are found by the figures of a tape: bump, MOL and SOL, noise, print-through, azimuth."""

import pytest

from measure.results import Reading
from tapeemu import Chain, PreampDrive
from tapeemu.errors import ParameterError
from tapeemu.presets.kept_figures import KEPT, KeptFigure, Measured
from tapeemu.presets.preset import Preset
from tapeemu.presets.searching import SHORT_NAMES, parse_condition, search

UNITS = {"percent": "%", "db": "dB", "seconds": "s", "hz": "Hz", "us": "µs"}

# Short name or key, its figure in the first preset and in the second, and a condition that the first alone meets.
CASES = [
    ("bump", 1.5, 0.4, "bump=1..2"),
    ("bump_hz", 46.0, 92.0, "bump_hz=40..50"),
    ("mol", 9.5, 4.0, "mol=8.."),
    ("mol_low", 9.0, 3.0, "mol_low>=6"),
    ("mol_high", 7.0, -2.0, "mol_high=0.."),
    ("sol", 8.5, -6.0, "sol=5.."),
    ("compression", -2.0, -11.0, "compression=-4.."),
    ("treble", 0.0, -5.0, "treble=-1..1"),
    ("noise", -62.0, -45.0, "noise<=-60"),
    ("noise_468_db", -49.0, -30.0, "noise_468_db=..-40"),
    ("modulation_noise", -52.0, -40.0, "modulation_noise=..-50"),
    ("print_through", -58.0, -45.0, "print_through=..-50"),
    ("pre_echo", -60.0, -43.0, "pre_echo=..-50"),
    ("azimuth", 2.0, 18.0, "azimuth=..5us"),
    ("azimuth_wander", 0.5, 6.0, "azimuth_wander=..1"),
    ("crosstalk", -55.0, -30.0, "crosstalk=..-50"),
]


def preset(name: str, column: int) -> Preset:
    chain = Chain([PreampDrive(thd_percent=1.0)])
    figures = {}
    for case in CASES:
        key = SHORT_NAMES.get(case[0], case[0])
        value = case[column]
        assert isinstance(value, float)
        unit = UNITS[key.rpartition("_")[2]]
        reading = Reading(quantity=key, value=value, unit=unit, method="made up", uncertainty=0.01)
        figures[key] = KeptFigure(reading=reading, tolerance=0.1)
    measured = Measured(
        tool_version="0",
        settings_sha256="",
        sample_rate_hz=48_000.0,
        reference_level_dbfs=-18.0,
        seeds=(1,),
        chain=figures,
    )
    return Preset(name=name, purpose="A tape.", chain=chain, measured=measured)


@pytest.mark.parametrize("case", CASES, ids=[case[0] for case in CASES])
def test_a_condition_on_each_figure_of_a_tape(case: tuple[str, float, float, str]) -> None:
    fine, poor = preset("fine", 1), preset("poor", 2)
    unmeasured = Preset(name="unmeasured", purpose="A drive.", chain=fine.chain)
    assert search([poor, fine, unmeasured], [parse_condition(case[3])]) == [fine]


def test_conditions_hold_together() -> None:
    both = [preset("fine", 1), preset("poor", 2)]
    conditions = [parse_condition(text) for text in ("sol=5..", "bump=1..", "azimuth=..5 µs")]
    assert [each.name for each in search(both, conditions)] == ["fine"]
    assert not search(both, [*conditions, parse_condition("noise=-50..")])


def test_every_short_name_is_a_kept_figure_with_a_unit_that_can_be_written() -> None:
    for name, key in SHORT_NAMES.items():
        assert key in KEPT, name
        assert parse_condition(f"{name}=1..2").most == 2.0
    for key in KEPT:
        assert parse_condition(f"{key}=1..").key == key


def test_units_convert_and_wrong_ones_are_refused() -> None:
    assert parse_condition("azimuth=..0.005ms").most == pytest.approx(5.0)
    assert parse_condition("bump_hz=0.04kHz..").least == pytest.approx(40.0)
    with pytest.raises(ParameterError, match="not a number in µs"):
        parse_condition("azimuth=..5 dB")
    with pytest.raises(ParameterError, match="did you mean 'bump'"):
        parse_condition("bumps=1..")
