"""Which mutants are tried: cosmic-ray's operators at places drawn by a seed, over all modules."""

import hashlib
import random
import re
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

import parso  # noqa: F401  cosmic-ray finds no operators unless this stands before it
from cosmic_ray import mutating, plugins
from cosmic_ray.ast import ast_nodes, get_ast_from_path

__all__ = ["PACKAGES", "ROOT", "Mutant", "sample"]

ROOT = Path(__file__).parents[2]
PACKAGES = ("tapeemu", "measure")
# Unions stand in annotations, `is` beside None, decorators declare, and no number here takes what is for bits:
# changes there fail at once and prove nothing.
TRIVIAL = re.compile(r"BitOr|BitXor|BitAnd|LShift|RShift|Invert|_Is|Is_|IsNot|_Pow$|RemoveDecorator|Variable")


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


def _places(path: Path) -> dict[int, list[tuple[str, int]]]:
    """Operator and occurrence of everything that can be changed, by line."""
    nodes = list(ast_nodes(get_ast_from_path(path)))
    places = defaultdict(list)
    for name in sorted(plugins.operator_names()):
        if TRIVIAL.search(name):
            continue
        operator = plugins.get_operator(name)()
        found = (start for node in nodes for start, _ in operator.mutation_positions(node))
        for occurrence, start in enumerate(found):
            places[start[0]].append((name, occurrence))
    return places


def _is_python(text: str) -> bool:
    """Whether it compiles: cosmic-ray takes the star of a signature for a product."""
    try:
        compile(text, "mutant", "exec")
    except SyntaxError:
        return False
    return True


def _mutants_of(path: Path, generator: random.Random, wanted: int) -> list[tuple[Mutant, str]]:
    """Mutants on lines drawn at random, one a line, each with its whole text."""
    source = path.read_text("utf-8")
    old = source.splitlines()
    places = {
        line: found
        for line, found in _places(path).items()
        if not old[line - 1].lstrip().startswith(("@", "from ", "import "))
    }
    chosen = []
    for line in generator.sample(sorted(places), len(places)):
        name, occurrence = generator.choice(places[line])
        try:
            text = mutating.mutate_code(source, plugins.get_operator(name)(), occurrence)
        except AttributeError:  # cosmic-ray cannot replace an exception with a dotted name
            continue
        if text is None or text == source or not _is_python(text):
            continue
        new = text.splitlines()
        where = next(k for k, (a, b) in enumerate(zip(old, new, strict=False)) if a != b)
        if new[where] == old[where].replace("*,", "/,", 1):  # the star of a signature again: by place or by name
            continue
        mutant = Mutant(str(path.relative_to(ROOT)), name, occurrence, where + 1, old[where], new[where])
        chosen.append((mutant, text))
        if len(chosen) == wanted:
            break
    return chosen


def sample(count: int, seed: int, only: str) -> list[tuple[Mutant, str]]:
    """At least `count` mutants, spread over all modules by their length, one each at least.

    Which they are in one module depends on the seed, on the share and on that module alone.
    """
    files = [path for package in PACKAGES for path in sorted((ROOT / package).rglob("*.py"))]
    sizes = {path: len(path.read_text("utf-8").splitlines()) for path in files}
    total = sum(sizes.values())
    chosen: list[tuple[Mutant, str]] = []
    for path, size in sizes.items():
        if only in str(path.relative_to(ROOT)):
            generator = random.Random(f"{seed} {path.relative_to(ROOT)}")
            chosen += _mutants_of(path, generator, max(1, round(count * size / total)))
    random.Random(seed).shuffle(chosen)
    return chosen
