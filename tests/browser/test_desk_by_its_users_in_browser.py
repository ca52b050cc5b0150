"""The desk as people use it: there and back, by keys alone, with a screen reader, in two tabs, with many stems."""

import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browsers import until
from desk_pages import PRESET, RATE, desk, element, page_of, stem

from tapeemu.desk.bench import Bench
from tapeemu.desk.declarations import kinds_of_stages
from tapeemu.desk.server import DeskServer
from tapeemu.desk.stems import read_stems
from tapeemu.presets import load_preset, parse_preset

pytest.importorskip("selenium", reason="selenium is not installed")
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys

EVERY_KIND = "format = 1\n" + "".join(f'\n[[stages]]\nkind = "{kind}"\n' for kind in kinds_of_stages())


# ---------------------------------------------------------------- many steps


def mixed_step(rng: np.random.Generator) -> str:
    """Something that a hand does at the desk, drawn."""
    stage, other = (f"[{int(each)} % count]" for each in rng.integers(0, 60, 2))
    kind = rng.choice(["tape_noise", "crosstalk", "preamp_drive", "fdn_reverb", "print_through"])
    value = round(float(rng.uniform(1.0, 20.0)), 3)
    return str(
        rng.choice(
            [
                f"desk.change({stage}, 'mix_percent', {value}, {{ type: 'number' }})",
                f"desk.change({stage}, 'mix_percent', null)",
                f"desk.change({stage}, 'bypass', true)",
                f"desk.change({stage}, 'bypass', null)",
                f"desk.move({stage}, {other}[0])",
                f"if (count > 3) desk.remove({stage})",
                f"if (count < 9) desk.add('{kind}')",
                f"desk.use({rng.integers(0, 2)})",
                "desk.copy()",
                f"desk.choosePreset({rng.integers(0, 8)})",
                f"desk.edit(`${{desk.text}}# {value}\\n`, 'text')",
                f"desk.edit(desk.text.replace('kind', 'kin'), '{value}');"
                " desk.edit(desk.text.replace('kin ', 'kind '), 'mended')",
                f"desk.edit(new PresetText(desk.text).withCurve({stage}, 'mix_percent',"
                f" [{{ seconds: {value}, value: 50 }}]), 'curve {value}')",
                f"desk.forget({stage}, 'mix_percent')",
                f"desk.setPart({value / 40}, 1.9)",
                f"desk.setVolume({-value})",
            ]
        )
    )


# Takes steps and keeps what every one of them left; goes back through all of them, and on again.
THERE_AND_BACK = """
const [done] = arguments;
const { desk, PresetText } = window.tapeemuDesk;
const state = () => JSON.stringify([desk.state(), desk.mistake?.message ?? null,
  document.getElementById("text").value, document.getElementById("volume").value]);
const kept = [state()];
for (const step of [STEPS]) {
  const before = desk.past.length;
  desk.pause(desk.lastChange.key);
  step(desk.document.root.stages.length);
  if (desk.past.length > before + 1) kept.push(null); // a mistake and what mended it
  if (desk.past.length > before) kept.push(state());
  else kept[kept.length - 1] = state(); // another setting is looked at, which is no change
}
const wrong = [];
for (let at = kept.length - 2; at >= 0; at -= 1) {
  desk.undo();
  if (kept[at] !== null && state() !== kept[at]) wrong.push(at);
}
const rest = [desk.past.length];
for (let at = 1; at < kept.length; at += 1) {
  desk.redo();
  if (kept[at] !== null && state() !== kept[at]) wrong.push(at);
}
done({ wrong, rest: [...rest, desk.future.length], count: kept.length });
"""


@pytest.mark.parametrize("steps", [40, pytest.param(200, marks=pytest.mark.long)])
def test_many_mixed_steps_are_undone_to_the_letter_and_done_again(opened: Any, steps: int) -> None:
    """Texts, names, stems' mix, part and volume of every state on the way, there and back."""
    rng = np.random.default_rng(steps)
    drawn = ",".join(f"(count) => {{ {mixed_step(rng)} }}" for _ in range(steps))
    opened.set_script_timeout(60 if steps < 100 else 900)
    found = opened.execute_async_script(THERE_AND_BACK.replace("STEPS", drawn))
    opened.set_script_timeout(60)
    assert found["count"] > steps / 2
    assert found["wrong"] == []
    assert found["rest"] == [0, 0]
    assert opened.get_log("browser") == []


# ---------------------------------------------------------------- screen readers

NAMED = frozenset(
    [
        "button",
        "slider",
        "textbox",
        "checkbox",
        "switch",
        "combobox",
        "meter",
        "image",
        "link",
        "heading",
        "DisclosureTriangle",
    ]
)


