"""Chains as numbers: what the C interface is given, the same on every target."""

import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from tapeemu.chain import Chain
from tapeemu.errors import ParameterError
from tapeemu.native.processors import KernelProcessor as Kind
from tapeemu.native.processors import find_processors, scalars_first
from tapeemu.native.subset import DOUBLE, Array
from tapeemu.processor import Processor, Stream

__all__ = [
    "Case",
    "GroupSetup",
    "Setup",
    "StageSetup",
    "bits",
    "limited",
    "numbers_of",
    "setup_of",
    "with_number",
]

_LIMIT = "most_oversampling"

_CASE_NUMBERS = 17
"""Fixed numbers of a case, see proof.c."""


def bits(value: float) -> int:
    """The 64 bits of a double as an integer."""
    return int(struct.unpack("<q", struct.pack("<d", value))[0])


@dataclass(frozen=True)
class StageSetup:
    """A stage as numbers.

    Attributes
    ----------
    kind : Kind
        Its kernels.
    names : tuple of str
        What each number is.
    numbers : tuple of float or int
        Real settings as float, whole ones as int.
    still : tuple of float or int, or None
        Of the same tape without its movements.
    """

    kind: Kind
    names: tuple[str, ...]
    numbers: tuple[float | int, ...]
    still: tuple[float | int, ...] | None = None


@dataclass(frozen=True)
class GroupSetup:
    """Stages that are mixed with their input: first, the one behind the last, share of the processed signal."""

    first: int
    behind: int
    share: float


@dataclass(frozen=True)
class Setup:
    """A chain as numbers: its stages in order, and the groups of them that are mixed with their input."""

    stages: tuple[StageSetup, ...]
    groups: tuple[GroupSetup, ...]


def setup_of(
    processor: Processor, *, sample_rate: float, channels: int, most_oversampling: int | None = None
) -> Setup:
    """A processor or a chain as numbers.

    Parameters
    ----------
    processor : Processor
        What plays.
    sample_rate : float
        Samples per second.
    channels : int
        How many.
    most_oversampling : int, optional
        Most times the rate that curves are followed at: 12, 6, 4, 2 or 1; as often as they need if left out.

    Raises
    ------
    ParameterError
        If something in the chain is not computed by kernels, such as a plug-in of the user.
    """
    chain = processor if isinstance(processor, Chain) else Chain([processor])
    kinds = {kind.name: kind for kind in find_processors()}
    stages: list[StageSetup] = []
    groups: list[GroupSetup] = []
    _flatten(chain, kinds, {"sample_rate": sample_rate, "channels": channels}, stages, groups)
    setup = Setup(tuple(stages), tuple(groups))
    return setup if most_oversampling is None else limited(setup, most_oversampling)


def with_number(stage: StageSetup, name: str, value: float) -> StageSetup:
    """A stage, and its tape without movements, with another value of a number, if it has one of that name."""
    if name not in stage.names:
        return stage
    place = stage.names.index(name)

    def changed(numbers: tuple[float | int, ...]) -> tuple[float | int, ...]:
        return (*numbers[:place], type(numbers[place])(value), *numbers[place + 1 :])

    still = None if stage.still is None else changed(stage.still)
    return replace(stage, numbers=changed(stage.numbers), still=still)


def limited(setup: Setup, most_oversampling: int) -> Setup:
    """A setup whose curves are followed at most so many times the rate."""
    return replace(setup, stages=tuple(with_number(stage, _LIMIT, most_oversampling) for stage in setup.stages))


def _flatten(
    chain: Chain, kinds: dict[str, Kind], at: dict[str, Any], stages: list[StageSetup], groups: list[GroupSetup]
) -> None:
    for stage in chain.stages:
        if stage.bypass:
            continue
        if stage.automation:
            raise ParameterError(
                f"stage {stage.name!r} has automation, which the C library is given as it plays (tapeemu_follow)"
                "; leave it out of what goes into C"
            )
        first, share = len(stages), stage.mix_percent / 100.0
        place = len(groups)
        if isinstance(stage.processor, Chain):
            _flatten(stage.processor, kinds, at, stages, groups)
            if len(stages) > first:
                groups.insert(place, GroupSetup(first, len(stages), share))
            continue
        stages.append(_stage(stage.processor, kinds, at))
        if share < 1.0:
            groups.append(GroupSetup(first, first + 1, share))


