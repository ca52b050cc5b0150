"""The laboratory from the command line: read a recorded test signal, or write the signals to record."""

import argparse
import json
import os
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from measure.errors import MeasureError
from measure.plots import save_plots
from measure.recording import read_recording
from measure.sweep import steady_tone, two_tones
from measure.validation import FloatArray

__all__ = ["main"]

_USAGE_ERROR = 2


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit status."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    try:
        if given[:1] == ["signals"]:
            return _signals(given[1:])
        return _recording(given)
    except (MeasureError, OSError) as error:
        sys.stderr.write(f"error: {error}\n")
        return _USAGE_ERROR


def _recording(given: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m measure",
        description=(
            "Read flutter, amplitude fluctuation, distortion and level from a recording of a test signal. "
            "'python -m measure signals --out DIR' writes the signals to record."
        ),
    )
    parser.add_argument(
        "recording", type=Path, metavar="RECORDING", help="sound file of one steady tone, or a pair"
    )
    parser.add_argument("--json", action="store_true", help="write all readings and curves as JSON")
    parser.add_argument("--plots", type=Path, metavar="DIR", help="write plots (PNG) into this folder")
    options = parser.parse_args(given)
    import soundfile

    if not options.recording.is_file():
        raise MeasureError(f"there is no file {options.recording}; give the path of a sound file")
    try:
        samples, rate = soundfile.read(options.recording, dtype="float64", always_2d=True)
    except soundfile.LibsndfileError as error:
        raise MeasureError(f"{options.recording} cannot be read as sound: {error}") from None
    report = read_recording(np.ascontiguousarray(samples.T), rate)
    written = save_plots(report, options.plots) if options.plots is not None else []
    if options.json:
        sys.stdout.write(json.dumps(report.to_dict(), indent=1) + "\n")
    else:
        sys.stdout.write(f"{report}\n")
        sys.stdout.writelines(f"wrote {path}\n" for path in written)
    return 0


def _signals(given: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m measure signals", description="Write the test signals to record on a machine."
    )
    parser.add_argument("--out", type=Path, required=True, metavar="DIR", help="folder for the files")
    parser.add_argument("--rate", type=int, default=48_000, metavar="HZ", help="sample rate (default 48000)")
    parser.add_argument("--level", type=float, default=-18.0, metavar="DBFS", help="reference level (default -18)")
    options = parser.parse_args(given)
    rate, reference = options.rate, options.level
    if not 44_100 <= rate <= 384_000:
        raise MeasureError(f"the rate is {rate} Hz, but must lie between 44100 and 384000 Hz")
    if not -60.0 <= reference <= -6.0:
        raise MeasureError(f"the level is {reference:g} dBFS, but must lie between -60 and -6 dBFS")

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
    options.out.mkdir(parents=True, exist_ok=True)
    for name, (signal, purpose) in files.items():
        _write(options.out / name, signal, rate)
        sys.stdout.write(f"{options.out / name}  {len(signal) / rate:g} s: {purpose}\n")
    return 0


def _write(path: Path, signal: FloatArray, rate: int) -> None:
    import soundfile

    partial = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        soundfile.write(partial, signal, rate, format="WAV", subtype="PCM_24")
        partial.replace(path)
    finally:
        partial.unlink(missing_ok=True)


if __name__ == "__main__":
    raise SystemExit(main())
