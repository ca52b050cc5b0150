"""Pytest plugin: tell coverage.py which test is running, keep how long each one took, run tests in a given order.

The harness loads it, with what it wants in the environment:

COVERING_TIMES
    File that gets the seconds of each test, as JSON.
COVERING_ORDER
    File with the names of the tests to run, in their order, one a line; others are left out. A name of a file
    stands for all its tests, the first ones of each function first.
COVERING_SECONDS
    No test is begun later than this after the first one, in seconds of work: other programs do not count.
COVERING_QUICK
    Seconds of work after which a test is given up, as if skipped.
COVERING_FAILED
    File that gets the name of the first test that fails.
"""

import json
import os
import signal
import sys
import time
from collections import Counter
from collections.abc import Generator
from pathlib import Path
from typing import Any

import coverage
import hypothesis
import pytest
from _pytest.assertion import rewrite

_seconds: dict[str, float] = {}
_OF_EACH = 3
_begun: list[float] = []


class _Writing:
    """`sys` for who writes tests with their assertions spelt out: they are kept, whatever becomes of other files.

    A mutant's bytecode must not be kept; a test's may, and spelling it out takes longer than most tests.
    """

    dont_write_bytecode = False

    def __getattr__(self, name: str) -> Any:
        return getattr(sys, name)


vars(rewrite)["sys"] = _Writing()

# The same examples for every mutant; the first that fails is enough.
hypothesis.settings.register_profile(
    "mutation", derandomize=True, database=None, phases=(hypothesis.Phase.explicit, hypothesis.Phase.generate)
)
hypothesis.settings.load_profile("mutation")


def _worked() -> float:
    """Seconds of work of this process, and of those that it has ended."""
    return sum(os.times()[:4])


def _give_up(*_: object) -> None:
    pytest.skip("it takes long")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Leave the tests asked for, in the order asked for."""
    if "COVERING_ORDER" in os.environ:
        names = Path(os.environ["COVERING_ORDER"]).read_text("utf-8").splitlines()
        place = {name: k for k, name in enumerate(names)}
        ranked = []
        earlier: Counter[str] = Counter()
        for item in items:
            file, function = item.nodeid.partition("::")[0], item.nodeid.partition("[")[0]
            earlier[function] += 1
            if item.nodeid in place:
                ranked.append((0, place[item.nodeid], item))
            elif file in place:
                ranked.append((max(0, earlier[function] - _OF_EACH), place[file], item))
        items[:] = [item for _, _, item in sorted(ranked, key=lambda entry: entry[:2])]


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, Any, Any]:
    """Name the context after the test, its fixtures included."""
    started = time.monotonic()
    _begun.append(_worked())
    current = coverage.Coverage.current()
    if current is not None:
        current.switch_context(item.nodeid)
    if "COVERING_QUICK" in os.environ:
        signal.signal(signal.SIGPROF, _give_up)
        signal.setitimer(signal.ITIMER_PROF, float(os.environ["COVERING_QUICK"]))
    try:
        return (yield)
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        _seconds[item.nodeid] = time.monotonic() - started
        if current is not None:
            current.switch_context("")
        if _worked() - _begun[0] > float(os.environ.get("COVERING_SECONDS", "inf")):
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
