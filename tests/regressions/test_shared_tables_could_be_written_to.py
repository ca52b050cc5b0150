"""Tables that all streams share could be written to."""

import functools
import gc
import importlib
import pkgutil
from collections.abc import Iterator
from typing import Any

import numpy as np

import tapeemu
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
