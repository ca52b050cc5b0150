"""Draw the house: the rooms of both packages and who imports whom, read from the imports themselves.

    python docs/house.py             print the drawing, the table of rooms, and the files of the rooms of sound
    python docs/house.py --update    put them into DEVELOPERS.md, between its marks

`tests/test_architecture.py` holds the same table of rooms against the imports, and fails while DEVELOPERS.md does
not hold what this script would put there.
"""

import argparse
import ast
import sys
from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parent.parent
PAGE = ROOT / "DEVELOPERS.md"
PACKAGES = ("tapeemu", "measure")
BEGIN, END = "<!-- {}: python docs/house.py --update -->", "<!-- end of {} -->"
LISTED = ("tapeemu/dsp", "tapeemu/dsp/kernels", "tapeemu/native")
"""Folders whose every file is listed, so that whoever needs a part finds it."""


class Room(NamedTuple):
    """Modules with one purpose.

    Attributes
    ----------
    name : str
        What the room is called, with the package before it.
    modules : tuple of str
        The modules it holds; those inside a package among them belong to it, unless a longer name here says
        otherwise.
    purpose : str
        What belongs there, in a few words.
    may_import : tuple of str
        Rooms that its modules may import from, besides its own.
    """

    name: str
    modules: tuple[str, ...]
    purpose: str
    may_import: tuple[str, ...]


