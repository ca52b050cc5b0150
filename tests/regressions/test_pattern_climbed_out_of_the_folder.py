"""A pattern with '..' wrote results outside the output folder."""

from pathlib import Path

import pytest

from tapeemu.errors import OutputError, ParameterError
from tapeemu.rendering.delivery import Delivery
from tapeemu.rendering.plan import BatchPlan, Item, plan_batch


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
    def test_a_pattern_may_go_up_before_its_first_wildcard(self, tree: Path, wish: str) -> None:
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
