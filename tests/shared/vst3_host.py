"""A small host of VST3 plug-ins, for what Python hosts do not show: points within a block, places, silence.

Order of functions and layouts are those of the public interfaces of VST 3.
"""

import ctypes
from collections.abc import Callable, Sequence
from ctypes import CFUNCTYPE, POINTER, Structure, c_double, c_int32, c_int64, c_uint8, c_uint32, c_uint64, c_void_p
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from tapeemu.plugins.preset_files import vst3_class

COMPONENT = bytes.fromhex("E831FF31F2D54301928EBBEE25697802")
PROCESSOR = bytes.fromhex("42043F99B7DA453CA569E79D9AAEC33D")
CONTROLLER = bytes.fromhex("DCD7BBE37742448DA874AACC979C759E")
PLAYING, OFFLINE = 1 << 1, 2


class _Setup(Structure):
    _fields_ = [("mode", c_int32), ("sample_size", c_int32), ("most", c_int32), ("rate", c_double)]


class _Buffers(Structure):
    _fields_ = [("channels", c_int32), ("silent", c_uint64), ("rows", c_void_p)]


class _Context(Structure):
    _fields_ = [
        *(("state", c_uint32), ("rate", c_double), ("place", c_int64), ("rest", c_int64 * 2)),
        *(("musical", c_double * 4), ("tempo", c_double), ("more", c_int32 * 7)),
    ]


class _Data(Structure):
    _fields_ = [
        *((name, c_int32) for name in ("mode", "sample_size", "samples", "inputs", "outputs")),
        *(("input", POINTER(_Buffers)), ("output", POINTER(_Buffers))),
        *((name, c_void_p) for name in ("changes", "changes_out", "events", "events_out", "context")),
    ]


def call(thing: int, place: int, result: Any, *arguments: tuple[Any, Any]) -> Any:
    """Call a function of an object by its place in the object's table."""
    table = ctypes.cast(thing, POINTER(POINTER(c_void_p))).contents
    function = CFUNCTYPE(result, c_void_p, *(kind for kind, _ in arguments))(table[place])
    return function(thing, *(value for _, value in arguments))


def knob(key: str) -> int:
    """Number of a parameter: FNV-1a of its key in 31 bits, as tables.py says."""
    number = 2166136261
    for byte in key.encode():
        number = (number ^ byte) * 16777619 & 0xFFFFFFFF
    return number & 0x7FFFFFFF


class HostObject:
    """An object of the host's: functions behind the three that every object has."""

    def __init__(self, *functions: tuple[Any, Callable[..., Any]]) -> None:
        nothing = CFUNCTYPE(c_int32, c_void_p)(lambda self: 0)
        self._kept = [nothing, nothing, nothing, *(kind(function) for kind, function in functions)]
        self._table = (c_void_p * len(self._kept))(*(ctypes.cast(each, c_void_p) for each in self._kept))
        self._itself = c_void_p(ctypes.addressof(self._table))
        self.address = ctypes.addressof(self._itself)


_COUNT = CFUNCTYPE(c_int32, c_void_p)
_POINT = CFUNCTYPE(c_int32, c_void_p, c_int32, POINTER(c_int32), POINTER(c_double))
_QUEUE = CFUNCTYPE(c_void_p, c_void_p, c_int32)
_BYTES = CFUNCTYPE(c_int32, c_void_p, c_void_p, c_int32, POINTER(c_int32))


class _Queue(HostObject):
    def __init__(self, number: int, points: Sequence[tuple[int, float]]) -> None:
        def point(this: Any, which: int, offset: Any, value: Any) -> int:
            offset[0], value[0] = points[which]
            return 0

        super().__init__(
            (CFUNCTYPE(c_uint32, c_void_p), lambda this: number),
            (_COUNT, lambda this: len(points)),
            (_POINT, point),
        )


class _Changes(HostObject):
    def __init__(self, changes: Sequence[tuple[int, str, float]]) -> None:
        by_key: dict[str, list[tuple[int, float]]] = {}
        for offset, key, value in changes:
            by_key.setdefault(key, []).append((offset, value))
        self._queues = [_Queue(knob(key), points) for key, points in by_key.items()]
        super().__init__(
            (_COUNT, lambda this: len(self._queues)),
            (_QUEUE, lambda this, which: self._queues[which].address),
        )


