"""Which test files stand near a line, by imports and names alone: a map that costs nothing to make.

A run of all tests tells more exactly which of them run a line (`covered.py`), and takes as long as it takes. Here
a test file is the nearer to a module the fewer imports lie between them; one that is named after the module, or
speaks of what the line belongs to, is nearer still.
"""

import ast
import re
from collections import deque
from functools import cache
from pathlib import Path

from covered import REFERENCE_OF_SETTINGS, SETTINGS, in_function
from sampling import PACKAGES, ROOT

__all__ = ["Near"]

_ELSEWHERE = ("tests/browser", "tests/fuzz", "tests/long", "tests/mutation")
_FARTHEST = 4


class Near:
    """Test files in the order in which they are worth trying."""

    def __init__(self) -> None:
        self._modules = {
            str(path.relative_to(ROOT)): path.read_text("utf-8")
            for package in PACKAGES
            for path in sorted((ROOT / package).rglob("*.py"))
        }
        self._tests = {
            name: path.read_text("utf-8")
            for path in sorted((ROOT / "tests").rglob("test_*.py"))
            if not (name := str(path.relative_to(ROOT))).startswith(_ELSEWHERE)
        }
        shared = {
            str(path.relative_to(ROOT)): path.read_text("utf-8") for path in (ROOT / "tests/shared").glob("*.py")
        }
        texts = {**self._modules, **self._tests, **shared}
        self._users: dict[str, set[str]] = {}
        for name, text in texts.items():
            for imported in (_imported(text) | _kernels_of(text)) & texts.keys():
                self._users.setdefault(imported, set()).add(name)

    def tests_of(self, path: str, line: int) -> list[str]:
        """Test files near a line, the nearest first."""
        word = _word_of(ast.parse(self._modules[path]), line)
        spoken = re.compile(rf"\b{re.escape(word)}\b") if word else None
        stem, folder = Path(path).stem, f"tests/{Path(path).parent}"
        reached = self._steps(path)

        def far(test: str, imports: int) -> float:
            text = self._tests[test]
            speaks = spoken is not None and spoken.search(text) is not None
            beside = str(Path(test).parent) == folder
            mirrors = Path(test).stem == f"test_{stem}" and (beside or test in reached)
            return imports + len(text) / 50_000 - 3.0 * mirrors - 1.0 * speaks - 0.5 * beside

        reached.setdefault(f"{folder}/test_{stem}.py", _FARTHEST)
        ranked = sorted((far(test, count), test) for test, count in reached.items() if test in self._tests)
        found = [test for _, test in ranked]
        if path.startswith(SETTINGS) and not in_function(self._modules[path], line):
            found = list(dict.fromkeys([REFERENCE_OF_SETTINGS, *found]))
        return found

    def _steps(self, path: str) -> dict[str, int]:
        """How many imports lie between a module and each file that reaches it."""
        steps, ahead = {path: 0}, deque([path])
        while ahead:
            here = ahead.popleft()
            for user in self._users.get(here, ()):
                if user not in steps and steps[here] < _FARTHEST:
                    steps[user] = steps[here] + 1
                    ahead.append(user)
        return steps


@cache
def _imported(text: str) -> frozenset[str]:
    """Files that a source imports, if names of modules are paths."""
    found = set()
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            names = [node.module, *(f"{node.module}.{alias.name}" for alias in node.names)]
        else:
            continue
        for name in names:
            place = name.replace(".", "/")
            found |= {f"{place}.py", f"{place}/__init__.py", f"tests/shared/{place}.py"}
    return frozenset(found)


def _kernels_of(text: str) -> set[str]:
    """Kernel files that processors load by the name of their kind, or of the file that they name."""
    names = re.findall(r'(?:kind|kernel_file): ClassVar\[str\] = "(\w+)"', text)
    return {f"tapeemu/dsp/kernels/{name}.py" for name in names}


def _word_of(tree: ast.Module, line: int) -> str:
    """Name of the function, class or constant at the top of the file that holds a line."""
    for node in tree.body:
        if node.lineno <= line <= (node.end_lineno or node.lineno):
            if isinstance(node, ast.FunctionDef | ast.ClassDef):
                return node.name
            if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
                return node.targets[0].id
    return ""
