"""Effects from elsewhere as stages: objects with the calling convention of pedalboard plug-ins.

Such objects keep state between calls only while their blocks never grow, return fewer samples at first
when they have latency, and belong to one signal at a time. Here they are always fed blocks of one fixed
length, counted from the start of the stream, behind a queue; so any block schedule gives the same
samples, at the price of a declared latency.

Effects run in single precision, whatever the audio's type, because that is what pedalboard computes in.
Their own modulation starts with the stream: it is not tied to a place on the tape.
"""

import weakref
from collections.abc import Callable
from typing import Any, ClassVar

import numpy as np
from pydantic import SkipValidation, field_validator, model_validator

from tapeemu.dsp.shared_tables import shared
from tapeemu.errors import ParameterError
from tapeemu.processor import Processor, Stream, Traits, required_setting, setting
from tapeemu.validation import FloatArray

__all__ = ["EFFECTS", "PluginEffect", "PluginObject", "PluginStream", "parameter_names"]

EFFECTS = (
    "Bitcrush",
    "Chorus",
    "Clipping",
    "Compressor",
    "Delay",
    "Distortion",
    "Gain",
    "HighShelfFilter",
    "HighpassFilter",
    "Invert",
    "LadderFilter",
    "Limiter",
    "LowShelfFilter",
    "LowpassFilter",
    "NoiseGate",
    "PeakFilter",
    "Phaser",
    "Reverb",
)
"""Effects of pedalboard that a preset may name: those that neither load files nor run foreign code."""

_BLOCK = 512
_PROBE_BLOCKS = 96
_TAIL_SECONDS = 10.0  # how long a tail is listened to
# A delay line is allocated for the longest time that its parameter allows, so a preset's number is bounded.
_LONGEST_SECONDS = 30.0

_owners: dict[int, "weakref.ref[PluginStream]"] = {}


def parameter_names(effect: str) -> list[str]:
    """Names of the parameters of one of the effects."""
    import pedalboard

    effect_class = getattr(pedalboard, effect)
    return [
        attribute
        for attribute in dir(effect_class)
        if isinstance(getattr(effect_class, attribute), property)
        and attribute not in ("is_effect", "is_instrument")
    ]


class PluginEffect(Processor):
    """One of pedalboard's own general-purpose effects, by name.

    Parameters
    ----------
    effect : str
        Name of the effect, one of :data:`EFFECTS`.
    parameters : dict
        Its parameters, by the names that pedalboard gives them; numbers, or the name of a mode.

    Notes
    -----
    Up to two channels share one effect object, so that stereo effects stay stereo; more channels get
    one object each.

    Examples
    --------
    >>> PluginEffect(effect="HighpassFilter", parameters={"cutoff_frequency_hz": 60.0})
    PluginEffect(effect='HighpassFilter', parameters={'cutoff_frequency_hz': 60.0})
    """

    kind: ClassVar[str] = "plugin_effect"
    stands: ClassVar[str] = "the effect is another program, which takes its parameters when it starts"

    effect: str = required_setting("Name of one of pedalboard's own effects.")
    parameters: dict[str, float | str] = setting({}, "Parameters of the effect, by pedalboard's names.")

    @field_validator("effect")
    @classmethod
    def _known(cls, value: str) -> str:
        if value not in EFFECTS:
            raise ValueError(f"must be one of: {', '.join(EFFECTS)}")
        return value

    @model_validator(mode="after")
    def _accepted(self) -> "PluginEffect":
        self.make()
        return self

    def make(self) -> Any:
        """A fresh effect object with these parameters."""
        import pedalboard

        effect_class = getattr(pedalboard, self.effect)
        known = parameter_names(self.effect)
        values: dict[str, Any] = {}
        for name, value in self.parameters.items():
            if name not in known:
                raise ValueError(
                    f"{name!r} is not a parameter of {self.effect}; it has: {', '.join(known) or 'none'}"
                )
            if name.endswith("_seconds") and not isinstance(value, str) and value > _LONGEST_SECONDS:
                raise ValueError(f"{name} is {value:g}, but must be at most {_LONGEST_SECONDS:g}")
            if isinstance(value, str):
                modes = getattr(getattr(effect_class, name.capitalize(), None), "__members__", {})
                if value not in modes:
                    rule = f"one of: {', '.join(modes)}" if modes else "a number, without unit or quotes"
                    raise ValueError(f"{name} is {value!r}, but must be {rule}")
                values[name] = modes[value]
            else:
                values[name] = value
        try:
            return effect_class(**values)
        except (TypeError, ValueError, RuntimeError) as error:
            raise ValueError(f"{self.effect} refuses its parameters: {str(error).splitlines()[0]}") from None

    @property
    def traits(self) -> Traits:
        return Traits(
            from_elsewhere=True,
            mixes_channels=True,
            reverberates=self.effect == "Reverb",
            echoes=self.effect == "Delay",
            drives=self.effect == "Distortion",
        )

    def stream(self, *, sample_rate: float, channels: int, start_sample: int = 0, track: int = 0) -> Stream:
        count = 1 if channels <= 2 else channels
        parameters = tuple((name, type(value), value) for name, value in sorted(self.parameters.items()))
        return PluginStream(
            [self.make() for _ in range(count)],
            sample_rate=sample_rate,
            channels=channels,
            decay_db=_decay_of_named(self.effect, parameters, float(sample_rate), channels),
        )


