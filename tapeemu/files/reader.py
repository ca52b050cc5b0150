"""Sound files in: whole or block by block, and an error where a header says what is not there.

:class:`AudioReader` refuses what is not as it says it is: a missing file, an impossible rate, a header that
contradicts itself, data that breaks off, samples that are no numbers.
"""

import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Self

import numpy as np

from tapeemu.errors import AudioError
from tapeemu.files import headers, riff_chunks, sound_library, speakers
from tapeemu.files.encodings import AudioInfo, Encoding
from tapeemu.files.part_files import reason
from tapeemu.validation import MAX_CHANNELS, MAX_SAMPLE_RATE, MIN_SAMPLE_RATE, FloatArray, check_block

__all__ = ["AudioReader", "read_audio"]

_UNKNOWN_FRAMES = 2**62  # the library's way to say that a header does not know
_TAGS = ("title", "copyright", "artist", "comment", "date", "album", "license", "tracknumber", "genre")
_WHOLE_FILE_BLOCK = 2**18


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
        self.path = Path(path)
        _check_source(self.path)
        # Before the library sees it: some lies about sizes keep it busy for minutes.
        self._refuse(headers.riff_contradiction(self.path))
        self._file = self._open()
        try:
            self._check_format()
            self._counted = headers.count_mp3_samples(self.path) if self._file.format == "MP3" else None
            self._refuse(self._contradiction())
        except BaseException:
            self._file.close()
            raise
        # Without a header for the whole file the library guesses the length of an MP3, and stops there.
        frames = self._counted or self._file.frames
        self.info = AudioInfo(
            path=self.path,
            sample_rate=self._file.samplerate,
            channels=self._file.channels,
            frames=0 if frames >= _UNKNOWN_FRAMES else frames,
            encoding=Encoding(self._file.format, self._file.subtype),
            channel_mask=self._channel_mask(),
        )

    def _open(self) -> Any:
        try:
            return sound_library.open_source(self.path)
        except TypeError:
            raise self._headless() from None
        except sound_library.FAILURES as error:
            raise AudioError(
                f"{self.path} cannot be read as a sound file ({reason(error)}); "
                "check that it is whole and of a common audio format"
            ) from None

    def _headless(self) -> AudioError:
        return AudioError(f"{self.path} has no header that tells rate and channels; convert it to WAV first")

    def _check_format(self) -> None:
        if self._file.format == "RAW":  # some suffixes make the library guess
            raise self._headless()
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

    def _contradiction(self) -> str:
        encoding = Encoding(self._file.format, self._file.subtype)
        if encoding.is_riff:
            return ""  # looked at before it was opened
        if encoding.container == "MP3":
            return headers.mp3_contradiction(stated=self._file.frames, counted=self._counted)
        if encoding.container == "OGG":
            return headers.ogg_contradiction(self.path)
        return headers.log_contradiction(self._file.extra_info)

    def _refuse(self, contradiction: str) -> None:
        if contradiction:
            raise AudioError(
                f"{self.path} is damaged or cut off: {contradiction}; copy it again from its source, or open it "
                "in an audio editor, check it, and save it anew"
            )

    def _channel_mask(self) -> int:
        channels = self._file.channels
        fixed = speakers.fixed_mask(self._file.format, channels)
        if fixed is not None:
            return fixed
        is_riff = Encoding(self._file.format, self._file.subtype).is_riff
        mask = riff_chunks.channel_mask(self.path) if is_riff else 0
        return mask if mask.bit_count() >= channels else 0

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
        start = 0
        scale = _IntegerScale(self.path) if self.info.encoding.is_float else None
        while len(frames := self._read(size, start)):
            block = speakers.from_file_order(frames.T, self.info.encoding.container)
            block = np.ascontiguousarray(block)
            self._check_samples(block, start)
            if scale is not None:
                scale.look_at(block)
            yield block
            start += len(frames)
        slack = headers.MP3_SLACK_SAMPLES if self._counted else 0
        if start + slack < self.info.frames:
            raise AudioError(
                f"{self.path} is cut off: its header declares {self.info.frames:,} samples, but only {start:,} "
                "can be read; copy it again from its source"
            )

    def _read(self, size: int, start: int) -> FloatArray:
        """The next frames, shape (at most `size`, channels); `start` is for the error."""
        try:
            frames: FloatArray = self._file.read(size, dtype="float64", always_2d=True)
        except sound_library.FAILURES as error:
            raise AudioError(
                f"{self.path} is damaged after sample {start} ({reason(error)}); copy it again from its source"
            ) from None
        return frames

    def _check_samples(self, block: FloatArray, start: int) -> None:
        try:
            check_block(block)
        except AudioError as error:
            wrong = np.argwhere(~np.isfinite(block))
            if not len(wrong):  # finite, and far beyond all that is sound
                raise AudioError(f"{self.path} cannot be used from sample {start} on: {error}") from None
            channel, first = wrong[0]
            raise AudioError(
                f"{self.path} holds samples that are not finite numbers, the first at sample {start + first} of "
                f"channel {channel}; repair or replace them first"
            ) from None


class _IntegerScale:
    """Watches for floats that are integers never divided by their full scale, over all blocks of a file."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._peak = 0.0
        self._whole = True

    def look_at(self, block: FloatArray) -> None:
        """Take in a block; raises AudioError as soon as all so far are whole numbers and one is 2 or more."""
        if not self._whole:
            return
        self._peak = max(self._peak, float(np.max(np.abs(block))))
        self._whole = bool(np.all(block == np.rint(block)))
        if self._whole and self._peak >= 2.0:
            raise AudioError(
                f"{self._path} holds only whole numbers and reaches {self._peak:g}: integers that were never "
                "divided by their full scale (32,768 for 16 bit); divide them first"
            )


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
        blocks = list(reader.blocks(_WHOLE_FILE_BLOCK))
        if not blocks:
            return np.zeros((reader.info.channels, 0)), reader.info.sample_rate
        return np.concatenate(blocks, axis=1), reader.info.sample_rate
