"""Many files through one chain.

A file that fails does not stop the others. What is finished stands in a journal in the output folder
(:mod:`tapeemu.rendering.journal`), so that a batch that was stopped can be resumed.
"""

import contextlib
import hashlib
import json
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from tapeemu.errors import OutputError, ParameterError, TapeemuError
from tapeemu.files.part_files import PartFolder, check_target, make_folder, sweep
from tapeemu.processor import Processor
from tapeemu.rendering.balance import Spooled, common_gain_db, finish_spooled, spool_file
from tapeemu.rendering.delivery import Delivery
from tapeemu.rendering.job import Job
from tapeemu.rendering.journal import Entry, Journal, input_digest, result_digest, settings_digest
from tapeemu.rendering.loudness import LevelMeter
from tapeemu.rendering.plan import BatchPlan, Failure, Item
from tapeemu.rendering.progress import Progress
from tapeemu.rendering.render import render_job
from tapeemu.rendering.result import RenderReport
from tapeemu.rendering.side_by_side import jobs_side_by_side, spool_side_by_side
from tapeemu.rendering.workers import Task, Workers

__all__ = ["BatchOutcome", "render_batch"]


@dataclass(frozen=True)
class BatchOutcome:
    """What became of a batch, in the order of its plan."""

    reports: tuple[RenderReport, ...] = ()
    skipped: tuple[Item, ...] = ()
    failures: tuple[Failure, ...] = ()


