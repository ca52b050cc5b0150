"""Change one thing in one line, run the tests that should notice, and list what nobody noticed.

    python tests/mutation/harness.py --mutants 400 --seed 1 --jobs 2

Mutants come from cosmic-ray's operators; which are tried is decided by the seed, spread over all modules
(`sampling.py`). Of each, the tests that run the changed line are tried, the short ones first, until one fails
(`covered.py`, whose map is made by a run of all tests at the first call, in the folder that --map names). A kernel
is written as C and compiled anew, in a few seconds. Each process works in a copy of the checkout of its own
(`server.py`). With --near, test files are tried by how near they stand to the module instead, and no map is made
(`near.py`). A survivor that changes nothing anyone could notice is entered, with its reason, in
`equivalent.toml`.
"""

import argparse
import compileall
import contextlib
import itertools
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from collections import Counter, defaultdict
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict
from pathlib import Path
from queue import Queue
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))
import covered
from near import Near
from sampling import ROOT, Mutant, sample

EQUIVALENT = Path(__file__).with_name("equivalent.toml")
KERNELS = "tapeemu/dsp/kernels/"
C_FILES = "tapeemu/native/c"
FEW = 40
"""Tests that are tried first: their files alone are loaded in no time."""
FILES = (1, 3)
"""Test files that are tried together, the nearest first."""
SURE = "tests/tapeemu/test_units.py"
"""Tests that nothing but a machine without what they need can make fail."""
# They compile kernels once more, in other ways, and ask for builds that a mutant has not.
OF_OTHER_BUILDS = (
    "tests/tapeemu/desk/test_engine_is_fresh.py",
    "tests/tapeemu/test_loop_library.py",
    "tests/tapeemu/native/test_kernels_in_c.py",
    "tests/test_compiled.py",
)
QUICK_LIBRARY = """
import subprocess, sys
from tapeemu import loop_library as loops
from tapeemu.native import generate
from tapeemu.native.subset import SubsetError
name, alone = sys.argv[1:]
try:
    if alone:  # what others take from it is as it was
        for ending, source in (".c", generate.c_source), (".h", generate.header_source):
            text = source(f"{generate.KERNELS}.{name}")
            (generate.C_FOLDER / f"{name}{ending}").write_text(text, "utf-8")
    elif generate.main([]):
        sys.exit(1)
except SubsetError as error:
    sys.exit(f"refused: {error}")
made = loops.FOLDER / loops.library_names()[0]
flags = [flag for flag in loops._FLAGS if not flag.startswith("-O")]
source = loops._SOURCES / "loops.c"
mark = f'-DTAPEEMU_DIGEST="{loops.digest()}"'
subprocess.run([*next(loops.compilers()), *flags, "-O0", "-w", mark, str(source), "-o", str(made)], check=True)
(loops.FOLDER / loops._RECORD).write_text(f"{loops._record_line(made)}\\n", "ascii")
"""


