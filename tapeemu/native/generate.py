"""Write the generated C files, or check that they are up to date.

``python -m tapeemu.native.generate`` writes them into ``tapeemu/native/c``; with ``--check`` it names those that
are stale and fails.
"""

import importlib
import pkgutil
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

from tapeemu.native.c_names import wrapped
from tapeemu.native.processors import KERNELS, dispatch_source, find_processors, settings_header
from tapeemu.native.subset import NO_KERNELS, SubsetError, Unit, read_unit
from tapeemu.native.translate import LICENCE, c_source, header_source, loop_lines

__all__ = ["C_FOLDER", "HAND_WRITTEN", "files_of", "generated_files", "library_files", "main"]

C_FOLDER = Path(__file__).parent / "c"
"""Where the C files stand."""

HAND_WRITTEN = frozenset(
    {"subset.h", "tapeemu.h", "tapeemu.c", "live.h", "live.c", "loops.c", "proof.c", "emulated.c", "emulated.ld"}
)
"""What in there is written by hand."""


_SOLVED = ("flutter_figures",)
"""Kernels that no processor calls: settings are solved for with them."""


def files_of(names: list[str]) -> list[str]:
    """Names of kernel files with all that they need, each behind what it needs."""
    ordered: list[str] = []

    def add(unit: Unit) -> None:
        for other in unit.units.values():
            add(other)
        if unit.name not in ordered:
            ordered.append(unit.name)

    for name in names:
        add(read_unit(f"{KERNELS}.{name}"))
    return ordered


def generated_files(kinds: Sequence[str] | None = None) -> Mapping[str, str]:
    """Text of every generated file by its name.

    Parameters
    ----------
    kinds : sequence of str, optional
        Names of the processors that are wanted; all if left out.

    Raises
    ------
    SubsetError
        If a kernel leaves the subset, or two files give something the same name.
    """
    files: dict[str, str] = {}
    processors = [each for each in find_processors() if kinds is None or each.name in kinds]
    names = files_of([*(each.unit.name for each in processors), "chain", "envelopes", "glides", *_SOLVED])
    _refuse_equal_names(names)
    for name in names:
        files[f"{name}.h"] = header_source(f"{KERNELS}.{name}")
        files[f"{name}.c"] = c_source(f"{KERNELS}.{name}")
    files["settings.h"] = settings_header(processors, LICENCE)
    files["dispatch.inc"] = dispatch_source(processors, LICENCE)
    files["kernels.inc"] = "\n".join(
        [
            f"/* Generated; do not edit. The kernels of all processors, in one file. {LICENCE} */",
            *(f'#include "{name}.c"' for name in names),
            "",
        ]
    )
    if kinds is None:
        names += [name for name in _kernel_files() if name not in names]
        _refuse_equal_names(names)
        for name in names:
            files.setdefault(f"{name}.h", header_source(f"{KERNELS}.{name}"))
            files.setdefault(f"{name}.c", c_source(f"{KERNELS}.{name}"))
        files["loops.inc"] = _loops_source(names)
    return files


def _kernel_files() -> list[str]:
    """Names of all files that hold kernels, each behind what it needs."""
    folder = importlib.import_module(KERNELS)
    found = sorted(each.name for each in pkgutil.iter_modules(folder.__path__))
    return files_of([name for name in found if name not in NO_KERNELS])


def _loops_source(names: Sequence[str]) -> str:
    """The part of the library for Python that names what can be called, see loops.c."""
    lines = [f"/* Generated; do not edit. What Python may call. {LICENCE} */"]
    lines += [f'#include "{name}.c"' for name in names]
    for name in names:
        lines += ["", f"/* {name} */", *loop_lines(read_unit(f"{KERNELS}.{name}"))]
    return "\n".join([*wrapped(lines), ""])


def library_files(kinds: Sequence[str]) -> Mapping[str, str]:
    """All files of the library with the processors of these names alone."""
    files = dict(generated_files(kinds))
    for name in ("subset.h", "tapeemu.h", "tapeemu.c"):
        files[name] = (C_FOLDER / name).read_text("utf-8")
    return files


def _refuse_equal_names(names: list[str]) -> None:
    """One file may include all others, so groups and kernels have names of their own."""
    from tapeemu.native.c_names import function_name

    seen: dict[str, str] = {}
    for name in names:
        unit = read_unit(f"{KERNELS}.{name}")
        here = [*unit.records, *(function_name(unit, function) for function in unit.functions.values())]
        for made in here:
            if made in seen:
                raise SubsetError(f"{unit.path.name}: {made} is a name in {seen[made]} as well; use another name")
            seen[made] = unit.path.name


def main(arguments: list[str]) -> int:
    """Write or check the files; returns the exit code."""
    files = generated_files()
    stale = [name for name, text in files.items() if _text_of(C_FOLDER / name) != text]
    left = sorted(
        path.name for path in C_FOLDER.glob("*.[chi]*") if path.name not in files and path.name not in HAND_WRITTEN
    )
    if "--check" in arguments:
        for name in (*stale, *left):
            sys.stderr.write(f"{name} is stale; run python -m tapeemu.native.generate\n")
        return 1 if stale or left else 0
    for name in stale:
        (C_FOLDER / name).write_text(files[name], "utf-8")
    for name in left:
        (C_FOLDER / name).unlink()
    sys.stdout.write(f"{len(files)} files, {len(stale)} written, {len(left)} removed\n")
    return 0


def _text_of(path: Path) -> str:
    return path.read_text("utf-8") if path.is_file() else ""


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
