"""``tapeemu measure``, ``verify`` and ``solve``: the figures of presets."""

import os
import re
from collections.abc import Callable, Iterable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from tapeemu.cli.common import EXIT_NOT_PROVED, Bar, listen_to_compilation, printable, show, table, write_json
from tapeemu.cli.presets import print_chain, print_figures, print_saved, target_path
from tapeemu.errors import OutputError, ParameterError

if TYPE_CHECKING:
    from measure.standard_set import Report
    from tapeemu.plugins.hosted import HostedSystem
    from tapeemu.presets import Place, Preset
    from tapeemu.presets.measuring import Verification
    from tapeemu.presets.solving import Solution

__all__ = ["measure", "plots_folder", "printable_lines", "solve_figures", "verify"]

_JOBS = typer.Option(0, "--jobs", "-j", help="Presets worked on at a time; 0 is one per core.")


def _chosen(names: list[str] | None, *, everything: bool) -> "list[Place]":
    from tapeemu.presets import find_preset, list_places

    if everything and names:
        raise ParameterError("presets and --all were both given; give one of the two")
    if not everything and not names:
        raise ParameterError("name one or more presets, or give --all")
    return list_places() if everything else [find_preset(name) for name in names or ()]


def _prepare(jobs: int, count: int) -> int:
    """How many processes to use; where there are several, compile first, so that not all compile the same."""
    if jobs < 0:
        raise ParameterError(f"--jobs is {jobs}, but must be 0 (one per core) or more")
    listen_to_compilation()
    used = min(jobs or os.cpu_count() or 1, max(count, 1))
    if used > 1:
        from tapeemu.cli.warm import warm_kernels

        warm_kernels()
    return used


def measure(
    presets: list[str] = typer.Argument(None, metavar="[PRESET]...", help="Names or files."),
    everything: bool = typer.Option(False, "--all", help="Measure every preset that may be written to."),
    dry_run: bool = typer.Option(False, "--dry-run", help="Measure and print, write nothing."),
    full: bool = typer.Option(False, "--full", help="The whole standard set, of the chain and of each stage."),
    as_json: bool = typer.Option(False, "--json", help="Print all readings and curves as JSON."),
    plots: Path | None = typer.Option(None, "--plots", metavar="DIR", help="Write plots into this folder."),
    overwrite: bool = typer.Option(False, "--overwrite", help="Replace plots that exist."),
    jobs: int = _JOBS,
) -> None:
    """Measure presets on the bench and write the figures into their files."""
    from tapeemu.presets.host_states import HOST_ENDINGS
    from tapeemu.presets.measuring import in_processes

    places = _chosen(presets, everything=everything)
    if everything:
        places = [place for place in places if not _fixed(place)]
    if not dry_run and not full:
        for place in places:
            if _fixed(place):
                raise ParameterError(
                    f"{place.name!r} is shipped with the program and stays as it is; --dry-run measures without "
                    f"writing, 'tapeemu new MY-NAME --from {place.name}' makes it yours"
                )
            if place.path.suffix in HOST_ENDINGS:
                raise ParameterError(
                    f"{printable(str(place.path))} is what a host saved and stays as it is; --dry-run measures "
                    "without writing"
                )
    if plots is not None and not overwrite:
        _check_unplotted(plots, places)
    jobs = _prepare(jobs, len(places))
    results: Iterable[Any]
    collected = {}
    with Bar("presets", 1.0) as bar:
        told = _told(bar, len(places))
        if full or plots is not None:
            results = in_processes(
                partial(_measured_full, full=full, write=not (dry_run or full), plots=plots),
                places,
                jobs=1,
                progress=told,
            )
        else:
            tasks = [(str(place.path), place.name, not dry_run) for place in places]
            results = in_processes(_measured_file, tasks, jobs=jobs, progress=told)
        for place, (preset, reports) in zip(places, results, strict=True):
            if as_json:
                collected[place.name] = {part: report.to_dict() for part, report in reports.items()}
            else:
                with bar.aside():
                    _print_measured(place, preset, reports, full=full, written=not (dry_run or full))
    if as_json:
        write_json(collected)


def _told(bar: Bar, count: int) -> Callable[[float], None] | None:
    """What is told the share that is done of so many presets."""
    return (lambda share: bar.update(share, f"{int(share * count + 1e-9)}/{count}")) if bar.visible else None


def _print_measured(
    place: "Place", preset: "Preset", reports: "dict[str, Report]", *, full: bool, written: bool
) -> None:
    typer.echo(f"{place.name}: {printable(preset.purpose)}")
    if full:
        for report in reports.values():
            typer.echo(printable_lines(str(report)))
    elif preset.measured is not None:
        print_figures(preset.measured, state="measured")
        for report in reports.values():
            for note in report.notes:
                typer.echo(f"note: {note}")
    if written:
        typer.echo(f"written: {printable(str(place.path))}")


