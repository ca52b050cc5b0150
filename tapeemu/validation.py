"""Checks of audio, sample rates and counts, done once where they come in from outside.

No stream checks again, so a non-finite sample must not pass here: a recursive filter would never forget it.
"""

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from tapeemu.errors import AudioError, ParameterError, counted

__all__ = [
    "LOUDEST",
    "MAX_CHANNELS",
    "MAX_SAMPLE_RATE",
    "MIN_SAMPLE_RATE",
    "FloatArray",
    "check_audio",
    "check_block",
    "check_block_form",
    "check_channels",
    "check_place",
    "check_sample_rate",
    "check_samples",
    "check_seed",
    "check_start_seconds",
    "check_track",
]

FloatArray = npt.NDArray[np.float64]

MIN_SAMPLE_RATE = 8_000
MAX_SAMPLE_RATE = 384_000
MAX_CHANNELS = 256

LOUDEST = 1e30
"""Largest sample: 600 dB above full scale, far enough below the largest number for sums, squares and gains."""

FARTHEST_SECONDS = 1e9
"""Farthest place on the tape, some 30 years from its beginning: samples are counted exactly up to there."""

MOST_SAMPLES = 2**62
"""Farthest place on the tape in samples: half of what 64 bits count, so that latencies and runs-in fit in."""

MOST_SEED = 2**63 - 1

_TYPES = (np.dtype(np.float32), np.dtype(np.float64))

_SHORT_BLOCK = 8_192
"""Up to this size the power of a block tells at a fifth of the cost that every sample is within bounds."""


def check_sample_rate(sample_rate: float) -> float:
    """Return the sample rate as a float, or say why it cannot be used.

    Parameters
    ----------
    sample_rate : float
        Samples per second, 8,000 to 384,000 Hz.

    Raises
    ------
    ParameterError
        If it is not a number in that range.
    """
    if isinstance(sample_rate, bool) or not isinstance(sample_rate, int | float | np.integer | np.floating):
        raise ParameterError(f"sample_rate is {sample_rate!r}, but must be a number of samples per second")
    if not MIN_SAMPLE_RATE <= sample_rate <= MAX_SAMPLE_RATE:
        raise ParameterError(
            f"sample_rate is {sample_rate:g} Hz, but must lie between {MIN_SAMPLE_RATE:,} and "
            f"{MAX_SAMPLE_RATE:,} Hz; resample the audio first"
        )
    return float(sample_rate)


def check_start_seconds(start_seconds: float) -> float:
    """Return a place on the tape, or say why there is no such place.

    Raises
    ------
    ParameterError
        If it is not a finite number within 1e9 s of the beginning of the tape.
    """
    if not math.isfinite(start_seconds):
        raise ParameterError(f"start_seconds is {start_seconds!r}, but must be a finite number")
    if abs(start_seconds) > FARTHEST_SECONDS:
        raise ParameterError(
            f"start_seconds is {start_seconds!r}, but must lie within {FARTHEST_SECONDS:g} s of the beginning of "
            "the tape"
        )
    return float(start_seconds)


def check_place(start_sample: int) -> int:
    """Return a place on the tape in samples, or say why there is no such place (within 2^62 of its beginning)."""
    place = _whole_number("start_sample", start_sample)
    if abs(place) > MOST_SAMPLES:
        raise ParameterError(
            f"start_sample is {place}, but must lie within 2^62 samples of the beginning of the tape"
        )
    return place


def check_track(track: int) -> int:
    """Return the number of a track, or say why there is no such track (0 to 2^62)."""
    number = _whole_number("track", track)
    if not 0 <= number <= MOST_SAMPLES:
        raise ParameterError(f"track is {number}, but must be zero or more, and at most 2^62")
    return number


def check_seed(seed: int) -> int:
    """Return the number of a tape, or say why there is no such tape (0 to 2^63 - 1)."""
    number = _whole_number("seed", seed)
    if not 0 <= number <= MOST_SEED:
        raise ParameterError(f"seed is {number}, but must be zero or more, and at most 2^63 - 1")
    return number


def _whole_number(name: str, value: int) -> int:
    if isinstance(value, bool) or not isinstance(value, int | np.integer):
        raise ParameterError(f"{name} is {value!r}, but must be a whole number")
    return int(value)


