"""The committed modules are what the sources give now."""

import importlib.util
from pathlib import Path

import pytest

from tapeemu.desk import build_engine
from tapeemu.desk.build_engine import PAGE_FOLDER, settings_listing, stale_modules


def test_the_list_of_settings_is_fresh() -> None:
    assert (PAGE_FOLDER / "engine.json").read_text("utf-8") == settings_listing(), (
        "run python -m tapeemu.desk.build_engine"
    )


@pytest.mark.skipif(importlib.util.find_spec("ziglang") is None, reason="ziglang is not installed")
def test_the_modules_are_fresh() -> None:
    assert not stale_modules(), "run python -m tapeemu.desk.build_engine"


@pytest.mark.parametrize("there", [b"\1", b"\3", None])
def test_a_module_of_other_bytes_is_stale(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, there: bytes | None
) -> None:
    """Whether it sorts before what is built now or after it, or is not there."""
    monkeypatch.setattr(build_engine, "PAGE_FOLDER", tmp_path)
    monkeypatch.setattr(build_engine, "build", lambda name, target: target.write_bytes(b"\2"))
    (tmp_path / "fresh.wasm").write_bytes(b"\2")
    if there is not None:
        (tmp_path / "other.wasm").write_bytes(there)
    assert stale_modules(["fresh.wasm", "other.wasm"]) == ["other.wasm"]
