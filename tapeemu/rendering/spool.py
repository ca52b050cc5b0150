"""Bare samples on disk: a rendering that waits for the gain that only its end can tell.

Eight bytes a sample, channel after channel within a frame.
"""

import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from tapeemu.errors import OutputError
from tapeemu.files.part_files import reason
from tapeemu.rendering.file_rendering import block_frames
from tapeemu.units import db_to_gain
from tapeemu.validation import FloatArray

__all__ = ["add_from_spool", "named_spool", "nameless_spool", "read_spool", "write_spool"]

_SAMPLE_BYTES = 8


def nameless_spool(folder: Path) -> Any:
    """Make a spool in a folder that is gone when it is closed, however the process ends."""
    try:
        return tempfile.TemporaryFile(dir=folder)
    except OSError as error:
        raise OutputError(
            f"{folder} cannot be written to ({reason(error)}); check its permissions and space, or choose another "
            "folder"
        ) from None


def named_spool(path: Path, mode: str) -> Any:
    """Open a spool that other processes can read too; it belongs to the caller."""
    try:
        return path.open(mode)
    except OSError as error:
        raise OutputError(
            f"{path.parent} cannot keep a rendering ({reason(error)}); check its permissions and space"
        ) from None


def write_spool(spool: BinaryIO, block: FloatArray, target: Path) -> None:
    """Append a block of shape (channels, samples); `target` is for the error."""
    try:
        spool.write(np.ascontiguousarray(block.T).tobytes())
        spool.flush()
    except OSError as error:
        raise OutputError(
            f"{target} cannot be rendered ({reason(error)}); a level target, and stems side by side, need room "
            "beside the results for 8 bytes a sample: free some space"
        ) from None


def read_spool(spool: BinaryIO, channels: int, gain_db: float) -> Iterator[FloatArray]:
    """All blocks from the beginning, with a gain."""
    gain = db_to_gain(gain_db)
    spool.seek(0)
    while data := spool.read(block_frames(channels) * channels * _SAMPLE_BYTES):
        yield np.ascontiguousarray(np.frombuffer(data).reshape(-1, channels).T) * gain


def add_from_spool(total: FloatArray, path: Path, *, channels: int, start_frame: int) -> None:
    """Add to a block of shape (channels, samples) what a spool holds for it; mono goes to every channel."""
    with named_spool(path, "rb") as file:
        file.seek(start_frame * channels * _SAMPLE_BYTES)
        data = file.read(total.shape[1] * channels * _SAMPLE_BYTES)
    piece = np.frombuffer(data).reshape(-1, channels).T
    total[:, : piece.shape[1]] += piece
