"""Ctrl-C printed tracebacks: of a laboratory that was still loading, and of processes that a command used."""

import signal
import sys
from collections.abc import Sequence
from importlib.machinery import ModuleSpec
from pathlib import Path
from types import ModuleType

import pytest

from measure.__main__ import run
from tapeemu.presets.measuring import in_processes
from tapeemu.rendering.plan import Item
from tapeemu.rendering.workers import Workers


class _Interrupted:
    """A finder of modules during which Ctrl-C is pressed."""

    def find_spec(
        self, name: str, _: Sequence[str] | None = None, __: ModuleType | None = None
    ) -> ModuleSpec | None:
        if name == "measure.command_line":
            raise KeyboardInterrupt
        return None


def test_ctrl_c_while_the_laboratory_loads_is_silent(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(sys.modules, "measure.command_line", raising=False)
    monkeypatch.setattr(sys, "meta_path", [_Interrupted(), *sys.meta_path])
    assert run() == 130


@pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="signals cannot be held back here")
def test_processes_that_work_for_a_command_do_not_hear_ctrl_c(tmp_path: Path) -> None:
    """They are ended by the one that hears it."""

    def hears_ctrl_c(*_: object, progress: object = None) -> bool:
        return signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, ())

    items = [Item(source=tmp_path / name, target=tmp_path / f"{name}.out") for name in ("one", "two")]
    done = Workers(2, None, None).run(dict.fromkeys(items, (hears_ctrl_c,)))
    assert done == dict.fromkeys(items, False)
    assert list(in_processes(hears_ctrl_c, [1, 2], jobs=2)) == [False, False]
    assert hears_ctrl_c()