def test_what_a_screen_reader_is_told(opened: Any) -> None:
    """Every control has a name, every value its unit, and nothing that moves all the time speaks by itself.

    By the browser's own accessibility tree; it has no value texts of sliders, which are read from the page.
    """
    opened.execute_script("window.tapeemuDesk.desk.edit(arguments[0], 'every kind')", EVERY_KIND)
    opened.execute_script("for (const each of document.querySelectorAll('details')) each.open = true;")
    opened.execute_cdp_cmd("Accessibility.enable", {})
    nodes = opened.execute_cdp_cmd("Accessibility.getFullAXTree", {})["nodes"]
    opened.execute_cdp_cmd("Accessibility.disable", {})
    told = [(node["role"]["value"], node["name"]["value"].strip()) for node in nodes if not node["ignored"]]
    assert len([role for role, _ in told if role == "slider"]) > 60
    assert [each for each in told if each[0] in NAMED and not each[1]] == []
    assert [name for _, name in told if "per minute, in" in name] == []
    values = opened.execute_script(
        "return [...document.querySelectorAll('[role=slider], [role=meter], input[type=range]')].map((each) =>"
        " [each.id, each.getAttribute('aria-valuetext'),"
        "  each.closest('.setting')?.querySelector('.unit').textContent ?? ''])"
    )
    assert [each for each in values if not each[1]] == []
    assert [each for each in values if each[1][-1].isdigit() and each[2]] == []
    speaking = opened.execute_script(
        "return [...document.querySelectorAll('[aria-live], [role=status], [role=alert], output')]"
        ".filter((each) => each.getAttribute('aria-live') !== 'off').map((each) => each.id || each.className)"
    )
    assert "place-text" not in speaking


# Counts what is put into regions that speak, and value texts, while a page plays.
SPOKEN = """
const [done] = arguments;
const regions = [...document.querySelectorAll("[aria-live], [role=status], [role=alert], output")]
  .filter((each) => each.getAttribute("aria-live") !== "off");
let spoken = 0;
const values = {};
const observer = new MutationObserver((all) => { spoken += all.length; });
for (const each of regions) observer.observe(each, { childList: true, characterData: true, subtree: true });
const watcher = new MutationObserver((all) => {
  for (const { target: { id, className } } of all) values[id || className] = (values[id || className] ?? 0) + 1;
});
watcher.observe(document.body, { attributes: true, attributeFilter: ["aria-valuetext"], subtree: true });
setTimeout(() => done([spoken, values]), 3000);
"""


def test_nothing_chatters_while_it_plays(opened: Any) -> None:
    """The place was said with every frame; now its slider says it once a second, meters four times."""
    element(opened, "play").click()
    until(lambda: desk(opened, "desk.sound.place > 0.2"), "it plays")
    spoken, values = opened.execute_async_script(SPOKEN)
    element(opened, "play").click()
    assert spoken <= 1  # that the machine cannot keep up, where it cannot
    assert 1 <= values["place"] <= 4
    assert all(1 <= count <= 26 for name, count in values.items() if name != "place"), values
    assert opened.get_log("browser") == []


# ---------------------------------------------------------------- keys alone


def tabbed_to(browser: Any, name: str, most: int = 400) -> Any:
    """Go by the tab key alone to an element, and give it."""
    for _ in range(most):
        ActionChains(browser).send_keys(Keys.TAB).perform()
        if browser.switch_to.active_element.get_attribute("id") == name:
            return browser.switch_to.active_element
    raise AssertionError(f"no way by keys to {name}")


def press(browser: Any, *keys: str) -> None:
    ActionChains(browser).send_keys(*keys).perform()


def chord(browser: Any, key: str) -> None:
    ActionChains(browser).key_down(Keys.CONTROL).send_keys(key).key_up(Keys.CONTROL).perform()


COUNT = """
const done = arguments[0];
const { desk } = window.tapeemuDesk;
const names = { thread: "draw", song: "draw" };
const counts = {};
for (const [each, method] of Object.entries(names)) {
  counts[each] = 0;
  desk[each][method] = function (...given) {
    counts[each] += 1;
    return Object.getPrototypeOf(this)[method].apply(this, given);
  };
}
const moves = (each) => getComputedStyle(document.querySelector(each)).transitionDuration;
setTimeout(() => {
  for (const each of Object.keys(names)) delete desk[each].draw;
  done([counts.thread, counts.song, moves(".thumb"), moves(".sense")]);
}, 2200);
"""


