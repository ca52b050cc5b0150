"""Many files through one chain: folders, patterns, several processes or computers, and where it stopped.

A batch is planned before anything is rendered, so that results that would collide are found in time. A
file that fails does not stop the others. What was finished is written down in a journal in the output
folder, a line a file, so that a batch that was stopped can be resumed: a result is left alone only if
it, its input and the settings are still those of the journal.
"""

import contextlib
import glob
import hashlib
import json
import os
import pickle
import sys
import tempfile
import threading
import time
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from tapeemu.errors import AudioError, OutputError, ParameterError, TapeemuError
from tapeemu.files.audio_file import SUFFIXES, AudioReader
from tapeemu.files.part_files import PartFile, PartFolder, check_target, reason, sweep
from tapeemu.processor import Processor
from tapeemu.rendering.delivery import (
    Delivery,
    Progress,
    RenderReport,
    Spooled,
    common_gain_db,
    finish_spooled,
    render_file,
    spool_file,
    target_in,
)
from tapeemu.rendering.loudness import LevelMeter

__all__ = ["JOURNAL", "BatchOutcome", "BatchPlan", "Failure", "Item", "plan_batch", "render_batch"]

JOURNAL = ".tapeemu-journal"
"""Name of the file in the output folder that tells what is finished."""

_LARGEST_JOURNAL = 256 * 2**20
_COUNTER_BYTES = 16
_LOOK_SECONDS = 0.25
_ROUNDS = 3  # a process that is killed takes the others' work with it; that work is tried again


@dataclass(frozen=True)
class Item:
    """One file of a batch: where it comes from, where it goes."""

    source: Path
    target: Path


@dataclass(frozen=True)
class Failure:
    """A file that could not be done: why, and the class of the error."""

    source: Path
    error: TapeemuError | None
    message: str

    @classmethod
    def of(cls, source: Path, error: Exception) -> "Failure":
        """Failure from an exception; one that was not raised on purpose is an internal error."""
        if isinstance(error, TapeemuError):
            message = str(error)
            return cls(source, error, message if str(source) in message else f"{source}: {message}")
        return cls(source, None, f"{source}: internal error: {type(error).__name__}: {error}; please report it")


@dataclass(frozen=True)
class BatchPlan:
    """What will be rendered, and what of the wishes cannot be.

    Raises
    ------
    OutputError
        If a result would lie outside `folder`, by its name or because a link leads out of it.
    """

    folder: Path
    items: tuple[Item, ...]
    failures: tuple[Failure, ...] = ()

    def __post_init__(self) -> None:
        inside: dict[Path, bool] = {}
        for target in (item.target for item in self.items):
            if target.parent not in inside:
                inside[target.parent] = _leads_into(self.folder, target.parent)
            if target.name in ("", "..") or not inside[target.parent]:
                raise OutputError(
                    f"{target} would lie outside {self.folder}, by its name or by a link; results stay in the "
                    "output folder: name the input otherwise, or choose another folder"
                )


@dataclass(frozen=True)
class BatchOutcome:
    """What became of a batch, in the order of its plan."""

    reports: tuple[RenderReport, ...] = ()
    skipped: tuple[Item, ...] = ()
    failures: tuple[Failure, ...] = field(default=())


def plan_batch(inputs: Sequence[str | Path], out: str | Path, *, delivery: Delivery | None = None) -> BatchPlan:
    """Find the files of a batch and the name of each result.

    Parameters
    ----------
    inputs : sequence of str or Path
        Files; folders, searched with all their sub-folders for sound files (by suffix, hidden ones left
        out); patterns with ``*``, ``?``, ``[...]`` and ``**``. Below a folder, or below the fixed part of
        a pattern, results keep the sub-folders.
    out : str or Path
        Folder for the results. What lies in it is not taken as input.
    delivery : Delivery, optional
        Its container decides the suffix of the results.

    Returns
    -------
    BatchPlan
        Items in the order of the inputs, and a failure for each input that leads to no file.

    Raises
    ------
    ParameterError
        If two results would have the same name, or a pattern goes up behind its first wildcard.
    OutputError
        If a result would replace an input or lie outside `out`.
    """
    delivery = Delivery() if delivery is None else delivery
    folder = Path(out)
    items: list[Item] = []
    failures: list[Failure] = []
    for wish in inputs:
        try:
            found = [
                Item(source, target_in(folder / relative.parent, source, delivery))
                for source, relative in _find(Path(wish), folder)
            ]
        except ParameterError:
            raise
        except (AudioError, OSError, ValueError) as error:
            told = (
                error
                if isinstance(error, AudioError)
                else AudioError(f"{wish} cannot be opened or searched ({reason(error)}); check its name")
            )
            failures.append(Failure.of(Path(wish), told))
            continue
        items.extend(found)
    items = list(dict.fromkeys(items))
    _check_names(items)
    return BatchPlan(folder, tuple(items), tuple(failures))


