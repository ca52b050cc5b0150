"""The report in a real browser, opened from disk: plays, switches without a gap, loops, completes blind tests.

Needs chromium and its driver (on Debian: the packages chromium and chromium-driver).
"""

import csv
import io
import json
import math
import shutil
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browsers import started, until

from tapeemu.chain import Chain, Stage
from tapeemu.comparison import Comparison, MeasuringPlan, compare
from tapeemu.processors.plugin_effect import PluginEffect
from tapeemu.report import write_report

pytest.importorskip("selenium", reason="selenium is not installed")
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.select import Select

RATE = 48_000
SECONDS = 3.0
HOSTILE = '</script><img src=x onerror="document.title=1">&"\'`$x_1$ [b]{{ 7*7 }}'


def sine_comparison(name: str) -> Comparison:
    """Orders that differ in nothing: a switch between them must leave a sine whole."""
    gain = PluginEffect(effect="Gain", parameters={"gain_db": 0.0})
    chain = Chain(stages=[Stage(processor=gain, name="one"), Stage(processor=gain, name=HOSTILE)])
    time_ = np.arange(round(SECONDS * RATE)) / RATE
    sine = np.tile(0.25 * np.sin(2.0 * np.pi * 500.0 * time_), (2, 1))
    plan = MeasuringPlan(glide_decays=1.0, glides=1, bursts=1, most_bursts=1, tapes=1, most_tapes=1)
    return compare(sine, chain, orders="all", sample_rate=RATE, name=name, plan=plan, tail_seconds=0.0)


@pytest.fixture(scope="module")
def comparison() -> Comparison:
    return sine_comparison(HOSTILE)


