"""``tapeemu process``: stems through a chain, into files."""

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from tapeemu.cli.common import chain_from_options, listen_to_compilation, output_folder, show, table, write_json

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tapeemu.render import RenderReport

__all__ = ["print_reports", "process"]


def process(
    stems: list[Path] = typer.Argument(..., metavar="STEM", help="Sound files to put through the chain."),
    preset: str = typer.Option(..., "--preset", "-p", help="Name or file of the preset that holds the chain."),
    out: Path = typer.Option(..., "--out", "-o", help="Folder for the results; made if it is missing."),
    order: str | None = typer.Option(None, help="Stage names in the order wanted, joined by commas."),
    changes: list[str] = typer.Option([], "--set", metavar="STAGE.PARAMETER=VALUE", help="Change one setting."),
    seed: int | None = typer.Option(None, help="Which tape: another number, another tape. As the preset."),
    start_seconds: float = typer.Option(0.0, help="Place on the tape where the stems start."),
    container: str | None = typer.Option(
        None, "--format", help="wav, rf64, aiff, caf, flac, ogg or mp3; as the input."
    ),
    depth: str | None = typer.Option(None, help="16, 24, 32, float or double; as the input."),
    rate: int | None = typer.Option(None, help="Sample rate in Hz; as the input."),
    tail_seconds: float | None = typer.Option(None, help="How much longer than the input; else by level."),
    tail_level_db: float = typer.Option(-60.0, help="Level below the signal where a tail may end."),
    loudness_lufs: float | None = typer.Option(None, help="Bring each file to this integrated loudness."),
    true_peak_dbtp: float | None = typer.Option(None, help="Highest true peak; alone, bring it to this level."),
    dither: bool = typer.Option(True, help="Triangular dither where samples become integers."),
    overwrite: bool = typer.Option(False, "--overwrite", help="Replace files that exist."),
    as_json: bool = typer.Option(False, "--json", help="Print the summary as JSON."),
) -> None:
    """Put stems through a chain of tape artefacts, all on the same tape."""
    from tapeemu.render import Delivery, render_file, target_in

    delivery = Delivery(
        container=container,
        depth=depth,  # type: ignore[arg-type]  # checked by the settings themselves
        sample_rate_hz=rate,
        tail_seconds=tail_seconds,
        tail_level_db=tail_level_db,
        loudness_lufs=loudness_lufs,
        true_peak_dbtp=true_peak_dbtp,
        dither=dither,
        overwrite=overwrite,
    )
    chain = chain_from_options(preset, order=order, changes=changes)
    output_folder(out)
    listen_to_compilation()
    reports = []
    for stem in stems:
        reports.append(
            render_file(
                stem,
                chain,
                target_in(out, stem, delivery),
                delivery=delivery,
                seed=seed,
                start_seconds=start_seconds,
            )
        )
    if as_json:
        write_json([report.to_dict() for report in reports])
    else:
        print_reports(reports)


def print_reports(reports: "Sequence[RenderReport]") -> None:
    """Print what was done, a line a file, and what is common to all below."""
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
            str(report.target),
            report.encoding,
            str(report.sample_rate),
            str(report.channels),
            f"{report.seconds_in:.2f}",
            f"{report.seconds_out:.2f}",
            f"{report.loudness_lufs:.1f}",
            f"{report.peak_dbfs:.1f}",
            f"{report.true_peak_dbtp:.1f}",
            f"{report.gain_db:+.1f}",
            str(report.clipped_samples),
            f"{report.times_real_time:.0f}",
        )
    show(listing)
    if not reports:
        return
    first = reports[0]
    tape = "as in the preset" if first.seed is None else str(first.seed)
    typer.echo(f"tape (seed): {tape}; latency taken out: {first.latency_samples} samples; aligned with the input")
    for stage in first.chain["stages"]:
        settings = ", ".join(f"{key} {value}" for key, value in stage.items() if key not in ("kind", "name"))
        typer.echo(f"  {stage['name']} ({stage['kind']}): {settings or 'defaults'}")
