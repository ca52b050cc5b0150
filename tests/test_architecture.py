"""Who may import whom, and what an import may cost."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

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

# Rooms from top to bottom: a module may import from rooms below its own only, and from its own.
ROOMS = [
    ("cli", ["tapeemu.cli", "tapeemu.__main__"]),
    ("report", ["tapeemu.report"]),
    ("comparison", ["tapeemu.comparison"]),
    ("presets", ["tapeemu.presets"]),
    ("rendering", ["tapeemu.rendering"]),
    ("chain", ["tapeemu.chain"]),
    ("processors", ["tapeemu.processors"]),
    ("protocol", ["tapeemu.processor"]),
    ("files", ["tapeemu.files", "tapeemu.demo_scene"]),
    ("dsp", ["tapeemu.dsp"]),
    ("kernels", ["tapeemu.dsp.kernels"]),
    ("translator", ["tapeemu.native"]),
    ("words of settings", ["tapeemu.settings_text"]),
    ("leaves", ["tapeemu.units", "tapeemu.validation"]),
    ("errors", ["tapeemu.errors"]),
]
MAY_IMPORT_MEASURE = (
    "tapeemu.cli",
    "tapeemu.report",
    "tapeemu.presets",
    "tapeemu.comparison",
    "tapeemu.rendering.matched",
)
MEASURE_ROOMS = [
    ("commands", ["measure.__main__", "measure.plots", "measure.recording"]),
    ("standard set", ["measure.standard_set"]),
    ("quantities", ["measure.quantities"]),
    ("parts", ["measure.parts", "measure.meanings"]),
    ("results", ["measure.results"]),
    ("validation", ["measure.validation"]),
    ("errors", ["measure.errors"]),
]


def modules(package: str) -> dict[str, Path]:
    found = {}
    for path in sorted((ROOT / package).rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def imports(path: Path, *, top_level_only: bool = False) -> set[str]:
    tree = ast.parse(path.read_text("utf-8"))
    typing_only = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test)
        for statement in node.body
        for inner in ast.walk(statement)
    }
    nodes = tree.body if top_level_only else list(ast.walk(tree))
    found = set()
    for node in nodes:
        if id(node) in typing_only:
            continue
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    return found


def room_of(module: str, rooms: list[tuple[str, list[str]]]) -> int | None:
    best: tuple[int, int] | None = None
    for number, (_, prefixes) in enumerate(rooms):
        for prefix in prefixes:
            if (module == prefix or module.startswith(prefix + ".")) and (best is None or len(prefix) > best[0]):
                best = (len(prefix), number)
    return None if best is None else best[1]


@pytest.mark.parametrize(("package", "rooms"), [("tapeemu", ROOMS), ("measure", MEASURE_ROOMS)])
def test_arrows_point_downwards(package: str, rooms: list[tuple[str, list[str]]]) -> None:
    known = modules(package)
    wrong = []
    for module, path in known.items():
        if module == package:
            continue
        own = room_of(module, rooms)
        if own is None:
            wrong.append(f"{module} stands in no room")
            continue
        for target in imports(path) & set(known):
            there = room_of(target, rooms)
            if there is not None and there < own:
                wrong.append(f"{module} ({rooms[own][0]}) imports {target} ({rooms[there][0]})")
    assert not wrong


def test_processors_never_import_one_another() -> None:
    known = modules("tapeemu.processors".replace(".", "/"))
    names = {f"tapeemu.processors.{path.stem}" for path in known.values() if path.stem != "__init__"}
    for path in known.values():
        if path.stem != "__init__":
            assert not imports(path) & names - {f"tapeemu.processors.{path.stem}"}, path.stem


def test_measure_shares_nothing_with_tapeemu() -> None:
    for module, path in modules("measure").items():
        assert not any(name.split(".")[0] == "tapeemu" for name in imports(path)), module
    for module, path in modules("tapeemu").items():
        if not module.startswith(MAY_IMPORT_MEASURE):
            assert not any(name.split(".")[0] == "measure" for name in imports(path)), module


def test_one_module_a_package_opens_sound_files() -> None:
    users = [m for m, path in modules("tapeemu").items() if "soundfile" in imports(path)]
    assert users == ["tapeemu.files.audio_file"]
    users = [m for m, path in modules("measure").items() if "soundfile" in imports(path)]
    assert users == ["measure.__main__", "measure.parts.sound_file"]


@pytest.mark.parametrize("package", ["tapeemu", "measure"])
def test_heavy_libraries_load_at_first_use(package: str) -> None:
    for module, path in modules(package).items():
        if module.startswith("tapeemu.dsp.kernels"):
            continue
        heavy = {name.split(".")[0] for name in imports(path, top_level_only=True)} & set(HEAVY)
        assert not heavy, f"{module} imports {', '.join(heavy)} at its top"


@pytest.mark.parametrize("statement", ["import tapeemu", "import measure", "import tapeemu.cli"])
def test_an_import_pulls_in_nothing_heavy(statement: str) -> None:
    """What the import costs is held by what it loads; benchmarks/import_time.py gives the seconds."""
    code = f"{statement}; import sys; print(*sorted(m for m in sys.modules if '.' not in m))"
    loaded = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout.split()
    assert not set(loaded) & {*HEAVY, "pydantic"}


def test_kernels_keep_to_the_numeric_subset() -> None:
    """No allocation, containers, closures or exceptions inside a compiled loop."""
    for path in (ROOT / "tapeemu/dsp/kernels").glob("*.py"):
        if path.stem == "compilation":
            continue
        for function in [
            n for n in ast.walk(ast.parse(path.read_text("utf-8"))) if isinstance(n, ast.FunctionDef)
        ]:
            for node in ast.walk(function):
                banned = (ast.Raise, ast.Try, ast.Lambda, ast.Dict, ast.List, ast.ListComp, ast.With, ast.Yield)
                assert not isinstance(node, banned), f"{path.name}:{getattr(node, 'lineno', 0)}"
                if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                    called = ast.unparse(node.func)
                    assert called not in {"np.zeros", "np.empty", "np.ones", "np.array", "np.concatenate"}, (
                        f"{path.name}:{node.lineno} allocates with {called}"
                    )
