"""Every processor is a plug-in or says why not, and what the plug-ins take of settings the command line takes."""

import numpy as np
import numpy.typing as npt
import pytest
from clap_host import ClapLibrary, ClapPlugin

from tapeemu.chain import Chain
from tapeemu.errors import TapeemuError
from tapeemu.plugins.tables import NOT_PLUGINS, plugin_kinds
from tapeemu.presets.reading import file_kinds, parse_preset

RATE = 48_000.0

STAGES = {
    "a faint echo": 'kind = "print_through"\ntape_speed_cm_s = 152.4\npre_echo = false\nstored = "heads_out"',
    "an echo ahead": 'kind = "print_through"\ntape_speed_cm_s = 152.4\nfull_radius_mm = 60.0\nlevel_db = -30.0',
    "both slopes of crosstalk": 'kind = "crosstalk"',
    "no fringing": 'kind = "crosstalk"\nfringing_db = -120.0\ncoupling_db = -40.0',
    "a head askew": 'kind = "head_azimuth"\nazimuth_urad = -2000.0\nseed = 7',
    "an angle of nothing": 'kind = "head_azimuth"\nazimuth_urad = 1e-10\nwander_urad = 100.0',
    "a response": 'kind = "tape_response"\npoles = "thin"\nbass_time_constant_us = 3180.0',
    "a bump as told": 'kind = "tape_response"\nbump_db = 2.0\nself_erasure_db = 3.0',
    "an output as told": 'kind = "tape_response"\nsol_10khz_db = 5.0\ntreble_time_constant_us = 50.0',
    "a loop": 'kind = "erase_residue"\nresidue_db = -40.0\nbass_corner_hz = 30.0\nearlier_seconds = 0.1',
    "a fall as told": (
        'kind = "tape_response"\nresponse_tolerance_db = 2.0\nresponse_to_hz = 12000.0\nsol_10khz_db = 5.0'
    ),
    "a cut": (
        'kind = "splices"\n'
        "splices = [{at_seconds = 0.01, shift_seconds = 0.02}, {at_seconds = 0.03, blank = true}]"
    ),
    "a stop": (
        'kind = "start_stop"\nstop_seconds = 0.02\nevents = [{action = "stop", at_seconds = 0.01}, '
        '{action = "start", at_seconds = 0.5, time_constant_seconds = 0.05}]'
    ),
    "a start that catches up": (
        'kind = "start_stop"\nstart_law = "catching_up"\nstart_seconds = 0.02\n'
        'events = [{action = "start", at_seconds = 0.01}]'
    ),
}
REFUSED = {
    "both of two": 'kind = "tape_response"\nrecord_loss_um = 1.0\nsol_10khz_db = 5.0',
    "an output that cannot be": 'kind = "tape_response"\nsol_10khz_db = 39.0',
    "a limit that is solved for": 'kind = "tape_response"\nboost_limit_db = 5.0\nresponse_tolerance_db = 2.0',
    "a fall that cannot be": 'kind = "tape_response"\nresponse_tolerance_db = 30.0',
    "a bump told twice": 'kind = "tape_response"\nbump_db = 1.0\npoles = "deep"',
    "a distance that is solved for": 'kind = "tape_response"\nsol_10khz_db = 5.0\nspacing_um = 0.5',
    "a face too long": 'kind = "tape_response"\nface_length_mm = 20.0\ntape_speed_cm_s = 2.0',
    "bass below": 'kind = "tape_response"\nbass_time_constant_us = 499.0',
    "a guard too wide": 'kind = "crosstalk"\nguard_mm = 3.0\ntape_speed_cm_s = 30.0',
    "a hub outside": 'kind = "print_through"\nhub_radius_mm = 131.0',
    "a turn too long": 'kind = "print_through"\ntape_speed_cm_s = 6.0',
    "edges too near": 'kind = "head_azimuth"\nwander_low_hz = 1.7',
    "a gap too slanted": 'kind = "head_azimuth"\nazimuth_urad = 20000.0\ntrack_width_mm = 5.0',
    "cuts too near": 'kind = "splices"\nsplices = [{at_seconds = 1.0}, {at_seconds = 1.005}]',
    "blank and shifted": 'kind = "splices"\nsplices = [{at_seconds = 1.0, shift_seconds = 0.0, blank = true}]',
    "stops in a row": (
        'kind = "start_stop"\nevents = [{action = "stop", at_seconds = 0}, {action = "stop", at_seconds = 9}]'
    ),
    "a start before rest": (
        'kind = "start_stop"\nevents = [{action = "stop", at_seconds = 0}, {action = "start", at_seconds = 1.1}]'
    ),
    "no such action": 'kind = "start_stop"\nevents = [{action = "wind", at_seconds = 0}]',
}


