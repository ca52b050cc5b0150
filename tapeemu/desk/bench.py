"""Figures measured by the laboratory behind the desk, one chain at a time, the newest first.

Readings come as they are made: a chain that was changed meanwhile is given up between two of them.
"""

import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tapeemu.chain import Chain
from tapeemu.errors import TapeemuError
from tapeemu.presets import load_preset
from tapeemu.presets.kept_figures import DECAY_BANDS_HZ
from tapeemu.presets.measuring import measure_chain, measure_preset
from tapeemu.presets.writing import save_preset

__all__ = ["Bench"]

_STEPS: tuple[tuple[str, ...], ...] = (
    ("thd_reference_percent", "harmonic_2_reference_db", "harmonic_3_reference_db"),
    ("weighted_flutter_percent", "level_fluctuation_peak_db"),
    ("mol_3_percent_db",),
    tuple(f"decay_{band}hz_seconds" for band in DECAY_BANDS_HZ),
    ("noise_a_weighted_db",),
)
"""Figures that are read together, those that come soonest first."""


class Bench:
    """A laboratory that works in the background."""

    def __init__(self) -> None:
        self._lock = threading.Condition()
        self._number = 0
        self._chain: Chain | None = None
        self._files: list[Path] = []
        self._found: dict[str, Any] = {}
        self._done = True
        self._thread: threading.Thread | None = None

    def measure(self, chain: Chain) -> int:
        """Measure a chain next, and give up the one before; returns the number to ask for."""
        with self._lock:
            self._number += 1
            self._chain, self._found, self._done = chain, {}, False
            self._work()
            return self._number

    def measure_file(self, path: Path) -> None:
        """Measure a preset's file when nothing else is wanted, and write the figures into it."""
        with self._lock:
            self._files.append(path)
            self._work()

    def figures(self, number: str) -> dict[str, Any]:
        """What is known of a chain: values and units by key, and whether more will come."""
        with self._lock:
            if number != str(self._number):
                return {"number": self._number, "figures": {}, "done": True}
            return {"number": self._number, "figures": dict(self._found), "done": self._done}

    def _work(self) -> None:
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, daemon=True)
            self._thread.start()
        self._lock.notify_all()

    def _run(self) -> None:
        while True:
            with self._lock:
                while self._chain is None and not self._files:
                    self._lock.wait()
                number, chain, self._chain = self._number, self._chain, None
                path = self._files.pop(0) if chain is None else None
            if chain is not None:
                self._measure(number, chain)
            elif path is not None:
                _write_figures(path)

    def _measure(self, number: int, chain: Chain) -> None:
        for found in _readings(chain):
            with self._lock:
                if number != self._number:
                    return
                self._found |= found
        with self._lock:
            if number == self._number:
                self._done = True


def _readings(chain: Chain) -> Iterator[dict[str, Any]]:
    for keys in _STEPS:
        try:
            measured, _ = measure_chain(chain, keys=keys, seeds=(1,))
        except TapeemuError:
            yield {}
            continue
        yield {key: [figure.reading.value, figure.reading.unit] for key, figure in measured.figures.items()}


def _write_figures(path: Path) -> None:
    """Measure a preset's file as the laboratory does, unless it was changed or removed meanwhile."""
    try:
        before = load_preset(path)
        preset, _ = measure_preset(before)
        if load_preset(path).text == before.text:
            save_preset(preset, path, overwrite=True)
    except TapeemuError:
        return
