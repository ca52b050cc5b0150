"""Batches: what is taken and what it is called."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from tapeemu.errors import AudioError, OutputError, ParameterError
from tapeemu.rendering.delivery import Delivery
from tapeemu.rendering.plan import plan_batch

RATE = 48_000


def make(path: Path, seed: int = 1, samples: int = 4000) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    audio = np.random.default_rng(seed).uniform(-0.3, 0.3, (samples, 2))
    soundfile.write(path, audio, RATE, "PCM_24")
    return path


class TestPlan:
    def targets(self, tree: Path, *inputs: str, **delivery: Any) -> list[str]:
        plan = plan_batch([tree / name for name in inputs], tree / "out", delivery=Delivery(**delivery))
        assert not plan.failures
        return [item.target.relative_to(tree / "out").as_posix() for item in plan.items]

    def test_folders_keep_their_sub_folders(self, tree: Path) -> None:
        assert self.targets(tree, "in") == ["a.wav", "x/b.wav", "x/y/a.flac"]
        assert self.targets(tree, "in/x") == ["b.wav", "y/a.flac"]

    def test_patterns_keep_what_is_below_their_fixed_part(self, tree: Path) -> None:
        assert self.targets(tree, "in/*.wav") == ["a.wav"]
        assert self.targets(tree, "in/**/*.wav") == ["a.wav", "x/b.wav"]
        assert self.targets(tree, "in/x/*/?.fl[a-c]c") == ["y/a.flac"]

    def test_files_come_by_their_name(self, tree: Path) -> None:
        assert self.targets(tree, "in/x/y/a.flac", "in/a.wav") == ["a.flac", "a.wav"]

    def test_the_container_decides_the_suffix(self, tree: Path) -> None:
        assert self.targets(tree, "in", container="aiff") == ["a.aiff", "x/b.aiff", "x/y/a.aiff"]

    def test_a_file_named_twice_is_done_once(self, tree: Path) -> None:
        assert self.targets(tree, "in", "in/a.wav", "in/*.wav") == ["a.wav", "x/b.wav", "x/y/a.flac"]

    def test_results_of_an_earlier_batch_are_no_input(self, tree: Path) -> None:
        make(tree / "in/out/old.wav")
        plan = plan_batch([tree / "in", tree / "in/**/*.wav"], tree / "in/out")
        assert not [item for item in plan.items if "old" in item.source.name]

    def test_a_name_with_brackets_is_a_name_first(self, tree: Path) -> None:
        make(tree / "in/b[1].wav")
        assert self.targets(tree, "in/b[1].wav") == ["b[1].wav"]

    def test_collisions_are_found(self, tree: Path) -> None:
        with pytest.raises(ParameterError, match="would both become"):
            self.targets(tree, "in/a.wav", "in/x/y/a.flac", container="wav")
        make(tree / "more/a.wav")
        with pytest.raises(ParameterError, match="would both become"):
            self.targets(tree, "in", "more")

    def test_no_result_lands_on_an_input(self, tree: Path) -> None:
        with pytest.raises(OutputError, match="is an input"):
            plan_batch([tree / "in/a.wav"], tree / "in")
        make(tree / "out/a.wav")
        with pytest.raises(OutputError, match="is an input"):
            plan_batch([tree / "in/x/b.wav", tree / "in/a.wav", tree / "out/a.wav"], tree / "out")

    def test_links_to_folders_are_not_walked_in_circles(self, tree: Path) -> None:
        (tree / "in/x/loop").symlink_to(tree / "in")
        assert self.targets(tree, "in") == ["a.wav", "x/b.wav", "x/y/a.flac"]

    def test_what_leads_to_no_file_is_told_and_costs_the_others_nothing(self, tree: Path) -> None:
        (tree / "empty").mkdir()
        wishes = [tree / "empty", tree / "in/a.wav", tree / "in/z*.wav"]
        plan = plan_batch(wishes, tree / "out", delivery=Delivery())
        assert [item.source for item in plan.items] == [tree / "in/a.wav"]
        assert [failure.source for failure in plan.failures] == [wishes[0], wishes[2]]
        assert {type(failure.error) for failure in plan.failures} == {AudioError}
