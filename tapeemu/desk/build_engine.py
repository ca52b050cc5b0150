"""Builds what makes the sound in the page: the C library as WebAssembly, once for playing and once for files.

``python -m tapeemu.desk.build_engine`` writes both modules beside the page; with ``--check`` it names those
that are stale and fails. Needs ``pip install ziglang``; whoever opens the desk needs no compiler.
"""

import json
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from tapeemu.native.generate import C_FOLDER
from tapeemu.native.processors import find_processors, scalars_first
from tapeemu.native.subset import DOUBLE, Array
from tapeemu.targets.machines import SINGLE, STRICT_FLAGS, WARNINGS, compile_c, zig

__all__ = ["MODULES", "PAGE_FOLDER", "build", "main", "settings_listing", "stale_modules"]

PAGE_FOLDER = Path(__file__).parent / "page"
"""Where the page's sources and the modules stand."""

_EXPORTS = (
    *("desk_bytes", "desk_create", "desk_retrack", "desk_latency", "desk_tail", "desk_seek"),
    *("desk_cell", "desk_share_cell", "desk_group_place", "desk_begin_earlier", "desk_run_group"),
    *("desk_live_bytes", "desk_live_create", "desk_live_tail", "desk_flutter_figures", "desk_figure"),
    *("tapeemu_live_take", "tapeemu_live_changing", "tapeemu_live_gone", "tapeemu_live_keeps_tail"),
    *("tapeemu_live_process", "tapeemu_process", "tapeemu_set", "tapeemu_set_share"),
    *("tapeemu_follow", "tapeemu_follow_share", "tapeemu_follow_on"),
    *("tapeemu_follow_next", "tapeemu_follow_share_next"),
    *("tapeemu_adds_sound", "tapeemu_rings", "__heap_base"),
)
_COMMON = ("-target", "wasm32-freestanding", "-msimd128", "-Wl,--no-entry", "-Wl,--strip-all")

MODULES: dict[str, tuple[str, ...]] = {
    "engine.wasm": ("-O3", "-ffp-contract=off", SINGLE),
    "engine64.wasm": ("-O3", *STRICT_FLAGS[1:]),
}
"""Modules by name, with their flags: single precision to play, and the bits of Python for files."""


def build(name: str, target: Path) -> None:
    """Compile a module.

    Raises
    ------
    MissingToolError
        If the compiler is not installed.
    CompilerError
        If it fails.
    """
    sources = [
        str(Path(__file__).parent / "engine.c"),
        str(C_FOLDER / "live.c"),
    ]
    exports = [f"-Wl,--export={export}" for export in _EXPORTS]
    compile_c([*zig(), *_COMMON, *WARNINGS, *MODULES[name], *exports, *sources, "-o", str(target)])


def settings_listing() -> str:
    """The kinds of stages that the modules know, with the numbers that each takes, as the text of engine.json."""
    kinds = []
    for processor in find_processors():
        settings = []
        for name, sort in scalars_first(processor.settings):
            element = sort.element if isinstance(sort, Array) else sort
            rank = sort.rank if isinstance(sort, Array) else 0
            settings.append({"name": name, "sort": "real" if element == DOUBLE else "whole", "rank": rank})
            if name in processor.moves:
                settings[-1]["moves"] = True
        kinds.append({"name": processor.name, "settings": settings})
    return json.dumps(kinds, indent=1) + "\n"


def stale_modules(names: Sequence[str] = tuple(MODULES)) -> list[str]:
    """Names of the modules that are not what the sources give now."""
    stale = []
    with tempfile.TemporaryDirectory() as folder:
        for name in names:
            made = Path(folder) / name
            build(name, made)
            there = PAGE_FOLDER / name
            if not there.is_file() or there.read_bytes() != made.read_bytes():
                stale.append(name)
    return stale


def main(arguments: Sequence[str]) -> int:
    """Write or check the modules; returns the exit code."""
    if "--check" in arguments:
        stale = stale_modules()
        if (PAGE_FOLDER / "engine.json").read_text("utf-8") != settings_listing():
            stale.append("engine.json")
        for name in stale:
            sys.stderr.write(f"{name} is stale; run python -m tapeemu.desk.build_engine\n")
        return 1 if stale else 0
    (PAGE_FOLDER / "engine.json").write_text(settings_listing(), "utf-8")
    for name in MODULES:
        build(name, PAGE_FOLDER / name)
        sys.stdout.write(f"{name}: {(PAGE_FOLDER / name).stat().st_size} bytes\n")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
