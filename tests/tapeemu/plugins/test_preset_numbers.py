"""Numbers of presets and of choices: songs that automate a knob name them so, whatever is added later."""

import sys
from pathlib import Path

import pytest
from clap_host import ClapLibrary
from vst3_host import Vst3Plugin

from tapeemu.plugins.preset_numbers import MOST_PRESETS, PRESET_ORDER, in_order
from tapeemu.plugins.tables import plugin_kinds, shipped_presets
from tapeemu.presets.reading import parse_preset

hosted = pytest.mark.skipif(sys.platform != "linux", reason="the test hosts load libraries of Linux")

# What songs may hold. To both tables new names are added at the end, and nothing else is ever done to them.
WRITTEN = (
    "bed-slow-wow",
    "bounced-three-times",
    "cassette-average",
    "cassette-hissing",
    "cassette-well-kept",
    "cassette-worn",
    "domestic-at-19",
    "domestic-at-9",
    "drive-into-hall",
    "hall-into-drive",
    "multitrack-mid-century",
    "multitrack-with-neighbours",
    "portable-worn",
    "preamplifier-alone",
    "pulse-tight",
    "quarter-inch-at-19",
    "quarter-inch-at-38",
    "quarter-inch-misaligned",
    "reel-started-and-spliced",
    "small-room-on-tape",
    "studio-at-38",
    "studio-at-38-with-hiss",
    "studio-at-76",
    "tape-alone",
    "unstable-and-broken",
)
CHOICES = {
    "amplitude_flutter.mode": ("gain", "spacing"),
    "fdn_reverb.lines": ("8", "16", "32"),
    "preamp_drive.drive_db.set": ("left out", "Drive", "THD"),
    "print_through.stored": ("tails_out", "heads_out"),
    "start_stop.start_law": ("cued", "catching_up"),
    "tape_magnetisation.drive_db.set": ("left out", "Drive", "MOL"),
    "tape_noise.hiss_db.set": ("left out", "Hiss", "Track width"),
    "tape_noise.hiss_weighting": ("a", "itu468"),
    "tape_response.poles": ("deep", "thin"),
    "tape_response.record_loss_um.set": ("left out", "Record loss", "SOL at 10 kHz"),
    "wow_flutter.profile": ("none", "studio", "domestic", "cassette", "portable", "worn"),
    "wow_flutter.reader_taps": ("32", "48"),
}


def test_no_preset_that_a_song_may_name_has_moved() -> None:
    assert PRESET_ORDER[: len(WRITTEN)] == WRITTEN
    assert len(set(PRESET_ORDER)) == len(PRESET_ORDER) <= MOST_PRESETS == 63


def test_every_shipped_preset_has_its_number() -> None:
    assert set(shipped_presets()) == set(PRESET_ORDER), "a new preset goes to the end of PRESET_ORDER"
    assert tuple(shipped_presets()) == PRESET_ORDER


def test_a_preset_that_is_added_moves_no_other() -> None:
    before = list(shipped_presets())
    assert in_order(["a-new-one", *reversed(before)]) == [*before, "a-new-one"]


def test_no_choice_that_a_song_may_name_has_moved() -> None:
    found = {f"{kind.kind}.{knob.key}": knob.words for kind in plugin_kinds() for knob in kind.knobs}
    for key, words in CHOICES.items():
        assert found[key][: len(words)] == words
    numbered = {key for key, words in found.items() if words not in ((), ("off", "on"), ("left out", "set"))}
    assert numbered == set(CHOICES), "a new choice is written down in this test"


@hosted
def test_steps_are_numbered_alike_in_hosts_and_those_without_a_preset_change_nothing(
    library: ClapLibrary, plugins: Path
) -> None:
    """VST3 hosts keep a share of the range: it must not depend on how many presets there are."""
    clap, vst3 = library.make("chain"), Vst3Plugin(plugins, "chain")
    before, told = clap.save(), clap.knobs["Preset"]
    assert (told.least, told.most) == (0.0, 63.0)
    for number, name in enumerate(WRITTEN, start=1):
        assert clap.text("Preset", float(number)) == name
        assert clap.value_of("Preset", name) == number
        assert vst3.normal("preset", float(number)) == number / 63.0
    for waiting in (len(shipped_presets()) + 1, 63):
        assert clap.value_of("Preset", clap.text("Preset", float(waiting))) == waiting
        clap.turn("Preset", float(waiting))
        assert clap.save() == before
    clap.turn("Preset", 10.0)
    vst3.turn("preset", 10.0 / 63.0)
    for state in (clap.save(), vst3.save()):
        meant = parse_preset(shipped_presets()[WRITTEN[9]], name="meant").chain
        assert parse_preset(state.decode(), name="state").chain == meant
    clap.end()
    vst3.end()
