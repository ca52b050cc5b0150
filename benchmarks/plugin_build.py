"""How long the plug-ins of this machine take to build, by each compiler that is here, and how large they are.

Goal: under a minute (docs/in-the-host.md).
"""

import shutil
import tempfile
import time
from pathlib import Path

from tapeemu.plugins import building


def main() -> None:
    machine = building.this_machine()
    for name in ("clang", "gcc"):
        if shutil.which(name) is None:
            continue
        with tempfile.TemporaryDirectory() as folder:
            begun = time.perf_counter()
            made = building.build(machine, folder=Path(folder), compiler=(name,))
            seconds = time.perf_counter() - begun
            size = sum(path.stat().st_size for path in made.rglob("*") if path.is_file())
        print(f"{name}: {seconds:.1f} s, {size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
