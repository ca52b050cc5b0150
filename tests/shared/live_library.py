"""The C library with its layer for playing while the chain changes, called from Python."""

import ctypes
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from native_targets import QUICK_FLAGS

from tapeemu.native.generate import C_FOLDER
from tapeemu.native.processors import find_processors
from tapeemu.processor import Processor
from tapeemu.targets.machines import WARNINGS, compile_c, found
from tapeemu.targets.setups import bits, setup_of

Audio = npt.NDArray[Any]
FILES = ("tapeemu.c", "live.c")
ENDLESS = 2**63 - 1


class _Stage(ctypes.Structure):
    _fields_ = [
        ("kind", ctypes.c_int32),
        ("count", ctypes.c_int32),
        ("settings", ctypes.c_void_p),
        ("still", ctypes.c_void_p),
        ("still_count", ctypes.c_int32),
    ]


class _Group(ctypes.Structure):
    _fields_ = [("first", ctypes.c_int32), ("behind", ctypes.c_int32), ("share", ctypes.c_double)]


class _Setup(ctypes.Structure):
    _fields_ = [
        ("sample_rate", ctypes.c_double),
        ("place", ctypes.c_int64),
        ("track", ctypes.c_int64),
        ("channels", ctypes.c_int32),
        ("block", ctypes.c_int32),
        ("stage_count", ctypes.c_int32),
        ("group_count", ctypes.c_int32),
        ("stages", ctypes.POINTER(_Stage)),
        ("groups", ctypes.POINTER(_Group)),
        ("slow_from", ctypes.c_size_t),
        ("control", ctypes.c_int32),
    ]


class _Bytes(ctypes.Structure):
    _fields_ = [("fast", ctypes.c_size_t), ("slow", ctypes.c_size_t)]


class Part(ctypes.Structure):
    """What is told of a part of a chain: before what rings, that, and behind it."""

    _fields_ = [
        ("latency", ctypes.c_int64),
        *((name, ctypes.c_bool) for name in ("empty", "drives", "adds_sound")),
    ]


