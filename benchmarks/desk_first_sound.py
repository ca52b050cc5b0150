"""How long after the command `tapeemu desk` the first sound comes, with a browser that is open already.

A stereo stem is opened with the whole tape; play is pressed as soon as the page is ready. The first start warms
files and caches and is told apart.

    python benchmarks/desk_first_sound.py

Told as well is the processor time of the command until its address: a busy machine makes the times longer, but not
this. Needs Linux, chromium, its driver and selenium.
"""

import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent.parent / "tests" / "shared"))
from browsers import started, until
from desk_core import TICKS
from desk_pages import RATE, desk, stem

STARTS = 4
PRESET = "quarter-inch-at-38"


def processor_seconds(process: int) -> float:
    """Processor time that a process has taken, from Linux's /proc."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS


def first_sound(driver: Any, source: Path) -> tuple[float, float, float]:
    """Seconds from the command to its address and to the first sound, and processor time to the address."""
    begun = time.perf_counter()
    command = [sys.executable, "-m", "tapeemu", "desk", str(source), "--preset", PRESET, "--no-open"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        address = process.stdout.readline().strip()
        served, taken = time.perf_counter() - begun, processor_seconds(process.pid)
        driver.get(address)
        until(lambda: driver.execute_script("return document.body.classList.contains('ready')"), "ready", 120.0)
        driver.find_element("id", "play").click()
        until(lambda: desk(driver, "desk.meters?.outPeak > 0.001"), "it sounds", 120.0)
        heard = time.perf_counter() - begun
        driver.get("about:blank")
        process.kill()
    return served, heard, taken


def main() -> None:
    """Print a line for each start."""
    with tempfile.TemporaryDirectory() as name:
        source = stem(Path(name), 10 * RATE)
        driver = started(Path(name) / "profile")
        try:
            for start in range(STARTS):
                served, heard, taken = first_sound(driver, source)
                print(
                    f"{'warm' if start else 'first'}: address after {served:.2f} s ({taken:.2f} s of processor "
                    f"time), first sound after {heard:.2f} s",
                    flush=True,
                )
        finally:
            driver.quit()


if __name__ == "__main__":
    main()
