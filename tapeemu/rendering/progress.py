"""How far the files are: told by the process that renders, or read from the counters of its workers."""

import contextlib
import tempfile
import threading
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np

__all__ = ["Counters", "Progress", "counting"]

_COUNTER_BYTES = 16
_LOOK_SECONDS = 0.25

Progress = Callable[[Path, int, int], None]
"""Called with the source, the input frames done, and all of them (0 where the header does not know)."""


class Counters:
    """Frames done and frames in all of each file, in a file that the workers write and this process reads.

    Two numbers of eight bytes a file, each written in one piece; what is read between the two is at most one
    report old.
    """

    def __init__(self, path: Path, sources: Sequence[Path]) -> None:
        self._path = path
        self._sources = sources
        path.write_bytes(bytes(_COUNTER_BYTES * len(sources)))

    @classmethod
    @contextlib.contextmanager
    def shown(cls, sources: Sequence[Path], progress: Progress | None) -> Iterator["Counters | None"]:
        """Counters that are looked at and told a few times a second while the block runs; None for nobody."""
        if progress is None:
            yield None
            return
        ended = threading.Event()
        with tempfile.TemporaryDirectory(prefix="tapeemu-") as folder:
            counters = cls(Path(folder) / "progress", sources)
            watcher = threading.Thread(target=counters._watch, args=(progress, ended), daemon=True)
            watcher.start()
            try:
                yield counters
            finally:
                ended.set()
                watcher.join()

    def place_of(self, number: int) -> tuple[str, int]:
        """File and offset at which the work on a source is counted."""
        return str(self._path), _COUNTER_BYTES * number

    def _watch(self, progress: Progress, ended: threading.Event) -> None:
        before = np.zeros((len(self._sources), 2), dtype=np.int64)
        last = False
        while not last:
            last = ended.wait(_LOOK_SECONDS)
            now = np.fromfile(self._path, dtype=np.int64).reshape(-1, 2)
            for number in np.flatnonzero(np.any(now != before, axis=1)).tolist():
                progress(self._sources[number], int(now[number, 0]), int(now[number, 1]))
            before = now


def counting(place: tuple[str, int]) -> Progress:
    """A progress that writes into a file of counters, at a place from :meth:`Counters.place_of`."""
    path, offset = place

    def count(_: Path, done: int, of: int) -> None:
        # A place that has gone belongs to a run that has ended.
        with contextlib.suppress(OSError), Path(path).open("r+b") as file:
            file.seek(offset)
            file.write(np.array([done, of], dtype=np.int64).tobytes())

    return count
