"""What an artefact is: a processor, which is settings, and the stream in which its sound happens.

A :class:`Processor` is an immutable set of settings. It makes a :class:`Stream`, which holds all state
and belongs to one owner. The whole-file call is one stream, fed and flushed, so there is a
single code path.
"""

from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import Any, ClassVar, Self, TypeVar, get_args

import numpy as np
import numpy.typing as npt

from tapeemu.dsp.tape_position import Purpose, stream_key
from tapeemu.errors import AudioError, ParameterError
from tapeemu.pump import aligned_blocks, aligned_length, cut
from tapeemu.settings import Settings, required_setting, setting
from tapeemu.units import seconds_to_samples
from tapeemu.validation import (
    FloatArray,
    check_audio,
    check_block_form,
    check_channels,
    check_sample_rate,
    check_samples,
    check_seed,
)

__all__ = [
    "AnyAudio",
    "DelayStream",
    "Processor",
    "Settings",
    "Stream",
    "Traits",
    "check_lead_seconds",
    "check_tail_seconds",
    "required_setting",
    "setting",
]

RUN_IN_DB = -120.0
"""Level at which what sounded before a stream was started counts as gone."""

_PIECE = 65_536
"""Samples fed at a time by the whole-file call: what is in between stays in the processor's cache."""

AnyAudio = TypeVar("AnyAudio", bound=npt.NDArray[np.floating[Any]])


def check_tail_seconds(tail_seconds: float) -> None:
    """Refuse a tail that is negative or has no end."""
    if not 0.0 <= tail_seconds < float("inf"):
        raise ParameterError(f"tail_seconds is {tail_seconds!r}, but must be zero or more, and finite")


def check_lead_seconds(lead_seconds: float, stream: "Stream") -> int:
    """Samples of a lead that may be asked for: what a stream lets out before its input's first sample is due."""
    latest = stream.latency / stream.sample_rate
    if not 0.0 <= lead_seconds < float("inf"):
        raise ParameterError(f"lead_seconds is {lead_seconds!r}, but must be zero or more, and finite")
    lead = seconds_to_samples(lead_seconds, stream.sample_rate)
    if lead > stream.latency:
        raise ParameterError(
            f"lead_seconds is {lead_seconds:g} s, but the chain hears only {latest:.6g} s ahead; put silence "
            "before the input, and give a start_sample that much earlier"
        )
    return lead


@dataclass(frozen=True, kw_only=True)
class Traits:
    """What a processor does to sound, as far as others must know it to measure, order and test it.

    Attributes
    ----------
    adds_sound : bool
        It sounds without input: hiss, hum, clicks. Silence is not silence behind it.
    tracks_differ : bool
        What it does depends on the track: independent from track to track, and the same again on each.
    reverberates : bool
        It prolongs sound, and its decay is worth a figure; a tone beats behind it.
    echoes : bool
        It repeats sound; a tone beats behind it, but no decay time tells of it.
    drives : bool
        It distorts on purpose, so that its place before or after a reverb is heard.
    mixes_channels : bool
        A channel out hears other channels in.
    channels_differ : bool
        What it does to a channel depends on the channel's number.
    moves_time : bool
        The delay moves: a meter reads flutter.
    moves_level : bool
        The gain moves with the tape.
    neighbours : bool
        It hears what lies beside it on the tape, other tracks or other turns: azimuth, crosstalk, print-through.
    crosses_stems : bool
        It hears tracks of other stems where stems lie side by side, or knows its place among them: then its
        channels are those of all stems.
    tracks_heard : int
        How many tracks away it hears others.
    from_elsewhere : bool
        Its sound is made by an object that declares nothing of itself.
    peak_gain_db : float
        Highest gain that any settings of its class may give to the peak of a signal.
    """

    adds_sound: bool = False
    tracks_differ: bool = False
    reverberates: bool = False
    echoes: bool = False
    drives: bool = False
    mixes_channels: bool = False
    channels_differ: bool = False
    moves_time: bool = False
    moves_level: bool = False
    neighbours: bool = False
    crosses_stems: bool = False
    tracks_heard: int = 0
    from_elsewhere: bool = False
    peak_gain_db: float = 40.0

    @property
    def lingers(self) -> bool:
        """Whether sound goes on behind it, so that a meter takes the beating of a tone for modulation."""
        return self.reverberates or self.echoes


