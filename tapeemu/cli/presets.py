"""``tapeemu presets``, ``show``, ``find``, ``new`` and ``schema``: what presets there are, and more of them."""

import re
import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from tapeemu.cli.common import chain_from_options, parse_value, printable, show, table, write_json
from tapeemu.errors import OutputError, ParameterError, PresetError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tapeemu.presets import Place, Preset
    from tapeemu.presets.kept_figures import Measured

__all__ = [
    "find",
    "new",
    "presets",
    "print_chain",
    "print_figures",
    "print_saved",
    "schema",
    "show_preset",
    "spoken_part",
    "target_path",
]

_ORIGINS = {"shipped": "shipped", "own": "yours", "file": "file"}


def presets(
    as_json: bool = typer.Option(False, "--json", help="Print the list as JSON."),
    markdown: bool = typer.Option(False, "--markdown", help="Print the shipped ones as a table for a document."),
    update: Path | None = typer.Option(
        None, "--update", help="With --markdown: put the table between the marks of this document."
    ),
) -> None:
    """List the presets there are, with their measured figures in columns."""
    from tapeemu.presets import list_places
    from tapeemu.presets.listing import markdown_table, put_between_marks
    from tapeemu.presets.writing import write_text

    if update is not None and not markdown:
        raise ParameterError("--update puts the Markdown table into a document; give --markdown with it")
    places = list_places()
    if not markdown:
        found = [(place, _loaded(place)) for place in places]
        if as_json:
            write_json([_summary(place, preset) for place, preset in found])
        else:
            _print_list("Presets", found)
        return
    text = markdown_table([preset for preset in map(_shipped, places) if preset is not None])
    if update is None:
        typer.echo(text, nl=False)
        return
    try:
        document = update.read_text("utf-8")
    except OSError as error:
        raise OutputError(f"{update} cannot be read ({error.strerror}); check its name") from None
    except UnicodeDecodeError:
        raise OutputError(f"{update} is not UTF-8 text; name a Markdown document, or save it as UTF-8") from None
    write_text(put_between_marks(document, text), update, overwrite=True)


def _shipped(place: "Place") -> "Preset | None":
    from tapeemu.presets import load_preset

    path = place.hides or (place.path if place.origin == "shipped" else None)
    return None if path is None else load_preset(path)


def _loaded(place: "Place") -> "Preset | PresetError":
    from tapeemu.presets import load_preset

    try:
        return load_preset(place.path)
    except PresetError as error:
        return error


def _summary(place: "Place", preset: "Preset | PresetError") -> dict[str, Any]:
    common = {
        "name": place.name,
        "origin": place.origin,
        "path": str(place.path),
        "hides": None if place.hides is None else str(place.hides),
    }
    if isinstance(preset, PresetError):
        return {**common, "error": str(preset)}
    return {
        **common,
        "purpose": preset.purpose,
        "tags": list(preset.tags),
        "state": preset.state,
        "figures": {key: reading.to_dict() for key, reading in preset.readings.items()},
    }


def _print_list(title: str, found: "Sequence[tuple[Place, Preset | PresetError]]") -> None:
    from tapeemu.presets.listing import COLUMNS, figure_cells

    listing = table(
        title,
        [
            ("preset", False),
            ("", False),
            *((_broken(heading), True) for heading in COLUMNS.values()),
            ("for", False),
        ],
    )
    listing.columns[0].no_wrap = True
    for place, preset in found:
        origin = _ORIGINS[place.origin] + (", hides the shipped one" if place.hides else "")
        if isinstance(preset, PresetError):
            listing.add_row(
                place.name, origin, *[""] * len(COLUMNS), f"cannot be read: {printable(preset.heading)}"
            )
            continue
        if preset.state != "measured":
            origin += f", {preset.state}"
        listing.add_row(place.name, origin, *figure_cells(preset), printable(preset.purpose))
    show(listing)


def _broken(heading: str) -> str:
    # Columns of figures are narrow; their headings need not be wider.
    return heading.replace("RT60 s ", "RT60 s\n") if heading.startswith("RT60") else heading.replace(" ", "\n")


def show_preset(
    preset: str = typer.Argument(..., metavar="PRESET", help="Name or file of a preset."),
    as_json: bool = typer.Option(False, "--json", help="Print everything as JSON."),
) -> None:
    """Show one preset: what it is for, its stages, and its measured figures with their conditions."""
    from tapeemu.presets import find_preset, load_preset

    place = find_preset(preset)
    found = load_preset(place.path)
    if as_json:
        write_json({**_summary(place, found), "chain": found.chain.to_dict()})
        return
    typer.echo(f"{place.name}: {printable(found.purpose)}")
    typer.echo(f"tags: {printable(', '.join(found.tags)) or 'none'}")
    hidden = f"; it hides the shipped {printable(str(place.hides))}" if place.hides else ""
    typer.echo(f"file: {printable(str(place.path))} ({_ORIGINS[place.origin]}{hidden})")
    print_chain(found)
    if found.measured is None:
        typer.echo(f"not measured yet; 'tapeemu measure {place.name}' does it")
    else:
        print_figures(found.measured, state=found.state)