class LiveLibrary:
    """The library, compiled into a folder."""

    def __init__(
        self, folder: Path, *flags: str, compiler: str = "gcc", optimisation: Sequence[str] = QUICK_FLAGS
    ) -> None:
        found(compiler, compiler)
        path = folder / f"live-{abs(hash((flags, compiler, tuple(optimisation)))):x}.so"
        sources = [str(C_FOLDER / name) for name in FILES]
        compile_c([compiler, *WARNINGS, *optimisation, *flags, "-fPIC", "-shared", *sources, "-o", str(path)])
        self.path = path
        self.c = ctypes.CDLL(str(path))
        self.real = np.float32 if "-DTAPEEMU_SINGLE" in flags else np.float64
        whole, size, pointer, truth = ctypes.c_int64, ctypes.c_size_t, ctypes.c_void_p, ctypes.c_bool
        small, real = ctypes.c_int32, ctypes.c_double
        for name, gives, takes in (
            ("tapeemu_size", _Bytes, (pointer,)),
            ("tapeemu_create", pointer, (pointer, pointer, pointer)),
            ("tapeemu_process", ctypes.c_ssize_t, (pointer, pointer, pointer, ctypes.c_ssize_t)),
            ("tapeemu_part_of", Part, (pointer, small)),
            ("tapeemu_process_part", ctypes.c_ssize_t, (pointer, small, pointer, pointer, ctypes.c_ssize_t)),
            ("tapeemu_rings", truth, (pointer,)),
            ("tapeemu_latency", whole, (pointer,)),
            ("tapeemu_tail", whole, (pointer, real)),
            ("tapeemu_seek", None, (pointer, whole)),
            ("tapeemu_set", truth, (pointer, small, small, real)),
            ("tapeemu_set_share", truth, (pointer, small, real)),
            ("tapeemu_follow", truth, (pointer, small, small, real)),
            ("tapeemu_follow_share", truth, (pointer, small, real)),
            ("tapeemu_follow_next", truth, (pointer, small, small, real)),
            ("tapeemu_follow_share_next", truth, (pointer, small, real)),
            ("tapeemu_cell", whole, (pointer, small)),
            ("tapeemu_share_cell", whole, (pointer, small)),
            ("tapeemu_follow_on", None, (pointer,)),
            ("tapeemu_live_size", size, (real, small, small, whole)),
            ("tapeemu_live_create", pointer, (real, small, small, whole, pointer)),
            ("tapeemu_live_take", truth, (pointer, pointer)),
            ("tapeemu_live_keeps_tail", truth, (pointer, pointer)),
            ("tapeemu_live_changing", truth, (pointer,)),
            ("tapeemu_live_gone", pointer, (pointer,)),
            ("tapeemu_live_chain", pointer, (pointer,)),
            ("tapeemu_live_bypass", None, (pointer, truth)),
            ("tapeemu_live_process", None, (pointer, pointer, pointer, ctypes.c_ssize_t)),
            ("tapeemu_live_latency", whole, (pointer,)),
            ("tapeemu_live_tail", whole, (pointer, real)),
            ("tapeemu_live_reset", None, (pointer, whole)),
        ):
            function = getattr(self.c, name)
            function.restype = gives
            function.argtypes = takes

    def chain(
        self,
        processor: Processor,
        *,
        sample_rate: float = 48_000.0,
        channels: int = 1,
        place: int = 0,
        track: int = 0,
        block: int = 64,
    ) -> "NativeChain":
        """A chain, in memory of exactly its size."""
        return NativeChain(self, processor, sample_rate, channels, place, track, block)

    def live(
        self, *, sample_rate: float = 48_000.0, channels: int = 1, block: int = 64, latency: int = 4096
    ) -> "Live":
        """A layer, in memory of exactly its size."""
        return Live(self, sample_rate, channels, block, latency)

    def run(self, function: Any, handle: int, audio: Audio, cuts: Sequence[int], in_place: bool = False) -> Audio:
        """Send audio through a processing function, cut into blocks whose sizes are taken in turn."""
        audio = np.array(np.atleast_2d(audio), self.real)
        out = audio if in_place else np.zeros_like(audio)
        channels, samples = audio.shape
        start = turn = 0
        while start < samples:
            count = min(cuts[turn % len(cuts)], samples - start)
            turn += 1
            step = audio.itemsize
            ins, outs = (
                (ctypes.c_void_p * channels)(*(each[row].ctypes.data + start * step for row in range(channels)))
                for each in (audio, out)
            )
            function(handle, ins, outs, count)
            start += count
        return out


def _store(count: int) -> npt.NDArray[np.int8]:
    """Memory of that many bytes at a good address."""
    raw = np.empty(count + 15, np.int8)
    first = -raw.ctypes.data % 16
    return raw[first : first + count]