class Stream(ABC):
    """Sound in progress: holds the state of one processor, for one owner.

    Parameters
    ----------
    sample_rate : float
        Samples per second.
    channels : int
        Number of channels of every block.

    Attributes
    ----------
    latency : int
        Samples by which the output lags the input; known before the first block.
    length_ratio : float
        Output samples per input sample; 1 for all but a tape that runs at the wrong speed.
    closed : bool
        Whether it has ended.
    """

    latency: int = 0
    length_ratio: float = 1.0

    def __init__(self, *, sample_rate: float, channels: int) -> None:
        self.sample_rate = check_sample_rate(sample_rate)
        self.channels = check_channels(channels)
        self.closed = False
        self._flushed = False
        self._dtype: np.dtype[Any] = np.dtype(np.float64)
        self._mono = False

    @abstractmethod
    def advance(self, block: FloatArray) -> FloatArray:
        """Process a block that is known to be good.

        Parameters
        ----------
        block : ndarray, shape (channels, samples), float64, C-contiguous
            Must not be written to.

        Returns
        -------
        ndarray, shape (channels, samples), float64
            As many samples as came in (unless `length_ratio` is not 1), `latency` samples late. The
            caller owns it. It must not depend on how the input was cut into blocks.
        """

    def tail_samples(self, level_db: float = -60.0) -> int:
        """Samples that sound after the end of the input, until they are `level_db` below it.

        The latency is not part of it. Zero for processors without memory.
        """
        return 0

    def lead_samples(self, level_db: float = -60.0) -> int:
        """Samples that sound before the start of the input, from where they are `level_db` below it on.

        Counted as the tail is, at the aligned output. A stream can only sound ahead of its input by what it is
        late, so this is at most its latency. Zero for all but what hears ahead on purpose: print-through, a
        reversed reverb. The short ringing of linear-phase filters is none.
        """
        return 0

    def run_in_samples(self) -> int:
        """Samples by which it must be started earlier for its sound to be that of a stream that always ran.

        It counts behind a stage that adds sound, where silence before the input is not silence. Until what came
        before is 120 dB below, which is under the last place of 20 bits.
        """
        return self.tail_samples(RUN_IN_DB) + self.latency

    def process(self, block: AnyAudio) -> AnyAudio:
        """Process the next block of any length, zero included.

        Parameters
        ----------
        block : ndarray, shape (channels, samples), or (samples,) for a stream of one channel
            float32 or float64, finite; it is not written to.

        Returns
        -------
        ndarray
            Same shape convention and type as `block`, `latency` samples late.

        Raises
        ------
        AudioError
            If the block breaks a rule, or the stream was flushed.
        """
        if self._flushed:
            raise AudioError("this stream was flushed and is at its end; make a new one")
        check_block_form(block, channels=self.channels)
        rows = block if block.ndim == 2 else block[np.newaxis]
        given = np.ascontiguousarray(rows, dtype=np.float64)
        check_samples(given)
        result = self.advance(given)
        self._dtype = block.dtype
        self._mono = block.ndim == 1
        return self._as_given(result)  # type: ignore[no-any-return]

    def flush(self, tail_samples: int = 0) -> npt.NDArray[np.floating[Any]]:
        """Return what is still inside: the latency, then `tail_samples` more; ends the stream.

        The result has the type and shape convention of the last block (float64 if there was none).
        """
        if self._flushed:
            raise AudioError("this stream was flushed and is at its end; make a new one")
        self._flushed = True
        return self._as_given(self.drain(tail_samples))  # type: ignore[no-any-return]

    def drain(self, tail_samples: int) -> FloatArray:
        """Feed silence until latency and tail have come out, and end (the working part of :meth:`flush`).

        What comes out for a tail is the beginning of what comes out for a longer one.
        """
        silence, missing = self.silence_for(tail_samples)
        rest = self.advance(np.zeros((self.channels, silence)))[:, :missing]
        self.close()
        return rest

    def silence_for(self, tail_samples: int) -> tuple[int, int]:
        """Samples of silence that bring latency and a tail out, and how many come out that belong to them."""
        return self.latency + tail_samples, self.latency + tail_samples

    def close(self) -> None:
        """Mark the end: nothing more will be fed, and what only one stream may hold is free again."""
        self.closed = True

    def steady(self) -> "list[Stream]":
        """Streams in a row that do to latency and length what this one does, and nothing else to the sound.

        The input passes them before it is mixed with the output. To be called before the first block.

        Raises
        ------
        ParameterError
            If the stream changes the length of its input and does not say how.
        """
        if self.length_ratio != 1.0:
            raise ParameterError(
                f"a stage changes the length of its input by the factor {self.length_ratio:.6g}, so the two "
                "cannot be mixed; set its mix_percent to 100"
            )
        return [DelayStream(self.latency, sample_rate=self.sample_rate, channels=self.channels)]

    def _as_given(self, result: FloatArray) -> Any:
        return (result[0] if self._mono else result).astype(self._dtype, copy=False)


