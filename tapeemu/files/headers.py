"""Headers that are wrong: what a file declares is compared with itself and with what is there.

The sound file library believes most of what it is told, and then reads short or for minutes. Each function
here returns what is wrong, in words, or an empty string.
"""

import mmap
import re
import struct
from pathlib import Path

from tapeemu.errors import counted
from tapeemu.files.riff_chunks import KNOWN_CHUNKS, chunks_of

__all__ = [
    "MP3_SLACK_SAMPLES",
    "count_mp3_samples",
    "log_contradiction",
    "mp3_contradiction",
    "ogg_contradiction",
    "riff_contradiction",
]

# Sizes that programs write into a pipe, where they cannot come back to correct them.
_UNKNOWN_SIZES = (0xFFFFFFFF, 0x7FFFF000)
_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_MP3_FRAME_SAMPLES = 1152
MP3_SLACK_SAMPLES = 4 * _MP3_FRAME_SAMPLES
"""How far the length of an MP3 file may be off that is counted by its frames: decoders drop some at both ends."""


def riff_contradiction(path: Path) -> str:
    """Say in what a WAV file contradicts itself, or return an empty string.

    Parameters
    ----------
    path : Path
        A file of the RIFF family.

    Raises
    ------
    AudioError
        If it has more chunks than any real file.
    """
    length = path.stat().st_size
    data_size, end_of_chunks = None, 0
    with path.open("rb") as file:
        for identifier, offset, size in chunks_of(file):
            if identifier == b"fmt " and 16 <= size <= 4096:
                file.seek(offset)
                found = _format_contradiction(file.read(16))
                if found:
                    return found
            if identifier == b"data":
                if offset + size > length and size not in _UNKNOWN_SIZES:
                    return f"its header declares {size:,} bytes of audio, but only {length - offset:,} are there"
                data_size = size
            elif offset + size > length and identifier in KNOWN_CHUNKS:
                name = identifier.decode("ascii").strip()
                return f"its chunk {name!r} declares {size:,} bytes, but only {length - offset:,} are there"
            elif not identifier.isascii() or offset + size > length:
                break  # not a chunk, or one that was cut off
            end_of_chunks = min(offset + size, length)
    loose = length - end_of_chunks
    if data_size is not None and data_size < length and loose > max(data_size, 16):
        return (
            f"its header declares {data_size:,} bytes of audio, but {loose:,} more follow that belong to nothing"
        )
    return ""


def _format_contradiction(body: bytes) -> str:
    if len(body) < 16:
        return ""
    tag, channels, rate, bytes_per_second, frame_bytes, bits = struct.unpack("<HHIIHH", body)
    if tag not in (_PCM, _FLOAT, _EXTENSIBLE) or not channels:
        return ""
    if frame_bytes != channels * ((bits + 7) // 8):
        told = counted(channels, "channel")
        return f"its header declares {told} of {bits} bits, but {frame_bytes} bytes for all of them"
    if bytes_per_second != rate * frame_bytes:
        wanted = rate * frame_bytes
        return f"its header declares {rate:,} Hz, but {bytes_per_second:,} bytes a second instead of {wanted:,}"
    return ""


def log_contradiction(log: str) -> str:
    """Sizes that the library corrected on its own: it reads on with the size it finds, and says so in its log."""
    for name, stated, found in re.findall(r"^ *(.+?) *: (\d+) \(should be (\d+)\)", log, re.M):
        if name in ("SSND", "Data Size", "data", "riff") and int(found) < int(stated) < 2**32 - 1:
            return f"its header declares {int(stated):,} bytes, but there are {int(found):,}"
    return ""


def ogg_contradiction(path: Path) -> str:
    """Whether the last page of an Ogg file is whole and marked as the end (RFC 3533, section 6)."""
    return "" if _ends_ogg_stream(path) else "its last page is missing"


def mp3_contradiction(*, stated: int, counted: int | None) -> str:
    """Whether an MP3 file holds more than the library takes it for, which guesses where no header tells.

    Parameters
    ----------
    stated : int
        Samples by the library.
    counted : int or None
        From :func:`count_mp3_samples`.
    """
    if counted is None or counted <= stated + MP3_SLACK_SAMPLES:
        return ""
    return f"it has no header for its length, taken as {stated:,} samples, but holds about {counted:,}"


def _ends_ogg_stream(path: Path) -> bool:
    """Whether the last page of an Ogg file is whole and marked as the end (RFC 3533, section 6)."""
    with path.open("rb") as file:
        file.seek(max(path.stat().st_size - 2**17, 0))
        end = file.read()
    page = end[max(end.rfind(b"OggS\0"), 0) :]
    if len(page) < 27 or not page[5] & 4:
        return False
    segments = page[26]
    return len(page) >= 27 + segments + sum(page[27 : 27 + segments])


def count_mp3_samples(path: Path) -> int | None:
    """Samples in an MP3 file by its frame headers (ISO/IEC 11172-3, 2.4.2.3).

    None if it has a header for the whole file, which is to be believed.
    """
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
        start = 0
        if data[:3] == b"ID3" and len(data) > 10:
            start = 10 + sum((byte & 127) << 7 * place for place, byte in enumerate(reversed(data[6:10])))
        if any(mark in data[start : start + 4096] for mark in (b"Xing", b"Info", b"VBRI")):
            return None
        return _walk_mp3(data, start)


def _walk_mp3(data: mmap.mmap, start: int) -> int:
    bit_rates = {
        3: (0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320),
        2: (0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160),
    }
    rates = {3: (44_100, 48_000, 32_000), 2: (22_050, 24_000, 16_000), 0: (11_025, 12_000, 8_000)}
    samples, place = 0, start
    while 0 <= place < len(data) - 4:
        version, layer = data[place + 1] >> 3 & 3, data[place + 1] >> 1 & 3
        bit_rate, rate = data[place + 2] >> 4, data[place + 2] >> 2 & 3
        synchronised = data[place] == 0xFF and data[place + 1] >> 5 == 7
        if not synchronised or version == 1 or layer != 1 or bit_rate in (0, 15) or rate == 3:
            place = data.find(b"\xff", place + 1)
            continue
        half = 1 if version == 3 else 2
        kilobits = bit_rates[3 if version == 3 else 2][bit_rate]
        place += 144_000 // half * kilobits // rates[version][rate] + (data[place + 2] >> 1 & 1)
        samples += _MP3_FRAME_SAMPLES // half
    return samples
