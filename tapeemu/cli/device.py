"""``tapeemu device``: a preset as C for a small device, and what it costs there."""

import math
import re
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from tapeemu.cli.common import Bar, listen_to_compilation, output_folder
from tapeemu.errors import ParameterError

if TYPE_CHECKING:
    from tapeemu.presets.preset import Preset
    from tapeemu.targets.device import DeviceBuild

__all__ = ["device"]

_SHEET = "sheet.md"
_UNITS = {"": 1.0, "k": 1024.0, "m": 1024.0**2}


def device(
    preset: str = typer.Argument(..., metavar="PRESET", help="Name or file."),
    out: Path = typer.Option(..., "--out", metavar="DIR", help="Folder for the files."),
    rate: float = typer.Option(48_000.0, "--rate", help="Samples per second of the device."),
    channels: int = typer.Option(1, "--channels", help="1 or 2."),
    ram: str = typer.Option("", "--ram", help="Most memory, such as 512k; the chain is reduced to fit."),
    instructions: float = typer.Option(
        0.0, "--instructions", help="Most instructions per sample, on average; the chain is reduced to fit."
    ),
    control_rate: float = typer.Option(100.0, "--control-rate", help="Envelopes of the input a second."),
    figures: bool = typer.Option(
        True, "--figures/--no-figures", help="Measure what plays on the device beside the preset's figures."
    ),
    overwrite: bool = typer.Option(False, "--overwrite", help="Replace files that exist."),
) -> None:
    """Write a preset as C files for a small device, with a sheet of what it costs there."""
    from tapeemu.files.part_files import PartFile, write_together
    from tapeemu.presets import load_preset
    from tapeemu.targets.device import control_samples, device_files, figures_on_device, sheet
    from tapeemu.validation import MAX_SAMPLE_RATE, MIN_SAMPLE_RATE

    if channels not in (1, 2):
        raise ParameterError(f"--channels is {channels}, but a device has 1 or 2; choose one of them")
    if not MIN_SAMPLE_RATE <= rate <= MAX_SAMPLE_RATE:
        raise ParameterError(
            f"--rate is {rate:g} Hz, but must lie between {MIN_SAMPLE_RATE:,} and {MAX_SAMPLE_RATE:,} Hz; "
            "leave it out for 48,000 Hz"
        )
    if not 0.0 <= instructions < math.inf:
        raise ParameterError(
            f"--instructions is {instructions:g}, but must be zero or more, and finite; leave it out for no limit"
        )
    most = _bytes(ram)
    listen_to_compilation()
    chosen = load_preset(preset)
    # C checks nothing: a rate that no stage can run at is refused by the same chain in Python.
    chosen.chain.stream(sample_rate=rate, channels=channels).close()
    control_samples(control_rate, rate)
    target = output_folder(out)
    PartFile(target / _SHEET, overwrite=overwrite).discard()  # what cannot be written is told before the work
    typer.echo("compiling for the device, and running it there, emulated (about a minute)", err=True)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        build = _built(
            chosen,
            folder,
            most_bytes=most,
            most_instructions=instructions,
            sample_rate=rate,
            channels=channels,
            control_hz=control_rate,
        )
        wanted = figures and chosen.measured is not None
        rows = None
        if wanted:
            with Bar("measure what plays there", 1.0) as bar:
                told = bar.update if bar.visible else None
                rows = figures_on_device(build, chosen.measured, folder, progress=told)
    files = {**device_files(build), _SHEET: sheet(build, rows)}
    write_together({target / file: text.encode() for file, text in files.items()}, overwrite=overwrite)
    costs = build.costs
    typer.echo(
        f"{target}: {len(files)} files; {costs.flash_bytes} bytes of flash, {costs.ram_bytes} of RAM, "
        f"{costs.instructions:.0f} instructions per sample ({costs.worst_instructions:.0f} in the slowest block)"
    )


def _built(
    preset: "Preset", folder: Path, *, most_bytes: float, most_instructions: float, **conditions: Any
) -> "DeviceBuild":
    """The preset as it is built for the device, reduced to fit where there is a limit; 0 is none."""
    from tapeemu.targets.budgets import fitted
    from tapeemu.targets.device import build_for_device

    if not (most_bytes or most_instructions):
        return build_for_device(preset.name, preset.chain, folder=folder, **conditions)
    return fitted(
        preset.name,
        preset.chain,
        folder=folder,
        ram_bytes=most_bytes or math.inf,
        instructions=most_instructions or math.inf,
        **conditions,
    )


def _bytes(text: str) -> float:
    if not text:
        return 0.0
    match = re.fullmatch(r"(\d+(?:\.\d+)?)\s*([kKmM]?)B?", text)
    if match is None or float(match[1]) == 0.0:
        raise ParameterError(f"--ram is {text!r}, but must be a number of bytes, such as 512k or 1M")
    return float(match[1]) * _UNITS[match[2].lower()]
