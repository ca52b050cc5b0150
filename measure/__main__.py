"""The laboratory from the command line: read a recorded test signal, or write the signals to record.

Exit statuses are those of the suite: 0 done, 2 wrong use, 3 the recording cannot be used, 4 a result cannot be
written, 130 interrupted.
"""

import argparse
import json
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import NoReturn

from measure.errors import MeasureError, RecordingError, ResultsError
from measure.parts.signals import steady_tone, two_tones
from measure.parts.sound_file import HIGHEST_RATE_HZ, read_sound_file
from measure.plots import save_plots
from measure.recording import read_recording
from measure.validation import FloatArray

__all__ = ["main"]

_WRONG_USE, _WRONG_INPUT, _NOT_WRITTEN, _INTERRUPTED = 2, 3, 4, 130
_LOWEST_SIGNAL_RATE_HZ = 44_100  # the pair at 19 and 20 kHz must fit


class _Parser(argparse.ArgumentParser):
    """A parser whose complaints are one line, like all others."""

    def error(self, message: str) -> NoReturn:
        raise MeasureError(f"{message}; '{self.prog} --help' lists what there is")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit status."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    try:
        if given[:1] == ["signals"]:
            return _signals(given[1:])
        return _recording(given)
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


def _recording(given: Sequence[str]) -> int:
    parser = _Parser(
        prog="python -m measure",
        description=(
            "Read flutter, amplitude fluctuation, distortion and level from a recording of a test signal. "
            "'python -m measure signals --out DIR' writes the signals to record."
        ),
    )
    parser.add_argument(
        "recording", type=Path, metavar="RECORDING", help="lossless sound file of one steady tone, or a pair"
    )
    parser.add_argument("--json", action="store_true", help="write all readings and curves as JSON")
    parser.add_argument("--plots", type=Path, metavar="DIR", help="write plots (PNG) into this folder")
    parser.add_argument("--overwrite", action="store_true", help="replace plots that exist")
    options = parser.parse_args(given)
    samples, rate = read_sound_file(options.recording)
    report = read_recording(samples, rate)
    written = []
    if options.plots is not None:
        written = save_plots(report, options.plots, overwrite=options.overwrite)
    if options.json:
        sys.stdout.write(json.dumps(report.to_dict(), indent=1) + "\n")
    else:
        sys.stdout.write(f"{report}\n")
        sys.stdout.writelines(f"wrote {_printable(str(path))}\n" for path in written)
    return 0


def _signals(given: Sequence[str]) -> int:
    parser = _Parser(
        prog="python -m measure signals", description="Write the test signals to record on a machine."
    )
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder for the files")
    parser.add_argument("--rate", type=int, default=48_000, metavar="HZ", help="sample rate (default 48000)")
    parser.add_argument("--level", type=float, default=-18.0, metavar="DBFS", help="reference level (default -18)")
    parser.add_argument("--overwrite", action="store_true", help="replace signals that exist")
    options = parser.parse_args(given)
    rate, reference = options.rate, options.level
    if not _LOWEST_SIGNAL_RATE_HZ <= rate <= HIGHEST_RATE_HZ:
        raise MeasureError(
            f"--rate is {rate} Hz, but must lie between {_LOWEST_SIGNAL_RATE_HZ} and {HIGHEST_RATE_HZ} Hz"
        )
    if not -60.0 <= reference <= -6.0:
        raise MeasureError(f"--level is {reference:g} dBFS, but must lie between -60 and -6 dBFS")

    def tone(frequency_hz: float, seconds: float, level_dbfs: float) -> FloatArray:
        return steady_tone(rate, frequency_hz=frequency_hz, seconds=seconds, level_dbfs=level_dbfs)

    files = {
        "tone_3150hz.wav": (tone(3150.0, 40.0, reference), "flutter, drift, amplitude fluctuation"),
        "tone_10000hz.wav": (tone(10_000.0, 10.0, reference - 10.0), "scrape flutter"),
        "tone_1000hz.wav": (tone(1000.0, 10.0, reference), "harmonics, THD, THD+N at the reference level"),
        "tone_315hz.wav": (tone(315.0, 10.0, reference), "the same, practice of slow tapes"),
        "pair_60_7000hz.wav": (
            two_tones(
                rate, low_hz=60.0, high_hz=7000.0, low_to_high=4.0, seconds=10.0, level_dbfs=reference + 6.0
            ),
            "modulation distortion",
        ),
        "pair_19000_20000hz.wav": (
            two_tones(rate, low_hz=19_000.0, high_hz=20_000.0, seconds=10.0, level_dbfs=reference + 6.0),
            "difference-frequency distortion",
        ),
    }
    folder = options.out
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as error:
        raise ResultsError(f"{folder} cannot be made ({_why(error)}); choose another folder") from None
    there = [name for name in files if (folder / name).exists()]
    if there and not options.overwrite:
        raise ResultsError(f"{folder / there[0]} exists; choose another folder, or give --overwrite to replace it")
    for name, (signal, purpose) in files.items():
        _write(folder / name, signal, rate)
        sys.stdout.write(f"{_printable(str(folder / name))}  {len(signal) / rate:g} s: {purpose}\n")
    return 0


def _why(error: OSError | ValueError) -> str:
    return (getattr(error, "strerror", None) or str(error)).lower()


def _write(path: Path, signal: FloatArray, rate: int) -> None:
    import soundfile

    partial = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        try:
            with partial.open("wb") as file:
                soundfile.write(file, signal, rate, format="WAV", subtype="PCM_24")
            partial.replace(path)
        except (OSError, soundfile.LibsndfileError) as error:
            raise ResultsError(
                f"{path} cannot be written ({_why(error)}); check space and permissions, or choose another folder"
            ) from None
    finally:
        partial.unlink(missing_ok=True)


if __name__ == "__main__":
    raise SystemExit(main())
