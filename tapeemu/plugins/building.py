"""Plug-ins from their sources: one call of a compiler, then the folders that hosts expect."""

import contextlib
import errno
import functools
import hashlib
import importlib.util
import os
import platform
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tapeemu import __version__
from tapeemu.errors import OutputError, TapeemuError
from tapeemu.files.part_files import new_folder
from tapeemu.native.generate import C_FOLDER
from tapeemu.plugins.tables import PluginKind, plugin_kinds, shipped_presets
from tapeemu.plugins.tables_in_c import in_c, tables_source
from tapeemu.plugins.turtle import manifest_text, presets_text, turtle_text

__all__ = [
    "CARRIED",
    "FORMATS",
    "KEPT_BUILDS",
    "MACHINES",
    "NAME",
    "RECORD",
    "BuildError",
    "Machine",
    "build",
    "built",
    "carried",
    "cold_functions",
    "compiler_for",
    "find_built",
    "library_flags",
    "licence_notice",
    "reason_of",
    "source_digest",
    "this_machine",
    "unwritable",
    "ziglang_for",
]

FORMATS = ("clap", "lv2", "vst3")
"""Formats; the name of each is also the ending of its file or folder."""

NAME = "tapeemu"

CARRIED = Path(__file__).parent / "binaries"
"""Folder in the package with the plug-ins that a release wheel brings for its machine."""
RECORD = "sources.txt"
"""The file beside them with the digest of what they were made from."""
KEPT_BUILDS = 8
"""Builds of a machine that stay in the user's cache (1.4 MB each), those used last."""
_SOURCES = Path(__file__).parent / "c"
_LICENCE = C_FOLDER / "LICENSE"
_LONGEST_SECONDS = 900.0
_FLAGS = (
    "-std=gnu99",
    "-O2",
    "-ffp-contract=off",
    "-DTAPEEMU_STILL",  # settings that turn are a new chain, which takes over
    "-fvisibility=hidden",
    "-fno-math-errno",
    "-ffunction-sections",
    "-fdata-sections",
    "-fno-asynchronous-unwind-tables",
    "-fno-unwind-tables",
    "-g0",
)
_WINDOWS_LIBRARIES = (
    "kernel32",
    "api-ms-win-crt-heap-l1-1-0",
    "api-ms-win-crt-private-l1-1-0",
    "api-ms-win-crt-string-l1-1-0",
)
"""Libraries of the system that hold all that the plug-ins call. By itself the compiler links its start-up code and
its own library, 69 kB, for four functions that these hold too."""
_DEFINITION = re.compile(r"^(?:KERNEL |INLINED |EXPORTED )?[\w *]*?\b(\w+)\([^;{}]*\)\n\{\n(.*?)^\}", re.M | re.S)
_PLAYS = ("stage_process", "tapeemu_process", "tapeemu_live_process", "core_process")
"""Functions of the audio call. They and all that they call are compiled for speed, everything else for size."""
_LEFT_SMALL = (
    "stage_change",
    "make_if_turned",
    "fetch_gone",
    "take_newest",
    "jump",
    "core_reset",
    "tapeemu_live_bypass",
    "moving_decay_make",
)
"""Called from the audio call too, but at most once a block: compiled for size."""

_CHEAP = (
    "amplitude_flutter_make_course",
    "amplitude_flutter_process",
    "crosstalk_process",
    "erase_residue_process",
    "head_azimuth_process",
    "print_through_process",
    "splices_process",
    "start_stop_process",
    "tape_noise_process",
    "three_rates_filter_hop",
    "wow_flutter_process",
)
"""Processors that take little time: compiled for size; measured, that costs them a seventh of
it at most, and saves 28 kB."""


class BuildError(TapeemuError):
    """No compiler, or one that failed."""


