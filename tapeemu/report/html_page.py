"""Comparisons as one HTML file: players, blind test, figures and plots, with nothing loaded from the network."""

import base64
import contextlib
import hashlib
import tempfile
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np

from tapeemu import __version__
from tapeemu.comparison import Comparison, Render
from tapeemu.comparison.progress import SILENT, Progress
from tapeemu.errors import ParameterError
from tapeemu.files.encodings import Encoding
from tapeemu.files.part_files import PartFile, check_target, make_folder
from tapeemu.files.writer import AudioWriter
from tapeemu.pages import script_data, shared_source
from tapeemu.report import drawings
from tapeemu.report.html_view import page_view
from tapeemu.report.pictures import Picture, picture_of, shown
from tapeemu.report.wording import minus_signs, typeset

__all__ = ["write_report"]

_EAGER = 6  # sounds that are all decoded at the first play
_MOST_CHANNELS = 8  # of a FLAC stream
_MEGABYTE = 1e6


def write_report(
    comparison: Comparison,
    path: str | Path,
    *,
    overwrite: bool = False,
    embed_limit_mb: float = 16.0,
    progress: Progress = SILENT,
) -> list[Path]:
    """Write a comparison as one HTML file with players, blind test, plots and tables.

    Parameters
    ----------
    comparison : Comparison
        What to show.
    path : str or Path
        Target, ending in ``.html``.
    overwrite : bool
        Replace what exists.
    embed_limit_mb : float
        Size of the coded audio up to which it is kept inside the file; larger audio lies in a folder beside
        it, which must travel with it.
    progress : Progress
        Is told of every step.

    Returns
    -------
    list of Path
        The page, and what lies in the folder beside it.

    Raises
    ------
    OutputError, ParameterError
        If the target may not be written, or an argument breaks a rule.
    """
    from joblib import Parallel, delayed

    path = Path(path)
    if path.suffix.lower() not in (".html", ".htm"):
        raise ParameterError(f"the report's name is {path.name!r}, but must end in .html")
    if not embed_limit_mb >= 0.0:
        raise ParameterError(f"embed_limit_mb is {embed_limit_mb!r}, but must be zero or more")
    check_target(path, overwrite=overwrite)
    renders = (comparison.dry, *comparison.renders)
    playable = comparison.dry.audio.shape[0] <= _MOST_CHANNELS
    heads = [group.first for group in comparison.groups]
    told = heads if len(heads) > 1 else list(range(min(len(comparison.renders), drawings.MOST_DRAWN)))
    nulls = [comparison.figures[place]["null_db"].value for place in told]
    in_colour = [told[index] for index in shown(nulls, drawings.MOST_DRAWN)]
    chosen = [told[index] for index in shown(nulls)]
    drawn = (comparison.dry, *(comparison.renders[index] for index in in_colour))
    with tempfile.TemporaryDirectory() as folder:
        step = progress.step("draw and code the sounds", len(drawn) + (len(renders) if playable else 0))

        def draw(render: Render) -> Picture:
            picture = picture_of(render, comparison.sample_rate)
            step.advance()
            return picture

        def code(index: int, render: Render) -> bytes:
            coded = _coded(render, Path(folder) / f"{index}.flac", comparison.sample_rate)
            step.advance()
            return coded

        work = [delayed(draw)(render) for render in drawn]
        if playable:
            work += [delayed(code)(index, render) for index, render in enumerate(renders)]
        done: list[Any] = Parallel(n_jobs=-1, prefer="threads")(work)
        step.finish()
    pictures, coded = done[: len(drawn)], done[len(drawn) :]
    inside = sum(map(len, coded)) <= embed_limit_mb * _MEGABYTE
    beside = path.with_name(f"{path.stem}-audio")
    step = progress.step("write the page", 1)
    text = _page(comparison, in_colour, chosen, pictures, coded, inside, beside.name)
    scripts = [] if inside else _scripts(beside, coded)
    _publish([*scripts, (path, text)], None if inside or not coded else beside, overwrite=overwrite)
    step.finish()
    return [path, *(target for target, _ in scripts)]


