"""The desk in a real browser, opened from disk: sounds, follows its controls, saves, renders the bits of Python.

Needs chromium and its driver (on Debian: the packages chromium and chromium-driver).
"""

import base64
import importlib.resources
import io
import os
import re
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from browsers import until
from desk_pages import PRESET, RATE, desk, drawn_curves, element, page_of, played, rendered, stem

from tapeemu.desk.declarations import kinds_of_stages
from tapeemu.desk.page import write_page
from tapeemu.desk.stems import read_stems
from tapeemu.errors import ParameterError
from tapeemu.files.riff_chunks import comment
from tapeemu.presets import parse_preset

pytest.importorskip("selenium", reason="selenium is not installed")
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys


def test_it_plays_and_says_nothing_to_the_console(opened: Any) -> None:
    element(opened, "play").click()
    until(lambda: desk(opened, "desk.meters && desk.meters.outPeak > 0.05"), "sound comes out")
    until(lambda: desk(opened, "desk.sound.place > 0.3"), "the position moves")
    assert desk(opened, "desk.sound.volumeDb") <= -20  # the first sound is a quiet one
    element(opened, "play").click()
    until(lambda: not desk(opened, "desk.sound.playing"), "it pauses")
    assert opened.get_log("browser") == []


@pytest.mark.parametrize("width", [820, 1440, 2560])
def test_nothing_moves_sideways(opened: Any, width: int) -> None:
    """With a scroll bar that takes room, which a width in vw would count as its own."""
    before = opened.get_window_size()
    opened.set_window_size(width, 1000)
    try:
        shown, whole = opened.execute_script(
            "window.scrollTo(400, 0); const root = document.documentElement;"
            "return [root.clientWidth, root.scrollWidth + window.scrollX]"
        )
        assert shown < width, "there is a scroll bar"
        assert whole == shown
    finally:
        opened.set_window_size(before["width"], before["height"])


CUT_OFF = """
for (const each of document.querySelectorAll(".strip details")) each.open = true;
return [...document.querySelectorAll(".strip")].map((strip) => ({
  labels: [...strip.querySelectorAll(".label")].map((each) => each.textContent),
  cut: [...strip.querySelectorAll(".typed, select")]
    .filter((each) => each.offsetParent && each.scrollWidth > each.clientWidth + 1)
    .map((each) => each.value),
  bare: [...strip.querySelectorAll(".groove")]
    .filter((each) => each.closest(".setting").querySelector(".unit").textContent)
    .map((each) => each.getAttribute("aria-valuetext"))
    .filter((text) => /[0-9]$/.test(text)),
  apart: [...strip.querySelectorAll(".setting")].filter((each) => {
    const [label, value] = [".label", ".value, .both, select"]
      .map((name) => each.querySelector(name)?.getBoundingClientRect());
    return value && label.right > value.left && label.bottom > value.top && label.top < value.bottom;
  }).map((each) => each.textContent.slice(0, 30)),
}));
"""


@pytest.mark.parametrize("width", [390, pytest.param(1440, marks=pytest.mark.long)])
def test_no_text_of_a_strip_is_cut_off_and_no_two_settings_have_one_name(ready: Any, width: int) -> None:
    """Of every kind, with everything unfolded; at phone width with the browser's own emulation of one."""
    kinds = kinds_of_stages()
    text = "format = 1\n" + "".join(f'\n[[stages]]\nkind = "{kind}"\n' for kind in kinds)
    before = desk(ready, "desk.text")
    size = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500}
    ready.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    try:
        ready.execute_script("window.tapeemuDesk.desk.edit(arguments[0], 'every kind')", text)
        assert desk(ready, "desk.mistake") is None
        ready.execute_script(CUT_OFF)
        until(lambda: desk(ready, "desk.strips.open.size") == len(kinds), "all is unfolded")
        found = ready.execute_script(CUT_OFF)
        assert len(found) == len(kinds)
        for kind, strip in zip(kinds, found, strict=True):
            assert strip["cut"] == [], kind
            assert strip["apart"] == [], kind
            assert strip["bare"] == [], kind  # a value without its unit
            assert len(set(strip["labels"])) == len(strip["labels"]), kind
        volume = desk(ready, "desk.sound.volumeDb")  # wherever tests before have left it
        assert element(ready, "volume").get_attribute("aria-valuetext") == f"{volume:g} dB"
        root = "const root = document.documentElement; return root.scrollWidth - root.clientWidth"
        assert ready.execute_script(root) == 0
    finally:
        ready.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
        ready.execute_script("window.tapeemuDesk.desk.edit(arguments[0], 'back')", before)


@pytest.mark.parametrize("width", [390, 360])
def test_tools_stand_in_one_row_on_a_phone(ready: Any, width: int) -> None:
    size = {"width": width, "height": 800, "deviceScaleFactor": 1, "mobile": True}
    ready.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    try:
        boxes = ready.execute_script(
            "return ['.tools button', 'main'].map((all) => [...document.querySelectorAll(all)].map((each) => {"
            " const { top, height, right } = each.getBoundingClientRect(); return [top + height / 2, right]; }))"
        )
        tools, [(_, edge)] = boxes
        middles = [middle for middle, _ in tools]
        assert max(middles) - min(middles) < 3.0
        assert max(right for _, right in tools) <= edge, "within the margin of the page"
    finally:
        ready.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


def broken_rules(browser: Any) -> list[Any]:
    """By axe-core, a checker of the web content accessibility guidelines, of the page as it stands."""
    checker = (importlib.resources.files("axe_core_python") / "axe.min.js").read_text("utf-8")
    browser.execute_cdp_cmd("Runtime.evaluate", {"expression": checker})
    found = browser.execute_async_script("axe.run().then(arguments[0])")
    assert found["passes"]
    return [(each["id"], [node["html"] for node in each["nodes"]]) for each in found["violations"]]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1300, pytest.param(390, marks=pytest.mark.long)])
def test_rules_of_accessibility_hold(opened: Any, scheme: str, width: int) -> None:
    """With everything unfolded, at phone width too."""
    opened.execute_cdp_cmd(
        "Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
    )
    size = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500}
    opened.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    try:
        opened.execute_script("for (const each of document.querySelectorAll('details')) each.open = true;")
        assert broken_rules(opened) == []
    finally:
        opened.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


STATES = (
    ("played", "desk.toggle(); await new Promise((resolve) => setTimeout(resolve, 1500)); desk.toggle()"),
    ("changed", "desk.copy(); desk.use(1); desk.change([0], 'drive_db', 20, { type: 'number' })"),
    ("recorded", "desk.setRecording(true); desk.edit(desk.text + CURVE, 'curve'); desk.setRecording(false)"),
    ("off", "desk.change([0], 'bypass', true)"),
    ("typed wrong", "Object.assign(at('stage-1-weighted_flutter_percent-typed'), { value: '99' }).focus();"
     "at('stage-1-weighted_flutter_percent-typed').dispatchEvent(new Event('change'))"),
    ("saved wrong", "at('save').click(); at('save-name').value = 'Bad Name'; at('save-preset').click()"),
    ("text wrong", "at('save-dialog').close(); desk.edit(desk.text.replace('kind', 'kin'), 'wrong')"),
    ("blind", "desk.undo(); at('count').value = '5'; at('begin').click();"
     "while (at('hidden-run').hidden) await new Promise((resolve) => setTimeout(resolve, 50))"),
    ("told", "for (let trial = 0; trial < 5; trial += 1) at('answer-x').click()"),
)  # fmt: skip


@pytest.mark.long
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_rules_of_accessibility_hold_in_every_state(opened: Any, scheme: str) -> None:
    opened.execute_cdp_cmd(
        "Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
    )
    opened.execute_script("for (const each of document.querySelectorAll('details')) each.open = true;")
    curve = CURVE.format("mix_percent", "0.0", "1.0")
    for name, action in STATES:
        told = opened.execute_async_script(
            "const [CURVE, done] = arguments; const { desk } = window.tapeemuDesk;"
            "const at = (id) => document.getElementById(id);"
            f"(async () => {{ {action} }})().then(() => done(null), (error) => done(String(error)))",
            curve,
        )
        assert told is None, name
        assert broken_rules(opened) == [], name
    assert [entry["message"] for entry in opened.get_log("browser")] == []


def test_no_request_leaves_the_page(opened: Any) -> None:
    sent = [entry["message"] for entry in opened.get_log("performance") if "requestWillBeSent" in entry["message"]]
    assert sent
    assert not [each for each in sent if '"url":"http' in each.replace(" ", "")]


def test_a_slider_by_keys_by_typing_and_back_to_the_default(opened: Any) -> None:
    slider = element(opened, "stage-0-drive_db")
    assert slider.get_attribute("role") == "slider"
    assert slider.get_attribute("aria-valuetext") == "6 dB"
    slider.send_keys(Keys.ARROW_RIGHT)
    assert float(slider.get_attribute("aria-valuenow")) > 6.0
    slider.send_keys(Keys.END)
    assert slider.get_attribute("aria-valuetext") == "60 dB"
    assert "drive_db = 60.0 # by ear" in desk(opened, "desk.text")
    slider.send_keys(Keys.DELETE)
    assert "drive_db" not in desk(opened, "desk.text")
    assert slider.get_attribute("aria-valuetext") == "left out: 6 dB"
    typed = element(opened, "stage-1-weighted_flutter_percent-typed")
    typed.send_keys(Keys.CONTROL, "a")
    typed.send_keys("0,35", Keys.ENTER)
    assert "weighted_flutter_percent = 0.35" in desk(opened, "desk.text")
    typed.send_keys(Keys.CONTROL, "a")
    typed.send_keys("99", Keys.ENTER)
    assert typed.get_attribute("aria-invalid") == "true"
    assert "weighted_flutter_percent = 0.35" in desk(opened, "desk.text")


def test_a_stage_that_is_off_shows_what_it_would_be(opened: Any) -> None:
    """What follows from its settings was a dash while it was off."""
    opened.execute_script("window.tapeemuDesk.desk.change([0], 'drive_db', null)")
    opened.execute_script("window.tapeemuDesk.desk.change([0], 'bypass', true)")
    assert element(opened, "stage-0-drive_db").get_attribute("aria-valuetext") == "left out: 6 dB"
    assert desk(opened, "desk.setup.stages.length") == 1


def test_a_slider_follows_the_pointer(opened: Any) -> None:
    slider = element(opened, "stage-0-asymmetry_percent")
    box = slider.rect
    ActionChains(opened).move_to_element_with_offset(slider, int(box["width"] * 0.25), 0).click().perform()
    value = float(slider.get_attribute("aria-valuenow"))
    assert value == pytest.approx(30.0, abs=2.0)
    actions = ActionChains(opened).move_to_element_with_offset(slider, int(box["width"] * 0.25), 0)
    actions.click_and_hold().move_by_offset(-30, 0).release().perform()
    assert float(slider.get_attribute("aria-valuenow")) < value
    assert desk(opened, "desk.past.length") == 2
    ActionChains(opened).double_click(slider).perform()
    assert "asymmetry_percent" not in desk(opened, "desk.text")


