"""The README's commands and code run as printed."""

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

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


def run(command: str, folder: Path) -> str:
    environment = {**os.environ, "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}"}
    done = subprocess.run(
        ["sh", "-ec", command], cwd=folder, env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, f"{command}\n{done.stdout}\n{done.stderr}"
    assert "Traceback" not in done.stderr
    return done.stdout


def test_the_commands_of_the_tour_run_in_order(folder: Path) -> None:
    (commands,) = blocks("sh", TOUR)
    run(commands, folder)
    assert len(list((folder / "takes/first").glob("*.wav"))) == 4
    (report,) = (folder / "takes/bell-buoy").rglob("*.html")
    assert report.stat().st_size > 100_000


def test_the_python_of_the_tour_runs_in_order(folder: Path) -> None:
    (folder / "takes").mkdir(exist_ok=True)
    script = "\n".join(blocks("python", TOUR))
    done = subprocess.run([sys.executable, "-c", script], cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "weighted" in done.stdout


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
