"""The README's commands and code run as printed, and a type checker accepts the code."""

import ast
import importlib
import itertools
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
from page_commands import run

from tapeemu.chain import Chain
from tapeemu.presets.reading import file_kinds

ROOT = Path(__file__).parent.parent
TEXT = (ROOT / "README.md").read_text("utf-8")
TOUR = TEXT.split("## Quick tour")[1].split("\n## ")[0]


def blocks(language: str, text: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", text, re.DOTALL)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder in which the demonstration has been run, as the tour assumes."""
    made = tmp_path_factory.mktemp("tour")
    run("tapeemu demo", made)
    return made


@pytest.mark.long
def test_the_commands_of_the_tour_run_in_order(folder: Path) -> None:
    (commands,) = blocks("sh", TOUR)
    run(commands, folder)
    assert len(list((folder / "takes/first").glob("*.wav"))) == 4
    (report,) = (folder / "takes/bell-buoy").rglob("*.html")
    assert report.stat().st_size > 100_000


@pytest.mark.long
def test_the_python_of_the_tour_runs_in_order(folder: Path) -> None:
    (folder / "takes").mkdir(exist_ok=True)
    script = "\n".join(blocks("python", TOUR))
    done = subprocess.run([sys.executable, "-c", script], cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "weighted" in done.stdout


def test_the_python_of_the_tour_names_what_there_is() -> None:
    """It parses, and every name of ours in it exists; that it runs is seen in the long tests."""
    ours = set()
    for node in itertools.chain.from_iterable(ast.walk(ast.parse(block)) for block in blocks("python", TOUR)):
        if isinstance(node, ast.ImportFrom) and node.module is not None:
            ours |= {(node.module, alias.name) for alias in node.names}
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            ours.add((node.value.id, node.attr))
    ours = {(module, name) for module, name in ours if module.split(".")[0] in ("tapeemu", "measure")}
    assert len(ours) > 5
    for module, name in ours:
        assert hasattr(importlib.import_module(module), name), f"{module}.{name}"


# What the laboratory's examples are about: a recording and another, an impulse response, a system.
GIVEN = """
import numpy as np
import numpy.typing as npt

import measure

recording: npt.NDArray[np.float64] = np.zeros(48_000)
response: npt.NDArray[np.float64] = np.zeros(48_000)
other_flutter = measure.flutter(recording, 48_000)
other = other_flutter.weighted["two_sigma"]


def system(audio: npt.NDArray[np.float64], sample_rate: float) -> npt.NDArray[np.float64]:
    return audio
"""

# Mistakes that a reader may make, each with what a type checker says to it.
MISTAKES = {
    "import tapeemu; tapeemu.PreampDrive(gain_db=3)": "Unexpected keyword argument",
    "import tapeemu; tapeemu.PreampDrive(drive_db='loud')": "incompatible type",
    "from tapeemu.processors.plugin_effect import PluginEffect; PluginEffect()": "Missing named argument",
    "import tapeemu; tapeemu.Chain([3])": "incompatible type",
    "import tapeemu; tapeemu.Chain([tapeemu.WowFlutter()])[0].colour": "has no attribute",
    "import tapeemu; tapeemu.no_such_name": "has no attribute",
    "import measure; measure.bench(3)": "incompatible type",
    "import measure; measure.no_such_name": "has no attribute",
}
FINE = """
import numpy as np

import measure
import tapeemu

dry = np.zeros((2, 480), dtype=np.float32)
chain = tapeemu.Chain(stages=(tapeemu.WowFlutter(), lambda audio, rate: audio))
wet = chain(dry, sample_rate=48_000)
wet = tapeemu.PreampDrive(drive_db=3)(wet, 48_000)
names: list[str] = [stage.name for stage in chain[1:]]
stage: tapeemu.Stage = chain["wow_flutter"]
count: int = len(chain)
report = measure.bench(tapeemu.Chain([tapeemu.WowFlutter()]), rows=["flutter tone"])
value: float = report["weighted_flutter_percent"].value
"""


@pytest.mark.long
def test_a_type_checker_accepts_every_example_and_finds_mistakes(tmp_path: Path) -> None:
    """All in one run of mypy --strict: the READMEs' examples, more of what must pass, and mistakes."""
    api = pytest.importorskip("mypy.api")
    laboratory = (ROOT / "measure/README.md").read_text("utf-8")
    good = {
        "tour.py": "\n".join(blocks("python", TOUR)),
        "laboratory.py": "\n".join([GIVEN, *blocks("python", laboratory)]),
        "fine.py": FINE,
    }
    bad = {f"mistake_{number}.py": code for number, code in enumerate(MISTAKES)}
    assert blocks("python", laboratory)
    for name, code in {**good, **bad}.items():
        (tmp_path / name).write_text(code, "utf-8")
    told, _, _ = api.run(
        [
            *("--strict", "--no-error-summary", "--config-file", str(ROOT / "pyproject.toml")),
            *("--cache-dir", str(ROOT / ".mypy_cache")),
            *(str(tmp_path / name) for name in (*good, *bad)),
        ]
    )
    errors = [line for line in told.splitlines() if ": error: " in line]
    assert not [line for line in errors if not any(name in line for name in bad)]
    for name, expected in zip(bad, MISTAKES.values(), strict=True):
        assert any(name in line and expected in line for line in errors), f"{name} passes: {told}"


def test_every_processor_has_a_row() -> None:
    rows = set(re.findall(r"^\| `(\w+)` \|", TEXT.split("## What is in it")[1].split("\n## ")[0], re.MULTILINE))
    assert rows == {made.__name__ for kind, made in file_kinds().items() if kind != Chain.kind}


def test_the_test_command_is_what_ci_runs() -> None:
    commands = [block.strip() for block in blocks("sh", TEXT)]
    tests = next(command for command in commands if "pytest" in command)
    assert tests in (ROOT / ".ci/run").read_text("utf-8")


def test_the_first_command_needs_nothing_but_a_clone() -> None:
    first = blocks("sh", TEXT)[0].strip()
    steps = [shlex.split(step) for step in first.split("&&")]
    assert [step[0] for step in steps] == ["python3", ".venv/bin/pip", ".venv/bin/tapeemu"]