def _leads_into(folder: Path, place: Path) -> bool:
    """Whether a place lies in a folder, by its name and after links are followed."""
    return place.is_relative_to(folder) and Path(_real(place)).is_relative_to(_real(folder))


def _find(wish: Path, out: Path) -> list[tuple[Path, Path]]:
    """Sound files of one input, each with its place below it."""
    if wish.is_dir():
        found = [(path, path.relative_to(wish)) for path in _walk(wish, out)]
        if not found:
            raise AudioError(f"{wish} is a folder without sound files; name the files, or another folder")
        return found
    if wish.name in ("", ".."):
        raise AudioError(f"{wish} is not an existing folder; check its name")
    if os.path.lexists(wish) or not glob.has_magic(str(wish)):
        return [(wish, Path(wish.name))]
    fixed = wish
    while glob.has_magic(str(fixed)):
        fixed = fixed.parent
    inside = _outside_of(out)
    pattern = str(wish.relative_to(fixed))
    if ".." in Path(pattern).parts:
        # What is found keeps its place below the fixed part, and '..' would lead out of the output folder.
        raise ParameterError(
            f"{wish} goes up ('..') behind its first wildcard, but may only before it; give the folder to search"
        )
    files = sorted(
        path
        for path in fixed.glob(pattern)
        if inside(path)
        and not path.is_dir()
        and ("/." in f"/{pattern}" or not any(part.startswith(".") for part in path.relative_to(fixed).parts))
    )
    if not files:
        raise AudioError(f"{wish} matches no file; check the pattern")
    return [(path, path.relative_to(fixed)) for path in files]


def _walk(folder: Path, out: Path) -> Iterator[Path]:
    wanted = _outside_of(out) if not _same(folder, out) else lambda _: True
    for parent, folders, names in os.walk(folder):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in sorted(names):
            path = Path(parent, name)
            if path.suffix.lower() in SUFFIXES and not name.startswith(".") and wanted(path):
                yield path


def _outside_of(out: Path) -> Callable[[Path], bool]:
    results = out.resolve()
    return lambda path: not path.parent.resolve().is_relative_to(results)


