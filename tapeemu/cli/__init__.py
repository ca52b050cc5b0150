"""The command line; with presets and comparison, the only part that knows both packages.

One module a command. None of them imports anything heavy before its command runs, so that help answers
at once.
"""

import os
import re
import signal
import sys
import threading
from typing import Any

import typer

from tapeemu.cli import compare, demo, measuring, presets, process, settings, warm
from tapeemu.cli.common import (
    EXIT_INTERNAL,
    EXIT_INTERRUPTED,
    EXIT_USAGE,
    OnceCommand,
    complain,
    exit_status,
    version_callback,
)
from tapeemu.errors import PresetError, TapeemuError

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


for _name, _run in (
    ("process", process.process),
    ("demo", demo.demo),
    ("compare", compare.compare),
    ("presets", presets.presets),
    ("show", presets.show_preset),
    ("find", presets.find),
    ("new", presets.new),
    ("settings", settings.settings),
    ("schema", presets.schema),
    ("measure", measuring.measure),
    ("verify", measuring.verify),
    ("solve", measuring.solve_figures),
    ("warm", warm.warm),
):
    app.command(_name, cls=OnceCommand)(_run)


def _interrupt(*_: Any) -> None:
    raise KeyboardInterrupt


def _interrupt_again(swallowed: Any) -> None:
    """Repeat an interruption that fell into a callback from foreign code, which cannot pass it on."""
    if isinstance(swallowed.exc_value, KeyboardInterrupt):
        timer = threading.Timer(0.05, os.kill, (os.getpid(), signal.SIGINT))
        timer.daemon = True
        timer.start()
    else:
        sys.__unraisablehook__(swallowed)


# What the parsers of typer's versions say of a value that is no number, and what we say.
_NUMBERS = (
    (re.compile(r"(?:Input should be|'[^']*' is not) a valid int.*", re.DOTALL), "it must be a whole number"),
    (
        re.compile(r"(?:Input should be|'[^']*' is not) a valid (?:number|float).*", re.DOTALL),
        "it must be a number",
    ),
    (re.compile(r"(?:Input should be|'[^']*' is not) a valid bool.*", re.DOTALL), "it must be true or false"),
)


def _explain_usage(error: Any) -> None:
    """Print what is wrong with the command in one line; the help itself where no command was given."""
    if type(error).__name__ == "NoArgsIsHelpError":
        typer.echo(error.format_message())
        return
    context = getattr(error, "ctx", None)
    command = context.command_path if context is not None else "tapeemu"
    message = error.format_message().rstrip(".")
    for pattern, words in _NUMBERS:
        message = pattern.sub(words, message)
    complain(f"{message}; '{command} --help' lists what there is")


def main() -> None:
    """Run the command line and end the process with a status by class of error."""
    # A request to end is handled like Ctrl-C: what is half-written is removed on the way out.
    signal.signal(signal.SIGTERM, _interrupt)
    sys.unraisablehook = _interrupt_again
    try:
        status = app(standalone_mode=False)
    except PresetError as error:
        complain(error.heading, error.mistakes)
        sys.exit(exit_status(error))
    except TapeemuError as error:
        complain(str(error))
        sys.exit(exit_status(error))
    except (KeyboardInterrupt, typer.Abort):
        status = EXIT_INTERRUPTED
    except Exception as error:  # the last line of defence: no traceback reaches a user
        if hasattr(error, "format_message"):  # wrong usage, by whichever parser typer is built on
            _explain_usage(error)
            sys.exit(EXIT_USAGE)
        complain(f"internal error: {type(error).__name__}: {error}; please report it with the command you gave")
        sys.exit(EXIT_INTERNAL)
    if status == EXIT_INTERRUPTED:  # from here, or from the parser, which catches Ctrl-C itself
        complain("interrupted; no partial file was left")
    sys.exit(status if isinstance(status, int) else 0)