class Copy:
    """A copy of the checkout with the process that runs its tests."""

    def __init__(self, folder: Path, quick: float = 0.0) -> None:
        self.quick = quick
        self._root = folder / "checkout"
        shutil.copytree(ROOT, self._root, ignore=shutil.ignore_patterns(".git", ".venv*", "build", "findings"))
        compileall.compile_dir(self._root, quiet=2)
        environment = {
            **os.environ,
            "PYTHONPATH": os.pathsep.join(
                [str(self._root), str(self._root / "tests/mutation"), *filter(None, [os.getenv("PYTHONPATH")])]
            ),
            "PYTHONDONTWRITEBYTECODE": "1",
            "OMP_NUM_THREADS": "1",
            "OPENBLAS_NUM_THREADS": "1",
            "NUMBA_NUM_THREADS": "1",
        }
        self._process = subprocess.Popen(
            [sys.executable, str(Path(__file__).with_name("server.py")), str(folder)],
            cwd=self._root,
            env=environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        answer = self.run([SURE], 60.0)
        if answer["status"] != 0:
            raise RuntimeError(f"no test can be run: {SURE} ends with {answer}")

    def run(self, tests: list[str], seconds: float, *, all_of_them: bool = False) -> dict[str, Any]:
        """Run tests in their order until one fails, or all of them."""
        files = list(dict.fromkeys(name.split("::")[0] for name in tests))
        wanted = {"files": files, "order": tests, "seconds": seconds, "all": all_of_them}
        if self.quick and not all_of_them:
            wanted["quick"] = self.quick
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(wanted) + "\n")
        self._process.stdin.flush()
        answer: dict[str, Any] = json.loads(self._process.stdout.readline())
        return answer

    @contextlib.contextmanager
    def mutated(self, path: str, text: str, line: int) -> Iterator[str]:
        """Put a mutant in, and take it out with all that was made of it; says so where no C can be made of it."""
        target = self._root / path
        original, stamp = target.read_text("utf-8"), target.stat()
        made = (
            [folder for folder in self._made_of_kernels() if folder.is_dir()] if path.startswith(KERNELS) else []
        )
        kept = [self._root.parent / folder.name for folder in made]
        for folder, copy in zip(made, kept, strict=True):
            shutil.copytree(folder, copy)
        if made:  # the subset has no lists; a loop over nothing is a mutant all the same
            text = text.replace(" in []:", " in range(0):")
        # How kernels are compiled stands beside them, and becomes no C.
        alone = covered.in_function(text, line) and (self._root / C_FILES / f"{target.stem}.c").is_file()
        try:
            target.write_text(text, "utf-8")
            yield self._build_quickly(target.stem, alone) if made else ""
        finally:
            target.write_text(original, "utf-8")
            os.utime(target, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
            for folder, copy in zip(made, kept, strict=True):
                shutil.rmtree(folder)
                copy.rename(folder)

    def _made_of_kernels(self) -> list[Path]:
        """Folders with what numba has compiled, with C, and with the library."""
        native = self._root / "tapeemu/native"
        return [self._root / KERNELS / "__pycache__", native / "c", native / "library"]

    def _build_quickly(self, name: str, alone: bool) -> str:
        """Write C and compile it, not optimised: the same bits. Where that fails, numba compiles."""
        command = [sys.executable, "-c", QUICK_LIBRARY, name, "alone" if alone else ""]
        environment = {**os.environ, "PYTHONPATH": str(self._root), "PYTHONDONTWRITEBYTECODE": "1"}
        environment["TAPEEMU_LOOPS"] = "python"
        with contextlib.suppress(subprocess.TimeoutExpired):
            done = subprocess.run(
                command, cwd=self._root, env=environment, check=False, capture_output=True, text=True, timeout=1200
            )
            if "refused: " in done.stderr:
                return f"no C: {done.stderr.partition('refused: ')[2].strip()[:100]}"
        return ""

    def close(self) -> None:
        """End the process."""
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait()


def tried(copy: Copy, mutant: Mutant, text: str, parts: list[list[str]], seconds: float) -> dict[str, Any]:
    """What became of a mutant: outcome, by which test, in how many seconds.

    `parts` are tests, or files of tests, that are loaded together; `seconds` are those of their work.
    """
    started = time.monotonic()
    tests = [name for part in parts for name in part]
    entry: dict[str, Any] = {**asdict(mutant), "key": mutant.key, "tests": len(tests), "by": ""}
    with copy.mutated(mutant.path, text, mutant.line) as entry["by"]:
        left = seconds
        for part in parts:
            if part and left > 0.0 and not entry["by"]:
                answer = copy.run(part, left)
                left -= answer["seconds"]
                # Given up in the middle of its own work, pytest fails by itself.
                entry["by"] = (
                    "" if copy.quick and answer["status"] == 3 and not answer["failed"] else noticed(answer)
                )
    entry["outcome"] = "killed" if entry["by"] else "survived"
    entry["seconds"] = round(time.monotonic() - started, 1)
    return entry


def worth_it(tests: covered.Covered | Near, mutant: Mutant, seconds: float) -> list[list[str]]:
    """Tests of a mutant's line, in parts that are loaded together: as many as there is time for."""
    names = tests.tests_of(mutant.path, mutant.line)
    if mutant.path.startswith(KERNELS):
        names = [name for name in names if name.partition("::")[0] not in OF_OTHER_BUILDS]
    if isinstance(tests, Near):
        ends = [0, *itertools.accumulate(FILES)]
        return [names[begin:end] for begin, end in itertools.pairwise(ends)]
    names = tests.within(names, seconds)
    return [names[:FEW], names[FEW:]]


def noticed(answer: dict[str, Any]) -> str:
    """Which test noticed, or how the run ended; empty if nothing was noticed."""
    if answer["failed"]:
        return str(answer["failed"][0])
    if answer["status"] is None:
        return "a test does not end"
    if answer["status"] not in (0, 2, 5):  # 2 is the plugin's end of time, 5 no test at all
        return f"pytest ends with {answer['status']}"
    return ""


def unreliable(copy: Copy, names: set[str]) -> list[str]:
    """Tests that noticed mutants, and fail without one as well."""
    tests = sorted(name for name in names if "::" in name)
    answer = copy.run(tests, float("inf"), all_of_them=True) if tests else {"status": 0, "failed": []}
    return answer["failed"] or ([] if answer["status"] == 0 else [f"pytest ends with {answer['status']}"])


def known_equivalents() -> dict[str, str]:
    """Reasons by key."""
    return {
        entry["key"]: entry["reason"] for entry in tomllib.loads(EQUIVALENT.read_text("utf-8")).get("mutant", [])
    }


def earlier(report: Path) -> dict[str, str]:
    """Outcomes of an earlier run by key."""
    lines = report.read_text("utf-8").splitlines()
    return {entry["key"]: entry["outcome"] for entry in map(json.loads, lines)}


def told(entry: dict[str, Any]) -> str:
    """One mutant in a line, a survivor in four."""
    text = f"{entry['outcome']} {entry['seconds']:.0f} s {entry['path']}:{entry['line']} {entry['by']}"
    if entry["outcome"] == "survived":
        text += f"\n    {entry['key']} {entry['operator']}, {entry['tests']} tests"
        text += f"\n    - {entry['before'].strip()}\n    + {entry['after'].strip()}"
    return text


def summary(entries: list[dict[str, Any]]) -> str:
    """Outcomes by module, and the share that was noticed."""
    by_module: dict[str, Counter[str]] = defaultdict(Counter)
    for entry in entries:
        by_module[entry["path"]][entry["outcome"]] += 1
    lines = [f"{path}: {dict(found)}" for path, found in sorted(by_module.items())]
    counts = Counter(entry["outcome"] for entry in entries)
    judged = len(entries) - counts["equivalent"]
    return "\n".join([*lines, f"{counts['killed']} of {judged} killed, {counts['equivalent']} equivalent"])


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--mutants", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument(
        "--seconds", type=float, default=120.0, help="no test of a mutant is begun later than this"
    )
    parser.add_argument("--only", default="", help="part of a path")
    parser.add_argument("--map", type=Path, default=ROOT / "build/mutation", help="folder of the map of tests")
    parser.add_argument("--near", action="store_true", help="go by imports and names, and make no map")
    parser.add_argument(
        "--quick",
        type=float,
        default=0.0,
        help="give a test up after so many seconds; survivors may be less than that",
    )
    parser.add_argument("--minutes", type=float, default=float("inf"), help="no mutant is begun later than this")
    parser.add_argument("--report", type=Path, help="write every outcome as JSON lines")
    parser.add_argument("--again", type=Path, help="an earlier report: what it says was killed is not tried again")
    options = parser.parse_args()
    if not options.near and not (options.map / "tests.json").exists():
        covered.make(options.map)
    tests = Near() if options.near else covered.Covered(options.map)
    equivalents = known_equivalents()
    before = earlier(options.again) if options.again else {}
    chosen = sample(options.mutants, options.seed, options.only)
    copies: Queue[Copy] = Queue()
    entries: list[dict[str, Any]] = []
    end = time.monotonic() + 60.0 * options.minutes
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(options.jobs) as pool:
        for number in range(options.jobs):
            copies.put(Copy(Path(folder) / str(number), options.quick))

        def work(item: tuple[Mutant, str]) -> dict[str, Any] | None:
            mutant, text = item
            if time.monotonic() > end:
                return None
            decided = "equivalent" if mutant.key in equivalents else before.get(mutant.key, "")
            if decided in ("killed", "equivalent"):
                return {
                    **asdict(mutant),
                    "key": mutant.key,
                    "outcome": decided,
                    "seconds": 0.0,
                    "by": "",
                    "tests": 0,
                }
            copy = copies.get()
            try:
                return tried(copy, mutant, text, worth_it(tests, mutant, options.seconds), options.seconds)
            finally:
                copies.put(copy)

        for number, entry in enumerate(pool.map(work, chosen), start=1):
            if entry is None:
                break
            entries.append(entry)
            print(f"{number}/{len(chosen)} {told(entry)}", flush=True)
            if options.report is not None:
                with options.report.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(entry) + "\n")
        wrong = unreliable(copies.queue[0], {entry["by"] for entry in entries})
        while not copies.empty():
            copies.get().close()
    print(summary(entries))
    for name in wrong:
        print(f"not to be trusted, fails without a mutant too: {name}")
    counts = Counter(entry["outcome"] for entry in entries)
    enough = counts["killed"] >= 0.9 * (len(entries) - counts["equivalent"])
    return 0 if enough and not wrong else 1


if __name__ == "__main__":
    raise SystemExit(main())
