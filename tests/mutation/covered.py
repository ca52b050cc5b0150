"""Which tests run a line: the map from lines to tests, made by coverage.py in one run of all tests.

A compiled kernel is not seen by coverage.py. What runs it are the lines that call it, or call a kernel that
does, and the processor whose kind its file is named after. A line that runs at import (a constant, a default) is
run by every test: those that matter use what stands there, so that they are the tests of the lines in which its
name occurs.
"""

import ast
import itertools
import json
import os
import re
import subprocess
import sys
from collections import Counter
from functools import cache
from pathlib import Path

from sampling import PACKAGES, ROOT

__all__ = ["Covered", "in_function", "make"]

Statement = tuple[int, int]

_FEW = 5
_KERNELS = "tapeemu/dsp/kernels/"
SETTINGS = "tapeemu/processors/"
REFERENCE_OF_SETTINGS = "tests/tapeemu/presets/test_reference.py"


def make(folder: Path) -> None:
    """Run all tests under coverage.py, and write `tests.json`: seconds of each test, and tests of each line."""
    import coverage

    folder.mkdir(parents=True, exist_ok=True)
    environment = {
        **os.environ,
        "PYTHONPATH": os.pathsep.join([str(ROOT), str(Path(__file__).parent)]),
        "COVERING_TIMES": str(folder / "seconds.json"),
        "COVERAGE_FILE": str(folder / "coverage"),
        "OMP_NUM_THREADS": "1",
    }
    command = [sys.executable, "-m", "coverage", "run", "--branch", f"--source={','.join(PACKAGES)}"]
    tests = ["-m", "pytest", "-q", "-p", "covering", "-p", "no:randomly", "--ignore=tests/browser"]
    subprocess.run([*command, *tests], cwd=ROOT, env=environment, check=False)
    data = coverage.CoverageData(str(folder / "coverage"))
    data.read()
    write(folder, data, json.loads((folder / "seconds.json").read_text("utf-8")))


def write(folder: Path, data: "coverage.CoverageData", seconds: dict[str, float]) -> None:  # noqa: F821
    """Write the map of what coverage.py found."""
    names = list(seconds)
    place = {name: k for k, name in enumerate(names)}
    lines = {}
    for file in data.measured_files():
        path = Path(file)
        relative = str(path.relative_to(ROOT)) if path.is_absolute() else file
        found = data.contexts_by_lineno(file)
        lines[relative] = {line: sorted(place[t] for t in tests if t in place) for line, tests in found.items()}
    content = {"seconds": seconds, "names": names, "lines": lines}
    (folder / "tests.json").write_text(json.dumps(content), "utf-8")


