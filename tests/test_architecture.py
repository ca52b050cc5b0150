"""Who may import whom, what an import may cost, and rules of names and kernels that no type checker knows.

The rooms and the arrows between them are the table in `docs/house.py`. Each failure names the rule and the place.
"""

import ast
import importlib
import pkgutil
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import house
import pytest

import tapeemu
from tapeemu.processor import Settings
from tapeemu.settings_text import unit_of

ROOT = Path(__file__).parent.parent
HEAVY = (
    "numba",
    "scipy",
    "matplotlib",
    "librosa",
    "pedalboard",
    "soundfile",
    "soxr",
    "joblib",
    "jinja2",
    "pyloudnorm",
)
MODULES = house.modules()
IMPORTS = house.imports()
TREES = house.trees()


def place(module: str, node: ast.AST) -> str:
    return f"{MODULES[module].relative_to(ROOT)}:{getattr(node, 'lineno', 1)}"


def hold(rule: str, faults: list[str]) -> None:
    assert not faults, "\n".join([f"{rule}:", *(f"  {fault}" for fault in faults)])


# ------------------------------------------------------------------ rooms and arrows


def test_every_module_stands_in_a_room() -> None:
    homeless = [module for module in MODULES if module not in house.PACKAGES and house.room_of(module) is None]
    hold("every module stands in a room of docs/house.py", homeless)
    empty = [
        f"{room.name}: there is no module {name}"
        for room in house.ROOMS
        for name in room.modules
        if name not in MODULES
    ]
    hold("rooms name modules that exist", empty)


def test_arrows_between_rooms_are_those_of_the_table() -> None:
    between = house.arrows(IMPORTS)
    allowed = {room.name: set(room.may_import) for room in house.ROOMS}
    hold(
        "a room imports only from the rooms that docs/house.py lists for it",
        [
            f"{each.place} ({source}) imports {each.target} ({target})"
            for source, targets in between.items()
            for target, found in targets.items()
            if target not in allowed[source]
            for each in found
        ],
    )
    hold(
        "docs/house.py lists no arrow that is not there",
        [
            f"{source} no longer imports {target}"
            for source in allowed
            for target in allowed[source] - {*between[source]}
        ],
    )


def test_rooms_and_modules_form_no_circles() -> None:
    """Imports inside functions and for types count as well."""
    by_module: dict[str, set[str]] = {}
    for each in IMPORTS:
        by_module.setdefault(each.source, set()).add(each.target)
    for what, graph in (("rooms", house.arrows(IMPORTS)), ("modules", by_module)):
        faults = []
        for members in house.circles(graph):
            faults.append(" and ".join(members))
            for each in IMPORTS:
                ends = [each.source, each.target]
                ends = [house.room_of(end) or end for end in ends] if what == "rooms" else ends
                if ends[0] != ends[1] and {*ends} <= {*members}:
                    faults.append(f"  {each.place} imports {each.target}")
        hold(f"{what} form no circle", faults)


def test_circles_are_found() -> None:
    graph = {"a": ["b"], "b": ["c", "d"], "c": ["a"], "d": ["e"], "e": ["d", "f"]}
    assert house.circles(graph) == [["a", "b", "c"], ["d", "e"]]
    assert house.without_detours({"a": ["b", "c"], "b": ["c"], "c": []}) == {"a": ["b"], "b": ["c"], "c": []}


def test_drawing_and_list_of_files_are_those_of_today() -> None:
    text = house.PAGE.read_text("utf-8")
    assert house.updated(text) == text, "DEVELOPERS.md is stale; python docs/house.py --update"


def test_every_file_that_the_pages_for_developers_name_is_there() -> None:
    text = house.PAGE.read_text("utf-8")
    named = set(re.findall(r"`((?:[\w.-]+/)*[\w.-]+\.(?:py|toml|md|h))[`:]", text))
    # The recipes add these.
    named -= {name for name in named if "layer_echo" in name or "crossings" in name}
    folders = ("tapeemu", "measure", "presets", "tests", "docs", "benchmarks")
    paths = [path for each in folders for path in (house.ROOT / each).rglob("*")] + [*house.ROOT.iterdir()]
    there = [f"/{path.relative_to(house.ROOT).as_posix()}" for path in paths]
    stale = [name for name in sorted(named) if not any(path.endswith(f"/{name}") for path in there)]
    hold("DEVELOPERS.md names files that exist", stale)


def test_a_package_itself_is_no_detour() -> None:
    hold(
        "from a package itself its own modules import nothing but __version__, for all else has a home",
        [
            f"{each.place} imports {', '.join(each.names)} from {each.target}"
            for each in IMPORTS
            if each.target in house.PACKAGES
            and each.source.split(".")[0] == each.target
            and each.names != ("__version__",)
        ],
    )