class DelayStream(Stream):
    """A delay by whole samples, which is its latency.

    Parameters
    ----------
    delay_samples : int
        Zero or more.
    sample_rate, channels
        As for every stream.
    """

    def __init__(self, delay_samples: int, *, sample_rate: float, channels: int) -> None:
        super().__init__(sample_rate=sample_rate, channels=channels)
        self.latency = delay_samples
        self._queue = np.zeros((channels, delay_samples))

    def advance(self, block: FloatArray) -> FloatArray:
        both = np.concatenate([self._queue, block], axis=1)
        self._queue = both[:, block.shape[1] :].copy()
        return np.ascontiguousarray(both[:, : block.shape[1]])


class Processor(Settings, ABC):
    """Settings of one artefact, or of a chain of them."""

    kind: ClassVar[str]
    """Name of the artefact in presets and on the command line."""

    moves: ClassVar[tuple[str, ...]] = ()
    """Settings that can follow a curve while it plays; none unless a processor says so."""

    stands: ClassVar[str] = "it is decided before the tape starts"
    """Why its other quantities cannot."""

    @classmethod
    def why_it_stands(cls, name: str) -> str:
        """Why a setting that is not in `moves` cannot follow a curve; nothing of what is no setting."""
        field = cls.model_fields.get(name)
        if field is None:
            return ""
        return cls.stands if float in (field.annotation, *get_args(field.annotation)) else "it is not one quantity"

    def why_it_cannot_move(self, name: str) -> str:
        """Why a setting in `moves` cannot follow a curve beside these others; nothing if it can."""
        return ""

    def kernel_settings(self) -> Any:
        """The settings as kernels take them; every processor with settings that move has them."""
        raise NotImplementedError(f"{self.kind} has no kernels")

    @property
    def traits(self) -> Traits:
        """What it does to sound with these settings; nothing in particular unless a processor says so."""
        return Traits()

    @abstractmethod
    def stream(self, *, sample_rate: float, channels: int, start_sample: int = 0, track: int = 0) -> Stream:
        """Make a stream.

        Parameters
        ----------
        sample_rate : float
            Samples per second, 8,000 to 384,000.
        channels : int
            Channels of every block, 1 to 256.
        start_sample : int
            Place on the tape, in samples, of the first sample that will be fed: modulation is a function
            of this absolute index and the seed alone. May be negative.
        track : int
            Which of the tracks that lie beside each other on the tape: noise (`Traits.tracks_differ`) is
            independent from track to track and repeats on each; all else is the same on every track.
        """

    def __call__(
        self,
        audio: AnyAudio,
        sample_rate: float,
        *,
        tail_seconds: float = 0.0,
        lead_seconds: float = 0.0,
        start_sample: int = 0,
        track: int = 0,
    ) -> AnyAudio:
        """Process a whole recording: latency taken out, aligned with the input to the sample.

        Parameters
        ----------
        audio : ndarray, shape (channels, samples) or (samples,)
            float32 or float64, nominal full scale 1; it is not written to.
        sample_rate : float
            Samples per second.
        tail_seconds : float
            How much longer than the input the output shall be.
        lead_seconds : float
            How much earlier than the input the output shall begin; at most the latency.
        start_sample : int
            Place on the tape of the first sample of `audio`.
        track : int
            Track of the tape, see :meth:`stream`.

        Returns
        -------
        ndarray
            Same type and shape convention. Length: lead, the input's (times `length_ratio`), and tail.

        Raises
        ------
        AudioError, ParameterError
            If audio or arguments break a rule.
        """
        check_audio(audio)
        check_tail_seconds(tail_seconds)
        channels = 1 if audio.ndim == 1 else audio.shape[0]
        stream = self.stream(sample_rate=sample_rate, channels=channels, start_sample=start_sample, track=track)
        lead = check_lead_seconds(lead_seconds, stream)
        tail = seconds_to_samples(tail_seconds, sample_rate)
        length = lead + aligned_length(stream, audio.shape[-1], tail)
        whole: AnyAudio = np.empty((*audio.shape[:-1], length), dtype=audio.dtype)  # type: ignore[assignment]
        made = 0
        for part in aligned_blocks(
            stream, cut(audio, _PIECE), tail_samples=tail, lead_samples=lead, silence_samples=_PIECE
        ):
            whole[..., made : made + part.shape[-1]] = part
            made += part.shape[-1]
        return whole

    def with_seed(self, seed: int) -> Self:
        """Return the same settings on another tape.

        The seeds inside are derived from `seed` and from the seeds they replace, so two stages stay
        different from each other and keep their trajectories when their order changes. Processors
        without a tape return themselves: a room is not on the tape, and its `room_seed` stays.
        """
        tape = check_seed(seed)
        if "seed" not in type(self).model_fields:
            return self
        own = int(self.seed)  # type: ignore[attr-defined]
        return self.replace(seed=stream_key(tape, Purpose.TAPE, own) >> 32)
