"""Share of one core that the desk's player takes for a whole tape in stereo, in headless chromium.

The page plays a stereo stem into an offline audio context, which runs the very player as fast as it can: the chain
as WebAssembly, the mix, the meters, in quanta of 128 samples. What is told is the processor time of the browser's
renderer (user and system, all its threads) per second of sound, less that of opening the player. Drawing is not in
it. A busy machine changes it by its caches and its clock alone.

    python benchmarks/desk_core.py [PRESET...]

Needs Linux, chromium, its driver and selenium.
"""

import contextlib
import os
import shutil
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

sys.path.insert(0, str(Path(__file__).parent.parent / "tests" / "shared"))
from browsers import FLAGS, until
from desk_pages import RATE, played

from tapeemu.desk.page import write_page
from tapeemu.desk.stems import read_stems
from tapeemu.presets import load_preset

PRESETS = ("quarter-inch-at-38", "studio-at-38-with-hiss", "hall-into-drive", "cassette-average")
SECONDS = 30.0
TICKS = os.sysconf("SC_CLK_TCK")


def browser(folder: Path) -> Any:
    """A headless browser with a profile of its own."""
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium")
    for flag in (*FLAGS, f"--user-data-dir={folder / 'profile'}"):
        options.add_argument(flag)
    driver = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    driver.set_script_timeout(600)
    return driver


def renderer_seconds(driver: Any) -> float:
    """Processor time that the renderers of a browser have taken, from Linux's /proc."""
    parents, ticks, renderers = {}, {}, []
    for entry in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):  # it has ended meanwhile
            fields = (entry / "stat").read_text().rpartition(")")[2].split()
            number = int(entry.name)
            parents[number] = int(fields[1])
            ticks[number] = int(fields[11]) + int(fields[12])
            if b"--type=renderer" in (entry / "cmdline").read_bytes():
                renderers.append(number)
    return sum(ticks[each] for each in renderers if _descends(each, driver.service.process.pid, parents)) / TICKS


def _descends(process: int, from_: int, parents: dict[int, int]) -> bool:
    while process in parents:
        if process == from_:
            return True
        process = parents[process]
    return False


def share_percent(driver: Any, folder: Path, name: str) -> float:
    """Processor time per second of sound, in percent."""
    stem = folder / "stem.wav"
    sound = 0.1 * np.random.default_rng(1).standard_normal((round(SECONDS * RATE), 2))
    soundfile.write(stem, sound, RATE, subtype="PCM_24")
    page = write_page(read_stems([stem]), load_preset(name), folder / "page.html", overwrite=True)
    driver.get(page.as_uri())
    until(lambda: driver.execute_script("return document.body.classList.contains('ready')"), "the desk is ready")
    before = renderer_seconds(driver)
    short = played(driver, 0.1, [])
    begun = renderer_seconds(driver)
    driver.refresh()
    until(lambda: driver.execute_script("return document.body.classList.contains('ready')"), "the desk is ready")
    again = renderer_seconds(driver)
    played(driver, SECONDS, [])
    taken = renderer_seconds(driver) - again - (begun - before)
    return 100.0 * taken / (SECONDS - short.shape[1] / RATE)


def main() -> None:
    """Print a line for each preset."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        driver = browser(folder)
        try:
            for preset in sys.argv[1:] or PRESETS:
                print(f"{preset}: {share_percent(driver, folder, preset):.1f} % of one core")
        finally:
            driver.quit()


if __name__ == "__main__":
    main()