@pytest.fixture(scope="module")
def page(comparison: Comparison, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("inside") / "report.html"
    assert write_report(comparison, path) == [path]
    return path


@pytest.fixture(scope="module")
def page_beside(comparison: Comparison, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("beside") / "a #name? 100%.html"
    written = write_report(comparison, path, embed_limit_mb=0.0)
    assert [file.name for file in written[1:]] == ["order-0.js", "order-1.js", "order-2.js"]
    return path


@pytest.fixture(scope="module")
def downloads(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("downloads")


@pytest.fixture(scope="module")
def browser(downloads: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    driver = started(tmp_path_factory.mktemp("profile"), downloads=downloads)
    yield driver
    driver.quit()


@pytest.fixture
def opened(browser: Any, page: Path) -> Any:
    browser.get(page.as_uri())
    browser.execute_script("document.querySelectorAll('details.tools').forEach((one) => { one.open = true; })")
    return browser


def element(browser: Any, name: str) -> Any:
    return browser.find_element(By.ID, name)


def radio_of(browser: Any, track: int) -> Any:
    return browser.find_element(By.CSS_SELECTOR, f'input[name="track"][value="{track}"]')


def press(browser: Any, name: str) -> None:
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", element(browser, name))
    element(browser, name).click()


def player(browser: Any, expression: str) -> Any:
    return browser.execute_script(f"const player = window.tapeemuReport.player; return {expression}")


def play(browser: Any) -> None:
    press(browser, "play")
    until(lambda: player(browser, "player.playing && player.voices.size === 3"), "all sounds play together")


# The page's own player in a context that renders as fast as it can, so that every sample is seen and the load of
# the machine does not matter. At each of the given times the given script runs; what is heard comes back.
OFFLINE = """
const [seconds, times, done] = arguments;
const player = window.tapeemuReport.player;
const context = new OfflineAudioContext(1, seconds * 48000, 48000);
player.context = context;
player.master = context.createGain();
player.master.connect(context.destination);
(async () => {
  for (const index of [0, 1, 2]) await player.load(index);
  player.begin(player.offset);
  times.forEach((time, step) => context.suspend(time).then(() => {
    SCRIPT;
    context.resume();
  }));
  done([...(await context.startRendering()).getChannelData(0)]);
})();
"""


def rendered(browser: Any, seconds: float, times: list[float], script: str) -> Any:
    browser.set_script_timeout(30)
    return np.array(browser.execute_async_script(OFFLINE.replace("SCRIPT", script), seconds, times))


def test_it_plays_and_pauses_from_disk(opened: Any) -> None:
    assert element(opened, "play").text == "Play"
    play(opened)
    assert element(opened, "play").text == "Pause"
    before = player(opened, "player.place")
    until(lambda: player(opened, "player.place") > before + 0.2, "the position moves on")
    press(opened, "play")
    assert not player(opened, "player.playing")
    here = player(opened, "player.place")
    time.sleep(0.1)
    assert player(opened, "player.place") == here > 0.2
    assert element(opened, "player-message").text == ""


def test_a_switch_leaves_no_gap(opened: Any) -> None:
    """500 Hz at 48 kHz: each sample equals the one 96 before it, unless something was lost or doubled."""
    times = [0.3, 0.5, 0.501, 0.7, 0.9]  # one of them in the middle of a crossfade
    heard = rendered(opened, 1.2, times, "player.choose([2, 1, 0, 2, 1][step])")
    assert player(opened, "player.current") == 1
    steady = heard[RATE // 5 :]
    amplitude = float(np.max(np.abs(steady)))
    assert amplitude == pytest.approx(0.25, rel=0.01)
    # What is left is the dither of 16 bits.
    assert np.max(np.abs(steady[96:] - steady[:-96])) < 6.0 * 2.0**-15


def test_all_orders_run_aligned(opened: Any) -> None:
    """Two orders at once, one turned round: what is left of equal, aligned sounds is their dither."""
    script = """
        for (const [index, sign] of [[0, 0], [1, 1], [2, -1]]) {
          const gain = player.voices.get(index).gain.gain;
          gain.cancelScheduledValues(0);
          gain.setValueAtTime(sign, player.context.currentTime);
        }"""
    heard = rendered(opened, 1.0, [0.2], script)
    assert np.max(np.abs(heard[RATE // 10 : RATE // 5 - 200])) > 0.05
    assert np.max(np.abs(heard[RATE // 4 :])) < 6.0 * 2.0**-15


def test_a_sound_decoded_later_joins_in_step(opened: Any) -> None:
    """As with many orders: the second is forgotten, then chosen while the first plays; the sine stays whole."""
    script = """
        if (step === 0) { player.voices.get(2).source.disconnect(); player.voices.delete(2); }
        else player.choose(2);"""
    heard = rendered(opened, 1.0, [0.2, 0.4], script)
    steady = heard[RATE // 2 :]
    before = heard[RATE // 5 : RATE // 5 + steady.size]
    assert np.max(np.abs(steady)) == pytest.approx(np.max(np.abs(before)), rel=0.01)
    shifted = heard[RATE // 2 - 96 * 100 :][: steady.size]
    assert np.max(np.abs(steady - shifted)) < 6.0 * 2.0**-15


def test_it_repeats_the_chosen_part(opened: Any) -> None:
    for name, value in (("from", "0.5"), ("to", "0.8")):
        field = element(opened, name)
        field.send_keys(Keys.CONTROL, "a")
        field.send_keys(value, Keys.TAB)
    press(opened, "loop")
    play(opened)
    seen: list[float] = []
    end = time.monotonic() + 20.0  # a busy machine looks seldom; the part lasts 0.3 s
    while time.monotonic() < end and not (
        seen and min(seen) < 0.6 and max(seen) > 0.7 and sum(b < a for a, b in pairwise(seen)) >= 2
    ):
        seen.append(player(opened, "player.place"))
    assert player(opened, "player.playing")
    assert 0.5 <= min(seen) < 0.6
    assert 0.7 < max(seen) <= 0.8
    assert sum(later < earlier for earlier, later in pairwise(seen)) >= 2


def test_keys_do_what_the_page_says(opened: Any) -> None:
    body = opened.find_element(By.TAG_NAME, "body")
    body.send_keys("p")
    until(lambda: player(opened, "player.playing"), "P plays")
    body.send_keys("2")
    until(lambda: player(opened, "player.current === 2"), "2 chooses the second order")
    assert radio_of(opened, 2).is_selected()
    body.send_keys("]")
    assert element(opened, "loop").is_selected()
    body.send_keys("l")
    assert not element(opened, "loop").is_selected()
    body.send_keys(" ")
    until(lambda: not player(opened, "player.playing"), "space pauses")
    here = player(opened, "player.place")
    body.send_keys(",")
    assert player(opened, "player.place") == pytest.approx(max(here - 1.0, 0.0), abs=0.01)
    opened.execute_script("document.getElementById('keys').checked = false")
    body.send_keys("p")
    assert not player(opened, "player.playing")


def test_what_is_heard_stands_out_in_the_drawings_but_not_in_a_blind_test(opened: Any) -> None:
    def marked() -> set[str]:
        found = opened.find_elements(By.CSS_SELECTOR, ".strip path.on")
        return {path.get_attribute("data-track") for path in found}

    assert marked() == {"1"}
    opened.find_element(By.TAG_NAME, "body").send_keys("2")
    assert marked() == {"2"}
    assert len(opened.find_elements(By.CSS_SELECTOR, ".strip path.on")) == 4
    press(opened, "begin")
    until(lambda: player(opened, "player.playing"), "the test plays by itself")
    assert marked() == set()
    press(opened, "hear-y")
    assert marked() == set()
    press(opened, "abandon")
    assert marked() == {"1"}


def test_what_is_folded_opens_when_it_is_asked_for(opened: Any) -> None:
    figures = opened.find_element(By.CSS_SELECTOR, "#figures > details")
    assert not figures.get_attribute("open")
    opened.find_element(By.CSS_SELECTOR, 'nav a[href="#figures"]').click()
    until(lambda: figures.get_attribute("open"), "the figures unfold")


def test_it_stops_at_the_end(opened: Any) -> None:
    opened.execute_script("window.tapeemuReport.player.go(2.7)")
    play(opened)
    until(lambda: not player(opened, "player.playing"), "the end is reached", 5.0)
    assert player(opened, "player.place") == 0
    assert element(opened, "play").text == "Play"


def test_a_blind_test_from_begin_to_end(opened: Any, downloads: Path) -> None:
    """The p-value is the binomial tail, computed here by math.comb."""
    right = 12
    press(opened, "begin")
    until(lambda: player(opened, "player.playing"), "the test plays by itself")
    assert not opened.find_elements(By.NAME, "track")[0].is_enabled()
    assert not any(radio.is_selected() for radio in opened.find_elements(By.NAME, "track"))
    for trial in range(16):
        assert f"Trial {trial + 1} of 16" in element(opened, "trial-status").text
        press(opened, "hear-x")
        x = player(opened, "player.current")
        press(opened, "hear-y")
        assert {x, player(opened, "player.current")} == {1, 2}
        truth, lie = ("answer-x", "answer-y") if x == 1 else ("answer-y", "answer-x")
        press(opened, truth if trial < right else lie)
    p_value = sum(math.comb(16, k) for k in range(right, 17)) / 2**16
    text = element(opened, "result-text").text
    assert text.startswith(f"{right} of 16 right")
    assert f"p = {p_value:.4f}" in text
    assert element(opened, "result-note").text.startswith("By guessing alone this would be rare")
    assert len(opened.find_elements(By.CSS_SELECTOR, "#result-rows tr")) == 16

    for kind in ("json", "csv"):
        (downloads / f"answers.{kind}").unlink(missing_ok=True)
        press(opened, f"save-{kind}")
        until((downloads / f"answers.{kind}").exists, f"the {kind} is saved")
    saved = json.loads((downloads / "answers.json").read_text("utf-8"))
    assert saved["p_value"] == pytest.approx(p_value, rel=1e-12)
    assert saved["stem"] == HOSTILE
    assert sum(answer["right"] for answer in saved["answers"]) == saved["first_chosen"] == right
    rows = list(csv.DictReader(io.StringIO((downloads / "answers.csv").read_text("utf-8"))))
    assert [row["right"] for row in rows].count("true") == right
    assert rows[0]["stem"] == HOSTILE


@pytest.mark.parametrize(("right", "rare"), [(16, True), (11, False), (8, False), (0, False)])
def test_the_blind_test_gives_the_binomial_chance(opened: Any, right: int, rare: bool) -> None:
    press(opened, "begin")
    opened.execute_script(
        "for (let trial = 0; trial < 16; trial += 1) {"
        "  const first = window.tapeemuReport.player.current === 1;"
        "  document.getElementById(first === (trial < arguments[0]) ? 'answer-x' : 'answer-y').click(); }",
        right,
    )
    p_value = sum(math.comb(16, k) for k in range(right, 17)) / 2**16
    text = element(opened, "result-text").text
    assert text.startswith(f"{right} of 16 right")
    assert ("p under 0.0001" if p_value < 1e-4 else f"p = {p_value:.4f}") in text
    assert element(opened, "result-note").text.startswith("By guessing alone this would be rare") is rare


def test_which_is_hidden_changes_by_chance(opened: Any) -> None:
    """Of 100 fair coins, all but one in a thousand million show 20 to 80 heads."""
    element(opened, "count").clear()
    element(opened, "count").send_keys("100")
    press(opened, "begin")
    until(lambda: player(opened, "player.playing"), "the test plays")
    heads = opened.execute_script(
        "let heads = 0;"
        "for (let trial = 0; trial < 100; trial += 1) {"
        "  if (window.tapeemuReport.player.current === 1) heads += 1;"
        "  document.getElementById('answer-x').click();"
        "} return heads;"
    )
    assert 20 <= heads <= 80
    assert element(opened, "result-text").text.startswith(f"{heads} of 100 right")


def test_a_preference_is_two_sided_and_hides_the_names(opened: Any) -> None:
    Select(element(opened, "question")).select_by_value("prefer")
    element(opened, "count").clear()
    element(opened, "count").send_keys("10")
    press(opened, "begin")
    until(lambda: player(opened, "player.playing"), "the test plays")
    assert not element(opened, "hear-first").is_displayed()
    for trial in range(10):
        press(opened, "hear-x")
        first_is_x = player(opened, "player.current") == 1
        press(opened, "answer-x" if first_is_x == (trial < 9) else "answer-y")
    expected = 2.0 * sum(math.comb(10, k) for k in (9, 10)) / 2**10
    assert f"p = {expected:.4f}" in element(opened, "result-text").text
    assert "two-sided" in element(opened, "result-text").text


def test_an_abandoned_test_says_so(opened: Any) -> None:
    press(opened, "begin")
    until(lambda: player(opened, "player.playing"), "the test plays")
    press(opened, "answer-x")
    press(opened, "abandon")
    assert "ended early" in element(opened, "result-note").text
    assert opened.find_elements(By.NAME, "track")[1].is_enabled()


def test_two_equal_sounds_are_refused(opened: Any) -> None:
    Select(element(opened, "second")).select_by_value("1")
    press(opened, "begin")
    assert element(opened, "trial-message").text == "Choose two different sounds."
    assert not element(opened, "blind-run").is_displayed()


def test_sound_beside_the_page_plays_too(browser: Any, page_beside: Path) -> None:
    browser.get(page_beside.as_uri())
    play(browser)
    assert element(browser, "player-message").text == ""


def test_lost_sound_is_named(browser: Any, page_beside: Path, tmp_path: Path) -> None:
    lonely = tmp_path / page_beside.name
    shutil.copy(page_beside, lonely)
    browser.get(lonely.as_uri())
    press(browser, "play")
    message = until(lambda: element(browser, "player-message").text, "a message")
    assert "order-1.js is missing" in message


def test_nothing_is_asked_from_the_network(browser: Any, page: Path) -> None:
    browser.get_log("performance")
    browser.get(page.as_uri())
    play(browser)
    asked = [
        message["params"]["request"]["url"]
        for entry in browser.get_log("performance")
        if (message := json.loads(entry["message"])["message"])["method"] == "Network.requestWillBeSent"
    ]
    assert asked
    assert all(url.startswith(("file:", "data:", "blob:")) for url in asked)


def test_hostile_names_stay_text(opened: Any) -> None:
    assert opened.title == f"Which order? {HOSTILE}"
    assert opened.find_element(By.CSS_SELECTOR, "header p").text == HOSTILE
    assert not opened.find_elements(By.CSS_SELECTOR, "img")
    labels = [
        label.get_attribute("textContent") for label in opened.find_elements(By.CSS_SELECTOR, ".tracks label")
    ]
    assert any(HOSTILE in label for label in labels)


def test_no_complaint_in_the_console(browser: Any, page: Path) -> None:
    browser.get_log("browser")
    browser.get(page.as_uri())
    play(browser)
    assert [entry for entry in browser.get_log("browser") if entry["level"] in ("SEVERE", "WARNING")] == []


@pytest.mark.parametrize("width", [360, 390, 820, 1440])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_fits_and_can_be_read(opened: Any, width: int, scheme: str) -> None:
    """No sideways scrolling of the page; text against its ground at 4.5 to one or better (WCAG 2.2, 1.4.3)."""
    opened.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 800, "deviceScaleFactor": 1, "mobile": width < 500},
    )
    opened.execute_cdp_cmd(
        "Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
    )
    try:
        assert opened.execute_script("return document.documentElement.scrollWidth") <= width
        colours = opened.execute_script(
            "const style = getComputedStyle(document.documentElement);"
            "return Object.fromEntries(['ground', 'raised', 'ink', 'soft', 'mark', 'on-mark', 'line-1', 'line-2',"
            " 'line-3', 'line-4', 'line-5', 'line-6', 'line-7', 'line-8']"
            ".map((name) => [name, style.getPropertyValue('--' + name).trim()]))"
        )
        for text, ground in (("ink", "ground"), ("ink", "raised"), ("soft", "ground"), ("soft", "raised"),
                             ("mark", "ground"), ("on-mark", "mark")):  # fmt: skip
            assert contrast(colours[text], colours[ground]) >= 4.5, (text, ground)
        for number in range(1, 9):  # graphics: 1.4.11
            for ground in ("ground", "raised"):
                assert contrast(colours[f"line-{number}"], colours[ground]) >= 3.0, (number, ground)
    finally:
        opened.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
        opened.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})


def contrast(one: str, two: str) -> float:
    """Contrast ratio of WCAG 2.2."""

    def luminance(colour: str) -> float:
        parts = np.array([int(colour[place : place + 2], 16) for place in (1, 3, 5)]) / 255.0
        linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
        return float(linear @ [0.2126, 0.7152, 0.0722])

    light, dark = sorted((luminance(one), luminance(two)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_labels_of_axes_cover_no_curve(opened: Any) -> None:
    """They lay on the curves, on a ground of their own, and left stubs of lines at the left axis."""
    labels = opened.execute_script("""
        const strips = [...document.querySelectorAll('.strip.curve')];
        return strips.flatMap((strip) => [...strip.querySelectorAll('.level span')].map((label) => [
            strip.querySelector('svg').getBoundingClientRect().left - label.getBoundingClientRect().right,
            label.getBoundingClientRect().left - strip.parentElement.getBoundingClientRect().left,
        ]));
    """)
    assert len(labels) >= 6
    for from_curve, from_edge in labels:
        assert from_curve >= 0.0
        assert from_edge >= 0.0


def test_everything_has_a_name_and_an_order(opened: Any) -> None:
    """Names from the browser's own accessibility tree; headings go down one step at a time."""
    opened.execute_script("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    nodes = opened.execute_cdp_cmd("Accessibility.getFullAXTree", {})["nodes"]
    roles = ("button", "checkbox", "radio", "slider", "spinbutton", "combobox", "link", "image", "region", "table")
    found = [node for node in nodes if not node.get("ignored") and node["role"]["value"] in roles]
    nameless = [node["role"]["value"] for node in found if not node.get("name", {}).get("value")]
    # Tables take their name from the caption, or stand alone in a region that has one.
    assert [role for role in nameless if role != "table"] == []
    assert {"button", "radio", "slider", "image"} <= {node["role"]["value"] for node in found}
    levels = [int(heading.tag_name[1]) for heading in opened.find_elements(By.CSS_SELECTOR, "h1, h2, h3")]
    assert levels[0] == 1
    assert all(later <= earlier + 1 for earlier, later in pairwise(levels))
    assert opened.find_element(By.TAG_NAME, "html").get_attribute("lang") == "en"
    assert element(opened, "trial-status").get_attribute("aria-live") == "polite"
    focused = []
    opened.find_element(By.TAG_NAME, "body").send_keys(Keys.TAB)
    for _ in range(12):
        focused.append(opened.switch_to.active_element.get_attribute("id") or "")
        opened.switch_to.active_element.send_keys(Keys.TAB)
    wanted = [name for name in focused if name in ("play", "back", "volume", "place", "loop")]
    assert wanted == sorted(wanted, key=["play", "back", "volume", "place", "loop"].index)
    assert "play" in wanted
