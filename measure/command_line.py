"""The laboratory from the command line: read a recorded test signal, or write the signals to record.

Exit statuses are those of the suite: 0 done, 2 wrong use (a file of limits that cannot be used is one), 3 the
recording cannot be used, 4 a result cannot be written, 130 interrupted; and 6, a limit is not kept.
"""

import argparse
import json
import math
import re
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import NoReturn

from measure.errors import MeasureError, RecordingError, ResultsError
from measure.limits import LimitsCheck, read_limits
from measure.parts.sound_file import read_sound_file
from measure.plots import save_plots
from measure.progress import shown
from measure.recording import read_recording
from measure.report import Report
from measure.signal_files import save_signals
from measure.writing import open_outlets

__all__ = ["main"]

_WRONG_USE, _WRONG_INPUT, _NOT_WRITTEN, _INTERRUPTED = 2, 3, 4, 130


# What the parser says of wrong use, and what we say.
_USAGE = (
    (
        re.compile(r"^argument ([^:]+): invalid int value: (.*)", re.DOTALL),
        r"\1 is \2, but must be a whole number",
    ),
    (re.compile(r"^argument ([^:]+): invalid float value: (.*)", re.DOTALL), r"\1 is \2, but must be a number"),
    (re.compile(r"^argument ([^:]+): expected one argument"), r"\1 is given without its value"),
    (re.compile(r"^argument ([^:]+): (is )"), r"\1 \2"),
    (re.compile(r"^the following arguments are required: "), "missing: "),
    (re.compile(r"^unrecognized arguments: "), "not known here: "),
)


class _Parser(argparse.ArgumentParser):
    """A parser whose complaints are one line, like all others."""

    def error(self, message: str) -> NoReturn:
        for pattern, words in _USAGE:
            message = pattern.sub(words, message)
        raise MeasureError(f"{message}; '{self.prog} --help' lists what there is")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit status."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    open_outlets()
    try:
        status = _signals(given[1:]) if given[:1] == ["signals"] else _recording(given)
        sys.stdout.flush()
        return status
    except OSError as error:
        if error.filename is not None:  # a file's own story
            raise
        _complain(f"what was to be printed cannot be written ({error.strerror}); check the space there")
        return _NOT_WRITTEN
    except MeasureError as error:
        _complain(str(error))
        if isinstance(error, RecordingError):
            return _WRONG_INPUT
        return _NOT_WRITTEN if isinstance(error, ResultsError) else _WRONG_USE
    except KeyboardInterrupt:
        _complain("interrupted; no partial file was left")
        return _INTERRUPTED


def _complain(message: str) -> None:
    sys.stderr.write(f"measure: {_printable(' '.join(message.split()))}\n")


def _printable(text: str) -> str:
    """The same in one line, fit for any terminal: control characters and broken names are spelt out."""
    spelt = "".join(
        letter if letter.isprintable() else letter.encode("unicode_escape").decode("ascii") for letter in text
    )
    encoding = sys.stdout.encoding or "utf-8"
    return spelt.encode(encoding, "backslashreplace").decode(encoding)


def _place(text: str) -> Path:
    """A path that was given; an empty one would be the folder one stands in."""
    if not text:
        raise argparse.ArgumentTypeError("is '', but must name a place; '.' is the folder you are in")
    return Path(text)


def _recording(given: Sequence[str]) -> int:
    options = _recording_options(given)
    # Before the recording, which takes seconds: a file that cannot be used should say so at once.
    limits = None if options.limits is None else read_limits(options.limits)
    if options.junit is not None and options.junit.exists() and not options.overwrite:
        raise ResultsError(f"{options.junit} exists; choose another name, or give --overwrite to replace it")
    samples, rate = read_sound_file(options.recording)
    with shown("read the recording") as progress:
        report = read_recording(samples, rate, reference_level_dbfs=options.level, progress=progress)
    check = None if limits is None else report.check(limits)
    written = []
    if options.plots is not None:
        written += save_plots(report, options.plots, overwrite=options.overwrite)
    if check is not None and options.junit is not None:
        check.to_junit(options.junit, overwrite=options.overwrite)
        written.append(options.junit)
    _print(report, check, written, as_json=options.json)
    return 0 if check is None else check.exit_status


def _recording_options(given: Sequence[str]) -> argparse.Namespace:
    parser = _Parser(
        prog="python -m measure",
        description=(
            "Read a recording of a test signal: flutter, level, distortion, response, saturation, noise, and what "
            "tracks and turns of a tape do to each other. "
            "'python -m measure signals --out DIR' writes the signals to record."
        ),
        epilog="Exit status: 0 done, and all limits kept; 2, 3, 4 an error, in one line; 6 a limit is not kept.",
    )
    parser.add_argument(
        "recording",
        type=_place,
        metavar="RECORDING",
        help=(
            "lossless sound file of one of those signals, wherever it begins, or of any steady tone; of two "
            "tracks or more also azimuth and crosstalk of neighbours are read"
        ),
    )
    parser.add_argument(
        "--level",
        type=float,
        default=-18.0,
        metavar="DBFS",
        help="reference level that the signals were written with (default -18); rising levels alone need it",
    )
    parser.add_argument("--json", action="store_true", help="write all readings and curves as JSON")
    parser.add_argument("--plots", type=_place, metavar="DIR", help="write plots (PNG) into this folder")
    parser.add_argument(
        "--limits", type=_place, metavar="FILE", help="check the figures against the limits in this file (TOML)"
    )
    parser.add_argument("--junit", type=_place, metavar="FILE", help="write what --limits found as JUnit XML")
    parser.add_argument("--overwrite", action="store_true", help="replace plots and files that exist")
    options = parser.parse_args(given)
    if not math.isfinite(options.level):
        raise MeasureError(
            f"--level is {options.level} dBFS, but must be a finite number; leave it out for -18 dBFS"
        )
    if options.junit is not None and options.limits is None:
        raise MeasureError("--junit is given without --limits, but holds what became of them; give --limits too")
    return options


def _print(report: Report, check: LimitsCheck | None, written: Sequence[Path], *, as_json: bool) -> None:
    if as_json:
        found = report.to_dict() | ({} if check is None else {"limits": check.to_dict()})
        sys.stdout.write(json.dumps(found, indent=1) + "\n")
        return
    sys.stdout.write(f"{report}\n")
    if check is not None:
        sys.stdout.writelines(["\n", *(f"{_printable(line)}\n" for line in str(check).splitlines())])
    sys.stdout.writelines(f"wrote {_printable(str(path))}\n" for path in written)


def _signals(given: Sequence[str]) -> int:
    parser = _Parser(
        prog="python -m measure signals", description="Write the test signals to record on a machine."
    )
    parser.add_argument("--out", type=_place, required=True, metavar="DIR", help="folder for the files")
    parser.add_argument("--rate", type=int, default=48_000, metavar="HZ", help="sample rate in Hz (default 48000)")
    parser.add_argument(
        "--level", type=float, default=-18.0, metavar="DBFS", help="reference level in dBFS (default -18)"
    )
    parser.add_argument("--overwrite", action="store_true", help="replace signals that exist")
    options = parser.parse_args(given)
    with shown("write the signals") as progress:
        written = save_signals(
            options.out,
            sample_rate=options.rate,
            reference_dbfs=options.level,
            overwrite=options.overwrite,
            progress=progress,
        )
    for path, seconds, purpose in written:
        sys.stdout.write(f"{_printable(str(path))}  {seconds:g} s: {purpose}\n")
    return 0
