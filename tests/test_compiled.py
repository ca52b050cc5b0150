"""The store of builds for tests: one build for equal sources, another for anything that differs."""

from collections.abc import Callable, Sequence
from pathlib import Path

import pytest
from compiled import remembering


@pytest.fixture
def compiler(tmp_path: Path) -> tuple[Callable[..., None], list[list[str]]]:
    ran: list[list[str]] = []

    def compile_c(command: Sequence[str]) -> None:
        ran.append(list(command))
        if "-fails" in command:
            raise OSError("it failed")
        Path(command[-1]).write_text(f"build {len(ran)}", "utf-8")

    (tmp_path / "kept").mkdir()
    return remembering(compile_c, tmp_path / "kept"), ran


def test_equal_sources_and_flags_are_built_once(
    tmp_path: Path, compiler: tuple[Callable[..., None], list[list[str]]]
) -> None:
    compile_c, ran = compiler
    source, header = tmp_path / "a.c", tmp_path / "a.h"
    source.write_text("int a;", "utf-8")
    header.write_text("", "utf-8")

    def made(*flags: str) -> str:
        target = tmp_path / "made.so"
        compile_c(["gcc", *flags, str(source), "-o", str(target)])
        return target.read_text("utf-8")

    assert [made("-O2"), made("-O2"), made("-O3")] == ["build 1", "build 1", "build 2"]
    loaded = tmp_path / "made.so"
    before = loaded.stat().st_ino
    with loaded.open(encoding="utf-8") as held:
        assert made("-O3") == "build 2"
        assert loaded.stat().st_ino != before, "a library that is loaded keeps its own file"
        assert held.read() == "build 2"
    header.write_text("int b;", "utf-8")
    assert [made("-O2"), made("-O3")] == ["build 3", "build 4"]
    for _ in range(2):
        with pytest.raises(OSError, match="it failed"):
            made("-fails")
    assert len(ran) == 6
    assert not list((tmp_path / "kept").glob("*.lock"))
