"""The committed modules are what the sources give now."""

import importlib.util

import pytest

from tapeemu.desk.build_engine import PAGE_FOLDER, settings_listing, stale_modules


def test_the_list_of_settings_is_fresh() -> None:
    assert (PAGE_FOLDER / "engine.json").read_text("utf-8") == settings_listing(), (
        "run python -m tapeemu.desk.build_engine"
    )


@pytest.mark.skipif(importlib.util.find_spec("ziglang") is None, reason="ziglang is not installed")
def test_the_modules_are_fresh() -> None:
    assert not stale_modules(), "run python -m tapeemu.desk.build_engine"
