"""The renders of a comparison as sound files."""

import re
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import numpy as np

from tapeemu.comparison import Comparison
from tapeemu.files.encodings import Encoding
from tapeemu.files.writer import AudioWriter

__all__ = ["unnamed_renders", "write_renders"]


def write_renders(comparison: Comparison, folder: str | Path, *, overwrite: bool = False) -> list[Path]:
    """Write the matched renders as FLAC of 24 bits, numbered as in the report.

    Parameters
    ----------
    comparison : Comparison
        Whose renders.
    folder : str or Path
        Existing folder.
    overwrite : bool
        Replace what exists.
    """
    with unnamed_renders(comparison, folder, overwrite=overwrite) as written:
        return written


@contextmanager
def unnamed_renders(
    comparison: Comparison, folder: str | Path, *, overwrite: bool = False
) -> Iterator[list[Path]]:
    """Write renders as `write_renders` does, but let them take their names only when the context ends well.

    Yields
    ------
    list of Path
        What they will be called.
    """
    stem = Path(comparison.name).stem
    written = []
    with ExitStack() as whole:
        for number, render in enumerate(comparison.renders, start=1):
            plain = re.sub(r"[^\w.-]+", "-", render.label)[:80].strip("-.")
            target = Path(folder) / f"{stem}-{number}-{plain}.flac"
            writer = whole.enter_context(
                AudioWriter(
                    target,
                    sample_rate=round(comparison.sample_rate),
                    channels=render.audio.shape[0],
                    encoding=Encoding("FLAC", "PCM_24"),
                    overwrite=overwrite,
                )
            )
            for start in range(0, render.audio.shape[1], 2**16):
                writer.write(render.audio[:, start : start + 2**16].astype(np.float64))
            written.append(target)
        yield written
