"""How soon each figure of the desk follows its slider, in headless chromium: the longest of some moves.

The page holds the whole tape at 38 cm/s with a reverberant room behind it. A slider is moved by a key; the time
runs from that event to the first frame after the text of the figure has changed: while nothing plays, and while it
plays. What is heard moves a little by itself: of such a figure the first change counts that is larger than that.
Then the slider is moved every 20 ms for some seconds, back and forth each half second: told is the longest time
without a change. Before each move the figure is left alone until it stands.

    python benchmarks/desk_figures.py [STEMS]

Told as well is the processor time of the browser's renderer for a move while nothing plays, with all that follows
it (a second chain, drawing): a busy machine makes the times longer, but not this. Needs Linux, chromium, its
driver and selenium.
"""

import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

sys.path.insert(0, str(Path(__file__).parent.parent / "tests" / "shared"))
from browsers import started, until
from desk_core import renderer_seconds
from desk_pages import RATE, desk, page_of

from tapeemu.presets import load_preset

MOVES = 4
PRESET = "quarter-inch-at-38"
ROOM = '\n[[stages]]\nname = "room"\nkind = "fdn_reverb"\ndecay_seconds = 1.5\n'
MOVED = {
    "weighted_flutter_percent": ("wow_flutter", "weighted_flutter_percent"),
    "thd_reference_percent": ("tape_response", "mol_db"),
    "thd_now_percent": ("tape_response", "mol_db"),
    "mol_3_percent_db": ("tape_response", "mol_db"),
    "decay_500hz_seconds": ("fdn_reverb", "decay_seconds"),
    "noise_a_weighted_db": ("tape_noise", "track_width_mm"),
    "loudness_change_lu": ("fdn_reverb", "wet_percent"),
}
"""Of each figure the kind of stage and the setting that move it."""

KEYS = {"loudness_change_lu": ("End", "Home")}
"""The keys that move it there and back, where a page up and down changes less than chance does."""

DRAG_KEYS = {"loudness_change_lu": ("PageUp", "PageDown")}
"""The keys of the drag, where arrows move the figure by less than its last digit."""

FAR = {"loudness_change_lu": (0.5, 0.0), "thd_now_percent": (0.0, 0.3)}
"""Changes that count, in the figure's unit and as a share of it, of what moves by itself."""

HEARD = ("thd_now_percent", "loudness_change_lu")
"""Figures of what is heard: they are there only while it plays."""

# Moves a slider some times, in turn; gives milliseconds from each move to the frame that shows the change.
MOVE = """
const [kind, setting, figure, moves, keys, far, done] = arguments;
const { desk } = window.tapeemuDesk;
const stage = desk.document.root.stages.findIndex((each) => each.values.kind === kind);
const groove = document.getElementById(`stage-${stage}-${setting}`);
const { value } = desk.figureCells.get(figure);
const numberOf = ({ textContent }) => parseFloat(textContent.replace("\\u2212", "-"));
const farFrom = (before) => far[0] + far[1] * Math.abs(before);
const moment = () => new Promise((resolve) => setTimeout(resolve, 800));
// Until the figure stands: what was moved before would be taken for what follows.
const standing = async () => {
  for (let tries = 0, last = null; tries < 10; tries += 1) {
    await moment();
    const now = numberOf(value);
    if (last !== null && !(Math.abs(now - last) > farFrom(last))) return;
    last = now;
  }
};
const once = (key) => new Promise((resolve) => {
  const before = value.textContent;
  const begun = performance.now();
  const end = (took) => {
    observer.disconnect();
    clearTimeout(timer);
    resolve(took);
  };
  const observer = new MutationObserver(() => {
    if (value.textContent === before || value.textContent === "\\u2013") return;
    const from = numberOf({ textContent: before });
    if (Math.abs(numberOf(value) - from) < farFrom(from)) return;
    requestAnimationFrame(() => end(performance.now() - begun));
  });
  observer.observe(value, { childList: true, characterData: true, subtree: true });
  const timer = setTimeout(() => end(null), 10000);
  groove.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true, cancelable: true }));
});
(async () => {
  const times = [];
  for (let move = 0; move < moves; move += 1) {
    await standing();
    times.push(await once(keys[move % 2]));
  }
  done(times);
})();
"""

