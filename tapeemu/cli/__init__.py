"""The command line: every command, and how errors end it.

One module a command. None of them imports anything heavy before its command runs, so that help answers
at once.
"""

import errno
import io
import os
import re
import signal
import sys
import threading
from typing import Any

import typer

from measure.writing import open_outlets
from tapeemu.cli import compare, demo, desk, device, measuring, plugins, presets, process, settings, warm
from tapeemu.cli.common import (
    EXIT_INTERNAL,
    EXIT_INTERRUPTED,
    EXIT_OUTPUT,
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
    epilog="Begin with 'tapeemu demo': it makes stems to try everything on.",
)

# What a command is given most often, on the stems of the demonstration. Its help ends with it.
_EXAMPLES = {
    "process": "tapeemu process tapeemu-demo/dry --preset hall-into-drive --out takes --seed 7",
    "compare": "tapeemu compare tapeemu-demo/dry/bell-buoy.wav --preset hall-into-drive --out orders",
    "desk": "tapeemu desk tapeemu-demo/dry/*.wav --preset hall-into-drive",
    "show": "tapeemu show hall-into-drive",
    "find": "tapeemu find flutter=..0.15 rt60=3..",
    "new": "tapeemu new my-hall --from hall-into-drive --set hall.decay_seconds=1.8s --purpose 'A nearer hall.'",
    "settings": "tapeemu settings fdn_reverb",
    "measure": "tapeemu measure my-hall",
    "verify": "tapeemu verify my-hall",
    "device": "tapeemu device preamplifier-alone --rate 48000 --channels 1 --out device",
    "solve": "tapeemu solve my-tape --from hall-into-drive flutter=0.2 thd=2",
}


app.add_typer(plugins.app, name="plugins")


@app.callback()
def _root(
    version: bool = typer.Option(
        False, "--version", help="Print the version and end.", callback=version_callback, is_eager=True
    ),
) -> None:
    pass


# In the order in which the list of commands shows them, each with its line there.
for _name, _run, _short in (
    ("demo", demo.demo, "Make four short stems, to try everything on, and put them on tape."),
    ("process", process.process, "Put stems on tape, through the chain of a preset."),
    ("compare", compare.compare, "Compare orders of a chain: by ear, in words and in figures."),
    ("desk", desk.desk, "Tune a chain by ear while stems loop, in the browser."),
    ("presets", presets.presets, "List all presets with their measured figures."),
    ("show", presets.show_preset, "Show one preset: its purpose, stages and measured figures."),
    ("find", presets.find, "Find presets by their measured figures."),
    ("new", presets.new, "Write a new preset, from another one or from stages."),
    ("settings", settings.settings, "List the kinds of stages, or every setting of one."),
    ("measure", measuring.measure, "Measure presets and write the figures into their files."),
    ("verify", measuring.verify, "Measure presets again and compare with their figures."),
    ("solve", measuring.solve_figures, "Find the settings that give the figures wanted."),
    ("device", device.device, "Write a preset as C for a small device, with what it costs there."),
    ("schema", presets.schema, "Export the JSON Schema of preset files, for editors."),
    ("warm", warm.warm, "Compile the loops now, so that the first sound starts at once."),
):
    _epilog = f"Example: {_EXAMPLES[_name]}" if _name in _EXAMPLES else None
    app.command(_name, cls=OnceCommand, short_help=_short, epilog=_epilog)(_run)


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


_UNWRITABLE = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO)
"""What a stream says that is sent to a place without room. Files say it as an OutputError."""


def main() -> None:
    """Run the command line and end the process with a status by class of error."""
    # A request to end is handled like Ctrl-C: what is half-written is removed on the way out.
    signal.signal(signal.SIGTERM, _interrupt)
    sys.unraisablehook = _interrupt_again
    open_outlets()
    for stream in (sys.stdout, sys.stderr):
        # Names of files hold any bytes, and terminals not all letters: what cannot be written is spelt out.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    status = _status()
    if status:
        from tapeemu.files.part_files import remove_empty_folders

        remove_empty_folders()
    sys.exit(status)


def _status() -> int:
    """Run the command, and tell in a line what went wrong; returns the status."""
    try:
        status = app(standalone_mode=False)
    except PresetError as error:
        complain(error.heading, error.mistakes)
        return exit_status(error)
    except TapeemuError as error:
        complain(str(error))
        return exit_status(error)
    except (KeyboardInterrupt, typer.Abort):
        status = EXIT_INTERRUPTED
    except Exception as error:  # the last line of defence: no traceback reaches a user
        if hasattr(error, "format_message"):  # wrong usage, by whichever parser typer is built on
            _explain_usage(error)
            return EXIT_USAGE
        if isinstance(error, OSError) and error.filename is None and error.errno in _UNWRITABLE:
            complain(
                f"what was to be printed cannot be written ({os.strerror(error.errno)}); check the space there"
            )
            return EXIT_OUTPUT
        complain(f"internal error: {type(error).__name__}: {error}; please report it with the command you gave")
        return EXIT_INTERNAL
    if status == EXIT_INTERRUPTED:  # from here, or from the parser, which catches Ctrl-C itself
        complain("interrupted; no partial file was left")
    return status if isinstance(status, int) else 0