def render_batch(
    plan: BatchPlan,
    chain: Processor,
    *,
    delivery: Delivery | None = None,
    seed: int | None = None,
    start_seconds: float = 0.0,
    track: int = 0,
    preset: str | None = None,
    jobs: int = 1,
    cluster: str | None = None,
    side_by_side: bool = False,
    resume: bool = False,
    progress: Progress | None = None,
    finished: Callable[[Item], None] = lambda _: None,
) -> BatchOutcome:
    """Render the files of a plan, all on the same tape, whatever becomes of single ones.

    Parameters
    ----------
    plan : BatchPlan
        From :func:`tapeemu.rendering.plan.plan_batch`.
    chain, delivery, seed, start_seconds, preset
        As for :func:`tapeemu.render_file`. With `delivery.keep_balance`, one file that fails while the common gain
        is sought fails them all, since the gain would be another without it.
    track : int
        Track of the first file; each further one lies on the next, in the order of the plan.
    jobs : int
        Processes at a time on this computer; 0 takes one per core. Results do not depend on it.
    cluster : str, optional
        Address of a dask scheduler, whose workers then do the work; they must see the files under the
        same names, and trust this computer: what is sent to them is run.
    side_by_side : bool
        The files lie beside each other on the tape in the order of the plan and are rendered together, see
        :func:`tapeemu.render_files`: in this process, with `jobs` threads, on no cluster. One file that cannot be
        read fails them all.
    resume : bool
        Leave files alone that are finished and whose input and settings have not changed since.
    progress : callable, optional
        Told about the frames of each file, several times a second; not from the workers of a cluster.
    finished : callable
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
    _check_arguments(jobs, cluster, side_by_side)
    if cluster is not None:
        plan = _absolute(plan)
    job = Job(
        chain=chain,
        delivery=delivery or Delivery(),
        seed=seed,
        start_seconds=start_seconds,
        track=track,
        preset=preset,
    )
    # A missing input has an error of its own, which one about too few stems would hide.
    alone = not side_by_side or bool(plan.failures)
    beside = [] if alone else jobs_side_by_side(job, [item.source for item in plan.items])
    make_folder(plan.folder)
    batch = _Batch(job=job, journal=Journal(plan.folder), digest=settings_digest(job), resume=resume)
    known = batch.journal.read() if resume else {}
    folders = {plan.folder, *(item.target.parent for item in plan.items)}
    count = min(jobs or os.cpu_count() or 1, max(len(plan.items), 1))
    with ExitStack() as stack:
        stack.callback(_sweep_all, folders)
        _sweep_all(folders)
        workers = stack.enter_context(closing(Workers(count, cluster, progress)))
        if count > 1 and cluster is None:
            _compile_once(chain)
        if side_by_side:
            results = _together(plan, batch, known, workers, finished, _SideBySide(plan, beside, count, progress))
        elif job.delivery.keep_balance:
            results = _together(plan, batch, known, workers, finished, _Balanced(plan, workers))
        else:
            # Each task gets its own line of the journal: all of it with every task would grow as its square.
            tasks = {
                item: (_render_item, item, batch.on_track(number), known.get(batch.name_of(item)))
                for number, item in enumerate(plan.items)
            }
            results = workers.run(tasks, finished, _again)
    return _outcome(plan, results)


def _check_arguments(jobs: int, cluster: str | None, side_by_side: bool) -> None:
    if jobs < 0:
        raise ParameterError(f"jobs is {jobs}, but must be 0 (one per core) or more")
    if cluster is not None and side_by_side:
        raise ParameterError(
            f"cluster is {cluster!r}, but stems side by side are rendered together in one process; leave one of "
            "the two out"
        )


def _outcome(plan: BatchPlan, results: Mapping[Item, Any]) -> BatchOutcome:
    """What became of each file, sorted into reports, skipped items and failures."""
    ordered = [results[item] for item in plan.items]
    return BatchOutcome(
        reports=tuple(result for result in ordered if isinstance(result, RenderReport)),
        skipped=tuple(result for result in ordered if isinstance(result, Item)),
        failures=(*plan.failures, *(result for result in ordered if isinstance(result, Failure))),
    )


def _absolute(plan: BatchPlan) -> BatchPlan:
    """The same plan for other computers, which have another working folder."""
    items = tuple(Item(item.source.absolute(), item.target.absolute()) for item in plan.items)
    return BatchPlan(plan.folder.absolute(), items, plan.failures)


@dataclass(frozen=True)
class _Batch:
    """What is common to all files of a batch; sent to every worker."""

    job: Job
    journal: Journal
    digest: str
    """SHA-256 of all that decides how a result sounds, besides its own input."""
    resume: bool

    def on_track(self, number: int) -> "_Batch":
        """The batch as it is for the file on a track; the same where all tracks sound alike."""
        job = self.job.on_track(number)
        if job.track == self.job.track:
            return self
        return replace(self, job=job, digest=_digest_of(self.digest, f"track {job.track}"))

    def name_of(self, item: Item) -> str:
        """How a result is called in the journal."""
        return self.journal.name_of(item.target)

    def is_done(self, item: Item, entry: Entry | None) -> bool:
        """Whether the result of a file is there and, by its line in the journal, what this batch would make."""
        if not self.resume or not os.path.lexists(item.target):
            return False
        if (
            entry is not None
            and entry.get("settings") == self.digest
            and item.target.is_file()
            and entry.get("source") == input_digest(item.source)
            and entry.get("target") == result_digest(item.target)
        ):
            return True
        if not self.job.delivery.overwrite:
            raise OutputError(
                f"{item.target} exists, but is not what this batch makes of {item.source}: input, settings or "
                "result have changed since; replace it with --overwrite, or write to another folder"
            )
        return False

    def note_down(self, item: Item) -> Callable[[Path], None]:
        """What writes the line of a result, given the whole file.

        Called before the renaming: a result without a line could not be told from a stranger's file.
        """

        def note(whole: Path) -> None:
            self.journal.add(
                {
                    "name": self.name_of(item),
                    "settings": self.digest,
                    "source": input_digest(item.source),
                    "target": result_digest(whole),
                }
            )

        return note


def _render_item(
    item: Item, batch: _Batch, entry: Entry | None, progress: Progress | None = None
) -> RenderReport | Item | Failure:
    try:
        if batch.is_done(item, entry):
            return item
        make_folder(item.target.parent)
        return render_job(
            item.source, item.target, batch.job, progress=progress, before_renaming=batch.note_down(item)
        )
    except Exception as error:  # whatever one file does, the others are still to be done
        return Failure.of(item.source, error)


def _again(item: Item, task: Task) -> Task:
    """The task of a file for another try.

    A process may be ended after its result took its name and before it could say so. Such a result, known by its
    line in the journal, is this batch's own and may be replaced; a stranger's file still may not.
    """
    function, same, batch, *rest = task
    entry = batch.journal.read().get(batch.name_of(item))
    ours = (
        entry is not None
        and item.target.is_file()
        and entry.get("settings") == batch.digest
        and entry.get("source") == input_digest(item.source)
        and entry.get("target") == result_digest(item.target)
    )
    if not ours:
        return task
    job = replace(batch.job, delivery=batch.job.delivery.replace(overwrite=True))
    return (function, same, replace(batch, job=job), *rest)


class _Balanced:
    """Files that get one gain: each is rendered by itself."""

    refusal = "the balance cannot be kept"
    missing = "another file is missing from the sum"

    def __init__(self, plan: BatchPlan, workers: Workers) -> None:
        self._plan = plan
        self._workers = workers

    def batches(self, batch: _Batch) -> dict[Item, _Batch]:
        """The batch as it is for each file."""
        # The gain depends on every input, so each result does too.
        sources = sorted(input_digest(item.source) for item in self._plan.items)
        whole = replace(batch, digest=_digest_of(batch.digest, *sources))
        return {item: whole.on_track(number) for number, item in enumerate(self._plan.items)}

    def spooled(self, batch: _Batch, batches: Mapping[Item, _Batch], folder: Path) -> dict[Item, Any]:
        """What waits of each file, or why it does not."""
        return self._workers.run(
            {
                item: (_spool_item, item, batches[item], folder / str(number))
                for number, item in enumerate(self._plan.items)
            }
        )


class _SideBySide:
    """Files that lie beside each other on the tape: they are rendered together."""

    refusal = "the stems cannot be rendered side by side"
    missing = "one of them is missing"

    def __init__(self, plan: BatchPlan, beside: Sequence[Job], count: int, progress: Progress | None) -> None:
        self._plan = plan
        self._beside = beside
        self._count = count
        self._progress = progress

    def batches(self, batch: _Batch) -> dict[Item, _Batch]:
        """The batch as it is for each file."""
        # A result depends on what lies beside it, and its comment on the names: on all of them, in their order.
        names = json.dumps([item.source.name for item in self._plan.items])
        sources = [input_digest(item.source) for item in self._plan.items]
        return {
            item: replace(
                batch,
                job=job,
                digest=_digest_of(batch.digest, "side by side", names, *sources, f"{number} on track {job.track}"),
            )
            for number, (item, job) in enumerate(zip(self._plan.items, self._beside, strict=True))
        }

    def spooled(self, batch: _Batch, batches: Mapping[Item, _Batch], folder: Path) -> dict[Item, Any]:
        """What waits of each file, or why none does."""
        items = self._plan.items
        try:
            spooled = spool_side_by_side(
                [item.source for item in items],
                [folder / str(number) for number in range(len(items))],
                targets=[item.target for item in items],
                job=batch.job,
                jobs=self._count,
                progress=self._progress,
            )
        except TapeemuError:
            raise
        except Exception as error:  # reported as an internal error of each
            return {item: Failure.of(item.source, error) for item in items}
        return dict(zip(items, spooled, strict=True))


def _together(
    plan: BatchPlan,
    batch: _Batch,
    known: Mapping[str, Entry],
    workers: Workers,
    finished: Callable[[Item], None],
    way: _Balanced | _SideBySide,
) -> dict[Item, Any]:
    """Render all into spools, find the gain of their sum if it is asked for, then write all that is not done."""
    if not plan.items:
        return {}
    if plan.failures:
        return _all_failed(plan, f"{way.refusal}, since {way.missing}; correct the list of files")
    try:
        batches = way.batches(batch)
        done = {item: item for item in plan.items if batches[item].is_done(item, known.get(batch.name_of(item)))}
        wanted = [item for item in plan.items if item not in done]
        if not wanted:
            return done
        for item in wanted:
            make_folder(item.target.parent)
            check_target(item.target, overwrite=batch.job.delivery.overwrite)
        with PartFolder(plan.folder) as folder:
            spooled = way.spooled(batch, batches, folder)
            failed = {item: result for item, result in spooled.items() if isinstance(result, Failure)}
            if failed:
                source = next(iter(failed.values())).source
                return _all_failed(plan, f"{way.refusal}, since {source} failed") | failed
            delivery = batch.job.delivery
            waiting = [spooled[item] for item in plan.items]
            gain_db = common_gain_db(waiting, delivery) if delivery.keep_balance else None
            last = {item: (_finish_item, item, batches[item], spooled[item], gain_db) for item in wanted}
            return done | workers.run(last, finished, _again)
    except TapeemuError as error:
        told = type(error)(f"{way.refusal}: {error}")
        return {item: Failure.of(item.source, told) for item in plan.items}


def _digest_of(*parts: str) -> str:
    return hashlib.sha256("".join(parts).encode("ascii")).hexdigest()


def _all_failed(plan: BatchPlan, message: str) -> dict[Item, Any]:
    return {item: Failure.of(item.source, ParameterError(message)) for item in plan.items}


def _spool_item(item: Item, batch: _Batch, spool: Path, progress: Progress | None = None) -> Spooled | Failure:
    try:
        return spool_file(item.source, spool, target=item.target, job=batch.job, progress=progress)
    except Exception as error:  # reported with the others
        return Failure.of(item.source, error)


def _finish_item(
    item: Item, batch: _Batch, spooled: Spooled, gain_db: float | None, progress: Progress | None = None
) -> RenderReport | Failure:
    try:
        return finish_spooled(
            spooled, item.target, gain_db=gain_db, job=batch.job, before_renaming=batch.note_down(item)
        )
    except Exception as error:  # reported with the others
        return Failure.of(item.source, error)


def _compile_once(chain: Processor) -> None:
    """Fill the cache of compiled kernels, so that the processes to come need not each do it."""
    silence = np.zeros((2, 256))
    with contextlib.suppress(TapeemuError):  # every file that it concerns reports it
        chain(silence, sample_rate=48_000)
    LevelMeter(sample_rate=48_000, channels=2).add(silence)


def _sweep_all(folders: Iterable[Path]) -> None:
    for folder in folders:
        sweep(folder)
