"""No test noticed that a balanced batch resumes although a neighbour has changed."""

from pathlib import Path
from typing import Any

import pytest
import soundfile

import tapeemu
from tapeemu.chain import Chain
from tapeemu.rendering.batch import BatchOutcome, render_batch
from tapeemu.rendering.delivery import Delivery
from tapeemu.rendering.journal import JOURNAL
from tapeemu.rendering.plan import plan_batch

RATE = 48_000


CHAIN = Chain(stages=[tapeemu.WowFlutter(seed=5), tapeemu.PreampDrive(drive_db=3.0)])


def contents(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and path.name != JOURNAL
    }


def run(tree: Path, **options: Any) -> BatchOutcome:
    delivery = options.get("delivery")
    chain = options.pop("chain", CHAIN)
    return render_batch(plan_batch([tree / "in"], tree / "out", delivery=delivery), chain, **options)


@pytest.mark.parametrize("overwrite", [False, True])
def test_with_the_balance_kept_a_changed_neighbour_changes_all(tree: Path, overwrite: bool) -> None:
    """The common gain hangs on every input, so no result may stay when one of them is another."""
    delivery = Delivery(true_peak_dbtp=-3.0, keep_balance=True)
    run(tree, delivery=delivery)
    before = contents(tree / "out")
    louder = 3.0 * soundfile.read(tree / "in/a.wav")[0]
    soundfile.write(tree / "in/a.wav", louder, RATE, "PCM_24")
    again = run(tree, delivery=delivery.replace(overwrite=overwrite), resume=True)
    assert not again.skipped
    if not overwrite:
        assert contents(tree / "out") == before
        assert {failure.source.name for failure in again.failures} == {"a.wav", "b.wav", "a.flac"}
        assert all("have changed since" in failure.message for failure in again.failures)
    else:
        after = contents(tree / "out")
        assert all(after[name] != before[name] for name in before)
        assert len({report.gain_db for report in again.reports}) == 1
