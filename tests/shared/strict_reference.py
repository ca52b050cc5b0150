"""Chains in Python with nothing reordered or fused, in a process of their own: what the strict C build must equal.

``python strict_reference.py CASES RESULTS``: a pickled list of :class:`Asked`, and of what came out.
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


def strict_results(asked: Sequence[Asked], cache: Path, timeout_seconds: float = 3000.0) -> list[Came]:
    """Run cases in a process of their own; `cache` keeps the loops that it compiles."""
    cache.mkdir(parents=True, exist_ok=True)
    given, came = cache / f"cases-{os.getpid()}.pickle", cache / f"results-{os.getpid()}.pickle"
    given.write_bytes(pickle.dumps(list(asked)))
    paths = os.pathsep.join([str(ROOT), str(Path(__file__).parent)])
    environment = {**os.environ, "TAPEEMU_STRICT": "1", "NUMBA_CACHE_DIR": str(cache), "PYTHONPATH": paths}
    command = [sys.executable, "-m", "strict_reference", str(given), str(came)]
    try:
        done = subprocess.run(
            command, env=environment, capture_output=True, text=True, check=False, timeout=timeout_seconds
        )
        assert done.returncode == 0, done.stderr
        results: list[Came] = pickle.loads(came.read_bytes())
    finally:
        given.unlink(missing_ok=True)
        came.unlink(missing_ok=True)
    return results


if __name__ == "__main__":
    import strict_reference  # the name that what is pickled has

    asked = pickle.loads(Path(sys.argv[1]).read_bytes())
    Path(sys.argv[2]).write_bytes(pickle.dumps([strict_reference.run(each) for each in asked]))
