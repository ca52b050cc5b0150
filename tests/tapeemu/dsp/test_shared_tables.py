"""What many streams read at once, none may write to."""

import functools
import gc
import importlib
import pkgutil
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

import tapeemu
from tapeemu.dsp.shared_tables import read_only, shared
from tapeemu.processors import processor_kinds


def arrays(value: Any, depth: int = 0) -> Iterator[np.ndarray]:
    """Arrays that an object holds, however deep in tuples and caches."""
    if isinstance(value, np.ndarray):
        yield value
    elif depth < 6 and not isinstance(value, type) and not callable(value):
        for part in gc.get_referents(value):
            yield from arrays(part, depth + 1)


def test_no_table_in_a_cache_or_a_module_can_be_written_to() -> None:
    audio = np.zeros((2, 100))
    for kind, made in processor_kinds().items():
        if not kind.startswith("plugin"):
            made()(audio, sample_rate=48_000)
    tapeemu.AmplitudeFlutter(mode="spacing")(audio, sample_rate=48_000)
    found = 0
    for info in pkgutil.walk_packages(tapeemu.__path__, "tapeemu."):
        if info.name.endswith("__main__"):
            continue
        for name, value in vars(importlib.import_module(info.name)).items():
            if isinstance(value, functools._lru_cache_wrapper):
                held = [table for part in gc.get_referents(value) for table in arrays(part)]
            else:
                held = [value] if isinstance(value, np.ndarray) else []
            for table in held:
                assert not table.flags.writeable, f"{info.name}.{name}"
            found += len(held)
    assert found >= 2  # the search finds what there is


def test_a_writer_is_told() -> None:
    table = shared(maxsize=1)(lambda: np.ones((4, 4)))()
    with pytest.raises(ValueError, match="read-only"):
        table[3, 3] = 2.0


def test_tuples_are_locked_through_and_calls_share_one_result() -> None:
    @shared(maxsize=2)
    def design(size: int) -> tuple[np.ndarray, tuple[np.ndarray, int]]:
        """Words."""
        return np.ones(size), (np.zeros(size), size)

    first, (second, _) = design(3)
    assert not first.flags.writeable
    assert not second.flags.writeable
    assert design(3)[0] is first
    assert design.__doc__ == "Words."
    assert read_only("text") == "text"