def _page(
    comparison: Comparison,
    in_colour: Sequence[int],
    chosen: Sequence[int],
    pictures: Sequence[Picture],
    coded: Sequence[bytes],
    inside: bool,
    folder: str,
) -> str:
    from jinja2 import Environment

    renders = (comparison.dry, *comparison.renders)
    tracks = _tracks(renders, coded, inside, folder)
    view = page_view(comparison, in_colour, chosen, pictures)
    size_mb = sum(map(len, coded)) / _MEGABYTE
    script = _script()
    data = {
        "name": comparison.name,
        "rate": comparison.sample_rate,
        "seconds": comparison.dry.audio.shape[1] / comparison.sample_rate,
        "points": drawings.POINTS,
        "eager": _EAGER,
        "tracks": [{key: track[key] for key in ("number", "label", "file")} for track in tracks],
    }
    # Autoescaping is on for all that comes from outside; what is marked safe was made in this package.
    environment = Environment(autoescape=True)
    environment.filters["set"] = typeset
    page = environment.from_string(_own("page.html"))
    return page.render(
        **view,
        version=__version__,
        nonce=hashlib.sha256(script.encode() + comparison.name.encode("utf-8", "replace")).hexdigest()[:32],
        style=_own("style.css"),
        script=script,
        data=script_data(data),
        tracks=tracks,
        rival=view["choices"][1]["number"] if len(view["choices"]) > 1 else min(2, len(tracks) - 1),
        points=drawings.POINTS,
        seconds=f"{data['seconds']:.2f}",
        audio_note=_audio_note(inside, size_mb, folder),
    )


def _scripts(folder: Path, coded: Sequence[bytes]) -> list[tuple[Path, str]]:
    """Audio as scripts, which a page opened from disk may load where it may not load sound files."""
    return [
        (
            folder / f"order-{index}.js",
            f'(window.tapeemuAudio ??= {{}})[{index}] = "{base64.b64encode(data).decode("ascii")}";\n',
        )
        for index, data in enumerate(coded)
    ]


def _publish(files: Sequence[tuple[Path, str]], folder: Path | None, *, overwrite: bool) -> None:
    """Write all files or none: each is whole before the first takes its name, and what was there before stays."""
    parts: list[PartFile] = []
    new: list[Path] = []
    made = folder is not None and not folder.exists()
    try:
        if folder is not None:
            _make(folder)
        for target, text in files:
            parts.append(PartFile(target, overwrite=overwrite))
            parts[-1].write(text.encode("utf-8", errors="replace"))
        for part in parts:
            there = part.target.exists()
            part.publish()
            if not there:
                new.append(part.target)
    except BaseException:
        for part in parts:
            part.discard()
        for target in new:
            target.unlink(missing_ok=True)
        if made and folder is not None:
            with contextlib.suppress(OSError):
                folder.rmdir()
        raise


def _make(folder: Path) -> None:
    make_folder(folder, parents=False)


def _script() -> str:
    """The page's own script, with what pages share in front, in a scope of its own."""
    shared = "\n".join(shared_source(name) for name in ("player.js", "hidden_test.js"))
    return f'"use strict";\n(() => {{\n{shared}\n{_own("script.js")}}})();\n'


def _own(name: str) -> str:
    return files(__package__).joinpath(name).read_text("utf-8")


def _coded(render: Render, path: Path, sample_rate: float) -> bytes:
    """A render as FLAC of 16 bits, with dither."""
    with AudioWriter(
        path, sample_rate=round(sample_rate), channels=render.audio.shape[0], encoding=Encoding("FLAC", "PCM_16")
    ) as writer:
        for start in range(0, render.audio.shape[1], 2**16):
            writer.write(render.audio[:, start : start + 2**16].astype(np.float64))
    return path.read_bytes()


def _tracks(renders: Sequence[Render], coded: Sequence[bytes], inside: bool, folder: str) -> list[dict[str, Any]]:
    if not coded:
        return []
    return [
        {
            "number": index,
            "label": render.label,
            "gain": minus_signs(f"{render.gain_db:+.1f}"),
            "embedded": base64.b64encode(coded[index]).decode("ascii") if inside else "",
            "file": "" if inside else f"{folder}/order-{index}.js",
        }
        for index, render in enumerate(renders)
    ]


def _audio_note(inside: bool, size_mb: float, folder: str) -> str:
    coding = f"The sound is coded without loss (FLAC, 16 bits with dither, {size_mb:.1f} MB)"
    if inside:
        return f"{coding} and lies inside this file."
    return f"{coding}. It lies in the folder {folder}, which must stay beside this file."
