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


def test_tapes_are_doubled_until_all_is_told_or_there_are_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[list[int]] = []

    def figures(*arguments: Any) -> list[list[dict[str, Any]]]:
        asked.append(list(arguments[-1]))
        return [[{}] for _ in arguments[-1]]

    monkeypatch.setattr(tapes, "_figures_of_tapes", figures)
    job = tapes.ComparisonJob(
        audio=np.zeros((1, 480)), sample_rate=48_000.0, start_sample=0, tail_seconds=0.0, jobs=1, progress=SILENT
    )
    for told_from, most, expected in (
        (99, 7, [[0, 1], [2, 3], [4, 5, 6]]),
        (4, 7, [[0, 1], [2, 3]]),
        (99, 1, [[0, 1]]),
    ):
        asked.clear()
        monkeypatch.setattr(tapes, "_all_told", lambda _own, _heads, made, least=told_from: len(made) >= least)
        tapes.figures_on_tapes(job, [], [], [], [0], MeasuringPlan(tapes=2, most_tapes=most))
        assert asked == expected