class NativeChain:
    """A chain of the C library, and its memory."""

    def __init__(
        self,
        library: LiveLibrary,
        processor: Processor,
        sample_rate: float,
        channels: int,
        place: int,
        track: int,
        block: int,
    ) -> None:
        self.library = library
        setup = setup_of(processor, sample_rate=sample_rate, channels=channels)
        kinds = [kind.name for kind in find_processors()]
        numbers = [
            [np.array([_word(value) for value in row or ()], np.int64) for row in (stage.numbers, stage.still)]
            for stage in setup.stages
        ]
        stages = (_Stage * max(len(setup.stages), 1))(
            *(
                _Stage(
                    kinds.index(stage.kind.name),
                    own.size,
                    own.ctypes.data,
                    still.ctypes.data if still.size else None,
                    still.size,
                )
                for stage, (own, still) in zip(setup.stages, numbers, strict=True)
            )
        )
        groups = (_Group * max(len(setup.groups), 1))(
            *(_Group(group.first, group.behind, group.share) for group in setup.groups)
        )
        made = _Setup(
            sample_rate, place, track, channels, block, len(setup.stages), len(setup.groups), stages, groups, 0
        )
        need = library.c.tapeemu_size(ctypes.byref(made))
        assert need.fast > 0
        self.memory = _store(need.fast)
        self.handle: int = library.c.tapeemu_create(ctypes.byref(made), self.memory.ctypes.data, None)
        self.latency: int = library.c.tapeemu_latency(self.handle)
        self.names = [stage.names for stage in setup.stages]

    def process(self, audio: Audio, cuts: Sequence[int] = (512,), in_place: bool = False) -> Audio:
        return self.library.run(self.library.c.tapeemu_process, self.handle, audio, cuts, in_place)

    def process_counted(self, audio: Audio) -> Audio:
        """One call; of a chain that changes the length, as many samples as it made."""
        channels, samples = audio.shape
        given, out = np.array(audio, self.library.real), np.zeros((channels, 2 * samples + 16), self.library.real)
        ins, outs = (
            (ctypes.c_void_p * channels)(*(each[row].ctypes.data for row in range(channels)))
            for each in (given, out)
        )
        made = self.library.c.tapeemu_process(self.handle, ins, outs, samples)
        return out[:, :made]

    def parts(self) -> list[Part]:
        return [self.library.c.tapeemu_part_of(self.handle, number) for number in range(3)]

    def process_by_parts(self, audio: Audio, cuts: Sequence[int] = (512,)) -> Audio:
        """As :meth:`process`, all of it through one part after another."""
        call = self.library.c.tapeemu_process_part
        for part in range(3):
            audio = self.library.run(partial(_part_call, call, part), self.handle, audio, cuts)
        return audio

    def set(self, stage: int, name: str, value: float) -> bool:
        """Move a setting of a stage."""
        return bool(self.library.c.tapeemu_set(self.handle, stage, self.names[stage].index(name), value))


def _part_call(call: Any, part: int, handle: int, *rest: Any) -> Any:
    return call(handle, part, *rest)


def _word(value: float | int) -> int:
    word = bits(value) if isinstance(value, float) else value
    return word - 2**64 if word >= 2**63 else word


class Live:
    """A layer of the C library, and its memory."""

    def __init__(self, library: LiveLibrary, sample_rate: float, channels: int, block: int, latency: int) -> None:
        self.library = library
        size = library.c.tapeemu_live_size(sample_rate, channels, block, latency)
        assert size > 0
        self.memory = _store(size)
        self.memory[:] = 0x55  # memory of the caller is not clean
        self.kept: list[NativeChain] = []  # chains must outlive what plays them
        self.handle: int = library.c.tapeemu_live_create(
            sample_rate, channels, block, latency, self.memory.ctypes.data
        )

    def take(self, chain: NativeChain) -> bool:
        self.kept.append(chain)
        return bool(self.library.c.tapeemu_live_take(self.handle, chain.handle))

    def keeps_tail(self, chain: NativeChain) -> bool:
        """Whether a change to this chain would keep the tail of the one that plays."""
        return bool(self.library.c.tapeemu_live_keeps_tail(self.handle, chain.handle))

    def gone(self) -> int | None:
        """Address of a chain that no longer sounds."""
        address: int | None = self.library.c.tapeemu_live_gone(self.handle)
        return address

    def changing(self) -> bool:
        return bool(self.library.c.tapeemu_live_changing(self.handle))

    def bypass(self, bypassed: bool) -> None:
        self.library.c.tapeemu_live_bypass(self.handle, bypassed)

    def process(self, audio: Audio, cuts: Sequence[int] = (512,), in_place: bool = False) -> Audio:
        return self.library.run(self.library.c.tapeemu_live_process, self.handle, audio, cuts, in_place)

    def tail(self, level_db: float = -60.0) -> int:
        return int(self.library.c.tapeemu_live_tail(self.handle, level_db))

    def reset(self, place: int = 0) -> None:
        self.library.c.tapeemu_live_reset(self.handle, place)
