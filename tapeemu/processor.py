"""The two things every artefact is made of: settings, and the stream in which its sound happens.

A :class:`Processor` is an immutable set of settings. It makes a :class:`Stream`, which holds all state
and belongs to one owner. The whole-file call is one stream, fed and flushed, so there is a
single code path.
"""

from abc import ABC, abstractmethod
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, ClassVar, Self, TypeVar

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from tapeemu.errors import AudioError, ParameterError
from tapeemu.settings_text import explain, find_sentences, with_numbers
from tapeemu.validation import FloatArray, check_audio, check_block, check_channels, check_sample_rate

__all__ = ["DelayStream", "Processor", "Settings", "Stream", "setting"]

_PIECE = 65_536
"""Samples fed at a time by the whole-file call: what is in between stays in the processor's cache."""

AnyAudio = TypeVar("AnyAudio", bound=npt.NDArray[np.floating[Any]])


def setting(
    default: Any,
    description: str,
    *,
    unit: str = "",
    ge: float | None = None,
    gt: float | None = None,
    le: float | None = None,
    lt: float | None = None,
) -> Any:
    """Declare one setting: its default, its range and its unit in one place.

    The preset file, the command line, the schema and the documentation are all read from this.

    Parameters
    ----------
    default : Any
        Value used when none is given; ``...`` makes the setting required.
    description : str
        What the setting does, in one sentence.
    unit : str
        Unit as printed, e.g. ``"%"``; empty for a pure number.
    ge, gt, le, lt : float, optional
        Inclusive and exclusive limits.
    """
    return Field(
        default,
        description=description,
        ge=ge,
        gt=gt,
        le=le,
        lt=lt,
        json_schema_extra={"unit": unit} if unit else None,
    )


class Settings(BaseModel):
    """Immutable, comparable, printable, picklable settings; the repr is the constructor call.

    Numbers may be given as a text with their unit, ``"1800 ms"`` for a setting in seconds, where the unit is the
    setting's own or converts into it exactly.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, validate_default=True)

    amounts: ClassVar[Mapping[str, tuple[str, ...]]] = {}
    """Settings that switch something off at zero, and the settings that then have nothing to shape."""

    if not TYPE_CHECKING:  # keeps the constructor's signature for type checkers

        def __init__(self, **values: Any) -> None:
            try:
                super().__init__(**values)
            except ValidationError as error:
                raise ParameterError(explain(error, type(self))) from None

    def __repr__(self) -> str:
        changed = (
            f"{name}={value!r}"
            for name, field in type(self).model_fields.items()
            if (value := getattr(self, name)) != field.get_default(call_default_factory=True)
        )
        return f"{type(self).__name__}({', '.join(changed)})"

    __str__ = __repr__

    @model_validator(mode="before")
    @classmethod
    def _read_units(cls, values: Any) -> Any:
        return with_numbers(values, cls) if isinstance(values, Mapping) else values

    @classmethod
    def find_problems(cls, values: Mapping[str, Any]) -> list[tuple[tuple[str | int, ...], str]]:
        """Everything that is wrong with values for these settings, each with its place among them.

        A sentence begins with the last name of its place.
        """
        try:
            cls.__pydantic_validator__.validate_python(dict(values), self_instance=cls.__new__(cls))
        except ValidationError as error:
            return find_sentences(error, cls)
        return []

    def given(self, name: str) -> bool:
        """Whether a setting was given, be it at its default, and not left out.

        This decides what is refused together, and nothing else: settings that are equal sound equal.
        """
        return name in self.model_fields_set and getattr(self, name) is not None

    def idle(self) -> dict[str, str]:
        """Settings that were given but change no sample as the others stand, each with the reason."""
        return {
            name: f"{amount} is 0"
            for amount, shaping in self.amounts.items()
            if not getattr(self, amount)
            for name in shaping
            if self.given(name)
        }

    def replace(self, **changes: Any) -> Self:
        """Return settings like these with some values changed, checked again.

        A value of None leaves a setting out: it takes its default again.
        """
        values = {name: getattr(self, name) for name in self.model_fields_set} | changes
        known = type(self).model_fields
        return type(self)(
            **{name: value for name, value in values.items() if value is not None or name not in known}
        )

    def to_dict(self) -> dict[str, Any]:
        """Settings that differ from their defaults, as plain values fit for TOML or JSON."""
        return self.model_dump(mode="json", exclude_defaults=True, exclude_none=True)

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> Self:
        """Settings from what :meth:`to_dict` returned, or from a table of a preset file."""
        return cls(**values)


def check_tail_seconds(tail_seconds: float) -> None:
    """Refuse a tail that is negative or has no end."""
    if not 0.0 <= tail_seconds < float("inf"):
        raise ParameterError(f"tail_seconds is {tail_seconds!r}, but must be zero or more, and finite")


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
        check_block(block, channels=self.channels)
        return self._as_given(self._feed(block))  # type: ignore[no-any-return]

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
        rest = self.advance(np.zeros((self.channels, self.latency + tail_samples)))
        self.close()
        return rest

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

    def _feed(self, block: npt.NDArray[np.floating[Any]]) -> FloatArray:
        """Advance by a block that is known to be good, in its own type and shape convention."""
        rows = block if block.ndim == 2 else block[np.newaxis]
        result = self.advance(np.ascontiguousarray(rows, dtype=np.float64))
        self._dtype = block.dtype
        self._mono = block.ndim == 1
        return result

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

    @abstractmethod
    def stream(self, *, sample_rate: float, channels: int, start_sample: int = 0) -> Stream:
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
        """

    def __call__(
        self,
        audio: AnyAudio,
        *,
        sample_rate: float,
        tail_seconds: float = 0.0,
        start_sample: int = 0,
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
        start_sample : int
            Place on the tape of the first sample.

        Returns
        -------
        ndarray
            Same type and shape convention. Length: the input's (times `length_ratio`) plus the tail.

        Raises
        ------
        AudioError, ParameterError
            If audio or arguments break a rule.
        """
        check_audio(audio)
        check_tail_seconds(tail_seconds)
        channels = 1 if audio.ndim == 1 else audio.shape[0]
        stream = self.stream(sample_rate=sample_rate, channels=channels, start_sample=start_sample)
        tail = round(tail_seconds * sample_rate)
        length = round(audio.shape[-1] * stream.length_ratio) + tail
        late = np.empty((*audio.shape[:-1], stream.latency + length), dtype=audio.dtype)
        made = 0
        for start in range(0, max(1, audio.shape[-1]), _PIECE):
            part = stream._feed(audio[..., start : start + _PIECE])
            late[..., made : made + part.shape[-1]] = part[0] if audio.ndim == 1 else part
            made += part.shape[-1]
        late[..., made:] = stream.flush(tail)
        result: AnyAudio = late[..., stream.latency :]  # type: ignore[assignment]
        return result

    def with_seed(self, seed: int) -> Self:
        """Return the same settings on another tape.

        The seeds inside are derived from `seed` and from the seeds they replace, so two stages stay
        different from each other and keep their trajectories when their order changes. Processors
        without a tape return themselves: a room is not on the tape, and its `room_seed` stays.
        """
        if "seed" not in type(self).model_fields:
            return self
        own = int(self.seed)  # type: ignore[attr-defined]
        return self.replace(seed=int(np.random.SeedSequence([seed, own]).generate_state(1)[0]))
