"""Orders on one tape after another."""

from typing import Any

import numpy as np
import pytest

import tapeemu
from tapeemu.chain import Chain
from tapeemu.comparison import MeasuringPlan, tapes
from tapeemu.comparison.orders import all_orders
from tapeemu.comparison.progress import SILENT
from tapeemu.rendering.matched import Render


class EnoughError(Exception):
    """All that is asked for here is known."""


def test_the_first_tape_is_that_of_the_chain_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    """The others are those of other seeds, all of them others."""
    given: list[Chain] = []

    def render_all(_part: Any, contenders: Any, **_: Any) -> list[Render]:
        given.extend(each.chain for each in contenders)
        raise EnoughError

    monkeypatch.setattr(tapes, "render_all", render_all)
    own = Chain(stages=[tapeemu.WowFlutter(seed=77), tapeemu.PreampDrive()])
    job = tapes.ComparisonJob(
        audio=np.zeros((1, 480)), sample_rate=48_000.0, start_sample=0, tail_seconds=0.0, jobs=1, progress=SILENT
    )
    with pytest.raises(EnoughError):
        tapes.figures_on_tapes(job, all_orders(own)[:1], [], [], [0], MeasuringPlan(tapes=3, most_tapes=3))
    assert given == [own, own.with_seed(1), own.with_seed(2)]
    assert len({chain["wow_flutter"].processor.seed for chain in given}) == 3
