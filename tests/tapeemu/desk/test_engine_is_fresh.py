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


@pytest.mark.skipif(importlib.util.find_spec("wasmtime") is None, reason="wasmtime is not installed")
@pytest.mark.parametrize("name", ["engine.wasm", "engine64.wasm"])
def test_the_modules_work_on_vectors(name: str) -> None:
    """A machine that knows no vectors refuses them; without the compiler's switch it would take them."""
    import wasmtime

    scalar = wasmtime.Config()
    scalar.wasm_relaxed_simd = False
    scalar.wasm_simd = False
    code = (PAGE_FOLDER / name).read_bytes()
    wasmtime.Module.validate(wasmtime.Engine(), code)
    with pytest.raises(wasmtime.WasmtimeError, match="SIMD support is not enabled"):
        wasmtime.Module.validate(wasmtime.Engine(scalar), code)


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


def test_the_command_builds_what_it_then_finds_fresh(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sources = {"engine.wasm": b"\2", "engine64.wasm": b"\3"}
    monkeypatch.setattr(build_engine, "settings_listing", lambda: "[1]\n")
    monkeypatch.setattr(build_engine, "PAGE_FOLDER", tmp_path)
    monkeypatch.setattr(build_engine, "build", lambda name, target: target.write_bytes(sources[name]))
    assert build_engine.main([]) == 0
    assert capsys.readouterr().out == "engine.wasm: 1 bytes\nengine64.wasm: 1 bytes\n"
    assert (tmp_path / "engine.json").read_text("utf-8") == "[1]\n"
    assert build_engine.main(["--check"]) == 0
    sources["engine64.wasm"] = b"\4"
    (tmp_path / "engine.json").write_text("[]\n", "utf-8")
    assert build_engine.main(["--check"]) == 1
    named = [line.split(" is stale")[0] for line in capsys.readouterr().err.splitlines()]
    assert named == ["engine64.wasm", "engine.json"]
    assert (tmp_path / "engine64.wasm").read_bytes() == b"\3"
