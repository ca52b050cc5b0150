"""Recordings from sound files, for the laboratory: lossless, whole, and told apart from what is not sound.

A reader of its own, because the laboratory must not import what it measures. What it refuses is held, together
with the reader of the suite, to one table of bad files by `tests/test_bad_input.py`.
"""

import io
import os
import re
import stat
import struct
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

from measure.errors import RecordingError, counted
from measure.validation import FloatArray

__all__ = ["HIGHEST_RATE_HZ", "LOWEST_RATE_HZ", "MOST_CHANNELS", "encoded_sound", "read_sound_file"]

LOWEST_RATE_HZ = 8_000
"""Lowest sample rate of a recording."""

HIGHEST_RATE_HZ = 384_000
"""Highest sample rate of a recording."""

MOST_CHANNELS = 256
"""Most channels of a recording."""

LOUDEST = 1e30
"""Largest magnitude of a sample: what is beyond it is no sound, and powers of it leave the range of numbers."""

_LOSSLESS = frozenset({"WAV", "WAVEX", "RF64", "W64", "AIFF", "CAF", "FLAC", "AU"})
_LOSSY_CODINGS = frozenset({"VORBIS", "OPUS", "MPEG_LAYER_I", "MPEG_LAYER_II", "MPEG_LAYER_III"})
_COPY = "copy it again from its source"
_BLOCK_FRAMES = 2**18
_MOST_RIFF_CHUNKS = 4096
_UNTOLD_SIZES = (0xFFFFFFFF, 0x7FFFF000)  # written by programs that could not come back to correct them


def read_sound_file(path: str | os.PathLike[str]) -> tuple[FloatArray, int]:
    """Read a whole recording.

    Parameters
    ----------
    path : path
        A lossless sound file: WAV, RF64, W64, AIFF, CAF, FLAC or AU.

    Returns
    -------
    samples : ndarray, shape (channels, samples), float64
        Nominal full scale 1.
    sample_rate : int
        Samples per second, 8,000 to 384,000.

    Raises
    ------
    RecordingError
        If the file is missing, cannot be opened, is no sound file, is lossy (compression changes what is to be
        measured), is cut off or contradicts itself, or holds no audio, samples that are not finite numbers, or
        integers that were never divided by their full scale. The text names file, rule and remedy.
    """
    import soundfile

    place = Path(path)
    _check_regular(place)
    _check_riff_sizes(place)
    try:
        with soundfile.SoundFile(os.fsencode(place) if os.name == "posix" else place) as file:
            _check_header(place, file)
            samples = _read_all(place, file)
            rate, coding = int(file.samplerate), str(file.subtype)
    except TypeError:  # some suffixes make the library ask for a header that the file has not
        raise _headerless(place) from None
    except (soundfile.LibsndfileError, OSError, ValueError) as error:
        if isinstance(error, RecordingError):
            raise
        raise RecordingError(
            f"{place} cannot be read as a sound file; check that it is whole and one of WAV, AIFF, CAF or FLAC"
        ) from None
    _check_samples(place, samples, coding)
    return samples, rate


def encoded_sound(samples: FloatArray, sample_rate: int) -> memoryview:
    """One channel as a WAV file of 24 bits, in memory: on a full disk the library would print tracebacks.

    Parameters
    ----------
    samples : ndarray, shape (samples,)
        Full scale is 1.
    sample_rate : int
        Samples per second.
    """
    import soundfile

    encoded = io.BytesIO()
    # In a thread, where no interruption falls into the library's call back, which would print and lose it.
    with ThreadPoolExecutor(1) as pool:
        pool.submit(soundfile.write, encoded, samples, sample_rate, format="WAV", subtype="PCM_24").result()
    return encoded.getbuffer()


def _headerless(path: Path) -> RecordingError:
    return RecordingError(f"{path} has no header that tells rate and channels; convert it to WAV first")


def _check_regular(path: Path) -> None:
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise RecordingError(f"{path} is a folder, but must be a sound file; name one of the files in it")
        if not stat.S_ISREG(status.st_mode):
            raise RecordingError(
                f"{path} is a pipe or a device, but must be a regular file; copy it into one first"
            )
        if not status.st_size:
            raise RecordingError(f"{path} is empty (0 bytes); {_COPY}")
        path.open("rb").close()
    except RecordingError:
        raise
    except PermissionError:
        raise RecordingError(f"{path} cannot be read; check its permissions") from None
    except FileNotFoundError:
        if path.is_symlink():
            raise RecordingError(f"{path} is a link to a file that does not exist; check where it leads") from None
        raise RecordingError(f"{path} does not exist; check its name") from None
    except (OSError, ValueError) as error:
        why = (getattr(error, "strerror", None) or str(error)).lower()
        raise RecordingError(f"{path} cannot be opened ({why}); check its name") from None


