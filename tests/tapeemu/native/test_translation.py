"""Every construct of the subset, translated, compiled and run beside the same lines in Python."""

import ctypes
import shutil
import subprocess
import sys
import textwrap
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from modules import module_at

import tapeemu.native
from tapeemu.native.processors import _processor
from tapeemu.native.subset import SubsetError, read_unit
from tapeemu.native.translate import c_source, header_source

HEAD = """
import math
from typing import NamedTuple
import numpy as np
from tapeemu.dsp.kernels.arrays import *
from tapeemu.dsp.kernels.compilation import kernel
from tapeemu.dsp.kernels.lanes import eight_lanes
"""
FLAGS = [
    "-std=c99",
    "-O2",
    "-Wall",
    "-Wextra",
    "-Wconversion",
    "-Wdouble-promotion",
    "-Werror",
    "-ffp-contract=off",
]
needs_compiler = pytest.mark.skipif(shutil.which("gcc") is None, reason="no C compiler (gcc) is installed")


@pytest.fixture
def load(tmp_path: Path) -> Iterator[Callable[[str], ModuleType]]:
    made = []

    def loaded(source: str) -> ModuleType:
        name = f"sample_{len(made)}"
        (tmp_path / f"{name}.py").write_text(HEAD + textwrap.dedent(source), "utf-8")
        module = module_at(tmp_path / f"{name}.py", known=True)
        made.append(name)
        return module

    yield loaded
    for name in made:
        del sys.modules[name]


