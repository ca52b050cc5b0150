"""Of several `--preset` one counted, and the others were dropped without a word."""

from collections.abc import Callable
from pathlib import Path

from tapeemu.presets import load_preset

Run = Callable[..., str]


def test_an_option_of_one_value_is_given_once(run: Run, own: Path) -> None:
    text = run("new", "x", "--from", "tape-alone", "--from", "pulse-tight", status=2)
    assert "--from is given 2 times, but holds one value; give it once" in text
    run("new", "x", "--from", "pulse-tight", "--tag", "one", "--tag", "two")
    assert load_preset("x").tags == ("one", "two")
