"""What all commands share: exit statuses, messages, chains from options, tables."""

import json
import sys
import tomllib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import typer
from typer.core import TyperCommand

from tapeemu.errors import AudioError, OutputError, ParameterError, PresetError, TapeemuError

if TYPE_CHECKING:
    from rich.progress import Progress
    from rich.table import Table

    from tapeemu.chain import Chain

__all__ = [
    "CHANGES",
    "EXIT_INTERNAL",
    "EXIT_INTERRUPTED",
    "EXIT_NOT_PROVED",
    "EXIT_OUTPUT",
    "EXIT_USAGE",
    "PRESET",
    "SEED",
    "START_SECONDS",
    "STEMS",
    "Bar",
    "OnceCommand",
    "chain_from_options",
    "changed_chain",
    "complain",
    "exit_status",
    "listen_to_compilation",
    "output_folder",
    "parse_value",
    "printable",
    "show",
    "table",
    "version_callback",
    "write_json",
]

EXIT_INTERNAL = 1
EXIT_USAGE = 2
EXIT_INPUT = 3
EXIT_OUTPUT = 4
EXIT_NOT_PROVED = 5
EXIT_INTERRUPTED = 130

# Options of every command that puts stems through a chain: one help, and one meaning.
STEMS = typer.Argument(
    ...,
    metavar="STEM",
    help="Sound files, folders (with their sub-folders), or patterns such as 'takes/**/*.wav'.",
)
PRESET = typer.Option(..., "--preset", "-p", help="Name or file of the preset that holds the chain.")
CHANGES = typer.Option(
    [], "--set", metavar="STAGE.PARAMETER=VALUE", help="Change one setting; the value none leaves it out."
)
SEED = typer.Option(
    None, help="Number of the tape: another number is another tape, in the same room; left out: the preset's."
)
START_SECONDS = typer.Option(0.0, help="Place on the tape where the stems start.")


_PLACES = frozenset({"--out", "--page", "--plots", "--table", "--update"})
"""Options that name a file or a folder."""


class OnceCommand(TyperCommand):
    """A command whose options hold one value each, unless they are lists: given twice, one would be ignored."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Parse as always, and refuse what is given more often than it can hold, and paths without a name."""
        values, _, order = self.make_parser(ctx).parse_args(args=list(args))
        given: Counter[Any] = Counter(param for param in order if param.param_type_name == "option")
        for param, times in given.items():
            repeatable = param.multiple or (param.is_flag and not param.secondary_opts)
            option = max(param.opts, key=len)
            if times > 1 and not repeatable:
                remedy = "; run the command once for each preset" if option == "--preset" else "; give it once"
                raise ParameterError(f"{option} is given {times} times, but holds one value{remedy}")
            if option in _PLACES and values[param.name] == "":
                # A path takes no name for the folder one stands in.
                raise ParameterError(f"{option} is '', but must name a place; '.' is the folder you are in")
        return super().parse_args(ctx, args)


def exit_status(error: TapeemuError) -> int:
    """Status of the process: 2 usage and settings, 3 input, 4 output, 1 anything else."""
    for kind, status in (
        (OutputError, EXIT_OUTPUT),
        (AudioError, EXIT_INPUT),
        (PresetError, EXIT_INPUT),
        (ParameterError, EXIT_USAGE),
    ):
        if isinstance(error, kind):
            return status
    return EXIT_INTERNAL


def complain(message: str, details: Sequence[str] = ()) -> None:
    """Print a one-line message to standard error, and indented below it a line for each detail."""
    typer.echo(f"tapeemu: {printable(' '.join(message.split()))}", err=True)
    for detail in details:
        typer.echo(f"  {printable(' '.join(detail.split()))}", err=True)


def printable(text: str) -> str:
    """The same in one line, fit for any terminal: control characters and broken names are spelt out.

    Names of files and presets come from anywhere and must not be able to move the cursor or break a line.
    """
    spelt = "".join(
        letter if letter.isprintable() else letter.encode("unicode_escape").decode("ascii") for letter in text
    )
    encoding = sys.stdout.encoding or "utf-8"
    return spelt.encode(encoding, "backslashreplace").decode(encoding)


def version_callback(wanted: bool) -> None:
    """Print the version and end, when it is asked for."""
    if wanted:
        from tapeemu import __version__

        typer.echo(__version__)
        raise typer.Exit


def listen_to_compilation() -> None:
    """Announce the first compilation of the kernels on standard error."""
    from tapeemu.dsp.kernels.compilation import announce_with

    announce_with(lambda message: typer.echo(f"tapeemu: {message}", err=True))


def parse_value(text: str) -> Any:
    """A value as it would stand in a preset file; ``none`` leaves a setting out; all else is taken as text."""
    if text.lower() == "none":
        return None
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text


def chain_from_options(preset: str, *, order: str | None, changes: Sequence[str]) -> "Chain":
    """The chain of a preset with its stages rearranged and single settings changed.

    Parameters
    ----------
    preset : str
        Name or file.
    order : str or None
        Stage names joined by commas.
    changes : sequence of str
        ``stage.parameter=value``; the value ``none`` leaves a setting out. All are applied together, so that
        their order does not matter.

    Raises
    ------
    ParameterError
        If a change cannot be, or would change no sample.
    """
    from tapeemu.presets import find_preset, load_preset

    found = find_preset(preset)
    if found.hides is not None:
        typer.echo(
            f"tapeemu: {found.name!r} is your own preset ({printable(str(found.path))}), not the shipped one",
            err=True,
        )
    chain = changed_chain(load_preset(preset).chain, changes)
    for place, reason in chain.idle().items():
        typer.echo(f"tapeemu: {printable(place)} is without effect: {reason}", err=True)
    if order is not None:
        chain = chain.reordered([name.strip() for name in order.split(",")])
    return chain


