"""Wheels of a release: what they bring is used where it fits, and the same sources give the same bytes.

    pytest -m long tests/test_release.py

makes the wheel of this machine and installs it where there is no compiler. ``python -m tapeemu.release --check``
makes those of every machine twice.
"""

import importlib.util
import os
import shutil
import subprocess
import sys
import types
import typing
import venv
import zipfile
from pathlib import Path

import pytest
from modules import module_at

from tapeemu import loop_library, release
from tapeemu.cli import plugins as commands
from tapeemu.plugins import building
from tapeemu.plugins.building import FORMATS, MACHINES, BuildError, build, carried, find_built, source_digest

ROOT = Path(__file__).parent.parent


@pytest.fixture
def brought(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """What a wheel would bring to this machine, where nothing else is built and nothing can be."""
    monkeypatch.setattr(building, "CARRIED", tmp_path / "binaries")
    monkeypatch.setattr(building, "_cache", lambda: tmp_path / "cache")

    def none_at_hand(_: object) -> tuple[str, ...]:
        raise BuildError("there is no compiler here")

    monkeypatch.setattr(building, "compiler_for", none_at_hand)
    folder = tmp_path / "binaries" / building.this_machine().name
    for each in FORMATS:
        (folder / f"tapeemu.{each}").mkdir(parents=True)
    (folder / building.RECORD).write_text(f"{source_digest()}\n")
    return folder


def test_plugins_that_came_with_the_package_need_no_compiler(
    brought: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert build() == find_built() == carried(building.this_machine()) == brought
    monkeypatch.setattr("tapeemu.plugins.installing.install", lambda: [brought])
    commands.install_plugins()
    told = capsys.readouterr()
    assert (told.out, told.err) == (f"{brought}\n", "")


@pytest.mark.parametrize("wrong", ["other sources", "no record", "half"])
def test_plugins_of_other_sources_are_built_anew(
    brought: Path, wrong: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    if wrong == "other sources":
        (brought / building.RECORD).write_text("0" * 64)
    elif wrong == "no record":
        (brought / building.RECORD).unlink()
    else:
        (brought / "tapeemu.clap").rmdir()
    assert find_built() is None
    with pytest.raises(BuildError, match="no compiler"):
        build()
    monkeypatch.setattr("tapeemu.plugins.installing.install", lambda: [brought])
    commands.install_plugins()
    assert "once" in capsys.readouterr().err


def test_those_of_another_machine_are_not_taken_for_ones_own(brought: Path) -> None:
    other = next(each for each in MACHINES.values() if each.name != brought.name)
    assert carried(other) is None


def test_loops_are_named_as_each_machine_looks_for_them() -> None:
    names = {each.name: loop_library.library_names(each.system, each.processor) for each in MACHINES.values()}
    assert names == {
        "linux-x86-64": ("loops.so", "loops_wide.so", "loops_widest.so"),
        "linux-arm64": ("loops.so",),
        "windows-x86-64": ("loops.dll", "loops_wide.dll", "loops_widest.dll"),
        "macos-x86-64": ("loops.dylib", "loops_wide.dylib", "loops_widest.dylib"),
        "macos-arm64": ("loops.dylib",),
    }


def test_a_build_for_another_machine_is_no_build_for_this_one(tmp_path: Path) -> None:
    """A compiler that writes down what it was asked."""
    script = tmp_path / "compiler.py"
    script.write_text("import sys; open(sys.argv[-1], 'w').write(' '.join(sys.argv))\n")
    other = next(each for each in MACHINES.values() if each.system not in ("linux", sys.platform))
    made = loop_library.build(
        tmp_path / "library",
        command=(sys.executable, str(script), "ziglang"),
        system=other.system,
        processor=other.processor,
    )
    assert [path.name for path in made] == [
        *loop_library.library_names(other.system, other.processor),
        "loops.txt",
    ]
    assert loop_library.digest() in made[0].read_text()
    assert "-fno-split-paths" not in made[0].read_text()  # ziglang ends at a word that it does not know
    assert loop_library.files_as_built(tmp_path / "library") == []


@pytest.fixture
def hook(monkeypatch: pytest.MonkeyPatch) -> types.ModuleType:
    """The hook of the wheel's build, without the builder that calls it."""
    interface = types.ModuleType("hatchling.builders.hooks.plugin.interface")
    interface.BuildHookInterface = object  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, interface.__name__, interface)
    return module_at(ROOT / "hatch_build.py")


def test_what_was_built_goes_into_the_wheel_under_the_tag_of_its_machine(
    hook: types.ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    library = tmp_path / "native" / "library" / "loops.dll"
    library.parent.mkdir(parents=True)
    library.write_bytes(b"")
    (tmp_path / release.TAG_FILE).write_text("py3-none-win_amd64")
    monkeypatch.setenv(release.BUILT, str(tmp_path))
    data: dict[str, object] = {"force_include": {}}
    hook.LoopLibraryHook().initialize("standard", data)
    assert data == {
        "pure_python": False,
        "tag": "py3-none-win_amd64",
        "force_include": {str(library): "tapeemu/native/library/loops.dll"},
    }


class Builder:
    """What the builder of wheels says to whoever looks."""

    def __init__(self) -> None:
        self.told: list[str] = []

    def display_warning(self, message: str) -> None:
        self.told.append(message)


@pytest.fixture
def no_compiler(hook: types.ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> types.ModuleType:
    """The hook where no C compiler is installed."""
    monkeypatch.setattr("shutil.which", lambda name: None)
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    monkeypatch.delenv("CC", raising=False)
    monkeypatch.setattr(loop_library.build, "__defaults__", (tmp_path / "library",))
    hook.LoopLibraryHook.root = str(ROOT)
    hook.LoopLibraryHook.app = Builder()
    return hook


@pytest.mark.parametrize("system", ["linux", "darwin", "win32"])
def test_where_there_is_no_compiler_the_build_asks_for_one(
    no_compiler: types.ModuleType, system: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.platform", system)
    monkeypatch.setattr("platform.machine", lambda: "AMD64")
    assert no_compiler.LoopLibraryHook().dependencies() == ["ziglang>=0.13"]


@pytest.mark.parametrize("reason", ["CC", "TAPEEMU_PURE", "TAPEEMU_BUILT", "system", "processor"])
def test_a_build_that_needs_no_compiler_or_can_have_none_asks_for_none(
    no_compiler: types.ModuleType, reason: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    if reason.isupper():
        monkeypatch.setenv(reason, "1")
    monkeypatch.setattr("sys.platform", "sunos5" if reason == "system" else "linux")
    monkeypatch.setattr("platform.machine", lambda: "riscv64" if reason == "processor" else "x86_64")
    assert no_compiler.LoopLibraryHook().dependencies() == []


def test_the_package_that_the_build_asked_for_compiles_the_loops(
    no_compiler: types.ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A package that writes down what it was asked."""
    package = tmp_path / "ziglang"
    package.mkdir()
    (package / "__main__.py").write_text("import sys; open(sys.argv[-1], 'w').write(' '.join(sys.argv))\n")
    found = types.SimpleNamespace(origin=str(package / "__init__.py"))
    monkeypatch.setattr("importlib.util.find_spec", lambda name: found)
    data: dict[str, typing.Any] = {"force_include": {}}
    no_compiler.LoopLibraryHook().initialize("standard", data)
    assert data["tag"].startswith("py3-none-")
    assert sorted(data["force_include"].values()) == [
        f"tapeemu/native/library/{name}" for name in sorted([*loop_library.library_names(), "loops.txt"])
    ]
    asked = (tmp_path / "library" / loop_library.library_names()[0]).read_text()
    assert "-mcpu=baseline" in asked
    assert "-fno-split-paths" not in asked  # ziglang ends at a word that it does not know


def test_without_any_compiler_the_wheel_is_made_without_loops(no_compiler: types.ModuleType) -> None:
    data: dict[str, typing.Any] = {"force_include": {}}
    no_compiler.LoopLibraryHook().initialize("standard", data)
    assert data == {"force_include": {}}
    assert "there is no C compiler" in no_compiler.LoopLibraryHook.app.told[-1]


def test_what_cannot_be_made_is_told_in_a_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(release, "_ROOT", tmp_path)
    assert release.main(["--out", str(tmp_path / "out")]) == 1
    assert capsys.readouterr().err == (
        f"not made: {tmp_path} is not a checkout of tapeemu; clone it, and run this in the clone\n"
    )
    assert not (tmp_path / "out").exists()


def test_other_bytes_the_second_time_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    made: list[Path] = []

    def wheel(machine: building.Machine, out: Path) -> Path:
        out.mkdir(parents=True, exist_ok=True)
        made.append(out / f"{machine.name}.whl")
        made[-1].write_bytes(b"same" if machine.name == "linux-arm64" else str(len(made)).encode())
        return made[-1]

    monkeypatch.setattr(release, "make_wheel", wheel)
    same = ["--out", str(tmp_path), "--machine", "linux-arm64", "--check"]
    assert release.main(same) == 0
    assert len(made) == 2
    assert release.main([*same, "--machine", "macos-arm64"]) == 1
    assert "macos-arm64.whl came out with other bytes the second time" in capsys.readouterr().err


@pytest.mark.long
@pytest.mark.skipif(importlib.util.find_spec("ziglang") is None, reason="ziglang, which builds, is not installed")
def test_a_wheel_brings_loops_and_plugins_to_where_there_is_no_compiler(tmp_path: Path) -> None:
    wheel = release.make_wheel(building.this_machine(), tmp_path / "a folder with spaces")
    names = set(zipfile.ZipFile(wheel).namelist())
    folder = f"tapeemu/plugins/binaries/{building.this_machine().name}"
    assert {f"tapeemu/native/library/{name}" for name in (*loop_library.library_names(), "loops.txt")} <= names
    assert {f"{folder}/{building.RECORD}", f"{folder}/tapeemu.clap", f"{folder}/tapeemu.lv2/manifest.ttl"} <= names
    assert not any("tables.inc" in name or name.endswith((".o", ".pdb", ".lib")) for name in names)
    empty = tmp_path / "empty"
    venv.create(empty, with_pip=True)
    subprocess.run([empty / "bin/python", "-m", "pip", "install", "-q", wheel], check=True, capture_output=True)
    home = {"PATH": str(empty / "bin"), "HOME": str(tmp_path / "home")}
    says = "from tapeemu.dsp.kernels.compilation import LOOPS; print(LOOPS)"
    loops = subprocess.run(
        [empty / "bin/python", "-c", says], env=home, cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert loops.stdout == "library\n"
    installed = subprocess.run(
        [empty / "bin/tapeemu", "plugins", "install"],
        env=home,
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    )
    assert installed.stderr == ""
    assert {".clap", ".lv2", ".vst3"} <= {path.name for path in (tmp_path / "home").iterdir()}


@pytest.mark.long
def test_a_checkout_is_installed_with_its_loops_where_there_is_no_compiler(tmp_path: Path) -> None:
    """Needs the network: pip gets a compiler for the build."""
    tree = tmp_path / "a checkout"
    shutil.copytree(ROOT, tree, ignore=shutil.ignore_patterns(".git", ".venv*", "library", "tests", "__pycache__"))
    empty = tmp_path / "empty"
    venv.create(empty, with_pip=True)
    home = {**os.environ, "PATH": str(empty / "bin"), "HOME": str(tmp_path / "home")}
    for name in ("PYTHONPATH", "CC"):
        home.pop(name, None)
    pip = [empty / "bin/python", "-m", "pip", "install", "--quiet", "--no-deps"]
    subprocess.run([*pip, "."], cwd=tree, env=home, check=True, capture_output=True)
    (folder,) = (empty / "lib").glob("python*/site-packages/tapeemu/native/library")
    assert loop_library.files_as_built(folder) == [folder / name for name in loop_library.library_names()]
    assert not list((empty / "lib").glob("python*/site-packages/ziglang*"))
    assert not (tmp_path / "home" / ".cache" / "zig").exists()


def test_what_is_compiled_is_given_to_the_build_of_the_wheel(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    machine = MACHINES["linux-arm64"]

    def compiled(_: building.Machine, package: Path, cache: Path) -> None:
        assert cache.parent == package.parent
        package.mkdir()
        (package / "loops").write_text("compiled")

    def build_of_wheel(command: list[str], **given: typing.Any) -> subprocess.CompletedProcess[str]:
        built = Path(given["env"][release.BUILT])
        assert (built / release.TAG_FILE).read_text() == f"py3-none-{machine.wheel}"
        folder = Path(command[command.index("--wheel-dir") + 1])
        folder.mkdir()
        shutil.copy(built / "loops", folder / "made.whl")
        return subprocess.CompletedProcess(command, 0, "", "")

    monkeypatch.setattr(release, "_compile", compiled)
    monkeypatch.setattr(release.subprocess, "run", build_of_wheel)
    assert release.make_wheel(machine, tmp_path / "out") == tmp_path / "out" / "made.whl"
    assert (tmp_path / "out" / "made.whl").read_text() == "compiled"
