"""The recipes of DEVELOPERS.md, followed to the letter on a copy of the project.

They are the first thing that a new maintainer tries, and nothing else would tell that a step is missing. This
takes seconds, because the rules for all processors run on the new one in a process of their own.
"""

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
TEXT = (ROOT / "DEVELOPERS.md").read_text("utf-8")
BLOCK = re.compile(
    r"^(?P<fence>```|~~~)\w+ (?P<path>[\w./]+)(?:, (?P<how>after|instead of): (?P<line>[^\n]+))?\n"
    r"(?P<code>.*?)^(?P=fence)$",
    re.DOTALL | re.MULTILINE,
)


def recipe(heading: str) -> str:
    return TEXT.split(f"\n## {heading}\n")[1].split("\n## ")[0]


def follow(text: str, project: Path) -> list[str]:
    """Put every block of a recipe where it says, and return the files."""
    files = []
    for block in BLOCK.finditer(text):
        target, code = project / block["path"], block["code"]
        files.append(block["path"])
        if block["how"] is None:
            assert not target.exists(), f"the recipe makes {target.name}, which exists"
            target.write_text(code, "utf-8")
            continue
        lines = target.read_text("utf-8").splitlines(keepends=True)
        (place,) = [number for number, line in enumerate(lines) if line.strip().startswith(block["line"])]
        lines[place : place + 1] = [code] if block["how"] == "instead of" else [lines[place], code]
        target.write_text("".join(lines), "utf-8")
    return files


