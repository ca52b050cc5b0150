"""``tapeemu compare``: a stem through several orders of a chain, as a table, a page, and files."""

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from tapeemu.cli.common import chain_from_options, listen_to_compilation, output_folder, show, table, write_json
from tapeemu.errors import ParameterError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tapeemu.comparison import Comparison

__all__ = ["compare"]

_FEW = 4  # orders that fit beside each other as columns
_SHOWN = (
    "crest_db",
    "lra_lu",
    "centroid_hz",
    "width_db",
    "null_db",
    "thd_reference_percent",
    "imd_reference_percent",
    "edt_reference_seconds",
    "t30_reference_seconds",
    "edt_loud_seconds",
    "t30_loud_seconds",
)


def compare(
    stems: list[Path] = typer.Argument(..., metavar="STEM", help="Sound files to compare the orders on."),
    preset: str = typer.Option(..., "--preset", "-p", help="Name or file of the preset that holds the chain."),
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
        None, "--table", help="Write the table of all stems, with findings, as a Markdown page."
    ),
    about: str = typer.Option("", help="For the Markdown page: what the stems are and where they come from."),
    changes: list[str] = typer.Option(
        [], "--set", metavar="STAGE.PARAMETER=VALUE", help="Change one setting; the value none leaves it out."
    ),
    seed: int | None = typer.Option(
        None, help="Which tape: another number, another tape, in the same room. As the preset."
    ),
    start_seconds: float = typer.Option(0.0, help="Place on the tape where the stems start."),
    tail_seconds: float | None = typer.Option(None, help="How much longer than the stem; else by the decay."),
    true_peak_dbtp: float = typer.Option(-1.0, help="Ceiling of the true peak; all are lowered alike."),
    embed_limit_mb: float = typer.Option(16.0, help="Size of the sound up to which it is kept inside the report."),
    jobs: int = typer.Option(-1, help="Threads; -1 uses all cores."),
    overwrite: bool = typer.Option(False, "--overwrite", help="Replace files that exist."),
    as_json: bool = typer.Option(False, "--json", help="Print figures and sentences as JSON."),
) -> None:
    """Compare orders of a chain on a stem: at equal loudness, in figures, in a page to listen with."""
    from tapeemu.comparison import compare as run
    from tapeemu.part_files import check_target

    if all_orders and orders:
        raise ParameterError("--all-orders and --orders were both given; choose one")
    if renders and out is None:
        raise ParameterError("--renders needs a folder; give one with --out")
    chain = chain_from_options(preset, order=None, changes=changes)
    reports = {stem: None if out is None else output_folder(out) / f"{stem.stem}.html" for stem in stems}
    if len({str(path) for path in reports.values()}) < len(stems) and out is not None:
        raise ParameterError("two stems have the same name, so their reports would; compare them one by one")
    for target in [*reports.values(), page]:
        if target is not None:
            check_target(target, overwrite=overwrite)
    listen_to_compilation()
    done = []
    for stem, report in reports.items():
        comparison = run(
            stem,
            chain,
            orders="all" if all_orders else orders or None,
            seed=seed,
            start_seconds=start_seconds,
            tail_seconds=tail_seconds,
            true_peak_dbtp=true_peak_dbtp,
            jobs=jobs,
        )
        written = []
        if report is not None:
            written += comparison.write_report(report, overwrite=overwrite, embed_limit_mb=embed_limit_mb)
        if out is not None and renders:
            written += comparison.write_renders(out, overwrite=overwrite)
        if not as_json:
            _print(comparison, written)
        # The table needs the figures of all stems, but not their sound.
        done.append(comparison.without_audio())
    if page is not None:
        from tapeemu.comparison.page import write_page

        write_page(done, page, preset=preset, sources=stems, about=about, overwrite=overwrite)
        if not as_json:
            typer.echo(f"table: {page}")
    if as_json:
        write_json([comparison.to_dict() for comparison in done])


def _print(comparison: "Comparison", written: "Sequence[Path]") -> None:
    from rich.markup import escape

    from tapeemu.comparison.figures import FIGURES
    from tapeemu.comparison.page import value_text

    def named(key: str) -> str:
        figure = FIGURES[key]
        return f"{figure.name} / {figure.unit}" if figure.unit else figure.name

    numbered = [f"{number} {escape(label)}" for number, label in enumerate(comparison.labels, start=1)]
    if len(numbered) <= _FEW:
        listing = table(escape(comparison.name), [("figure", False), *((label, True) for label in numbered)])
        for key in FIGURES:
            if any(key in own for own in comparison.figures):
                listing.add_row(named(key), *(value_text(key, own.get(key)) for own in comparison.figures))
    else:
        listing = table(escape(comparison.name), [("order", False), *((named(key), True) for key in _SHOWN)])
        for label, own in zip(numbered, comparison.figures, strict=True):
            listing.add_row(label, *(value_text(key, own.get(key)) for key in _SHOWN))
    show(listing)
    for sentence in comparison.sentences:
        typer.echo(f"- {sentence}")
    for path in written:
        typer.echo(f"written: {path}")
    if written:
        typer.echo("Before you listen, turn the level down: loud sound harms hearing.")
