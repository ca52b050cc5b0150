"""Plug-ins for every machine from this one: they are built, small, of the right sort, and the same every time."""

import hashlib
import importlib.util
import sys
from pathlib import Path

import pytest

from tapeemu.plugins import building
from tapeemu.plugins.building import MACHINES, Machine, build, cold_functions

MOST_BYTES = 400_000
# First bytes: ELF with its machine at byte 18, MZ of Windows, and the two Mach-O of 64 bits with their processor.
BEGINNINGS = {
    "linux-x86-64": (b"\x7fELF\x02", 18, b"\x3e\x00"),
    "linux-arm64": (b"\x7fELF\x02", 18, b"\xb7\x00"),
    "windows-x86-64": (b"MZ", 0, b"MZ"),
    "macos-x86-64": (b"\xcf\xfa\xed\xfe", 4, b"\x07\x00\x00\x01"),
    "macos-arm64": (b"\xcf\xfa\xed\xfe", 4, b"\x0c\x00\x00\x01"),
}


def test_what_plays_is_made_fast_and_all_else_small() -> None:
    cold = set(cold_functions())
    assert {"stage_design", "tapeemu_create", "read_preset", "core_save", "v3_info", "stage_seek"} <= cold
    assert not cold & {"stage_process", "tapeemu_process", "core_process", "tapeemu_live_process", "run_stage"}
    assert not cold & {
        "drive_process",
        "oversampling_rise",
        "network_mix",
        "weigh_rows",
        "tape_noise_filter_white",
    }


def test_the_plugins_of_this_machine_are_small(plugins: Path) -> None:
    machine = building.this_machine()
    if building.compiler_for(machine)[0] == "gcc":
        pytest.skip("gcc has no switch that makes single functions small")
    assert (plugins / "tapeemu.lv2" / f"tapeemu{machine.ending}").stat().st_size < MOST_BYTES


@pytest.mark.long
@pytest.mark.skipif(
    importlib.util.find_spec("ziglang") is None, reason="ziglang, which builds them, is not installed"
)
@pytest.mark.parametrize("machine", [pytest.param(each, id=each.name) for each in MACHINES.values()])
def test_they_are_built_for_every_machine_twice_with_the_same_bytes(
    machine: Machine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    zig = (sys.executable, "-m", "ziglang", "cc", "-target", machine.target)
    monkeypatch.setattr(building, "compiler_for", lambda _: zig)

    def made(folder: Path) -> dict[str, str]:
        built = build(machine, folder=folder)
        library = built / "tapeemu.lv2" / f"tapeemu{machine.ending}"
        data = library.read_bytes()
        start, place, part = BEGINNINGS[machine.name]
        assert data.startswith(start)
        assert data[place : place + len(part)] == part
        for name in (b"clap_entry", b"lv2_descriptor", b"GetPluginFactory"):
            assert name in data
        assert len(data) < MOST_BYTES, len(data)
        return {
            str(path.relative_to(built)): hashlib.sha256(path.read_bytes()).hexdigest()
            for path in sorted(built.rglob("*"))
            if path.is_file()
        }

    one, other = made(tmp_path / "one"), made(tmp_path / "two")
    assert one == other
    assert len(one) >= 6
