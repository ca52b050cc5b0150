"""Memory of one job: a two-hour stereo file through a shipped preset, each case in a process of its own.

Bound: less than 300 MB resident at the highest, whatever the length.
"""

import subprocess
import sys
import tempfile
from pathlib import Path

import soundfile

RATE = 48_000
PRESET = "hall-into-drive"
CODE = """
import sys, resource
from tapeemu.cli import main
sys.argv = ["tapeemu", *sys.argv[1:]]
try:
    main()
except SystemExit as ended:
    status = ended.code
print("KB", resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
sys.exit(status)
"""


def make(path: Path, seconds: int) -> None:
    with soundfile.SoundFile(path, "w", RATE, 2, "PCM_16") as file:
        import numpy as np

        minute = np.random.default_rng(1).uniform(-0.3, 0.3, (60 * RATE, 2))
        for _ in range(seconds // 60):
            file.write(minute)


def resident(folder: Path, source: Path, *options: str) -> float:
    command = [sys.executable, "-c", CODE, "process", str(source), "-p", PRESET, "-o", str(folder / "out")]
    done = subprocess.run([*command, "--overwrite", *options], capture_output=True, text=True, check=True)
    return float(done.stdout.split("KB")[-1]) / 1024.0


def main() -> None:
    print(f"Highest resident memory of one job, preset {PRESET!r} (bound 300 MB)")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for title, minutes, options in (
            ("one minute", 1, ()),
            ("two hours", 120, ()),
            ("two hours as FLAC, to 44.1 kHz", 120, ("--format", "flac", "--rate", "44100")),
            ("half an hour with a loudness target", 30, ("--loudness-lufs", "-23")),
        ):
            source = folder / "in.wav"
            make(source, 60 * minutes)
            print(f"  {title:40s} {resident(folder, source, *options):6.0f} MB", flush=True)


if __name__ == "__main__":
    main()
