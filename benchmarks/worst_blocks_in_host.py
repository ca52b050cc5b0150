"""Slowest block over the mean in a host, in instructions as valgrind counts them: five sizes, 48 kHz, stereo.

Bound: 3. A plug-in plays on ("still"), a knob turns so that another chain takes over ("knob"; of the plug-in that
holds a chain it chooses a preset), the song jumps ("jump"). The mean is that of all blocks of the scene.

A jump of a room is over the bound in blocks shorter than 512 samples: its memory, 1.8 MB, is cleared in the audio
call, and valgrind counts each byte of a clearing as an instruction.

    python benchmarks/worst_blocks_in_host.py [KIND...]
"""

import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from tapeemu.plugins.building import build

SHARED = Path(__file__).parent.parent / "tests" / "shared"
BLOCKS = (16, 64, 128, 512, 1024)
SCENES = ("still", "knob", "jump")
KNOBS = {
    "chain": "Preset",
    "fdn_reverb": "Wet",
    "preamp_drive": "Asymmetry",
    "wow_flutter": "Random",
    "amplitude_flutter": "Random",
}


def counted(folder: Path, host: Path, kind: str, block: int, scene: str) -> list[int]:
    """Instructions of each block."""
    library = str(build() / "tapeemu.clap")
    subprocess.run(
        [
            *("valgrind", "--tool=callgrind", "--toggle-collect=play", "--dump-after=play"),
            *(f"--callgrind-out-file={folder}/out", "-q"),
            *(str(host), library, f"tapeemu.{kind}", str(block), scene, KNOBS[kind]),
        ],
        check=True,
        capture_output=True,
    )
    found = {}
    for path in folder.glob("out.*"):
        told = re.search(r"^(?:summary|totals): (\d+)", path.read_text("utf-8"), re.M)
        if told and int(told[1]):
            found[int(path.suffix[1:])] = int(told[1])
        path.unlink()
    return [found[number] for number in sorted(found)]


def main() -> None:
    if shutil.which("valgrind") is None:
        sys.exit("valgrind is not installed (Debian: valgrind)")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        host = folder / "host"
        source = str(SHARED / "counted_host.c")
        subprocess.run(["cc", "-O1", "-g", source, "-o", str(host), "-ldl"], check=True)
        for kind in sys.argv[1:] or KNOBS:
            for scene in SCENES:
                told = []
                for block in BLOCKS:
                    each = counted(folder, host, kind, block, scene)
                    told.append(f"{block}: {max(each) * len(each) / sum(each):5.2f}")
                print(f"{kind:18} {scene:6} " + "   ".join(told), flush=True)


if __name__ == "__main__":
    main()
