"""Plug-ins for Windows and for arm64 play the bits of this machine, where Wine and an emulator load them.

    pytest -m long tests/tapeemu/plugins/test_other_machines.py

Needs ziglang, wine (wine64) and qemu-aarch64 (qemu-user, libc6-arm64-cross). No real machine is proven by it: Wine
stands for the system, and the emulator for the processor.
"""

import importlib.util
import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from tapeemu.plugins.building import MACHINES, build, ziglang_for

SHARED = Path(__file__).parents[2] / "shared"
PRESETS = Path(__file__).parents[3] / "presets"
ARM_LIBRARIES = Path("/usr/aarch64-linux-gnu")
BLOCKS_OF_TWO_CHANNELS = 60 * 2 * 500 * 4
needs_linux = pytest.mark.skipif(
    sys.platform != "linux", reason="runs on Linux, as the machine beside which others stand"
)


def held_by_plugins() -> list[str]:
    """Shipped presets without effects of other libraries, which no plug-in holds."""
    return [
        str(path) for path in sorted(PRESETS.glob("*.toml")) if '"plugin_effect"' not in path.read_text("utf-8")
    ]


def played(runner: Sequence[str], host: Path, plugin: Path, out: Path) -> bytes:
    """What a host plays of every preset."""
    quiet = {"WINEDEBUG": "-all", "WINEPREFIX": str(out.parent / "wine"), "DISPLAY": ""}
    # Names without a path: Wine calls folders otherwise.
    for each in held_by_plugins():
        shutil.copy(each, out.parent)
    done = subprocess.run(
        [*runner, str(host), str(plugin), out.name, *(Path(each).name for each in held_by_plugins())],
        cwd=out.parent,
        env={**os.environ, **quiet},
        check=False,
    )
    assert done.returncode == 0
    return out.read_bytes()


def compiled(compiler: Sequence[str], host: Path) -> Path:
    libraries = [] if host.suffix == ".exe" else ["-ldl"]
    subprocess.run([*compiler, "-O1", str(SHARED / "plain_host.c"), *libraries, "-o", str(host)], check=True)
    return host


@needs_linux
@pytest.mark.long
@pytest.mark.skipif(importlib.util.find_spec("ziglang") is None, reason="ziglang, which builds them, is missing")
@pytest.mark.parametrize(
    ("name", "runner"),
    [
        pytest.param("windows-x86-64", ("wine",), id="windows-x86-64"),
        pytest.param("linux-arm64", ("qemu-aarch64", "-L", str(ARM_LIBRARIES)), id="linux-arm64"),
    ],
)
def test_they_play_the_bits_of_this_machine(
    plugins: Path, name: str, runner: tuple[str, ...], tmp_path: Path
) -> None:
    if shutil.which(runner[0]) is None or ("-L" in runner and not ARM_LIBRARIES.is_dir()):
        pytest.skip(f"{runner[0]}, or what it needs, is not installed")
    machine = MACHINES[name]
    theirs = build(machine, folder=tmp_path / "builds", compiler=ziglang_for(machine))
    host = compiled(ziglang_for(machine), tmp_path / ("host.exe" if name.startswith("windows") else "host"))
    expected = played(
        (), compiled(("cc",), tmp_path / "own-host"), plugins / "tapeemu.clap", tmp_path / "expected"
    )
    assert len(expected) == len(held_by_plugins()) * BLOCKS_OF_TWO_CHANNELS
    assert any(expected)
    assert played(runner, host, theirs / "tapeemu.clap", tmp_path / "played") == expected
