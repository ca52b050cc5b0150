"""Sound files in and out, block by block; the only importer of the sound file library.

Outputs are written beside their target and renamed when they are whole.
"""

import contextlib
import mmap
import os
import re
import stat
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np

from tapeemu.errors import AudioError, OutputError, ParameterError
from tapeemu.files import riff_chunks
from tapeemu.files.part_files import PartFile, check_target, reason
from tapeemu.validation import (
    MAX_CHANNELS,
    MAX_SAMPLE_RATE,
    MIN_SAMPLE_RATE,
    FloatArray,
    check_block,
)

__all__ = [
    "CONTAINERS",
    "DEPTHS",
    "LOSSY_SUFFIXES",
    "SUFFIXES",
    "AudioInfo",
    "AudioReader",
    "AudioWriter",
    "Encoding",
    "choose_encoding",
    "read_audio",
]

CONTAINERS = {
    "wav": ("WAV", ".wav"),
    "rf64": ("RF64", ".wav"),
    "aiff": ("AIFF", ".aiff"),
    "caf": ("CAF", ".caf"),
    "flac": ("FLAC", ".flac"),
    "ogg": ("OGG", ".ogg"),
    "mp3": ("MP3", ".mp3"),
}
"""Containers that can be asked for: the library's name and the usual suffix."""

DEPTHS = {"16": "PCM_16", "24": "PCM_24", "32": "PCM_32", "float": "FLOAT", "double": "DOUBLE"}
"""Sample depths that can be asked for."""

_NAMES_OF_FORMATS = """
wav wave bwf rf64 w64 aif aiff aifc afc caf flac ogg oga opus mp3 mp2 mp1 au snd sd2 voc sf nist sph svx 8svx
iff htk pvf paf xi avr mpc wve
"""
SUFFIXES = frozenset(f".{name}" for name in _NAMES_OF_FORMATS.split())
"""Ends of file names, in lower case, by which sound files are picked from a folder."""

_LOSSY = {"OGG": "VORBIS", "MP3": "MPEG_LAYER_III"}
LOSSY_SUFFIXES = frozenset({".mp3", ".mp2", ".mp1", ".ogg", ".oga", ".opus"})
"""Ends of names of files whose sound was thinned out; what is made of them is a WAV unless asked otherwise."""

# Sample formats that are written as they were read; any other becomes the deepest integers that fit.
_KEPT = ("PCM_S8", "PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE", "ULAW", "ALAW")
_OPUS_RATES = (8_000, 12_000, 16_000, 24_000, 48_000)
_UNKNOWN_FRAMES = 2**62  # the library's way to say that a header does not know
_MP3_FRAME = 1152
_INTEGER_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
_LARGEST_WAV = 4_000_000_000  # bytes of audio; beyond it the 32-bit sizes of WAV do not reach
# Speakers by the number of channels where the format fixes them: FLAC (RFC 9639, 9.1.3), Vorbis (Vorbis I, 4.3.9).
_FIXED_MASKS = {1: 0x4, 2: 0x3, 3: 0x7, 4: 0x33, 5: 0x37, 6: 0x3F, 7: 0x70F, 8: 0x63F}
# Place in a Vorbis or Opus file of each channel in the order of all other containers. The library leaves it to us.
_OGG_PLACES = {
    3: (0, 2, 1),
    5: (0, 2, 1, 3, 4),
    6: (0, 2, 1, 5, 3, 4),
    7: (0, 2, 1, 6, 5, 3, 4),
    8: (0, 2, 1, 7, 5, 6, 3, 4),
}
_TAGS = ("title", "copyright", "artist", "comment", "date", "album", "license", "tracknumber", "genre")
_RIFF = ("WAV", "WAVEX", "RF64")


@dataclass(frozen=True)
class Encoding:
    """How samples lie in a file: container and sample format, by the library's names."""

    container: str
    subtype: str

    @property
    def bits(self) -> int | None:
        """Bits per integer sample, or None where samples are not integers."""
        return _INTEGER_BITS.get(self.subtype)

    @property
    def is_float(self) -> bool:
        """Whether samples are floating-point numbers, which have room beyond full scale."""
        return self.subtype in ("FLOAT", "DOUBLE")

    @property
    def suffix(self) -> str:
        """The usual end of a file name."""
        return next((end for name, end in CONTAINERS.values() if name == self.container), ".wav")

    @property
    def is_riff(self) -> bool:
        """Whether the container is of the WAV family and takes its metadata chunks."""
        return self.container in _RIFF

    @property
    def label(self) -> str:
        """Container and depth in words."""
        depth = f"{self.bits} bit" if self.bits else self.subtype.lower().replace("_", " ")
        return f"{self.container.lower()} {depth}"