@pytest.mark.long
@pytest.mark.parametrize("wish", ["no-preference", "reduce"])
def test_who_asks_for_less_motion_gets_it(opened: Any, wish: str) -> None:
    """Pictures twice a second in place of sixty times, and nothing glides; everything is drawn all the same."""
    features = [{"name": "prefers-reduced-motion", "value": wish}]
    opened.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
    try:
        opened.find_element("id", "play").click()
        until(lambda: desk(opened, "desk.sound.place > 0.2"), "it plays")
        thread, song, thumb, sense = opened.execute_async_script(COUNT)
        if wish == "reduce":
            assert 2 <= thread <= 5
            assert 2 <= song <= 5
            assert {thumb, sense} == {"0s"}
        else:
            assert min(thread, song) > 5  # sixty times a second where the machine is free
            assert "0s" not in (thumb, sense)
        opened.find_element("id", "play").click()
        assert opened.get_log("browser") == []
    finally:
        opened.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})


@pytest.mark.long
def test_the_whole_work_is_done_by_keys_alone(opened: Any) -> None:
    """Play, move a setting, change places, keep two settings, compare hidden ones, render, save."""
    opened.execute_script(
        "window.files = []; const made = URL.createObjectURL;"
        "URL.createObjectURL = (blob) => { window.files.push(blob); return made.call(URL, blob); }"
    )
    press(opened, Keys.TAB, Keys.ENTER)  # to the stages
    tabbed_to(opened, "stage-0-drive_db")
    press(opened, Keys.PAGE_UP, Keys.ARROW_RIGHT)
    assert "drive_db = 6.0" not in desk(opened, "desk.text")
    press(opened, " ")
    until(lambda: desk(opened, "desk.sound.place > 0.2"), "it plays")
    press(opened, " ")
    until(lambda: not desk(opened, "desk.sound.playing"), "it pauses")
    opened.execute_script("document.activeElement.blur()")
    tabbed_to(opened, "copy")
    press(opened, Keys.ENTER)
    press(opened, "b")
    assert desk(opened, "desk.current") == 1
    tabbed_to(opened, "stage-0-forth")
    press(opened, Keys.ENTER)
    assert desk(opened, "desk.document.root.stages.map((each) => each.values.name)") == ["tape", "drive"]
    assert opened.switch_to.active_element.get_attribute("id") == "stage-1-back"
    press(opened, "a", "d")
    assert desk(opened, "[desk.current, desk.sound.dry]") == [0, True]
    press(opened, "d")
    summary = "document.activeElement.textContent.trim()"
    for _ in range(200):
        press(opened, Keys.TAB)
        if opened.execute_script(f"return {summary}") == "Hidden comparison":
            break
    press(opened, Keys.ENTER)
    tabbed_to(opened, "second")
    press(opened, "B")
    tabbed_to(opened, "count")
    chord(opened, "a")
    press(opened, "5")
    tabbed_to(opened, "begin")
    press(opened, Keys.ENTER)
    until(lambda: desk(opened, "Boolean(desk.hidden.test)"), "it begins", 120.0)
    chord(opened, "z")
    assert desk(opened, "Boolean(desk.hidden.test)"), "and nothing behind it changes"
    for _ in range(5):
        tabbed_to(opened, "answer-x")
        press(opened, Keys.ENTER)
    assert "of 5" in element(opened, "result-text").text
    opened.execute_script("document.activeElement.blur(); window.scrollTo(0, 0)")
    tabbed_to(opened, "save")
    press(opened, Keys.ENTER)
    assert opened.switch_to.active_element.get_attribute("id") == "save-name"
    chord(opened, "a")
    press(opened, "by-keys")
    tabbed_to(opened, "save-preset")
    press(opened, Keys.ENTER)
    assert element(opened, "save-message").text == "Saved as by-keys.toml"
    tabbed_to(opened, "save-files")
    press(opened, Keys.ENTER)
    told = "Rendered. A browser that asks must be allowed to save several files."
    until(lambda: element(opened, "save-message").text == told, "it is rendered", 120.0)
    assert opened.execute_script("return window.files.length") == 3
    press(opened, Keys.ESCAPE)
    assert not opened.execute_script("return document.getElementById('save-dialog').open")
    assert opened.switch_to.active_element.get_attribute("id") == "save"
    assert opened.get_log("browser") == []


# ---------------------------------------------------------------- two tabs, and what happens to the server