ROOMS = (
    Room(
        "tapeemu commands",
        ("tapeemu.cli", "tapeemu.__main__"),
        "the command line: options in, tables out",
        (
            "tapeemu desk",
            "tapeemu report",
            "tapeemu targets",
            "tapeemu plug-ins",
            "tapeemu comparison",
            "tapeemu presets",
            "tapeemu rendering",
            "tapeemu chain",
            "tapeemu processors",
            "tapeemu files",
            "tapeemu demo scene",
            "tapeemu kernels",
            "tapeemu validation",
            "tapeemu errors",
            "measure progress",
            "measure plots",
            "measure bench",
            "measure meanings",
            "measure results",
            "measure writing",
            "measure errors",
        ),
    ),
    Room(
        "tapeemu release",
        ("tapeemu.release",),
        "wheels for every machine, with what is compiled",
        ("tapeemu plug-ins", "tapeemu loop library", "tapeemu errors"),
    ),
    Room(
        "tapeemu plug-ins",
        ("tapeemu.plugins",),
        "the suite as plug-ins for hosts: tables from the settings, builds, where they are installed",
        (
            "tapeemu presets",
            "tapeemu chain",
            "tapeemu processor",
            "tapeemu dsp",
            "tapeemu native",
            "tapeemu settings text",
            "tapeemu files",
            "tapeemu errors",
        ),
    ),
    Room(
        "tapeemu desk",
        ("tapeemu.desk",),
        "a chain tuned by ear in the browser: its page, and the server behind it",
        (
            "tapeemu pages",
            "tapeemu presets",
            "tapeemu targets",
            "tapeemu native",
            "tapeemu chain",
            "tapeemu processors",
            "tapeemu files",
            "tapeemu dsp",
            "tapeemu settings",
            "tapeemu settings text",
            "tapeemu validation",
            "tapeemu errors",
        ),
    ),
    Room(
        "tapeemu pages",
        ("tapeemu.pages",),
        "what pages share: a player of aligned sounds, a hidden test, data in a script",
        (),
    ),
    Room(
        "tapeemu report",
        ("tapeemu.report",),
        "a comparison as pages and as sound files",
        (
            "tapeemu pages",
            "tapeemu comparison",
            "tapeemu rendering",
            "tapeemu files",
            "tapeemu dsp",
            "tapeemu units",
            "tapeemu validation",
            "tapeemu errors",
            "measure quantities",
            "measure results",
        ),
    ),
    Room(
        "tapeemu comparison",
        ("tapeemu.comparison",),
        "orders of a chain at equal loudness, what sets them apart, in figures and sentences",
        (
            "tapeemu presets",
            "tapeemu rendering",
            "tapeemu chain",
            "tapeemu processor",
            "tapeemu dsp",
            "tapeemu files",
            "tapeemu units",
            "tapeemu validation",
            "tapeemu errors",
            "measure quantities",
            "measure results",
        ),
    ),
    Room(
        "tapeemu presets",
        ("tapeemu.presets",),
        "preset files: read, write, find, measure, verify, solve",
        (
            "tapeemu automation",
            "tapeemu chain",
            "tapeemu processors",
            "tapeemu processor",
            "tapeemu files",
            "tapeemu settings text",
            "tapeemu units",
            "tapeemu interruptions",
            "tapeemu validation",
            "tapeemu errors",
            "measure bench",
            "measure results",
        ),
    ),
    Room(
        "tapeemu rendering",
        ("tapeemu.rendering",),
        "audio through a chain into files, one or many, and loudness on the way",
        (
            "tapeemu chain",
            "tapeemu processor",
            "tapeemu pump",
            "tapeemu files",
            "tapeemu kernels",
            "tapeemu units",
            "tapeemu interruptions",
            "tapeemu validation",
            "tapeemu errors",
        ),
    ),
    Room(
        "tapeemu chain",
        ("tapeemu.chain",),
        "stages in a row, which together are a processor",
        (
            "tapeemu automation",
            "tapeemu processors",
            "tapeemu processor",
            "tapeemu settings",
            "tapeemu kernels",
            "tapeemu units",
            "tapeemu validation",
            "tapeemu errors",
        ),
    ),
    Room(
        "tapeemu automation",
        ("tapeemu.automation",),
        "settings that follow curves over the tape",
        (
            "tapeemu kernel stream",
            "tapeemu processor",
            "tapeemu settings",
            "tapeemu kernels",
            "tapeemu validation",
        ),
    ),
    Room(
        "tapeemu processors",
        ("tapeemu.processors",),
        "one file an artefact: its settings and its stream",
        (
            "tapeemu processor",
            "tapeemu kernel stream",
            "tapeemu dsp",
            "tapeemu kernels",
            "tapeemu units",
            "tapeemu validation",
            "tapeemu errors",
        ),
    ),
    Room(
        "tapeemu kernel stream",
        ("tapeemu.kernel_stream",),
        "the stream of a processor whose way from settings to sound is in kernels: memory, and one call a block",
        ("tapeemu processor", "tapeemu kernels", "tapeemu validation"),
    ),
    Room(
        "tapeemu processor",
        ("tapeemu.processor",),
        "what a processor and its stream are",
        (
            "tapeemu settings",
            "tapeemu pump",
            "tapeemu dsp",
            "tapeemu units",
            "tapeemu validation",
            "tapeemu errors",
        ),
    ),
    Room(
        "tapeemu settings",
        ("tapeemu.settings",),
        "settings: immutable, checked, with units and ranges",
        ("tapeemu settings text", "tapeemu errors"),
    ),
    Room(
        "tapeemu pump",
        ("tapeemu.pump",),
        "blocks through a stream: latency dropped, tail drained",
        (),
    ),
    Room(
        "tapeemu files",
        ("tapeemu.files",),
        "sound files in and out, files that are whole or not there",
        ("tapeemu validation", "tapeemu errors"),
    ),
    Room(
        "tapeemu demo scene",
        ("tapeemu.demo_scene",),
        "the made-up stems of the demonstration",
        ("tapeemu units", "tapeemu validation"),
    ),
    Room(
        "tapeemu dsp",
        ("tapeemu.dsp",),
        "designs and tables: what is computed once for a stream",
        ("tapeemu kernels", "tapeemu units", "tapeemu validation"),
    ),
    Room(
        "tapeemu targets",
        ("tapeemu.targets",),
        "chains on other machines: as numbers for C, run there, and as files for a small device",
        (
            "tapeemu presets",
            "tapeemu chain",
            "tapeemu processor",
            "tapeemu native",
            "tapeemu errors",
        ),
    ),
    Room(
        "tapeemu native",
        ("tapeemu.native",),
        "kernels as C: their source read, typed and written out",
        ("tapeemu loop library", "tapeemu errors"),
    ),
    Room(
        "tapeemu kernels",
        ("tapeemu.dsp.kernels",),
        "the loops over samples, compiled",
        ("tapeemu loop library", "tapeemu errors"),
    ),
    Room(
        "tapeemu loop library",
        ("tapeemu.loop_library",),
        "the kernels as a compiled library beside the package: how it is built, and what it is made from",
        (),
    ),
    Room(
        "tapeemu settings text",
        ("tapeemu.settings_text",),
        "ranges and mistakes of settings in words",
        ("tapeemu units",),
    ),
    Room(
        "tapeemu units",
        ("tapeemu.units",),
        "conversions between units, and numbers with a unit",
        (),
    ),
    Room(
        "tapeemu validation",
        ("tapeemu.validation",),
        "checks of audio, rates and counts",
        ("tapeemu errors",),
    ),
    Room(
        "tapeemu interruptions",
        ("tapeemu.interruptions",),
        "what Ctrl-C reaches",
        (),
    ),
    Room(
        "tapeemu errors",
        ("tapeemu.errors",),
        "the errors that tapeemu raises",
        (),
    ),
    Room(
        "measure commands",
        ("measure.command_line", "measure.__main__"),
        "the laboratory's command line",
        (
            "measure progress",
            "measure signal files",
            "measure recording",
            "measure plots",
            "measure parts",
            "measure report",
            "measure limits",
            "measure writing",
            "measure errors",
        ),
    ),
    Room(
        "measure progress",
        ("measure.progress",),
        "a bar with the time left, for people who wait",
        (),
    ),
    Room(
        "measure signal files",
        ("measure.signal_files",),
        "test signals as sound files",
        ("measure parts", "measure writing", "measure validation", "measure errors"),
    ),
    Room(
        "measure recording",
        ("measure.recording", "measure.recorded_sequences"),
        "what a recording of a test signal tells",
        (
            "measure quantities",
            "measure parts",
            "measure report",
            "measure keys",
            "measure results",
            "measure validation",
        ),
    ),
    Room(
        "measure plots",
        ("measure.plots",),
        "curves as pictures",
        ("measure report", "measure results", "measure writing", "measure errors"),
    ),
    Room(
        "measure bench",
        ("measure.standard_set",),
        "the standard set of measurements of any system",
        (
            "measure quantities",
            "measure parts",
            "measure report",
            "measure keys",
            "measure results",
            "measure validation",
            "measure errors",
        ),
    ),
    Room(
        "measure quantities",
        ("measure.quantities",),
        "one file a quantity: check, compute, give a reading",
        ("measure parts", "measure results", "measure validation", "measure errors"),
    ),
    Room(
        "measure parts",
        ("measure.parts",),
        "what several quantities need: signals, spectra, detectors, fits",
        ("measure validation", "measure errors"),
    ),
    Room(
        "measure report",
        ("measure.report",),
        "what the bench found: readings, curves, tables",
        ("measure limits", "measure meanings", "measure results", "measure errors"),
    ),
    Room(
        "measure limits",
        ("measure.limits",),
        "limits that readings must keep, from a file",
        ("measure meanings", "measure results", "measure writing", "measure errors"),
    ),
    Room(
        "measure keys",
        ("measure.keys",),
        "keys of readings: their order and what they end in",
        ("measure quantities", "measure results"),
    ),
    Room(
        "measure meanings",
        ("measure.meanings",),
        "what each figure means, in a sentence",
        ("measure errors",),
    ),
    Room(
        "measure results",
        ("measure.results",),
        "readings and curves with their conditions",
        ("measure writing", "measure validation", "measure errors"),
    ),
    Room(
        "measure writing",
        ("measure.writing",),
        "text files that are whole or not there, and what is printed",
        ("measure errors",),
    ),
    Room(
        "measure validation",
        ("measure.validation",),
        "checks of recordings, rates and systems",
        ("measure errors",),
    ),
    Room(
        "measure errors",
        ("measure.errors",),
        "the errors that measure raises",
        (),
    ),
)