@dataclass(frozen=True)
class AudioInfo:
    """What the header of a sound file says; `frames` is 0 where it does not know.

    `channel_mask` tells which speakers the channels feed, as bits of a WAVE_FORMAT_EXTENSIBLE header; 0 where
    neither the file nor its format does.
    """

    path: Path
    sample_rate: int
    channels: int
    frames: int
    encoding: Encoding
    channel_mask: int = 0

    @property
    def seconds(self) -> float:
        """Duration."""
        return self.frames / self.sample_rate


def choose_encoding(
    info: AudioInfo, *, container: str | None = None, depth: str | None = None, sample_rate: int | None = None
) -> Encoding:
    """Encoding of an output: as the input, but for what is asked for.

    A lossy input becomes a WAV of 24 bits unless a container is asked for: coding it a second time would
    take away more. What a container cannot hold becomes the deepest integers that it can.

    Parameters
    ----------
    info : AudioInfo
        The input.
    container, depth : str, optional
        Keys of :data:`CONTAINERS` and :data:`DEPTHS`.
    sample_rate : int, optional
        Of the output; the input's by default.

    Raises
    ------
    ParameterError
        If the name is unknown or the two do not go together.
    """
    import soundfile

    if container is not None and container not in CONTAINERS:
        raise ParameterError(f"format is {container!r}, but must be one of: {', '.join(CONTAINERS)}")
    if depth is not None and depth not in DEPTHS:
        raise ParameterError(f"depth is {depth!r}, but must be one of: {', '.join(DEPTHS)}")
    if container is None and info.encoding.container in _LOSSY:
        container = "wav"
    name = info.encoding.container if container is None else CONTAINERS[container][0]
    rate = info.sample_rate if sample_rate is None else sample_rate
    if name in _LOSSY:
        if depth is not None:
            raise ParameterError(
                f"depth {depth} does not apply to {name.lower()}, which has no fixed sample depth; leave it out "
                "or choose another format"
            )
        keeps_opus = name == "OGG" and info.encoding.subtype == "OPUS" and rate in _OPUS_RATES
        return Encoding(name, "OPUS" if keeps_opus else _LOSSY[name])
    if depth is not None:
        if not soundfile.check_format(name, DEPTHS[depth]):
            raise ParameterError(
                f"depth {depth} is not possible in {name.lower()}; choose another depth or format"
            )
        return _placed(Encoding(name, DEPTHS[depth]), info)
    wanted = [info.encoding.subtype] if info.encoding.subtype in _KEPT else []
    for subtype in (*wanted, "PCM_24", "PCM_16"):
        if soundfile.check_format(name, subtype):
            return _placed(Encoding(name, subtype), info)
    raise ParameterError(
        f"{info.path} is a {name.lower()} file, which can be read but not written; choose a format: "
        f"{', '.join(CONTAINERS)}"
    )


def _placed(encoding: Encoding, info: AudioInfo) -> Encoding:
    """The same, in the form of WAV that can say which speakers the channels feed, where that is known."""
    if encoding.container == "WAV" and info.channel_mask and info.channels > 2:
        return Encoding("WAVEX", encoding.subtype)
    return encoding