def test_processors_never_import_one_another() -> None:
    hold(
        "processors never import one another",
        [
            f"{each.place} imports {each.target}"
            for each in IMPORTS
            if house.room_of(each.source) == house.room_of(each.target) == "tapeemu processors"
        ],
    )


def test_measure_shares_nothing_with_tapeemu() -> None:
    hold(
        "measure never imports tapeemu",
        [
            f"{each.place} imports {each.target}"
            for each in IMPORTS
            if each.source.startswith("measure") and each.target.startswith("tapeemu")
        ],
    )


def test_one_module_a_package_opens_sound_files() -> None:
    users = sorted(module for module in MODULES if "soundfile" in outside(module))
    assert users == ["measure.parts.sound_file", "tapeemu.files.sound_library"]


# ------------------------------------------------------------------ what an import costs


def outside(module: str, *, at_the_top: bool = False) -> set[str]:
    """Libraries that a module imports; those for types alone are left out."""
    tree = TREES[module]
    for_types = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test)
        for statement in node.body
        for inner in ast.walk(statement)
    }
    found = set()
    for node in tree.body if at_the_top else ast.walk(tree):
        if id(node) in for_types:
            continue
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module.split(".")[0])
    return found


def test_heavy_libraries_load_at_first_use() -> None:
    hold(
        "a heavy library is imported inside the function that needs it",
        [
            f"{module} imports {', '.join(heavy)} at its top"
            for module in MODULES
            if house.room_of(module) != "tapeemu kernels"
            and (heavy := outside(module, at_the_top=True) & {*HEAVY})
        ],
    )


@pytest.mark.parametrize("statement", ["import tapeemu", "import measure", "import tapeemu.cli"])
def test_an_import_pulls_in_nothing_heavy(statement: str) -> None:
    """What the import costs is held by what it loads; benchmarks/import_time.py gives the seconds."""
    code = f"{statement}; import sys; print(*sorted(m for m in sys.modules if '.' not in m))"
    loaded = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout.split()
    assert not set(loaded) & {*HEAVY, "pydantic"}


# ------------------------------------------------------------------ kernels

NO_KERNELS = {"kernels", "compilation", "by_library", "by_numba", "lanes"}
"""Files among the kernels that hold none: what runs them."""

KERNELS = [
    module
    for module in MODULES
    if house.room_of(module) == "tapeemu kernels" and module.rpartition(".")[2] not in NO_KERNELS
]


def compiled(module: str) -> list[ast.FunctionDef]:
    """The functions of a module that are decorated as kernels."""
    return [
        node
        for node in TREES[module].body
        if isinstance(node, ast.FunctionDef)
        and any(ast.unparse(each).split("(")[0] == "kernel" for each in node.decorator_list)
    ]


def test_kernels_are_found() -> None:
    assert sum(len(compiled(module)) for module in KERNELS) >= 40


def test_kernels_of_other_files_are_imported_by_name() -> None:
    """It is by these lines that the cache of compiled kernels sees when one is stale."""
    hold(
        "a kernel file imports from another by `from tapeemu.dsp.kernels.x import name`",
        [
            f"{each.place} imports the whole of {each.target}"
            for each in IMPORTS
            if each.source in KERNELS and each.target in KERNELS and not each.names
        ],
    )


def test_kernels_keep_to_the_numeric_subset() -> None:
    banned = (ast.Raise, ast.Try, ast.Lambda, ast.Dict, ast.List, ast.ListComp, ast.With, ast.Yield)
    allocating = {"np.zeros", "np.empty", "np.ones", "np.array", "np.concatenate"}
    faults = []
    for module in KERNELS:
        for function in [node for node in ast.walk(TREES[module]) if isinstance(node, ast.FunctionDef)]:
            for node in ast.walk(function):
                if isinstance(node, banned):
                    faults.append(f"{place(module, node)} {function.name} has a {type(node).__name__.lower()}")
                if isinstance(node, ast.Call) and ast.unparse(node.func) in allocating:
                    faults.append(f"{place(module, node)} {function.name} allocates with {ast.unparse(node.func)}")
    hold("no allocation, containers, closures or exceptions inside a kernel", faults)


# ------------------------------------------------------------------ names

UNIT_ENDS = {
    "%": "percent",
    "s": "seconds",
    "ms": "ms",
    "µs": "us",
    "Hz": "hz",
    "dB": "db",
    "dBFS": "dbfs",
    "dBTP": "dbtp",
    "LUFS": "lufs",
    "dB/octave": "db_per_octave",
    "1/min": "per_minute",
    "cm/s": "cm_s",
    "mm": "mm",
    "µm": "um",
    "µrad": "urad",
    "°": "degrees",
}
"""How the unit of a setting ends its name."""