def test_stages_move_and_everything_is_undone(opened: Any) -> None:
    element(opened, "stage-0-forth").click()
    text = desk(opened, "desk.text")
    assert text.index('name = "tape"') < text.index('name = "drive"')
    assert '# first the drive\n[[stages]]\nname = "drive"' in text  # comments go along
    element(opened, "stage-1-on").click()
    assert "bypass = true" in desk(opened, "desk.text")
    element(opened, "undo").click()
    element(opened, "undo").click()
    assert desk(opened, "desk.text") == PRESET
    element(opened, "redo").click()
    assert desk(opened, "desk.text") == text


def test_a_strip_is_dragged_by_the_mouse(opened: Any) -> None:
    """By input of the browser's own, which captures the pointer as a hand's does."""
    (x, y), (there, _) = opened.execute_script(
        "return [...document.querySelectorAll('.handle')].map((handle) => handle.getBoundingClientRect())"
        ".map((box) => [box.left + box.width / 2, box.top + box.height / 2])"
    )

    def mouse(kind: str, x: float, y: float, buttons: int) -> None:
        told = {"type": kind, "x": x, "y": y, "button": "left", "buttons": buttons, "clickCount": 1}
        opened.execute_cdp_cmd("Input.dispatchMouseEvent", told)

    mouse("mousePressed", x, y, 1)
    for share in (0.3, 0.7, 1.0):
        mouse("mouseMoved", x + share * (there - x), y, 1)
    mouse("mouseReleased", there, y, 0)
    assert desk(opened, "desk.document.root.stages.map((stage) => stage.values.name)") == ["tape", "drive"]
    assert desk(opened, "document.querySelectorAll('.dragged, .target').length") == 0


def test_a_strip_dragged_far_away_stays_in_the_window(opened: Any) -> None:
    """The page became as wide as the way of the pointer."""
    wide = opened.execute_script(
        "const handle = document.querySelector('.handle'); handle.setPointerCapture = () => {};"
        "const go = (name, x, y) => handle.dispatchEvent(new PointerEvent(name, { clientX: x, clientY: y }));"
        "const { x, y } = handle.getBoundingClientRect(); go('pointerdown', x, y); go('pointermove', 1e5, 1e5);"
        "const root = document.documentElement; const wide = root.scrollWidth - root.clientWidth;"
        "go('pointerup', 1e5, 1e5); return wide"
    )
    assert wide == 0
    assert desk(opened, "desk.document.root.stages.map((stage) => stage.values.name)") == ["tape", "drive"]


@pytest.mark.parametrize("ending", ["lostpointercapture", "Escape"])
def test_a_drag_that_is_broken_off_moves_no_stage(ready: Any, ending: str) -> None:
    """A cancelled one moved the stage all the same, and one that lost the pointer stuck to the page."""
    desk(ready, "desk.choosePreset(0)")
    text = desk(ready, "desk.text")
    stuck = ready.execute_script(
        "const handle = document.querySelector('.handle'); handle.setPointerCapture = () => {};"
        "const go = (name, x, y) => handle.dispatchEvent(new PointerEvent(name, { clientX: x, clientY: y }));"
        "const { x, y } = handle.getBoundingClientRect(); go('pointerdown', x, y); go('pointermove', 1e5, y);"
        "if (arguments[0] === 'Escape') document.body.dispatchEvent("
        "new KeyboardEvent('keydown', { key: 'Escape', bubbles: true }));"
        "else go(arguments[0], 1e5, y);"
        "go('pointermove', 1e5, y); const stuck = document.querySelectorAll('.dragged, .target').length;"
        "go('pointerup', 1e5, y); return stuck",
        ending,
    )
    assert stuck == 0
    assert desk(ready, "desk.text") == text


def test_a_finger_that_scrolls_the_page_sets_no_slider(ready: Any) -> None:
    """The browser takes the pointer away for the scroll; the slider took that for a choice of the place."""
    desk(ready, "desk.choosePreset(0)")
    text = desk(ready, "desk.text")
    ready.execute_script(
        "const groove = document.getElementById('stage-0-drive_db'); groove.setPointerCapture = () => {};"
        "const box = groove.getBoundingClientRect();"
        "const go = (name, x) => groove.dispatchEvent(new PointerEvent(name, { clientX: box.left + x }));"
        "go('pointerdown', 3); go('pointercancel', 3); go('lostpointercapture', 3);"
        "go('pointermove', 90); go('pointerup', 90)"
    )
    assert desk(ready, "desk.text") == text


def test_the_first_change_of_a_setting_moves_nothing_on_the_page(ready: Any) -> None:
    """The word that says so pushed all strips down, under the pointer that dragged."""
    top, changed = ready.execute_script(
        "const { desk } = window.tapeemuDesk; desk.choosePreset(0);"
        "const top = () => document.getElementById('strips').getBoundingClientRect().top + scrollY;"
        "const before = top(); desk.change([0], 'bypass', true);"
        "return [top() - before, document.body.classList.contains('changed')]"
    )
    assert changed
    assert top == 0


def test_stages_taken_out_and_added_are_told_of_and_the_hand_goes_on(ready: Any) -> None:
    """Nothing was said, the focus was lost, and what came was below the window."""
    desk(ready, "desk.choosePreset(0)")
    for number, (focused, name) in enumerate([("stage-0-on", "drive"), ("add", "tape")]):
        ready.execute_script(
            "const more = document.querySelector('#strips .strip .more'); more.open = true;"
            "more.querySelector(':scope > button').click()"
        )
        assert element(ready, "message").text == f"{name} is taken out; undo brings it back"
        assert ready.switch_to.active_element.get_attribute("id") == focused, number
    ready.execute_script("scrollTo(0, 0); window.tapeemuDesk.desk.undo()")
    assert element(ready, "message").text == ""
    ready.execute_script("scrollTo(0, 0); window.tapeemuDesk.desk.add('tape_noise')")
    box = "const box = document.getElementById('strips').lastElementChild.getBoundingClientRect();"
    assert ready.execute_script(f"{box} return box.top >= 0 && box.bottom <= innerHeight + 1")
    assert element(ready, "message").text == "tape noise is stage 2, behind all others"


def test_fields_of_the_part_take_nothing_for_the_edge_and_refuse_words(ready: Any) -> None:
    """An emptied end became a tenth of a second, and a word the whole song, without a sentence."""

    def typed(name: str, text: str) -> list[float]:
        ready.execute_script(
            "const field = document.getElementById(arguments[0]); field.value = arguments[1];"
            "field.dispatchEvent(new Event('change'))",
            name,
            text,
        )
        return list(desk(ready, "desk.sound.loop"))

    desk(ready, "desk.setPart(0, desk.sound.seconds)")
    assert typed("to", "0,5") == [0.0, 0.5]
    assert typed("from", "soon") == [0.0, 0.5]
    assert ready.execute_script("return document.getElementById('from').value") == "0.00"
    said = "return document.getElementById('message').textContent"
    assert ready.execute_script(said) == "The part to repeat is given in seconds, such as 2.5."
    assert typed("to", " ") == [0.0, desk(ready, "desk.sound.seconds")]
    assert ready.execute_script(said) == ""


def test_enter_in_the_dialog_saves_and_what_went_well_is_not_shown_as_a_mistake(opened: Any) -> None:
    """It closed the dialog, and nothing was saved."""
    opened.execute_script("HTMLAnchorElement.prototype.click = () => {}")  # no file is written
    element(opened, "save").click()
    for name, told in (
        ("By Enter", "A name is lower-case words and numbers joined by hyphens."),
        ("by-enter", "Saved as by-enter.toml"),
    ):
        opened.execute_script("document.getElementById('save-name').value = ''")
        opened.find_element("id", "save-name").send_keys(name, Keys.ENTER)
        message = opened.find_element("id", "save-message")
        assert message.text == told
        assert ("mistake" in message.get_attribute("class")) == (name == "By Enter")
    assert desk(opened, "desk.names[0]") == "by-enter"
    assert opened.execute_script("return document.getElementById('save-dialog').open")


def test_sound_that_breaks_up_is_told_of_and_taken_back(opened: Any) -> None:
    """With the browser's count of underruns made up: more in three looks in a row, then no more."""
    shown = opened.execute_script(
        "const { desk } = window.tapeemuDesk; const playbackStats = { underrunEvents: 0 };"
        "desk.sound.context = { playbackStats };"
        "return [0, 1, 2, 3, 3].map((count) => {"
        "  playbackStats.underrunEvents = count; if (desk.load) desk.load.time = -Infinity; desk.watchLoad();"
        "  return !document.getElementById('load-note').hidden; })"
    )
    assert shown == [False, False, False, True, False]
    # Half of the sound is missing, at once.
    assert opened.execute_script(
        "const { desk } = window.tapeemuDesk; desk.sound.context.playbackStats.underrunEvents = 9;"
        "Object.assign(desk.load, { time: performance.now() - 4000, played: 10 });"
        "desk.sound.context.currentTime = 12; desk.watchLoad();"
        "return !document.getElementById('load-note').hidden"
    )


def test_what_was_typed_wrong_is_told_in_a_sentence_and_taken_back(opened: Any) -> None:
    """Escape left it standing, and it stayed marked after an undo."""
    typed = element(opened, "stage-0-drive_db-typed")
    told = opened.execute_script("return arguments[0].closest('.setting').querySelector('[role=alert]')", typed)
    for undone in (False, True):
        element(opened, "stage-0-asymmetry_percent").send_keys(Keys.ARROW_RIGHT)
        typed.send_keys(Keys.CONTROL, "a")
        typed.send_keys("99", Keys.ENTER)
        assert told.text == "Drive must be \u221240 to 60 dB."
        assert typed.get_attribute("aria-invalid") == "true"
        if undone:
            opened.execute_script("document.activeElement.blur(); window.tapeemuDesk.desk.undo()")
        else:
            typed.send_keys(Keys.ESCAPE)
            assert opened.switch_to.active_element == element(opened, "stage-0-drive_db")
        assert typed.get_attribute("value") == "6"
        assert typed.get_attribute("aria-invalid") is None
        assert told.text == ""
    # What is shown is shorter than what is set, and confirming it changes nothing.
    opened.execute_script(
        "window.tapeemuDesk.desk.edit(window.tapeemuDesk.desk.text.replace('= 6.0', '= 6.12345'), 't')"
    )
    typed.send_keys(Keys.ENTER)
    assert typed.get_attribute("value") == "6.12"
    assert "drive_db = 6.12345" in desk(opened, "desk.text")