def _same(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except OSError:
        return False


def _real(path: Path) -> str:
    try:
        return os.path.realpath(path)
    except (OSError, ValueError):  # not a possible name, which is told when it is opened
        return str(path)


def _check_names(items: Iterable[Item]) -> None:
    taken: dict[str, Item] = {}
    sources = {_real(item.source): item.source for item in items}
    for item in items:
        name = str(item.target)
        if sys.platform in ("win32", "darwin"):  # file systems that take these for one name
            name = unicodedata.normalize("NFC", name).casefold()
        if name in taken:
            raise ParameterError(
                f"{taken[name].source} and {item.source} would both become {item.target}; rename one, or render "
                "them into different folders"
            )
        taken[name] = item
        own = sources.get(_real(item.target))
        if own is not None:
            raise OutputError(f"{item.target} is an input ({own}); write to another folder")


def render_batch(
    plan: BatchPlan,
    chain: Processor,
    *,
    delivery: Delivery | None = None,
    seed: int | None = None,
    start_seconds: float = 0.0,
    preset: str | None = None,
    jobs: int = 1,
    cluster: str | None = None,
    resume: bool = False,
    progress: Progress | None = None,
    finished: Callable[[Item], None] | None = None,
) -> BatchOutcome:
    """Render the files of a plan, all on the same tape, whatever becomes of single ones.

    Parameters
    ----------
    plan : BatchPlan
        From :func:`plan_batch`.
    chain, delivery, seed, start_seconds, preset
        As for :func:`tapeemu.rendering.delivery.render_file`. With `delivery.keep_balance`, one file that fails
        while the common gain is sought fails them all, since the gain would be another without it.
    jobs : int
        Processes at a time on this computer; 0 takes one per core. Results do not depend on it.
    cluster : str, optional
        Address of a dask scheduler, whose workers then do the work; they must see the files under the
        same names, and trust this computer: what is sent to them is run.
    resume : bool
        Leave files alone that are finished and whose input and settings have not changed since.
    progress : callable, optional
        Told about the frames of each file, several times a second; not from the workers of a cluster.
    finished : callable, optional
        Told about every item that is done, skipped or failed.

    Returns
    -------
    BatchOutcome
        Reports, skipped items, failures.

    Raises
    ------
    OutputError
        If the output folder cannot be made.
    ParameterError
        If an argument breaks a rule, or the cluster cannot be reached.
    """
    delivery = Delivery() if delivery is None else delivery
    if jobs < 0:
        raise ParameterError(f"jobs is {jobs}, but must be 0 (one per core) or more")
    if cluster is not None:  # other computers have another working folder
        items = tuple(Item(item.source.absolute(), item.target.absolute()) for item in plan.items)
        plan = BatchPlan(plan.folder.absolute(), items, plan.failures)
    _make_folder(plan.folder)
    journal = _Journal(plan.folder)
    job = _Job(
        chain=chain,
        delivery=delivery,
        seed=seed,
        start_seconds=start_seconds,
        journal=journal,
        settings_digest=_settings_digest(chain, delivery, seed, start_seconds),
        preset=preset,
        resume=resume,
    )
    known = journal.read() if resume else {}
    folders = {plan.folder, *(item.target.parent for item in plan.items)}
    count = min(jobs or os.cpu_count() or 1, max(len(plan.items), 1))
    with ExitStack() as stack:
        stack.callback(_sweep_all, folders)
        _sweep_all(folders)
        workers = stack.enter_context(closing(_Workers(count, cluster, progress)))
        if count > 1 and cluster is None:
            _compile_once(chain)
        if not plan.items:
            results: dict[Item, Any] = {}
        elif delivery.keep_balance and delivery.sets_level:
            results = _balanced(plan, job, known, workers, finished)
        else:
            # Each task gets its own line of the journal: all of it with every task would grow as its square.
            tasks = {
                item: (_render_item, item, job, known.get(journal.name_of(item.target))) for item in plan.items
            }
            results = workers.run(tasks, finished)
    ordered = [results[item] for item in plan.items]
    return BatchOutcome(
        reports=tuple(result for result in ordered if isinstance(result, RenderReport)),
        skipped=tuple(result for result in ordered if isinstance(result, Item)),
        failures=(*plan.failures, *(result for result in ordered if isinstance(result, Failure))),
    )


@dataclass(frozen=True)
class _Job:
    """What is common to all files of a batch; sent to every worker."""

    chain: Processor
    delivery: Delivery
    seed: int | None
    start_seconds: float
    journal: "_Journal"
    settings_digest: str
    preset: str | None
    resume: bool


def _render_item(
    item: Item, job: _Job, entry: "_Entry | None", progress: Progress | None = None
) -> RenderReport | Item | Failure:
    try:
        if _is_done(item, job, job.settings_digest, entry):
            return item
        _make_folder(item.target.parent)
        return render_file(
            item.source,
            job.chain,
            item.target,
            delivery=job.delivery,
            seed=job.seed,
            start_seconds=job.start_seconds,
            preset=job.preset,
            progress=progress,
            before_renaming=_note_down(item, job, job.settings_digest),
        )
    except Exception as error:  # whatever one file does, the others are still to be done
        return Failure.of(item.source, error)


def _is_done(item: Item, job: _Job, settings_digest: str, entry: "_Entry | None") -> bool:
    """Whether the result of a file is there and still what this batch would make."""
    if not job.resume or not os.path.lexists(item.target):
        return False
    if (
        entry is not None
        and entry.get("settings") == settings_digest
        and item.target.is_file()
        and entry.get("source") == _digest(item.source, AudioError)
        and entry.get("target") == _digest(item.target, OutputError)
    ):
        return True
    if not job.delivery.overwrite:
        raise OutputError(
            f"{item.target} exists, but is not what this batch makes of {item.source}: input, settings or result "
            "have changed since; replace it with --overwrite, or write to another folder"
        )
    return False


def _note_down(item: Item, job: _Job, settings_digest: str) -> Callable[[Path], None]:
    def note(whole: Path) -> None:
        # Before the renaming: a result without a line could not be told from a stranger's file.
        job.journal.add(
            {
                "name": job.journal.name_of(item.target),
                "settings": settings_digest,
                "source": _digest(item.source, AudioError),
                "target": _digest(whole, OutputError),
            }
        )

    return note


def _balanced(
    plan: BatchPlan,
    job: _Job,
    known: "dict[str, _Entry]",
    workers: "_Workers",
    finished: Callable[[Item], None] | None,
) -> dict[Item, Any]:
    """Render all, find the gain of their sum, then write all."""
    if plan.failures:
        error = ParameterError(
            "the balance cannot be kept, since another file is missing from the sum; correct the list of files"
        )
        return {item: Failure.of(item.source, error) for item in plan.items}
    try:
        # The gain hangs on every input, so each result does too.
        sources = sorted(_digest(item.source, AudioError) for item in plan.items)
        digest = hashlib.sha256("".join([job.settings_digest, *sources]).encode("ascii")).hexdigest()
        done = {
            item for item in plan.items if _is_done(item, job, digest, known.get(job.journal.name_of(item.target)))
        }
        if len(done) == len(plan.items):
            return {item: item for item in plan.items}
        for item in plan.items:
            if item not in done:
                _make_folder(item.target.parent)
                check_target(item.target, overwrite=job.delivery.overwrite)
        with PartFolder(plan.folder) as folder:
            tasks = {
                item: (_spool_item, item, job, folder / str(number)) for number, item in enumerate(plan.items)
            }
            spooled = workers.run(tasks, None)
            failed = [result for result in spooled.values() if isinstance(result, Failure)]
            if failed:
                error = ParameterError(f"the balance cannot be kept, since {failed[0].source} failed")
                return {
                    item: spooled[item] if isinstance(spooled[item], Failure) else Failure.of(item.source, error)
                    for item in plan.items
                }
            gain_db = common_gain_db([spooled[item] for item in plan.items], job.delivery)
            last = {
                item: (_finish_item, item, job, digest, spooled[item], gain_db)
                for item in plan.items
                if item not in done
            }
            return {item: item for item in done} | workers.run(last, finished)
    except TapeemuError as error:
        told = type(error)(f"the balance cannot be kept: {error}")
        return {item: Failure.of(item.source, told) for item in plan.items}


def _spool_item(item: Item, job: _Job, spool: Path, progress: Progress | None = None) -> Spooled | Failure:
    try:
        return spool_file(
            item.source,
            job.chain,
            spool,
            target=item.target,
            delivery=job.delivery,
            seed=job.seed,
            start_seconds=job.start_seconds,
            progress=progress,
        )
    except Exception as error:  # told with the others
        return Failure.of(item.source, error)


def _finish_item(
    item: Item, job: _Job, digest: str, rendered: Spooled, gain_db: float, progress: Progress | None = None
) -> RenderReport | Failure:
    try:
        return finish_spooled(
            rendered,
            item.target,
            job.chain,
            gain_db=gain_db,
            delivery=job.delivery,
            seed=job.seed,
            start_seconds=job.start_seconds,
            preset=job.preset,
            before_renaming=_note_down(item, job, digest),
        )
    except Exception as error:  # told with the others
        return Failure.of(item.source, error)


class _Workers:
    """Runs tasks here, in several processes, or on a cluster: by joblib and its backends."""

    def __init__(self, jobs: int, cluster: str | None, progress: Progress | None) -> None:
        self._jobs = jobs
        self._progress = progress
        self._client: Any = None
        if cluster is not None:
            self._client = _connect(cluster)

    def close(self) -> None:
        """Let go of the cluster."""
        if self._client is not None:
            self._client.close()

    def run(self, tasks: dict[Item, tuple[Any, ...]], finished: Callable[[Item], None] | None) -> dict[Item, Any]:
        """Result of each task by its item."""
        results: dict[Item, Any] = {}
        if not tasks:
            return results
        if self._client is None and self._jobs == 1:
            for item, (function, *arguments) in tasks.items():
                results[item] = function(*arguments, progress=self._progress)
                if finished is not None:
                    finished(item)
            return results
        from concurrent.futures.process import BrokenProcessPool

        with _Counters.shown(tasks, self._progress if self._client is None else None) as counters:
            for _ in range(_ROUNDS):
                rest = {item: task for item, task in tasks.items() if item not in results}
                try:
                    for item, result in self._parallel(rest, counters):
                        results[item] = result
                        if finished is not None:
                            finished(item)
                    return results
                except BrokenProcessPool:
                    continue
                except pickle.PicklingError:
                    raise ParameterError(
                        "the chain holds an object that cannot be sent to another process; render it with one job"
                    ) from None
        for item in tasks:
            if item not in results:
                error = TapeemuError(
                    "a process of the batch was ended from outside, as happens when memory runs out; run it again "
                    "with fewer jobs"
                )
                results[item] = Failure.of(item.source, error)
        return results

    def _parallel(
        self, tasks: dict[Item, tuple[Any, ...]], counters: "_Counters | None"
    ) -> Iterator[tuple[Item, Any]]:
        import joblib

        master = None
        backend: dict[str, Any] = {"backend": "dask"}
        if self._client is None:
            master = os.getpid()
            backend = {"backend": "loky", "n_jobs": self._jobs}
        with joblib.parallel_config(**backend):
            parallel = joblib.Parallel(return_as="generator_unordered", batch_size=1, pre_dispatch="2*n_jobs")
            yield from parallel(
                joblib.delayed(_call)(item, task, master, None if counters is None else counters.place_of(item))
                for item, task in tasks.items()
            )


class _Counters:
    """Frames done and frames in all of each file, in a file that the workers write and this process reads.

    Two numbers of eight bytes a file, each written in one piece; what is read between the two is at most one
    report old.
    """

    def __init__(self, path: Path, items: Iterable[Item]) -> None:
        self._path = path
        self._items = list(items)
        self._numbers = {item: number for number, item in enumerate(self._items)}
        path.write_bytes(bytes(_COUNTER_BYTES * len(self._items)))

    @classmethod
    @contextlib.contextmanager
    def shown(cls, items: Iterable[Item], progress: Progress | None) -> Iterator["_Counters | None"]:
        """Counters that are looked at and told a few times a second while the block runs; None for nobody."""
        if progress is None:
            yield None
            return
        ended = threading.Event()
        with tempfile.TemporaryDirectory(prefix="tapeemu-") as folder:
            counters = cls(Path(folder) / "progress", items)
            watcher = threading.Thread(target=counters._watch, args=(progress, ended), daemon=True)
            watcher.start()
            try:
                yield counters
            finally:
                ended.set()
                watcher.join()

    def place_of(self, item: Item) -> tuple[str, int]:
        """File and offset at which the work on an item is counted."""
        return str(self._path), _COUNTER_BYTES * self._numbers[item]

    def _watch(self, progress: Progress, ended: threading.Event) -> None:
        before = np.zeros((len(self._items), 2), dtype=np.int64)
        last = False
        while not last:
            last = ended.wait(_LOOK_SECONDS)
            now = np.fromfile(self._path, dtype=np.int64).reshape(-1, 2)
            for number in np.flatnonzero(np.any(now != before, axis=1)):
                progress(self._items[number].source, int(now[number, 0]), int(now[number, 1]))
            before = now


def _counting(place: tuple[str, int]) -> Progress:
    """A progress that writes into a file of counters."""
    path, offset = place

    def count(_: Path, done: int, of: int) -> None:
        # A place that has gone belongs to a run that has ended.
        with contextlib.suppress(OSError), Path(path).open("r+b") as file:
            file.seek(offset)
            file.write(np.array([done, of], dtype=np.int64).tobytes())

    return count


def _compile_once(chain: Processor) -> None:
    """Fill the cache of compiled kernels, so that the processes to come need not each do it."""
    silence = np.zeros((2, 256))
    with contextlib.suppress(TapeemuError):  # it will be told of every file that it concerns
        chain(silence, sample_rate=48_000)
    LevelMeter(sample_rate=48_000, channels=2).add(silence)


_watching = False


def _call(
    item: Item, task: tuple[Any, ...], master: int | None, place: tuple[str, int] | None
) -> tuple[Item, Any]:
    global _watching
    if master is not None and not _watching and os.getpid() != master:
        _watching = True
        threading.Thread(target=_end_with, args=(master,), daemon=True).start()
    function, *arguments = task
    return item, function(*arguments, progress=None if place is None else _counting(place))


def _end_with(master: int) -> None:
    """End this process once its master is gone, which a killed master cannot ask for."""
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


_Entry = dict[str, str]
"""One line of the journal; docs/journal.md says what each key means."""


class _Journal:
    """The lines of what is finished, in the output folder."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._path = folder / JOURNAL

    def name_of(self, target: Path) -> str:
        """How a result is called in the journal."""
        return target.relative_to(self._folder).as_posix()

    def read(self) -> dict[str, _Entry]:
        """The last entry of each result, and the file itself made short again.

        A line that a dying process left unfinished is passed over; so is anything that is not ours.
        """
        try:
            if not self._path.is_file() or self._path.stat().st_size > _LARGEST_JOURNAL:
                return {}
            lines = self._path.read_bytes().splitlines()
        except OSError:
            return {}
        entries = {}
        for line in lines:
            try:
                entry = json.loads(line)
            except (ValueError, RecursionError):
                continue
            if isinstance(entry, dict) and all(isinstance(value, str) for value in entry.values()):
                entries[entry.get("name", "")] = entry
        if len(lines) > 2 * len(entries) + 64:
            part = PartFile(self._path, overwrite=True)
            part.path.write_bytes(b"".join(map(_line, entries.values())))
            part.publish()
        return entries

    def add(self, entry: _Entry) -> None:
        """Add one line, in one write, so that lines of several processes never mix."""
        try:
            descriptor = os.open(
                self._path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o666
            )
            try:
                os.write(descriptor, _line(entry))
            finally:
                os.close(descriptor)
        except OSError as error:
            raise OutputError(
                f"{self._path} cannot be written ({reason(error)}); check the permissions and space of its folder"
            ) from None


def _line(entry: _Entry) -> bytes:
    # In front as well: the line before may have been cut off.
    return b"\n" + json.dumps(entry).encode("ascii") + b"\n"


def _settings_digest(chain: Processor, delivery: Delivery, seed: int | None, start_seconds: float) -> str:
    from tapeemu import __version__

    try:
        stages: Any = chain.to_dict()
    except ParameterError:  # objects from outside have no settings; nothing made with them is ever skipped
        stages = os.urandom(16).hex()
    # What may be replaced or clipped makes no other sound.
    consent_aside = delivery.replace(overwrite=False, allow_clipping=False)
    text = json.dumps([__version__, stages, consent_aside.to_dict(), seed, start_seconds], sort_keys=True)
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def _digest(path: Path, error_class: type[TapeemuError]) -> str:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except (OSError, ValueError) as error:
        if error_class is AudioError:
            AudioReader(path)  # says it better
        raise error_class(f"{path} cannot be read ({reason(error)}); check its permissions") from None


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as error:
        raise OutputError(f"{folder} cannot be made ({reason(error)}); choose another folder") from None


def _sweep_all(folders: Iterable[Path]) -> None:
    for folder in folders:
        sweep(folder)
