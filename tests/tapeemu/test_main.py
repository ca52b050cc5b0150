"""The command line as a program."""

import importlib
import sys

import pytest


def test_loading_the_program_does_not_run_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """An installed command loads it and calls what is in it."""
    monkeypatch.setattr(sys, "argv", ["tapeemu", "no-such-command"])
    monkeypatch.delitem(sys.modules, "tapeemu.__main__", raising=False)
    assert importlib.import_module("tapeemu.__main__").main.__module__ == "tapeemu.__main__"


def test_a_key_pressed_while_it_is_loaded_ends_it_as_later(monkeypatch: pytest.MonkeyPatch) -> None:
    """By the status of what a signal ends: 128 and the number of the signal, 2."""
    program = importlib.import_module("tapeemu.__main__")

    class Interrupted:
        def __getattr__(self, name: str) -> None:
            raise KeyboardInterrupt

    monkeypatch.setitem(sys.modules, "tapeemu.cli", Interrupted())
    with pytest.raises(SystemExit) as ended:
        program.main()
    assert ended.value.code == 130