@dataclass(frozen=True)
class Machine:
    """What plug-ins are built for.

    Attributes
    ----------
    name : str
        For people and for folders.
    target : str
        As ziglang calls it.
    vst3 : str
        Folder of the binary within a VST3 bundle.
    ending : str
        Of a shared library.
    wheel : str
        Tag of the platform in the name of a wheel.
    system, processor : str
        As Python there names them: `sys.platform` and `platform.machine`.
    """

    name: str
    target: str
    vst3: str
    ending: str
    wheel: str
    system: str
    processor: str


MACHINES = {
    each.name: each
    for each in (
        Machine(
            name="linux-x86-64",
            target="x86_64-linux-gnu.2.17",
            vst3="x86_64-linux",
            ending=".so",
            wheel="manylinux_2_17_x86_64",
            system="linux",
            processor="x86_64",
        ),
        Machine(
            name="linux-arm64",
            target="aarch64-linux-gnu.2.17",
            vst3="aarch64-linux",
            ending=".so",
            wheel="manylinux_2_17_aarch64",
            system="linux",
            processor="aarch64",
        ),
        Machine(
            name="windows-x86-64",
            target="x86_64-windows-gnu",
            vst3="x86_64-win",
            ending=".dll",
            wheel="win_amd64",
            system="win32",
            processor="AMD64",
        ),
        Machine(
            name="macos-x86-64",
            target="x86_64-macos.11.0",
            vst3="MacOS",
            ending=".dylib",
            wheel="macosx_11_0_x86_64",
            system="darwin",
            processor="x86_64",
        ),
        Machine(
            name="macos-arm64",
            target="aarch64-macos.11.0",
            vst3="MacOS",
            ending=".dylib",
            wheel="macosx_11_0_arm64",
            system="darwin",
            processor="arm64",
        ),
    )
}


def this_machine() -> Machine:
    """The machine this runs on.

    Raises
    ------
    BuildError
        If there are no plug-ins for it.
    """
    system = {"linux": "linux", "darwin": "macos", "win32": "windows"}.get(sys.platform, sys.platform)
    part = {"amd64": "x86-64", "x86_64": "x86-64", "aarch64": "arm64", "arm64": "arm64"}.get(
        platform.machine().lower(), platform.machine()
    )
    name = f"{system}-{part}"
    if name not in MACHINES:
        raise BuildError(f"this machine is {name}, but plug-ins are built for {', '.join(MACHINES)}")
    return MACHINES[name]


def compiler_for(machine: Machine) -> tuple[str, ...]:
    """The command of a compiler for a machine: the system's clang or gcc, or ziglang.

    Raises
    ------
    BuildError
        If there is none, with what to install.
    """
    own = machine.name == this_machine().name and not sys.platform.startswith("win")
    for name in ("clang", "gcc") if own else ():
        if shutil.which(name):
            return (name,)
    return ziglang_for(machine)


def ziglang_for(machine: Machine) -> tuple[str, ...]:
    """The command of ziglang's compiler for a machine.

    Raises
    ------
    BuildError
        If it is not installed.
    """
    if importlib.util.find_spec("ziglang") is None:
        raise BuildError(
            f"there is no compiler for {machine.name}; pip install 'tapeemu[plugins]', which brings one"
        )
    return (sys.executable, "-m", "ziglang", "cc", "-target", machine.target)


def build(
    machine: Machine | None = None, *, folder: Path | None = None, compiler: tuple[str, ...] | None = None
) -> Path:
    """Build the plug-ins, or find them: those that came with the package, or those built before.

    Parameters
    ----------
    machine : Machine, optional
        Whose; this one's if left out.
    folder : Path, optional
        Where to keep builds; the user's cache if left out.
    compiler : tuple of str, optional
        Its command. If given, what came with the package is not looked for.

    Returns
    -------
    Path
        A folder that holds tapeemu.clap, tapeemu.lv2 and tapeemu.vst3.

    Raises
    ------
    BuildError
        If there is no compiler, or if it fails.
    OutputError
        If the folder cannot be written to.
    """
    machine = machine or this_machine()
    brought = carried(machine) if compiler is None else None
    if brought is not None:
        return brought
    compiler = compiler or compiler_for(machine)
    made = _place(machine, compiler, folder)
    if built(made):
        with contextlib.suppress(OSError):
            os.utime(made)  # those used last are kept
        return made
    work = made.with_name(f"{made.name}.part-{os.getpid()}")
    try:
        _make(work, machine, compiler)
        if not built(made):  # if it is, another was quicker, and a host may have loaded that
            shutil.rmtree(made, ignore_errors=True)
            work.rename(made)
        _prune(made, machine)
    except OSError as error:
        raise unwritable(made.parent, error, "make it writable") from None
    finally:
        shutil.rmtree(work, ignore_errors=True)
    return made


