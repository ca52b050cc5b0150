"""No test noticed that a balanced batch resumes although a neighbour has changed."""

from pathlib import Path

import pytest
import soundfile
from batches import contents, run

from tapeemu.rendering.delivery import Delivery

RATE = 48_000


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
