"""Batches: what is taken and what it is called."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from tapeemu.errors import OutputError, ParameterError
from tapeemu.rendering.delivery import Delivery
from tapeemu.rendering.plan import BatchPlan, Item, plan_batch

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


class TestInside:
    """No result lies outside the output folder, whatever inputs and links are called."""

    @pytest.mark.parametrize(
        "pattern", ["in/x/*/../../*.wav", "in/*/../../in/a.wav", "in/**/../a.wav", "in/*/../x/*.wav"]
    )
    def test_patterns_may_not_go_up_behind_a_wildcard(self, tree: Path, pattern: str) -> None:
        with pytest.raises(ParameterError, match="goes up"):
            plan_batch([tree / pattern], tree / "deep/er/out")
        assert not (tree / "deep").exists()

    @pytest.mark.parametrize("wish", ["in/x/../*.wav", "in/../in/x/../a.wav", "./in/x/../*.wav"])
    def test_they_may_before_it(self, tree: Path, wish: str) -> None:
        plan = plan_batch([f"{tree}/{wish}"], tree / "out")
        assert [item.target for item in plan.items] == [tree / "out/a.wav"]

    def test_folders_that_go_up_are_folders(self, tree: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.chdir(tree / "in/x")
        for wish in ("..", "../../in", "y/../.."):
            targets = [item.target.as_posix() for item in plan_batch([wish], "../../out").items]
            assert targets == ["../../out/a.wav", "../../out/x/b.wav", "../../out/x/y/a.flac"]

    @pytest.mark.parametrize("name", ["...wav", "...", "..wav", "....", "..a", "-..wav"])
    @pytest.mark.parametrize("container", [None, "wav", "flac"])
    def test_names_of_dots_are_names(self, tree: Path, name: str, container: str | None) -> None:
        (tree / "in/a.wav").rename(tree / "in" / name)
        plan = plan_batch([tree / "in" / name], tree / "out", delivery=Delivery(container=container))
        (item,) = plan.items
        assert item.target.parent == tree / "out"
        assert item.target.name.startswith(Path(name).stem)
        assert item.target.name not in (".", "..")

    @pytest.mark.parametrize("wish", ["nowhere/..", "in/a.wav/..", "in/x*/.."])
    def test_the_parent_of_nothing_is_no_file(self, tree: Path, wish: str) -> None:
        plan = plan_batch([f"{tree}/{wish}", tree / "in/a.wav"], tree / "out")
        assert [item.target for item in plan.items] == [tree / "out/a.wav"]
        assert "not an existing folder" in plan.failures[0].message

    def test_a_link_does_not_lead_out(self, tree: Path) -> None:
        (tree / "secret").mkdir()
        (tree / "out").mkdir()
        (tree / "out/x").symlink_to(tree / "secret")
        with pytest.raises(OutputError, match="outside"):
            plan_batch([tree / "in"], tree / "out")
        assert not list((tree / "secret").iterdir())
        (tree / "out/x").unlink()
        (tree / "out/z").mkdir()
        (tree / "out/x").symlink_to(tree / "out/z")
        assert len(plan_batch([tree / "in"], tree / "out").items) == 3
        # The folder itself may be a link.
        (tree / "door").symlink_to(tree / "secret")
        assert len(plan_batch([tree / "in"], tree / "door").items) == 3

    @pytest.mark.parametrize(
        "target", ["out/../a.wav", "a.wav", "out/x/../../a.wav", "out/..", "/a.wav", "outer/a.wav"]
    )
    def test_a_plan_made_by_hand_is_held_to_it(self, tree: Path, target: str) -> None:
        with pytest.raises(OutputError, match="outside"):
            BatchPlan(tree / "out", (Item(tree / "in/a.wav", tree / target),))
