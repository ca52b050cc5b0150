"""What processors share whose way from settings to sound is written in kernels: memory, and one call a block.

A file of :mod:`tapeemu.dsp.kernels` named, say, ``drive`` holds the groups ``DriveSettings`` and ``DriveMemory``
and the kernels ``drive_shapes``, ``drive_design``, ``drive_latency``, ``drive_tail``, ``drive_process`` and
``drive_seek``, which are the same for every processor. Here memory is given to them, and blocks.
"""

import importlib
import math
import typing
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, ClassVar, NamedTuple

import numpy as np
import numpy.typing as npt

from tapeemu.dsp.kernels.arrays import ELEMENTS
from tapeemu.processor import Processor, Stream
from tapeemu.validation import FloatArray, check_place, check_track

__all__ = ["KernelStream", "ProcessorKernels", "ProcessorOfKernels", "processor_kernels"]

_MOST_DIMENSIONS = 3


@dataclass(frozen=True, kw_only=True)
class ProcessorKernels:
    """The kernels of one processor.

    Attributes
    ----------
    settings, memory : type
        Its NamedTuples.
    shapes, design, latency, tail, process, seek : callable
        See the module.
    """

    settings: type[Any]
    memory: type[Any]
    shapes: Callable[..., None]
    design: Callable[..., None]
    latency: Callable[..., int]
    tail: Callable[..., int]
    process: Callable[..., int | None]
    seek: Callable[..., None]
    change: Callable[..., None] | None = None
    """Of a processor whose settings can move."""

    def settings_from(self, **values: Any) -> Any:
        """The settings with every number in the type that is declared, so that one version is compiled."""
        return self.typed(self.settings(**values))

    def typed(self, settings: Any) -> Any:
        """Settings with every number in the type that is declared."""
        return _typed(settings)

    def memory_for(self, settings: Any, sample_rate: float, channels: int) -> Any:
        """Memory of zeros in the shapes that the kernels ask for."""
        arrays = list(_arrays(self.memory))
        shapes = np.ones((len(arrays), _MOST_DIMENSIONS), np.int64)
        self.shapes(settings, sample_rate, channels, shapes)
        zeros = iter(
            _aligned_zeros(tuple(int(size) for size in shape[:dimensions]), ELEMENTS[element])
            for (element, dimensions), shape in zip(arrays, shapes, strict=True)
        )
        return _group(self.memory, zeros)


@lru_cache
def processor_kernels(name: str) -> ProcessorKernels:
    """The kernels of the file of that name in :mod:`tapeemu.dsp.kernels`, which are loaded."""
    module = importlib.import_module(f"tapeemu.dsp.kernels.{name}")
    group = "".join(word.capitalize() for word in name.split("_"))
    return ProcessorKernels(
        settings=getattr(module, f"{group}Settings"),
        memory=getattr(module, f"{group}Memory"),
        shapes=getattr(module, f"{name}_shapes"),
        design=getattr(module, f"{name}_design"),
        latency=getattr(module, f"{name}_latency"),
        tail=getattr(module, f"{name}_tail"),
        process=getattr(module, f"{name}_process"),
        seek=getattr(module, f"{name}_seek"),
        change=getattr(module, f"{name}_change", None),
    )