def compiled(folder: Path, module: ModuleType, *flags: str) -> ctypes.CDLL:
    files = [name for name in sys.modules if name.startswith("sample_")]
    for name in files:
        (folder / f"{name}.c").write_text(c_source(name), "utf-8")
        (folder / f"{name}.h").write_text(header_source(name), "utf-8")
    library = folder / f"{module.__name__}.so"
    include = Path(tapeemu.native.__file__).parent / "c"
    command = ["gcc", *FLAGS, *flags, "-shared", "-fPIC", f"-I{include}", f"-I{folder}"]
    done = subprocess.run(
        [*command, *(str(folder / f"{name}.c") for name in files), "-o", str(library)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr + c_source(module)
    return ctypes.CDLL(str(library))


def view(array: Any) -> Any:
    fields = [("at", ctypes.c_void_p), *((f"n{axis}", ctypes.c_ssize_t) for axis in range(array.ndim))]
    kind = type(f"View{array.ndim}", (ctypes.Structure,), {"_fields_": fields})
    return kind(array.ctypes.data, *array.shape)


SORTS = {float: ctypes.c_double, int: ctypes.c_ssize_t, bool: ctypes.c_bool, np.uint64: ctypes.c_uint64}


def both(library: ctypes.CDLL, module: ModuleType, name: str, *given: Any) -> None:
    """Run a kernel in C and as plain Python on copies, and compare result and arrays to the last bit."""
    python = getattr(module, name)
    python = getattr(python, "py_func", python)
    for_python = [value.copy() if isinstance(value, np.ndarray) else value for value in given]
    for_c = [value.copy() if isinstance(value, np.ndarray) else value for value in given]
    with np.errstate(over="ignore"):
        expected = python(*for_python)
    called = getattr(library, f"{module.__name__}_{name}")
    called.restype = None if expected is None else SORTS.get(type(expected), ctypes.c_double)
    got = called(*(view(v) if isinstance(v, np.ndarray) else SORTS[type(v)](v) for v in for_c))
    assert got == expected or (np.isnan(got) and np.isnan(expected))
    for one, other in zip(for_c, for_python, strict=True):
        if isinstance(one, np.ndarray):
            np.testing.assert_array_equal(one, other)


rng = np.random.default_rng(5)
VALUES = rng.standard_normal(13)
GRID = rng.standard_normal((3, 7))
CUBE = rng.standard_normal((2, 3, 5))

# What is tried -> (source with a kernel called k, calls to compare).
CONSTRUCTS: dict[str, tuple[str, list[tuple[Any, ...]]]] = {
    "arithmetic keeps its order": (
        """
        @kernel()
        def k(a: float, b: float, c: float) -> float:
            return a - (b - c) * (a + b) / (c - a) - -b
        """,
        [(0.1, 0.7, 0.3), (1e-300, 1e300, -3.0)],
    ),
    "eight sums side by side, zeros each time": (
        """
        @kernel()
        def k(a: Reals1, out: Reals1) -> float:
            for i in range(out.size):
                lanes = eight_lanes()
                for n in range(a.size):
                    lanes[n % 8] += a[n]
                out[i] = lanes[0] + lanes[7] - lanes[4]
            return out[0]
        """,
        [(VALUES, np.zeros(3))],
    ),
    "integers divide to a real number": (
        """
        @kernel()
        def k(a: int, b: int) -> float:
            return a / b
        """,
        [(7, 2), (-7, 2)],
    ),
    "floor division and remainder": (
        """
        @kernel()
        def k(a: int, b: int) -> int:
            return a // b * 1000 + a % b
        """,
        [(a, b) for a in (-7, -6, 0, 6, 7) for b in (-3, 3)],
    ),
    "powers are written out, constants fold": (
        """
        _SIDE = 14
        _HALF = 2 * _SIDE // 3 // 2 + 1
        @kernel()
        def unused(a: float) -> float:
            return a
        @kernel()
        def k(a: float) -> float:
            return a * a * _HALF + (_SIDE - 20)
        """,
        [(0.3,)],
    ),
    "hashes wrap": (
        """
        _WEYL = np.uint64(0x9E3779B97F4A7C15)
        _27 = np.uint64(27)
        @kernel()
        def k(key: np.uint64, index: np.uint64) -> np.uint64:
            z = key + index * _WEYL
            z = (z ^ (z >> _27)) * _WEYL
            return z & np.uint64(0xFFFFFFFFFFFFFFF)
        """,
        [(np.uint64(2**63 + 5), np.uint64(12345678901))],
    ),
    "comparisons chain": (
        """
        @kernel()
        def k(a: float, b: float) -> int:
            return 1 if 0.0 <= a < b and not (a == 0.5 or b != b) else 2
        """,
        [(0.2, 0.4), (0.5, 0.6), (-0.1, 1.0), (0.4, 0.2)],
    ),
    "minimum and maximum of equals and of no numbers": (
        """
        @kernel()
        def k(a: float, b: float) -> float:
            return min(max(a, b), 3.0) - max(min(b, 2.0), a)
        """,
        [(1.0, 5.0), (float("nan"), 1.0), (1.0, float("nan")), (-0.0, 0.0)],
    ),
    "floor, ceiling, root, magnitude": (
        """
        @kernel()
        def k(a: float, n: int) -> float:
            return math.floor(a) + 0.5 * math.ceil(a) + math.sqrt(abs(a)) + np.floor(a) + abs(n)
        """,
        [(2.5, -3), (-2.5, 4), (-2.0, 0), (1000000000.0 + 0.25, 1)],
    ),
    "conditions": (
        """
        @kernel()
        def k(n: int) -> float:
            out = 0.0
            if n > 3:
                out = 1.0
            elif n > 1:
                out = 2.0
            else:
                out = 3.0
            return out
        """,
        [(0,), (2,), (5,)],
    ),
    "a name first given in a branch": (
        """
        @kernel()
        def k(n: int) -> float:
            if n > 3:
                a = 1.0
            else:
                a = 2.0
            return a
        """,
        [(0,), (5,)],
    ),
    "loops forwards, backwards, in steps": (
        """
        @kernel()
        def k(x: Reals1, n: int) -> float:
            total = 0.0
            for i in range(n):
                total += x[i]
            for i in range(2, n, 3):
                total = total * 0.5 + x[i]
            for i in range(n - 1, -1, -1):
                total = total * 0.5 - x[i]
            return total
        """,
        [(VALUES, 13), (VALUES, 0)],
    ),
    "a loop whose end changes inside": (
        """
        @kernel()
        def k(n: int) -> int:
            total = 0
            for i in range(n):
                n = n - 1
                total += i
            return total
        """,
        [(9,)],
    ),
    "while, break, continue": (
        """
        @kernel()
        def k(x: Reals1) -> float:
            total = 0.0
            i = 0
            while True:
                i += 1
                if i >= x.size:
                    break
                if x[i] < 0.0:
                    continue
                total += x[i]
            return total
        """,
        [(VALUES,)],
    ),
    "unsigned counters": (
        """
        @kernel()
        def k(x: Reals1, out: Reals1) -> None:
            for i in range(np.uintp(x.size)):
                out[i] = 2.0 * x[i]
        """,
        [(VALUES, np.zeros(13))],
    ),
    "two and three dimensions": (
        """
        @kernel()
        def k(a: Reals2, b: Reals3, out: Reals2) -> None:
            rows, columns = a.shape
            for r in range(rows):
                for c in range(columns - 2):
                    out[r, c] += a[r, c + 1] * b[1, r, c] - b[0, r, b.shape[2] - 1]
        """,
        [(GRID, CUBE, np.zeros((3, 7)))],
    ),
    "parts of arrays": (
        """
        @kernel()
        def add(x: Reals1, y: Reals1) -> None:
            for i in range(x.size):
                y[i] += x[i]
        @kernel()
        def flat(x: Reals2) -> float:
            return x[1, 2] + x.size
        @kernel()
        def k(a: Reals2, b: Reals3, n: int) -> float:
            row = a[1]
            part = a[2, 1:n]
            rest = a[0, n:]
            add(row[: part.size], part)
            add(rest, row)
            return flat(b[1]) + flat(b[0, 1:])
        """,
        [(GRID, CUBE, 4)],
    ),
    "several results": (
        """
        @kernel()
        def split(a: float) -> tuple[int, float]:
            whole = math.floor(a)
            return whole, a - whole
        @kernel()
        def k(a: float) -> float:
            whole, rest = split(a)
            _, twice = split(2.0 * a)  # what is not wanted makes no variable
            whole = whole + int(twice)
            one, two = rest, whole
            return one - 3.0 * two
        """,
        [(2.75,), (-0.25,)],
    ),
    "annotated locals convert": (
        """
        @kernel()
        def k(a: Precise, n: int) -> float:
            b: float = a * 0.3
            c: float = n
            return b / c
        """,
        [(0.7, 3)],
    ),
    "a number that stays precise": (
        """
        @kernel()
        def k(n: np.uint64) -> Precise:
            return (np.double(np.int64(n)) + 0.5) * 0.1
        """,
        [(np.uint64(2**52 + 1),)],
    ),
    "infinity and no number": (
        """
        @kernel()
        def k(a: float) -> float:
            return -math.inf if a == 0.0 else math.nan if a < 0.0 else a
        """,
        [(0.0,), (-1.0,), (2.0,)],
    ),
    "whole numbers and hashes convert": (
        """
        @kernel()
        def k(n: int) -> float:
            z = np.uint64(n)
            return np.float64(np.int64(z & np.uint64(7))) * 0.1
        """,
        [(29,)],
    ),
    "comments and words of C": (
        '''
        @kernel()
        def k(int_: float, register: float) -> float:
            """Adds; has a */ inside."""
            # why
            short = int_  # beside
            return short + register
        ''',
        [(1.0, 2.0)],
    ),
    "constants are exact": (
        """
        _A = 0.1
        _B = 1e-60
        @kernel()
        def k(a: float) -> float:
            return a * _A + 0.30000000000000004 + _B * 1e60 - math.pi
        """,
        [(3.0,)],
    ),
    "an early end without a result": (
        """
        @kernel()
        def k(a: Reals1) -> None:
            if a[0] > 1.0:
                return
            a[0] = 1.0
        """,
        [(np.array([2.0]),), (np.array([0.5]),)],
    ),
    "constants taken negative, and quotients of literals": (
        """
        _LIMIT = 0.1
        @kernel()
        def k(a: float) -> float:
            return a * -_LIMIT + (1.0 / 3.0)
        """,
        [(0.7,)],
    ),
    "the smaller of two places": (
        """
        @kernel()
        def k(places: Places1, out: Integers1) -> None:
            out[0] = min(places[0], places[1])
            out[1] = max(places[1], places[2])
        """,
        [(np.array(given, np.int32), np.zeros(2, np.int64)) for given in ([3, -4, 5], [-(2**31), 7, 2**31 - 1])],
    ),
    "functions of whole numbers": (
        """
        @kernel()
        def k(n: int, a: float) -> float:
            return math.sqrt(n) + math.sqrt(2) * abs(a) + abs(n - 9)
        """,
        [(5, -0.3), (11, 0.3)],
    ),
    "parts of an array changed in place by every kind of sign": (
        """
        @kernel()
        def k(counts: Integers1, hashes: Hashes1, a: Reals1) -> None:
            counts[0] //= 3
            counts[1] %= 4
            counts[2] -= 5
            hashes[0] ^= np.uint64(12)
            hashes[1] <<= np.uint64(3)
            a[1] /= 7.0
        """,
        [(np.array([-7, -7, -7]), np.array([9, 10], np.uint64), VALUES)],
    ),
}


@needs_compiler
@pytest.mark.parametrize("case", CONSTRUCTS)
def test_a_construct_gives_the_bits_of_python(
    tmp_path: Path, load: Callable[[str], ModuleType], case: str
) -> None:
    text, calls = CONSTRUCTS[case]
    module = load(text)
    library = compiled(tmp_path, module, "-fsanitize=undefined", "-fno-sanitize-recover=undefined")
    for given in calls:
        both(library, module, "k", *given)


# What is tried -> (source with a kernel called k, what must be said).
REFUSED: dict[str, tuple[str, str]] = {
    "lanes that outlive their block": (
        """
        @kernel()
        def k(a: int) -> float:
            if a > 0:
                lanes = eight_lanes()
            return lanes[0]
        """,
        "lanes have one name in one block",
    ),
    "allocation": (
        """
        @kernel()
        def k(n: int) -> None:
            x = np.zeros(n)
        """,
        "np.zeros is not of the subset",
    ),
    "list": (
        """
        @kernel()
        def k(n: int) -> None:
            x = [n]
        """,
        "List is not of the subset",
    ),
    "exception": (
        """
        @kernel()
        def k(n: int) -> None:
            raise ValueError
        """,
        "Raise is not of the subset",
    ),
    "try": (
        """
        @kernel()
        def k(n: int) -> None:
            try:
                n = 1
            except Exception:
                n = 2
        """,
        "Try is not",
    ),
    "a closure": (
        """
        @kernel()
        def k(n: int) -> None:
            def f() -> int:
                return 1
        """,
        "FunctionDef is not",
    ),
    "a type that changes": (
        """
        @kernel()
        def k(n: int) -> None:
            a = 0
            a = a + 0.5
        """,
        "is given a real",
    ),
    "signed meets unsigned": (
        """
        @kernel()
        def k(n: int, z: np.uint64) -> np.uint64:
            return z + n
        """,
        "uint64_t meets a ix",
    ),
    "bits of a signed number": (
        """
        @kernel()
        def k(n: int) -> int:
            return n >> n
        """,
        "bits of a signed number",
    ),
    "libm": (
        """
        @kernel()
        def k(a: float) -> float:
            return math.sin(a)
        """,
        "math.sin is not of the subset",
    ),
    "a whole array": (
        """
        @kernel()
        def k(x: Reals1) -> None:
            x[:] = 0.0
        """,
        "written at once",
    ),
    "array arithmetic": (
        """
        @kernel()
        def k(x: Reals1) -> float:
            return x + x
        """,
        "an array is used as a number",
    ),
    "a column": (
        """
        @kernel()
        def k(x: Reals2) -> float:
            y = x[:, 1]
            return y[0]
        """,
        "not contiguous",
    ),
    "an index from the end": (
        """
        @kernel()
        def k(x: Reals1) -> float:
            return x[-1]
        """,
        "counts from the end",
    ),
    "a real index": (
        """
        @kernel()
        def k(x: Reals1, a: float) -> float:
            return x[a]
        """,
        "no integer",
    ),
    "one index too many": (
        """
        @kernel()
        def k(x: Reals1) -> float:
            return x[0, 0]
        """,
        "1 dimension",
    ),
    "a counter changed": (
        """
        @kernel()
        def k(n: int) -> None:
            for i in range(n):
                i += 1
        """,
        "counts a loop",
    ),
    "a counter used later": (
        """
        @kernel()
        def k(n: int) -> int:
            for i in range(n):
                pass
            return i
        """,
        "behind its loop",
    ),
    "an unknown type": (
        """
        @kernel()
        def k(x: object) -> None:
            pass
        """,
        "not of the subset",
    ),
    "a default": (
        """
        @kernel()
        def k(n: int = 3) -> None:
            pass
        """,
        "plain parameters only",
    ),
    "a value beside its name": (
        """
        @kernel()
        def k(a: float, b: float) -> float:
            a, b = b, a
            return a
        """,
        "assigned beside",
    ),
    "another function": (
        """
        @kernel()
        def k(a: float) -> float:
            return print(a)
        """,
        "print is not of the subset",
    ),
    "a keyword": (
        """
        @kernel()
        def k(a: float) -> float:
            return min(a, 1.0, key=abs)
        """,
        "by name",
    ),
    "a step that varies": (
        """
        @kernel()
        def k(n: int) -> None:
            for i in range(0, 9, n):
                pass
        """,
        "no constant",
    ),
    "power": (
        """
        @kernel()
        def k(a: float) -> float:
            return a ** 2
        """,
        "operator Pow",
    ),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_leaves_the_subset_is_refused_with_line_and_remedy(
    load: Callable[[str], ModuleType], case: str
) -> None:
    text, told = REFUSED[case]
    with pytest.raises(SubsetError, match=rf"sample_0\.py:\d+.*{told}.*; ") as refused:
        c_source(load(text))
    assert "\n" not in str(refused.value)


WITH_HELPERS = """
@kernel()
def pair(n: int) -> tuple[int, int]:
    return n, n
@kernel()
def first(x: Reals1) -> float:
    return x[0]
@kernel()
def k{head}:
    {body}
"""
REFUSED_LINES: list[tuple[str, str, str]] = [
    ("(n: int) -> None", "a: str = n", "the annotation is no number"),
    ("(n: int) -> None", "return n", "what is returned is not what is declared"),
    ("(n: int) -> int", "return", "what is returned is not what is declared"),
    ("(n: int) -> tuple[int, int]", "return n", "returned in one piece"),
    ("(n: int) -> tuple[int, int]", "return n, n, n", "returned in one piece"),
    ("(x: Reals1) -> None", "x[0], x[1] = 1.0, 2.0", "unpacked into elements"),
    ("(x: Reals2) -> int", "n, m, o = x.shape; return n", "another number of dimensions"),
    ("(n: int) -> int", "a, b, c = pair(n); return a", "another number of members"),
    ("(n: int) -> int", "a, b = pair(n, n); return a", "pair takes 1 arguments"),
    ("(x: Reals2) -> float", "return first(x)", "another sort of array"),
    ("(n: int) -> None", "for i in range(n): i = 2", "i counts a loop and is changed"),
    ("(n: int) -> None", "i = 3\n    for i in range(n): pass", "i counts a loop and is used elsewhere"),
    ("(a: float) -> None", "for i in range(a): pass", "a loop counts what is no integer"),
    ("(x: Reals1) -> None", "for a in x: pass", "For is not of the subset"),
    ("(x: Reals2, n: int) -> None", "y = x[0]; y = x[n:]", "y changes its type"),
    ("(n: int) -> None", "a = n; a = 0.5", "is given a real number"),
    ("(x: Reals1) -> None", "x.size = 1", "can be assigned to"),
    ("(x: Reals1) -> None", "x.size += 1", "elements of arrays can be changed"),
    ("(x: Reals2) -> None", "x[0] += 1.0", "a part of an array is changed at once"),
    ("(n: int) -> bool", "return n > 0 and n", "join what is no condition"),
    ("(n: int) -> int", "return missing", "missing is no name of the kernel"),
    ("(x: Reals1) -> float", "return x.mean", "the attribute mean is not of the subset"),
    ("(x: Reals1) -> int", "return x.shape[1]", "no such dimension"),
    ("(x: Reals1, n: int) -> int", "return x.shape[n]", "no such dimension"),
    ("(a: float) -> float", "return a[0]", "only arrays have elements"),
    ("(x: Reals1) -> float", "y = x[::2]; return y[0]", "has a step"),
    ("(x: Reals2) -> float", "y = x[:, 1:]; return y[0, 0]", "not contiguous"),
    ("(n: int) -> bool", "return n is n", "Is is not of the subset"),
    ("(a: float) -> bool", "return 0.0 < abs(a) < 1.0", "would call a function twice"),
    ("(a: float) -> float", "return a // 2.0", "are for integers"),
    ("(n: int) -> int", "return n + (1 << 3)", "bits of a signed number"),
    ("(z: np.uint64) -> np.uint64", "return z + -1", "a negative number meets an unsigned one"),
    ("(z: np.uint64) -> np.uint64", "return abs(z)", "abs is not of the subset"),
    ("(x: Reals1) -> float", "return x", "an array is used as a number"),
    ("(n) -> None", "pass", "the parameter n has no type"),
    ("(x: Reals1) -> Reals1", "return x", "a kernel returns an array"),
]


@pytest.mark.parametrize(("head", "body", "told"), REFUSED_LINES)
def test_a_line_that_leaves_the_subset_is_refused_with_its_remedy(
    load: Callable[[str], ModuleType], head: str, body: str, told: str
) -> None:
    with pytest.raises(SubsetError, match=rf"sample_0\.py:\d+.*{told}.*; "):
        c_source(load(WITH_HELPERS.format(head=head, body=body)))


@pytest.mark.parametrize(
    ("source", "told"),
    [
        ("class Loose:\n    past: Reals1", "the class Loose is no NamedTuple"),
        ("def plain(n: int) -> int:\n    return n", "plain is no kernel"),
    ],
)
def test_a_kernel_file_holds_kernels_and_their_groups_alone(
    load: Callable[[str], ModuleType], source: str, told: str
) -> None:
    with pytest.raises(SubsetError, match=rf"sample_0\.py:\d+.*{told}; "):
        c_source(load(source))


def test_a_statement_of_nothing_is_nothing_in_c(load: Callable[[str], ModuleType]) -> None:
    made = c_source(load("@kernel()\ndef k(n: int) -> int:\n    if n > 0:\n        pass\n    return n"))
    assert "if (n > 0) {" in made
    assert "pass" not in made


PROCESSOR = """
class Set(NamedTuple):
    gain: {setting}
class Held(NamedTuple):
    past: {memory}
@kernel()
def echo_latency(settings: Set, sample_rate: Precise, channels: int) -> int:
    return 0
@kernel()
def echo_tail(settings: Set, sample_rate: Precise, level_db: Precise) -> int:
    return 0
@kernel()
def echo_shapes(settings: {given}, sample_rate: Precise, channels: int, shapes: Integers2) -> None:
    shapes[0, 0] = 1
@kernel()
def echo_design(
    settings: Set, sample_rate: Precise, channels: int, start: np.int64, track: np.int64, memory: Held
) -> None:
    memory.past[0] = 0.0
@kernel()
def echo_seek(settings: Set, start: np.int64, memory: Held) -> None:
    memory.past[0] = 0.0
@kernel()
def echo_process(memory: Held, block: Reals2, out: Reals2) -> None:
    out[0, 0] = block[0, 0]
"""


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"given": "Precise"}, "echo is given no groups"),
        ({"memory": "Precise"}, r"Held\.past is no array; memory holds arrays only"),
        ({"setting": "np.float32"}, r"Set\.gain is of no type for settings"),
    ],
)
def test_settings_and_memory_of_a_processor_are_groups_of_what_c_can_be_given(
    load: Callable[[str], ModuleType], changed: dict[str, str], told: str
) -> None:
    parts = {"setting": "Precise", "memory": "Reals1", "given": "Set"}
    assert _processor(read_unit(load(PROCESSOR.format(**parts))), "echo", ()).name == "echo"
    source = PROCESSOR.format(**parts | changed)
    if "memory" in changed:
        source = source.replace("    memory.past[0] = 0.0", "    pass")
    with pytest.raises(SubsetError, match=told):
        _processor(read_unit(load(source)), "echo", ())