ACTIONS = (
    ("a copy", "desk.copy()"),
    ("a slider", "desk.change([0], 'drive_db', 9, { type: 'number' })"),
    ("a switch", "desk.change([0], 'bypass', true)"),
    ("back to the default", "desk.change([0], 'drive_db', null)"),
    ("a move", "desk.move([0], 1)"),
    ("a stage taken out", "desk.remove([0])"),
    ("a stage more", "desk.add('tape_noise')"),
    ("the text", "desk.edit(desk.text.replace('format = 1', 'format = 1 # one'), 'text')"),
    (
        "a curve",
        "desk.edit(new PresetText(desk.text).withCurve([0], 'drive_db', [{ seconds: 1, value: 2 }]), 'r')",
    ),
    ("a curve taken out", "desk.forget([0], 'drive_db')"),
    (
        "a stem's level",
        "document.getElementById('stem-1-level').dispatchEvent(new KeyboardEvent('keydown', { key: 'Home' }))",
    ),
    (
        "a stem's place",
        "document.getElementById('stem-0-place').dispatchEvent(new KeyboardEvent('keydown', { key: 'End' }))",
    ),
    ("a stem's default", "document.getElementById('stem-1-level').dispatchEvent(new MouseEvent('dblclick'))"),
    ("a silent stem", "document.getElementById('stem-1-silent').click()"),
    ("a stem alone", "document.getElementById('stem-0-alone').click()"),
    ("a preset", "desk.choosePreset(2)"),
    ("a part to repeat", "desk.setPart(0.25, 0.75)"),
    ("the whole", "document.getElementById('whole').click()"),
    (
        "the volume",
        "const volume = document.getElementById('volume');"
        "volume.value = '-31'; volume.dispatchEvent(new Event('input'))",
    ),
    ("a stem more", "await desk.takeStem(new File([new Uint8Array(ONE_STEM)], 'more.wav'))"),
    (
        "the stem's level",
        "document.getElementById('stem-2-level').dispatchEvent(new KeyboardEvent('keydown', { key: 'Home' }))",
    ),
)


def test_every_action_is_undone_and_done_again(opened: Any) -> None:
    """One after the other, from the first to the last and back; what is shown follows."""
    state = (
        "JSON.stringify([desk.state(), [...document.querySelectorAll("
        "'#stems [aria-pressed], #stems .groove, #volume, #from, #to')].map((each) =>"
        " each.getAttribute('aria-pressed') ?? each.getAttribute('aria-valuetext') ?? each.value),"
        " desk.sound.stems.map((stem) => [stem.length, stem[0].length]), desk.sound.seconds])"
    )
    opened.execute_script("window.tapeemuDesk.desk.texts[1] += '# another\\n'")
    file = io.BytesIO()
    soundfile.write(file, np.full(2_000, 0.1), RATE, subtype="PCM_16", format="WAV")
    one_stem = list(file.getvalue())
    came = [desk(opened, state)]
    assert not element(opened, "undo").is_enabled()
    for name, action in ACTIONS:
        opened.execute_async_script(
            f"const {{ desk, PresetText }} = window.tapeemuDesk; const ONE_STEM = {one_stem};"
            f"(async () => {{ {action}; desk.pause(''); }})().then(arguments[0])"
        )
        came.append(desk(opened, state))
        assert came[-1] != came[-2], name
        assert element(opened, "undo").is_enabled(), name
    for (name, _), before in zip(reversed(ACTIONS), reversed(came[:-1]), strict=True):
        element(opened, "undo").click()
        assert desk(opened, state) == before, name
    assert not element(opened, "undo").is_enabled()
    for (name, _), after in zip(ACTIONS, came[1:], strict=True):
        element(opened, "redo").click()
        assert desk(opened, state) == after, name
    assert opened.get_log("browser") == []


def test_what_cannot_sound_is_not_rendered_and_told_where_one_looks(opened: Any, page: Path) -> None:
    """Files of the last text that was right were saved; a fault of a text in the address was told nowhere."""
    wrong = PRESET.replace("drive_db = 6.0", "drive_db = 600.0")
    told = "Line 9: drive_db is 600, but must be \u221240 to 60 dB"
    opened.execute_script("window.tapeemuDesk.desk.edit(arguments[0], 'wrong')", wrong)
    element(opened, "save").click()
    element(opened, "save-files").click()
    until(lambda: element(opened, "save-message").text, "it is told")
    assert element(opened, "save-message").text == told
    packed = base64.urlsafe_b64encode(wrong.encode()).decode().rstrip("=")
    opened.get("about:blank")
    opened.get(page.as_uri() + f"#preset={packed}")
    until(lambda: opened.execute_script("return document.body.classList.contains('ready')"), "the desk is ready")
    assert element(opened, "message").text == f"{told}."


@pytest.mark.long
def test_a_page_that_was_in_the_background_goes_on(opened: Any) -> None:
    element(opened, "play").click()
    until(lambda: desk(opened, "desk.sound.place > 0.3"), "it plays")
    here = opened.current_window_handle
    opened.switch_to.new_window("tab")
    other = opened.current_window_handle
    opened.get("about:blank")
    time.sleep(3.0)
    opened.switch_to.window(here)
    points = "desk.thread.points.length"
    before = desk(opened, points)
    until(lambda: desk(opened, f"desk.frame !== null && {points}") > before, "it is drawn again")
    assert desk(opened, "desk.sound.playing && desk.meters.outPeak > 0.05")
    opened.switch_to.window(other)
    opened.close()
    opened.switch_to.window(here)
    element(opened, "play").click()
    assert opened.get_log("browser") == []


def test_what_is_set_removes_what_would_contradict_it(opened: Any) -> None:
    element(opened, "stage-0-thd_percent").send_keys(Keys.ARROW_RIGHT)
    text = desk(opened, "desk.text")
    assert "drive_db" not in text
    assert "thd_percent = " in text
    assert desk(opened, "desk.mistake") is None


def test_text_and_strips_are_one_and_mistakes_are_told_at_the_line(opened: Any) -> None:
    opened.execute_script("document.getElementById('text-fold').open = true")
    area = element(opened, "text")
    opened.execute_script(
        "arguments[0].value = arguments[1]; arguments[0].dispatchEvent(new Event('input'))",
        area,
        PRESET.replace("drive_db = 6.0", "drive_db = 600.0"),
    )
    assert element(opened, "text-mistake").text == "Line 9: drive_db is 600, but must be -40 to 60 dB".replace(
        "-", "\u2212"
    )
    opened.execute_script(
        "arguments[0].value = arguments[1]; arguments[0].dispatchEvent(new Event('input'))",
        area,
        PRESET.replace("drive_db = 6.0", "drive_db = 12.0"),
    )
    assert element(opened, "text-mistake").text == ""
    assert element(opened, "stage-0-drive_db").get_attribute("aria-valuetext") == "12 dB"


def test_two_settings_are_kept_apart_and_copied(opened: Any) -> None:
    element(opened, "use-b").click()
    element(opened, "stage-0-drive_db").send_keys(Keys.END)
    element(opened, "use-a").click()
    assert desk(opened, "desk.text") == PRESET
    element(opened, "use-b").click()
    assert "drive_db = 60.0" in desk(opened, "desk.text")
    element(opened, "copy").click()
    element(opened, "use-a").click()
    assert "drive_db = 60.0" in desk(opened, "desk.text")


def processed(path: Path, preset: Path, out: Path, **environment: str) -> np.ndarray:
    command = ["process", str(path), "--preset", str(preset), "--out", str(out), "--depth", "float"]
    subprocess.run(
        [sys.executable, "-m", "tapeemu", *command],
        check=True,
        env={**os.environ, **environment},
        capture_output=True,
    )
    return np.asarray(soundfile.read(out / path.name, dtype="float32", always_2d=True)[0].T)


def test_a_render_is_the_bits_of_the_command(browser: Any, tmp_path: Path) -> None:
    # Plain Python: nothing needs compiling for so few samples.
    text = PRESET.split("\n# then")[0]
    source, preset = stem(tmp_path, 96, channels=1), tmp_path / "short.toml"
    preset.write_text(text, "utf-8")
    page = write_page(read_stems([source]), parse_preset(text, name="short"), tmp_path / "short.html")
    browser.get(page.as_uri())
    until(lambda: browser.execute_script("return document.body.classList.contains('ready')"), "the desk is ready")
    here = rendered(browser, 0)
    there = processed(source, preset, tmp_path / "out", NUMBA_DISABLE_JIT="1")
    assert np.max(np.abs(here)) > 0.01
    assert np.array_equal(here, there)


def test_what_is_heard_is_what_is_rendered_and_at_its_place(browser: Any, tmp_path: Path) -> None:
    source = stem(tmp_path, 2 * RATE)
    page_of(browser, tmp_path, PRESET, [source])
    file = rendered(browser, 0).astype(np.float64)
    heard = played(browser, 1.5, [])
    # The place of the best match tells how late the player is.
    middle = file[0, 24_000:48_000]
    lags = np.arange(0, 20_000)
    spectrum = np.fft.rfft(heard[0], 131_072) * np.conj(np.fft.rfft(middle, 131_072))
    latency = int(np.argmax(np.fft.irfft(spectrum)[24_000 + lags]))
    error = heard[:, latency : 48_000 + latency] - file[:, :48_000]  # from the very first sample on
    assert 20 * np.log10(np.max(np.abs(error)) / np.max(np.abs(file))) < -90.0  # single against double precision


LOW = """format = 1
purpose = "Heard while it changes."

[[stages]]
kind = "preamp_drive"
drive_db = 0.0

[[stages]]
kind = "fdn_reverb"
decay_seconds = 0.5
wet_percent = 20.0
"""


