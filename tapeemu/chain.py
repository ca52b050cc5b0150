"""Processors one after the other, in any order.

A chain is itself a processor, so chains nest. It adds up what its stages declare: latencies, tails and
length ratios. Every stage sees the place on the tape that belongs to the sound it is given: a stage
behind a late one starts its own modulation that much earlier. So tape position 0, where a transport stands
without delay, is the first sample of the sound in every stage.

Behind a stage that adds sound, the others have heard what it added before the input began. So a chain with such
a stage is started as much earlier as its stages ask for, on silence, and what comes out until then is dropped.
"""

import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import fields
from functools import partial
from html import escape
from typing import TYPE_CHECKING, Any, ClassVar, Self, overload

import numpy as np
import numpy.typing as npt
from pydantic import InstanceOf, field_validator, model_validator

from tapeemu.automation import MIX, AutomatedStream, Curve, MovingMix, at_ends
from tapeemu.errors import ParameterError
from tapeemu.processor import (
    AnyAudio,
    Processor,
    Stream,
    Traits,
    check_lead_seconds,
    check_tail_seconds,
)
from tapeemu.processors import processor_kinds
from tapeemu.processors.plugin_effect import PluginObject
from tapeemu.settings import Settings, setting
from tapeemu.units import seconds_to_samples
from tapeemu.validation import FloatArray, check_audio, check_place, check_seed, check_track

__all__ = ["STAGE_KEYS", "Chain", "ChainStream", "Stage", "StageStream", "processor_class", "spoken"]

STAGE_KEYS = ("name", "bypass", "mix_percent", "automation")
"""Settings of a stage that stand beside its processor's in a table; no processor may have one of that name."""

_HELD_BACK = 8

_LONGEST_SILENCE = 65_536
"""Samples of silence fed at a time when a chain is drained."""


class Stage(Settings):
    """One place in a chain: a processor, a name, and how much of it is heard.

    Attributes
    ----------
    processor : Processor
        What sounds here.
    name : str
        Name within the chain; the processor's kind when left empty.
    bypass : bool
        Leave the stage out: no sound, no latency.
    mix_percent : float
        100 is the processor alone, 0 its input alone; in between, the input is delayed by the
        processor's latency before the two are added, so that they do not comb. A processor that changes
        the speed is mixed with its input at that speed: the same tape without wow and flutter.
    automation : tuple of Curve
        Settings that follow curves over the tape, one curve each: those in the processor's `moves`, and
        ``mix_percent``. A curve stands above the setting's own value.
    """

    processor: InstanceOf[Processor]
    name: str = setting("", "Name within the chain; the kind where left out.")
    bypass: bool = setting(False, "Leave the stage out, whatever its mix.")
    mix_percent: float = setting(
        100.0, "Share of the processed signal; the rest is the input, equally late.", unit="%", ge=0.0, le=100.0
    )
    automation: tuple[Curve, ...] = setting((), "Settings that follow curves over the tape.")

    @model_validator(mode="after")
    def _curves_can_be_followed(self) -> Self:
        seen = set()
        for curve in self.automation:
            name = curve.setting
            if name in seen:
                raise ValueError(f"automation has two curves for {name}; make them one")
            seen.add(name)
            if name != MIX and name not in self.processor.moves:
                able = ", ".join((*self.processor.moves, MIX))
                why = self.processor.why_it_stands(name)
                raise ValueError(
                    f"{name!r} of {self.processor.kind} cannot follow a curve; these can: {able}"
                    + (f" ({why})" if why else "")
                )
            for value in {point.value for point in curve.points}:
                if name == MIX:
                    if not 0.0 <= value <= 100.0:
                        raise ValueError(f"a point of {MIX} is {value:g} %, but must be 0 to 100 %")
                    continue
                try:
                    self.processor.replace(**{name: value})
                except ParameterError as error:
                    raise ValueError(f"a point of the curve of {name} is refused: {error}") from None
        try:
            ends = at_ends(self.processor, self._moving)
        except ParameterError as error:
            names = " and ".join(curve.setting for curve in self._moving)
            raise ValueError(f"the curves of {names} are refused together: {error}") from None
        for curve in self._moving:
            for why in {end.why_it_cannot_move(curve.setting) for end in ends} - {""}:
                raise ValueError(f"{curve.setting!r} of {self.processor.kind} cannot follow a curve here: {why}")
        return self

    @property
    def _moving(self) -> list[Curve]:
        return [curve for curve in self.automation if curve.setting != MIX]

    def curve_of(self, name: str) -> Curve | None:
        """The curve that a setting follows; None if it follows none."""
        return next((curve for curve in self.automation if curve.setting == name), None)

    @property
    def traits(self) -> Traits:
        """What the processor does to sound wherever its curves are: any trait that one end of them has."""
        return _together([end.traits for end in at_ends(self.processor, self._moving)], max)

    @property
    def mixed_away(self) -> bool:
        """Whether its input alone is heard, all along the tape."""
        course = self.curve_of(MIX)
        return (self.mix_percent if course is None else course.most) == 0.0

    def idle(self) -> dict[str, str]:
        """As of the processor, wherever its curves are: what one end switches off, the other may not."""
        found, *others = [end.idle() for end in at_ends(self.processor, self._moving)]
        return {name: reason for name, reason in found.items() if all(name in there for there in others)}

    def to_dict(self) -> dict[str, Any]:
        own = {key: getattr(self, key) for key in STAGE_KEYS if getattr(self, key) != _stage_default(key)}
        if self.automation:
            own["automation"] = [curve.to_dict() for curve in self.automation]
        return {"kind": self.processor.kind, **own, **self.processor.to_dict()}

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> Self:
        """Stage from a table: ``kind``, the stage's own keys, and the processor's settings."""
        settings = dict(values)
        own = {key: settings.pop(key) for key in STAGE_KEYS if key in settings}
        kind = settings.pop("kind", None)
        return cls(processor=processor_class(kind).from_dict(settings), **own)


