"""``tapeemu process``: stems through a chain, into files."""

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from tapeemu.cli.common import (
    CHANGES,
    EXIT_INTERNAL,
    PRESET,
    SEED,
    START_SECONDS,
    STEMS,
    Bar,
    chain_from_options,
    complain,
    exit_status,
    listen_to_compilation,
    printable,
    show,
    table,
    write_json,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tapeemu.rendering.batch import BatchOutcome
    from tapeemu.rendering.delivery import Delivery
    from tapeemu.rendering.plan import BatchPlan, Item
    from tapeemu.rendering.result import RenderReport

__all__ = ["print_reports", "process"]


def process(
    stems: list[str] = STEMS,
    preset: str = PRESET,
    out: Path = typer.Option(..., "--out", "-o", help="Folder for the results; made if it is missing."),
    order: str | None = typer.Option(
        None, help="Stage names in the order wanted, joined by commas; those left out stay where they are."
    ),
    changes: list[str] = CHANGES,
    seed: int | None = SEED,
    start_seconds: float = START_SECONDS,
    track: int = typer.Option(
        0,
        help="Track of the first stem; each further one lies on the next. What a stage adds of its own, such as "
        "hiss, is independent from track to track; all else is the same on every track.",
    ),
    container: str | None = typer.Option(
        None,
        "--format",
        help="wav, rf64, aiff, caf, flac, ogg or mp3; left out: that of the input, or wav where that is lossy.",
    ),
    depth: str | None = typer.Option(None, help="16, 24, 32, float or double; left out: that of the input."),
    rate: int | None = typer.Option(None, help="Sample rate in Hz; left out: that of the input."),
    tail_seconds: float | None = typer.Option(
        None, help="How many seconds the output outlasts the input; left out: until it has faded, by level."
    ),
    tail_level_db: float | None = typer.Option(
        None, help="Level re the signal, in dB, at which a tail may end; left out: -60. Not beside --tail-seconds."
    ),
    loudness_lufs: float | None = typer.Option(None, help="Bring each file to this integrated loudness (LUFS)."),
    true_peak_dbtp: float | None = typer.Option(
        None, help="Highest true peak (dBTP); without --loudness-lufs, the level the true peak is brought to."
    ),
    keep_balance: bool = typer.Option(
        False,
        "--keep-balance",
        help="Reach loudness and true peak with the sum of the stems, by one gain for all.",
    ),
    side_by_side: bool = typer.Option(
        False,
        "--side-by-side",
        help="Render the stems together, their channels beside each other on the tape in the order given, so that "
        "each hears its neighbours where the chain has crosstalk. One sample rate for all; each result lasts as "
        "long as what it hears. Not on a cluster.",
    ),
    dither: bool = typer.Option(True, help="Triangular dither where samples become integers."),
    allow_clipping: bool = typer.Option(
        False, "--allow-clipping", help="Write files that clip; otherwise that is an error."
    ),
    overwrite: bool = typer.Option(False, "--overwrite", help="Replace files that exist."),
    jobs: int = typer.Option(1, "--jobs", "-j", help="Files rendered at a time; 0 is one per core."),
    cluster: str | None = typer.Option(None, help="Address of a dask scheduler that shall do the work."),
    resume: bool = typer.Option(
        False,
        "--resume",
        help="Leave alone each file that is finished, if its input, its settings and its result are unchanged. "
        "The journal .tapeemu-journal in the folder of results tells: a line a file, each a JSON object with name "
        "(of the result, below that folder), settings, source and target (SHA-256 of settings, input and result).",
    ),
    as_json: bool = typer.Option(False, "--json", help="Print the summary as JSON."),
) -> None:
    """Put stems through a chain of tape artefacts, all on the same tape."""
    from tapeemu.presets import find_preset
    from tapeemu.rendering.batch import render_batch
    from tapeemu.rendering.delivery import Delivery
    from tapeemu.rendering.plan import plan_batch

    delivery = Delivery(
        container=container,
        depth=depth,  # type: ignore[arg-type]  # checked by the settings themselves
        sample_rate_hz=rate,
        tail_seconds=tail_seconds,
        **({} if tail_level_db is None else {"tail_level_db": tail_level_db}),
        loudness_lufs=loudness_lufs,
        true_peak_dbtp=true_peak_dbtp,
        keep_balance=keep_balance,
        dither=dither,
        allow_clipping=allow_clipping,
        overwrite=overwrite,
    )
    chain = chain_from_options(preset, order=order, changes=changes)
    plan = plan_batch(stems, out, delivery=delivery)
    listen_to_compilation()
    count = _Count(plan)
    with count.bar:
        outcome = render_batch(
            plan,
            chain,
            delivery=delivery,
            seed=seed,
            start_seconds=start_seconds,
            track=track,
            preset=find_preset(preset).name,
            jobs=jobs,
            cluster=cluster,
            side_by_side=side_by_side,
            resume=resume,
            progress=count.of_one_file if count.bar.visible else None,
            finished=count.finished,
        )
    if as_json:
        write_json(_as_plain(outcome))
    else:
        _print_outcome(outcome, delivery)
    if outcome.failures:
        _end_with_failures(outcome)


def _print_outcome(outcome: "BatchOutcome", delivery: "Delivery") -> None:
    """Print a line a file, what is the same for all files, and how many were left alone."""
    print_reports(outcome.reports)
    if outcome.reports and delivery.keep_balance and delivery.sets_level:
        gain_db = outcome.reports[0].gain_db
        typer.echo(f"one gain for all files, {gain_db:+.1f} dB: their sum has the level asked for, not each file")
    if outcome.skipped:
        typer.echo(f"left alone, finished and unchanged: {len(outcome.skipped)}")


class _Count:
    """How much of a batch is done, by the size of its files: from many files at a time, told to a bar."""

    def __init__(self, plan: "BatchPlan") -> None:
        # A cluster is told whole paths, and so tells them.
        self._sizes = {item.source.absolute(): _size(item.source) for item in plan.items}
        self._done = dict.fromkeys(self._sizes, 0.0)
        self._sum = 0.0
        self._finished = 0
        self._files = len(plan.items)
        self.bar = Bar("files", max(sum(self._sizes.values()), 1.0))

    def of_one_file(self, source: Path, done: int, of: int) -> None:
        """So many frames of a file are done."""
        self._put(source, done / of if of else 0.0)
        self.bar.update(self._sum, f"{self._finished}/{self._files} {source.name}")

    def finished(self, item: "Item") -> None:
        """A file is done, skipped or failed."""
        self._put(item.source, 1.0)
        self._finished += 1
        self.bar.update(self._sum, f"{self._finished}/{self._files}")

    def _put(self, source: Path, share: float) -> None:
        source = source.absolute()
        # What is heard late never takes back what is done.
        now = max(self._sizes[source] * min(share, 1.0), self._done[source])
        self._sum += now - self._done[source]
        self._done[source] = now


def _size(path: Path) -> float:
    try:
        return float(path.stat().st_size)
    except (OSError, ValueError):  # told when it is opened
        return 0.0


def _as_plain(outcome: "BatchOutcome") -> dict[str, Any]:
    return {
        "rendered": [report.to_dict() for report in outcome.reports],
        "skipped": [{"source": str(item.source), "target": str(item.target)} for item in outcome.skipped],
        "failed": [{"source": str(failure.source), "error": failure.message} for failure in outcome.failures],
    }


def _end_with_failures(outcome: "BatchOutcome") -> None:
    """List what failed and end with the gravest status: internal, then output, input, usage."""
    for failure in outcome.failures:
        complain(printable(failure.message))
    done = len(outcome.reports) + len(outcome.skipped)
    total = done + len(outcome.failures)
    if total > 1:
        complain(f"{len(outcome.failures)} of {total} failed, {done} done")
    statuses = {
        EXIT_INTERNAL if failure.error is None else exit_status(failure.error) for failure in outcome.failures
    }
    raise typer.Exit(EXIT_INTERNAL if EXIT_INTERNAL in statuses else max(statuses))


def _times(real_time: float) -> str:
    """How many times real time: two digits where numba compiled at first, and 0 would be untrue."""
    return f"{real_time:.0f}" if real_time >= 9.5 else f"{real_time:.2g}"


def print_reports(reports: "Sequence[RenderReport]") -> None:
    """Print what was done, a line a file, and what is common to all below."""
    from tapeemu.chain import spoken

    if not reports:
        return
    listing = table(
        "Rendered",
        [
            ("file", False),
            ("format", False),
            ("rate Hz", True),
            ("ch", True),
            ("in s", True),
            ("out s", True),
            ("LUFS", True),
            ("peak dBFS", True),
            ("true peak dBTP", True),
            ("gain dB", True),
            ("clipped", True),
            ("x real time", True),
        ],
    )
    for report in reports:
        listing.add_row(
            printable(str(report.target)),
            report.encoding,
            str(report.sample_rate),
            str(report.channels),
            f"{report.seconds_in:.2f}",
            f"{report.seconds_out:.2f}",
            "\N{EN DASH}" if math.isnan(report.loudness_lufs) else f"{report.loudness_lufs:.1f}",
            f"{report.peak_dbfs:.1f}",
            f"{report.true_peak_dbtp:.1f}",
            f"{report.gain_db:+.1f}",
            str(report.clipped_samples),
            _times(report.times_real_time),
        )
    show(listing)
    first = reports[0]
    tape = "as in the preset" if first.seed is None else str(first.seed)
    latencies = ", ".join(str(latency) for latency in sorted({report.latency_samples for report in reports}))
    typer.echo(f"tape (seed): {tape}; latency taken out: {latencies} samples; aligned with the input")
    for stage in first.chain["stages"]:
        settings = spoken({key: value for key, value in stage.items() if key not in ("kind", "name")})
        typer.echo(printable(f"  {stage.get('name', stage['kind'])} ({stage['kind']}): {settings or 'defaults'}"))
    for report in reports:
        for note in report.notes:
            typer.echo(printable(f"{report.target}: {note}"))
