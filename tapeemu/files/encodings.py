"""Containers and sample formats: what a file is, and what a result can be made as."""

from dataclasses import dataclass
from pathlib import Path

from tapeemu.errors import ParameterError
from tapeemu.files import sound_library

__all__ = [
    "CONTAINERS",
    "DEPTHS",
    "LOSSY_SUFFIXES",
    "SUFFIXES",
    "AudioInfo",
    "Encoding",
    "choose_encoding",
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
_INTEGER_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
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
    def bytes_per_sample(self) -> int:
        """Bytes of one sample in the file; where that is not fixed, of one of 16 bits."""
        return {"FLOAT": 4, "DOUBLE": 8}.get(self.subtype, (self.bits or 16) // 8)

    @property
    def is_lossy(self) -> bool:
        """Whether coding takes something away from the sound."""
        return self.container in _LOSSY

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
    if container is not None and container not in CONTAINERS:
        raise ParameterError(f"format is {container!r}, but must be one of: {', '.join(CONTAINERS)}")
    if depth is not None and depth not in DEPTHS:
        raise ParameterError(f"depth is {depth!r}, but must be one of: {', '.join(DEPTHS)}")
    if container is None and info.encoding.is_lossy:
        container = "wav"
    name = info.encoding.container if container is None else CONTAINERS[container][0]
    if name in _LOSSY:
        return _lossy(name, info, depth, info.sample_rate if sample_rate is None else sample_rate)
    return _placed(_of_depth(name, depth) if depth is not None else _deepest(name, info), info)


def _lossy(container: str, info: AudioInfo, depth: str | None, sample_rate: int) -> Encoding:
    if depth is not None:
        raise ParameterError(
            f"depth {depth} does not apply to {container.lower()}, which has no fixed sample depth; leave it out "
            "or choose another format"
        )
    keeps_opus = container == "OGG" and info.encoding.subtype == "OPUS" and sample_rate in _OPUS_RATES
    return Encoding(container, "OPUS" if keeps_opus else _LOSSY[container])


def _of_depth(container: str, depth: str) -> Encoding:
    if not sound_library.can_hold(container, DEPTHS[depth]):
        raise ParameterError(
            f"depth {depth} is not possible in {container.lower()}; choose another depth or format"
        )
    return Encoding(container, DEPTHS[depth])


def _deepest(container: str, info: AudioInfo) -> Encoding:
    """The sample format of the input where the container can hold it, else the deepest integers it can."""
    wanted = [info.encoding.subtype] if info.encoding.subtype in _KEPT else []
    for subtype in (*wanted, "PCM_24", "PCM_16"):
        if sound_library.can_hold(container, subtype):
            return Encoding(container, subtype)
    raise ParameterError(
        f"{info.path} is a {container.lower()} file, which can be read but not written; choose a format: "
        f"{', '.join(CONTAINERS)}"
    )


def _placed(encoding: Encoding, info: AudioInfo) -> Encoding:
    """The same, in the form of WAV that can say which speakers the channels feed, where that is known."""
    if encoding.container == "WAV" and info.channel_mask and info.channels > 2:
        return Encoding("WAVEX", encoding.subtype)
    return encoding
