"""``tapeemu demo``: four short stems of an invented scene, put through a shipped preset."""

from pathlib import Path

import typer

from tapeemu.cli.common import listen_to_compilation, output_folder
from tapeemu.cli.process import print_reports

__all__ = ["demo"]

_RATE = 48_000


def demo(
    out: Path = typer.Option(Path("tapeemu-demo"), "--out", "-o", help="Folder for stems and results."),
    preset: str = typer.Option("hall-into-drive", "--preset", "-p", help="Preset to render them through."),
    overwrite: bool = typer.Option(True, help="Replace the files of an earlier demonstration."),
) -> None:
    """Make four short stems (bell, engine, hull and water of a ferry at night) and put them on tape."""
    from tapeemu.demo_scene import SECONDS, STEMS, make_stem
    from tapeemu.files.encodings import Encoding
    from tapeemu.files.writer import AudioWriter
    from tapeemu.presets import load_preset
    from tapeemu.rendering.delivery import Delivery
    from tapeemu.rendering.render import render_file

    chain = load_preset(preset).chain
    dry = output_folder(out / "dry")
    wet = output_folder(out / "tape")
    listen_to_compilation()
    reports = []
    for name in STEMS:
        stem = dry / f"{name}.wav"
        with AudioWriter(
            stem, sample_rate=_RATE, channels=2, encoding=Encoding("WAV", "PCM_24"), overwrite=overwrite
        ) as writer:
            writer.write(make_stem(name, sample_rate=_RATE))
        delivery = Delivery(overwrite=overwrite)
        reports.append(render_file(stem, chain, wet / stem.name, delivery=delivery, preset=preset))
    print_reports(reports)
    typer.echo(f"{len(STEMS)} dry stems of {SECONDS:.0f} s: {dry}")
    typer.echo(f"the same through the preset {preset!r}: {wet}")
    typer.echo("Before you listen, turn the level down: loud sound through headphones harms hearing.")
