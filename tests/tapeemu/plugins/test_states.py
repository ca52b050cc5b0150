"""A thousand states that are nearly right, through every host at hand; what hosts save, on the command line."""

import sys
from pathlib import Path

import pytest
from clap_host import ClapLibrary
from lilv_host import NAME, LilvPlugin
from lv2_host import Lv2Plugin
from state_mutants import check_mutants
from typer.testing import CliRunner
from vst3_host import Vst3Plugin

from tapeemu.cli import app
from tapeemu.plugins.preset_files import vst3_preset
from tapeemu.plugins.tables import shipped_presets
from tapeemu.presets import load_preset
from tapeemu.presets.host_states import lv2_state_text, vst3_preset_text

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the test hosts load libraries of Linux")

COUNTS = [20, pytest.param(1_000, marks=pytest.mark.long)]
KEY = "urn:tapeemu:preset"


@pytest.mark.long
def test_clap(library: ClapLibrary) -> None:
    """Some of them are in the default tests: test_clap.py."""
    plugin = library.make("chain")
    check_mutants(plugin.load, plugin.save, 1_000)
    plugin.end()


@pytest.mark.parametrize("count", COUNTS)
def test_vst3(plugins: Path, count: int) -> None:
    plugin = Vst3Plugin(plugins, "chain")
    check_mutants(plugin.load, plugin.save, count)
    assert not plugin.load(b"")
    plugin.end()


@pytest.mark.long
def test_lv2(plugins: Path) -> None:
    plugin = Lv2Plugin(plugins / "tapeemu.lv2", "urn:tapeemu:chain")
    check_mutants(
        lambda text: plugin.restore({KEY: text + b"\0"}), lambda: plugin.save()[KEY].removesuffix(b"\0"), 1_000
    )
    plugin.end()


@pytest.mark.long
def test_pedalboard(plugins: Path, tmp_path: Path) -> None:
    pedalboard = pytest.importorskip("pedalboard")
    plugin = pedalboard.load_plugin(str(plugins / "tapeemu.vst3"), plugin_name="Tape Suite Chain")

    def save() -> bytes:
        text = vst3_preset_text(plugin.preset_data)
        assert text is not None
        return text.encode()

    def load(state: bytes) -> bool:
        whole = vst3_preset("chain", "x" * len(state)).replace(b"x" * len(state), state)
        file = tmp_path / "mutant.vstpreset"
        file.write_bytes(whole)
        try:
            plugin.load_preset(str(file))
        except RuntimeError:
            return False
        return True

    check_mutants(load, save, 1_000)
    saved = tmp_path / "saved.vstpreset"
    assert load(shipped_presets()["hall-into-drive"].encode())
    saved.write_bytes(plugin.preset_data)
    assert load_preset(saved).chain == load_preset("hall-into-drive").chain
    told = CliRunner().invoke(app, ["show", str(saved)], catch_exceptions=False)
    assert "fdn_reverb" in told.output


@pytest.mark.skipif(NAME is None, reason="lilv is not installed (Debian: liblilv-0-0)")
@pytest.mark.long
def test_lilv(plugins: Path, tmp_path: Path) -> None:
    plugin = LilvPlugin(plugins, "urn:tapeemu:chain")
    start = plugin.save()
    handed = 0
    last = (lv2_state_text(start) or "").encode()

    def load(state: bytes) -> bool:
        nonlocal handed, last
        try:
            text = state.decode()
        except UnicodeDecodeError:
            return False  # no turtle file can hold it
        if "\0" in text or "\r" in text:
            return False
        handed += 1
        plugin.restore(plugin.state_of(text))
        was, last = last, save()
        return last != was

    def save() -> bytes:
        return (lv2_state_text(plugin.save()) or "").encode()

    check_mutants(load, save, 1_000)
    assert handed > 500
    plugin.restore(start)
    assert plugin.save() == start
    (tmp_path / "state.ttl").write_text(start, "utf-8")
    assert load_preset(tmp_path / "state.ttl").chain == load_preset("bed-slow-wow").chain
    plugin.end()
