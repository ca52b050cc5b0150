"""Batches of small files, for tests of rendering."""

from pathlib import Path
from typing import Any

import numpy as np
import soundfile

import tapeemu
from tapeemu.chain import Chain
from tapeemu.rendering.batch import BatchOutcome, render_batch
from tapeemu.rendering.journal import JOURNAL
from tapeemu.rendering.plan import plan_batch

RATE = 48_000
CHAIN = Chain(stages=[tapeemu.WowFlutter(seed=5), tapeemu.PreampDrive(drive_db=3.0)])


def make(path: Path, seed: int = 1, samples: int = 4000) -> Path:
    """A short stereo file of noise."""
    path.parent.mkdir(parents=True, exist_ok=True)
    audio = np.random.default_rng(seed).uniform(-0.3, 0.3, (samples, 2))
    soundfile.write(path, audio, RATE, "PCM_24")
    return path


def contents(folder: Path) -> dict[str, bytes]:
    """The bytes of every file below a folder but the journal."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and path.name != JOURNAL
    }


def run(tree: Path, **options: Any) -> BatchOutcome:
    """The batch of `tree`/in into `tree`/out."""
    delivery = options.get("delivery")
    chain = options.pop("chain", CHAIN)
    return render_batch(plan_batch([tree / "in"], tree / "out", delivery=delivery), chain, **options)
