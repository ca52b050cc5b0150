"""``tapeemu compare``: a stem through several orders of a chain, as a table, a page, and files."""

import sys
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from tapeemu.cli.common import (
    CHANGES,
    PRESET,
    SEED,
    START_SECONDS,
    STEMS,
    chain_from_options,
    listen_to_compilation,
    output_folder,
    printable,
    show,
    table,
    write_json,
)
from tapeemu.errors import ParameterError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from rich.progress import Progress as ProgressBars

    from tapeemu.comparison import ChainMeter, Comparison

__all__ = ["compare"]

_FEW = 4  # orders whose names fit beside each other as columns


def compare(
    stems: list[str] = STEMS,
    preset: str = PRESET,
    orders: list[str] = typer.Option(
        [],
        "--orders",
        help="An order (stage names joined by commas; those left out keep their places) or a preset; repeat it. "
        "Without it: reverb before drive, and drive before reverb.",
    ),
    all_orders: bool = typer.Option(False, "--all-orders", help="Every permutation of the stages."),
    out: Path | None = typer.Option(
        None, "--out", "-o", help="Folder for a report of each stem; made if missing."
    ),
    renders: bool = typer.Option(False, "--renders", help="Also write the matched renders into the folder."),
    page: Path | None = typer.Option(
        None,
        "--table",
        help="Write the findings on all stems as a Markdown page; with --all-orders, a picture (.svg) beside it.",
    ),
    about: str = typer.Option("", help="For the Markdown page: what the stems are and who made them."),
    changes: list[str] = CHANGES,
    seed: int | None = SEED,
    start_seconds: float = START_SECONDS,
    tail_seconds: float | None = typer.Option(
        None, help="How many seconds the renders outlast the stem; left out: as long as the chain decays."
    ),
    true_peak_dbtp: float = typer.Option(-1.0, help="Ceiling of the true peak (dBTP); all are lowered alike."),
    embed_limit_mb: float = typer.Option(
        16.0, help="Most megabytes of sound kept inside the report; more than that lies in files beside it."
    ),
    jobs: int = typer.Option(0, "--jobs", "-j", help="Threads; 0 is one per core."),
    overwrite: bool = typer.Option(False, "--overwrite", help="Replace files that exist."),
    as_json: bool = typer.Option(False, "--json", help="Print figures and sentences as JSON."),
) -> None:
    """Compare orders of a chain on a stem: at equal loudness, in figures, in a page to listen with."""
    from tapeemu.comparison import compare as run
    from tapeemu.report import unnamed_renders, write_page, write_report

    if all_orders and orders:
        raise ParameterError("--all-orders and --orders were both given; choose one")
    _check_outputs(out, page, renders=renders, about=about, embed_limit_mb=embed_limit_mb)
    chain = chain_from_options(preset, order=None, changes=changes)
    reports = _reports(stems, out)
    _check_targets([*reports.values()], page, permutations=all_orders, overwrite=overwrite)
    listen_to_compilation()
    done: list[Comparison] = []
    meters: dict[float, ChainMeter] = {}
    with _bars() as bars:
        for stem, report in reports.items():
            bars.title = f"{printable(stem.name)[:30]}: " if len(reports) > 1 else ""
            comparison = run(
                stem,
                chain,
                orders="all" if all_orders else orders or None,
                seed=seed,
                start_seconds=start_seconds,
                tail_seconds=tail_seconds,
                true_peak_dbtp=true_peak_dbtp,
                meters=meters,
                progress=bars,
                jobs=jobs,
            )
            written = []
            with ExitStack() as whole:  # the report and the renders of a stem: all of them, or none
                if out is not None and renders:
                    written += whole.enter_context(unnamed_renders(comparison, out, overwrite=overwrite))
                if report is not None:
                    written += write_report(
                        comparison, report, overwrite=overwrite, embed_limit_mb=embed_limit_mb, progress=bars
                    )
            # The table needs the figures of all stems, but not their sound.
            done.append(comparison.without_audio())
            if not as_json:
                bars.hide()
                _print(done[-1], written)
    if page is not None:
        paths = write_page(done, page, preset=preset, sources=[*reports], about=about, overwrite=overwrite)
        if not as_json:
            for path in paths:
                typer.echo(f"written: {printable(str(path))}")
    if as_json:
        write_json([comparison.to_dict() for comparison in done])