def settings_classes() -> list[type[Settings]]:
    for found in pkgutil.walk_packages(tapeemu.__path__, "tapeemu."):
        if not found.name.endswith("__main__"):
            importlib.import_module(found.name)

    def below(made: type[Settings]) -> Iterator[type[Settings]]:
        for each in made.__subclasses__():
            yield each
            yield from below(each)

    return [made for made in below(Settings) if made.__module__.startswith("tapeemu.")]


def test_the_unit_of_a_setting_ends_its_name() -> None:
    faults, seen = [], 0
    for made in settings_classes():
        for name, field in made.model_fields.items():
            unit = unit_of(field)
            # The bare word as well: a setting may be called `seconds`.
            ends = [each for each in UNIT_ENDS if f"_{name}".endswith(f"_{UNIT_ENDS[each]}")]
            longest = max(ends, key=lambda each: len(UNIT_ENDS[each]), default="")
            seen += bool(unit)
            if unit and unit not in UNIT_ENDS:
                faults.append(f"{made.__name__}.{name}: the unit {unit} stands in no UNIT_ENDS of this test")
            elif unit and longest != unit:
                faults.append(
                    f"{made.__name__}.{name} is declared in {unit}, so it must end in _{UNIT_ENDS[unit]}"
                )
            elif not unit and longest:
                faults.append(f"{made.__name__}.{name} ends as one in {longest}, but declares no unit")
    hold("the unit of a setting ends its name, and is declared", faults)
    assert seen >= 50


QUANTITIES = re.compile(
    r"(?:^|_)(frequency|frequencies|cutoff|duration|delay|tail|loudness|period|wavelength|thickness|speed|"
    r"diameter|level|levels|pitch)$"
)
"""Names of parameters that say a quantity and not its unit."""


def public_parameters(module: str) -> Iterator[tuple[ast.AST, str, str]]:
    """Parameters of public functions and methods, and fields of public classes, that hold a float."""
    for outer in TREES[module].body:
        if not isinstance(outer, ast.ClassDef | ast.FunctionDef) or outer.name.startswith("_"):
            continue
        inner = outer.body if isinstance(outer, ast.ClassDef) else [outer]
        for node in inner:
            if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
                if re.search(r"\bfloat\b", ast.unparse(node.annotation)):
                    yield node, outer.name, node.target.id
            elif isinstance(node, ast.FunctionDef):
                for argument in [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]:
                    if argument.annotation and re.search(r"\bfloat\b", ast.unparse(argument.annotation)):
                        yield node, f"{outer.name}.{node.name}" if node is not outer else node.name, argument.arg


def test_the_unit_ends_the_name_of_a_quantity() -> None:
    found = [(module, *each) for module in MODULES if module not in KERNELS for each in public_parameters(module)]
    assert len(found) > 300
    hold(
        "a name that says a quantity ends in its unit",
        [
            f"{place(module, node)} {owner}: {name} must end in its unit, as {name}_hz, _seconds, _db"
            for module, node, owner, name in found
            if QUANTITIES.search(name)
        ],
    )


def declared(module: str) -> set[str] | None:
    """The names in a module's `__all__`; None where it has none."""
    for node in TREES[module].body:
        if isinstance(node, ast.Assign) and [ast.unparse(target) for target in node.targets] == ["__all__"]:
            return set(ast.literal_eval(node.value))
    return None


def test_what_is_public_is_named_and_nothing_else_is_used_elsewhere() -> None:
    faults = []
    for module, tree in TREES.items():
        public = declared(module)
        own = [node for node in tree.body if isinstance(node, ast.FunctionDef | ast.ClassDef)]
        if module in KERNELS or public is None:
            continue
        faults += [
            f"{place(module, node)} {node.name} must stand in __all__, or begin with an underscore"
            for node in own
            if not node.name.startswith("_") and node.name not in public
        ]
    for each in IMPORTS:
        public = declared(each.target)
        for name in each.names:
            if name.startswith("_") and not name.startswith("__"):
                faults.append(f"{each.place} imports {name}, which is private to {each.target}")
            elif public is not None and name not in public and not name.startswith("__"):
                faults.append(f"{each.place} imports {name}, which is not in the __all__ of {each.target}")
    hold("public names stand in __all__", faults)


def test_no_two_public_classes_of_a_package_share_a_name() -> None:
    homes: dict[tuple[str, str], list[str]] = {}
    for module, tree in TREES.items():
        for node in tree.body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                homes.setdefault((module.split(".")[0], node.name), []).append(place(module, node))
    hold(
        "a public class has a name of its own in its package",
        [f"{name}: {', '.join(places)}" for (_, name), places in homes.items() if len(places) > 1],
    )


def test_every_module_with_public_names_says_which() -> None:
    hold(
        "a module with a public function or class has an __all__",
        [
            module
            for module, tree in TREES.items()
            if declared(module) is None
            and module not in KERNELS
            and any(
                isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_")
                for node in tree.body
            )
        ],
    )
