"""What a host demands of the audio call, and of a library that comes and goes."""

import platform
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tapeemu.plugins.tables import plugin_kinds

SHARED = Path(__file__).parents[2] / "shared"

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the test host is one of Linux")


@pytest.mark.skipif(platform.machine() != "x86_64", reason="the test host was tried on x86-64 alone")
def test_the_audio_call_allocates_locks_and_calls_nothing(plugins: Path, tmp_path: Path) -> None:
    """While knobs turn and the song jumps. A system call ends the audio thread, so the host waits in vain."""
    compiler = shutil.which("clang") or shutil.which("gcc")
    if compiler is None:
        pytest.skip("there is no compiler for the test host")
    host = tmp_path / "quiet"
    source = str(SHARED / "quiet_host.c")
    subprocess.run(
        [compiler, "-O1", "-rdynamic", source, "-o", str(host), "-ldl", "-lpthread"], check=True, timeout=60
    )
    kinds = ["chain", *(each.kind for each in plugin_kinds())]
    done = subprocess.run(
        [str(host), str(plugins / "tapeemu.clap"), *(f"tapeemu.{kind}" for kind in kinds)],
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    assert done.returncode == 0, done.stdout
    assert re.findall(r"tapeemu\.(\w+): 0 calls", done.stdout) == kinds


RELOADS = """
import ctypes, sys
from _ctypes import dlclose
from pathlib import Path

def held_kilobytes():
    rows = Path("/proc/self/status").read_text().splitlines()
    return int(next(row for row in rows if row.startswith("VmRSS")).split()[1])

def threads():
    return len(list(Path("/proc/self/task").iterdir()))

for number in range(1_050):
    if number == 50:
        before = held_kilobytes()
    library = ctypes.CDLL(sys.argv[1])
    entry = ctypes.addressof(ctypes.c_char.in_dll(library, "clap_entry"))
    begin = ctypes.cast(entry + 16, ctypes.POINTER(ctypes.c_void_p))
    assert ctypes.CFUNCTYPE(ctypes.c_bool, ctypes.c_char_p)(begin[0])(b"")
    ctypes.CFUNCTYPE(None)(begin[1])()
    dlclose(library._handle)
    assert "tapeemu.clap" not in Path("/proc/self/maps").read_text()
print(held_kilobytes() - before, threads())
"""


@pytest.mark.long
def test_the_library_is_loaded_and_unloaded_a_thousand_times(plugins: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", RELOADS, str(plugins / "tapeemu.clap")],
        capture_output=True,
        text=True,
        check=True,
        timeout=300,
    )
    grown, threads = map(int, done.stdout.split())
    assert grown < 1_000
    assert threads == 1
