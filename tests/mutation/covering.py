"""Pytest plugin: tell coverage.py which test is running, keep how long each one took, run tests in a given order.

The harness loads it, with what it wants in the environment:

COVERING_TIMES
    File that gets the seconds of each test, as JSON.
COVERING_ORDER
    File with the names of the tests to run, in their order, one a line; others are left out.
COVERING_SECONDS
    No test is begun later than this after the first one.
COVERING_FAILED
    File that gets the name of the first test that fails.
"""

import json
import os
import time
from collections.abc import Generator
from pathlib import Path
from typing import Any

import coverage
import hypothesis
import pytest

_seconds: dict[str, float] = {}
_begun: list[float] = []

# The same examples for every mutant; the first that fails is enough.
hypothesis.settings.register_profile(
    "mutation", derandomize=True, database=None, phases=(hypothesis.Phase.explicit, hypothesis.Phase.generate)
)
hypothesis.settings.load_profile("mutation")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Leave the tests asked for, in the order asked for."""
    if "COVERING_ORDER" in os.environ:
        place = {
            name: k for k, name in enumerate(Path(os.environ["COVERING_ORDER"]).read_text("utf-8").splitlines())
        }
        items[:] = sorted((item for item in items if item.nodeid in place), key=lambda item: place[item.nodeid])


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, Any, Any]:
    """Name the context after the test, its fixtures included."""
    started = time.monotonic()
    _begun.append(started)
    current = coverage.Coverage.current()
    if current is not None:
        current.switch_context(item.nodeid)
    try:
        return (yield)
    finally:
        _seconds[item.nodeid] = time.monotonic() - started
        if current is not None:
            current.switch_context("")
        if time.monotonic() - _begun[0] > float(os.environ.get("COVERING_SECONDS", "inf")):
            item.session.shouldstop = "time is over"


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Name the first test that fails."""
    if report.failed and "COVERING_FAILED" in os.environ:
        with Path(os.environ["COVERING_FAILED"]).open("a", encoding="utf-8") as file:
            file.write(f"{report.nodeid}\n")


def pytest_collectreport(report: pytest.CollectReport) -> None:
    """A file that cannot be loaded has noticed as well."""
    if report.failed and "COVERING_FAILED" in os.environ:
        with Path(os.environ["COVERING_FAILED"]).open("a", encoding="utf-8") as file:
            file.write(f"{report.nodeid} cannot be loaded\n")


def pytest_sessionfinish() -> None:
    """Write the times down."""
    if "COVERING_TIMES" in os.environ:
        Path(os.environ["COVERING_TIMES"]).write_text(json.dumps(_seconds), "utf-8")