def _stage(processor: Processor, kinds: dict[str, Kind], at: dict[str, Any]) -> StageSetup:
    stream: Stream = processor.stream(**at)
    settings = getattr(stream, "settings", None)
    kind = next((each for each in kinds.values() if each.settings.name == type(settings).__name__), None)
    if kind is None:
        raise ParameterError(f"{processor.kind} is not computed by kernels; leave it out of what goes into C")
    still = None
    if stream.length_ratio != 1.0:
        still = numbers_of(kind, getattr(stream.steady()[0], "settings", settings))[1]
    names, numbers = numbers_of(kind, settings)
    stream.close()
    return StageSetup(kind, names, numbers, still)


def numbers_of(kind: Kind, settings: Any) -> tuple[tuple[str, ...], tuple[float | int, ...]]:
    """What each number of a stage is, and the numbers, of settings as its kernels take them."""
    names: list[str] = []
    numbers: list[float | int] = []
    for path, sort in scalars_first(kind.settings):
        value = settings
        for part in path.split("."):
            value = getattr(value, part.removesuffix("_") if not hasattr(value, part) else part)
        element = sort.element if isinstance(sort, Array) else sort
        convert: type = float if element == DOUBLE else int
        if isinstance(sort, Array):
            table = np.asarray(value)
            names += [f"{path}: size", *[""] * (table.ndim - 1), path, *[""] * (table.size - 1)][
                : table.ndim + table.size
            ]
            numbers += [*map(int, table.shape), *map(convert, table.ravel().tolist())]
        else:
            names.append(path)
            numbers.append(convert(value))
    return tuple(names), tuple(numbers)


@dataclass(frozen=True)
class Case:
    """One comparison: a setup, where and how it is run, and what goes in.

    Attributes
    ----------
    setup : Setup
        The chain.
    audio : ndarray, shape (channels, samples)
        The input.
    sample_rate : float
        Samples per second.
    cuts : sequence of int
        Sizes of the blocks, taken in turn; none if only the memory shall be told.
    place, track : int
        On the tape.
    block : int
        Samples that the chain works on at once.
    sought : bool
        Whether the place is reached by a seek.
    in_place : bool
        Whether the output is written over the input.
    slow_from : int
        Arrays of so many bytes and more go to slow memory; 0: none do.
    level_db : float
        Level re the sound at which the tail ends.
    moved : (int, int, float) or None
        Stage, setting, and the value that it gets before the second block.
    room : int
        Samples of output a channel that there is room for; as many as the input has, if 0.
    control : int
        Samples of a control period, for envelopes of the input; 0 for none.
    """

    setup: Setup
    audio: npt.NDArray[np.float64]
    sample_rate: float = 48_000.0
    cuts: Sequence[int] = (64,)
    place: int = 0
    track: int = 0
    block: int = 64
    sought: bool = False
    in_place: bool = False
    slow_from: int = 0
    level_db: float = -60.0
    moved: tuple[int, int, float] | None = None
    room: int = field(default=0)
    control: int = 0

    @property
    def words(self) -> npt.NDArray[np.int64]:
        """The numbers of the case, see proof.c."""
        channels, samples = self.audio.shape
        stages, groups = self.setup.stages, self.setup.groups
        stage, setting, value = self.moved or (-1, 0, 0.0)
        words = [bits(self.sample_rate), channels, self.block, self.place, self.track, self.slow_from]
        words += [len(stages), len(groups), samples, len(self.cuts), self.sought, self.in_place]
        words += [bits(self.level_db), stage, setting, bits(value), self.control]
        assert len(words) == _CASE_NUMBERS
        kinds = [kind.name for kind in find_processors()]
        for each in stages:
            words += [kinds.index(each.kind.name), len(each.numbers), len(each.still or ())]
            words += _words(each.numbers)
            words += _words(each.still or ())
        for group in groups:
            words += [group.first, group.behind, bits(group.share)]
        words += list(self.cuts)
        return np.array([_wrapped(int(word)) for word in words], dtype=np.int64)

    @property
    def out_samples(self) -> int:
        """Room for the output, in samples a channel."""
        return self.room or self.audio.shape[1]

    @property
    def out_rows(self) -> int:
        """Rows of the output: the channels, and behind them their envelopes, if there are any."""
        channels: int = self.audio.shape[0]
        return 2 * channels if self.control else channels


def _words(numbers: Iterable[float | int]) -> list[int]:
    return [bits(number) if isinstance(number, float) else number for number in numbers]


def _wrapped(word: int) -> int:
    """An unsigned number as the signed one of the same 64 bits."""
    return word - 2**64 if word >= 2**63 else word