def print_chain(preset: "Preset") -> None:
    """Print the stages of a preset, a row each."""
    from tapeemu.chain import spoken

    listing = table("Chain", [("", True), ("stage", False), ("kind", False), ("settings", False)])
    for number, stage in enumerate(preset.chain.stages, start=1):
        values = {key: value for key, value in stage.to_dict().items() if key not in ("kind", "name")}
        listing.add_row(str(number), stage.name, stage.processor.kind, printable(spoken(values)) or "defaults")
    show(listing)
    for place, reason in preset.chain.idle().items():
        typer.echo(f"{printable(place)} is without effect: {reason}")


def spoken_part(part: str) -> str:
    """What a table of figures belongs to, in words: ``of stage hall``, ``of the chain without reverb``."""
    if part == "chain":
        return "of the whole chain"
    if part == "without reverb":
        return "of the chain without reverb"
    return f"of {printable(part)}"


def print_figures(measured: "Measured", *, state: str) -> None:
    """Print the measured figures of a preset, part by part, and what each sort of figure tells."""
    from measure.meanings import meaning_lines
    from measure.results import figure_text
    from tapeemu import __version__

    seeds = f", mean of seeds {', '.join(map(str, measured.seeds))}" if len(measured.seeds) > 1 else ""
    common = (
        f"at {measured.sample_rate_hz:g} Hz, reference level {measured.reference_level_dbfs:g} dBFS{seeds}, "
        f"by version {printable(measured.tool_version)}"
    )
    for part, figures in measured.parts().items():
        listing = table(
            f"Figures {spoken_part(part)}",
            [
                ("figure", False),
                ("value", True),
                ("doubt", True),
                ("unit", False),
                ("method", False),
                ("remarks", False),
            ],
        )
        for key, figure in figures.items():
            reading = figure.reading
            method = reading.method if reading.standard == "none" else f"{reading.method}, {reading.standard}"
            remarks = "; ".join(reading.warnings)
            listing.add_row(
                key,
                *figure_text(reading.value, reading.uncertainty),
                reading.unit,
                printable(method),
                printable(remarks),
            )
        show(listing)
    typer.echo("What the figures tell:")
    for line in meaning_lines(key for figures in measured.parts().values() for key in figures):
        typer.echo(f"  {line}")
    typer.echo(common)
    if state == "stale":
        typer.echo("STALE: the settings were changed after these figures were measured; measure again")
    elif measured.tool_version != __version__:
        typer.echo(f"measured by another version than this one, {__version__}; 'tapeemu verify' proves them again")


def find(
    conditions: list[str] = typer.Argument(
        None, metavar="[FIGURE=LEAST..MOST]...", help="Ranges, e.g. flutter=0.05..0.2 thd=..1 rt60=2.."
    ),
    tags: list[str] = typer.Option([], "--tag", help="Tag the preset must carry."),
    as_json: bool = typer.Option(False, "--json", help="Print the list as JSON."),
) -> None:
    """Find presets by their measured figures: flutter, level, thd, mol, rt60, rt60_125 ... or any full key."""
    from tapeemu.presets import list_places
    from tapeemu.presets.searching import parse_condition, search
    from tapeemu.presets.writing import check_words

    check_words("", tags)
    wanted = [parse_condition(text) for text in conditions or ()]
    if not wanted and not tags:
        raise ParameterError("nothing is asked for; give a range such as flutter=0.05..0.2, or --tag")
    loaded = [(place, preset) for place in list_places() for preset in [_loaded(place)]]
    good = [(place, preset) for place, preset in loaded if not isinstance(preset, PresetError)]
    kept = search([preset for _, preset in good], wanted, tags=tags)
    found = [(place, preset) for place, preset in good if preset in kept]
    if as_json:
        write_json([_summary(place, preset) for place, preset in found])
    elif found:
        _print_list("Found", found)
    else:
        typer.echo("no preset meets these conditions; 'tapeemu solve' makes one")