def _prune(made: Path, machine: Machine) -> None:
    """Delete builds of a machine but the `KEPT_BUILDS` used last, and what was left unfinished."""
    whole = re.compile(f"{machine.name}-[0-9a-f]{{16}}")
    others = []
    for path in made.parent.glob(f"{machine.name}-*"):
        with contextlib.suppress(OSError):  # another process prunes as well
            used = path.stat().st_mtime
            if whole.fullmatch(path.name) and path != made:
                others.append((used, path))
            elif ".part-" in path.name and time.time() - used > 2.0 * _LONGEST_SECONDS:
                shutil.rmtree(path, ignore_errors=True)
    for _, path in sorted(others, reverse=True)[KEPT_BUILDS - 1 :]:
        shutil.rmtree(path, ignore_errors=True)


def find_built() -> Path | None:
    """The folder of this machine's plug-ins; None if they must be built."""
    machine = this_machine()
    brought = carried(machine)
    if brought is not None:
        return brought
    try:
        made = _place(machine, compiler_for(machine), None)
    except BuildError:
        return None
    return made if built(made) else None


def carried(machine: Machine) -> Path | None:
    """The plug-ins that came with the package, if they were made from the sources that stand here."""
    folder = CARRIED / machine.name
    try:
        told = (folder / RECORD).read_text("ascii")
    except (OSError, ValueError):
        return None
    return folder if told.strip() == source_digest() and built(folder) else None


def _place(machine: Machine, compiler: Sequence[str], folder: Path | None) -> Path:
    """Where a build stands, or would."""
    digest = hashlib.sha256(source_digest().encode())
    flags = (*_code_flags(machine, compiler), *library_flags(machine, compiler))
    digest.update(" ".join((*compiler, *flags)).encode())
    return (folder or _cache()) / f"{machine.name}-{digest.hexdigest()[:16]}"


def _make(work: Path, machine: Machine, compiler: Sequence[str]) -> None:
    """Build into a folder of its own."""
    kinds, tables = _tables()
    shutil.rmtree(work, ignore_errors=True)
    new_folder(work.parent)
    work.mkdir()
    (work / "tables.inc").write_text(tables, "utf-8")
    library = work / f"{NAME}{machine.ending}"
    code = f"{NAME}.o"
    _run(
        [
            *compiler,
            *_code_flags(machine, compiler),
            f"-I{work}",
            f"-I{C_FOLDER}",
            f'-DPLUGIN_VERSION="{__version__}"',
            *("-c", str(_SOURCES / "plugins.c"), "-o", str(work / code)),
        ]
    )
    # Named from its own folder: what one linker writes depends on the path of what it reads.
    _run([*compiler, code, *library_flags(machine, compiler), "-o", library.name], work)
    _bundle(work, library, machine, kinds)
    for path in (work / code, work / "tables.inc", library):
        path.unlink()
    for rest in work.glob(f"{NAME}.pdb"), work.glob(f"{NAME}.lib"):
        for path in rest:
            path.unlink()


def built(folder: Path) -> bool:
    """Whether a folder holds all formats."""
    return all((folder / f"{NAME}.{each}").exists() for each in FORMATS)


def unwritable(place: Path, error: OSError, remedy: str) -> OutputError:
    """The error of a place that cannot be written to; on a full disk the remedy is another."""
    reason = reason_of(error)
    if reason == os.strerror(errno.ENOSPC):
        remedy = "make room there"
    return OutputError(f"{place} cannot be written ({reason}); {remedy}")


