"""Change one thing in one line, run the tests that should notice, and list what nobody noticed.

    python tests/mutation/harness.py --mutants 400 --seed 1 --jobs 2

Mutants come from cosmic-ray's operators; which are tried is decided by the seed, spread over all modules. Each
is put into a copy of the checkout of its own. A survivor that changes nothing anyone could notice is entered, with
its reason, in `equivalent.toml`.
"""

import argparse
import hashlib
import json
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from collections import Counter, defaultdict
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from queue import Queue
from typing import Any

ROOT = Path(__file__).parents[2]
EQUIVALENT = Path(__file__).with_name("equivalent.toml")
PACKAGES = ("tapeemu", "measure")
# Unions stand in annotations, `is` beside None, decorators declare: changes there fail at once and prove nothing.
TRIVIAL = re.compile(
    r"BitOr|_Is|Is_|IsNot|RemoveDecorator|Invert|RShift|LShift|BitXor|BitAnd|Pow|VariableR|VariableI"
)
SLOWEST_SECONDS = 240


@dataclass(frozen=True)
class Mutant:
    """One change: where, by which operator, which occurrence, and what the line was and becomes."""

    path: str
    operator: str
    occurrence: int
    line: int
    before: str
    after: str

    @property
    def key(self) -> str:
        """Name that survives changes elsewhere in the file."""
        text = f"{self.path}|{self.operator}|{self.before.strip()}|{self.after.strip()}"
        return hashlib.sha256(text.encode()).hexdigest()[:12]


def operators() -> list[str]:
    """Operators of cosmic-ray that can change behaviour."""
    import cosmic_ray.plugins

    return sorted(name for name in cosmic_ray.plugins.operator_names() if not TRIVIAL.search(name))


def mutants_of(path: Path, generator: random.Random, wanted: int) -> Iterator[tuple[Mutant, str]]:
    """Some mutants of a file, in random order, each with its whole text; no two on one line."""
    import cosmic_ray.mutating
    import cosmic_ray.plugins

    source = path.read_text("utf-8")
    old = source.splitlines()
    names = operators()
    lines: set[int] = set()
    tries = 0
    while len(lines) < wanted and tries < 40 * wanted:
        tries += 1
        name = generator.choice(names)
        made = cosmic_ray.plugins.get_operator(name)()
        occurrence = generator.randrange(30)
        text = cosmic_ray.mutating.mutate_code(source, made, occurrence)
        if text is None or text == source:
            continue
        new = text.splitlines()
        changed = [k for k, (a, b) in enumerate(zip(old, new, strict=False)) if a != b]
        if not changed or changed[0] in lines or old[changed[0]].lstrip().startswith(("@", "from ", "import ")):
            continue
        lines.add(changed[0])
        where = changed[0]
        yield Mutant(str(path.relative_to(ROOT)), name, occurrence, where + 1, old[where], new[where]), text


def sample(count: int, seed: int, only: str) -> list[tuple[Mutant, str]]:
    """Mutants spread over all modules by their length, at least one each."""
    files = [
        path
        for package in PACKAGES
        for path in sorted((ROOT / package).rglob("*.py"))
        if only in str(path.relative_to(ROOT)) and len(path.read_text("utf-8").splitlines()) > 12
    ]
    sizes = {path: len(path.read_text("utf-8").splitlines()) for path in files}
    total = sum(sizes.values())
    chosen = []
    for path in files:
        share = max(1, round(count * sizes[path] / total))
        generator = random.Random(f"{seed} {path.relative_to(ROOT)}")
        chosen += list(mutants_of(path, generator, share))
    random.Random(seed).shuffle(chosen)
    return chosen[:count] if only == "" else chosen


