"""``tapeemu demo``: four short stems of an invented scene, put through a shipped preset."""

import tempfile
from filecmp import cmp
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from tapeemu.cli.common import Bar, listen_to_compilation, output_folder
from tapeemu.cli.process import print_reports

if TYPE_CHECKING:
    from tapeemu.validation import FloatArray

__all__ = ["demo"]

_RATE = 48_000


def demo(
    out: Path = typer.Option(Path("tapeemu-demo"), "--out", "-o", help="Folder for stems and results."),
    preset: str = typer.Option("hall-into-drive", "--preset", "-p", help="Preset to render them through."),
    overwrite: bool = typer.Option(
        False,
        "--overwrite",
        help="Replace files that exist; those of an earlier demonstration are replaced anyway.",
    ),
) -> None:
    """Make four short stems (bell, engine, hull and water of a ferry at night) and put them on tape."""
    from tapeemu.demo_scene import SECONDS, STEMS, make_stem
    from tapeemu.presets import load_preset
    from tapeemu.rendering.delivery import Delivery
    from tapeemu.rendering.render import render_file

    chain = load_preset(preset).chain
    dry = output_folder(out / "dry")
    wet = output_folder(out / "tape")
    listen_to_compilation()
    reports = []
    with Bar("stems", len(STEMS)) as bar:
        for number, name in enumerate(STEMS, start=1):
            stem = dry / f"{name}.wav"
            replace = overwrite
            sound = make_stem(name, sample_rate=_RATE)
            with tempfile.TemporaryDirectory() as aside:
                made = Path(aside) / stem.name
                _write_stem(sound, made, overwrite=False)
                # A stem that is there and is ours was made here before, and so was what lies on tape beside it.
                if stem.is_file() and cmp(stem, made, shallow=False):
                    replace = True
            _write_stem(sound, stem, overwrite=replace)
            delivery = Delivery(overwrite=replace)
            reports.append(render_file(stem, chain, wet / stem.name, delivery=delivery, preset=preset))
            bar.update(number, f"{number}/{len(STEMS)}")
    print_reports(reports)
    typer.echo(f"{len(STEMS)} dry stems of {SECONDS:.0f} s: {dry}")
    typer.echo(f"the same through the preset {preset!r}: {wet}")
    typer.echo("Before you listen, turn the level down: loud sound through headphones harms hearing.")


def _write_stem(sound: "FloatArray", path: Path, *, overwrite: bool) -> None:
    from tapeemu.files.encodings import Encoding
    from tapeemu.files.writer import AudioWriter

    encoding = Encoding("WAV", "PCM_24")
    with AudioWriter(path, sample_rate=_RATE, channels=2, encoding=encoding, overwrite=overwrite) as writer:
        writer.write(sound)
