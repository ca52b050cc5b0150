"""Benchmarks are run by hand; that they can be run at all is checked here."""

import importlib.util
from pathlib import Path

import pytest

FOLDER = Path(__file__).parent.parent / "benchmarks"


@pytest.mark.parametrize("name", sorted(path.stem for path in FOLDER.glob("*.py")))
def test_a_benchmark_finds_what_it_imports(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(FOLDER))
    found = importlib.util.spec_from_file_location(f"benchmark_{name}", FOLDER / f"{name}.py")
    assert found is not None
    assert found.loader is not None
    found.loader.exec_module(importlib.util.module_from_spec(found))
