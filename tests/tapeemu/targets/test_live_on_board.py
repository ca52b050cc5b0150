"""A chain whose settings move, and that gives way to another, on the emulated Cortex-M7: this machine's bits."""

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tapeemu import Chain, FdnReverb, PreampDrive
from tapeemu.targets.machines import SINGLE, STRICT_FLAGS, BoardTarget, HostTarget, MissingToolError
from tapeemu.targets.setups import Case, setup_of

PROOF = Path(__file__).parents[2] / "shared" / "live_proof.c"


@pytest.mark.long
@pytest.mark.skipif(shutil.which("gcc") is None, reason="no C compiler (gcc) is installed")
def test_the_board_plays_a_change_of_chains_as_this_machine_does(tmp_path: Path) -> None:
    """The drive moves at once, and half way the chain changes: alone, and before and behind a reverb."""
    here = HostTarget(tmp_path, (*STRICT_FLAGS, SINGLE), proof=PROOF)
    try:
        board = BoardTarget(tmp_path, proof=PROOF)
    except MissingToolError as error:
        pytest.skip(str(error))
    drive, hall = PreampDrive(drive_db=12.0), FdnReverb(decay_seconds=0.1, lines=8, size_percent=25.0)
    audio = np.zeros((1, 40_000))
    audio[:, :30_000] = 0.3 * np.random.default_rng(3).standard_normal(30_000)
    cases = []
    for stages, block in (([drive], 64), ([hall, drive], 32), ([drive, hall], 64)):
        setup = setup_of(Chain(stages), sample_rate=48_000.0, channels=1)
        driven = stages.index(drive)
        moved = (driven, setup.stages[driven].names.index("drive_db"), 6.0)
        cases.append(Case(setup, audio, block=block, cuts=(64,), place=7, moved=moved))
    ours = here.run(cases)
    for case, one, other in zip(cases, ours, board.run(cases), strict=True):
        still = here.run([replace(case, moved=None)])[0]
        assert not np.array_equal(one.audio, still.audio)
        assert np.array_equal(one.audio, other.audio)
        assert (one.latency, one.tail) == (other.latency, other.tail)