class Import(NamedTuple):
    """One module importing another, and where it says so."""

    source: str
    target: str
    line: int
    names: tuple[str, ...]

    @property
    def place(self) -> str:
        """File and line, as an editor understands it."""
        return f"{path_of(self.source).relative_to(ROOT)}:{self.line}"


def modules(root: Path = ROOT) -> dict[str, Path]:
    """Every module of both packages by its name."""
    found = {}
    for package in PACKAGES:
        for path in sorted((root / package).rglob("*.py")):
            parts = path.relative_to(root).with_suffix("").parts
            found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def path_of(module: str) -> Path:
    """The file of a module."""
    path = ROOT.joinpath(*module.split("."))
    return path / "__init__.py" if path.is_dir() else path.with_suffix(".py")


@cache
def trees() -> dict[str, ast.Module]:
    """What every module says, parsed once."""
    return {module: ast.parse(path.read_text("utf-8")) for module, path in modules().items()}


@cache
def imports() -> list[Import]:
    """Every import of one of our modules by another, wherever it stands: at the top, in a function, for types.

    The two packages themselves are left out as sources: they name what is public and load it at first use.
    """
    known = trees()
    found = []
    for module, tree in known.items():
        if module in PACKAGES:
            continue
        for node in ast.walk(tree):
            if isinstance(node, ast.Import):
                found += [Import(module, each.name, node.lineno, ()) for each in node.names if each.name in known]
            elif isinstance(node, ast.ImportFrom) and node.module in known:
                names = [each.name for each in node.names]
                inside = [name for name in names if f"{node.module}.{name}" in known]
                found += [Import(module, f"{node.module}.{name}", node.lineno, ()) for name in inside]
                rest = tuple(name for name in names if name not in inside)
                if rest:
                    found.append(Import(module, node.module, node.lineno, rest))
    return [each for each in found if each.source != each.target]