def test_a_processor_without_one_of_its_kernels_is_named(load: Callable[[str], ModuleType]) -> None:
    source = PROCESSOR.format(setting="Precise", memory="Reals1", given="Set").replace("echo_tail", "echo_fading")
    with pytest.raises(SubsetError, match="the processor echo has no echo_tail; every processor has"):
        _processor(read_unit(load(source)), "echo", ())


def test_constants_written_as_indices_count_in_the_width_of_an_index(load: Callable[[str], ModuleType]) -> None:
    """By their value they were 64-bit integers, and so were counters beside them: two instructions for one on a
    small machine."""
    made = c_source(
        load(
            """
            ONE, LANES = np.uintp(1), np.uintp(8)
            HASH = np.uint64(8)
            @kernel()
            def k(x: Reals1, many: np.uint64) -> float:
                total = 0.0
                for j in range(LANES):
                    total += x[j + ONE]
                return total if many > HASH else 0.0
            """
        )
    )
    assert "LANES (ux)8\n" in made
    assert "for (ux j = " in made
    assert "HASH UINT64_C(8)\n" in made


def test_comments_docstrings_and_names_are_carried_over(load: Callable[[str], ModuleType]) -> None:
    text, _ = CONSTRUCTS["comments and words of C"]
    made = c_source(load(text))
    assert "/* why */" in made
    assert "/* beside */" in made
    assert "/* Adds; has a * / inside. */" in made
    assert "real register_" in made


