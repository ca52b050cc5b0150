"""Wheels for every machine, made on one: the package with its loops compiled and its plug-ins built.

    python -m tapeemu.release --out dist

is run in a checkout and needs ``pip install 'tapeemu[plugins]'``. The same sources and the same compiler give the
same bytes; ``--check`` makes every wheel twice and compares. `hatch_build.py` puts what is built into a wheel.
"""

import argparse
import contextlib
import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

from tapeemu import loop_library
from tapeemu.errors import TapeemuError
from tapeemu.plugins.building import (
    CARRIED,
    MACHINES,
    RECORD,
    Machine,
    build,
    library_flags,
    source_digest,
    ziglang_for,
)

__all__ = ["BUILT", "TAG_FILE", "ReleaseError", "main", "make_wheel"]

BUILT = "TAPEEMU_BUILT"
"""The variable that tells the build of a wheel the folder of what goes into the package."""
TAG_FILE = "tag.txt"
"""The file there with the tag of the wheel."""

_ROOT = Path(__file__).parents[1]


class ReleaseError(TapeemuError):
    """A wheel could not be made."""


def make_wheel(machine: Machine, out: Path) -> Path:
    """Make the wheel of a machine.

    Parameters
    ----------
    machine : Machine
        Where it will be installed.
    out : Path
        Folder of the wheel; made if it is not there, and a wheel of the same name is replaced.

    Returns
    -------
    Path
        The wheel.

    Raises
    ------
    BuildError
        If ziglang is missing or fails on the plug-ins.
    LibraryError
        If it fails on the loops.
    ReleaseError
        If this is no checkout, or no wheel came out.
    """
    if not (_ROOT / "pyproject.toml").is_file():
        raise ReleaseError(f"{_ROOT} is not a checkout of tapeemu; clone it, and run this in the clone")
    with tempfile.TemporaryDirectory() as name:
        built = Path(name) / "built"
        _compile(machine, built, Path(name) / "plug-ins")
        (built / TAG_FILE).write_text(f"py3-none-{machine.wheel}", "ascii")
        made = Path(name) / "wheel"
        command = [
            sys.executable,
            "-m",
            "pip",
            "wheel",
            "--quiet",
            "--no-deps",
            "--wheel-dir",
            str(made),
            str(_ROOT),
        ]
        done = subprocess.run(
            command, env={**os.environ, BUILT: str(built)}, capture_output=True, check=False, text=True
        )
        wheels = list(made.glob("*.whl"))
        if done.returncode or len(wheels) != 1:
            said = done.stderr.strip().splitlines()
            raise ReleaseError(f"pip made no wheel for {machine.name} and said: {said[-1] if said else 'nothing'}")
        out.mkdir(parents=True, exist_ok=True)
        return Path(shutil.copy(wheels[0], out / wheels[0].name))


def _compile(machine: Machine, package: Path, cache: Path) -> None:
    """Loops and plug-ins where they stand in the package."""
    inside = Path(__file__).parent
    compiler = ziglang_for(machine)
    loop_library.build(
        package / loop_library.FOLDER.relative_to(inside),
        command=(*compiler, *library_flags(machine, compiler), "-DTAPEEMU_BARE"),
        system=machine.system,
        processor=machine.processor,
    )
    plugins = package / CARRIED.relative_to(inside) / machine.name
    shutil.copytree(build(machine, folder=cache, compiler=compiler), plugins)
    (plugins / RECORD).write_text(f"{source_digest()}\n", "ascii")


@contextlib.contextmanager
def _empty_compiler_cache(folder: Path) -> Iterator[None]:
    """Give the compiler a new cache, so that nothing it made before is used again."""
    names = ("ZIG_GLOBAL_CACHE_DIR", "ZIG_LOCAL_CACHE_DIR")
    before = {name: os.environ.pop(name, None) for name in names}
    os.environ.update(dict.fromkeys(names, str(folder)))
    try:
        yield
    finally:
        for name, value in before.items():
            del os.environ[name]
            if value is not None:
                os.environ[name] = value


def main(arguments: Sequence[str] | None = None) -> int:
    """Make wheels; returns the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tapeemu.release", description=__doc__.partition("\n")[0])
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder of the wheels")
    parser.add_argument("--machine", choices=MACHINES, action="append", help="only this one; may be repeated")
    parser.add_argument("--check", action="store_true", help="make each twice, and fail if their bytes differ")
    asked = parser.parse_args(arguments)
    try:
        for name in asked.machine or MACHINES:
            wheel = make_wheel(MACHINES[name], asked.out)
            digest = hashlib.sha256(wheel.read_bytes()).hexdigest()
            if asked.check:
                with tempfile.TemporaryDirectory() as folder, _empty_compiler_cache(Path(folder) / "zig"):
                    again = hashlib.sha256(make_wheel(MACHINES[name], Path(folder)).read_bytes()).hexdigest()
                if again != digest:
                    raise ReleaseError(f"{wheel.name} came out with other bytes the second time")
            sys.stdout.write(f"{digest}  {wheel}\n")
            sys.stdout.flush()
    except (TapeemuError, loop_library.LibraryError) as error:
        sys.stderr.write(f"not made: {error}\n")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