def room_of(module: str, rooms: Iterable[Room] = ROOMS) -> str | None:
    """Name of the room that a module stands in; None if there is none."""
    best, found = 0, None
    for room in rooms:
        for name in room.modules:
            if len(name) > best and (module == name or module.startswith(f"{name}.")):
                best, found = len(name), room.name
    return found


def arrows(found: Iterable[Import]) -> dict[str, dict[str, list[Import]]]:
    """The imports between rooms, by the room they come from and the one they go to."""
    between: dict[str, dict[str, list[Import]]] = {room.name: {} for room in ROOMS}
    for each in found:
        source, target = room_of(each.source), room_of(each.target)
        if source and target and source != target:
            between[source].setdefault(target, []).append(each)
    return between


def circles(graph: Mapping[str, Iterable[str]]) -> list[list[str]]:
    """Strongly connected components of two nodes or more: each of them can be reached from every other."""
    import numpy as np
    from scipy.sparse import csr_matrix
    from scipy.sparse.csgraph import connected_components

    nodes = sorted({*graph, *(target for targets in graph.values() for target in targets)})
    place = {node: number for number, node in enumerate(nodes)}
    matrix = np.zeros((len(nodes), len(nodes)), bool)
    for source, targets in graph.items():
        for target in targets:
            matrix[place[source], place[target]] = True
    _, labels = connected_components(csr_matrix(matrix), directed=True, connection="strong")
    together = [[node for node in nodes if labels[place[node]] == label] for label in range(labels.max() + 1)]
    return sorted(members for members in together if len(members) > 1)


