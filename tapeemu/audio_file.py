"""Sound files in and out, block by block; the only importer of the sound file library.

Outputs are written beside their target and renamed when they are whole.
"""

import contextlib
import os
import secrets
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np

from tapeemu import riff_chunks
from tapeemu.errors import AudioError, OutputError, ParameterError
from tapeemu.validation import FloatArray, check_block, check_channels, check_sample_rate

__all__ = ["CONTAINERS", "DEPTHS", "AudioInfo", "AudioReader", "AudioWriter", "Encoding", "read_audio"]

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

_LOSSY = {"OGG": "VORBIS", "MP3": "MPEG_LAYER_III"}
_INTEGER_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
_LARGEST_WAV = 4_000_000_000  # bytes of audio; beyond it the 32-bit sizes of WAV do not reach
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
    def suffix(self) -> str:
        """The usual end of a file name."""
        return next((end for name, end in CONTAINERS.values() if name == self.container), ".wav")

    @property
    def label(self) -> str:
        """Container and depth in words."""
        depth = f"{self.bits} bit" if self.bits else self.subtype.lower().replace("_", " ")
        return f"{self.container.lower()} {depth}"


@dataclass(frozen=True)
class AudioInfo:
    """What the header of a sound file says."""

    path: Path
    sample_rate: int
    channels: int
    frames: int
    encoding: Encoding

    @property
    def seconds(self) -> float:
        """Duration."""
        return self.frames / self.sample_rate


