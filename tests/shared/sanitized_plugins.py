"""The plug-ins with every access to memory and every undefined operation watched, as clang does it."""

import shutil
import subprocess
from pathlib import Path

from tapeemu import __version__
from tapeemu.plugins import building
from tapeemu.plugins.building import C_FOLDER

SOURCES = Path(building.__file__).parent / "c"
WATCHED = "address,undefined,float-cast-overflow,float-divide-by-zero"
FLAGS = (
    *("-std=gnu99", "-O0", "-gline-tables-only", "-ffp-contract=off", "-fno-math-errno", "-fPIC", "-shared"),
    *("-shared-libasan", "-fno-omit-frame-pointer", f"-fsanitize={WATCHED}", "-fno-sanitize-recover=all"),
)


def runtime() -> Path | None:
    """The library that must be loaded first; None if clang or it is not there."""
    if shutil.which("clang") is None:
        return None
    told = subprocess.run(
        ["clang", "-print-file-name=libclang_rt.asan-x86_64.so"], capture_output=True, text=True, check=True
    )
    path = Path(told.stdout.strip())
    return path if path.is_absolute() and path.exists() else None


def build_sanitized(work: Path) -> Path:
    """All formats in a folder, as tapeemu builds them; returns the folder."""
    kinds, tables = building._tables()
    machine = building.this_machine()
    work.mkdir(parents=True, exist_ok=True)
    (work / "tables.inc").write_text(tables, "utf-8")
    library = work / f"tapeemu{machine.ending}"
    subprocess.run(
        [
            *("clang", *FLAGS, f"-I{work}", f"-I{C_FOLDER}", f'-DPLUGIN_VERSION="{__version__}"'),
            *(str(SOURCES / "plugins.c"), "-lpthread", "-o", str(library)),
        ],
        check=True,
    )
    building._bundle(work, library, machine, kinds)
    return work