class Vst3Plugin:
    """A plug-in with its three interfaces, to be ended."""

    def __init__(self, plugins: Path, kind: str) -> None:
        path = plugins / "tapeemu.vst3" / "Contents" / "x86_64-linux" / "tapeemu.so"
        if not path.exists():
            path = path.parents[1] / "aarch64-linux" / "tapeemu.so"
        self._library = ctypes.CDLL(str(path))
        self._library.GetPluginFactory.restype = c_void_p
        made = c_void_p()
        wanted = ((ctypes.c_char_p, bytes.fromhex(vst3_class(kind))), (ctypes.c_char_p, COMPONENT))
        to = (c_void_p, ctypes.addressof(made))
        assert call(self._library.GetPluginFactory(), 6, c_int32, *wanted, to) == 0
        assert made.value
        self.component = made.value
        self.processor, self.controller = self._query(PROCESSOR), self._query(CONTROLLER)

    def _query(self, interface: bytes) -> int:
        found = c_void_p()
        to = (c_void_p, ctypes.addressof(found))
        assert call(self.component, 0, c_int32, (ctypes.c_char_p, interface), to) == 0
        assert found.value
        return found.value

    def set_buses(self, into: Sequence[int], out: Sequence[int]) -> bool:
        """Ask for buses by their speakers, one bit each."""
        rows = [(c_uint64 * max(len(each), 1))(*each) for each in (into, out)]
        arguments = ((c_void_p, ctypes.addressof(row)) for row in rows)
        counts = (c_int32, len(into)), (c_int32, len(out))
        first, second = arguments
        return bool(call(self.processor, 3, c_int32, first, counts[0], second, counts[1]) == 0)

    def set_up(self, rate: float = 48_000.0, mode: int = 0, most: int = 4096) -> bool:
        setup = _Setup(mode, 0, most, rate)
        return bool(call(self.processor, 7, c_int32, (c_void_p, ctypes.addressof(setup))) == 0)

    def activate(self, rate: float = 48_000.0, mode: int = 0) -> None:
        assert self.set_up(rate, mode)
        assert call(self.component, 11, c_int32, (c_uint8, 1)) == 0

    def deactivate(self) -> None:
        assert call(self.component, 11, c_int32, (c_uint8, 0)) == 0

    def reset(self) -> None:
        """The sound is stopped and goes on."""
        for on in (0, 1):
            assert call(self.processor, 8, c_int32, (c_uint8, on)) == 0

    def latency(self) -> int:
        return int(call(self.processor, 6, c_uint32))

    def tail(self) -> int:
        return int(call(self.processor, 10, c_uint32))

    def turn(self, key: str, value: float) -> None:
        assert call(self.controller, 15, c_int32, (c_uint32, knob(key)), (c_double, value)) == 0

    def value(self, key: str) -> float:
        return float(call(self.controller, 14, c_double, (c_uint32, knob(key))))

    def normal(self, key: str, plain: float) -> float:
        """Where a plain value stands between 0 and 1."""
        return float(call(self.controller, 13, c_double, (c_uint32, knob(key)), (c_double, plain)))

    def save(self) -> bytes:
        parts: list[bytes] = []

        def write(this: Any, address: int, count: int, written: Any) -> int:
            parts.append(ctypes.string_at(address, min(count, 997)))
            written[0] = len(parts[-1])
            return 0

        stream = HostObject((_BYTES, lambda *_: 1), (_BYTES, write))
        assert call(self.component, 13, c_int32, (c_void_p, stream.address)) == 0
        return b"".join(parts)

    def load(self, state: bytes) -> bool:
        place = 0

        def read(this: Any, address: int, count: int, done: Any) -> int:
            nonlocal place
            part = state[place : place + min(count, 991)]
            ctypes.memmove(address, part, len(part))
            place += len(part)
            done[0] = len(part)
            return 0

        stream = HostObject((_BYTES, read))
        return bool(call(self.component, 12, c_int32, (c_void_p, stream.address)) == 0)

    def process(
        self,
        audio: npt.NDArray[Any],
        *,
        changes: Sequence[tuple[int, str, float]] = (),
        place: int | None = None,
        mode: int = 0,
        in_place: bool = False,
        outputs: int | None = None,
    ) -> tuple[npt.NDArray[Any], int]:
        """A block; returns what comes out, and a bit for each channel that is said to be silent.

        `changes` are offsets, keys and values from 0 to 1; `outputs` a number of channels unlike the input's.
        """
        audio = np.array(audio, order="C")
        out = audio if in_place else np.full((len(audio) if outputs is None else outputs, audio.shape[1]), np.nan)
        out = out.astype(audio.dtype, copy=False)
        rows = [(c_void_p * max(len(each), 1))(*(row.ctypes.data for row in each)) for each in (audio, out)]
        buffers = [
            _Buffers(len(each), 0, ctypes.addressof(row)) for each, row in zip((audio, out), rows, strict=True)
        ]
        listed = _Changes(changes)
        context = _Context(state=PLAYING, rate=48_000.0, place=place or 0)
        data = _Data(
            *(mode, int(audio.dtype == np.float64), audio.shape[1], 1, 1),
            *(ctypes.pointer(each) for each in buffers),
            *(listed.address if changes else None, None, None, None),
            None if place is None else ctypes.addressof(context),
        )
        assert call(self.processor, 9, c_int32, (c_void_p, ctypes.addressof(data))) == 0
        return out, buffers[1].silent

    def end(self) -> None:
        call(self.component, 11, c_int32, (c_uint8, 0))
        for each in (self.processor, self.controller, self.component):
            left = call(each, 2, c_uint32)
        assert left == 0