def without_detours(graph: Mapping[str, Iterable[str]]) -> dict[str, list[str]]:
    """The arrows that no longer way replaces; the graph must be free of circles."""

    def below(node: str) -> set[str]:
        return {each for target in graph[node] for each in (target, *below(target))}

    return {
        source: [
            target for target in targets if not any(target in below(other) for other in targets if other != target)
        ]
        for source, targets in graph.items()
    }


def drawing() -> str:
    """The rooms as a Mermaid chart and as a table."""
    between = arrows(imports())
    filled = {room_of(module) for module in modules()}
    rooms = [room for room in ROOMS if room.name in filled]
    drawn = without_detours({source: list(targets) for source, targets in between.items()})
    keys = {room.name: f"room{number}" for number, room in enumerate(rooms)}
    lines = ["```mermaid", "flowchart TD"]
    for package in PACKAGES:
        lines.append(f"    subgraph {package}")
        lines += [
            f'        {keys[room.name]}["{room.name.removeprefix(f"{package} ")}"]'
            for room in rooms
            if room.name.startswith(f"{package} ")
        ]
        lines.append("    end")
    order = {room.name: number for number, room in enumerate(rooms)}
    for room in rooms:
        lines += [
            f"    {keys[room.name]} --> {keys[target]}"
            for target in sorted(drawn[room.name], key=order.__getitem__)
        ]
    lines += [
        "```",
        "",
        "An arrow says: imports, directly and perhaps also by way of others. Every arrow there is:",
        "",
        "| Room | What belongs there | Where | Imports |",
        "|:--|:--|:--|:--|",
    ]
    for room in rooms:
        where = ", ".join(f"`{_where(name)}`" for name in room.modules if name in modules())
        targets = ", ".join(sorted(between[room.name], key=order.__getitem__)) or "nothing"
        lines.append(f"| {room.name} | {room.purpose} | {where} | {targets} |")
    return "\n".join(lines) + "\n"


def _where(module: str) -> str:
    path = path_of(module)
    shown = path.parent if path.name == "__init__.py" else path
    return shown.relative_to(ROOT).as_posix() + ("/" if path.name == "__init__.py" else "")


def listing() -> str:
    """The files of the rooms of sound, each with the first sentence of its docstring."""
    lines = ["| File | What is in it |", "|:--|:--|"]
    for folder in LISTED:
        for path in sorted((ROOT / folder).glob("*.py")):
            told = ast.get_docstring(ast.parse(path.read_text("utf-8")))
            if path.name != "__init__.py" and told:
                lines.append(f"| `{path.relative_to(ROOT / 'tapeemu').as_posix()}` | {_first_sentence(told)} |")
    return "\n".join(lines) + "\n"


def _first_sentence(text: str) -> str:
    whole = " ".join(text.split("\n\n")[0].split())
    return whole.partition(". ")[0].removesuffix(".").replace("|", "\\|")


def updated(text: str) -> str:
    """The text of DEVELOPERS.md with what there is today between its marks."""
    for name, made in (("rooms", drawing()), ("files", listing())):
        first, last = BEGIN.format(name), END.format(name)
        before, begin, rest = text.partition(first)
        _, end, after = rest.partition(last)
        if not (begin and end):
            raise SystemExit(f"{PAGE.name} lacks the line {first} or {last}; put both where the {name} belong")
        text = f"{before}{begin}\n\n{made}\n{end}{after}"
    return text


def main(arguments: Sequence[str]) -> None:
    """Print drawing and list, or put them into DEVELOPERS.md."""
    parser = argparse.ArgumentParser(description="Draw the rooms of both packages from their imports.")
    parser.add_argument("--update", action="store_true", help="put both into DEVELOPERS.md")
    if parser.parse_args(arguments).update:
        PAGE.write_text(updated(PAGE.read_text("utf-8")), "utf-8")
    else:
        sys.stdout.write(f"{drawing()}\n{listing()}")


if __name__ == "__main__":
    main(sys.argv[1:])
