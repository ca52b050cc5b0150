"""The desk left alone for ten minutes, and moved for half an hour."""

import time
from pathlib import Path
from typing import Any

import pytest
from browsers import until
from desk_pages import RATE, desk, page_of, stem

pytestmark = pytest.mark.long

WHOLE_TAPE = Path("presets/quarter-inch-at-38.toml")
MINUTES = 10.0
MOVED_MINUTES = 30.0


def settled_heap_bytes(browser: Any) -> int:
    """JavaScript's memory in use, and that of the page's engines, when what can be collected is."""
    for _ in range(3):
        browser.execute_cdp_cmd("HeapProfiler.collectGarbage", {})
    engines = desk(browser, "desk.sound.engine.memory.buffer.byteLength")
    usage = browser.execute_cdp_cmd("Runtime.getHeapUsage", {})
    return int(usage["usedSize"]) + int(engines)


def test_ten_minutes_without_a_dropout(browser: Any, tmp_path: Path) -> None:
    """By the browser's own count of underruns, from when it has settled; on a machine that is not overloaded."""
    browser.get_log("browser")  # what other pages said
    page_of(browser, tmp_path, WHOLE_TAPE.read_text("utf-8"), [stem(tmp_path, 20 * RATE)])
    browser.find_element("id", "play").click()
    until(lambda: desk(browser, "desk.sound.place > 1"), "it plays")
    time.sleep(5.0)
    if not desk(browser, "Boolean(desk.sound.context.playbackStats)"):
        pytest.skip("this browser counts no underruns")
    before = desk(browser, "desk.sound.context.playbackStats.underrunEvents")
    time.sleep(60.0 * MINUTES)
    assert desk(browser, "desk.sound.context.playbackStats.underrunEvents") == before
    assert browser.get_log("browser") == []


def test_memory_does_not_grow(browser: Any, tmp_path: Path) -> None:
    """For half an hour; half of the changes move a setting of the chain that plays, half make a new chain."""
    browser.get_log("browser")  # what other pages said
    page_of(browser, tmp_path, WHOLE_TAPE.read_text("utf-8"), [stem(tmp_path, 4 * RATE)])
    browser.find_element("id", "play").click()
    until(lambda: desk(browser, "desk.sound.place > 0.5"), "it plays")

    def move(number: int) -> None:
        name, value = ("modulation_noise_db", -50.0 - number % 7) if number % 2 else ("hiss", number % 4 == 0)
        stage = desk(browser, "desk.document.root.stages.findIndex((each) => each.values.kind === 'tape_noise')")
        browser.execute_script(
            "window.tapeemuDesk.desk.change([arguments[0]], arguments[1], arguments[2], {})", stage, name, value
        )

    begun = time.monotonic()
    number = 0
    # The history of undo holds 500 texts: it is full before the first look.
    looks = {}
    while (minutes := (time.monotonic() - begun) / 60.0) < MOVED_MINUTES or number < 1_200:
        move(number)
        until(lambda: not desk(browser, "desk.sound.waiting"), "the change is heard")
        number += 1
        if number == 600:
            looks["early"] = settled_heap_bytes(browser)
    assert minutes >= MOVED_MINUTES
    assert settled_heap_bytes(browser) < looks["early"] + 2_000_000
    assert desk(browser, "desk.sound.busySlots.size") <= 4
    assert browser.get_log("browser") == []
