"""Sound files out: dithered, checked, and there whole or not at all."""

import contextlib
import os
import zlib
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np

from tapeemu.errors import OutputError, counted
from tapeemu.files import riff_chunks, sound_library, speakers
from tapeemu.files.encodings import Encoding
from tapeemu.files.part_files import PartFile, check_target, reason
from tapeemu.validation import FloatArray

__all__ = ["AudioWriter"]

_LARGEST_WAV = 4_000_000_000  # bytes of audio; beyond it the 32-bit sizes of WAV do not reach
_PROBE_BYTES = 65_536  # more than any header
_DITHERED_BITS = 24  # a step of 32 bits lies 187 dB below full scale, where rounding is not heard


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
        self.sample_rate = sample_rate
        self.channels = channels
        self.chunks = chunks or []
        check_target(self.path, overwrite=overwrite)
        if encoding.is_riff and expected_frames * channels * encoding.bytes_per_sample > _LARGEST_WAV:
            encoding = Encoding("RF64", encoding.subtype)
        self.encoding = encoding
        self._channel_mask = channel_mask
        self._before_renaming = before_renaming
        self._dither = dither and encoding.bits is not None and encoding.bits <= _DITHERED_BITS
        self._random = np.random.default_rng(
            np.random.SeedSequence([seed, zlib.crc32(os.fsencode(self.path.name))])
        )
        self._part = PartFile(self.path, overwrite=overwrite)
        try:
            self._file = self._open()
        except BaseException:
            self._part.discard()
            raise
        for tag, text in (tags or {}).items():
            with contextlib.suppress(Exception):  # a container without that field loses it
                setattr(self._file, tag, text)

    def _open(self) -> Any:
        try:
            return sound_library.open_target(
                self._part.path,
                sample_rate=self.sample_rate,
                channels=self.channels,
                container=self.encoding.container,
                subtype=self.encoding.subtype,
            )
        except (*sound_library.FAILURES, TypeError) as error:
            # The library says "System error" of a full disk as of a format; bytes of our own tell which it is.
            self._part.write(bytes(_PROBE_BYTES))
            raise OutputError(
                f"{self.path} cannot be made as {self.encoding.label}, {counted(self.channels, 'channel')}, "
                f"{self.sample_rate} Hz ({reason(error)}); choose another format, depth or rate"
            ) from None

    def write(self, block: FloatArray) -> None:
        """Write a block of shape (channels, samples); nominal full scale is 1."""
        bits = self.encoding.bits
        if not self.encoding.is_float:
            # Dither and rounding move a sample at full scale by a step, which is not clipping.
            self.clipped += int(np.count_nonzero(np.abs(block) > 1.0 + 2.0 ** -(bits or 16)))
        frames: Any = speakers.to_file_order(block, self.encoding.container).T
        if bits is not None:
            frames = self._quantise(frames, bits)
        elif not self.encoding.is_float:
            frames = np.clip(frames, -1.0, 1.0)
        try:
            self._file.write(np.ascontiguousarray(frames))
        except (*sound_library.FAILURES, AssertionError) as error:
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
        if kind is None:
            with self._part:  # takes its name, or is removed if it cannot be finished
                self._finish()
            return
        try:
            with contextlib.suppress(Exception):
                self._file.close()
        finally:
            self._part.discard()

    def _finish(self) -> None:
        try:
            self._file.close()
            if self.encoding.is_riff:
                if self._channel_mask:
                    riff_chunks.set_channel_mask(self._part.path, self._channel_mask)
                riff_chunks.append_chunks(self._part.path, self.chunks)
            self._verify()
        except sound_library.FAILURES as error:
            raise self._failure(error) from None
        if self._before_renaming is not None:
            self._before_renaming(self._part.path)

    def _verify(self) -> None:
        # Encoders write their last blocks while closing, where some of them lose errors.
        if not self.frames:
            return
        with sound_library.open_source(self._part.path) as written:
            readable = written.frames
            if not self.encoding.is_lossy:
                written.seek(self.frames - 1)
                readable = self.frames - 1 + len(written.read(1))
        if readable < self.frames:
            raise OSError(f"only {readable:,} of {self.frames:,} samples were kept")

    def _failure(self, error: BaseException) -> OutputError:
        return OutputError(
            f"{self.path} cannot be written ({reason(error)}); check the free space and the permissions of its "
            "folder, or choose another format"
        )