# Moves a slider for some seconds, and back in the end; gives the longest time between two changes in ms.
DRAG = """
const [kind, setting, figure, seconds, keys, done] = arguments;
const { desk } = window.tapeemuDesk;
const stage = desk.document.root.stages.findIndex((each) => each.values.kind === kind);
const groove = document.getElementById(`stage-${stage}-${setting}`);
const { value } = desk.figureCells.get(figure);
const before = desk.text;
const begun = performance.now();
let [last, longest, steps, told] = [begun, 0, 0, value.textContent];
const observer = new MutationObserver(() => {
  if (value.textContent === "\\u2013" || value.textContent === told) return;
  told = value.textContent;
  longest = Math.max(longest, performance.now() - last);
  last = performance.now();
});
observer.observe(value, { childList: true, characterData: true, subtree: true });
const timer = setInterval(() => {
  steps += 1;
  const key = keys[steps % 50 < 25 ? 0 : 1];
  groove.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true, cancelable: true }));
  if (performance.now() - begun < 1000 * seconds) return;
  clearInterval(timer);
  observer.disconnect();
  desk.edit(before, "back");
  done(Math.max(longest, performance.now() - last));
}, 20);
"""


def opened(driver: Any, folder: Path, stems: int) -> None:
    """The page with the preset and so many stereo stems of noise."""
    paths = []
    for number in range(stems):
        path = folder / f"stem-{number}.wav"
        noise = 0.1 * np.random.default_rng(number).standard_normal((10 * RATE, 2))
        soundfile.write(path, noise, RATE, subtype="PCM_24")
        paths.append(path)
    text = load_preset(PRESET).text
    page_of(driver, folder, text[: text.index("[measured]")].rstrip() + "\n" + ROOM, paths)


def longest_seconds(driver: Any, figure: str, moves: int) -> float:
    """Longest time from a move to its figure; infinite where none came."""
    times = driver.execute_async_script(
        MOVE, *MOVED[figure], figure, moves, KEYS.get(figure, ("PageUp", "PageDown")), FAR.get(figure, (0.0, 0.0))
    )
    return max(float("inf") if each is None else each / 1000.0 for each in times)


def processor_seconds(driver: Any, figure: str) -> float:
    """Processor time of the renderer for a move, until all is still again."""
    before = renderer_seconds(driver)
    longest_seconds(driver, figure, MOVES)
    return (renderer_seconds(driver) - before) / MOVES


def dragged_seconds(driver: Any, figure: str, seconds: float) -> float:
    """Longest time without a change of a figure while its slider moves all the time."""
    keys = DRAG_KEYS.get(figure, ("ArrowRight", "ArrowLeft"))
    return float(driver.execute_async_script(DRAG, *MOVED[figure], figure, seconds, keys)) / 1000.0


def main() -> None:
    """Print a line for each figure."""
    with tempfile.TemporaryDirectory() as name:
        driver = started(Path(name) / "profile", "--window-size=1440,1000")
        driver.set_script_timeout(120)
        try:
            opened(driver, Path(name), int(sys.argv[1]) if len(sys.argv) > 1 else 1)
            still = {figure: longest_seconds(driver, figure, MOVES) for figure in MOVED if figure not in HEARD}
            taken = {figure: processor_seconds(driver, figure) for figure in still}
            driver.find_element("id", "play").click()
            until(lambda: desk(driver, "desk.sound.place > 1"), "it plays")
            for figure in MOVED:
                paused = "not there"
                if figure in still:
                    paused = f"{still[figure]:.2f} s ({taken[figure]:.2f} s of processor time a move)"
                playing = longest_seconds(driver, figure, MOVES)
                dragged = dragged_seconds(driver, figure, 5.0)
                print(f"{figure}: paused {paused}, playing {playing:.2f} s, dragged {dragged:.2f} s", flush=True)
        finally:
            driver.quit()


if __name__ == "__main__":
    main()