class KernelStream(Stream):
    """A stream of one kernel call a block.

    Parameters
    ----------
    kernels : ProcessorKernels
        Of the processor.
    settings : NamedTuple
        Its settings, as :meth:`ProcessorKernels.settings_from` makes them.
    sample_rate, channels, start_sample, track
        As for :meth:`tapeemu.processor.Processor.stream`.

    Attributes
    ----------
    memory : NamedTuple
        Plan and state.
    """

    def __init__(
        self,
        kernels: ProcessorKernels,
        settings: NamedTuple,
        *,
        sample_rate: float,
        channels: int,
        start_sample: int = 0,
        track: int = 0,
    ) -> None:
        from tapeemu.dsp.kernels.compilation import for_blocks, held

        super().__init__(sample_rate=sample_rate, channels=channels)
        self.kernels = kernels
        self.settings = settings
        self.latency = int(kernels.latency(self.settings, self.sample_rate, self.channels))
        self.memory = kernels.memory_for(self.settings, self.sample_rate, self.channels)
        place, beside = np.int64(check_place(start_sample)), np.int64(check_track(track))
        kernels.design(self.settings, self.sample_rate, self.channels, place, beside, self.memory)
        self._held = held(self.memory)
        self._process = for_blocks(kernels.process, self._held)

    def advance(self, block: FloatArray) -> FloatArray:
        if not block.flags.c_contiguous:  # the kernel would read other samples
            block = np.ascontiguousarray(block)
        out = np.empty_like(block)
        self._process(block, out)
        return out

    @property
    def memory_bytes(self) -> int:
        """Size of plan and state."""
        return _bytes_of(self.memory)

    def change(self, settings: NamedTuple) -> None:
        """Go to other settings, see :mod:`tapeemu.dsp.kernels.glides`; only those that move may differ."""
        assert self.kernels.change is not None
        self.kernels.change(settings, self.sample_rate, self.channels, self._held)

    def tail_samples(self, level_db: float = -60.0) -> int:
        return self.tail_of(self.settings, level_db)

    def tail_of(self, settings: NamedTuple, level_db: float) -> int:
        """Tail that it would have with other settings, see :meth:`tail_samples`."""
        return int(self.kernels.tail(settings, self.sample_rate, self.channels, float(level_db)))

    def lead_samples(self, level_db: float = -60.0) -> int:
        return self.lead_of(self.settings, level_db)

    def lead_of(self, settings: NamedTuple, level_db: float) -> int:
        """Lead that it would have with other settings, see :meth:`lead_samples`."""
        return 0

    def seek(self, place: int) -> None:
        """Go to a place on the tape, as if made there; nothing that sounded before is left."""
        self.kernels.seek(self._held, np.int64(place))


class ProcessorOfKernels(Processor):
    """A processor whose way from settings to sound is in kernels; it says what its settings are to them."""

    kernel_file: ClassVar[str] = ""
    """The file of :mod:`tapeemu.dsp.kernels` that holds them, where it is not called as the kind is."""

    stream_type: ClassVar[type[KernelStream]] = KernelStream
    """The class of its streams, for those that are more than their kernels."""

    @classmethod
    def kernels(cls) -> ProcessorKernels:
        """The kernels of its file, which are loaded."""
        return processor_kernels(cls.kernel_file or cls.kind)

    def stream(self, *, sample_rate: float, channels: int, start_sample: int = 0, track: int = 0) -> Stream:
        return self.stream_type(
            self.kernels(),
            self.kernel_settings(),
            sample_rate=sample_rate,
            channels=channels,
            start_sample=start_sample,
            track=track,
        )


def _bytes_of(group: Any) -> int:
    return sum(part.nbytes if isinstance(part, np.ndarray) else _bytes_of(part) for part in group)


def _aligned_zeros(shape: tuple[int, ...], kind: npt.DTypeLike) -> npt.NDArray[Any]:
    """Zeros at an address that is a multiple of 64: rows of taps are read a sixth faster."""
    element = np.dtype(kind)
    store = np.zeros(math.prod(shape) * element.itemsize + 63, dtype=np.uint8)
    first = -store.ctypes.data % 64
    return store[first : first + math.prod(shape) * element.itemsize].view(element).reshape(shape)


_NUMBERS: Mapping[Any, Callable[[Any], Any]] = {int: int, float: float, np.int64: np.int64, np.uint64: np.uint64}


_DECLARED: dict[Any, dict[str, Any]] = {}


def _hints(group: Any) -> dict[str, Any]:
    """What the fields of a group are declared as; looked up once, for it takes longer than a design."""
    if group not in _DECLARED:
        _DECLARED[group] = typing.get_type_hints(group, include_extras=True)
    return _DECLARED[group]


def _typed(group: Any) -> Any:
    hints = _hints(type(group))
    parts = []
    for name, hint in hints.items():
        value = getattr(group, name)
        nested = hasattr(hint, "_fields")
        parts.append(_typed(value) if nested else _NUMBERS.get(getattr(hint, "__origin__", hint), _as_is)(value))
    return type(group)(*parts)


def _as_is(value: Any) -> Any:
    return value


def _arrays(group: type[Any]) -> Iterator[tuple[str, int]]:
    """Element and number of dimensions of every array in a group and the groups in it, in order."""
    for name, hint in _hints(group).items():
        if hasattr(hint, "_fields"):
            yield from _arrays(hint)
            continue
        marks = typing.get_args(hint)[1:]
        if len(marks) != 2:
            raise TypeError(f"{group.__name__}.{name} is no array, but memory holds arrays only; put it into one")
        yield marks


def _group(group: type[Any], arrays: Iterator[Any]) -> Any:
    hints = _hints(group)
    return group(*(_group(hint, arrays) if hasattr(hint, "_fields") else next(arrays) for hint in hints.values()))
