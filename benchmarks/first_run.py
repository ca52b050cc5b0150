"""Seconds of work that the first sound costs more than the next: every kernel compiled into an empty cache.

Goal: under 30 s of processor time. An installed wheel ships no cache, so everybody waits for this once.
"""

import os
import resource
import subprocess
import sys
import tempfile


def seconds_of_work(cache: str) -> float:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(
        [sys.executable, "-m", "tapeemu", "warm"],
        env={**os.environ, "NUMBA_CACHE_DIR": cache, "NUMBA_NUM_THREADS": "1"},
        capture_output=True,
        check=True,
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    with tempfile.TemporaryDirectory() as cache:
        first, second = seconds_of_work(cache), seconds_of_work(cache)
    print(f"all kernels: {first:.1f} s with an empty cache, {second:.1f} s with a full one")
    print(f"compilation: {first - second:.1f} s (goal: under 30 s)")


if __name__ == "__main__":
    main()
