"""Chunks of WAV files: the metadata that the sound file library does not carry.

Broadcast extension (EBU Tech 3285), iXML, cue points, labels and sampler data are read from the input
and put behind the audio of the output, so that a session still finds its time stamps.
"""

import math
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from tapeemu.errors import AudioError

__all__ = [
    "KNOWN_CHUNKS",
    "append_chunks",
    "carried_chunks",
    "channel_mask",
    "chunks_of",
    "comment",
    "led",
    "rescaled",
    "set_channel_mask",
    "with_coding_history",
    "with_levels",
]

_CARRIED = (b"bext", b"iXML", b"axml", b"cue ", b"smpl", b"inst", b"acid")
KNOWN_CHUNKS = (
    *_CARRIED,
    *(b"fmt ", b"fact", b"LIST", b"PEAK", b"ds64", b"JUNK", b"junk", b"FLLR", b"PAD ", b"DISP", b"id3 ", b"cart"),
)
"""Identifiers whose declared size is taken at its word: where it leads beyond the file, the file is cut off."""
_LARGEST_CHUNK = 16 * 2**20  # metadata is small; a declared size beyond this is wrong or not metadata
_LARGEST_TOTAL = 64 * 2**20
_MOST_CHUNKS = 4096
_SMALLEST_FIGURE = -0x8000

# Offsets in the broadcast extension (EBU Tech 3285 v2, clause 2.3).
_BEXT_TIME_REFERENCE = 338
_BEXT_VERSION = 346
_BEXT_LOUDNESS = 412
_BEXT_FIXED = 602
_BEXT_NOT_MEASURED = 0x7FFF

_EXTENSIBLE = 0xFFFE


def chunks_of(file: BinaryIO) -> Iterator[tuple[bytes, int, int]]:
    """Identifier, offset and size of each chunk's body in a file of the RIFF family; nothing in any other.

    Raises
    ------
    AudioError
        If there are more chunks than in any real file.
    """
    head = file.read(12)
    if len(head) < 12 or head[:4] not in (b"RIFF", b"RF64", b"BW64") or head[8:] != b"WAVE":
        return
    long_data_size = None
    position = 12
    for _ in range(_MOST_CHUNKS):
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
        if position >= 2**63:
            return
    raise AudioError(
        f"{file.name} has more than {_MOST_CHUNKS:,} chunks in its header; open it in an audio editor and "
        "save it anew"
    )


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
    total = 0
    with path.open("rb") as file:
        for identifier, offset, size in chunks_of(file):
            wanted = identifier in _CARRIED
            if identifier == b"LIST" and size >= 4:
                file.seek(offset)
                wanted = file.read(4) == b"adtl"  # labels of cue points; INFO is carried as text fields
            if wanted and size <= _LARGEST_CHUNK and total + size <= _LARGEST_TOTAL:
                file.seek(offset)
                body = file.read(size)
                if len(body) == size:
                    total += size
                    found.append((identifier, body))
    return found


def channel_mask(path: Path) -> int:
    """Which speakers a WAV file's header says its channels feed; 0 if it does not."""
    place = _mask_place(path)
    if place is None:
        return 0
    with path.open("rb") as file:
        file.seek(place)
        return int(struct.unpack("<I", file.read(4))[0])


def set_channel_mask(path: Path, mask: int) -> None:
    """Write into the header of a WAV file which speakers its channels feed, if the header has that field."""
    place = _mask_place(path)
    if place is None:
        return
    with path.open("r+b") as file:
        file.seek(place)
        file.write(struct.pack("<I", mask))


def _mask_place(path: Path) -> int | None:
    """Offset of the speakers in the extended format chunk (WAVEFORMATEXTENSIBLE)."""
    with path.open("rb") as file:
        for identifier, offset, size in chunks_of(file):
            if identifier == b"fmt ":
                file.seek(offset)
                body = file.read(24)
                extended = size >= 40 and len(body) == 24 and struct.unpack_from("<H", body)[0] == _EXTENSIBLE
                return offset + 20 if extended else None
    return None


def comment(path: Path) -> str:
    """Text of the comment in the INFO list of a WAV file, of any length; empty if there is none.

    The sound file library passes over fields of more than two kilobytes.
    """
    with path.open("rb") as file:
        for identifier, offset, size in chunks_of(file):
            if identifier != b"LIST" or not 4 <= size <= _LARGEST_CHUNK:
                continue
            file.seek(offset)
            body = file.read(size)
            for name, start, length in _sub_chunks(body) if body[:4] == b"INFO" else ():
                if name == b"ICMT":
                    return body[start : start + length].split(b"\0")[0].decode("utf-8", "replace")
    return ""


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
            for identifier, offset, _ in list(chunks_of(file)):
                if identifier == b"ds64":
                    file.seek(offset)
                    file.write(struct.pack("<Q", riff_size))


