"""Benchmarks are run by hand; that they can be run at all is checked here."""

from pathlib import Path

import pytest
from modules import module_at

FOLDER = Path(__file__).parent.parent / "benchmarks"


@pytest.mark.parametrize("name", sorted(path.stem for path in FOLDER.glob("*.py")))
def test_a_benchmark_finds_what_it_imports(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(FOLDER))
    module_at(FOLDER / f"{name}.py", f"benchmark_{name}")
