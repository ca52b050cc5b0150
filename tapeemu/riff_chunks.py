"""Metadata chunks of WAV files that the sound file library does not carry over.

Broadcast extension (EBU Tech 3285), iXML, cue points, labels and sampler data are read from the input
and put behind the audio of the output, so that a session still finds its time stamps.
"""

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

__all__ = ["append_chunks", "carried_chunks", "rescaled_time_reference", "with_coding_history"]

_CARRIED = (b"bext", b"iXML", b"axml", b"cue ", b"smpl", b"inst", b"acid")
_LARGEST_CHUNK = 16 * 2**20  # metadata is small; a declared size beyond this is a lie or not metadata

# Offsets in the fixed part of the broadcast extension (EBU Tech 3285 v2, clause 2.3).
_BEXT_TIME_REFERENCE = 338
_BEXT_FIXED = 602


def _chunks(file: BinaryIO) -> Iterator[tuple[bytes, int, int]]:
    """Identifier, offset and size of each chunk's body."""
    head = file.read(12)
    if len(head) < 12 or head[:4] not in (b"RIFF", b"RF64", b"BW64") or head[8:] != b"WAVE":
        return
    long_data_size = None
    position = 12
    while True:
        file.seek(position)
        head = file.read(8)
        if len(head) < 8:
            return
        identifier, size = head[:4], struct.unpack("<I", head[4:])[0]
        if identifier == b"ds64":
            body = file.read(16)
            if len(body) == 16:
                long_data_size = struct.unpack("<Q", body[8:])[0]
        if identifier == b"data" and size == 0xFFFFFFFF and long_data_size is not None:
            size = long_data_size
        yield identifier, position + 8, size
        position += 8 + size + size % 2


def carried_chunks(path: Path) -> list[tuple[bytes, bytes]]:
    """Read the metadata chunks of a WAV file that are worth keeping.

    Parameters
    ----------
    path : Path
        Any file; one that is not of the RIFF family has none.

    Returns
    -------
    list of (bytes, bytes)
        Four-letter identifier and content, in file order.
    """
    found = []
    with path.open("rb") as file:
        for identifier, offset, size in _chunks(file):
            wanted = identifier in _CARRIED
            if identifier == b"LIST" and size >= 4:
                file.seek(offset)
                wanted = file.read(4) == b"adtl"  # labels of cue points; INFO is carried as text fields
            if wanted and size <= _LARGEST_CHUNK:
                file.seek(offset)
                body = file.read(size)
                if len(body) == size:
                    found.append((identifier, body))
    return found


def append_chunks(path: Path, chunks: list[tuple[bytes, bytes]]) -> None:
    """Put chunks behind the audio of a finished WAV or RF64 file and correct its size fields."""
    if not chunks:
        return
    with path.open("r+b") as file:
        form = file.read(4)
        file.seek(0, 2)
        if file.tell() % 2:
            file.write(b"\0")
        for identifier, body in chunks:
            file.write(identifier + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2))
        riff_size = file.tell() - 8
        if form == b"RIFF":
            file.seek(4)
            file.write(struct.pack("<I", riff_size))
        else:
            file.seek(0)
            for identifier, offset, _ in list(_chunks(file)):
                if identifier == b"ds64":
                    file.seek(offset)
                    file.write(struct.pack("<Q", riff_size))


def rescaled_time_reference(bext: bytes, ratio: float) -> bytes:
    """Broadcast extension whose time stamp, counted in samples, fits another sample rate."""
    if len(bext) < _BEXT_FIXED:
        return bext
    place = slice(_BEXT_TIME_REFERENCE, _BEXT_TIME_REFERENCE + 8)
    samples = struct.unpack("<Q", bext[place])[0]
    return bext[: place.start] + struct.pack("<Q", round(samples * ratio)) + bext[place.stop :]


def with_coding_history(bext: bytes, *, sample_rate: int, bits: int, channels: int) -> bytes:
    """Broadcast extension with one more row of coding history (EBU R 98)."""
    if len(bext) < _BEXT_FIXED:
        return bext
    mode = {1: "mono", 2: "stereo"}.get(channels, "multitrack")
    row = f"A=PCM,F={sample_rate},W={bits},M={mode},T=tapeemu\r\n".encode("ascii")
    return bext.rstrip(b"\0").ljust(_BEXT_FIXED, b"\0") + row