def rescaled(identifier: bytes, body: bytes, ratio: float, *, rate_ratio: float | None = None) -> bytes:
    """A chunk whose sample counts fit audio of `ratio` times as many samples.

    Positions of cue points, lengths of labelled regions and loops of sampler data are changed by `ratio`;
    time stamp of the broadcast extension and sample period of sampler data by `rate_ratio`. Any other chunk,
    and one that is too short for what it declares, is returned as it is.

    Parameters
    ----------
    identifier, body : bytes
        The chunk.
    ratio : float
        Samples that come out for one that goes in: by the sample rate and by the speed of the tape.
    rate_ratio : float, optional
        By the sample rate alone; a tape at another speed changes neither when the file begins nor how long a
        sample lasts. As `ratio` when left out.
    """
    rate_ratio = ratio if rate_ratio is None else rate_ratio
    if ratio == 1.0 and rate_ratio == 1.0:
        return body
    changed = bytearray(body)
    if identifier == b"bext" and len(body) >= _BEXT_FIXED:
        _scale(changed, "<Q", [_BEXT_TIME_REFERENCE], rate_ratio)
    elif identifier == b"cue ":
        _scale(changed, "<I", _records(body, count_at=0, first=4, fields=(4, 20)), ratio)
    elif identifier == b"smpl" and len(body) >= 36:
        _scale(changed, "<I", _records(body, count_at=28, first=36, fields=(8, 12)), ratio)
        _scale(changed, "<I", [8], 1.0 / rate_ratio)
    elif identifier == b"LIST" and body[:4] == b"adtl":
        labelled = [
            offset + 4
            for name, offset, size in _sub_chunks(body)
            if name == b"ltxt" and 20 <= size <= len(body) - offset
        ]
        _scale(changed, "<I", labelled, ratio)
    return bytes(changed)


def led(identifier: bytes, body: bytes, frames: int) -> bytes:
    """A chunk that fits audio which begins by so many frames earlier than before.

    Cue points and loops of sampler data lie that much later in it; the time stamp of the broadcast extension,
    which says when the audio begins, is that much earlier, but not before midnight.
    """
    if not frames:
        return body
    changed = bytearray(body)
    places: list[int] = []
    if identifier == b"bext" and len(body) >= _BEXT_FIXED:
        begins = struct.unpack_from("<Q", body, _BEXT_TIME_REFERENCE)[0]
        struct.pack_into("<Q", changed, _BEXT_TIME_REFERENCE, max(begins - frames, 0))
    elif identifier == b"cue ":
        places = _records(body, count_at=0, first=4, fields=(4, 20))
    elif identifier == b"smpl" and len(body) >= 36:
        places = _records(body, count_at=28, first=36, fields=(8, 12))
    for place in places:
        position = struct.unpack_from("<I", body, place)[0]
        struct.pack_into("<I", changed, place, min(position + frames, 2**32 - 1))
    return bytes(changed)


def _records(body: bytes, *, count_at: int, first: int, fields: tuple[int, ...]) -> list[int]:
    """Places of the fields of each record of 24 bytes in a chunk that declares how many it has."""
    if len(body) < first:
        return []
    count = min(struct.unpack_from("<I", body, count_at)[0], (len(body) - first) // 24)
    return [first + 24 * record + field for record in range(count) for field in fields]


def _sub_chunks(body: bytes) -> Iterator[tuple[bytes, int, int]]:
    """Identifier, offset and declared size of each chunk within the body of a LIST."""
    position = 4
    while position + 8 <= len(body):
        size = struct.unpack_from("<I", body, position + 4)[0]
        yield body[position : position + 4], position + 8, size
        position += 8 + size + size % 2


def _scale(body: bytearray, code: str, places: list[int], ratio: float) -> None:
    largest = 2 ** (8 * struct.calcsize(code)) - 1
    for place in places:
        struct.pack_into(code, body, place, min(round(struct.unpack_from(code, body, place)[0] * ratio), largest))


def with_coding_history(bext: bytes, *, sample_rate: int, bits: int, channels: int) -> bytes:
    """Broadcast extension with one more row of coding history (EBU R 98)."""
    if len(bext) < _BEXT_FIXED:
        return bext
    mode = {1: "mono", 2: "stereo"}.get(channels, "multitrack")
    row = f"A=PCM,F={sample_rate},W={bits},M={mode},T=tapeemu\r\n".encode("ascii")
    return bext.rstrip(b"\0").ljust(_BEXT_FIXED, b"\0") + row


def with_levels(bext: bytes, *, loudness_lufs: float, true_peak_dbtp: float) -> bytes:
    """Broadcast extension whose loudness fields, where its version has them, tell the new audio.

    Loudness range and the momentary and short-term maxima are not measured here and are marked so:
    the figures of the input no longer hold.
    """
    if len(bext) < _BEXT_FIXED or struct.unpack_from("<H", bext, _BEXT_VERSION)[0] < 2:
        return bext
    changed = bytearray(bext)
    figures = (loudness_lufs, math.nan, true_peak_dbtp, math.nan, math.nan)
    for place, figure in enumerate(figures):
        known = math.isfinite(figure) and round(100.0 * figure) > _SMALLEST_FIGURE
        value = round(100.0 * figure) if known else _BEXT_NOT_MEASURED
        struct.pack_into("<h", changed, _BEXT_LOUDNESS + 2 * place, value)
    return bytes(changed)
