"""Plug-ins for every machine from this one: they are built, small, of the right sort, and the same every time."""

import hashlib
import importlib.util
import os
import struct
import sys
from pathlib import Path

import pytest

from tapeemu.errors import OutputError
from tapeemu.native.generate import C_FOLDER
from tapeemu.plugins import building
from tapeemu.plugins.building import MACHINES, BuildError, Machine, build, cold_functions

MOST_BYTES = 400_000
# First bytes: ELF with its machine at byte 18, MZ of Windows, and the two Mach-O of 64 bits with their processor.
BEGINNINGS = {
    "linux-x86-64": (b"\x7fELF\x02", 18, b"\x3e\x00"),
    "linux-arm64": (b"\x7fELF\x02", 18, b"\xb7\x00"),
    "windows-x86-64": (b"MZ", 0, b"MZ"),
    "macos-x86-64": (b"\xcf\xfa\xed\xfe", 4, b"\x07\x00\x00\x01"),
    "macos-arm64": (b"\xcf\xfa\xed\xfe", 4, b"\x0c\x00\x00\x01"),
}


def oldest_macos(library: bytes) -> tuple[int, int]:
    """The oldest system that loads a Mach-O, told by command 0x32 of its header (as the format is published)."""
    (count,) = struct.unpack_from("<I", library, 16)
    at = 32
    for _ in range(count):
        command, size = struct.unpack_from("<II", library, at)
        if command == 0x32:
            (version,) = struct.unpack_from("<I", library, at + 12)
            return version >> 16, version >> 8 & 0xFF
        at += size
    raise AssertionError("it does not tell")


def assert_holds_notice(library: bytes) -> None:
    """A plug-in that is copied as a single file carries what its licence asks for in all copies."""
    for words in (b"Copyright (c) 2026, the authors", b"copyright notice and this permission notice", b'"AS IS"'):
        assert words in library


def test_what_plays_is_made_fast_and_all_else_small() -> None:
    cold = set(cold_functions())
    assert {"stage_design", "tapeemu_create", "read_preset", "core_save", "v3_info", "stage_seek"} <= cold
    assert not cold & {"stage_process", "tapeemu_process", "core_process", "tapeemu_live_process", "run_stage"}
    assert not cold & {
        "drive_process",
        "oversampling_rise",
        "network_mix",
        "weigh_rows",
        "tape_noise_filter_numbers",
    }


def test_the_plugins_of_this_machine_are_small(plugins: Path) -> None:
    machine = building.this_machine()
    if building.compiler_for(machine)[0] == "gcc":
        pytest.skip("gcc has no switch that makes single functions small")
    assert (plugins / "tapeemu.lv2" / f"tapeemu{machine.ending}").stat().st_size < MOST_BYTES


def test_sources_and_plugins_are_under_the_licence_of_the_c_library(plugins: Path) -> None:
    for path in building._SOURCES.iterdir():
        assert "SPDX-License-Identifier: ISC" in path.read_text("utf-8"), path.name
    notice = (C_FOLDER / "LICENSE").read_text("utf-8")
    assert "Permission to use, copy, modify, and/or distribute" in notice  # the first words of the ISC licence
    for each in ("tapeemu.lv2", "tapeemu.vst3/Contents/Resources"):
        assert (plugins / each / "LICENSE").read_text("utf-8") == notice
    machine = building.this_machine()
    assert_holds_notice((plugins / "tapeemu.lv2" / f"tapeemu{machine.ending}").read_bytes())


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
        assert_holds_notice(data)
        assert len(data) < MOST_BYTES, len(data)
        assert not machine.name.startswith("macos") or oldest_macos(data) == (11, 0)
        return {
            str(path.relative_to(built)): hashlib.sha256(path.read_bytes()).hexdigest()
            for path in sorted(built.rglob("*"))
            if path.is_file()
        }

    one, other = made(tmp_path / "one"), made(tmp_path / "two")
    assert one == other
    assert len(one) >= 6


def broken_compiler(folder: Path, monkeypatch: pytest.MonkeyPatch, says: bytes) -> None:
    """A compiler that fails with a text."""
    script = folder / "compiler.py"
    script.write_text(f"import sys\nsys.stderr.buffer.write({says!r})\nsys.exit(1)\n")
    monkeypatch.setattr(building, "compiler_for", lambda _: (sys.executable, str(script)))


