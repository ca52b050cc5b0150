"""What hosts saved of a plug-in opens wherever a preset does."""

from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from tapeemu import WowFlutter
from tapeemu.cli import app
from tapeemu.errors import ParameterError, PresetError
from tapeemu.plugins.preset_files import vst3_preset
from tapeemu.presets import load_preset
from tapeemu.presets.host_states import lv2_state_text

TEXT = """format = 1
purpose = "Say \\"so\\", with a \\\\ in it: é."

[[stages]]
name = "transport"
kind = "wow_flutter"
seed = 5
"""


def turtle(literal: str) -> str:
    return f"<>\n\ta pset:Preset ;\n\tstate:state [\n\t\t<urn:tapeemu:preset> {literal}\n\t] .\n"


def short_literal(text: str) -> str:
    for letter, written in (("\\", "\\\\"), ('"', '\\"'), ("\n", "\\n"), ("é", "\\u00E9")):
        text = text.replace(letter, written)
    return f'"{text}"'


def long_literal(text: str) -> str:
    return '"""' + text.replace("\\", "\\\\").replace('"', '\\"') + '"""'


@pytest.mark.parametrize("literal", [short_literal, long_literal])
def test_turtle_has_two_ways_to_write_a_text(literal: Callable[[str], str], tmp_path: Path) -> None:
    """As the grammar of the Turtle language has them: one line with escapes, or many lines in three quotes."""
    assert lv2_state_text(turtle(literal(TEXT))) == TEXT
    state = tmp_path / "state.ttl"
    state.write_text(turtle(literal(TEXT)), "utf-8")
    assert load_preset(str(state)).chain.stages[0].processor == WowFlutter(seed=5)


def test_a_vst3_preset_opens_and_is_not_written_to(tmp_path: Path) -> None:
    saved = tmp_path / "saved.vstpreset"
    saved.write_bytes(vst3_preset("wow_flutter", TEXT))
    assert load_preset(str(saved)).chain.stages[0].processor == WowFlutter(seed=5)
    told = CliRunner().invoke(app, ["show", str(saved)], catch_exceptions=False)
    assert "wow_flutter" in told.output
    with pytest.raises(ParameterError, match=r"is what a host saved and stays as it is; --dry-run"):
        CliRunner().invoke(app, ["measure", str(saved)], catch_exceptions=False)
    assert saved.read_bytes() == vst3_preset("wow_flutter", TEXT)


@pytest.mark.parametrize(
    ("name", "data", "told"),
    [
        (
            "other.vstpreset",
            vst3_preset("chain", TEXT).replace(b"7461706E656D7530", b"0" * 16),
            "no VST3 preset of",
        ),
        ("cut.vstpreset", vst3_preset("chain", TEXT)[:-9], "no VST3 preset of"),
        ("none.ttl", b"<> a <urn:x> .", "no LV2 state of"),
        ("two.ttl", 2 * turtle(short_literal(TEXT)).encode(), "no LV2 state of"),
        ("open.ttl", turtle(short_literal(TEXT)).rpartition('"')[0].encode(), "no LV2 state of"),
    ],
)
def test_what_a_host_saved_of_something_else_is_refused(tmp_path: Path, name: str, data: bytes, told: str) -> None:
    (tmp_path / name).write_bytes(data)
    with pytest.raises(PresetError, match=told) as error:
        load_preset(str(tmp_path / name))
    assert "\n" not in str(error.value)
