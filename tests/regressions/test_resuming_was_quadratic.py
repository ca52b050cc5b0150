"""Every task of a batch carried the whole journal: 25.7 GB at 10,000 entries."""

import json
import os
import pickle
from pathlib import Path
from typing import Any

import pytest
from batches import make, run

from tapeemu.rendering.journal import JOURNAL
from tapeemu.rendering.plan import Item, plan_batch

RATE = 48_000


class TestManyFiles:
    """What a batch costs beside sound grows as the number of its files."""

    def known(self, tree: Path, count: int) -> None:
        """A journal of an earlier, larger batch."""
        line = {"settings": "0" * 64, "source": "0" * 64, "target": "0" * 64}
        with (tree / "out" / JOURNAL).open("ab") as file:
            for number in range(count):
                file.write(b"\n" + json.dumps({"name": f"older/{number}.wav", **line}).encode("ascii") + b"\n")

    def test_a_task_carries_its_own_line_of_the_journal_alone(
        self, tree: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Bytes sent to a worker, with 3 and with 3,000 lines in the journal."""
        sizes = []

        def counted(self: Any, tasks: dict[Item, Any], *_: Any) -> dict[Item, Any]:
            sizes.append([len(pickle.dumps(task)) for task in tasks.values()])
            return {item: item for item in tasks}

        run(tree)
        monkeypatch.setattr("tapeemu.rendering.workers.Workers.run", counted)
        run(tree, resume=True)
        self.known(tree, 3000)
        run(tree, resume=True)
        assert sizes[1] == sizes[0]
        assert max(sizes[0]) < 10_000

    def test_a_name_is_looked_at_a_fixed_number_of_times(
        self, tree: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Questions to the file system while a batch is planned: twice the files, at most twice as many."""
        asked: list[int] = []
        real = os.path.realpath

        def counted(*arguments: Any, **options: Any) -> Any:
            asked[-1] += 1
            return real(*arguments, **options)

        monkeypatch.setattr(os.path, "realpath", counted)
        for count in (50, 100):
            asked.append(0)
            for number in range(count):
                make(tree / str(count) / f"{number}.wav", samples=10)
            plan_batch([tree / str(count)], tree / "out")
        assert asked[1] <= 2 * asked[0]
