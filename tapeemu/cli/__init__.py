"""The command line; with presets and comparison, the only part that knows both packages.

One module a command. None of them imports anything heavy before its command runs, so that help answers
at once.
"""

import sys

import typer

from tapeemu.cli import compare, demo, process, warm
from tapeemu.cli.common import EXIT_INTERNAL, EXIT_INTERRUPTED, complain, exit_status, version_callback
from tapeemu.errors import TapeemuError

__all__ = ["app", "main"]

app = typer.Typer(
    name="tapeemu",
    help="Put the artefacts of magnetic tape on audio stems, and know in figures what each setting does.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


@app.callback()
def _root(
    version: bool = typer.Option(
        False, "--version", help="Print the version and end.", callback=version_callback, is_eager=True
    ),
) -> None:
    pass


app.command("process")(process.process)
app.command("demo")(demo.demo)
app.command("compare")(compare.compare)
app.command("warm")(warm.warm)


def main() -> None:
    """Run the command line and end the process with a status by class of error."""
    try:
        app()
    except TapeemuError as error:
        complain(str(error))
        sys.exit(exit_status(error))
    except KeyboardInterrupt:
        complain("interrupted; no partial file was left")
        sys.exit(EXIT_INTERRUPTED)
    except Exception as error:  # the last line of defence: no traceback reaches a user
        complain(f"internal error: {type(error).__name__}: {error}; please report it with the command you gave")
        sys.exit(EXIT_INTERNAL)