@pytest.mark.parametrize(
    ("says", "told"),
    [
        (b"note: on the way\nx.c:3:1: error: no space\nx.c:4:1: error: more\n", "x.c:3:1: error: no space"),
        (b"pl\xfctzlich kaputt\n", "tzlich kaputt"),  # a compiler that writes Latin 1
        (b"", "nothing"),
    ],
)
def test_a_compiler_that_fails_is_told_in_one_line_and_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, says: bytes, told: str
) -> None:
    broken_compiler(tmp_path, monkeypatch, says)
    with pytest.raises(BuildError, match="failed and said") as error:
        build(folder=tmp_path / "builds")
    assert told in str(error.value)
    assert "\n" not in str(error.value)
    assert "tapeemu[plugins]" in str(error.value)
    assert not list((tmp_path / "builds").iterdir())


def test_a_compiler_that_does_not_end_is_given_up_with_a_remedy(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(building, "_LONGEST_SECONDS", 0.05)
    with pytest.raises(BuildError, match=r"was not done after 0 s; .*tapeemu\[plugins\]"):
        building._run([sys.executable, "-c", "import time; time.sleep(60)"])


def test_a_cache_that_cannot_be_written_to_is_said_with_a_remedy(tmp_path: Path) -> None:
    (tmp_path / "cache").write_text("a file where the folder should be")
    with pytest.raises(OutputError, match=r"cache.* cannot be written \(.*\); make it writable"):
        build(folder=tmp_path / "cache")


def test_what_another_has_built_meanwhile_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A host may have loaded it already."""

    def compiled_by_another(command: list[str], folder: Path | None = None) -> None:
        library = (folder or Path()) / command[-1]
        library.write_bytes(b"ours")
        theirs = library.parent.with_name(library.parent.name.partition(".part-")[0])
        for each in building.FORMATS:
            (theirs / f"tapeemu.{each}").mkdir(parents=True, exist_ok=True)

    monkeypatch.setattr(building, "_run", compiled_by_another)
    monkeypatch.setattr(building, "compiler_for", lambda _: ("clang",))
    made = build(MACHINES["linux-x86-64"], folder=tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == [made.name]
    assert not list((made / "tapeemu.lv2").iterdir())


def test_builds_that_were_not_used_for_long_are_deleted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    machine, other = MACHINES["linux-x86-64"], MACHINES["macos-arm64"]

    def compiled(work: Path, *_: object) -> None:
        for each in building.FORMATS:
            (work / f"tapeemu.{each}").mkdir(parents=True)

    monkeypatch.setattr(building, "_make", compiled)
    made = [build(machine, folder=tmp_path, compiler=(f"clang-{n}",)) for n in range(building.KEPT_BUILDS)]
    others = [build(other, folder=tmp_path, compiler=("clang",)), tmp_path / "linux-x86-64-own-notes"]
    others[1].mkdir()
    parts = [tmp_path / f"{made[0].name}.part-{number}" for number in (1, 2)]
    for age, path in enumerate([*reversed(made), *others, *parts]):
        path.mkdir(exist_ok=True)
        os.utime(path, (1e9 - age, 1e9 - age))
    os.utime(parts[1])  # another process is at it
    assert build(machine, folder=tmp_path, compiler=("clang-0",)) == made[0]  # the oldest is used again
    newest = build(machine, folder=tmp_path, compiler=("clang-new",))
    left = {made[0], *made[2:], newest, *others, parts[1]}
    assert {path.name for path in tmp_path.iterdir()} == {path.name for path in left}


def test_a_compiler_on_a_full_disk_is_told_as_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    broken_compiler(tmp_path, monkeypatch, b"/usr/bin/ld: x.so: No space left on device\nerror: linker failed\n")
    with pytest.raises(OutputError, match=r"builds cannot be written \(No space left on device\); make room"):
        build(folder=tmp_path / "builds")


def test_this_machine_s_own_compiler_serves_it_and_one_for_many_the_others(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    own = building.this_machine()
    monkeypatch.setattr(building.shutil, "which", lambda name: f"/usr/bin/{name}" if name == "gcc" else None)
    monkeypatch.setattr(building.importlib.util, "find_spec", lambda name: object())
    for machine in MACHINES.values():
        command = building.compiler_for(machine)
        if machine is own and not sys.platform.startswith("win"):
            assert command == ("gcc",)
        else:
            assert command[1:] == ("-m", "ziglang", "cc", "-target", machine.target)
    monkeypatch.setattr(building.importlib.util, "find_spec", lambda name: None)
    for machine in MACHINES.values():
        if machine is not own:
            with pytest.raises(BuildError, match=rf"no compiler for {machine.name}; pip install"):
                building.compiler_for(machine)