def _check_riff_sizes(path: Path) -> None:
    """Hold the sizes and the format that a WAV header declares against one another and against the file's size.

    The library believes such headers, or is kept busy by them for minutes. Layout: RIFF WAVE, and EBU Tech 3306
    for the 64-bit sizes.
    """
    length = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(12)
        if len(head) < 12 or head[:4] not in (b"RIFF", b"RF64", b"BW64") or head[8:] != b"WAVE":
            return
        place, long_size, audio_bytes, end = 12, None, None, 12
        for _ in range(_MOST_RIFF_CHUNKS):
            file.seek(place)
            head = file.read(8)
            if len(head) < 8:
                break
            name, size = head[:4], int(struct.unpack("<I", head[4:])[0])
            if name == b"ds64" and len(body := file.read(16)) == 16:
                long_size = int(struct.unpack("<Q", body[8:])[0])
            if name == b"fmt " and len(body := file.read(16)) == 16:
                _check_riff_format(path, body)
            if name == b"data":
                if size == 0xFFFFFFFF and long_size is not None:
                    size = long_size
                if place + 8 + size > length and size not in _UNTOLD_SIZES:
                    raise RecordingError(
                        f"{path} is damaged or cut off: its header declares {size:,} bytes of audio, but only "
                        f"{length - place - 8:,} are there; {_COPY}"
                    )
                audio_bytes = size
            elif not name.isascii() or place + 8 + size > length:
                break
            place += 8 + size + size % 2
            end = min(place, length)
        else:
            raise RecordingError(
                f"{path} has more than {_MOST_RIFF_CHUNKS:,} chunks in its header; open it in an audio editor "
                "and save it anew"
            )
    loose = length - end
    if audio_bytes is not None and audio_bytes < length and loose > max(audio_bytes, 16):
        raise RecordingError(
            f"{path} is damaged: its header declares {audio_bytes:,} bytes of audio, but {loose:,} more follow "
            f"that belong to nothing; {_COPY}"
        )


def _check_riff_format(path: Path, body: bytes) -> None:
    tag, channels, rate, bytes_per_second, frame_bytes, bits = struct.unpack("<HHIIHH", body)
    if tag not in (1, 3, 0xFFFE) or not channels:  # integers, floating point, extensible
        return
    if frame_bytes != channels * ((bits + 7) // 8):
        told = f"{counted(channels, 'channel')} of {bits} bits, but {frame_bytes} bytes for all of them"
    elif bytes_per_second != rate * frame_bytes:
        told = f"{rate:,} Hz, but {bytes_per_second:,} bytes a second instead of {rate * frame_bytes:,}"
    else:
        return
    raise RecordingError(f"{path} is damaged: its header declares {told}; {_COPY}")


def _check_header(path: Path, file: Any) -> None:
    if file.format == "RAW":
        raise _headerless(path)
    if file.subtype in _LOSSY_CODINGS or file.format not in _LOSSLESS:
        coding = file.subtype.lower().replace("_", " ")
        raise RecordingError(
            f"{path} is a {file.format.lower()} file ({coding}), but must be lossless (WAV, AIFF, CAF or FLAC), "
            "because compression changes what is measured; record it without"
        )
    if not LOWEST_RATE_HZ <= file.samplerate <= HIGHEST_RATE_HZ:
        raise RecordingError(
            f"{path} has a sample rate of {file.samplerate:,} Hz, but it must lie between {LOWEST_RATE_HZ:,} and "
            f"{HIGHEST_RATE_HZ:,} Hz; resample it first, or correct its header"
        )
    if not 1 <= file.channels <= MOST_CHANNELS:
        raise RecordingError(
            f"{path} has {file.channels:,} channels, but may have 1 to {MOST_CHANNELS}; split it into several "
            "files first, or correct its header"
        )
    # The library reads on with the size it finds, and says so only in its log.
    for name, declared, there in re.findall(r"^ *(.+?) *: (\d+) \(should be (\d+)\)", file.extra_info, re.M):
        if name in ("SSND", "Data Size", "data", "riff") and int(there) < int(declared) < 2**32 - 1:
            raise RecordingError(
                f"{path} is damaged or cut off: its header declares {int(declared):,} bytes, but there are "
                f"{int(there):,}; {_COPY}"
            )


def _read_all(path: Path, file: Any) -> FloatArray:
    import soundfile

    blocks: list[FloatArray] = []
    got = 0
    while True:
        try:
            block = file.read(_BLOCK_FRAMES, dtype="float64", always_2d=True)
        except (soundfile.LibsndfileError, RuntimeError):
            raise RecordingError(f"{path} is damaged after sample {got}; {_COPY}") from None
        if not len(block):
            break
        blocks.append(block)
        got += len(block)
    if 0 < file.frames < 2**62 and got < file.frames:
        raise RecordingError(
            f"{path} is cut off: its header declares {file.frames:,} samples, but only {got:,} can be read; "
            f"{_COPY}"
        )
    if not got:
        raise RecordingError(f"{path} holds no audio; record it again")
    return np.ascontiguousarray(np.concatenate(blocks).T)


def _check_samples(path: Path, samples: FloatArray, coding: str) -> None:
    wrong = np.argwhere(~np.isfinite(samples.T))
    if len(wrong):
        first, channel = wrong[0]
        raise RecordingError(
            f"{path} holds samples that are not finite numbers, the first at sample {first} of channel {channel}; "
            "repair or replace them first"
        )
    loudest = float(np.max(np.abs(samples)))
    if loudest > LOUDEST:
        raise RecordingError(
            f"{path} reaches {loudest:g}, but samples must lie within {LOUDEST:g} of zero (1 is full scale); "
            "repair it or divide it first"
        )
    if coding in ("FLOAT", "DOUBLE") and loudest >= 2.0 and bool(np.all(samples == np.rint(samples))):
        raise RecordingError(
            f"{path} holds only whole numbers and reaches {loudest:g}: integers that were never divided by their "
            "full scale (32,768 for 16 bit); divide them first"
        )