@needs_compiler
def test_kernels_of_another_file_are_called_and_its_groups_and_constants_used(
    tmp_path: Path, load: Callable[[str], ModuleType]
) -> None:
    load(
        """
        STEP = 0.125
        class Line(NamedTuple):
            past: Reals1
            places: Integers1
        @kernel()
        def remember(line: Line, x: float) -> tuple[float, int]:
            place = line.places[0]
            old = line.past[place]
            line.past[place] = x
            line.places[0] = (place + 1) % line.past.size
            return old, int(line.places[0])
        """
    )
    module = load(
        """
        from sample_0 import STEP, Line, remember as keep
        class Pair(NamedTuple):
            left: Line
            right: Line
        @kernel()
        def both(pair: Pair, x: float) -> float:
            old, place = keep(pair.left, x)
            right = pair.right
            older, other = keep(right, old)
            return older * STEP + place - other
        @kernel()
        def k(a: Reals1, b: Reals1, places: Integers2, x: float) -> float:
            return both(Pair(Line(a, places[0]), Line(b, places[1])), x)
        """
    )
    library = compiled(tmp_path, module, "-fsanitize=undefined", "-fno-sanitize-recover=undefined")
    both(library, module, "k", VALUES, 2.0 * VALUES[:5], np.array([[3], [1]]), 0.7)


