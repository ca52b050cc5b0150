"""``tapeemu plugins``: the suite as plug-ins for hosts of CLAP, LV2 and VST3."""

from pathlib import Path

import typer

from tapeemu.cli.common import OnceCommand, listen_to_compilation, output_folder
from tapeemu.errors import ParameterError

__all__ = ["app", "build_plugins", "install_plugins", "list_plugins", "remove_plugins"]

_BUILDING = "building the plug-ins, once (less than a minute)"

app = typer.Typer(
    help="The suite as plug-ins for a host: build, install, list, remove.",
    no_args_is_help=True,
    rich_markup_mode=None,
)


@app.command("build", cls=OnceCommand)
def build_plugins(
    out: Path = typer.Option(..., "--out", metavar="DIR", help="Folder for the plug-ins."),
    machine: str = typer.Option(
        "", "--machine", help="Machine to build for; left out: this one. Others need ziglang (tapeemu[plugins])."
    ),
) -> None:
    """Build the plug-ins into a folder."""
    from tapeemu.plugins.building import FORMATS, MACHINES, NAME, build, find_built, this_machine
    from tapeemu.plugins.installing import put

    if machine and machine not in MACHINES:
        raise ParameterError(f"--machine is {machine!r}, but must be one of: {', '.join(MACHINES)}")
    listen_to_compilation()
    chosen = MACHINES[machine] if machine else this_machine()
    if chosen != this_machine() or find_built() is None:
        typer.echo(_BUILDING, err=True)
    made = build(chosen)
    target = output_folder(out / chosen.name)
    names = [put(made / f"{NAME}.{each}", target).name for each in FORMATS]
    typer.echo(f"{target}: {', '.join(names)}")


@app.command("install", cls=OnceCommand)
def install_plugins() -> None:
    """Put the plug-ins where hosts look for them, for this user; they are built if that is needed."""
    from tapeemu.plugins.building import find_built
    from tapeemu.plugins.installing import install

    listen_to_compilation()
    if find_built() is None:
        typer.echo(_BUILDING, err=True)
    for path in install():
        typer.echo(str(path))


@app.command("list", cls=OnceCommand)
def list_plugins() -> None:
    """List the plug-ins, and where they are installed."""
    from tapeemu.plugins.installing import find_installed
    from tapeemu.plugins.tables import plugin_kinds

    typer.echo("Tape Suite Chain: a whole chain, from a preset")
    for kind in plugin_kinds():
        typer.echo(f"{kind.label}: {kind.kind}")
    found = find_installed()
    for path in found:
        typer.echo(str(path))
    if not found:
        typer.echo("not installed; 'tapeemu plugins install' does it")


@app.command("remove", cls=OnceCommand)
def remove_plugins() -> None:
    """Take the plug-ins away from where hosts look for them."""
    from tapeemu.plugins.installing import remove

    found = remove()
    for path in found:
        typer.echo(f"removed {path}")
    if not found:
        typer.echo("no plug-in was installed, so none was removed")