def _check_outputs(
    out: Path | None, page: Path | None, *, renders: bool, about: str, embed_limit_mb: float
) -> None:
    if renders and out is None:
        raise ParameterError("--renders needs a folder; give one with --out")
    if about and page is None:
        raise ParameterError("--about stands on the Markdown page; give --table with it")
    if not embed_limit_mb >= 0.0:  # the report says so as well, but after the work
        raise ParameterError(f"embed_limit_mb is {embed_limit_mb!r}, but must be zero or more")


def _reports(stems: "Sequence[str]", out: Path | None) -> dict[Path, Path | None]:
    """Each stem that is asked for, and where its report goes."""
    from tapeemu.rendering.plan import sound_files

    files = sound_files(stems, out=out)
    reports = {file: None if out is None else output_folder(out) / f"{file.stem}.html" for file in files}
    if out is not None and len(set(reports.values())) < len(reports):
        raise ParameterError(
            "two stems have the same name, so their reports would have one name; compare them one by one"
        )
    return reports


def _check_targets(
    reports: "Sequence[Path | None]", page: Path | None, *, permutations: bool, overwrite: bool
) -> None:
    """Refuse what cannot be written before anything is rendered."""
    from tapeemu.files.part_files import check_target
    from tapeemu.report import page_files

    pages = [] if page is None else page_files(page, permutations=permutations)
    for target in [*reports, *pages]:
        if target is not None:
            check_target(target, overwrite=overwrite)


class _Step:
    """A bar; or nothing to see, where standard error is no terminal."""

    def __init__(self, bar: "ProgressBars | None", name: str, parts: int) -> None:
        self._bar = bar
        self._task = None if bar is None else bar.add_task(name, total=parts)

    def advance(self, count: int = 1) -> None:
        """Move the bar on."""
        if self._bar is not None and self._task is not None:
            self._bar.advance(self._task, count)

    def finish(self) -> None:
        """Take the bar away."""
        if self._bar is not None and self._task is not None:
            self._bar.remove_task(self._task)


class _Bars:
    """Shows each step with the time left for it."""

    def __init__(self, bar: "ProgressBars | None") -> None:
        self._bar = bar
        self.title = ""

    def step(self, name: str, parts: int) -> _Step:
        """Begin a step."""
        return _Step(self._bar, f"{self.title}{name}", parts)

    def hide(self) -> None:
        """Clear the line for other output."""
        if self._bar is not None:
            self._bar.refresh()


@contextmanager
def _bars() -> "Iterator[_Bars]":
    if not sys.stderr.isatty():
        yield _Bars(None)
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    with Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        console=Console(stderr=True, markup=False, emoji=False, highlight=False),
        transient=True,
    ) as bar:
        yield _Bars(bar)


def _print(comparison: "Comparison", written: "Sequence[Path]") -> None:
    """Print what sets the orders apart: groups where there are many, figures, sentences."""
    typer.echo(f"{printable(comparison.name)}: {printable(comparison.answer)}")
    typer.echo()
    if len(comparison.renders) > _FEW:
        _print_groups(comparison)
    _print_figures(comparison)
    for sentence in comparison.sentences:
        typer.echo(f"- {printable(sentence)}")
    for path in written:
        typer.echo(f"written: {printable(str(path))}")
    if written:
        typer.echo("Before you listen, turn the level down: loud sound harms hearing.")


def _grouped(comparison: "Comparison") -> bool:
    """Whether some orders sound alike, but not all."""
    return 1 < len(comparison.groups) < len(comparison.renders)


def _print_groups(comparison: "Comparison") -> None:
    head = "orders that sound alike" if _grouped(comparison) else "order"
    listing = table("", [("", True), (head, False), ("orders", False)])
    for group in comparison.groups:
        numbers = ", ".join(str(place + 1) for place in group.members)
        listing.add_row(str(group.first + 1), printable(group.label), numbers)
    show(listing)


def _print_figures(comparison: "Comparison") -> None:
    from tapeemu.comparison.compared_figures import FIGURES
    from tapeemu.report import value_text

    places = list(range(len(comparison.renders)))
    if _grouped(comparison) or (len(places) > _FEW and len(comparison.groups) == 1):
        places = [group.first for group in comparison.groups]
    heads = [f"{place + 1} {printable(comparison.labels[place])}" for place in places]
    if len(places) > _FEW:
        heads = [str(place + 1) for place in places]
    listing = table(printable(comparison.name), [("figure", False), *((head, True) for head in heads)])
    for key, figure in FIGURES.items():
        own = [comparison.figures[place].get(key) for place in places]
        if any(reading is not None for reading in own):
            name = f"{figure.name} / {figure.unit}" if figure.unit else figure.name
            listing.add_row(name, *(value_text(key, reading) for reading in own))
    show(listing)