def reason_of(error: OSError) -> str:
    """What the system says, in a line; of a copy of many files, what it says of the first."""
    if isinstance(error, shutil.Error):
        return str(error.args[0][0][2])
    return error.strerror or str(error)


def _cache() -> Path:
    from platformdirs import user_cache_path

    return user_cache_path("tapeemu", appauthor=False) / "plugins"


@functools.cache
def _tables() -> tuple[Sequence[PluginKind], str]:
    """What there is a plug-in for, and the settings, presets and entries of all of them in C."""
    kinds = plugin_kinds()
    return kinds, tables_source(kinds, shipped_presets()) + _entries(kinds)


def source_digest() -> str:
    """Of all that plug-ins are made from, whatever compiles it."""
    digest = hashlib.sha256(_tables()[1].encode())
    for path in sorted(
        [
            *(*_SOURCES.glob("*.[ch]"), *C_FOLDER.glob("*.[chi]*")),
            *(Path(__file__).with_name("turtle.py"), _LICENCE),
        ]
    ):
        digest.update(path.read_bytes())
    digest.update(__version__.encode())
    return digest.hexdigest()


def _code_flags(machine: Machine, compiler: Sequence[str]) -> list[str]:
    """What makes small all that takes little or no time in the audio call; gcc cannot, and makes larger ones."""
    flags = [*_FLAGS, *([] if machine.name.startswith("windows") else ["-fPIC"])]
    if compiler[0] == "gcc":
        return flags
    # Loops whose length is not known; measured, it costs no speed.
    flags += ["-mllvm", "-unroll-runtime=false"]
    if compiler[0] == "clang":  # of the system, and older than ziglang's: it writes more into callers
        flags += ["-mllvm", "-inline-threshold=25"]
    chosen = [f"{name}:minsize" for name in cold_functions()]
    chosen += [f"{name}:{how}" for name in _CHEAP for how in ("noinline", "optsize")]
    return flags + [part for each in chosen for part in ("-mllvm", f"-force-attribute={each}")]


def library_flags(machine: Machine, compiler: Sequence[str]) -> list[str]:
    """What makes a library of a machine small, and the same bytes every time."""
    flags = ["-shared", "-s"]
    if machine.name.startswith("windows"):
        flags += ["-nostdlib", "-rtlib=none", "-Wl,-Brepro", *(f"-l{name}" for name in _WINDOWS_LIBRARIES)]
    if machine.name.startswith("macos"):
        flags += ["-Wl,-dead_strip", "-Wl,-x"]  # no names of what is not exported
    if machine.name.startswith("linux"):
        flags += ["-Wl,--gc-sections", "-Wl,--build-id=none", "-Wl,--hash-style=gnu"]
        if compiler[0] == "clang":
            flags += ["-Wl,-z,noseparate-code"]
    return flags


@functools.cache
def cold_functions() -> tuple[str, ...]:
    """Functions of the plug-ins and of the library that nothing calls while it plays, by name.

    The text is searched for calls.
    """
    bodies: dict[str, str] = {}
    for path in sorted([*_SOURCES.glob("*.c"), *C_FOLDER.glob("*.c"), C_FOLDER / "dispatch.inc"]):
        bodies |= dict(_DEFINITION.findall(path.read_text("utf-8")))
    hot: set[str] = set()
    waiting = list(_PLAYS)
    while waiting:
        name = waiting.pop()
        if name not in hot:
            hot.add(name)
            waiting += [
                each for each in re.findall(r"(\w+)\(", bodies[name]) if each in bodies and each not in _LEFT_SMALL
            ]
    return tuple(sorted(set(bodies) - hot))


def _entries(kinds: Sequence[PluginKind]) -> str:
    names = [("chain", "Tape Suite Chain"), *((kind.kind, kind.label) for kind in kinds)]
    clap = ", ".join(f'CLAP_DESCRIPTOR("{kind}", "{label}")' for kind, label in names)
    lv2 = ", ".join(f'LV2_ENTRY(LV2_BASE "{kind}{width}")' for kind, _ in names for width in ("", ":mono"))
    return f"#define CLAP_ENTRIES {clap}\n#define LV2_ENTRIES {lv2}\n#define NOTICE {in_c(licence_notice())}\n"


