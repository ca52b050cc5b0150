"""What a host demands of the audio call, and of a library that comes and goes."""

import platform
import re
import shutil
import struct
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from tapeemu.plugins.tables import plugin_kinds

SHARED = Path(__file__).parents[2] / "shared"

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the test host is one of Linux")


@pytest.fixture(scope="module")
def host(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A host that counts what the plug-in asks of the system."""
    compiler = shutil.which("clang") or shutil.which("gcc")
    if compiler is None:
        pytest.skip("there is no compiler for the test host")
    made = tmp_path_factory.mktemp("host") / "quiet"
    source = str(SHARED / "quiet_host.c")
    subprocess.run(
        [compiler, "-O1", "-rdynamic", source, "-o", str(made), "-ldl", "-lpthread"], check=True, timeout=60
    )
    return made


KINDS = ["chain", *(each.kind for each in plugin_kinds())]
QUICK = ["preamp_drive", "fdn_reverb", "amplitude_flutter", "tape_magnetisation", "splices"]
"""Those that are made in a few milliseconds."""


def run(host: Path, plugins: Path, kinds: Sequence[str], reloads: int) -> str:
    """Plug-ins in the host, and what it prints."""
    done = subprocess.run(
        [str(host), str(plugins / "tapeemu.clap"), str(reloads), *(f"tapeemu.{kind}" for kind in kinds)],
        capture_output=True,
        text=True,
        check=False,
        timeout=900,
    )
    assert done.returncode == 0, done.stdout
    return done.stdout


@pytest.mark.skipif(platform.machine() != "x86_64", reason="the test host was tried on x86-64 alone")
def test_the_audio_call_allocates_locks_and_calls_nothing(host: Path, plugins: Path) -> None:
    """While knobs turn and the song jumps. A system call ends the audio thread, so the host waits in vain."""
    assert re.findall(r"tapeemu\.(\w+): 0 calls", run(host, plugins, KINDS, 0)) == KINDS


@pytest.mark.parametrize(("kinds", "count"), [(QUICK, 15), pytest.param(KINDS, 1_000, marks=pytest.mark.long)])
def test_the_library_comes_and_goes_and_leaves_nothing(
    host: Path, plugins: Path, kinds: Sequence[str], count: int
) -> None:
    """Each time a plug-in is made, plays while a knob turns, is saved, loaded and ended: not a block is left."""
    told = run(host, plugins, kinds, count)
    assert told == f"{count} reloads: 0 blocks, 0 maps, 0 threads, 0 files\n"


def test_no_instance_shares_what_can_be_written(plugins: Path) -> None:
    """A library can write to .data and .bss; the start-up code of the system has 16 bytes there at most."""
    data = (plugins / "tapeemu.clap").read_bytes()
    (headers,) = struct.unpack_from("<Q", data, 40)
    size, count, names = struct.unpack_from("<HHH", data, 58)
    rows = [struct.unpack_from("<IIQQQQ", data, headers + size * number) for number in range(count)]
    found = {}
    for row in rows:
        name = data[rows[names][4] + row[0] :].partition(b"\0")[0].decode()
        found[name] = row[5]
    assert ".rodata" in found
    assert sum(found.get(name, 0) for name in (".data", ".bss", ".tdata", ".tbss")) <= 16
