"""``tapeemu settings``: every kind of stage, its settings, units, ranges and defaults."""

from dataclasses import asdict
from pathlib import Path

import typer

from tapeemu.cli.common import printable, show, table, write_json
from tapeemu.errors import ParameterError

__all__ = ["settings"]


def settings(
    kind: str | None = typer.Argument(None, metavar="[KIND]", help="One kind of stage, e.g. fdn_reverb."),
    as_json: bool = typer.Option(False, "--json", help="Print as JSON."),
    markdown: bool = typer.Option(False, "--markdown", help="Print all of it as a page in Markdown."),
    out: Path | None = typer.Option(None, "--out", "-o", help="With --markdown: write it to this file."),
    overwrite: bool = typer.Option(False, "--overwrite", help="Replace a file that exists."),
) -> None:
    """List the kinds of stages, or every setting of one: unit, range, default and what it does."""
    from tapeemu.presets.reference import effect_parameters, markdown_reference, reference_tables, stage_table
    from tapeemu.presets.writing import write_text

    if markdown:
        if kind is not None or as_json:
            raise ParameterError("--markdown prints the whole reference; leave KIND and --json out")
        if out is None:
            typer.echo(markdown_reference(), nl=False)
        else:
            write_text(markdown_reference(), out, overwrite=overwrite)
        return
    if out is not None:
        raise ParameterError("--out writes the page in Markdown; give --markdown with it")
    tables = reference_tables(kind)
    if as_json:
        write_json([asdict(each) for each in tables])
        return
    if kind is None:
        listing = table("Kinds of stages", [("kind", False), ("what it is", False), ("settings", True)])
        for each in tables:
            if not each.inside:
                listing.add_row(each.kind, each.sense, str(len(each.rows)))
        show(listing)
        typer.echo("'tapeemu settings KIND' lists the settings of one")
        tables = []
    for each in [*tables, stage_table()]:
        title = f"In {each.inside}" if each.inside else (each.kind or "Every stage")
        listing = table(
            f"{title}: {each.sense}",
            [("setting", False), ("unit", False), ("range", False), ("default", False), ("what it does", False)],
        )
        for row in each.rows:
            listing.add_row(row.name, row.unit, row.range, row.default, row.sense)
        show(listing)
    if kind == "plugin_effect":
        listing = table("Effects", [("effect", False), ("parameters and their defaults", False)])
        for effect, parameters in effect_parameters():
            listing.add_row(effect, printable(parameters))
        show(listing)