def changed_chain(chain: "Chain", changes: Sequence[str]) -> "Chain":
    """The chain with ``stage.parameter=value`` applied for each change, those of a stage together."""
    wanted: dict[str, dict[str, Any]] = {}
    for change in changes:
        place, equals, text = change.partition("=")
        stage, dot, key = place.strip().rpartition(".")
        if not (equals and dot and stage and key):
            raise ParameterError(
                f"--set is {change!r}, but must be stage.parameter=value, e.g. hall.wet_percent=40; "
                "stage.parameter=none leaves one out"
            )
        own = wanted.setdefault(stage, {})
        if key in own:
            raise ParameterError(f"--set gives {stage}.{key} more than once; give it once")
        own[key] = parse_value(text.strip())
    for stage, values in wanted.items():
        try:
            chain = chain.with_settings(stage, values)
        except ParameterError as error:
            hint = f" (--set {stage}.SETTING=none does)" if "leave" in str(error) else ""
            raise ParameterError(f"{error}{hint}") from None
    _refuse_idle(chain, wanted)
    return chain


def _refuse_idle(chain: "Chain", wanted: Mapping[str, Mapping[str, Any]]) -> None:
    """Refuse a change that was asked for and would change no sample."""
    idle = chain.idle()
    for stage, values in wanted.items():
        for key, value in values.items():
            reason = idle.get(f"{stage}.{key}") or _silenced(chain, stage, key)
            if reason and value is not None:
                raise ParameterError(f"--set {stage}.{key} would change nothing: {reason}")


def _silenced(chain: "Chain", place: str, key: str) -> str:
    """Why nothing is heard of a stage, or of a chain around it; empty if it is heard."""
    from tapeemu.chain import Chain

    inner: Any = chain
    names = place.split(".")
    for number, name in enumerate(names, start=1):
        stage = next((each for each in inner.stages if each.name == name), None)
        if stage is None:  # another change has given it another name
            break
        told, last = ".".join(names[:number]), number == len(names)
        if stage.bypass and not (last and key in ("bypass", "name")):
            return f"{told} is bypassed ({told}.bypass=false lets it sound)"
        if stage.mixed_away and not (last and key in ("bypass", "name", "mix_percent", "automation")):
            return f"{told}.mix_percent is 0"
        if last and stage.curve_of(key) is not None:
            return f"it follows a curve of {told} ({told}.automation=none takes its curves away)"
        if not isinstance(stage.processor, Chain):
            break
        inner = stage.processor
    return ""


def output_folder(path: Path) -> Path:
    """Make a folder for results, parents included."""
    from tapeemu.files.part_files import make_folder

    return make_folder(path)


class Bar:
    """A bar with the time left, on standard error; nothing at all where that is no terminal.

    Parameters
    ----------
    what : str
        What is counted, in a word.
    total : float
        How much there is to do, in any measure.
    """

    def __init__(self, what: str, total: float) -> None:
        self._what = what
        self._total = total
        self._shown: Progress | None = None

    @property
    def visible(self) -> bool:
        """Whether standard error is a terminal, so that the bar can be seen."""
        return sys.stderr.isatty()

    def __enter__(self) -> Self:
        if self.visible:
            from measure.progress import new_bars

            self._shown = new_bars()
            self._shown.add_task(self._what, total=self._total)
            self._shown.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._shown is not None:
            self._shown.stop()

    def update(self, done: float, text: str = "") -> None:
        """Show how much is done, and in a few words what of."""
        if self._shown is not None:
            told = printable(f"{self._what} {text}".strip())[:60]
            self._shown.update(self._shown.task_ids[0], completed=done, description=told)

    @contextmanager
    def aside(self) -> Iterator[None]:
        """Take the bar away while something is printed."""
        if self._shown is not None:
            self._shown.stop()
        yield
        if self._shown is not None:
            self._shown.start()


def table(title: str, columns: Sequence[tuple[str, bool]]) -> "Table":
    """An empty table; each column is its heading and whether it holds figures."""
    from rich import box
    from rich.table import Table

    made = Table(title=title, title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)
    for heading, figures in columns:
        made.add_column(heading, justify="right" if figures else "left", overflow="fold")
    return made


def show(renderable: Any) -> None:
    """Print a table (or anything rich can print) to standard output."""
    from rich.console import Console

    # File names stand in tables: they are text, never markup.
    width = None if sys.stdout.isatty() else 160
    console = Console(width=width, markup=False, emoji=False, highlight=False)
    console.print(renderable)


def write_json(data: Any) -> None:
    """Print JSON."""
    text = json.dumps(data, indent=2, ensure_ascii=False, default=str)
    # Names that are not valid text have lone surrogates, which JSON can only hold escaped.
    text = "".join(f"\\u{ord(letter):04x}" if "\ud800" <= letter <= "\udfff" else letter for letter in text)
    typer.echo(text)