@needs_compiler
def test_integers_and_literals_are_worked_out_in_double_also_in_single_precision(
    tmp_path: Path, load: Callable[[str], ModuleType]
) -> None:
    """A third has no exact form: rounded to single precision on the way it would be 3e-8 off."""
    module = load(
        """
        @kernel()
        def k(n: int, audio: float, out: Precises1) -> float:
            precise: Precise = n / 3 - 0.1
            out[0] = precise
            out[1] = math.sqrt(n + 0.5)
            return audio * (n / 3 - 0.1)
        """
    )
    library = compiled(tmp_path, module, "-DTAPEEMU_SINGLE")
    library.sample_0_k.restype = ctypes.c_float
    out = np.zeros(2)
    audio = library.sample_0_k(ctypes.c_ssize_t(7), ctypes.c_float(0.3), view(out))
    assert out.tolist() == [7 / 3 - 0.1, np.sqrt(7.5)]
    assert audio == np.float32(0.3) * np.float32(7 / 3 - 0.1)


def test_files_that_import_one_another_are_refused(
    tmp_path: Path, load: Callable[[str], ModuleType], monkeypatch: pytest.MonkeyPatch
) -> None:
    first = load("ONE = 1.0")
    second = load("from sample_0 import ONE")
    (tmp_path / "sample_0.py").write_text("from sample_1 import ONE\nONE = 1.0\n", "utf-8")
    assert second.ONE == first.ONE
    with pytest.raises(SubsetError, match=r"sample_1\.py:\d+.*in a circle; move"):
        c_source(first)


