"""The desk as `tapeemu desk` serves it: moves are recorded, saved, and rendered as the command renders them."""

import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from browsers import until
from desk_pages import PRESET, RATE, desk, drawn_curves, element, rendered, stem

from tapeemu.desk.bench import Bench
from tapeemu.desk.server import DeskServer
from tapeemu.desk.stems import read_stems
from tapeemu.presets import load_preset, parse_preset

pytest.importorskip("selenium", reason="selenium is not installed")
from selenium.webdriver.common.keys import Keys

pytestmark = pytest.mark.long

NOISY = PRESET.replace("# first the drive", '[[stages]]\nkind = "tape_noise"\n\n# first the drive')


@pytest.fixture
def served(browser: Any, tmp_path: Path, own: Path) -> Iterator[tuple[Any, Path]]:
    """The browser at a desk that is served, and the stem that it plays."""
    source = stem(tmp_path, 3 * RATE)
    server = DeskServer(read_stems([source]), parse_preset(NOISY, name="for-the-test"))
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True)
    thread.start()
    browser.get(server.address)
    until(lambda: browser.execute_script("return document.body.classList.contains('ready')"), "the desk is ready")
    yield browser, source
    browser.get("about:blank")
    server.shutdown()
    server.server_close()


def test_recorded_moves_are_saved_and_rendered_to_the_bits_of_the_command(
    served: tuple[Any, Path], tmp_path: Path, own: Path, run: Callable[..., str]
) -> None:
    browser, source = served
    element(browser, "record").click()
    element(browser, "play").click()
    until(lambda: desk(browser, "desk.sound.place > 0.3"), "it plays")
    for name, key in (("stage-1-drive_db", Keys.PAGE_UP), ("stage-1-mix_percent", Keys.PAGE_DOWN)):
        browser.execute_script(
            "document.getElementById(arguments[0]).closest('details')?.setAttribute('open', '')", name
        )
        for _ in range(4):
            element(browser, name).send_keys(key)
        until(lambda: desk(browser, "desk.recording.hand === null"), "the moves are written")
    element(browser, "play").click()
    element(browser, "save").click()
    name = element(browser, "save-name")
    name.clear()
    name.send_keys("recorded-moves")
    element(browser, "save-preset").click()
    until(lambda: "measured in the background" in element(browser, "save-message").text, "it is saved")
    saved = load_preset(own / "recorded-moves.toml").chain
    assert [curve.setting for curve in saved.stages[1].automation] == ["drive_db", "mix_percent"]
    text = desk(browser, "desk.text")
    browser.refresh()
    until(lambda: browser.execute_script("return document.body.classList.contains('ready')"), "the desk is ready")
    assert desk(browser, "[desk.text, desk.names[0]]") == [text, "recorded-moves"]
    here = rendered(browser, 0)
    run("process", source, "--preset", own / "recorded-moves.toml", "--out", tmp_path / "out", "--depth", "float")
    there = soundfile.read(tmp_path / "out" / source.name, dtype="float32", always_2d=True)[0].T
    assert np.max(np.abs(here)) > 0.01
    assert np.array_equal(here, there)
    assert browser.get_log("browser") == []


def test_drawn_points_are_saved_and_rendered_to_the_bits_of_the_command(
    served: tuple[Any, Path], tmp_path: Path, own: Path, run: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Random curves, saved through the server, loaded again, behind tapes at other speeds too."""
    browser, source = served
    monkeypatch.setattr(Bench, "measure", lambda *_: 0)  # figures are not looked at
    monkeypatch.setattr(Bench, "measure_file", lambda *_: None)
    rng = np.random.default_rng(20261127)
    for number in range(3):
        text = drawn_curves(rng, RATE)
        browser.execute_script("window.tapeemuDesk.desk.edit(arguments[0], 'drawn')", text)
        assert desk(browser, "desk.mistake") is None, text
        saved = browser.execute_async_script(
            "const [name, done] = arguments; const { desk } = window.tapeemuDesk;"
            "desk.post('/save', { name, text: desk.text })"
            ".then((told) => done(told.path), (error) => done(error.message))",
            f"drawn-{number}",
        )
        assert saved == str(own / f"drawn-{number}.toml")
        browser.refresh()
        until(
            lambda: browser.execute_script("return document.body.classList.contains('ready')"), "the desk is ready"
        )
        assert desk(browser, "desk.text") == text
        here = rendered(browser, 0)
        run("process", source, "--preset", saved, "--out", tmp_path / f"out-{number}", "--depth", "float")
        path = tmp_path / f"out-{number}" / source.name
        there = soundfile.read(path, dtype="float32", always_2d=True)[0].T
        assert np.array_equal(here, there), text
    assert browser.get_log("browser") == []


def test_a_command_that_is_gone_is_told_of(served: tuple[Any, Path], tmp_path: Path) -> None:
    """It said "Failed to fetch"; what the browser itself logs of it cannot be kept from the console."""
    browser, _ = served
    browser.execute_script("window.fetch = () => Promise.reject(new TypeError('Failed to fetch'))")
    told = (
        "he command behind this page no longer answers; keep the text of the preset, and start tapeemu desk again"
    )
    element(browser, "stage-1-drive_db").send_keys(Keys.PAGE_UP)
    until(lambda: element(browser, "message").text == f"T{told}.", "it is told")
    element(browser, "save").click()
    element(browser, "save-preset").click()
    until(lambda: element(browser, "save-message").text == f"T{told}", "it is told")
    assert browser.get_log("browser") == []


def test_a_stem_that_changes_behind_the_desk_is_told_of_in_a_sentence(served: tuple[Any, Path]) -> None:
    """When one comes back to the page, or saves; what plays stays what it was."""
    browser, source = served
    before = rendered(browser, 0)
    note = browser.find_element("id", "stems-note")
    assert not note.is_displayed()
    soundfile.write(source, np.zeros((RATE, 2)), RATE)
    browser.execute_script("window.dispatchEvent(new Event('focus'))")
    until(lambda: "tone.wav was changed on disk" in note.text, "it is told")
    source.unlink()
    element(browser, "save").click()
    until(lambda: "tone.wav is no longer there" in note.text, "it is told")
    assert np.array_equal(rendered(browser, 0), before)
    assert browser.get_log("browser") == []