@pytest.fixture
def server(tmp_path: Path, own: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[DeskServer]:
    monkeypatch.setattr(Bench, "measure", lambda *_: 0)  # figures are not looked at
    monkeypatch.setattr(Bench, "measure_file", lambda *_: None)
    source = stem(tmp_path, 2 * RATE)
    made = DeskServer(read_stems([source]), parse_preset(PRESET, name="for-the-test"))
    thread = threading.Thread(target=made.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True)
    thread.start()
    source.unlink()  # what was read is what is served
    yield made
    made.shutdown()
    made.server_close()


def ready(browser: Any) -> None:
    until(lambda: browser.execute_script("return document.body.classList.contains('ready')"), "the desk is ready")


def save_as(browser: Any, name: str) -> str:
    element(browser, "save").click()
    field = element(browser, "save-name")
    field.clear()
    field.send_keys(name)
    element(browser, "save-preset").click()
    until(lambda: element(browser, "save-message").text, "it is told")
    told = str(element(browser, "save-message").text)
    browser.execute_script("document.getElementById('save-dialog').close()")
    return told


@pytest.mark.long
def test_two_tabs_at_one_desk(browser: Any, server: DeskServer, own: Path) -> None:
    """Each has its own settings; neither replaces unasked what the other saved; stems are those that were read."""
    browser.get_log("browser")
    browser.get(server.address)
    ready(browser)
    first = browser.current_window_handle
    browser.switch_to.new_window("tab")
    second = browser.current_window_handle
    try:
        browser.get(server.address)
        assert "this address was used or is wrong; start the desk again" in browser.page_source
        browser.get_log("browser")  # that it was refused
        browser.get(server.origin + server.place)
        ready(browser)
        element(browser, "stage-0-drive_db").send_keys(Keys.END)
        assert "Saved as" in save_as(browser, "from-the-second")
        browser.switch_to.window(first)
        assert "drive_db = 6.0" in desk(browser, "desk.text")
        assert "exists already, saved elsewhere meanwhile; choose another name" in save_as(
            browser, "from-the-second"
        )
        browser.get_log("browser")  # that it was refused
        assert load_preset(own / "from-the-second.toml").chain.stages[0].processor.drive_db == 60.0
        assert "Saved as" in save_as(browser, "from-the-first")
        # Loaded again while it renders, it is the desk of what was saved last, and it plays.
        browser.execute_script(
            "const { desk } = window.tapeemuDesk; desk.sound.file(desk.setup, 0, () => {}, '').catch(() => {})"
        )
        browser.refresh()
        ready(browser)
        assert desk(browser, "desk.names[0]") == "from-the-first"
        element(browser, "play").click()
        until(lambda: desk(browser, "desk.meters?.outPeak > 0.05"), "it sounds")
        element(browser, "play").click()
        assert browser.get_log("browser") == []
    finally:
        browser.switch_to.window(second)
        browser.close()
        browser.switch_to.window(first)


@pytest.mark.long
def test_a_command_that_was_stopped_takes_nothing_away(browser: Any, tmp_path: Path) -> None:
    """It plays on; what cannot be saved is told, and the text is kept."""
    command = [sys.executable, "-m", "tapeemu", "desk", str(stem(tmp_path, 2 * RATE)), "--no-open"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        browser.get(process.stdout.readline().strip())
        ready(browser)
        process.kill()
    element(browser, "play").click()
    until(lambda: desk(browser, "desk.meters?.outPeak > 0.05"), "it sounds")
    element(browser, "play").click()
    browser.execute_script("window.tapeemuDesk.desk.change([0], 'mix_percent', 50, { type: 'number' })")
    text = desk(browser, "desk.text")
    assert "no longer answers; keep the text of the preset" in save_as(browser, "too-late")
    assert desk(browser, "desk.text") == text
    browser.get_log("browser")  # what the browser itself logs of a server that is gone


# ---------------------------------------------------------------- many stems


@pytest.mark.long
def test_twenty_stems_play_together_or_say_that_they_cannot(browser: Any, tmp_path: Path) -> None:
    """Of any machine: sound comes, the page answers, and where sound breaks up for long it says so."""
    sources = [stem(tmp_path, 2 * RATE, f"stem-{number}") for number in range(20)]
    text = load_preset("quarter-inch-at-38").text
    page_of(browser, tmp_path, text[: text.index("[measured]")], sources)
    element(browser, "play").click()
    until(lambda: desk(browser, "desk.sound.place > 0.1"), "it plays", 60.0)
    until(lambda: desk(browser, "desk.meters?.outPeak > 0.01"), "it sounds", 60.0)
    for index in range(1, 20):
        browser.execute_script("document.getElementById(arguments[0]).click()", f"stem-{index}-silent")
    assert desk(browser, "desk.sound.mix.filter((each) => each.silent).length") == 19
    element(browser, "stage-0-mol_db").send_keys(Keys.ARROW_RIGHT)
    until(lambda: not desk(browser, "desk.sound.waiting"), "the change is heard", 60.0)
    element(browser, "play").click()
    assert browser.get_log("browser") == []
