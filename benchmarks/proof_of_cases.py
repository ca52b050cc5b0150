"""Random chains, and random settings of every processor: Python against the C library, case by case.

``python benchmarks/proof_of_cases.py [COUNT [FIRST [KIND ...]]]``: so many of each (10 if left out), from that
number on; ``chains`` or kinds of processors, all if left out. Each case has its own rate, place on the tape,
channels, cuts and length. The strict double build must have the bits, latency and tail of Python, whose loops
``TAPEEMU_LOOPS`` chooses; the single build must be as near as the tests ask. Numbers of those that differ are
told, so that ``drawn_case(number, samples)`` makes them again.
"""

import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "tests" / "shared"))

from drawn_cases import NOT_OURS, decibels, drawn_case, not_arrived, single_excess_db
from random_chains import settings
from strict_reference import run

from tapeemu.processors import processor_kinds
from tapeemu.targets.machines import SINGLE, STRICT_FLAGS, HostTarget

CHAIN_SAMPLES, SETTINGS_SAMPLES = 1500, 800
CHAINS = "chains"


@dataclass
class Tally:
    """What was found of one kind: how many cases, and numbers of those that differ."""

    cases: int = 0
    different: list[int] = field(default_factory=list)
    far: list[tuple[int, float]] = field(default_factory=list)
    worst_db: float = -np.inf


def tried(kind: str, number: int, strict: HostTarget, single: HostTarget, tally: Tally) -> None:
    """Run one case in Python and in both builds."""
    if kind == CHAINS:
        asked, case = drawn_case(number, CHAIN_SAMPLES)
    else:
        drawn = settings(np.random.default_rng(number), processor_kinds()[kind])
        asked, case = drawn_case(number, SETTINGS_SAMPLES, drawn)
    came = run(asked)
    result = strict.run([case])[0]
    tally.cases += 1
    if not np.array_equal(came.audio, result.audio) or (came.latency, came.tail) != (result.latency, result.tail):
        tally.different.append(number)
    rounded = single.run([case])[0].audio
    near = decibels(rounded, came.audio, not_arrived(asked, came.latency))
    tally.worst_db = max(tally.worst_db, near)
    if single_excess_db(rounded, asked, came) >= 0.0:
        tally.far.append((number, round(near, 1)))


def main() -> None:
    given = sys.argv[1:]
    count = int(given[0]) if given else 10
    first = int(given[1]) if len(given) > 1 else 10_000
    kinds = given[2:] or [CHAINS, *sorted(set(processor_kinds()) - NOT_OURS)]
    with tempfile.TemporaryDirectory() as name:
        strict = HostTarget(Path(name))
        single = HostTarget(Path(name), (*STRICT_FLAGS, SINGLE))
        for kind in kinds:
            tally, begun = Tally(), time.monotonic()
            for number in range(first, first + count):
                tried(kind, number, strict, single, tally)
            seconds = time.monotonic() - begun
            print(f"{kind}: {tally.cases} cases from {first}, {seconds:.0f} s", flush=True)
            print(f"    {len(tally.different)} differ {tally.different[:20]}")
            print(
                f"    single {tally.worst_db:.1f} dB at worst, {len(tally.far)} too far {tally.far[:20]}",
                flush=True,
            )


if __name__ == "__main__":
    main()