# The player's own process function, called with as many frames as told; messages come at places of its clock.
# Of each size of quantum, for each channel of its three outputs: where bits first differ, and the highest sample.
QUANTA = """
const [texts, quanta, frames] = arguments[0];
const { desk, data, PresetText, setupOf } = window.tapeemuDesk;
const { sound } = desk;
const setups = texts.map((text) => setupOf(new PresetText(text).root.stages));
class AudioWorkletProcessor { constructor() { this.port = { postMessage: (message) => sound.hear(message) }; } }
const [sampleRate, currentTime] = [data.rate, 0];
let Player = null;
const registerProcessor = (name, made) => { Player = made; };
(() => { WORKLET })();
const steps = [
  [0, () => { sound.take(setups[0]); sound.send({ type: "play", on: true }); }],
  [4096, () => sound.send({ type: "twin", ...sound.chainsOf(sound.taken) })],
  [6400, () => sound.take(setups[1])], // moved in the chain that plays
  [7680, () => sound.take(setups[2])], // made anew, later: noise and a tail are left behind
  [17920, () => sound.send({ type: "loop", loop: [0.1, 0.45] })],
  [24320, () => sound.go(0.44)], // 480 samples before the end of the loop, in silence from 25856 on
  [26300, () => sound.take(setups[3])], // later again: begins at that end
  [29440, () => sound.setDry(true)],
  [30720, () => { sound.setDry(false); sound.setMatch(-3); sound.take(setups[0]); }],
  [33280, () => sound.send({ type: "play", on: false })],
  [35840, () => sound.send({ type: "play", on: true })],
];
const heard = quanta.map((quantum) => {
  sound.busySlots.clear();
  Object.assign(sound, { taken: null, waiting: false, wanted: null, number: 0, onMeters: () => {} });
  const { pointers, audio, lives, first } = sound.engine;
  const processorOptions = { module: sound.module, layout: { pointers, audio, lives, first }, stems: sound.stems };
  const player = new Player({ processorOptions });
  sound.node = { port: { postMessage: (message) => player.hear(message) } };
  sound.sendMix();
  const all = Array.from({ length: 6 }, () => new Float32Array(frames));
  const left = [...steps];
  let at = 0;
  while (at < frames) {
    while (left.length && left[0][0] <= at) left.shift()[1]();
    const count = Math.min(quantum, (left[0]?.[0] ?? frames) - at);
    const out = [0, 1, 2].map(() => [new Float32Array(count), new Float32Array(count)]);
    player.process([], out);
    out.flat().forEach((samples, row) => all[row].set(samples, at));
    at += count;
  }
  clearTimeout(sound.twinTimer);
  sound.node = null;
  return all;
});
const most = (samples) => samples.reduce((least, value) => Math.max(least, Math.abs(value)), 0);
return heard.map((all) => all.map((samples, row) => {
  const bits = new Int32Array(samples.buffer);
  const other = new Int32Array(heard[0][row].buffer);
  return [bits.findIndex((value, i) => value !== other[i]), most(samples)];
}));
"""
HISSING = LOW + '\n[[stages]]\nkind = "tape_noise"\nhiss_db = -40.0\n'
RESPONSE = """
[[stages]]
kind = "tape_response"

[[stages.automation]]
setting = "mix_percent"
points = [{ seconds = 0.0, value = 100.0 }, { seconds = 0.6, value = 20.0 }]
"""
PLAYED_BY_QUANTA = (
    HISSING,
    HISSING.replace("wet_percent = 20.0", "wet_percent = 70.0"),
    HISSING + RESPONSE,
    LOW + 2 * RESPONSE,
)


@pytest.mark.long
def test_any_quantum_gives_the_same_bits(opened: Any) -> None:
    """Web Audio 1.1 lets a context ask for other quanta than 128 frames (renderSizeHint).

    In a player's life: chains come, move, change lanes and follow curves, a tail, noise, a loop, a jump, a pause.
    """
    quanta = [128, 1, 64, 127, 256, 1000, 2048, 48_000]
    worklet = opened.execute_script("return window.tapeemuDesk.data.worklet")
    script = QUANTA.replace("WORKLET", worklet)
    found = opened.execute_script(script, [PLAYED_BY_QUANTA, quanta, 60_000])
    for quantum, rows in zip(quanta, found, strict=True):
        assert all(first == -1 for first, _ in rows), (quantum, rows)
        assert all(most > 0.01 for _, most in rows)


def above_8_khz_db(heard: np.ndarray) -> float:
    """Highest level above 8 kHz of short stretches: 20 harmonics of 100 Hz leave nothing there, clicks do."""
    window = np.kaiser(4096, 20.0)
    frames = np.stack([heard[at : at + 4096] * window for at in range(0, heard.size - 4096, 1024)])
    spectra = np.abs(np.fft.rfft(frames)) / np.sum(window) * 2.0
    above = spectra[:, int(8_000 * 4096 / RATE) :]
    return float(20 * np.log10(np.max(np.sqrt(np.sum(above**2, axis=1)))))


NUMBER = {"type": "number"}
MOVED = (
    (0.9, "count"),
    (1.0, "change", [0], "drive_db", 8.0, NUMBER),
    (1.1, "change", [1], "wet_percent", 60.0, NUMBER),
    (1.2, "change", [0], "drive_db", 2.0, NUMBER),
    (1.3, "count"),
)
MADE_ANEW = (
    (1.4, "change", [1], "pre_delay_seconds", 0.1, NUMBER),
    (1.8, "add", "tape_response"),  # 0.15 s later than anything before
)
MORE = (
    (2.5, "change", [0], "drive_db", 20.0, NUMBER),  # at twice the rate
    (3.0, "change", [0], "bypass", True),
    (3.5, "change", [0], "bypass", None),
    (4.0, "add", "wow_flutter"),
    (4.5, "change", [3], "weighted_flutter_percent", 1.0, NUMBER),
    (5.0, "setDry", True),
)