def preset_of(stage: str) -> str:
    return f'format = 1\npurpose = "One stage."\n\n[[stages]]\n{stage}\n'


def test_every_processor_is_a_plugin_or_says_why_not() -> None:
    kinds = set(file_kinds()) - {Chain.kind}
    assert {each.kind for each in plugin_kinds()} == kinds - set(NOT_PLUGINS)
    assert set(NOT_PLUGINS) <= kinds
    assert all(NOT_PLUGINS.values())


def noise(samples: int) -> npt.NDArray[np.float32]:
    return np.random.default_rng(9).normal(0.0, 0.1, (2, samples)).astype(np.float32)


@pytest.mark.parametrize("what", STAGES)
def test_a_stage_sounds_as_on_the_command_line(library: ClapLibrary, what: str) -> None:
    text, audio = preset_of(STAGES[what]), noise(9_600)
    processor = parse_preset(text, name="one").chain.stages[0].processor
    plugin = library.make(processor.kind)
    assert plugin.load(text.encode())
    assert plugin.save() == text.encode()
    assert plugin.activate(RATE)
    stream = processor.stream(sample_rate=RATE, channels=2)
    expected = stream.process(audio)
    assert plugin.latency() == stream.latency
    made = plugin.process(audio, place=0)
    plugin.end()
    assert np.max(np.abs(made)) > 0.0 or np.max(np.abs(expected)) == 0.0
    # Denormal samples are silence in a plug-in.
    np.testing.assert_array_equal(made, np.where(np.abs(expected) < np.finfo(np.float32).tiny, 0.0, expected))


@pytest.mark.parametrize("what", REFUSED)
def test_what_does_not_fit_is_refused(chain: ClapPlugin, what: str) -> None:
    text = preset_of(REFUSED[what])
    with pytest.raises(TapeemuError):
        parse_preset(text, name="one")
    assert not chain.load(text.encode())


def test_parts_survive_a_turned_knob(library: ClapLibrary) -> None:
    plugin, other = library.make("start_stop"), library.make("start_stop")
    assert plugin.load(preset_of(STAGES["a stop"]).encode())
    plugin.turn("Stop", 0.05)
    state = plugin.save()
    assert other.load(state)
    assert other.save() == state
    made = parse_preset(state.decode(), name="state").chain.stages[0].processor
    assert made.stop_seconds == 0.05  # type: ignore[attr-defined]
    assert [each.action for each in made.events] == ["stop", "start"]  # type: ignore[attr-defined]
    plugin.end()
    other.end()


def test_knobs_that_speak_of_the_same_do_not_stand_in_the_way(library: ClapLibrary) -> None:
    plugin = library.make("tape_response")
    plugin.turn("Poles", 1.0)
    plugin.turn("Spacing", 2.0)
    plugin.turn("Bump: set", 1.0)
    plugin.turn("Record loss: set", 2.0)
    plugin.turn("SOL at 10 kHz", 5.0)
    plugin.turn("Boost limit", 20.0)
    plugin.turn("Response tolerance: set", 1.0)
    made = parse_preset(plugin.save().decode(), name="state").chain.stages[0].processor
    plugin.end()
    assert made.bump_db == 1.5  # type: ignore[attr-defined]
    assert made.sol_10khz_db == 5.0  # type: ignore[attr-defined]
    assert made.response_tolerance_db == 1.0  # type: ignore[attr-defined]


def test_every_number_has_one_knob_and_switches_name_what_they_leave_out() -> None:
    for kind in plugin_kinds():
        plain = [knob for knob in kind.knobs if knob.role == "VALUE"]
        assert [knob.count for knob in plain] == [1] * len(plain)
        assert len({knob.first for knob in plain}) == len(plain)
        numbers = {knob.first for knob in plain}
        for switch in (knob for knob in kind.knobs if knob.role == "SELECT"):
            assert set(range(switch.first, switch.first + switch.count)) & numbers


def test_a_setting_that_is_left_out_has_its_knob_where_it_would_be_by_default() -> None:
    (wow,) = (kind for kind in plugin_kinds() if kind.kind == "wow_flutter")
    defaults = {knob.key: knob.default for knob in wow.knobs}
    assert defaults["random_slope_db_per_octave"] == -3.0
    assert defaults["weighted_flutter_percent"] == 0.1


def test_abbreviations_of_the_trade_are_written_as_the_trade_writes_them() -> None:
    labels = {knob.label for kind in plugin_kinds() for knob in kind.knobs}
    assert {"MOL", "SOL at 10 kHz", "THD", "Decay at 1000 Hz"} <= labels
    assert not {"Mol", "Thd"} & {word for label in labels for word in label.split()}