def new(
    name: str = typer.Argument(..., help="Name of the preset, or the path of its file."),
    stages: list[str] = typer.Option(
        [], "--stage", metavar="'[NAME:]KIND KEY=VALUE ...'", help="A stage; repeat it in the order of the signal."
    ),
    purpose: str = typer.Option("", help="What it is for, in a sentence."),
    tags: list[str] = typer.Option([], "--tag", help="A word to find it by."),
    start: str | None = typer.Option(None, "--from", metavar="PRESET", help="Start from this preset."),
    order: str | None = typer.Option(
        None,
        help="With --from: stage names in the order wanted, joined by commas; those left out stay where they are.",
    ),
    changes: list[str] = typer.Option(
        [],
        "--set",
        metavar="STAGE.PARAMETER=VALUE",
        help="With --from: change one setting; the value none leaves it out.",
    ),
    overwrite: bool = typer.Option(False, "--overwrite", help="Replace a file that exists."),
) -> None:
    """Write a new preset: stages given here, or those of another preset with changes."""
    from tapeemu.presets import load_preset
    from tapeemu.presets.reading import parse_preset
    from tapeemu.presets.writing import check_words, save_preset, table_text

    check_words(purpose, tags)
    path = target_path(name)
    if (start is None) == (not stages):
        raise ParameterError("give either stages with --stage, or a preset to start from with --from")
    if start is not None:
        source = load_preset(start)
        made = source.replace(
            chain=chain_from_options(start, order=order, changes=changes),
            purpose=purpose or source.purpose,
            tags=tuple(tags) or source.tags,
        )
    else:
        if order or changes:
            raise ParameterError("--order and --set change a preset given with --from; write the stages as wanted")
        values = {
            "format": 1,
            "purpose": purpose or f"{printable(path.stem)}: not described yet.",
            "tags": list(tags),
            "stages": [_stage_from(text) for text in stages],
        }
        try:
            made = parse_preset(table_text(values), name=path.stem).replace(text="")
        except PresetError as error:
            raise ParameterError("; ".join(map(_of_options, error.mistakes or (error.heading,)))) from None
        for place, reason in made.chain.idle().items():
            raise ParameterError(f"{place} would be without effect: {reason}; leave it out")
    saved = save_preset(made, path, overwrite=overwrite)
    print_saved(path)
    if saved.state == "stale":
        typer.echo(
            f"its figures are still those of {printable(str(start))}; "
            f"'tapeemu measure {printable(name)}' takes its own"
        )
    elif saved.state == "not measured":
        typer.echo(f"it has no figures yet; 'tapeemu measure {printable(name)}' takes them")


def _stage_from(text: str) -> dict[str, Any]:
    try:
        kind, *settings = shlex.split(text)
    except ValueError:
        raise ParameterError(f"--stage is {text!r}, but must be [NAME:]KIND KEY=VALUE ...") from None
    stage, colon, kind_only = kind.rpartition(":")
    values: dict[str, Any] = {"name": stage} if colon else {}
    values["kind"] = kind_only
    for setting in settings:
        key, equals, value = setting.partition("=")
        if not equals or not key:
            raise ParameterError(f"{setting!r} in --stage {text!r} must be KEY=VALUE")
        if key in values:
            raise ParameterError(f"{key} stands in --stage {text!r} more than once; give it once")
        read = parse_value(value)
        if read is not None:
            values[key] = read
    return values


def _of_options(mistake: str) -> str:
    """A mistake in the text that options were put into, without its line there: ``--stage, number 1: ...``."""
    return re.sub(r"^(?:.*?: )?line \d+, stage (?=\d)", "--stage, number ", mistake)


def print_saved(path: Path) -> None:
    """Say which preset was written, and that it now stands in front of a shipped one where it does."""
    from tapeemu.presets import list_places

    hides = [place.hides for place in list_places() if place.path == path and place.hides is not None]
    said = f"; from now on it hides the shipped {printable(str(hides[0]))}" if hides else ""
    typer.echo(f"written: {printable(str(path))}{said}")


def target_path(name: str) -> Path:
    """Where a new preset of a name belongs: the user's folder, made if need be; or the path that was given."""
    from tapeemu.cli.common import output_folder
    from tapeemu.presets import user_folder
    from tapeemu.presets.places import NAME

    path = Path(name)
    if path.suffix == ".toml" or len(path.parts) > 1:
        if path.suffix != ".toml":
            raise ParameterError(f"{name!r} must end in .toml, or be a plain name")
        return path
    if not NAME.fullmatch(name):
        raise ParameterError(
            f"{name!r} must be of lower-case words and numbers joined by hyphens, or a .toml file"
        )
    return output_folder(user_folder()) / f"{name}.toml"


def schema(
    out: Path | None = typer.Option(None, "--out", "-o", help="Write it to this file; printed if left out."),
    overwrite: bool = typer.Option(False, "--overwrite", help="Replace a file that exists."),
) -> None:
    """Export the JSON Schema of preset files, with which editors check and complete them."""
    import json

    from tapeemu.presets.schema import preset_schema
    from tapeemu.presets.writing import write_text

    text = json.dumps(preset_schema(), indent=2, ensure_ascii=False) + "\n"
    if out is None:
        typer.echo(text, nl=False)
    else:
        write_text(text, out, overwrite=overwrite)