@pytest.mark.parametrize(
    ("seconds", "steps"),
    [(2.3, MOVED + MADE_ANEW), pytest.param(5.5, MOVED + MADE_ANEW + MORE, marks=pytest.mark.long)],
)
def test_no_change_of_a_setting_clicks(
    browser: Any, tmp_path: Path, seconds: float, steps: tuple[tuple[Any, ...], ...]
) -> None:
    path = tmp_path / "low.wav"
    soundfile.write(path, 0.1 * np.sin(2 * np.pi * 100.0 * np.arange(6 * RATE) / RATE), RATE, subtype="FLOAT")
    page_of(browser, tmp_path, LOW, [path])
    heard = played(browser, seconds, list(steps))[0, RATE // 2 :]
    assert np.max(np.abs(heard)) > 0.05
    assert above_8_khz_db(heard) < -100.0
    first, last = desk(browser, "desk.counts")
    assert first == last, "settings that move are moved in the chain that plays"
    assert desk(browser, "desk.sound.number") >= last + 2


@pytest.mark.long
def test_a_change_to_a_later_chain_is_not_silent_and_tails_are_kept(browser: Any, tmp_path: Path) -> None:
    """Steady noise stays as loud while a later stage comes in; a tail that the new chain never heard is there."""
    path = tmp_path / "noise.wav"
    noise = 0.1 * np.random.default_rng(5).standard_normal(4 * RATE)
    noise[int(1.52 * RATE) :] = 0.0
    soundfile.write(path, noise, RATE, subtype="FLOAT")
    text = LOW.replace("wet_percent = 20.0", "wet_percent = 50.0").replace("= 0.5", "= 2.0")
    page_of(browser, tmp_path, text, [path])
    change = [(1.0, "add", "tape_response"), (1.5, "add", "tape_response")]  # each is 0.15 s late
    level = played(browser, 3.5, change)[0].reshape(-1, RATE // 100)
    level_db = 10 * np.log10(np.mean(level**2, axis=1))
    steady = level_db[70:95].mean()
    assert np.all(np.abs(level_db[100:145] - steady) < 4.0)
    # 60 dB in 2 s, from the level of the reverberant half of the sound on.
    tail = level_db[180:330]
    slope = np.polyfit(np.arange(tail.size) / 100.0, tail, 1)
    assert slope[0] == pytest.approx(-30.0, abs=6.0)
    assert slope[1] == pytest.approx(steady - 3.0 - 0.2 * 30.0, abs=4.0)
    assert np.max(np.abs(tail - np.polyval(slope, np.arange(tail.size) / 100.0))) < 5.0


CURVE = """
[[stages.automation]]
setting = "{}"
points = [{{ seconds = 0.0, value = {} }}, {{ seconds = 1.0, value = {} }}]
"""

HISSING = """format = 1
purpose = "A hall behind hiss."

[[stages]]
kind = "wow_flutter"

[[stages]]
kind = "tape_noise"
hiss_db = -40.0

[[stages]]
kind = "fdn_reverb"
decay_seconds = 2.0
wet_percent = 50.0

[[stages]]
kind = "tape_noise"
hiss_db = -46.0
seed = 2
"""


def following(setting: str, value: float, by: float = 9.0) -> str:
    """The hall behind hiss, with a curve of the first hiss that has come up to a value after a second."""
    return HISSING.replace("hiss_db = -40.0\n", "hiss_db = -40.0\n" + CURVE.format(setting, value - by, value))


def levels_of(
    browser: Any, folder: Path, text: str, path: Path, steps: list[tuple[Any, ...]], per_second: int = 20
) -> np.ndarray:
    """Levels in dB of 3 s in stretches, of what is heard of a chain while it changes."""
    page_of(browser, folder, text, [path])
    rows = played(browser, 3.0, steps)[0].reshape(-1, RATE // per_second)
    return np.asarray(10 * np.log10(np.mean(rows**2, axis=1) + 1e-20))


def a_noise_that_ends(seconds: float, seed: int) -> np.ndarray:
    noise = 0.1 * np.random.default_rng(seed).standard_normal(5 * RATE)
    noise[int(seconds * RATE) :] = 0.0
    return noise


@pytest.mark.long
@pytest.mark.parametrize(
    ("text", "moved"),
    [
        (HISSING, ()),
        (HISSING, ((0.2, "change", [1], "hiss_db", -43.0, NUMBER),)),
        (following("hiss_db", -43.0), ()),
        (following("reference_level_dbfs", -21.0), ()),
    ],
    ids=["still", "moved", "curve", "reference on a curve"],
)
def test_a_later_chain_leaves_the_tail_of_one_that_hisses(
    browser: Any, tmp_path: Path, text: str, moved: tuple[tuple[Any, ...], ...]
) -> None:
    """The tail ended with the hiss of its chain. It falls as it would have; hiss goes over without hole or swell.

    The stage that comes in is flat to half a decibel; 50 ms of noise scatter by 0.2 dB, of a tail by more.
    """
    path = tmp_path / "noise.wav"
    noise = a_noise_that_ends(1.52, 6)
    for sound, most_db in ((noise, 3.0), (0.0 * noise, 1.0)):
        soundfile.write(path, sound, RATE, subtype="FLOAT")
        changes = ([*moved], [*moved, (1.5, "add", "tape_response")])
        levels = [levels_of(browser, tmp_path, text, path, steps) for steps in changes]
        assert np.max(np.abs(levels[1] - levels[0])[8:]) < most_db
    assert browser.get_log("browser") == []


@pytest.mark.long
def test_hiss_that_came_up_on_a_curve_goes_over_without_a_hole(browser: Any, tmp_path: Path) -> None:
    """It fell back to the 30 dB less that its chain was made with, for the 30 ms of the change: a hole of 3.7 dB.

    Stretches of 10 ms scatter by 1.4 dB.
    """
    path = tmp_path / "silence.wav"
    soundfile.write(path, np.zeros(5 * RATE), RATE, subtype="FLOAT")
    text = following("reference_level_dbfs", -9.0, by=30.0)
    changes: tuple[list[tuple[Any, ...]], ...] = ([], [(1.5, "add", "tape_response")])
    levels = [levels_of(browser, tmp_path, text, path, steps, per_second=100) for steps in changes]
    change = levels[1] - levels[0]
    assert np.max(np.abs(change[160:])) > 0.1  # the other chain is heard
    assert np.min(change[40:]) > -2.5


HALL_AND_DRIVE = """format = 1
purpose = "A hall whose tail stands alone while it changes place with a drive."

[[stages]]
kind = "{}"

[[stages]]
kind = "{}"

[[stages]]
kind = "tape_noise"
hiss_db = {}
"""


@pytest.mark.long
@pytest.mark.parametrize("order", [("fdn_reverb", "preamp_drive"), ("preamp_drive", "fdn_reverb")])
@pytest.mark.parametrize("hiss", [-90.0, -40.0])
def test_a_lone_tail_rings_on_through_a_change_of_places(
    browser: Any, tmp_path: Path, order: tuple[str, str], hiss: float
) -> None:
    """It was faded in a quarter of a second. Neither it nor steady sound swells beside what it would have been."""
    path = tmp_path / "noise.wav"
    text = HALL_AND_DRIVE.format(*order, hiss)
    for end in (1.0, 5.0):
        soundfile.write(path, a_noise_that_ends(end, 7), RATE, subtype="FLOAT")
        changes: tuple[list[tuple[Any, ...]], ...] = ([], [(1.2, "move", [0], 1)])
        levels = [levels_of(browser, tmp_path, text, path, steps) for steps in changes]
        assert np.max(np.abs(levels[1] - levels[0])[20:]) < 2.0
    assert browser.get_log("browser") == []


MOVING = LOW.replace(
    "drive_db = 0.0\n",
    """drive_db = 0.0

[[stages.automation]]
setting = "drive_db"
points = [
    { seconds = 0.004, value = 2.0 },
    { seconds = 0.1, value = 9.0, shape = "smooth" },
    { seconds = 0.2, value = 1.0, shape = "hold" },
    { seconds = 0.25, value = 12.0 },
    { seconds = 0.3, value = 3.0 },
]
""",
)


def test_curves_are_rendered_and_played_as_in_python(browser: Any, tmp_path: Path) -> None:
    """A drive that moves through its soft and its strong form, from before the first sample on."""
    source = stem(tmp_path, RATE // 2)
    text = MOVING[: MOVING.index('\n[[stages]]\nkind = "fdn_reverb"')]
    page_of(browser, tmp_path, text, [source])
    here = rendered(browser, 0).astype(np.float64)
    audio = soundfile.read(source, dtype="float64", always_2d=True)[0].T
    there = parse_preset(text, name="moving").chain(audio, sample_rate=RATE)
    assert here.shape[1] >= audio.shape[1]
    error = here[:, : there.shape[1]] - there[:, : here.shape[1]]
    assert 20 * np.log10(np.max(np.abs(error)) / np.max(np.abs(there))) < -130.0
    heard = played(browser, 0.5, [])
    late = int(browser.execute_script("return Math.round(window.tapeemuDesk.desk.meters.late * 48000)"))
    part = slice(2_400, heard.shape[1] - late - RATE // 50)  # the end of the loop goes over into its beginning
    error = heard[:, late:][:, part] - here[:, part]
    assert 20 * np.log10(np.max(np.abs(error)) / np.max(np.abs(there))) < -80.0


def test_moves_of_a_slider_are_recorded_into_the_preset(opened: Any) -> None:
    element(opened, "play").click()
    element(opened, "record").click()
    until(lambda: desk(opened, "desk.sound.place > 0.2"), "it plays")
    slider = element(opened, "stage-0-drive_db")
    slider.send_keys(Keys.PAGE_UP, Keys.PAGE_UP, Keys.PAGE_UP)
    number = desk(opened, "desk.sound.number")
    until(lambda: desk(opened, "desk.recording.hand === null"), "the moves are written")
    assert desk(opened, "desk.sound.number") <= number + 1
    element(opened, "record").click()
    element(opened, "play").click()
    text = desk(opened, "desk.text")
    assert "drive_db = 6.0 # by ear" in text  # what it is without the curve
    [curve] = parse_preset(text, name="recorded").chain.stages[0].automation
    assert curve.setting == "drive_db"
    assert curve.points[0].value == pytest.approx(6.0, abs=0.1)
    assert curve.points[-1].value == pytest.approx(36.0, abs=0.5)
    assert all(0.0 <= point.seconds <= 2.5 for point in curve.points)
    told = element(opened, "stage-0-drive_db").find_element(By.XPATH, "..").text
    assert f"moves by {len(curve.points)} points, 0:0" in told
    element(opened, "undo").click()
    assert desk(opened, "desk.text") == PRESET
    element(opened, "redo").click()
    assert desk(opened, "desk.text") == text
    opened.execute_script("document.querySelector('.course:not([hidden]) button').click()")
    assert desk(opened, "desk.text") == PRESET


def value_of(slider: Any) -> float:
    return float(slider.get_attribute("aria-valuenow"))


def test_a_drag_is_fine_with_shift(opened: Any) -> None:
    slider = element(opened, "stage-0-asymmetry_percent")
    begun = value_of(slider)
    ActionChains(opened).click_and_hold(slider).move_by_offset(60, 0).release().perform()
    coarse = value_of(slider) - begun
    opened.execute_script("window.tapeemuDesk.desk.undo()")
    assert value_of(slider) == begun
    actions = ActionChains(opened).key_down(Keys.SHIFT).click_and_hold(slider).move_by_offset(60, 0)
    actions.release().key_up(Keys.SHIFT).perform()
    fine = value_of(slider) - begun
    assert coarse > 5.0
    assert fine == pytest.approx(coarse / 10.0, abs=0.3)


def test_a_slider_follows_a_finger(opened: Any) -> None:
    slider = element(opened, "stage-0-asymmetry_percent")
    box = opened.execute_script(
        "const r = arguments[0].getBoundingClientRect(); return [r.x, r.y, r.width, r.height]", slider
    )
    x, y = box[0] + box[2] / 2, box[1] + box[3] / 2
    for kind, at in (("touchStart", x), ("touchMove", x + 20), ("touchMove", x + 50), ("touchEnd", None)):
        points = [] if at is None else [{"x": at, "y": y}]
        opened.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
    assert value_of(slider) == pytest.approx(120.0 * 50.0 / box[2], abs=120.0 * 25.0 / box[2])
    assert "asymmetry_percent" in desk(opened, "desk.text")
    assert desk(opened, "desk.past.length") == 1


def test_a_link_carries_the_settings(opened: Any, page: Path) -> None:
    element(opened, "stage-0-drive_db").send_keys(Keys.END)
    text = desk(opened, "desk.text")
    element(opened, "link").click()
    address = opened.execute_script("return location.href")
    opened.get("about:blank")
    opened.get(address)
    until(lambda: opened.execute_script("return document.body.classList.contains('ready')"), "the desk is ready")
    assert desk(opened, "desk.text") == text
    assert element(opened, "stage-0-drive_db").get_attribute("aria-valuetext") == "60 dB"
    opened.get(page.as_uri() + "#preset=AAAA_wrong")
    opened.refresh()
    until(lambda: opened.execute_script("return document.body.classList.contains('ready')"), "the desk is ready")
    assert element(opened, "message").text == "The settings in the address of this page cannot be read."
    assert desk(opened, "desk.text") == PRESET


TRACKED = """
const { desk, setupOf, PresetText, Engine } = window.tapeemuDesk;
const { engine } = desk.sound;
const setup = setupOf(new PresetText(arguments[0]).root.stages);
const made = (track) => {
  const bytes = engine.create(setup, { rate: 48000, channels: 2, track }, engine.first);
  return [bytes, () => new Uint8Array(engine.copy(engine.first, bytes))];
};
const [, third] = made(3);
const wanted = third();
const [, copied] = made(0);
const before = copied();
engine.retrack(engine.first, setup, 3);
const found = copied();
return [before, found].map((each) => each.filter((byte, index) => byte !== wanted[index]).length);
"""


def test_a_chain_is_put_on_another_track_as_if_it_were_made_there(ready: Any) -> None:
    """To the byte: noise, a worn splice, and a skewed tape that stands still beside its mix at another speed."""
    text = """format = 1

[[stages]]
kind = "tape_noise"
modulation_noise_db = -50.0

[[stages]]
kind = "fdn_reverb"

[[stages]]
kind = "splices"
splices = [{ at_seconds = 1.0 }]

[[stages]]
kind = "wow_flutter"
track_skew_us = 20.0
speed_error_percent = 1.0
mix_percent = 50.0
"""
    apart, left = ready.execute_script(TRACKED, text)
    assert apart > 0
    assert left == 0


DROP = """
const [name, text, type] = arguments;
const files = new DataTransfer();
files.items.add(new File([text], name, { type }));
document.body.dispatchEvent(new DragEvent("drop", { dataTransfer: files, bubbles: true, cancelable: true }));
"""


WRONG_FILES = (
    ("notes.txt", "no sound", "notes.txt is no sound that this browser can read; WAV and FLAC always work."),
    ("empty.wav", "", "empty.wav is no sound that this browser can read; WAV and FLAC always work."),
    ("bad.toml", "format = 1\npurpose = ", "bad.toml is no preset for this page: line 2: a value is missing."),
    (
        "none.toml",
        "format = 1\n",
        "none.toml is no preset for this page: line 1: a chain needs one or more [[stages]].",
    ),
    (
        "far.toml",
        'format = 1\n[[stages]]\nkind = "preamp_drive"\ndrive_db = 99\n',
        "far.toml is no preset for this page: line 4: drive_db is 99, but must be \u221240 to 60 dB.",
    ),
)
"""Name, content and what the page says."""


def test_wrong_files_are_told_in_a_sentence(opened: Any) -> None:
    before = desk(opened, "desk.text")
    for name, content, told in WRONG_FILES:
        opened.execute_script("document.getElementById('message').textContent = ''")
        opened.execute_script(DROP, name, content, "")
        until(lambda: element(opened, "message").text, "the page says something")
        assert element(opened, "message").text == told
        assert desk(opened, "desk.text") == before


def test_a_track_that_the_head_has_not_is_refused_as_in_the_command(opened: Any) -> None:
    """It was played, and rendered, as if there were one; two channels and one lie on three tracks."""
    text = 'format = 1\npurpose = "Heads."\n[[stages]]\nkind = "head_azimuth"\nazimuth_urad = 300.0\ntracks = {}\n'
    head = parse_preset(text.format(1), name="head").chain
    with pytest.raises(ParameterError, match="the head has 1 track"):
        head.stream(sample_rate=RATE, channels=1, track=1)
    opened.execute_script("window.tapeemuDesk.desk.edit(arguments[0], 'one')", text.format(1))
    assert desk(opened, "[desk.mistake.message, desk.mistake.line]") == [
        "the head has 1 track, but tone has 2 channels from track 0 on and needs 2; raise tracks, or set it to 0",
        6,
    ]
    opened.execute_script("window.tapeemuDesk.desk.edit(arguments[0], 'two')", text.format(2))
    assert desk(opened, "desk.mistake") is None
    more = "const { desk } = window.tapeemuDesk; const done = arguments[0];"
    opened.execute_async_script(
        more + "const [stem] = window.tapeemuDesk.data.stems; desk.samples.set(stem, desk.sound.stems[0]);"
        "desk.setStems([stem, stem], [desk.sound.mix[0], desk.sound.mix[1]]); setTimeout(done)"
    )
    assert desk(opened, "desk.mistake.message").startswith(
        "the head has 2 tracks, but tone has 2 channels from track 1"
    )
    with pytest.raises(ParameterError, match="the head has 2 track"):
        parse_preset(text.format(2), name="head").chain.stream(sample_rate=RATE, channels=2, track=1)


DROP_BYTES = """
const files = new DataTransfer();
files.items.add(new File([Uint8Array.from(atob(arguments[1]), (letter) => letter.charCodeAt(0))], arguments[0]));
document.body.dispatchEvent(new DragEvent("drop", { dataTransfer: files, bubbles: true, cancelable: true }));
"""


@pytest.mark.long
def test_files_that_fit_join_the_tape_or_are_opened(opened: Any, tmp_path: Path) -> None:
    element(opened, "play").click()
    until(lambda: desk(opened, "desk.sound.place > 0.1"), "it plays")
    added = stem(tmp_path, 3 * RATE, "third", channels=1)
    opened.execute_script(DROP_BYTES, added.name, base64.b64encode(added.read_bytes()).decode())
    until(lambda: element(opened, "message").text == "third.wav joins the tape.", "it is told")
    assert desk(opened, "desk.sound.seconds") == 3.0
    assert "third" in element(opened, "stems").text
    until(lambda: desk(opened, "desk.sound.place > 0.3"), "it plays on")
    # Its samples are those of the file: 24 bits are exact.
    audio = soundfile.read(added, dtype="float32")[0]
    assert desk(opened, "[...desk.sound.stems[2][0].subarray(100, 110)]") == audio[100:110].tolist()
    opened.execute_script(
        DROP, "other.toml", 'format = 1\n[[stages]]\nkind = "tape_noise"\n[measured.chain]\n', ""
    )
    until(lambda: element(opened, "message").text == "other.toml is opened.", "it is told")
    assert desk(opened, "desk.text") == 'format = 1\n[[stages]]\nkind = "tape_noise"\n'
    element(opened, "play").click()


# Of the strips of each row: how many, and where the last one ends, from the right edge of all.
ROWS = """
const holder = document.getElementById(arguments[0]);
const right = holder.getBoundingClientRect().right;
const rows = new Map();
for (const each of holder.children) {
  const box = each.getBoundingClientRect();
  const row = rows.get(box.top) ?? [0, right];
  rows.set(box.top, [row[0] + 1, Math.min(row[1], right - box.right)]);
}
return [...rows.values()];
"""


@pytest.mark.long
@pytest.mark.parametrize(
    ("width", "strips", "stems"),
    [
        (390, [1, 1, 1, 1, 1], [1, 1, 1]),
        (820, [2, 2, 1], [2, 1]),
        (1440, [3, 2], [3]),
        (2560, [5], [3]),
    ],
)
def test_strips_and_stems_stand_in_rows_as_full_as_each_other(
    browser: Any, tmp_path: Path, width: int, strips: list[int], stems: list[int]
) -> None:
    """A fifth strip stood alone beside an empty row, and stems left half of a wide page empty."""
    text = Path("presets/cassette-hissing.toml").read_text("utf-8")
    sources = [stem(tmp_path, RATE // 10, name) for name in ("one", "two", "three")]
    metrics = {"width": width, "height": 1000, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    try:
        page_of(browser, tmp_path, text, sources)
        for holder, counts in (("strips", strips), ("stems", stems)):
            rows = browser.execute_script(ROWS, holder)
            assert [count for count, _ in rows] == counts
            assert all(abs(rest) < 2.0 for _, rest in rows)
        # One that is unfolded leaves nothing empty beside or below others.
        browser.execute_script("document.querySelectorAll('#strips .more')[1].open = true")
        rows = browser.execute_script(ROWS, "strips")
        assert sum(count for count, _ in rows) == sum(strips)
        assert all(abs(rest) < 2.0 for _, rest in rows)
        uneven = browser.execute_script(
            "const by = Map.groupBy(document.querySelectorAll('#strips > li'), (each) => each.offsetTop);"
            "const heights = [...by.values()].map((row) => new Set(row.map((each) => each.offsetHeight)));"
            "return heights.filter((each) => each.size > 1).length"
        )
        assert uneven == 0
    finally:
        browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


@pytest.mark.long
def test_the_thread_draws_every_moment_once(browser: Any, tmp_path: Path) -> None:
    """Before the first sound the tape stands at its place, and that place was drawn again and again."""
    text = Path("presets/quarter-inch-at-38.toml").read_text("utf-8")  # a chain that is late
    page_of(browser, tmp_path, text, [stem(tmp_path, 2 * RATE)])
    browser.execute_script(
        "const { desk } = window.tapeemuDesk; const { thread } = desk; window.drawnAt = [];"
        "thread.add = function (points) { window.drawnAt.push([desk.meters.place, points.length]);"
        " Object.getPrototypeOf(this).add.call(this, points); };"
    )
    element(browser, "play").click()
    until(lambda: desk(browser, "desk.sound.place > 0.5"), "it plays")
    drawn = browser.execute_script("return window.drawnAt")
    places = [place for place, _ in drawn]
    assert places == sorted(set(places))
    assert places[0] > 0.0
    assert sum(points for _, points in drawn) == pytest.approx(120.0 * places[-1], rel=0.15)
    element(browser, "play").click()


# Moves a slider every 20 ms for a second and a half; gives the texts of the figure in the last second.
RESTLESS = """
const done = arguments[0];
const { desk } = window.tapeemuDesk;
const groove = document.getElementById("stage-0-drive_db");
const texts = [];
let steps = 0;
const timer = setInterval(() => {
  steps += 1;
  const key = steps % 2 ? "ArrowRight" : "ArrowLeft";
  groove.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true }));
  if (steps > 25) texts.push(desk.figureCells.get("loudness_change_lu").value.textContent);
  if (steps < 75) return;
  clearInterval(timer);
  done([texts, desk.heard[0].held]);
}, 20);
"""


@pytest.mark.long
def test_the_change_of_loudness_follows_a_slider_that_never_rests(opened: Any) -> None:
    """It was not told before the slider had rested for 0.4 s."""
    element(opened, "play").click()
    until(lambda: desk(opened, "desk.heard[0].held !== null"), "it has heard enough")
    texts, held = opened.execute_async_script(RESTLESS)
    assert held is None
    assert all(text.endswith(" LU") for text in texts)
    element(opened, "play").click()


# Meters of a player for so many seconds, one thirtieth each, as loud in and out as told.
METERED = """
const { desk, data } = window.tapeemuDesk;
const told = [];
const cell = desk.figureCells.get("loudness_change_lu");
desk.sound.playing = true;
desk.lately = [];
for (const [seconds, decibels] of arguments[0]) {
  if (seconds === 0) desk.heard[desk.current] = desk.freshMatch(); // as a change of a setting does
  for (let i = 0; i < 30 * seconds; i += 1) {
    const count = data.rate / 30;
    desk.learn({ inPower: 0.01 * count, outPower: 0.01 * count * 10 ** (decibels / 10), count });
  }
  told.push([cell.value.textContent, cell.how.textContent]);
}
desk.sound.playing = false;
desk.heard[desk.current] = desk.freshMatch();
desk.applyMatch();
return told;
"""


def test_the_change_of_loudness_is_that_of_the_new_setting_within_a_second(opened: Any) -> None:
    """A chain is late, and a room rings: the first 0.3 s after a change are as loud as what was before."""
    steps = [(3.0, 0.0), (0, 0.0), (0.3, 0.0), (0.5, 6.0), (0.5, 6.0), (3.0, 6.0)]
    told = opened.execute_script(METERED, steps)
    assert told[0] == ["0.0 LU", "heard"]
    assert told[3] == ["6.0 LU", "heard just now"]
    assert told[4] == ["6.0 LU", "heard"]
    assert told[5] == ["6.0 LU", "heard"]


@pytest.mark.long
def test_loudness_is_matched_while_it_plays_and_held_while_one_compares(browser: Any, tmp_path: Path) -> None:
    """By pyloudnorm, which shares nothing with the page: of the file rendered against the stem."""
    import pyloudnorm

    source = tmp_path / "noise.wav"
    noise = 0.1 * np.random.default_rng(3).standard_normal((RATE * 4, 2))
    soundfile.write(source, noise, RATE, subtype="FLOAT")
    page_of(browser, tmp_path, LOW.replace("drive_db = 0.0", "drive_db = 20.0"), [source])
    meter = pyloudnorm.Meter(RATE)
    wet = rendered(browser, 0).T[: len(noise)].astype(np.float64)
    change = meter.integrated_loudness(wet) - meter.integrated_loudness(noise)
    element(browser, "play").click()
    until(lambda: desk(browser, "desk.heard[0].seconds") > 1.0, "it has heard enough")
    held = desk(browser, "desk.heard[0].held")
    assert abs(change) > 1.0
    assert held == pytest.approx(change, abs=0.3)
    assert desk(browser, "desk.sound.match") == pytest.approx(10 ** (-held / 20), rel=0.01)
    element(browser, "dry").click()
    element(browser, "use-b").click()
    element(browser, "use-a").click()
    assert desk(browser, "desk.heard[0].held") == pytest.approx(held, abs=0.05)
    element(browser, "play").click()


@pytest.mark.long
def test_a_hidden_comparison_by_keys(opened: Any) -> None:
    from scipy.stats import binomtest

    opened.execute_script("document.getElementById('begin').closest('details').open = true")
    count = element(opened, "count")
    count.clear()
    count.send_keys("5")
    element(opened, "begin").send_keys(Keys.ENTER)
    until(lambda: element(opened, "hidden-run").is_displayed(), "the test begins")
    for trial in range(1, 6):
        assert element(opened, "trial").text == f"Trial {trial} of 5. Which of X and Y is dry?"
        assert opened.execute_script("return document.querySelector('.chain').inert")
        opened.switch_to.active_element.send_keys("a")  # keys of the desk are off
        element(opened, "hear-y").send_keys(Keys.SPACE)
        element(opened, "answer-x").send_keys(Keys.ENTER)
    result = element(opened, "result-text").text
    right = int(result.split(" of ")[0])
    p = binomtest(right, 5, alternative="greater").pvalue
    told = re.fullmatch(r"\d of 5 right: p = (0\.\d{4}|1\.0000) \(binomial, one-sided: .*\)\.", result)
    assert told, result
    assert float(told[1]) == pytest.approx(p, abs=0.00006)
    assert not opened.execute_script("return document.querySelector('.chain').inert")
    assert desk(opened, "desk.current") == 0


@pytest.mark.long
def test_a_loudness_that_cannot_be_matched_is_told(browser: Any, tmp_path: Path) -> None:
    """A silent stem was compared with silence, and a short part not at one loudness."""
    path = tmp_path / "silent.wav"
    soundfile.write(path, np.zeros((RATE // 2, 2)), RATE, subtype="PCM_16")
    page_of(browser, tmp_path, NOISE, [path])
    browser.execute_script("document.getElementById('begin').closest('details').open = true")
    told = "dry is silent in this part, so its loudness cannot be matched; choose another part."
    element(browser, "begin").click()
    until(lambda: element(browser, "hidden-message").text == told, told)
    browser.execute_script("window.tapeemuDesk.desk.sound.setLoop(0, 0.3)")
    element(browser, "begin").click()
    told = "The part is shorter than 0.4 s, too short for a loudness; choose a longer one."
    until(lambda: element(browser, "hidden-message").text == told, told)
    assert not element(browser, "hidden-run").is_displayed()


NOISE = 'format = 1\npurpose = "Noise."\n\n[[stages]]\nkind = "tape_noise"\nhiss_db = -30.0\n'


@pytest.mark.long
@pytest.mark.parametrize("frames", [1, 200])
def test_the_shortest_stems_play_and_repeat_as_a_whole(browser: Any, tmp_path: Path, frames: int) -> None:
    """The part to repeat began before the song."""
    page_of(browser, tmp_path, PRESET, [stem(tmp_path, frames, channels=1)])
    browser.execute_script("for (const each of document.querySelectorAll('details')) each.open = true;")
    element(browser, "whole").click()
    assert desk(browser, "desk.sound.loop") == [0, pytest.approx(frames / RATE)]
    assert browser.execute_script("return document.getElementById('from').value") == "0.00"
    element(browser, "play").click()
    until(lambda: desk(browser, "desk.meters?.count > 0"), "it plays")
    made = rendered(browser, 0)
    assert made.shape[1] > frames
    assert np.all(np.isfinite(made))
    element(browser, "play").click()
    assert browser.get_log("browser") == []


@pytest.mark.long
def test_the_place_that_is_heard_is_right_behind_the_edge_of_a_loop(browser: Any, tmp_path: Path) -> None:
    """It stood at the beginning until the player's own delay had passed; moves were recorded as much too late."""
    page_of(browser, tmp_path, PRESET, [stem(tmp_path, RATE)])
    browser.execute_script(
        "const { desk } = window.tapeemuDesk; const hear = desk.sound.onMeters; window.heard = [];"
        "desk.sound.onMeters = (told) => { window.heard.push([told.time, told.place, told.late]); hear(told); };"
        "desk.sound.setLoop(0.5, 0.8); desk.sound.go(0.5);"
    )
    played(browser, 1.5, [])
    told = np.array(browser.execute_script("return window.heard"))
    late = told[-1, 2]
    assert late > 0.005
    places = told[told[:, 0] > 0.5 + late, 1]
    assert places.size > 10
    assert np.all((places > 0.4999) & (places < 0.8))
    # What is recorded at the end of the loop went in at its beginning.
    browser.execute_script("Object.assign(window.tapeemuDesk.desk.sound, { place: 0.79, playing: false })")
    browser.execute_script("window.tapeemuDesk.desk.meters = { late: 0.05 }")
    assert desk(browser, "[desk.recording.placeAt(0), desk.recording.placeAt(0.045)]") == pytest.approx(
        [0.54, 0.795]
    )
    # It goes on as time does, round the loop.
    steps = np.diff(told[told[:, 0] > 0.5, 1]) - np.diff(told[told[:, 0] > 0.5, 0])
    assert np.max(np.abs((steps + 0.15) % 0.3 - 0.15)) < 0.003


def test_the_edge_of_a_loop_does_not_click(browser: Any, tmp_path: Path) -> None:
    path = tmp_path / "low.wav"
    soundfile.write(path, 0.1 * np.sin(2 * np.pi * 100.0 * np.arange(2 * RATE) / RATE), RATE, subtype="FLOAT")
    page_of(browser, tmp_path, LOW, [path])
    browser.execute_script("window.tapeemuDesk.desk.sound.setLoop(0.4, 0.9037)")  # not a whole number of periods
    heard = played(browser, 1.6, [])[0, RATE // 4 :]
    assert np.max(np.abs(heard)) > 0.05
    assert above_8_khz_db(heard) < -100.0


def test_a_chain_that_cannot_be_is_told_and_what_follows_is_heard(opened: Any) -> None:
    """The player waited for ever for a chain that was refused, and for one that is late for one stem alone."""
    element(opened, "play").click()
    until(lambda: desk(opened, "desk.sound.place > 0.1"), "it plays")
    opened.execute_script("window.tapeemuDesk.desk.edit(arguments[0] + arguments[1].repeat(17), 'long')",
                          'format = 1\n', '[[stages]]\nkind = "crosstalk"\n')  # fmt: skip
    assert "at most 16 stages are possible" in desk(opened, "desk.mistake.message")
    number = desk(opened, "desk.sound.number")
    element(opened, "undo").click()
    assert desk(opened, "desk.mistake") is None
    opened.execute_script("window.tapeemuDesk.desk.add('crosstalk')")  # late for the stereo stem alone
    until(
        lambda: desk(
            opened, "desk.sound.number > arguments_ && !desk.sound.waiting".replace("arguments_", str(number))
        ),
        "heard",
    )
    element(opened, "play").click()
    assert [entry["message"] for entry in opened.get_log("browser")] == []


@pytest.mark.long
def test_the_samples_of_a_stem_are_those_of_its_file(browser: Any, tmp_path: Path) -> None:
    """In every coding, with the extremes of each."""
    audio = np.random.default_rng(2).uniform(-1.0, 1.0, (101, 2))
    audio[:2] = [[-1.0, 1.0 - 2.0**-23], [0.0, -(2.0**-23)]]
    paths = [tmp_path / f"{subtype}.wav" for subtype in ("PCM_16", "PCM_24", "FLOAT")]
    for path in paths:
        soundfile.write(path, audio, RATE, subtype=path.stem)
    page_of(browser, tmp_path, PRESET, paths)
    assert desk(browser, "desk.sound.stems.map((stem) => stem.length)") == [2, 2, 2]
    for index, path in enumerate(paths):
        truth = soundfile.read(path, dtype="float32")[0].T
        assert desk(browser, f"desk.sound.stems[{index}].map((one) => [...one])") == truth.tolist()


EVERY_SHAPE = """format = 1
purpose = "Settings and mixes that follow curves, behind noise, in seconds and at places of the tape."

[[stages]]
kind = "tape_noise"
hiss_db = -50.0

[[stages.automation]]
setting = "hiss_db"
points = [{ samples = 3000, value = -60.0 }, { samples = 9001, value = -30.0 }, { samples = 15000, value = -50.0 }]

[[stages]]
name = "in a row"
kind = "chain"

[[stages.automation]]
setting = "mix_percent"
points = [
    { seconds = 0.02, value = 100.0, shape = "smooth" },
    { seconds = 0.11, value = 20.0, shape = "hold" },
    { seconds = 0.2003, value = 80.0 },
    { seconds = 0.25, value = 0.0 },
    { seconds = 9.0, value = 100.0 },
]

[[stages.stages]]
kind = "wow_flutter"
weighted_flutter_percent = 0.2

[[stages.stages]]
kind = "preamp_drive"
drive_db = 3.0

[[stages.stages.automation]]
setting = "drive_db"
points = [
    { seconds = -1.0, value = 2.0 },
    { seconds = 0.1, value = 14.0, shape = "smooth" },
    { seconds = 0.2, value = 1.0, shape = "hold" },
    { seconds = 0.3, value = 6.0 },
    { seconds = 0.3, value = 3.0 },
]

[[stages]]
kind = "fdn_reverb"
decay_seconds = 0.2
lines = 8
mix_percent = 40.0
wet_percent = 30.0
automation = [
    { setting = "wet_percent", points = [
        { samples = 4000, value = 0.0 },
        { samples = 5000, value = 90.0, shape = "hold" },
        { samples = 20000, value = 10.0 },
    ] },
    { setting = "mix_percent", points = [{ seconds = 0.4, value = 30.0 }] },
]
"""


def test_curves_are_rendered_to_the_bits_of_the_command(
    browser: Any, tmp_path: Path, run: Callable[..., str]
) -> None:
    """Shapes, units, jumps, before the start and behind the end; settings and mixes, nested, behind noise."""
    source, preset = stem(tmp_path, RATE // 2), tmp_path / "every-shape.toml"
    preset.write_text(EVERY_SHAPE, "utf-8")
    page_of(browser, tmp_path, EVERY_SHAPE, [source])
    here = rendered(browser, 0)
    run("process", source, "--preset", preset, "--out", tmp_path / "out", "--depth", "float")
    there = soundfile.read(tmp_path / "out" / source.name, dtype="float32", always_2d=True)[0].T
    assert np.max(np.abs(here)) > 0.01
    assert np.array_equal(here, there)


NAMED_AND_NUMBERED = """format = 1
purpose = "What a comment must write as Python does."

[[stages]]
kind = "wow_flutter"
random_percent = 0.00001
random_band_hz = [0.5, 20.0]
seed = 9007199254740993
rotating_parts = [{ rate_hz = 4.0, peak_percent = 0.05 }, { diameter_mm = 30.0, peak_percent = 0.01 }]

[[stages]]
kind = "preamp_drive"
drive_db = 1.5
asymmetry_percent = 0.0

[[stages]]
kind = "preamp_drive"
bypass = true
drive_db = 3.0

[[stages]]
name = "préampli 2"
kind = "chain"
mix_percent = 50.0

[[stages.stages]]
kind = "fdn_reverb"
pre_delay_seconds = "20 ms"
lines = 8
decay_by_band_seconds = { at_125_hz_seconds = 0.2, at_4000_hz_seconds = 0.1 }
"""


@pytest.mark.long
def test_a_rendered_file_says_of_itself_what_that_of_the_command_says(
    browser: Any, tmp_path: Path, run: Callable[..., str]
) -> None:
    """By the buttons of the page; its noise is cut, and no file said so."""
    sources = [stem(tmp_path, 2_000), stem(tmp_path, 2_000, "one", channels=1)]
    for text in (EVERY_SHAPE, NAMED_AND_NUMBERED, HISSING):
        page_of(browser, tmp_path, text, sources)
        assert desk(browser, "desk.mistake") is None
        browser.execute_script(
            "window.files = []; const made = URL.createObjectURL;"
            "URL.createObjectURL = (blob) => { window.files.push(blob); return made.call(URL, blob); }"
        )
        element(browser, "save").click()
        element(browser, "save-files").click()
        until(lambda: element(browser, "save-message").text.startswith("Rendered."), "all is rendered", 60.0)
        cut = "noise has no end and is cut at that of the file"
        preset, out = tmp_path / "page.toml", tmp_path / "out"
        preset.write_text(text, "utf-8")
        run("process", *sources, "--preset", preset, "--out", out, "--depth", "float", "--overwrite")
        for index, source in enumerate(sources):
            raw = browser.execute_async_script(
                "const [index, done] = arguments; const reader = new FileReader();"
                "reader.onload = () => done(reader.result.split(',')[1]);"
                "reader.readAsDataURL(window.files[index])",
                index,
            )
            (tmp_path / "here.wav").write_bytes(base64.b64decode(raw))
            said = comment(out / source.name).removesuffix('; delivery {"depth": "float"}')
            assert comment(tmp_path / "here.wav") == said
            assert (cut in said) == (cut in element(browser, "save-message").text) == ("tape_noise" in text)
            here, there = (soundfile.read(path)[0] for path in (tmp_path / "here.wav", out / source.name))
            assert np.array_equal(here, there)
    assert browser.get_log("browser") == []


AT_ANOTHER_SPEED = (
    """format = 1
purpose = "Curves at and behind a tape at another speed."

[[stages]]
kind = "tape_noise"
hiss_db = -50.0

[[stages]]
kind = "wow_flutter"
weighted_flutter_percent = 0.2
speed_error_percent = {}
"""
    + CURVE.format("mix_percent", "100.0", "0.0")
    + """
[[stages]]
name = "behind"
kind = "chain"
"""
    + CURVE.format("mix_percent", "20.0", "90.0")
    + """
[[stages.stages]]
kind = "fdn_reverb"
decay_seconds = 0.2
lines = 8
mix_percent = 40.0
wet_percent = 30.0

[[stages.stages.automation]]
setting = "wet_percent"
points = [{{ samples = 4000, value = 0.0 }}, {{ samples = 15000, value = 90.0 }}]

[[stages.stages]]
kind = "preamp_drive"
drive_db = 3.0

[[stages.stages.automation]]
setting = "drive_db"
points = [
    {{ seconds = -1.0, value = 2.0, shape = "hold" }},
    {{ seconds = 0.1, value = 14.0, shape = "smooth" }},
    {{ seconds = 0.2, value = 1.0 }},
]
"""
)


@pytest.mark.parametrize("error", [-3.0, pytest.param(1.3, marks=pytest.mark.long)])
def test_curves_behind_a_tape_at_another_speed_are_rendered_to_the_bits_of_the_command(
    browser: Any, tmp_path: Path, run: Callable[..., str], error: float
) -> None:
    """They were refused: no sample of the input stands where a cell of such a tape begins. Behind noise, too."""
    source, preset = stem(tmp_path, RATE // 3), tmp_path / "slow.toml"
    text = AT_ANOTHER_SPEED.replace("{}", str(error)).replace("{{", "{").replace("}}", "}")
    preset.write_text(text, "utf-8")
    page_of(browser, tmp_path, text, [source])
    assert desk(browser, "desk.setup.curves.length") == 4
    here = rendered(browser, 0)
    run("process", source, "--preset", preset, "--out", tmp_path / "out", "--depth", "float")
    there = soundfile.read(tmp_path / "out" / source.name, dtype="float32", always_2d=True)[0].T
    assert np.max(np.abs(here)) > 0.01
    assert np.array_equal(here, there)
    assert browser.get_log("browser") == []


@pytest.mark.long
@pytest.mark.parametrize("rate", [22_050, 48_000, 96_000])
def test_drawn_curves_are_rendered_to_the_bits_of_the_command(
    browser: Any, tmp_path: Path, run: Callable[..., str], rate: int
) -> None:
    rng = np.random.default_rng(rate)
    sources = [tmp_path / "one.wav", tmp_path / "two.wav"]
    for channels, source in enumerate(sources, 1):
        soundfile.write(source, 0.2 * rng.standard_normal((rate // 4, channels)), rate, subtype="FLOAT")
    page_of(browser, tmp_path, PRESET, sources)
    for number in range(12):
        text = drawn_curves(rng, rate)
        preset = tmp_path / f"drawn-{number}.toml"
        preset.write_text(text, "utf-8")
        browser.execute_script("window.tapeemuDesk.desk.edit(arguments[0], 'drawn')", text)
        assert desk(browser, "desk.mistake") is None, text
        run("process", *sources, "--preset", preset, "--out", tmp_path / f"out-{number}", "--depth", "float")
        for index, source in enumerate(sources):
            here = rendered(browser, index, rate)
            path = tmp_path / f"out-{number}" / source.name
            there = soundfile.read(path, dtype="float32", always_2d=True)[0].T
            assert np.array_equal(here, there), text


@pytest.mark.long
def test_a_mix_that_follows_a_curve_is_heard_as_it_is_rendered(browser: Any, tmp_path: Path) -> None:
    text = LOW.replace("drive_db = 0.0\n", "drive_db = 20.0\n" + CURVE.format("mix_percent", "0.0", "100.0"))
    text = text[: text.index('\n[[stages]]\nkind = "fdn_reverb"')]
    page_of(browser, tmp_path, text, [stem(tmp_path, RATE)])
    file = rendered(browser, 0).astype(np.float64)
    heard = played(browser, 0.9, [])
    late = int(browser.execute_script("return Math.round(window.tapeemuDesk.desk.meters.late * 48000)"))
    part = slice(2_400, heard.shape[1] - late)
    error = heard[:, late:][:, part] - file[:, part]
    assert 20 * np.log10(np.max(np.abs(error)) / np.max(np.abs(file))) < -90.0  # single against double precision


REVERB = 'kind = "fdn_reverb"\ndecay_seconds = 0.2\nlines = 8\nwet_percent = 60.0\n'

SOURCES_WITHIN = (
    f"""format = 1
purpose = "A chain within the chain that hums and hisses by itself, and one within that."

[[stages]]
kind = "preamp_drive"
drive_db = 3.0

[[stages]]
name = "inner"
kind = "chain"
mix_percent = 70.0

[[stages.stages]]
{REVERB}
[[stages.stages]]
kind = "tape_noise"
hiss_db = -30.0

[[stages.stages.automation]]
setting = "hiss_db"
points = [{{ seconds = -0.1, value = -30.0 }}, {{ seconds = 0.1, value = -50.0 }}]

[[stages.stages]]
kind = "wow_flutter"
weighted_flutter_percent = 0.2
mix_percent = 50.0

[[stages.stages]]
name = "innermost"
kind = "chain"

[[stages.stages.stages]]
kind = "tape_noise"
hiss = false
hum_db = -20.0

[[stages.stages.stages]]
{REVERB}
[[stages.stages]]
{REVERB}mix_percent = 50.0

[[stages.stages.automation]]
setting = "wet_percent"
points = [{{ seconds = -0.3, value = 10.0 }}, {{ seconds = 0.1, value = 90.0 }}]

[[stages]]
kind = "preamp_drive"
drive_db = 6.0
""",
    f"""format = 1
purpose = "Hum that only a curve brings in; what is mixed away does not count as a source, but within a chain."

[[stages]]
name = "unheard"
kind = "chain"

[[stages.stages]]
kind = "tape_noise"
mix_percent = 0.0

[[stages]]
kind = "preamp_drive"
drive_db = 6.0

[[stages]]
kind = "tape_noise"
hiss = false

[[stages.automation]]
setting = "hum_db"
points = [{{ seconds = 0.0, value = -20.0 }}, {{ seconds = 0.2, value = -40.0 }}]

[[stages]]
{REVERB}""",
)


@pytest.mark.long
@pytest.mark.parametrize("text", SOURCES_WITHIN, ids=["within", "curve"])
def test_what_stands_behind_a_source_has_heard_it_as_in_the_command(
    browser: Any, tmp_path: Path, run: Callable[..., str], text: str
) -> None:
    """Chains within the chain began as early as the rest, and hum that only a curve brings in was no source."""
    source, preset = tmp_path / "late.wav", tmp_path / "sources.toml"
    sound = np.zeros((RATE // 4, 2))
    sound[RATE // 8 :] = 0.1  # before it noise is alone, and every bit of it counts
    soundfile.write(source, sound, RATE, subtype="FLOAT")
    preset.write_text(text, "utf-8")
    page_of(browser, tmp_path, text, [source])
    assert desk(browser, "desk.mistake") is None
    here = rendered(browser, 0)
    run("process", source, "--preset", preset, "--out", tmp_path / "out", "--depth", "float")
    there = soundfile.read(tmp_path / "out" / source.name, dtype="float32", always_2d=True)[0].T
    assert np.max(np.abs(here[:, :100])) > 1e-4
    assert np.array_equal(here, there)
    assert browser.get_log("browser") == []


@pytest.mark.long
def test_recorded_moves_remove_what_would_contradict_them(browser: Any, tmp_path: Path) -> None:
    """A curve of the drive was written beside the distortion that the preset asks for, which no command takes."""
    text = PRESET.replace("drive_db = 6.0 # by ear", "thd_percent = 1.0")
    page_of(browser, tmp_path, text, [stem(tmp_path, 4 * RATE)])
    element(browser, "play").click()
    element(browser, "record").click()
    until(lambda: desk(browser, "desk.sound.place > 0.2"), "it plays")
    before = value_of(element(browser, "stage-0-drive_db"))
    for name in ("drive_db", "thd_percent"):
        element(browser, f"stage-0-{name}").send_keys(Keys.PAGE_UP, Keys.PAGE_UP)
        until(lambda: desk(browser, "desk.recording.hand === null"), "the moves are written")
        assert desk(browser, "desk.mistake") is None
        [stage, _] = parse_preset(desk(browser, "desk.text"), name="recorded").chain.stages
        assert [curve.setting for curve in stage.automation] == [name]
        if name == "drive_db":
            assert stage.processor.drive_db == pytest.approx(before, abs=0.1)  # what it is without the curve
            assert stage.processor.thd_percent is None
    element(browser, "play").click()
    # A move that is not recorded, too.
    element(browser, "record").click()
    element(browser, "stage-0-drive_db").send_keys(Keys.ARROW_RIGHT)
    assert desk(browser, "desk.mistake") is None
    assert parse_preset(desk(browser, "desk.text"), name="recorded").chain.stages[0].automation == ()
    assert browser.get_log("browser") == []
