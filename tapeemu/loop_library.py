"""The kernels as a compiled library beside the package: how it is built, and what it is made from.

``python -m tapeemu.loop_library`` builds it in place, as an installation does where there is a C compiler. It is
used where it was made from the very sources that stand beside it; else numba compiles kernels as they are called.

Only the standard library is needed here, for an installation runs this before anything is installed.
"""

import contextlib
import hashlib
import importlib.util
import os
import platform
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

__all__ = [
    "FOLDER",
    "LibraryError",
    "build",
    "compilers",
    "digest",
    "files_as_built",
    "library_names",
    "main",
    "source_digest",
    "stale_files",
]

_PACKAGE = Path(__file__).parent
_KERNELS = _PACKAGE / "dsp" / "kernels"
_SOURCES = _PACKAGE / "native" / "c"
FOLDER = _PACKAGE / "native" / "library"
"""Where the library is built and looked for."""

_FLAGS = (
    "-std=gnu99",
    "-O3",
    "-ffp-contract=off",
    "-fno-math-errno",
    "-fvisibility=hidden",
    "-fno-trapping-math",
    "-g0",
    "-shared",
)
_GCC_FLAG = "-fno-split-paths"
"""Of gcc; clang passes it over, and ziglang refuses it."""
_ENDINGS = {"win32": ".dll", "darwin": ".dylib"}
_WIDE = {
    "loops_wide": ("-mavx2",),
    "loops_widest": ("-mavx512f", "-mavx512dq", "-mavx512bw", "-mavx512vl", "-mprefer-vector-width=512"),
}
"""Further builds for newer processors of the kinds below, and what they are compiled with: the same bits, four and
eight numbers at a time."""
_HAVE_WIDE = ("x86_64", "amd64")
_RECORD = "loops.txt"
"""The file beside the library that tells what was built: of each file a digest and the name."""
_OPENING = re.compile(r"/\* Generated from (\w+\.py) \(([0-9a-f]+)\)")


class LibraryError(Exception):
    """There is no compiler, it failed, or the C files are not those of the kernels."""


def source_digest(text: bytes) -> str:
    """What the C files say of the kernel file that they were generated from."""
    return hashlib.sha256(text).hexdigest()[:16]


def digest() -> str:
    """Of all that the library is made from: kernel files and C files, by name."""
    found = hashlib.sha256()
    kernels = [path for path in _KERNELS.glob("*.py") if (_SOURCES / f"{path.stem}.c").is_file()]
    for path in sorted([*kernels, _KERNELS / "arrays.py", *_SOURCES.glob("*.[chi]*")]):
        found.update(path.name.encode() + b"\0" + path.read_bytes() + b"\0")
    return found.hexdigest()


def stale_files() -> list[str]:
    """Names of C files that were generated from another kernel file than the one that stands here."""
    stale = []
    for path in sorted(_SOURCES.glob("*.c")):
        with path.open(encoding="utf-8") as file:
            told = _OPENING.match(file.readline())
        if told is None:
            continue
        kernels = _KERNELS / told[1]
        if not kernels.is_file() or source_digest(kernels.read_bytes()) != told[2]:
            stale.append(path.name)
    return stale


def library_names(system: str = sys.platform, processor: str = platform.machine()) -> tuple[str, ...]:
    """File names of the builds for a kind of machine: for every processor, then for newer ones.

    `system` and `processor` are called as `sys.platform` and `platform.machine` call them there.
    """
    ending = _ENDINGS.get(system, ".so")
    return tuple(f"{name}{ending}" for name in ("loops", *(_WIDE if processor.lower() in _HAVE_WIDE else ())))


def files_as_built(folder: Path = FOLDER) -> list[Path]:
    """The builds in a folder that hold what was built, in the order of their names.

    A file that was cut off, by a full disk say, can be opened, and ends the process when it is called.
    """
    try:
        lines = (folder / _RECORD).read_text("ascii").splitlines()
        paths = [folder / name for name in library_names()]
        return [path for path in paths if path.is_file() and _record_line(path) in lines]
    except (OSError, ValueError):
        return []


def _record_line(path: Path) -> str:
    return f"{hashlib.sha256(path.read_bytes()).hexdigest()} {path.name}"


