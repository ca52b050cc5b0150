"""Presets in the browser of a CLAP host: shipped ones within the plug-in, one's own as files."""

import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from clap_host import ClapLibrary, ClapPlugin
from clap_presets import FACTORIES, IN_FILE, IN_PLUGIN, PresetBrowser

from tapeemu.plugins.tables import shipped_presets
from tapeemu.presets.places import user_folder

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the test host loads libraries of Linux")

ONE_STAGE = """format = 1
purpose = "A drive – alone."

[[stages]]
kind = "preamp_drive"
drive_db = 9.0
"""


@pytest.fixture
def browser(library: ClapLibrary) -> Iterator[PresetBrowser]:
    made = PresetBrowser(library)
    yield made
    made.end()


def test_shipped_presets_are_listed(library: ClapLibrary, browser: PresetBrowser) -> None:
    told, texts = browser.presets(IN_PLUGIN), shipped_presets()
    assert not isinstance(told, str)
    assert [(each.name, each.key) for each in told] == [(name, name) for name in texts]
    for each, text in zip(told, texts.values(), strict=True):
        assert each.description == tomllib.loads(text)["purpose"]
        assert each.plugins[0] == ("clap", "tapeemu.chain")
        assert set(each.plugins) <= {("clap", name) for name in library.ids()}
        assert each.features == ["audio-effect"]


@pytest.mark.parametrize("step", [8, pytest.param(1, marks=pytest.mark.long)])
def test_each_becomes_the_state(library: ClapLibrary, chain: ClapPlugin, step: int) -> None:
    library.heard_of_presets.clear()
    names = list(shipped_presets())[::step]
    for name in names:
        assert chain.load_from(IN_PLUGIN, None, name)
        assert chain.save().decode() == shipped_presets()[name]
    assert library.heard_of_presets == [("", IN_PLUGIN, None, name, "loaded") for name in names]


def test_a_preset_of_one_stage_is_also_one_of_its_processor(
    library: ClapLibrary, browser: PresetBrowser, tmp_path: Path
) -> None:
    path = tmp_path / "mélodie.toml"
    path.write_text(ONE_STAGE, "utf-8")
    told = browser.presets(IN_FILE, str(path))
    assert not isinstance(told, str)
    assert [(each.name, each.key, each.description) for each in told] == [(None, None, "A drive – alone.")]
    assert [name for _, name in told[0].plugins] == ["tapeemu.chain", "tapeemu.preamp_drive"]
    for extension in ("clap.preset-load/2", "clap.preset-load.draft/2"):
        for _, name in told[0].plugins:
            plugin = library.make(name.removeprefix("tapeemu."))
            rescans = library.rescans
            assert plugin.load_from(IN_FILE, str(path), None, extension)
            assert plugin.save().decode() == ONE_STAGE
            assert library.rescans == rescans + 1
            plugin.end()


@pytest.mark.parametrize("factory", FACTORIES)
def test_ones_own_folder_is_a_location(
    library: ClapLibrary, factory: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The folder in which the command line looks for them as well, if there is one."""
    places: list[tuple[int, int, str | None]] = []
    for name, value in (("XDG_DATA_HOME", str(tmp_path)), ("XDG_DATA_HOME", ""), ("HOME", str(tmp_path))):
        monkeypatch.setenv("HOME", str(tmp_path / "home"))
        monkeypatch.setenv(name, value)
        for there in (False, True):
            if there:
                user_folder().mkdir(parents=True, exist_ok=True)
            browser = PresetBrowser(library, factory)
            places = [(flags, kind, location) for flags, _, kind, location in browser.locations]
            browser.end()
            expected = [(1, IN_PLUGIN, None)]
            if user_folder().is_dir():
                expected.append((2, IN_FILE, str(user_folder())))
            assert places == expected
    assert browser.endings == ["toml"]
    assert len(places) == 2


def test_a_bad_file_is_refused_in_words_and_changes_nothing(
    library: ClapLibrary, browser: PresetBrowser, chain: ClapPlugin, tmp_path: Path
) -> None:
    assert chain.load_from(IN_PLUGIN, None, "hall-into-drive")
    before = chain.save()
    none, drive = "this is no preset that a plug-in can hold", library.make("wow_flutter")
    for name, text, words in (
        ("text.toml", b"This is no preset.", none),
        ("half.toml", ONE_STAGE.encode()[:-9], none),
        ("empty.toml", b"", none),
        ("bytes.toml", bytes(range(256)), none),
        ("long.toml", ONE_STAGE.encode() + b"# and so on\n" * 20_000, none),
        ("", None, "the file cannot be read"),
        ("absent.toml", None, "the file cannot be read"),
    ):
        path = tmp_path / name
        if text is not None:
            path.write_bytes(text)
        assert browser.presets(IN_FILE, str(path)) == words
        library.heard_of_presets.clear()
        assert not chain.load_from(IN_FILE, str(path), None)
        told = words.replace("a plug-in", "this plug-in")
        assert library.heard_of_presets == [(told, IN_FILE, str(path), None, "failed")]
        assert chain.save() == before
    fits = tmp_path / "fits.toml"
    fits.write_text(ONE_STAGE, "utf-8")
    rescans = library.rescans
    for kind, location, key in (
        (IN_PLUGIN, None, "another"),
        (IN_PLUGIN, None, None),
        (IN_FILE, None, None),
        (7, str(fits), "hall-into-drive"),
    ):
        assert not chain.load_from(kind, location, key)
        assert chain.save() == before
    assert not drive.load_from(IN_FILE, str(fits), None)  # a stage of another kind
    assert library.rescans == rescans
    drive.end()


def test_a_browser_that_has_enough_is_told_no_more(browser: PresetBrowser) -> None:
    assert browser.presets(IN_PLUGIN, most=2) == browser.presets(IN_PLUGIN)[:2]
