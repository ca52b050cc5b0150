"""The desk left alone for ten minutes, and moved for half an hour."""

import logging
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
MOVES_AT_ONCE = 20

# Moves one setting after the other, each when the one before is heard; gives what went wrong. The page moves by
# itself: once, on a busy machine, a driver that was asked fifty times a second for half an hour did not answer.
MOVE = """
const [first, count, done] = arguments;
const { desk } = window.tapeemuDesk;
const moment = (milliseconds) => new Promise((resolve) => setTimeout(resolve, milliseconds));
(async () => {
  const stage = desk.document.root.stages.findIndex((each) => each.values.kind === "tape_noise");
  for (let number = first; number < first + count; number += 1) {
    if (number % 2) desk.change([stage], "modulation_noise_db", -50 - (number % 7), {});
    else desk.change([stage], "hiss", number % 4 === 0, {});
    const begun = performance.now();
    while (desk.sound.waiting) {
      if (performance.now() - begun > 20_000) return `change ${number} is not heard`;
      await moment(20);
    }
    await moment(number % 5 ? 20 : 600); // now and then so long that a chain for the next jump is made
  }
  return "";
})().then(done, (error) => done(String(error.stack)));
"""


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
    begun = time.monotonic()
    number, early = 0, None
    # The history of undo holds 500 texts: it is full before the first look.
    while (minutes := (time.monotonic() - begun) / 60.0) < MOVED_MINUTES or number < 1_200:
        assert browser.execute_async_script(MOVE, number, MOVES_AT_ONCE) == ""
        number += MOVES_AT_ONCE
        if early is None and number >= 600:
            early = settled_heap_bytes(browser)
    assert minutes >= MOVED_MINUTES
    assert early is not None
    late = settled_heap_bytes(browser)
    logging.getLogger(__name__).info(
        "%d changes: %.2f MB after 600, then %.2f MB", number, early / 1e6, late / 1e6
    )
    assert late < early + 2_000_000
    assert desk(browser, "desk.sound.busySlots.size") <= 4
    assert browser.get_log("browser") == []
