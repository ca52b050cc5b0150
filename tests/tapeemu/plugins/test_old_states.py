"""States of earlier versions open, and are what they were.

The files of `tests/reference/old_states` are named after the plug-in and the commit whose version would have
written them: the preset that `git show COMMIT:presets/NAME.toml` gives, without its measured figures, below the
lines that `put_state` of that commit puts above it for knobs a preset has no word for.
"""

import sys
from pathlib import Path

import pytest
from clap_host import ClapLibrary
from lv2_host import Lv2Plugin
from vst3_host import Vst3Plugin

from tapeemu.plugins.tables import shipped_presets
from tapeemu.presets.reading import parse_preset

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the test hosts load libraries of Linux")

STATES = sorted((Path(__file__).parents[2] / "reference" / "old_states").glob("*.toml"))
KEY = "urn:tapeemu:preset"


@pytest.mark.parametrize("path", STATES, ids=lambda path: path.stem)
def test_a_state_of_an_earlier_version_opens(library: ClapLibrary, plugins: Path, path: Path) -> None:
    text, kind = path.read_bytes(), path.stem.rpartition("-")[0]
    meant = parse_preset(text.decode(), name="state").chain
    clap, vst3 = library.make(kind), Vst3Plugin(plugins, kind)
    lv2 = Lv2Plugin(plugins / "tapeemu.lv2", f"urn:tapeemu:{kind}")
    assert clap.load(text)
    assert vst3.load(text)
    assert lv2.restore({KEY: text + b"\0"})
    for saved in (clap.save(), vst3.save(), lv2.save()[KEY].removesuffix(b"\0")):
        assert parse_preset(saved.decode(), name="state").chain == meant
    assert clap.value("Bypass") == float(b"#: bypass = 1.0" in text)
    assert clap.value("Track of the tape") == (5.0 if b"#: track = 5.0" in text else 0.0)
    clap.end()
    vst3.end()
    lv2.end()


def test_the_text_decides_and_not_the_number_that_a_preset_had(library: ClapLibrary) -> None:
    """Presets that came later stand between those that were: number 9 was a hall that is number 10 now."""
    names = list(shipped_presets())
    for number in (1, 9, len(names)):
        plugin, other = library.make("chain"), library.make("chain")
        plugin.turn("Preset", float(number))
        state = plugin.save()
        assert b"preset = " not in state
        assert other.load(b"#: preset = 3.0\n" + state)
        meant = parse_preset(shipped_presets()[names[number - 1]], name="meant").chain
        for each in (plugin, other):
            assert parse_preset(each.save().decode(), name="state").chain == meant
        assert other.value("Preset") == 0.0  # as loaded
        plugin.end()
        other.end()


def test_earlier_states_with_preset_numbers_that_are_gone_open(library: ClapLibrary) -> None:
    plugin, state = library.make("chain"), shipped_presets()["hall-into-drive"].encode()
    assert plugin.load(b"#: preset = 99.0\n" + state)
    assert plugin.save() == state
    assert not plugin.load(b"#: track = 999.0\n" + state)
    assert plugin.save() == state
    plugin.end()