class AudioReader:
    """A sound file, read block by block.

    Parameters
    ----------
    path : str or Path
        Any file the sound file library can read.

    Raises
    ------
    AudioError
        If it is missing, unreadable, not a sound file, declares an impossible rate or channel count, or
        if its header contradicts itself or the size of the file.
    """

    def __init__(self, path: str | Path) -> None:
        import soundfile

        self.path = Path(path)
        _check_source(self.path)
        # Before the library sees it: some lies about sizes keep it busy for minutes.
        _refuse_contradiction(self.path, riff_chunks.contradiction(self.path))
        try:
            self._file: Any = soundfile.SoundFile(_library_name(self.path))
        except TypeError:
            raise AudioError(
                f"{self.path} has no header that tells rate and channels; convert it to WAV first"
            ) from None
        except (soundfile.LibsndfileError, OSError, ValueError) as error:
            raise AudioError(
                f"{self.path} cannot be read as a sound file ({reason(error)}); "
                "check that it is whole and of a common audio format"
            ) from None
        try:
            self._check_header()
            self._lying_header()
        except BaseException:
            self._file.close()
            raise
        frames = self._counted or self._file.frames
        self.info = AudioInfo(
            path=self.path,
            sample_rate=self._file.samplerate,
            channels=self._file.channels,
            frames=0 if frames >= _UNKNOWN_FRAMES else frames,
            encoding=Encoding(self._file.format, self._file.subtype),
            channel_mask=self._channel_mask(),
        )

    def _channel_mask(self) -> int:
        channels = self._file.channels
        if self._file.format in ("FLAC", "OGG"):
            return _FIXED_MASKS.get(channels, 0)
        mask = riff_chunks.channel_mask(self.path) if self._file.format in _RIFF else 0
        return mask if mask.bit_count() >= channels else 0

    def _check_header(self) -> None:
        if self._file.format == "RAW":  # some suffixes make the library guess
            raise AudioError(f"{self.path} has no header that tells rate and channels; convert it to WAV first")
        rate, channels = self._file.samplerate, self._file.channels
        if not MIN_SAMPLE_RATE <= rate <= MAX_SAMPLE_RATE:
            raise AudioError(
                f"{self.path} has a sample rate of {rate:,} Hz, but it must lie between {MIN_SAMPLE_RATE:,} and "
                f"{MAX_SAMPLE_RATE:,} Hz; resample it first, or correct its header"
            )
        if not 1 <= channels <= MAX_CHANNELS:
            raise AudioError(
                f"{self.path} has {channels:,} channels, but may have 1 to {MAX_CHANNELS}; split it into "
                "several files first, or correct its header"
            )

    def _lying_header(self) -> None:
        contradiction = ""
        self._counted = 0
        if self._file.format in _RIFF:
            return
        if self._file.format == "MP3":
            contradiction = self._mp3_contradiction()
        elif self._file.format == "OGG":
            contradiction = "" if _ends_ogg_stream(self.path) else "its last page is missing"
        else:
            # The library reads on with the size it finds, and says so only in its log.
            for name, stated, found in re.findall(
                r"^ *(.+?) *: (\d+) \(should be (\d+)\)", self._file.extra_info, re.M
            ):
                if name in ("SSND", "Data Size", "data", "riff") and int(found) < int(stated) < 2**32 - 1:
                    contradiction = f"its header declares {int(stated):,} bytes, but there are {int(found):,}"
        _refuse_contradiction(self.path, contradiction)

    def _mp3_contradiction(self) -> str:
        stated = self._file.frames
        counted = _count_mp3_samples(self.path)
        if counted is None:
            return ""
        # Without a header for the whole file the library guesses its length, and stops there.
        self._counted = counted
        if counted > stated + 4 * _MP3_FRAME:
            return f"it has no header for its length, taken as {stated:,} samples, but holds about {counted:,}"
        return ""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    @property
    def tags(self) -> dict[str, str]:
        """Text fields of the file."""
        found = {tag: text for tag in _TAGS if (text := getattr(self._file, tag, ""))}
        if self.info.encoding.is_riff and "comment" not in found:
            comment = riff_chunks.comment(self.path)  # one too long for the library
            found |= {"comment": comment} if comment else {}
        return found

    def blocks(self, size: int) -> Iterator[FloatArray]:
        """Yield float64 blocks of shape (channels, at most `size`) until the audio really ends.

        Raises
        ------
        AudioError
            If the data breaks off before the length that the header declares, holds non-finite samples,
            or is integer-scaled.
        """
        import soundfile

        start = 0
        places = _OGG_PLACES.get(self.info.channels) if self.info.encoding.container == "OGG" else None
        peak, whole = 0.0, self.info.encoding.is_float
        while True:
            try:
                frames = self._file.read(size, dtype="float64", always_2d=True)
            except (soundfile.LibsndfileError, RuntimeError) as error:
                raise AudioError(
                    f"{self.path} is damaged after sample {start} ({reason(error)}); copy it again from its source"
                ) from None
            if not len(frames):
                break
            block = np.ascontiguousarray(frames.T if places is None else frames.T[list(places)])
            self._check_samples(block, start)
            if whole:
                peak = max(peak, float(np.max(np.abs(block))))
                whole = bool(np.all(block == np.rint(block)))
                if whole and peak >= 2.0:
                    raise AudioError(
                        f"{self.path} holds only whole numbers and reaches {peak:g}: integers that were never "
                        "divided by their full scale (32,768 for 16 bit); divide them first"
                    )
            yield block
            start += len(frames)
        slack = 4 * _MP3_FRAME if self._counted else 0
        if start + slack < self.info.frames:
            raise AudioError(
                f"{self.path} is cut off: its header declares {self.info.frames:,} samples, but only {start:,} "
                "can be read; copy it again from its source"
            )

    def _check_samples(self, block: FloatArray, start: int) -> None:
        try:
            check_block(block)
        except AudioError:
            channel, first = np.argwhere(~np.isfinite(block))[0]
            raise AudioError(
                f"{self.path} holds samples that are not finite numbers, the first at sample {start + first} of "
                f"channel {channel}; repair or replace them first"
            ) from None


