"""Seconds to compare orders of the default preset on one minute of stereo, report included.

Prints the two bounds beside what was measured: two orders with figures and report under 15 s, all orders
under 90 s on two cores. The compilation of the kernels, once per installation, is not part of it.
"""

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from tapeemu.files.encodings import Encoding
from tapeemu.files.writer import AudioWriter

RATE = 48_000
SECONDS = 60.0
PRESET = "hall-into-drive"


def write_stem(path: Path) -> None:
    """A minute of plucked chords: decaying partials over soft noise, both channels different."""
    random = np.random.default_rng(5)
    clock = np.arange(round(SECONDS * RATE)) / RATE
    sound = 0.003 * random.standard_normal((2, clock.size))
    for stroke in np.arange(0.2, SECONDS, 0.8):
        begin = round(stroke * RATE)
        since = clock[: clock.size - begin]
        for pitch in random.choice([110.0, 146.8, 164.8, 220.0, 293.7, 329.6], 3, replace=False):
            pan = random.uniform(0.2, 0.8)
            tone = 0.08 * np.exp(-since / 0.7) * np.sin(2.0 * np.pi * pitch * since)
            sound[:, begin:] += np.array([[pan], [1.0 - pan]]) * tone
    with AudioWriter(path, sample_rate=RATE, channels=2, encoding=Encoding("WAV", "PCM_24")) as writer:
        writer.write(sound)


def seconds_of(*arguments: str) -> float:
    began = time.perf_counter()
    subprocess.run([sys.executable, "-m", "tapeemu", "compare", *arguments], check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - began


def main() -> None:
    subprocess.run([sys.executable, "-m", "tapeemu", "warm"], check=True, stdout=subprocess.DEVNULL)
    with tempfile.TemporaryDirectory() as folder:
        stem = Path(folder) / "chords.wav"
        write_stem(stem)
        common = [str(stem), "--preset", PRESET, "--out", folder, "--overwrite"]
        for what, bound, extra in (("two orders", 15.0, []), ("all 24 orders", 90.0, ["--all-orders"])):
            taken = seconds_of(*common, *extra)
            print(
                f"{what}, report included: {taken:5.1f} s (bound {bound:g} s), {bound / taken:.2f} times under it"
            )


if __name__ == "__main__":
    main()