class Covered:
    """The map, and what it says of a line."""

    def __init__(self, folder: Path) -> None:
        content = json.loads((folder / "tests.json").read_text("utf-8"))
        self._names: list[str] = content["names"]
        self._seconds: dict[str, float] = content["seconds"]
        self._lines: dict[str, dict[str, list[int]]] = content["lines"]
        self._source = {
            str(path.relative_to(ROOT)): path.read_text("utf-8")
            for package in PACKAGES
            for path in sorted((ROOT / package).rglob("*.py"))
        }

    def tests_of(self, path: str, line: int) -> list[str]:
        """Tests that run a line, those that stand beside its module and the short ones first."""
        tree = ast.parse(self._source[path])
        found = self._at(path, _statement(tree, line)) if _in_function(tree, line) else set()
        kin = {Path(path).stem}
        if path.startswith(_KERNELS):
            kin = self._callers(Path(path).stem)
            found |= self._of_kernels(kin)
        elif path.startswith(SETTINGS) and not _in_function(tree, line):
            found |= {k for k, name in enumerate(self._names) if name.startswith(REFERENCE_OF_SETTINGS)}
        if len(found) < _FEW:  # perhaps of a function that is called at import, by whichever test came first
            found |= self._users(path, _names(tree, line))
        if not found:
            found = {test for lines in self._lines.get(path, {}).values() for test in lines}
        stem = f"/test_{Path(path).stem}.py"
        files = tuple(f"/test_{each}.py" for each in kin)
        mirror = str(Path(path).parent)

        # Tests that take no time refuse settings, and run no kernel.
        least_seconds = 0.3 if path.startswith(_KERNELS) else 0.02

        def cost(name: str) -> float:
            file = name.partition("::")[0]
            beside = 0.1 if stem in name else 0.3 if file.endswith(files) else 0.5 if mirror in name else 1.0
            return beside * max(self._seconds[name], least_seconds)

        # Of one test with many parameters the first ones tell most.
        earlier: Counter[str] = Counter()
        ranked = []
        for name in sorted((self._names[k] for k in found), key=cost):
            function = name.partition("[")[0]
            earlier[function] += 1
            ranked.append((cost(name) * earlier[function], name))
        return [name for _, name in sorted(ranked)]

    def within(self, names: list[str], seconds: float) -> list[str]:
        """The first of these tests, as many as take so long together; one at least."""
        ends = itertools.accumulate(self._seconds[name] for name in names)
        return [name for k, (name, end) in enumerate(zip(names, ends, strict=True)) if end < seconds or k == 0]

    def _at(self, path: str, statement: Statement) -> set[int]:
        lines = self._lines.get(path, {})
        return {test for line in range(statement[0], statement[1] + 1) for test in lines.get(str(line), ())}

    def _users(self, path: str, names: set[str]) -> set[int]:
        """Tests that run a line in which one of the names occurs: here, or where what is here is imported."""
        if not names:
            return set()
        word = re.compile(rf"\b(?:{'|'.join(map(re.escape, sorted(names)))})\b")
        module = Path(path).stem
        found: set[int] = set()
        for other, source in self._source.items():
            if other == path or module in source:
                for number, text in enumerate(source.splitlines(), start=1):
                    if word.search(text):
                        found |= self._at(other, self._around(other, number))
        return found

    def _callers(self, kernels: str) -> set[str]:
        """Kernel files that call those of one, directly or by way of others, itself among them."""
        found = new = {kernels}
        while new:
            called = re.compile(rf"from tapeemu\.dsp\.kernels\.(?:{'|'.join(sorted(new))}) import")
            sources = {Path(path).stem: text for path, text in self._source.items() if path.startswith(_KERNELS)}
            new = {name for name, text in sources.items() if called.search(text)} - found
            found = found | new
        return found

    def _of_kernels(self, kernels: set[str]) -> set[int]:
        """Tests beside kernel files, and those that run what leads to them: an import, or a processor's kind."""
        either = "|".join(sorted(kernels))
        leads = re.compile(rf"kernels\.(?:{either}) import|kernels import (?:{either})\b")
        is_kind = re.compile(rf'= "(?:{either})"')
        files = tuple(f"/test_{name}.py" for name in kernels)
        found = {k for k, name in enumerate(self._names) if name.partition("::")[0].endswith(files)}
        for path, text in self._source.items():
            own = path.startswith("tapeemu/processors/") and is_kind.search(text)
            if not path.startswith(_KERNELS) and (own or leads.search(text)):
                tree = _parsed(text)
                found |= {
                    test
                    for line, tests in self._lines.get(path, {}).items()
                    if _in_function(tree, int(line))
                    for test in tests
                }
        return found

    def _around(self, path: str, line: int) -> Statement:
        return _statement(_parsed(self._source[path]), line)


@cache
def _parsed(source: str) -> ast.Module:
    return ast.parse(source)


def _holders(tree: ast.AST, line: int) -> list[ast.stmt]:
    """Statements that hold a line, the outermost first."""
    return [
        node
        for node in ast.walk(tree)
        if isinstance(node, ast.stmt) and node.lineno <= line <= (node.end_lineno or node.lineno)
    ]


def _statement(tree: ast.AST, line: int) -> Statement:
    """First and last line of the statement that holds a line; of a compound one, the lines before its body."""
    holders = _holders(tree, line)
    if not holders:
        return line, line
    innermost = max(holders, key=lambda node: (node.lineno, -(node.end_lineno or 0)))
    body = getattr(innermost, "body", None)
    if body:
        return innermost.lineno, max(innermost.lineno, body[0].lineno - 1)
    return innermost.lineno, innermost.end_lineno or innermost.lineno


def in_function(text: str, line: int) -> bool:
    """Whether a line of a source runs at a call."""
    return _in_function(_parsed(text), line)


def _in_function(tree: ast.AST, line: int) -> bool:
    """Whether a line runs at a call: what runs at import is run by whichever test came first."""
    return any(
        isinstance(node, ast.FunctionDef) and node.body[0].lineno <= line <= (node.end_lineno or 0)
        for node in ast.walk(tree)
    )


def _defined(node: ast.stmt) -> set[str]:
    """Names that a statement at the top defines."""
    if isinstance(node, ast.FunctionDef | ast.ClassDef):
        return {node.name}
    targets = (
        node.targets if isinstance(node, ast.Assign) else [node.target] if isinstance(node, ast.AnnAssign) else []
    )
    return {name.id for target in targets for name in ast.walk(target) if isinstance(name, ast.Name)} - {"__all__"}


@cache
def _used(node: ast.stmt) -> frozenset[str]:
    """Names that occur in a statement at the top."""
    if isinstance(node, ast.Import | ast.ImportFrom):
        return frozenset()
    return frozenset(each.id for each in ast.walk(node) if isinstance(each, ast.Name))


def _names(tree: ast.Module, line: int) -> set[str]:
    """Names through which others reach a line that coverage.py saw no test run.

    The name of what is defined at the top of the file, and of all that is made of it there.
    """
    outermost = _holders(tree, line)[:1]
    if not outermost:
        return set()
    names = new = _defined(outermost[0])
    while new:
        new = {name for node in tree.body if _used(node) & new for name in _defined(node)} - names
        names = names | new
    return names