def _refuse_contradiction(path: Path, contradiction: str) -> None:
    if contradiction:
        raise AudioError(
            f"{path} is damaged or cut off: {contradiction}; copy it again from its source, or open it in an "
            "audio editor, check it, and save it anew"
        )


def _library_name(path: Path) -> Any:
    """A name as the library takes it, even if it is not valid text."""
    return os.fsencode(path) if os.name == "posix" else path


def _check_source(path: Path) -> None:
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise AudioError(f"{path} is a folder, but must be a sound file; name one of the files in it")
        if not stat.S_ISREG(status.st_mode):
            raise AudioError(f"{path} is a pipe or a device, but must be a regular file; copy it into one first")
        if not status.st_size:
            raise AudioError(f"{path} is empty (0 bytes); copy it again from its source")
        path.open("rb").close()
    except AudioError:
        raise
    except PermissionError:
        raise AudioError(f"{path} cannot be read; check its permissions") from None
    except FileNotFoundError:
        if path.is_symlink():
            raise AudioError(f"{path} is a link to a file that does not exist; check where it leads") from None
        raise AudioError(f"{path} does not exist; check its name") from None
    except (OSError, ValueError) as error:
        raise AudioError(f"{path} cannot be opened ({reason(error)}); check its name") from None


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


def _count_mp3_samples(path: Path) -> int | None:
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
        samples += _MP3_FRAME // half
    return samples


def read_audio(path: str | Path) -> tuple[FloatArray, int]:
    """Read a whole sound file.

    Returns
    -------
    audio : ndarray, shape (channels, samples), float64
        Nominal full scale 1.
    sample_rate : int
        Samples per second.
    """
    with AudioReader(path) as reader:
        blocks = list(reader.blocks(2**18))
        if not blocks:
            return np.zeros((reader.info.channels, 0)), reader.info.sample_rate
        return np.concatenate(blocks, axis=1), reader.info.sample_rate