def check_channels(channels: int) -> int:
    """Return the channel count, or say why it cannot be used (1 to 256 are accepted)."""
    if isinstance(channels, bool) or not isinstance(channels, int | np.integer):
        raise ParameterError(f"channels is {channels!r}, but must be a whole number")
    if not 1 <= channels <= MAX_CHANNELS:
        raise ParameterError(
            f"channels is {channels}, but must lie between 1 and {MAX_CHANNELS}; "
            "audio is (channels, samples) with time last: transpose it if it is the other way round"
        )
    return int(channels)


def _surely_good(block: npt.NDArray[np.floating[Any]]) -> bool:
    """Whether a short block is known to be finite and not absurd; false also where it takes a closer look."""
    if block.size > _SHORT_BLOCK or not block.flags.c_contiguous:
        return False
    return float(np.vdot(block, block)) <= 1e-3 * LOUDEST**2  # no for nan


def check_block(block: Any, *, channels: int | None = None) -> npt.NDArray[np.floating[Any]]:
    """Check one block of audio: type, shape, channel count and that every sample is finite and not absurd.

    Parameters
    ----------
    block : ndarray, shape (channels, samples) or (samples,)
        float32 or float64; ``(samples,)`` is mono. Zero samples are allowed.
    channels : int, optional
        The count that the block must have.

    Returns
    -------
    ndarray
        The same object, never a copy.

    Raises
    ------
    AudioError
        If a rule is broken; for non-finite samples the text counts them and places the first.
    """
    check_block_form(block, channels=channels)
    check_samples(block)
    return block  # type: ignore[no-any-return]


def check_block_form(block: Any, *, channels: int | None = None) -> None:
    """Check type, shape and channel count of one block of audio, as :func:`check_block` does."""
    if not isinstance(block, np.ndarray):
        raise AudioError(f"audio is a {type(block).__name__}, but must be a numpy array of float32 or float64")
    if block.dtype.kind in "iu":
        raise AudioError(
            f"audio has integer type {block.dtype}; divide it by its full scale "
            f"({np.iinfo(block.dtype).max + 1:,}) and convert it to float32 or float64"
        )
    if block.dtype not in _TYPES:
        raise AudioError(f"audio has type {block.dtype}, but must be float32 or float64; use audio.astype()")
    if block.ndim not in (1, 2):
        raise AudioError(f"audio has {block.ndim} dimensions, but must be (channels, samples) or (samples,)")
    present = check_channels(1 if block.ndim == 1 else block.shape[0])
    if channels is not None and present != channels:
        raise AudioError(
            f"the block has {counted(present, 'channel')} (shape {block.shape}), but the stream was made for "
            f"{channels}"
        )


def check_samples(block: npt.NDArray[np.floating[Any]]) -> None:
    """Check that every sample of one block is finite and not absurd, as :func:`check_block` does.

    A block that lies in one piece of memory is checked faster.
    """
    if block.size and not _surely_good(block) and not (block.min() >= -LOUDEST and block.max() <= LOUDEST):
        finite = np.isfinite(block)
        if finite.all():
            channel, first = np.argwhere(np.abs(np.atleast_2d(block)) > LOUDEST)[0]
            raise AudioError(
                f"sample {first} of channel {channel} is {np.atleast_2d(block)[channel, first]:g}, but samples "
                f"must lie within {LOUDEST:g} of zero (1 is full scale); repair the audio or divide it first"
            )
        channel, first = np.argwhere(~np.atleast_2d(finite))[0]
        bad = block.size - int(np.count_nonzero(finite))
        told = counted(bad, "sample that is not a finite number", "samples that are not finite numbers")
        raise AudioError(
            f"audio holds {told}; the first is sample {first} of channel {channel}; repair or replace them first"
        )


def check_audio(audio: Any) -> npt.NDArray[np.floating[Any]]:
    """Check a whole recording: the rules of a block, and that it is not integer-scaled.

    Audio whose samples are all whole numbers and whose peak is 2 or more was almost certainly read as
    integers and never divided by its full scale; it is refused rather than distorted.
    """
    block = check_block(audio)
    head = block[..., :1024]
    if block.size and bool(np.all(head == np.rint(head))):  # a glance spares most audio the whole test
        peak = float(np.max(np.abs(block)))
        if peak >= 2.0 and bool(np.all(block == np.rint(block))):
            raise AudioError(
                f"all {block.size} samples are whole numbers and the peak is {peak:g}: this looks like "
                "integer samples; divide them by their full scale (32,768 for 16 bit) first"
            )
    return block