def licence_notice() -> bytes:
    """What the licence asks for in all copies: the notice of copyright, the permission, the disclaimer."""
    _, mark, notice = _LICENCE.read_bytes().partition(b"Copyright (c)")
    return mark + notice


def _run(command: Sequence[str], folder: Path | None = None) -> None:
    compiler = "ziglang" if "ziglang" in command else Path(command[0]).name
    remedy = "update it, or take it off the PATH: pip install 'tapeemu[plugins]' brings another"
    try:
        done = subprocess.run(
            command,
            cwd=folder,
            capture_output=True,
            check=False,
            timeout=_LONGEST_SECONDS,
            env={**os.environ, "LC_ALL": "C"},  # what it says is searched for a word
        )
    except subprocess.TimeoutExpired:
        raise BuildError(f"{compiler} was not done after {_LONGEST_SECONDS:.0f} s; {remedy}") from None
    except OSError as error:
        raise BuildError(f"{compiler} cannot be run ({reason_of(error)}); {remedy}") from None
    if done.returncode:
        lines = [line.strip() for line in done.stderr.decode(errors="replace").splitlines() if line.strip()]
        full = os.strerror(errno.ENOSPC)
        if any(full in line for line in lines):
            raise OSError(errno.ENOSPC, full)
        told = next((line for line in lines if "error" in line), lines[-1] if lines else "nothing")
        raise BuildError(f"{compiler} failed and said: {told}; {remedy}")


def _bundle(folder: Path, library: Path, machine: Machine, kinds: Sequence[PluginKind]) -> None:
    clap = folder / f"{NAME}.clap"
    vst3 = folder / f"{NAME}.vst3" / "Contents"
    ending = {".dll": ".vst3", ".dylib": ""}.get(machine.ending, machine.ending)
    (vst3 / machine.vst3).mkdir(parents=True)
    shutil.copy(library, vst3 / machine.vst3 / f"{NAME}{ending}")
    if machine.ending == ".dylib":
        (clap / "Contents" / "MacOS").mkdir(parents=True)
        shutil.copy(library, clap / "Contents" / "MacOS" / NAME)
        for each, sort in ((clap / "Contents", "clap"), (vst3, "vst3")):
            (each / "Info.plist").write_text(_property_list(sort), "utf-8")
            (each / "PkgInfo").write_text("BNDL????", "utf-8")
    else:
        shutil.copy(library, clap)
    lv2 = folder / f"{NAME}.lv2"
    lv2.mkdir()
    (vst3 / "Resources").mkdir()
    for each in (lv2, vst3 / "Resources"):  # the licence asks for its notice in all copies
        shutil.copy(_LICENCE, each)
    shutil.copy(library, lv2 / f"{NAME}{machine.ending}")
    presets = shipped_presets()
    (lv2 / "manifest.ttl").write_text(manifest_text(kinds, f"{NAME}{machine.ending}", presets), "utf-8")
    (lv2 / "presets.ttl").write_text(presets_text(presets), "utf-8")
    (lv2 / f"{NAME}.ttl").write_text(turtle_text(kinds), "utf-8")


def _property_list(sort: str) -> str:
    pairs = {
        "CFBundleDevelopmentRegion": "en",
        "CFBundleExecutable": NAME,
        "CFBundleIdentifier": f"tapeemu.{sort}",
        "CFBundleInfoDictionaryVersion": "6.0",
        "CFBundleName": NAME,
        "CFBundlePackageType": "BNDL",
        "CFBundleVersion": __version__,
    }
    rows = "".join(f"    <key>{key}</key>\n    <string>{value}</string>\n" for key, value in pairs.items())
    return f'<?xml version="1.0" encoding="UTF-8"?>\n<plist version="1.0">\n<dict>\n{rows}</dict>\n</plist>\n'
