"""A hundred odd sequences of calls through the three formats, all memory and undefined operations watched."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from sanitized_plugins import build_sanitized, runtime

SHARED = Path(__file__).parents[2] / "shared"

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(sys.platform != "linux", reason="the test hosts load libraries of Linux"),
]


def test_odd_sequences_break_nothing_and_leave_nothing(tmp_path: Path) -> None:
    first = runtime()
    if first is None:
        pytest.skip("clang and its sanitizers are not installed (Debian: clang, libclang-rt-14-dev)")
    plugins = build_sanitized(tmp_path / "plugins")
    done = subprocess.run(
        [sys.executable, str(SHARED / "plugin_attacks.py"), str(plugins), "0", "100"],
        env={
            **os.environ,
            "LD_PRELOAD": str(first),
            "ASAN_OPTIONS": "detect_leaks=0",  # Python itself leaks
            "PYTHONMALLOC": "malloc",
            "PYTHONPATH": os.pathsep.join([str(Path(__file__).parents[3]), str(SHARED)]),
        },
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
        timeout=1_800,
    )
    assert done.returncode == 0, done.stdout[-4_000:]
    assert done.stdout.rstrip().endswith("done")
