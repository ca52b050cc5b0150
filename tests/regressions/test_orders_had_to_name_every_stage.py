"""An order had to name every stage, also those that stay where they are."""

from collections.abc import Callable
from pathlib import Path

from tapeemu.chain import Chain, Stage
from tapeemu.presets import load_preset
from tapeemu.processors.plugin_effect import PluginEffect


def gain(db: float) -> PluginEffect:
    return PluginEffect(effect="Gain", parameters={"gain_db": db})


def test_an_order_may_name_only_the_stages_that_move() -> None:
    """The others keep their places; the stages named share theirs out in the order given."""
    chain = Chain(stages=[Stage(processor=gain(float(number)), name=name) for number, name in enumerate("abcde")])
    assert chain.reordered(["d", "b"]).names == ("a", "d", "c", "b", "e")
    assert chain.reordered(["b", "d"]) == chain
    assert chain.reordered(["e", "a", "c"]).names == ("e", "b", "a", "d", "c")
    assert chain.reordered("edcba").names == tuple("edcba")
    assert chain.reordered(["d", "b"]).stages[1] == chain.stages[3]
    assert Chain(stages=[Stage(processor=gain(1.0), name="a")]).reordered(["a"]).names == ("a",)


Run = Callable[..., str]


def test_an_order_may_name_only_what_moves(run: Run, own: Path) -> None:
    run("new", "turned", "--from", "hall-into-drive", "--order", "drive,hall")
    assert load_preset("turned").chain.names == ("drive", "hall", "transport", "level")
    assert "moves nothing" in run("new", "x", "--from", "hall-into-drive", "--order", "drive", status=2)