@needs_compiler
def test_single_precision_keeps_what_is_precise(tmp_path: Path, load: Callable[[str], ModuleType]) -> None:
    """A place on the tape at hour ten has no room in 24 bits; the share behind the point is read from 53."""
    module = load(
        """
        @kernel()
        def k(place: Precise, out: Reals1) -> None:
            rest: float = place - np.floor(place)
            out[0] = rest
        """
    )
    library = compiled(tmp_path, module, "-DTAPEEMU_SINGLE")
    out = np.zeros(1, np.float32)
    place = 36_000.0 * 48_000.0 + 0.3125
    library.sample_0_k.restype = None
    library.sample_0_k(ctypes.c_double(place), view(out))
    assert out[0] == 0.3125


@pytest.mark.parametrize(
    ("sign", "left", "right", "result"),
    [
        ("+", 7, 2, 9),
        ("-", 7, 2, 5),
        ("*", 7, 2, 14),
        ("//", -7, 2, -4),
        ("%", -7, 2, 1),
        ("+", 7.5, 2, 9.5),
        ("//", 7.5, 2, None),
    ],
)
def test_arithmetic_between_constants_is_worked_out(sign, left, right, result) -> None:
    import ast

    from tapeemu.native.c_text import _Body

    assert _Body.folded(ast.parse(f"a {sign} b", mode="eval").body.op, left, right) == result
