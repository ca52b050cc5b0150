"""What works on a batch: this process, several, or the workers of a cluster; by joblib and its backends."""

import os
import pickle
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

from tapeemu.errors import ParameterError, TapeemuError
from tapeemu.files.part_files import reason
from tapeemu.interruptions import held_interruptions
from tapeemu.rendering.plan import Failure, Item
from tapeemu.rendering.progress import Counters, Progress, counting

__all__ = ["Task", "Workers"]

_ROUNDS = 3

Task = tuple[Any, ...]
"""A function that can be sent to another process, and its arguments; it is given `progress` as well."""
_Place = tuple[str, int]


class Workers:
    """Runs tasks here, in several processes, or on a cluster.

    Parameters
    ----------
    jobs : int
        Processes at a time; 1 works in this one.
    cluster : str or None
        Address of a dask scheduler, whose workers then do the work.
    progress : callable or None
        Told about the frames of each file, except on a cluster.

    Raises
    ------
    ParameterError
        If the cluster cannot be reached.
    """

    def __init__(self, jobs: int, cluster: str | None, progress: Progress | None) -> None:
        self._jobs = jobs
        self._progress = progress
        self._client: Any = None if cluster is None else _connect(cluster)

    def close(self) -> None:
        """Disconnect from the cluster."""
        if self._client is not None:
            self._client.close()

    def run(
        self,
        tasks: Mapping[Item, Task],
        finished: Callable[[Item], None] = lambda _: None,
        again: Callable[[Item, Task], Task] = lambda _, task: task,
    ) -> dict[Item, Any]:
        """Result of each task by its item; `finished` is told of each.

        A process that is killed takes the others' work with it, which is then tried again with the tasks that
        `again` makes of theirs.

        Raises
        ------
        ParameterError
            If a task cannot be sent to another process.
        """
        if self._client is not None or self._jobs > 1:
            return self._run_elsewhere(tasks, finished, again)
        results = {}
        for item, (function, *arguments) in tasks.items():
            results[item] = function(*arguments, progress=self._progress)
            finished(item)
        return results

    def _run_elsewhere(
        self,
        tasks: Mapping[Item, Task],
        finished: Callable[[Item], None],
        again: Callable[[Item, Task], Task],
    ) -> dict[Item, Any]:
        from concurrent.futures.process import BrokenProcessPool

        results: dict[Item, Any] = {}
        if not tasks:
            return results
        sources = [item.source for item in tasks]
        with Counters.shown(sources, self._progress if self._client is None else None) as counters:
            places = {
                item: None if counters is None else counters.place_of(number) for number, item in enumerate(tasks)
            }
            for attempt in range(_ROUNDS):
                rest = {
                    item: again(item, task) if attempt else task
                    for item, task in tasks.items()
                    if item not in results
                }
                try:
                    for item, result in self._parallel(rest, places):
                        results[item] = result
                        finished(item)
                except BrokenProcessPool:
                    continue
                except pickle.PicklingError:
                    raise ParameterError(
                        "the chain holds an object that cannot be sent to another process; render it with one job"
                    ) from None
                return results
        error = TapeemuError(
            "a process of the batch was ended from outside, as happens when memory runs out; run it again "
            "with fewer jobs"
        )
        return {item: results.get(item, Failure.of(item.source, error)) for item in tasks}

    def _parallel(
        self, tasks: Mapping[Item, Task], places: Mapping[Item, _Place | None]
    ) -> Iterator[tuple[Item, Any]]:
        import joblib

        master = folder = None
        backend: dict[str, Any] = {"backend": "dask"}
        if self._client is None:
            master, folder = os.getpid(), Path.cwd()
            backend = {"backend": "loky", "n_jobs": self._jobs}
        with joblib.parallel_config(**backend):
            # Files that take next to no time, as those of a resumed batch, go in bundles of up to two seconds.
            parallel = joblib.Parallel(return_as="generator_unordered", batch_size="auto", pre_dispatch="2*n_jobs")
            with held_interruptions():
                results = parallel(
                    joblib.delayed(_call)(item, task, master, folder, places[item]) for item, task in tasks.items()
                )
            yield from results


_watching = False


def _call(
    item: Item, task: Task, master: int | None, folder: Path | None, place: _Place | None
) -> tuple[Item, Any]:
    global _watching
    if folder is not None and os.getpid() != master and Path.cwd() != folder:
        os.chdir(folder)  # the process may be one of an earlier batch, and names are those of the master's folder
    if master is not None and not _watching and os.getpid() != master:
        _watching = True
        threading.Thread(target=_end_with, args=(master,), daemon=True).start()
    function, *arguments = task
    return item, function(*arguments, progress=None if place is None else counting(place))


def _end_with(master: int) -> None:
    """End this process once the one that started it is gone; a killed one cannot ask for that."""
    while os.getppid() == master:
        time.sleep(0.5)
    os._exit(1)


def _connect(address: str) -> Any:
    try:
        from distributed import Client
    except ImportError:
        raise ParameterError(
            "a cluster needs dask, which is not installed; install the extra: pip install 'tapeemu[cluster]'"
        ) from None
    try:
        return Client(address, timeout=5)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TypeError) as error:
        raise ParameterError(
            f"the cluster at {address!r} cannot be reached ({reason(error)}); start a dask scheduler there, or "
            "check the address"
        ) from None