def _together(several: Sequence[Traits], put_together: Callable[[Iterable[Any]], Any]) -> Traits:
    """Any trait of one of several, with peak gains, and numbers of tracks heard, put together by a function."""
    found: dict[str, Any] = {
        each.name: any(getattr(traits, each.name) for traits in several) for each in fields(Traits)
    }
    for name in ("peak_gain_db", "tracks_heard"):
        found[name] = put_together(getattr(traits, name) for traits in several)
    return Traits(**found)


def _stage_default(key: str) -> Any:
    return Stage.model_fields[key].default


def processor_class(kind: Any) -> type[Processor]:
    """The class of processors of a kind, chains included."""
    kinds: dict[str, type[Processor]] = {**processor_kinds(), Chain.kind: Chain}
    if kind not in kinds:
        known = ", ".join(kinds)
        raise ParameterError(f"kind is {kind!r}, but must be one of: {known}")
    return kinds[kind]


class Chain(Processor):
    """Stages in order.

    Parameters
    ----------
    stages : sequence
        :class:`Stage` objects, processors, or objects with the calling convention of pedalboard
        plug-ins. Stages without a name are named after their kind; names are made unique by a number.

    Examples
    --------
    >>> from tapeemu import Chain, FdnReverb, PreampDrive
    >>> chain = Chain([FdnReverb(), PreampDrive()])
    >>> chain.names
    ('fdn_reverb', 'preamp_drive')
    >>> len(chain), chain["preamp_drive"].processor
    (2, PreampDrive())
    """

    kind: ClassVar[str] = "chain"

    stages: tuple[Stage, ...] = setting((), "Stages in the order of the signal")

    if TYPE_CHECKING:

        def __init__(self, stages: Iterable[Stage | Processor | Callable[..., Any]] = ()) -> None: ...

    else:

        def __init__(self, stages: Any = (), **values: Any) -> None:
            super().__init__(stages=stages, **values)

    def __len__(self) -> int:
        """How many stages there are, bypassed ones included."""
        return len(self.stages)

    def __bool__(self) -> bool:
        # An empty chain is a chain: it passes sound on.
        return True

    def __iter__(self) -> Iterator[Stage]:  # type: ignore[override]
        """The stages in order."""
        return iter(self.stages)

    @overload
    def __getitem__(self, place: int | str) -> Stage: ...

    @overload
    def __getitem__(self, place: slice) -> Self: ...

    def __getitem__(self, place: int | str | slice) -> "Stage | Self":
        """The stage at a number or of a name; of a slice, the chain of these stages.

        Raises
        ------
        IndexError, KeyError
            If there is no such stage.
        """
        if isinstance(place, slice):
            return self.replace(stages=self.stages[place])
        if isinstance(place, str):
            if place not in self.names:
                raise KeyError(f"there is no stage {place!r}; the stages are: {', '.join(self.names)}")
            return self.stages[self.names.index(place)]
        if not -len(self) <= place < len(self):
            raise IndexError(f"there is no stage {place}; the chain has {len(self)}, counted from 0")
        return self.stages[place]

    def __contains__(self, stage: object) -> bool:
        """Whether there is such a stage, or one of that name."""
        return stage in self.names if isinstance(stage, str) else stage in self.stages

    @field_validator("stages", mode="before")
    @classmethod
    def _as_stages(cls, value: Any) -> Any:
        one = isinstance(value, Settings) and not isinstance(value, Chain)
        if one or not isinstance(value, Iterable) or isinstance(value, str | bytes | Mapping):
            raise ValueError("must be a sequence of stages, processors or plug-in objects")
        stages = []
        for item in value:
            if isinstance(item, Stage):
                stages.append(item)
            elif isinstance(item, Processor):
                stages.append(Stage(processor=item))
            elif callable(item):
                stages.append(Stage(processor=PluginObject(effect=item)))
            else:
                raise ValueError(
                    f"stage {len(stages) + 1} is of type {type(item).__name__}, which cannot process audio; give "
                    "a processor, a stage, or a plug-in object"
                )
        given = Counter(stage.name for stage in stages if stage.name)
        for name, times in given.items():
            if times > 1:
                raise ValueError(f"stage names must differ, but {name!r} stands {times} times; rename one")
        taken = set(given)
        named = []
        for stage in stages:
            name, number = stage.name or stage.processor.kind, 1
            while not stage.name and name in taken:
                number += 1
                name = f"{stage.processor.kind}_{number}"
            taken.add(name)
            named.append(stage.replace(name=name))
        return tuple(named)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the stages in order."""
        return tuple(stage.name for stage in self.stages)

    @property
    def sounding(self) -> tuple[Stage, ...]:
        """The stages that are heard: not bypassed, and not mixed away."""
        return tuple(stage for stage in self.stages if not (stage.bypass or stage.mixed_away))

    @property
    def traits(self) -> Traits:
        """What the stages that are heard do together: any trait of one of them; gains and tracks heard add up."""
        return _together([stage.traits for stage in self.sounding], sum)

    def stream(self, *, sample_rate: float, channels: int, start_sample: int = 0, track: int = 0) -> "ChainStream":
        return ChainStream(
            self, sample_rate=sample_rate, channels=channels, start_sample=start_sample, track=track
        )

    def intermediates(
        self,
        audio: AnyAudio,
        sample_rate: float,
        *,
        tail_seconds: float = 0.0,
        lead_seconds: float = 0.0,
        start_sample: int = 0,
        track: int = 0,
    ) -> dict[str, npt.NDArray[np.floating[Any]]]:
        """Process a recording and keep what leaves every stage, aligned with the input.

        Parameters and errors are those of calling the chain.

        Returns
        -------
        dict of str to ndarray
            The signal behind each stage that is not bypassed, in order; the last is the chain's output.
        """
        check_audio(audio)
        check_tail_seconds(tail_seconds)
        work = np.ascontiguousarray(np.atleast_2d(audio), dtype=np.float64)
        stream = self.stream(
            sample_rate=sample_rate, channels=work.shape[0], start_sample=start_sample, track=track
        )
        lead = check_lead_seconds(lead_seconds, stream)
        kept: dict[str, npt.NDArray[np.floating[Any]]] = {}
        for name, signal in stream.run_whole(work, seconds_to_samples(tail_seconds, sample_rate), lead):
            shaped = signal[0] if audio.ndim == 1 else signal
            kept[name] = shaped.astype(audio.dtype)
        return kept

    def reordered(self, names: Sequence[str]) -> Self:
        """Return the chain with stages moved: those named stand in this order, the others where they stood.

        Parameters
        ----------
        names : sequence of str
            Stage names, each once: all of them, or two or more that change places among themselves. The tape
            stays the same: seeds belong to the stages.
        """
        wanted = list(names)
        told = f"order is {', '.join(wanted)!r}"
        known = ", ".join(self.names)
        for name in wanted:
            if name not in self.names:
                raise ParameterError(f"{told}, but {name!r} is not a stage; the stages are: {known}")
            if wanted.count(name) > 1:
                raise ParameterError(f"{told}, but names {name!r} more than once; name each stage once")
        if len(wanted) < min(2, len(self.stages)):
            raise ParameterError(f"{told}, which moves nothing; name two or more of the stages: {known}")
        by_name = {stage.name: stage for stage in self.stages}
        moved = iter(wanted)
        return self.replace(
            stages=tuple(by_name[next(moved)] if stage.name in wanted else stage for stage in self.stages)
        )

    def with_setting(self, stage_name: str, key: str, value: Any) -> Self:
        """Return the chain with one setting of one stage changed.

        Parameters
        ----------
        stage_name : str
            Name of a stage, or names joined by dots for a chain within the chain.
        key : str
            Setting of its processor, or ``bypass`` or ``mix_percent`` of the stage.
        value : Any
            New value; None leaves the setting out, so that it takes its default again.
        """
        return self.with_settings(stage_name, {key: value})

    def with_settings(self, stage_name: str, values: Mapping[str, Any]) -> Self:
        """Return the chain with several settings of one stage changed together; see :meth:`with_setting`."""
        first, _, rest = stage_name.partition(".")
        if first not in self.names:
            raise ParameterError(f"there is no stage {first!r}; the stages are: {', '.join(self.names)}")
        changed = []
        for stage in self.stages:
            if stage.name != first:
                changed.append(stage)
            elif rest:
                if not isinstance(stage.processor, Chain):
                    raise ParameterError(f"stage {first!r} is not a chain, so it has no stage {rest!r}")
                changed.append(stage.replace(processor=stage.processor.with_settings(rest, values)))
            else:
                own = {key: value for key, value in values.items() if key in STAGE_KEYS}
                inner = {key: value for key, value in values.items() if key not in STAGE_KEYS}
                try:
                    processor = stage.processor.replace(**inner) if inner else stage.processor
                    changed.append(stage.replace(processor=processor, **own))
                except ParameterError as error:
                    # Stages of one kind have settings of the same names.
                    raise ParameterError(f"{first}: {error}") from None
        return self.replace(stages=tuple(changed))

    def idle(self) -> dict[str, str]:
        """Settings of the stages that sound but that change no sample, by ``stage.setting``, with the reason."""
        return {
            f"{stage.name}.{name}": reason
            for stage in self.stages
            if not stage.bypass
            for name, reason in stage.idle().items()
        }

    def with_seed(self, seed: int) -> Self:
        tape = check_seed(seed)
        return self.replace(
            stages=tuple(stage.replace(processor=stage.processor.with_seed(tape)) for stage in self.stages)
        )

    def to_dict(self) -> dict[str, Any]:
        return {"stages": [stage.to_dict() for stage in self.stages]}

    def _repr_html_(self) -> str:
        # For notebooks: a row a stage, with the settings that differ from their defaults.
        rows = []
        for number, stage in enumerate(self.stages, start=1):
            if isinstance(stage.processor, Chain):
                told = stage.processor._repr_html_()
            else:
                told = escape(spoken(stage.processor.to_dict()))
            notes = [f"{stage.mix_percent:g} % mixed in"] if stage.mix_percent < 100.0 else []
            notes += ["bypassed"] if stage.bypass else []
            cells = (str(number), escape(stage.name), stage.processor.kind, told or "defaults", ", ".join(notes))
            rows.append("".join(f"<td>{cell}</td>" for cell in cells))
        heading = "<th></th><th>stage</th><th>kind</th><th>settings</th><th></th>"
        return f"<table><tr>{heading}</tr>{''.join(f'<tr>{row}</tr>' for row in rows)}</table>"

    @classmethod
    def from_dict(cls, values: Mapping[str, Any]) -> Self:
        """Chain from a table with a list ``stages``, each as for :meth:`Stage.from_dict`."""
        unknown = set(values) - {"stages"}
        if unknown:
            raise ParameterError(f"{sorted(unknown)[0]!r} is not a setting of a chain; it has only 'stages'")
        return cls(stages=tuple(Stage.from_dict(table) for table in values.get("stages", ())))


def spoken(value: Any) -> str:
    """Settings in words, for people: ``decay_seconds 2.4, lines 16``."""
    if isinstance(value, Mapping):
        return ", ".join(
            f"{key} ({spoken(inner)})" if isinstance(inner, Mapping) else f"{key} {spoken(inner)}"
            for key, inner in value.items()
        )
    if isinstance(value, list | tuple):
        return "; ".join(spoken(inner) for inner in value)
    return f"{value:g}" if isinstance(value, float) else str(value)


def _place_behind(place: int, ratio: float) -> int:
    """Place on the tape behind a stage that changes the length: exact at any hour where none does."""
    return place if ratio == 1.0 else round(place * ratio)


def _is_wire(processor: Processor) -> bool:
    return isinstance(processor, Chain) and all(stage.bypass or _is_wire(stage.processor) for stage in processor)


class StageStream:
    """A processor's stream in its place in a chain, mixed with its own input.

    The input is as late as the processed signal, and runs at its constant speed: beside a tape at the wrong
    speed stands the same tape without its wow and flutter, because the recording itself would drift away
    from it for ever.

    Parameters
    ----------
    stage : Stage
        Processor and mix.
    make : callable
        Makes the stream that is mixed, given the arguments that follow.
    sample_rate, channels, start_sample, track
        As for :meth:`tapeemu.processor.Processor.stream`.
    """

    def __init__(
        self,
        stage: Stage,
        make: Callable[..., Stream],
        *,
        sample_rate: float,
        channels: int,
        start_sample: int,
        track: int,
    ) -> None:
        self._inner = make(sample_rate=sample_rate, channels=channels, start_sample=start_sample, track=track)
        # Without a stage in it a chain is its own input, and nothing is mixed.
        self._share = 1.0 if _is_wire(stage.processor) else stage.mix_percent / 100.0
        self.latency = self._inner.latency
        self.length_ratio = self._inner.length_ratio
        self._moving: MovingMix | None = None
        course = stage.curve_of(MIX)
        mixes = self._share < 1.0 or (course is not None and not _is_wire(stage.processor))
        self._dry_path = self._inner.steady() if mixes else []
        if mixes:
            from tapeemu.dsp.kernels.chain import mix_blocks

            self._mix = mix_blocks
            if course is not None:
                heard = _place_behind(start_sample, self.length_ratio) - self.latency
                self._moving = MovingMix(course, sample_rate=sample_rate, place=heard)
        # What waits to be paired: with a length of its own, one side may give some samples more in a block.
        self._dry = np.zeros((channels, 0))
        self._wet = np.zeros((channels, 0))

    def advance(self, block: FloatArray) -> FloatArray:
        """Process a block, see :meth:`tapeemu.processor.Stream.advance`."""
        wet = self._inner.advance(block)
        if self._share == 1.0 and self._moving is None:
            return wet
        dry = block
        for stream in self._dry_path:
            dry = stream.advance(dry)
        if self._dry.size or self._wet.size or dry.shape != wet.shape:
            dry = np.concatenate([self._dry, dry], axis=1)
            wet = np.concatenate([self._wet, wet], axis=1)
            ready = min(dry.shape[1], wet.shape[1])
            self._dry, self._wet = dry[:, ready:].copy(), wet[:, ready:].copy()
            dry, wet = dry[:, :ready].copy(), wet[:, :ready].copy()
        if self._moving is not None:
            self._moving.mix(dry, wet)
        else:
            self._mix(self._share, dry, wet)
        return wet

    def steady(self) -> list[Stream]:
        """See :meth:`tapeemu.processor.Stream.steady`."""
        return self._inner.steady()

    def tail_samples(self, level_db: float) -> int:
        """See :meth:`tapeemu.processor.Stream.tail_samples`."""
        return self._inner.tail_samples(level_db)

    def lead_samples(self, level_db: float) -> int:
        """See :meth:`tapeemu.processor.Stream.lead_samples`."""
        return self._inner.lead_samples(level_db)

    def run_in_samples(self) -> int:
        """See :meth:`tapeemu.processor.Stream.run_in_samples`."""
        return self._inner.run_in_samples()

    def close(self) -> None:
        """See :meth:`tapeemu.processor.Stream.close`."""
        self._inner.close()


class ChainStream(Stream):
    """The streams of a chain's stages, one behind the other."""

    def __init__(
        self, chain: Chain, *, sample_rate: float, channels: int, start_sample: int, track: int = 0
    ) -> None:
        super().__init__(sample_rate=sample_rate, channels=channels)
        start_sample, track = check_place(start_sample), check_track(track)
        self._build(chain, start_sample, track)
        self._fed = 0
        self._given = 0
        self._run_in = self._behind_sources(chain)
        # Output samples of each stage that belong to the run-in.
        self._early = [0 for _ in self._stages]
        if self._run_in:
            there = self._ends(start_sample)
            for _, stage in self._stages:
                stage.close()
            self._build(chain, start_sample - self._run_in, track)
            before = self._ends(start_sample - self._run_in)
            self._early = [end - start for start, end in zip(before, there, strict=True)]
        self._to_drop = self._early[-1] if self._early else 0

    def _build(self, chain: Chain, start_sample: int, track: int) -> None:
        self.latency, self.length_ratio = 0, 1.0
        self._stages: list[tuple[str, StageStream]] = []
        for stage in chain.stages:
            if stage.bypass:
                continue
            inner = StageStream(
                stage,
                self.maker(stage),
                sample_rate=self.sample_rate,
                channels=self.channels,
                start_sample=_place_behind(start_sample, self.length_ratio) - self.latency,
                track=track,
            )
            self._stages.append((stage.name, inner))
            self.latency = _place_behind(self.latency, inner.length_ratio) + inner.latency
            self.length_ratio *= inner.length_ratio

    def maker(self, stage: Stage) -> Callable[..., Stream]:
        """What makes the stream of a stage, without its mix, from the arguments of :meth:`Processor.stream`."""
        curves = [curve for curve in stage.automation if curve.setting != MIX]
        return partial(AutomatedStream, stage.processor, curves) if curves else stage.processor.stream

    def _ends(self, start_sample: int) -> list[int]:
        """Place on the tape of the first sample behind each stage, as the next stage counts it."""
        ratio, places = 1.0, []
        for _, stage in self._stages:
            ratio *= stage.length_ratio
            places.append(_place_behind(start_sample, ratio))
        return places

    def _behind_sources(self, chain: Chain) -> int:
        """Samples by which the whole must be started earlier; 0 where no stage adds sound that others hear."""
        active = [stage.traits.adds_sound for stage in chain.stages if not stage.bypass]
        first = active.index(True) if True in active else len(active)
        samples, ratio = 0.0, 1.0
        for number, (_, stage) in enumerate(self._stages):
            ratio *= stage.length_ratio
            # What a source remembers of itself is its own concern: it is a function of the place on the tape.
            if number > first:
                samples += stage.run_in_samples() / ratio
        return math.ceil(samples) + _HELD_BACK if samples else 0

    def advance(self, block: FloatArray) -> FloatArray:
        self._fed += block.shape[1]
        if self._run_in:
            block = self._run_into_place(block)
        signal = block
        for _, stage in self._stages:
            signal = stage.advance(signal)
        if self._to_drop:
            dropped = min(self._to_drop, signal.shape[1])
            self._to_drop -= dropped
            signal = signal[:, dropped:].copy()
        self._given += signal.shape[1]
        return signal.copy() if signal is block else signal

    def _run_into_place(self, block: FloatArray) -> FloatArray:
        """Feed the silence before the first block but for its end, which is returned in front of the block.

        At another speed the silence may give a sample more or less than it lasts; the end makes up for it.
        """
        silence, self._run_in = self._run_in - _HELD_BACK, 0
        while silence:
            signal = np.zeros((self.channels, min(silence, _LONGEST_SILENCE)))
            silence -= signal.shape[1]
            for _, stage in self._stages:
                signal = stage.advance(signal)
            self._to_drop -= signal.shape[1]
        return np.concatenate([np.zeros((self.channels, _HELD_BACK)), block], axis=1)

    def drain(self, tail_samples: int) -> FloatArray:
        # The silence is fed to the chain and not to its stages: what flushes a late stage is what the
        # earlier ones go on sounding, so a longer tail only adds to a shorter one.
        wanted = max(self.latency + round(self._fed * self.length_ratio) + tail_samples - self._given, 0)
        parts = [np.zeros((self.channels, 0))]
        missing = wanted
        while missing > 0:
            part = self.advance(np.zeros((self.channels, self._silence_for(missing))))
            missing -= part.shape[1]
            parts.append(part)
        self.close()
        return np.concatenate(parts, axis=1)[:, :wanted]

    def run_whole(
        self, audio: FloatArray, tail_samples: int, lead_samples: int = 0
    ) -> Iterator[tuple[str, FloatArray]]:
        """Feed a whole recording and yield each stage's name and its aligned output.

        The lead is at most the latency. A stage that is less late than the lead has silence before.
        """
        latency, ratio = 0, 1.0
        spans = []
        for (_, stage), early in zip(self._stages, self._early, strict=True):
            latency = _place_behind(latency, stage.length_ratio) + stage.latency
            ratio *= stage.length_ratio
            start = early + latency
            spans.append((start, start + round(audio.shape[1] * ratio) + tail_samples, min(lead_samples, latency)))
        parts: list[list[FloatArray]] = [[] for _ in spans]
        made = [0 for _ in spans]
        block = np.concatenate([np.zeros((self.channels, self._run_in)), audio], axis=1)
        while spans:
            signal = block
            for number, (_, stage) in enumerate(self._stages):
                signal = stage.advance(signal)
                parts[number].append(signal)
                made[number] += signal.shape[1]
            missing = max(end - count for (_, end, _), count in zip(spans, made, strict=True))
            if missing <= 0:
                break
            block = np.zeros((self.channels, self._silence_for(missing)))
        self.close()
        for (name, _), (start, end, lead), pieces in zip(self._stages, spans, parts, strict=True):
            whole = np.concatenate(pieces, axis=1)[:, start - lead : end]
            pieces.clear()
            yield name, np.pad(whole, ((0, 0), (lead_samples - lead, 0)))

    def steady(self) -> list[Stream]:
        return [stream for _, stage in self._stages for stream in stage.steady()]

    def close(self) -> None:
        super().close()
        for _, stage in self._stages:
            stage.close()

    def tail_samples(self, level_db: float = -60.0) -> int:
        return sum(stage.tail_samples(level_db) for _, stage in self._stages)

    def lead_samples(self, level_db: float = -60.0) -> int:
        return min(sum(stage.lead_samples(level_db) for _, stage in self._stages), self.latency)

    def run_in_samples(self) -> int:
        return sum(stage.run_in_samples() for _, stage in self._stages)

    def _silence_for(self, missing: int) -> int:
        """Samples to feed for about so many at the end, in portions that memory can hold."""
        return min(math.ceil(missing / self.length_ratio), _LONGEST_SILENCE)