class AudioWriter:
    """A sound file in the making; it takes its name when it is whole.

    Use it as a context manager: leaving it normally renames the file, leaving it by an exception
    removes what was written.

    Parameters
    ----------
    path : str or Path
        Target.
    sample_rate, channels : int
        Of the audio that will be written.
    encoding : Encoding
        Container and sample format.
    seed : int
        Seed of the dither, which also differs by the target's name, so that stems do not share theirs.
    dither : bool
        Add triangular dither (two steps peak to peak, before rounding) to integers of up to 24 bits.
    overwrite : bool
        Replace an existing target.
    channel_mask : int
        Which speakers the channels feed, see :class:`AudioInfo`; written where the container has a field for it.
    tags : dict, optional
        Text fields.
    chunks : list, optional
        Metadata chunks to carry over, used where the container has them; may be set until the end.
    expected_frames : int
        Frames to come, as far as known: a WAV too long for its own size fields is made as RF64.
    before_renaming : callable, optional
        Called with the path of the whole file just before it takes its name.

    Attributes
    ----------
    clipped : int
        Samples so far that lay beyond full scale and were cut to it: by more than half a step of the sample
        depth (of 16 bits where samples are not integers), before dither. Always 0 for floats, which have room.
    frames : int
        Frames so far.
    chunks : list
        As the parameter.
    sample_rate, channels, encoding
        Of the file.

    Raises
    ------
    OutputError
        If the target exists and may not be replaced, or the place cannot be written to.
    """

    def __init__(
        self,
        path: str | Path,
        *,
        sample_rate: int,
        channels: int,
        encoding: Encoding,
        seed: int = 0,
        dither: bool = True,
        overwrite: bool = False,
        channel_mask: int = 0,
        tags: dict[str, str] | None = None,
        chunks: list[tuple[bytes, bytes]] | None = None,
        expected_frames: int = 0,
        before_renaming: Callable[[Path], None] | None = None,
    ) -> None:
        self.path = Path(path)
        self.clipped = 0
        self.frames = 0
        check_target(self.path, overwrite=overwrite)
        if encoding.is_riff and expected_frames * channels * _bytes(encoding) > _LARGEST_WAV:
            encoding = Encoding("RF64", encoding.subtype)
        self.encoding = encoding
        self.chunks = chunks or []
        self._channel_mask = channel_mask
        self._before_renaming = before_renaming
        self._dither = dither and encoding.bits is not None and encoding.bits <= 24
        self._random = np.random.default_rng(
            np.random.SeedSequence([seed, zlib.crc32(os.fsencode(self.path.name))])
        )
        self.channels = channels
        self.sample_rate = sample_rate
        self._part = PartFile(self.path, overwrite=overwrite)
        try:
            self._file: Any = self._open(sample_rate, channels)
        except BaseException:
            self._part.discard()
            raise
        for tag, text in (tags or {}).items():
            with contextlib.suppress(Exception):  # a container without that field loses it
                setattr(self._file, tag, text)

    def _open(self, sample_rate: int, channels: int) -> Any:
        import soundfile

        try:
            return soundfile.SoundFile(
                _library_name(self._part.path),
                "w",
                samplerate=sample_rate,
                channels=channels,
                subtype=self.encoding.subtype,
                format=self.encoding.container,
            )
        except (soundfile.LibsndfileError, OSError, TypeError, ValueError) as error:
            raise OutputError(
                f"{self.path} cannot be made as {self.encoding.label}, {channels} channel(s), "
                f"{sample_rate} Hz ({reason(error)}); choose another format, depth or rate"
            ) from None

    def write(self, block: FloatArray) -> None:
        """Write a block of shape (channels, samples); nominal full scale is 1."""
        import soundfile

        bits = self.encoding.bits
        if not self.encoding.is_float:
            # Dither and rounding move a sample at full scale by a step, which is not clipping.
            self.clipped += int(np.count_nonzero(np.abs(block) > 1.0 + 2.0 ** -(bits or 16)))
        if self.encoding.container == "OGG" and self.channels in _OGG_PLACES:
            block = block[np.argsort(_OGG_PLACES[self.channels])]
        frames: Any = block.T
        if bits is not None:
            frames = self._quantise(block.T, bits)
        elif not self.encoding.is_float:
            frames = np.clip(frames, -1.0, 1.0)
        try:
            self._file.write(np.ascontiguousarray(frames))
        except (soundfile.LibsndfileError, OSError, RuntimeError, AssertionError) as error:
            raise self._failure(error) from None
        self.frames += block.shape[1]

    def _quantise(self, frames: FloatArray, bits: int) -> Any:
        # Done here and not by the library, whose positive full scale differs between reading and writing.
        full_scale = float(2 ** (bits - 1))
        steps = frames * full_scale
        if self._dither:
            uniform = self._random.random((*frames.shape, 2))
            steps += uniform[..., 0] - uniform[..., 1]
        whole = np.clip(np.rint(steps), -full_scale, full_scale - 1.0)
        if bits == 16:
            return whole.astype(np.int16)
        return (whole * 2.0 ** (32 - bits)).astype(np.int32)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            if kind is not None:
                with contextlib.suppress(Exception):
                    self._file.close()
                return
            self._finish()
        except BaseException:
            kind = kind or BaseException
            raise
        finally:
            if kind is not None:
                self._part.discard()
        self._part.publish()

    def _finish(self) -> None:
        import soundfile

        try:
            self._file.close()
            if self.encoding.is_riff:
                if self._channel_mask:
                    riff_chunks.set_channel_mask(self._part.path, self._channel_mask)
                riff_chunks.append_chunks(self._part.path, self.chunks)
            self._verify()
        except (soundfile.LibsndfileError, OSError, RuntimeError) as error:
            raise self._failure(error) from None
        if self._before_renaming is not None:
            self._before_renaming(self._part.path)

    def _verify(self) -> None:
        # Encoders write their last blocks while closing, where some of them lose errors.
        import soundfile

        if not self.frames:
            return
        with soundfile.SoundFile(_library_name(self._part.path)) as written:
            readable = written.frames
            if self.encoding.container not in _LOSSY:
                written.seek(self.frames - 1)
                readable = self.frames - 1 + len(written.read(1))
        if readable < self.frames:
            raise OSError(f"only {readable:,} of {self.frames:,} samples were kept")

    def _failure(self, error: BaseException) -> OutputError:
        return OutputError(
            f"{self.path} cannot be written ({reason(error)}); check the free space and the permissions of its "
            "folder, or choose another format"
        )


def _bytes(encoding: Encoding) -> int:
    return {"FLOAT": 4, "DOUBLE": 8}.get(encoding.subtype, (encoding.bits or 16) // 8)