def choose_encoding(info: AudioInfo, *, container: str | None = None, depth: str | None = None) -> Encoding:
    """Encoding of an output: as the input, but for what is asked for.

    Parameters
    ----------
    info : AudioInfo
        The input.
    container, depth : str, optional
        Keys of :data:`CONTAINERS` and :data:`DEPTHS`.

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
    name = info.encoding.container if container is None else CONTAINERS[container][0]
    if name not in soundfile.available_formats():
        name = "WAV"
    if name in _LOSSY:
        if depth is not None:
            raise ParameterError(
                f"depth {depth} does not apply to {name.lower()}, which has no fixed sample depth"
            )
        return Encoding(name, _LOSSY[name])
    subtype = info.encoding.subtype if depth is None else DEPTHS[depth]
    if subtype not in soundfile.available_subtypes(name) or subtype in _LOSSY.values():
        if depth is not None:
            raise ParameterError(
                f"depth {depth} is not possible in {name.lower()}; choose another depth or format"
            )
        # What the container cannot hold, or a lossy source, becomes the deepest integer it can hold.
        subtype = "PCM_24"
    return Encoding(name, subtype)


class AudioReader:
    """A sound file, read block by block.

    Parameters
    ----------
    path : str or Path
        Any file the sound file library can read.

    Raises
    ------
    AudioError
        If it is missing, unreadable, not a sound file, or declares an impossible rate or channel count.
    """

    def __init__(self, path: str | Path) -> None:
        import soundfile

        self.path = Path(path)
        if self.path.is_dir():
            raise AudioError(f"{self.path} is a folder, but must be a sound file")
        try:
            self._file: Any = soundfile.SoundFile(self.path)
        except (soundfile.LibsndfileError, OSError, TypeError, ValueError) as error:
            if not self.path.exists():
                raise AudioError(f"{self.path} does not exist; check its name") from None
            if not os.access(self.path, os.R_OK):
                raise AudioError(f"{self.path} cannot be read; check its permissions") from None
            raise AudioError(
                f"{self.path} cannot be read as a sound file ({_reason(error)}); "
                "check that it is whole and of a common audio format"
            ) from None
        try:
            check_sample_rate(self._file.samplerate)
            check_channels(self._file.channels)
        except ParameterError as error:
            self._file.close()
            raise AudioError(f"{self.path}: {error}") from None
        self.info = AudioInfo(
            path=self.path,
            sample_rate=self._file.samplerate,
            channels=self._file.channels,
            frames=self._file.frames,
            encoding=Encoding(self._file.format, self._file.subtype),
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    @property
    def tags(self) -> dict[str, str]:
        """Text fields of the file."""
        return {tag: text for tag in _TAGS if (text := getattr(self._file, tag, ""))}

    def blocks(self, size: int) -> Iterator[FloatArray]:
        """Yield float64 blocks of shape (channels, at most `size`) until the audio really ends.

        Raises
        ------
        AudioError
            If the data breaks off in a damaged place, or holds non-finite samples.
        """
        import soundfile

        start = 0
        while True:
            try:
                frames = self._file.read(size, dtype="float64", always_2d=True)
            except (soundfile.LibsndfileError, RuntimeError) as error:
                raise AudioError(f"{self.path} is damaged after sample {start} ({_reason(error)})") from None
            if not len(frames):
                return
            block = np.ascontiguousarray(frames.T)
            try:
                check_block(block)
            except AudioError as error:
                raise AudioError(f"{self.path}, in the block that starts at sample {start}: {error}") from None
            yield block
            start += len(frames)


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
        Seed of the dither.
    dither : bool
        Add triangular dither (two steps peak to peak, before rounding) to integers of up to 24 bits.
    overwrite : bool
        Replace an existing target.
    tags : dict, optional
        Text fields.
    chunks : list, optional
        RIFF chunks to carry over, used where the container has them.
    expected_frames : int
        Frames to come, as far as known: a WAV too long for its own size fields is made as RF64.

    Attributes
    ----------
    clipped : int
        Samples so far that lay outside full scale.

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
        tags: dict[str, str] | None = None,
        chunks: list[tuple[bytes, bytes]] | None = None,
        expected_frames: int = 0,
    ) -> None:
        self.path = Path(path)
        self.clipped = 0
        self._overwrite = overwrite
        self._check_target()
        if encoding.container in _RIFF and expected_frames * channels * _bytes(encoding) > _LARGEST_WAV:
            encoding = Encoding("RF64", encoding.subtype)
        self.encoding = encoding
        self._chunks = chunks if chunks and encoding.container in _RIFF else []
        self._dither = dither and encoding.bits is not None and encoding.bits <= 24
        self._random = np.random.default_rng(np.random.SeedSequence([seed, 0xD17]))
        self._channels = channels
        self._sample_rate = sample_rate
        self._part = self.path.with_name(f".{self.path.name[:100]}.{secrets.token_hex(4)}.part")
        try:
            self._file: Any = self._open(sample_rate, channels)
        except BaseException:
            self._part.unlink(missing_ok=True)
            raise
        for tag, text in (tags or {}).items():
            with contextlib.suppress(Exception):  # a container without that field loses it
                setattr(self._file, tag, text)

    def _check_target(self) -> None:
        if self.path.is_dir():
            raise OutputError(f"{self.path} is a folder, but must be the name of a file")
        if self.path.exists() and not self._overwrite:
            raise OutputError(f"{self.path} exists; choose another name, or allow overwriting")

    def _open(self, sample_rate: int, channels: int) -> Any:
        import soundfile

        try:
            return soundfile.SoundFile(
                self._part,
                "w",
                samplerate=sample_rate,
                channels=channels,
                subtype=self.encoding.subtype,
                format=self.encoding.container,
            )
        except (soundfile.LibsndfileError, OSError, TypeError, ValueError) as error:
            if not self.path.parent.is_dir():
                raise OutputError(f"{self.path.parent} is not an existing folder; make it first") from None
            if not os.access(self.path.parent, os.W_OK):
                raise OutputError(f"{self.path.parent} cannot be written to; check its permissions") from None
            raise OutputError(
                f"{self.path} cannot be made as {self.encoding.label}, {channels} channel(s), "
                f"{sample_rate} Hz ({_reason(error)}); choose another format, depth or rate"
            ) from None

    def write(self, block: FloatArray) -> None:
        """Write a block of shape (channels, samples); nominal full scale is 1."""
        import soundfile

        self.clipped += int(np.count_nonzero(np.abs(block) > 1.0))
        bits = self.encoding.bits
        frames: Any = block.T
        if bits is not None:
            frames = self._quantise(block.T, bits)
        elif self.encoding.subtype not in ("FLOAT", "DOUBLE"):
            frames = np.clip(frames, -1.0, 1.0)
        try:
            self._file.write(np.ascontiguousarray(frames))
        except (soundfile.LibsndfileError, OSError, RuntimeError) as error:
            raise OutputError(f"{self.path} cannot be written ({_reason(error)}); is the disk full?") from None

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
        if kind is not None:
            with contextlib.suppress(Exception):
                self._file.close()
            self._part.unlink(missing_ok=True)
            return
        try:
            self._file.close()
            riff_chunks.append_chunks(self._part, self._chunks)
            with self._part.open("rb") as written:
                os.fsync(written.fileno())
            self._check_target()
            self._part.replace(self.path)
        except OutputError:
            self._part.unlink(missing_ok=True)
            raise
        except (OSError, RuntimeError) as failure:
            self._part.unlink(missing_ok=True)
            raise OutputError(f"{self.path} cannot be finished ({_reason(failure)}); is the disk full?") from None


def _bytes(encoding: Encoding) -> int:
    return {"FLOAT": 4, "DOUBLE": 8}.get(encoding.subtype, (encoding.bits or 16) // 8)


def _reason(error: BaseException) -> str:
    """First line of a library's message, without the path it repeats and the closing full stop."""
    text = str(error).splitlines()[0] if str(error) else type(error).__name__
    return text.rpartition("': ")[2].rstrip(". ") or text