def printable_lines(text: str) -> str:
    """A text of several lines with each of them fit for any terminal."""
    return "\n".join(printable(line) for line in text.splitlines())


def _fixed(place: "Place") -> bool:
    # In a checkout the shipped presets are sources, to be measured; in an installation they are the program's.
    from tapeemu.presets import shipped_folder

    folder = shipped_folder()
    return folder.name == "shipped_presets" and place.path.resolve().parent == folder.resolve()


def _check_unplotted(folder: Path, places: "Sequence[Place]") -> None:
    """Refuse plots that would replace files before anything is measured, which takes long."""
    for place in places:
        if any((folder / place.name).rglob("*.png")):
            raise OutputError(
                f"{folder / place.name} holds plots already; choose another folder, or give --overwrite to "
                "replace them"
            )


def _measured_file(task: tuple[str, str, bool], progress: Callable[[float], None] | None = None) -> Any:
    """Measure one file, write it if asked; runs in a process of its own."""
    from tapeemu.presets import load_preset
    from tapeemu.presets.measuring import measure_preset
    from tapeemu.presets.writing import save_preset

    path, _, write = task
    preset, reports = measure_preset(load_preset(Path(path)), progress=progress)
    if write:
        save_preset(preset, Path(path), overwrite=True)
    return preset, reports


def _measured_full(
    place: "Place",
    progress: Callable[[float], None] | None = None,
    *,
    full: bool,
    write: bool,
    plots: Path | None,
) -> Any:
    from measure.standard_set import bench
    from tapeemu.presets import load_preset

    if full:
        preset = load_preset(place.path)
        stages = {stage.name: stage.processor for stage in preset.chain.stages if not stage.bypass}
        reports = {"chain": bench(preset.chain, stages=stages if len(stages) > 1 else None, progress=progress)}
    else:
        preset, reports = _measured_file((str(place.path), place.name, write), progress)
    if plots is not None:
        from measure.errors import ResultsError
        from measure.plots import save_plots

        for part, report in reports.items():
            try:
                files = save_plots(report, plots_folder(plots, place.name, part), overwrite=True)
            except ResultsError as error:
                raise OutputError(str(error)) from None
            for written in files:
                typer.echo(printable(str(written)), err=True)
    return preset, reports


def plots_folder(plots: Path, preset: str, part: str) -> Path:
    """Where the plots of a part of a preset go: below the folder asked for, whatever a stage is called."""
    return plots / preset / re.sub(r"[^\w-]+", "-", part)[:80]


def verify(
    presets: list[str] = typer.Argument(None, metavar="[PRESET]...", help="Names or files."),
    everything: bool = typer.Option(False, "--all", help="Verify every preset there is."),
    jobs: int = _JOBS,
    as_json: bool = typer.Option(False, "--json", help="Print every figure, then and now, as JSON."),
    details: bool = typer.Option(False, "--details", help="Print every figure, not only those that moved."),
    through_plugin: bool = typer.Option(
        False, "--through-plugin", help="Measure the plug-in as loaded by a host (needs pedalboard)."
    ),
) -> None:
    """Measure presets again and compare with the figures in their files; status 5 if one is not proved."""
    from tapeemu.presets.measuring import verify_all

    places = _chosen(presets, everything=everything)
    system_of = None
    if through_plugin:
        places, system_of = _hosted(places)
    jobs = _prepare(jobs, len(places))
    results: list[Verification] = []
    with Bar("presets", 1.0) as bar:
        told = _told(bar, len(places))
        paths = [place.path for place in places]
        for result in verify_all(paths, jobs=jobs, system_of=system_of, progress=told):
            results.append(result)
            if not as_json:
                with bar.aside():
                    typer.echo(printable_lines(str(result)))
                    for check in result.checks if details else ():
                        typer.echo(f"  {printable(str(check))}")
    if as_json:
        write_json([_plain(result) for result in results])
    proved = sum(result.proved for result in results)
    if not as_json:
        typer.echo(f"{proved} of {len(results)} presets proved")
    if proved < len(results):
        raise typer.Exit(EXIT_NOT_PROVED)


