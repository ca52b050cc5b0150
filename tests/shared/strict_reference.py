"""Chains in Python as cases of the C library: what its strict build must equal.

``python strict_reference.py CASES RESULTS``: a pickled list of :class:`Asked`, and of what came out, in a process
of its own, whose loops the environment chooses.
"""

import os
import pickle
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Asked:
    """A chain, what goes in and how."""

    processor: Any
    audio: npt.NDArray[np.float64]
    sample_rate: float
    cuts: tuple[int, ...]
    place: int
    track: int
    level_db: float


@dataclass(frozen=True)
class Came:
    """What came out: as it comes, late by the latency."""

    audio: npt.NDArray[np.float64]
    latency: int
    tail: int


def run(asked: Asked) -> Came:
    channels, samples = asked.audio.shape
    stream = asked.processor.stream(
        sample_rate=asked.sample_rate, channels=channels, start_sample=asked.place, track=asked.track
    )
    parts, start, turn = [], 0, 0
    while start < samples:
        count = asked.cuts[turn % len(asked.cuts)]
        parts.append(stream.advance(asked.audio[:, start : start + count].copy()))
        start += count
        turn += 1
    return Came(np.concatenate(parts, axis=1), int(stream.latency), int(stream.tail_samples(asked.level_db)))


def results_by(loops: str, asked: Sequence[Asked], folder: Path, timeout_seconds: float = 3000.0) -> list[Came]:
    """Run cases in a process of their own, whose kernels are run by ``library``, ``numba`` or ``python``."""
    given, came = folder / f"cases-{loops}.pickle", folder / f"results-{loops}.pickle"
    given.write_bytes(pickle.dumps(list(asked)))
    paths = os.pathsep.join([str(ROOT), str(Path(__file__).parent)])
    done = subprocess.run(
        [sys.executable, "-m", "strict_reference", str(given), str(came)],
        env={**os.environ, "TAPEEMU_LOOPS": loops, "PYTHONPATH": paths},
        capture_output=True,
        text=True,
        check=False,
        timeout=timeout_seconds,
    )
    assert done.returncode == 0, done.stderr
    results: list[Came] = pickle.loads(came.read_bytes())
    return results


if __name__ == "__main__":
    import strict_reference  # the name that what is pickled has

    asked = pickle.loads(Path(sys.argv[1]).read_bytes())
    Path(sys.argv[2]).write_bytes(pickle.dumps([strict_reference.run(each) for each in asked]))
