"""``tapeemu desk``: tune a chain by ear while stems loop, in the browser."""

from pathlib import Path

import typer

from tapeemu.cli.common import listen_to_compilation
from tapeemu.errors import OutputError, ParameterError

__all__ = ["desk"]

_HIGHEST_PORT = 65_535


def desk(
    stems: list[Path] = typer.Argument(
        ..., metavar="STEM...", help="Sound files of one sample rate; they loop together on one tape."
    ),
    preset: str = typer.Option(
        "hall-into-drive", "--preset", "-p", help="Name or file of the preset to begin with."
    ),
    page: Path | None = typer.Option(
        None, "--page", metavar="FILE.html", help="Write one file with everything inside, and serve nothing."
    ),
    overwrite: bool = typer.Option(False, "--overwrite", help="With --page: replace a file that exists."),
    port: int = typer.Option(0, "--port", help="Port on this machine's own address; 0 for any free one."),
    show: bool = typer.Option(True, "--open/--no-open", help="Open the browser."),
) -> None:
    """Tune a chain by ear while stems loop, live, in the browser."""
    from tapeemu.desk.page import write_page
    from tapeemu.desk.stems import read_stems
    from tapeemu.presets import load_preset

    if page is None and overwrite:
        raise ParameterError("--overwrite is about the file of --page; give --page with it")
    if page is not None and port:
        raise ParameterError("--port is about the desk that is served; leave it out with --page")
    if not 0 <= port <= _HIGHEST_PORT:
        raise ParameterError(f"--port is {port}, but must lie between 0 (any free one) and {_HIGHEST_PORT}")
    chosen = load_preset(preset)
    read = read_stems(stems)
    if page is not None:
        target = write_page(read, chosen, page, overwrite=overwrite)
        typer.echo(f"{target}: {target.stat().st_size / 1e6:.1f} MB, with everything inside; open it in a browser")
        return
    import webbrowser

    from tapeemu.desk.server import DeskServer

    listen_to_compilation()
    try:
        server = DeskServer(read, chosen, port=port)
    except OSError as error:
        raise OutputError(f"port {port} cannot be used ({error.strerror}); leave --port out") from None
    typer.echo(f"{server.address}\nThe address works once. Ctrl-C ends the desk.")
    if show:
        webbrowser.open(server.address)
    try:
        server.serve_forever()
    except KeyboardInterrupt:
        typer.echo("the desk is closed")
    finally:
        server.server_close()