def tests_for(path: str) -> list[str]:
    """Tests that should notice a change of a module: its mirror, those that import it, then the general ones."""
    module = path.removesuffix(".py").removesuffix("/__init__").replace("/", ".")
    name = module.rsplit(".", 1)[-1]
    importing = re.compile(rf"(?:from|import) {re.escape(module)}\b|{re.escape(path)}")
    mirror, users = [], []
    for test in sorted((ROOT / "tests").rglob("test_*.py")):
        if "long" in test.parts or "mutation" in test.parts or "browser" in test.parts:
            continue
        if test.stem == f"test_{name}":
            mirror.append(str(test.relative_to(ROOT)))
        elif importing.search(test.read_text("utf-8")):
            users.append(str(test.relative_to(ROOT)))
    general = ["tests/test_contract.py", "tests/test_numerical_hygiene.py"] if "/processors/" in path else []
    general += ["tests/tapeemu/processors", "tests/test_contract.py"] if "/dsp/" in path else []
    general += ["tests/measure"] if path.startswith("measure/") else []
    general += ["tests/tapeemu"] if path.startswith("tapeemu/") else []
    return list(dict.fromkeys([*mirror, *users, *general]))


def tried(copy: Path, mutant: Mutant, text: str) -> tuple[str, float]:
    """Put a mutant into a copy, run its tests until one fails, and take it out again."""
    target = copy / mutant.path
    original = target.read_text("utf-8")
    started = time.monotonic()
    environment = {**os.environ, "PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1", "OMP_NUM_THREADS": "1"}
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:randomly", "-p", "no:cacheprovider"]
    try:
        target.write_text(text, "utf-8")
        for test in tests_for(mutant.path):
            if not (copy / test).exists():
                continue
            left = SLOWEST_SECONDS - (time.monotonic() - started)
            if left <= 0.0:
                break
            try:
                done = subprocess.run(
                    [*command, test], cwd=copy, env=environment, capture_output=True, check=False, timeout=left
                )
            except subprocess.TimeoutExpired:
                break
            if done.returncode not in (0, 5):
                return "killed", time.monotonic() - started
        return "survived", time.monotonic() - started
    finally:
        target.write_text(original, "utf-8")


def known_equivalents() -> dict[str, str]:
    """Reasons by key."""
    if not EQUIVALENT.exists():
        return {}
    return {entry["key"]: entry["reason"] for entry in tomllib.loads(EQUIVALENT.read_text("utf-8"))["mutant"]}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--mutants", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--only", default="", help="part of a path")
    parser.add_argument("--report", type=Path, help="write every outcome as JSON lines")
    options = parser.parse_args()
    chosen = sample(options.mutants, options.seed, options.only)
    equivalents = known_equivalents()
    copies: Queue[Path] = Queue()
    outcomes: list[tuple[Mutant, str]] = []
    with tempfile.TemporaryDirectory() as folder:
        for number in range(options.jobs):
            copy = Path(folder) / f"copy{number}"
            shutil.copytree(ROOT, copy, ignore=shutil.ignore_patterns(".git", ".venv*", "findings"))
            copies.put(copy)

        def work(item: tuple[Mutant, str]) -> tuple[Mutant, str, float]:
            mutant, text = item
            if mutant.key in equivalents:
                return mutant, "equivalent", 0.0
            copy = copies.get()
            try:
                return mutant, *tried(copy, mutant, text)
            finally:
                copies.put(copy)

        with ThreadPoolExecutor(options.jobs) as pool:
            for number, (mutant, outcome, seconds) in enumerate(pool.map(work, chosen), start=1):
                outcomes.append((mutant, outcome))
                print(f"{number}/{len(chosen)} {outcome} {seconds:.0f} s {mutant.path}:{mutant.line}", flush=True)
                if outcome == "survived":
                    print(f"    {mutant.key} {mutant.operator}")
                    print(f"    - {mutant.before.strip()}\n    + {mutant.after.strip()}")
                if options.report is not None:
                    with options.report.open("a", encoding="utf-8") as file:
                        entry: dict[str, Any] = {**asdict(mutant), "key": mutant.key, "outcome": outcome}
                        file.write(json.dumps(entry) + "\n")
    counts = Counter(outcome for _, outcome in outcomes)
    by_module: dict[str, Counter[str]] = defaultdict(Counter)
    for mutant, outcome in outcomes:
        by_module[mutant.path][outcome] += 1
    for path, found in sorted(by_module.items()):
        print(f"{path}: {dict(found)}")
    judged = len(outcomes) - counts["equivalent"]
    print(f"{counts['killed']} of {judged} killed, {counts['equivalent']} equivalent")
    return 0 if counts["killed"] >= 0.9 * judged else 1


if __name__ == "__main__":
    raise SystemExit(main())