def run(project: Path, *command: str) -> str:
    environment = {**os.environ, "PYTHONPATH": str(project), "NUMBA_DISABLE_JIT": "1"}
    done = subprocess.run(
        [sys.executable, *command], cwd=project, env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, f"{' '.join(command)}\n{done.stdout[-6000:]}\n{done.stderr[-3000:]}"
    return done.stdout


@pytest.fixture
def project(tmp_path: Path) -> Path:
    for name in ("tapeemu", "measure", "tests", "docs", "presets"):
        shutil.copytree(ROOT / name, tmp_path / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("README.md", "DEVELOPERS.md", "pyproject.toml"):
        shutil.copy(ROOT / name, tmp_path)
    return tmp_path


def passed(output: str) -> int:
    return int(re.findall(r"(\d+) passed", output)[-1])


@pytest.mark.long
def test_a_processor_is_added_by_following_the_page(project: Path) -> None:
    files = follow(recipe("To add a processor"), project)
    assert "tapeemu/processors/layer_echo.py" in files
    run(project, "-m", "tapeemu", "settings", "--markdown", "--out", "docs/settings.md", "--overwrite")
    assert "layer_echo" in (project / "docs/settings.md").read_text("utf-8")
    output = run(
        project,
        *("-m", "pytest", "-q", "-p", "no:randomly", "-p", "no:cacheprovider"),
        *("tests/test_contract.py", "tests/test_numerical_hygiene.py", "tests/test_settings_heard.py"),
        *("tests/test_architecture.py", "tests/test_readme.py", "tests/tapeemu/presets/test_reference.py"),
        *("tests/tapeemu/plugins/test_every_processor.py", "tests/tapeemu/targets/test_machines.py"),
        *("tests/tapeemu/test_automation.py", "tests/tapeemu/processors/test_layer_echo.py"),
        *("-k", "layer_echo or declarations_say or has_a_row or public or arrows or unit or every_processor_is"),
    )
    assert passed(output) >= 50


@pytest.mark.long
def test_a_source_of_kernels_is_added_by_following_the_page(project: Path) -> None:
    """A tone whose level can follow a curve: the files that the page names, and the rows that it asks for."""
    page = recipe("To add a processor")
    own = project / "tests/shared/motor_whine"
    for name, folder in ("kernels.py", "tapeemu/dsp/kernels"), ("processor.py", "tapeemu/processors"):
        assert re.search(rf"`{name}` to\s+`{folder}/`", page)
        shutil.copy(own / name, project / folder / "motor_whine.py")
    follow(ROWS_OF_A_SOURCE, project)
    for asked in re.findall(r"^```text ([\w./]+), after: ([^\n]+)$", ROWS_OF_A_SOURCE, re.MULTILINE):
        assert Path(asked[0]).name in page, f"the page does not ask for a row in {asked[0]}"
    run(project, "-m", "tapeemu.native.generate")
    run(project, "-m", "tapeemu", "settings", "--markdown", "--out", "docs/settings.md", "--overwrite")
    output = run(
        project,
        *("-m", "pytest", "-q", "-p", "no:randomly", "-p", "no:cacheprovider", "-m", "not long"),
        *("tests/test_contract.py", "tests/test_settings_heard.py", "tests/test_architecture.py"),
        *("tests/test_readme.py", "tests/tapeemu/test_automation.py", "tests/tapeemu/presets/test_reference.py"),
        *("-k", "motor_whine or MotorWhine or declarations_say or has_a_row or public or arrows"),
    )
    assert passed(output) >= 40


ROWS_OF_A_SOURCE = """
```text tapeemu/__init__.py, after: from tapeemu.processors.head_azimuth import
    from tapeemu.processors.motor_whine import MotorWhine
```

```text tapeemu/__init__.py, after: "HeadAzimuth",
    "MotorWhine",
```

```text tapeemu/__init__.py, after: "tapeemu.processors.head_azimuth":
    "tapeemu.processors.motor_whine": ("MotorWhine",),
```

```text tapeemu/plugins/tables.py, after: "head_azimuth": "Tape Head
    "motor_whine": "Motor Whine",
```

```text tests/tapeemu/test_automation.py, after: JUDGED: dict[
    ("motor_whine", "whine_dbfs"): [tapeemu.MotorWhine()],
```

```text tests/tapeemu/test_automation.py, after: import numpy as np
import tapeemu
```

```text README.md, after: | `HeadAzimuth` |
| `MotorWhine` | the whine of a motor | level dBFS, frequency Hz |
```
"""


@pytest.mark.long
def test_a_figure_is_added_by_following_the_page(project: Path) -> None:
    files = follow(recipe("To add a figure"), project)
    assert "measure/quantities/crossings.py" in files
    output = run(
        project,
        *("-m", "pytest", "-q", "-p", "no:randomly", "-p", "no:cacheprovider"),
        *("tests/measure/quantities/test_crossings.py", "tests/test_architecture.py"),
        *("tests/tapeemu/comparison/test_comparing.py", "tests/tapeemu/report/test_html_page.py"),
        "tests/measure/test_meanings.py",
        *("-k", "crosses or trait or one_table or public or arrows or unit or of_the_bench_is_explained"),
    )
    assert passed(output) >= 8
    script = """
import numpy as np
from measure import bench, crossing_rate
from tapeemu.chain import Chain
from tapeemu.comparison.renders import render_figures
from tapeemu.presets.kept_figures import KEPT
from tapeemu.rendering.matched import Render

kept = KEPT["crossings_hz"]
read = bench(lambda audio, rate: audio, rows=[kept.row]).readings["crossings_hz"]
assert abs(read.value - 2000.0) < kept.floor
sine = 0.1 * np.sin(2.0 * np.pi * 1000.0 * np.arange(48_000) / 48_000 + 0.1)
render = Render(label="", order=(), chain=Chain(), audio=sine[None].astype(np.float32), gain_db=0.0,
                loudness_lufs=-23.0, true_peak_dbtp=-20.0)
print(round(render_figures(render, render, sample_rate=48_000.0)["crossings_hz"].value, -2))
"""
    assert run(project, "-c", script).strip() == "2000.0"


def test_the_commands_of_both_recipes_stand_alike() -> None:
    """Installing is the README's command, so that a newcomer has the test libraries."""
    for heading in ("To add a processor", "To add a figure"):
        assert "pip install --editable '.[test]' && pytest" in recipe(heading)