class PluginObject(Processor):
    """A given object with the calling convention of pedalboard plug-ins.

    Parameters
    ----------
    effect : object
        Callable as ``effect(audio, sample_rate, reset=...)`` with float32 audio of shape
        (channels, samples); it may return fewer samples at first. It is used by one stream at a time
        and reset when a stream is made.

    Notes
    -----
    It cannot be written to a preset; :class:`PluginEffect` can.
    """

    kind: ClassVar[str] = "plugin_object"

    effect: SkipValidation[Any] = required_setting("The object")

    @field_validator("effect")
    @classmethod
    def _callable(cls, value: Any) -> Callable[..., Any]:
        if not callable(value):
            raise ValueError("must be callable as effect(audio, sample_rate, reset=...)")
        return value  # type: ignore[no-any-return]

    def to_dict(self) -> dict[str, Any]:
        raise ParameterError(
            f"{type(self.effect).__name__} is an object given from outside and cannot be written to a preset; "
            "name one of pedalboard's own effects with PluginEffect instead"
        )

    @property
    def traits(self) -> Traits:
        return Traits(from_elsewhere=True, mixes_channels=True)

    def stream(self, *, sample_rate: float, channels: int, start_sample: int = 0, track: int = 0) -> Stream:
        owner = _owners.get(id(self.effect), lambda: None)()
        if owner is not None and not owner.closed:
            raise ParameterError(
                f"{type(self.effect).__name__} is still used by another stream and keeps the state of one only; "
                "flush that stream first, or give each chain an object of its own"
            )
        stream = PluginStream([self.effect], sample_rate=sample_rate, channels=channels)
        _owners[id(self.effect)] = weakref.ref(stream, lambda _: _owners.pop(id(self.effect), None))
        return stream


class PluginStream(Stream):
    """Feeds effect objects blocks of one length, whatever the blocks that come in.

    Parameters
    ----------
    effects : list of object
        One for all channels, or one for each.
    sample_rate : float
        Samples per second.
    channels : int
        Number of channels.
    decay_db : ndarray, optional
        How the first object dies away, where that is known; listened to if left out.
    """

    def __init__(
        self, effects: list[Any], *, sample_rate: float, channels: int, decay_db: FloatArray | None = None
    ) -> None:
        super().__init__(sample_rate=sample_rate, channels=channels)
        self._effects = effects
        self._rows = [slice(None)] if len(effects) == 1 else [slice(row, row + 1) for row in range(len(effects))]
        self._reset()
        missing = 0
        fed = got = 0
        silence = np.zeros((channels, _BLOCK), np.float32)
        for _ in range(_PROBE_BLOCKS):
            fed += _BLOCK
            returned = self._call(silence).shape[1]
            got += returned
            missing = max(missing, fed - got)
        if returned != _BLOCK:
            raise ParameterError(
                f"{type(effects[0]).__name__} returned {got} of {fed} samples and has not settled: "
                "an effect must return as many samples as it is given once its latency is over"
            )
        self._reset()
        self._decay_db = _decay_db(effects[0], sample_rate, channels) if decay_db is None else decay_db
        self._reset()
        self.latency = missing + _BLOCK - 1
        self._waiting = np.zeros((channels, 0))
        self._ready = np.zeros((channels, self.latency))

    def _reset(self) -> None:
        # A call with reset=True would also push the effect's latency out at its end.
        for effect in self._effects:
            if hasattr(effect, "reset"):
                effect.reset()

    def _call(self, block: Any) -> FloatArray:
        parts = [
            np.atleast_2d(effect(block[rows], self.sample_rate, reset=False))
            for effect, rows in zip(self._effects, self._rows, strict=True)
        ]
        return np.concatenate(parts).astype(np.float64)

    def tail_samples(self, level_db: float = -60.0) -> int:
        """What was heard after a burst when the stream was made, up to ten seconds."""
        sounding = int(np.count_nonzero(self._decay_db > level_db))
        return max(sounding - 1, 0) * _BLOCK

    def advance(self, block: FloatArray) -> FloatArray:
        waiting = np.concatenate([self._waiting, block], axis=1)
        whole = waiting.shape[1] // _BLOCK * _BLOCK
        done = [self._ready]
        for start in range(0, whole, _BLOCK):
            piece = np.ascontiguousarray(waiting[:, start : start + _BLOCK], dtype=np.float32)
            done.append(self._call(piece))
        self._waiting = waiting[:, whole:]
        ready = np.concatenate(done, axis=1)
        self._ready = ready[:, block.shape[1] :]
        return ready[:, : block.shape[1]].copy()


def _decay_db(effect: Any, sample_rate: float, channels: int) -> FloatArray:
    """Level of a fresh object's response to a burst, block by block, falling, re the burst."""
    rows = channels if channels <= 2 else 1
    burst = np.random.default_rng(0).uniform(-0.25, 0.25, (channels, _BLOCK)).astype(np.float32)
    silence = np.zeros((rows, _BLOCK), np.float32)
    powers = []
    for index in range(int(_TAIL_SECONDS * sample_rate / _BLOCK)):
        returned = np.atleast_2d(effect(silence if index else burst[:rows], sample_rate, reset=False))
        powers.append(float(np.mean(returned.astype(np.float64) ** 2)) if returned.size else 0.0)
    envelope = np.maximum.accumulate(powers[::-1])[::-1]
    reference = float(np.mean(burst.astype(np.float64) ** 2))
    decay_db: FloatArray = 10.0 * np.log10(np.maximum(envelope, 1e-30) / reference)
    return decay_db


@shared(maxsize=64)
def _decay_of_named(
    effect: str, parameters: tuple[tuple[str, type, Any], ...], sample_rate: float, channels: int
) -> FloatArray:
    """As `_decay_db`, of an effect by name: the same for every stream, and ten seconds of it take a while."""
    made = PluginEffect(effect=effect, parameters={name: value for name, _, value in parameters}).make()
    return _decay_db(made, sample_rate, channels)