def compilers() -> Iterator[list[str]]:
    """Commands of the C compilers at hand, the one in ``CC`` first, the package ziglang last."""
    wanted = os.environ.get("CC")
    if wanted:
        yield shlex.split(wanted)
    for name in ("gcc", "clang", "cc"):
        path = shutil.which(name)
        if path is not None:
            yield [path]
    package = importlib.util.find_spec("ziglang")
    if package is not None and package.origin is not None:
        # "baseline": for all processors of this machine's kind.
        yield [sys.executable, str(Path(package.origin).parent), "cc", "-mcpu=baseline"]


def build(
    folder: Path = FOLDER,
    *,
    timeout_seconds: float = 900.0,
    command: Sequence[str] | None = None,
    system: str = sys.platform,
    processor: str = platform.machine(),
) -> list[Path]:
    """Compile the library.

    Parameters
    ----------
    folder : Path
        Gets the files; what stood there is replaced at once when all is done.
    timeout_seconds : float
        For the compiler.
    command : sequence of str, optional
        That calls the compiler; the first that is at hand if left out.
    system, processor : str
        Kind of machine that the compiler makes code for; see `library_names`.

    Returns
    -------
    list of Path
        The files.

    Raises
    ------
    LibraryError
        If it cannot be built, in one line.
    """
    stale = stale_files()
    if stale:
        raise LibraryError(f"{stale[0]} is not made from the kernels that stand here; run tapeemu.native.generate")
    command = command or next(compilers(), None)
    if command is None:
        raise LibraryError(
            "there is no C compiler (gcc, clang or the package ziglang); "
            "numba will compile the loops at their first use"
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=folder) as name:
            made = _compiled(command, Path(name), timeout_seconds, system, processor)
            return [path.replace(folder / path.name) for path in made]
    except OSError as error:
        raise LibraryError(f"{folder} cannot be written to ({error.strerror}); make it writable") from None


def _compiled(
    command: Sequence[str], folder: Path, timeout_seconds: float, system: str, processor: str
) -> list[Path]:
    """The builds, and the record of them."""
    made = [folder / each for each in library_names(system, processor)]
    common = [*_FLAGS, f'-DTAPEEMU_DIGEST="{digest()}"']
    common += [] if system == "win32" else ["-fPIC"]
    common += [] if any(Path(part).name == "ziglang" for part in command) else [_GCC_FLAG]
    runs = []
    for path in made:
        # Named from its own folder: what one linker writes depends on the path of what it reads.
        arguments = [*command, *common, *_WIDE.get(path.stem, ()), str(_SOURCES / "loops.c"), "-o", path.name]
        runs.append(_started(arguments, folder))
    for run in runs:
        _finish(run, timeout_seconds)
    record = folder / _RECORD
    record.write_text("".join(f"{_record_line(path)}\n" for path in made), "ascii")
    return [*made, record]


def _started(arguments: Sequence[str], folder: Path) -> "subprocess.Popen[str]":
    # What ziglang keeps for the next time is 50 MB, and this is done once.
    caches = dict.fromkeys(("ZIG_GLOBAL_CACHE_DIR", "ZIG_LOCAL_CACHE_DIR"), str(folder / "cache"))
    try:
        return subprocess.Popen(
            arguments,
            cwd=folder,
            env=caches | os.environ,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        )
    except OSError as error:
        raise LibraryError(f"the C compiler {arguments[0]} does not run: {error.strerror}") from None


def _finish(run: "subprocess.Popen[str]", timeout_seconds: float) -> None:
    with contextlib.ExitStack() as last:
        last.callback(run.kill)
        try:
            _, said = run.communicate(timeout=timeout_seconds)
        except subprocess.TimeoutExpired:
            raise LibraryError(f"the C compiler was not done in {timeout_seconds:.0f} s") from None
    if run.returncode != 0:
        first = next((line for line in said.splitlines() if "error" in line), said.strip() or "no message")
        raise LibraryError(f"the C compiler failed: {first}")


def main() -> int:
    """Build in place; returns the exit code."""
    try:
        made = build()
    except LibraryError as error:
        sys.stderr.write(f"not built: {error}\n")
        return 1
    for path in made:
        sys.stdout.write(f"{path}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