def _hosted(places: "list[Place]") -> "tuple[list[Place], type[HostedSystem]]":
    """The presets that a plug-in can hold, and what measures them in a host; says which ones it cannot."""
    from tapeemu.plugins.building import build
    from tapeemu.plugins.hosted import HostedSystem, why_not_hosted
    from tapeemu.presets import load_preset

    build()
    held = []
    for place in places:
        reason = why_not_hosted(load_preset(place.path).chain)
        if reason is None:
            held.append(place)
        else:
            typer.echo(f"{printable(place.name)}: left out, {printable(reason)}", err=True)
    if not held:
        raise ParameterError(
            "no plug-in can hold any of these presets; name another, or leave out --through-plugin"
        )
    return held, HostedSystem


def _plain(result: "Verification") -> dict[str, Any]:
    return {
        "name": result.name,
        "state": result.state,
        "proved": result.proved,
        "figures": [
            {
                "part": each.part,
                "key": each.key,
                "kept": None if each.kept is None else each.kept.reading.value,
                "tolerance": None if each.kept is None else each.kept.tolerance,
                "found": None if each.found is None else each.found.reading.value,
                "within": each.within,
            }
            for each in result.checks
        ],
    }


def _off_by(percent: float) -> str:
    if percent >= 99.5:  # where two digits would be an exponent
        return f"{percent:.0f}"
    return f"{percent:.2g}" if percent >= 0.01 else "< 0.01"


def _print_reached(solution: "Solution") -> None:
    from measure.results import figure_text

    listing = table(
        f"Found in {solution.rounds} measurements",
        [("figure", False), ("wanted", True), ("reached", True), ("doubt", True), ("off by %", True)],
    )
    for key, value in solution.wanted.items():
        reading = solution.reached.get(key)
        if reading is None:
            listing.add_row(key, f"{value:g}", "undefined", "", "")
        else:
            shown = figure_text(reading.value, reading.uncertainty)
            listing.add_row(key, f"{value:g}", *shown, _off_by(solution.error_percent(key)))
    show(listing)


def solve_figures(
    name: str = typer.Argument(..., help="Name of the preset to write, or the path of its file."),
    figures: list[str] = typer.Argument(
        ...,
        metavar="FIGURE=VALUE...",
        help="Figures wanted, e.g. flutter=0.15 thd=1 rt60=2.4 (rt60 is at 500 Hz).",
    ),
    start: str | None = typer.Option(None, "--from", metavar="PRESET", help="Settings to start from."),
    purpose: str = typer.Option("", help="What the preset is for, in a sentence."),
    tags: list[str] = typer.Option([], "--tag", help="A word to find it by."),
    within_percent: float = typer.Option(1.0, help="How near, in percent, each figure shall come."),
    dry_run: bool = typer.Option(False, "--dry-run", help="Solve and print, write nothing."),
    overwrite: bool = typer.Option(False, "--overwrite", help="Replace a file that exists."),
) -> None:
    """Find settings that give the figures wanted, measure them, and save them as a preset."""
    from tapeemu.presets import Preset, load_preset
    from tapeemu.presets.measuring import measure_preset
    from tapeemu.presets.searching import parse_wanted
    from tapeemu.presets.solving import solve
    from tapeemu.presets.writing import check_free, check_words, save_preset

    check_words(purpose, tags)
    wanted: dict[str, float] = {}
    for key, value in map(parse_wanted, figures):
        if key in wanted:
            raise ParameterError(f"{key} is wanted to be {wanted[key]:g} and {value:g}; give it once")
        wanted[key] = value
    path = target_path(name) if not dry_run else Path(name)
    if not dry_run:
        check_free(path, overwrite=overwrite)
    source = load_preset(start) if start is not None else None
    _prepare(1, 1)
    with Bar("measurement", 1.0) as bar:
        solution = solve(
            wanted,
            start=None if source is None else source.chain,
            within_percent=within_percent,
            progress=(lambda number, share: bar.update(share, str(number))) if bar.visible else None,
        )
    _print_reached(solution)
    asked = ", ".join(f"{key} {value:g}" for key, value in wanted.items())
    preset = Preset(
        name=path.stem,
        purpose=purpose or (source.purpose if source else f"Solved for {asked}."),
        tags=tuple(tags) or (source.tags if source else ("solved",)),
        chain=solution.chain,
        measured=source.measured if source else None,
        text=source.text if source else "",
        path=source.path if source else None,
    )
    print_chain(preset)
    near = solution.worst_percent <= within_percent
    if not near:
        why = f"; nearer, {printable(solution.kept_back)}" if solution.kept_back else ""
        typer.echo(f"not as near as {within_percent:g} %: this is the nearest that was found{why}")
    if not dry_run:
        with Bar("measure what was found", 1.0) as bar:
            measured, _ = measure_preset(preset, progress=bar.update if bar.visible else None)
        save_preset(measured, path, overwrite=overwrite)
        print_saved(path)
    if not near:
        raise typer.Exit(EXIT_NOT_PROVED)
