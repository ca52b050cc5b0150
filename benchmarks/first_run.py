"""What the first sound costs: with the compiled library, and by numba with an empty cache.

By numba every kernel is compiled; an installation without a compiler waits for that once.

Goals: under 1 s of processor time from import to sound with the library; under 30 s of compilation without it.
"""

import os
import resource
import subprocess
import sys
import tempfile

from tapeemu.dsp.kernels import by_library

FIRST_SOUND = """
import numpy as np
from tapeemu import PreampDrive
PreampDrive(drive_db=12.0)(np.zeros((2, 4_800)), 48_000.0)
"""


def seconds_of_work(cache: str, loops: str, *arguments: str) -> float:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(
        [sys.executable, *arguments],
        env={**os.environ, "NUMBA_CACHE_DIR": cache, "NUMBA_NUM_THREADS": "1", "TAPEEMU_LOOPS": loops},
        capture_output=True,
        check=True,
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    with tempfile.TemporaryDirectory() as cache:
        warm = ("numba", "-m", "tapeemu", "warm")
        if by_library.is_there():
            seconds = seconds_of_work(cache, "library", "-c", FIRST_SOUND)
            print(f"import to first sound with the library: {seconds:.2f} s (goal: under 1 s)")
        first, second = seconds_of_work(cache, *warm), seconds_of_work(cache, *warm)
    print(f"all kernels: {first:.1f} s with an empty cache, {second:.1f} s with a full one")
    print(f"compilation: {first - second:.1f} s (goal: under 30 s)")


if __name__ == "__main__":
    main()
