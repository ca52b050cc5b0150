"""A small host of CLAP plug-ins, to reach what no host from elsewhere lets us: state, events, positions, threads.

The layouts of structures are those of the public interface of CLAP 1.2.
"""

import ctypes
from collections.abc import Sequence
from ctypes import (
    CFUNCTYPE,
    POINTER,
    Structure,
    c_bool,
    c_char,
    c_char_p,
    c_double,
    c_int32,
    c_int64,
    c_uint32,
    c_uint64,
    c_void_p,
)
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt


class _Host(Structure):
    _fields_ = [
        ("version", c_uint32 * 3),
        ("data", c_void_p),
        *((name, c_char_p) for name in ("name", "vendor", "url", "host_version")),
        *((name, c_void_p) for name in ("extension", "restart", "process", "callback")),
    ]


class _Descriptor(Structure):
    _fields_ = [("version", c_uint32 * 3), ("id", c_char_p), ("name", c_char_p)]


class _Plugin(Structure):
    _fields_ = [
        (name, c_void_p)
        for name in (
            *("descriptor", "data", "init", "destroy", "activate", "deactivate", "start", "stop", "reset"),
            *("process", "extension", "main"),
        )
    ]


class _Buffer(Structure):
    _fields_ = [
        *(("narrow", c_void_p), ("wide", c_void_p), ("channels", c_uint32), ("latency", c_uint32)),
        ("constant", c_uint64),
    ]


class _Value(Structure):
    _fields_ = [
        *(("size", c_uint32), ("time", c_uint32), ("space", ctypes.c_uint16), ("sort", ctypes.c_uint16)),
        *(("flags", c_uint32), ("id", c_uint32), ("cookie", c_void_p), ("note", c_int32)),
        *((name, ctypes.c_int16) for name in ("port", "channel", "key")),
        ("value", c_double),
    ]


class _Transport(Structure):
    _fields_ = [
        *(("size", c_uint32), ("time", c_uint32), ("space", ctypes.c_uint16), ("sort", ctypes.c_uint16)),
        *(("header_flags", c_uint32), ("flags", c_uint32), ("beats", c_int64), ("seconds", c_int64)),
        ("rest", c_char * 128),
    ]


class _Events(Structure):
    _fields_ = [("data", c_void_p), ("count", c_void_p), ("get", c_void_p)]


class _Process(Structure):
    _fields_ = [
        *(("steady", c_int64), ("count", c_uint32), ("transport", POINTER(_Transport))),
        *(("inputs", POINTER(_Buffer)), ("outputs", POINTER(_Buffer)), ("ins", c_uint32), ("outs", c_uint32)),
        *(("events", POINTER(_Events)), ("events_out", c_void_p)),
    ]


class _Stream(Structure):
    _fields_ = [("data", c_void_p), ("call", c_void_p)]


class _Parameter(Structure):
    _fields_ = [
        *(("id", c_uint32), ("flags", c_uint32), ("cookie", c_void_p), ("name", c_char * 256)),
        *(("module", c_char * 1024), ("least", c_double), ("most", c_double), ("preset", c_double)),
    ]


class _Ports(Structure):
    _fields_ = [
        *(("into", c_bool), ("port", c_uint32), ("channels", c_uint32)),
        *(("sort", c_char_p), ("details", c_void_p)),
    ]


_READ = CFUNCTYPE(c_int64, c_void_p, c_void_p, c_uint64)
_COUNT = CFUNCTYPE(c_uint32, c_void_p)
_GET = CFUNCTYPE(c_void_p, c_void_p, c_uint32)
_NOTHING = CFUNCTYPE(None, c_void_p)
_EXTENSION = CFUNCTYPE(c_void_p, c_void_p, c_char_p)
_FAILED = CFUNCTYPE(None, c_void_p, c_uint32, c_char_p, c_char_p, c_int32, c_char_p)
_LOADED = CFUNCTYPE(None, c_void_p, c_uint32, c_char_p, c_char_p)


def _text(value: bytes | None) -> str | None:
    return None if value is None else value.decode()


class ClapLibrary:
    """A library of CLAP plug-ins."""

    def __init__(self, path: Path) -> None:
        self._library = ctypes.CDLL(str(path))
        entry = ctypes.cast(self._library.clap_entry, POINTER(c_void_p))
        functions = ctypes.cast(ctypes.addressof(entry.contents) + 16, POINTER(c_void_p))
        assert CFUNCTYPE(c_bool, c_char_p)(functions[0])(str(path).encode())
        self._factories = _EXTENSION_OF_NAME(functions[2])
        self._factory = self.factory("clap.plugin-factory")
        self._functions = ctypes.cast(self._factory, POINTER(c_void_p))
        self.asked_restarts = 0
        self.heard_of_presets: list[tuple[str, int, str | None, str | None, str]] = []
        self.rescans = 0
        self._failed = _FAILED(self._preset_failed)
        self._loaded = _LOADED(self._preset_loaded)
        self._rescan = CFUNCTYPE(None, c_void_p, c_uint32)(self._rescanned)
        self._offered = {
            b"clap.preset-load/2": (c_void_p * 2)(
                *(ctypes.cast(each, c_void_p).value for each in (self._failed, self._loaded))
            ),
            b"clap.params": (c_void_p * 3)(ctypes.cast(self._rescan, c_void_p).value, None, None),
        }
        self._keep: list[Any] = [
            _EXTENSION(self._offer),
            _NOTHING(self._restart),
            _NOTHING(lambda host: None),
        ]
        extension, restart, other = (ctypes.cast(each, c_void_p) for each in self._keep)
        self._host = _Host((1, 2, 0), None, b"test", b"", b"", b"1", extension, restart, other, other)

    def _restart(self, host: Any) -> None:
        self.asked_restarts += 1

    def factory(self, name: str) -> int | None:
        """Address of a factory."""
        address: int | None = self._factories(name.encode())
        return address

    def _offer(self, host: Any, name: bytes) -> int | None:
        table = self._offered.get(name)
        return None if table is None else ctypes.addressof(table)

    def _preset_failed(
        self, host: Any, kind: int, location: bytes | None, key: bytes | None, reason: int, words: bytes
    ) -> None:
        self.heard_of_presets.append((words.decode(), kind, _text(location), _text(key), "failed"))

    def _preset_loaded(self, host: Any, kind: int, location: bytes | None, key: bytes | None) -> None:
        self.heard_of_presets.append(("", kind, _text(location), _text(key), "loaded"))

    def _rescanned(self, host: Any, what: int) -> None:
        assert what == 1  # values, nothing else
        self.rescans += 1

    def ids(self) -> list[str]:
        count = CFUNCTYPE(c_uint32, c_void_p)(self._functions[0])(self._factory)
        get = CFUNCTYPE(POINTER(_Descriptor), c_void_p, c_uint32)(self._functions[1])
        return [get(self._factory, number).contents.id.decode() for number in range(count)]

    def make(self, kind: str) -> "ClapPlugin":
        create = CFUNCTYPE(POINTER(_Plugin), c_void_p, POINTER(_Host), c_char_p)(self._functions[2])
        plugin = create(self._factory, ctypes.byref(self._host), f"tapeemu.{kind}".encode())
        assert plugin, kind
        return ClapPlugin(plugin)


_EXTENSION_OF_NAME = CFUNCTYPE(c_void_p, c_char_p)


class ClapPlugin:
    """A plug-in: to be ended with :meth:`end`."""

    def __init__(self, plugin: Any) -> None:
        self._plugin = plugin
        assert self._call("init", c_bool)
        self.knobs: dict[str, _Parameter] = {}
        info = self._of("clap.params", 1, c_bool, c_uint32, POINTER(_Parameter))
        for number in range(self._of("clap.params", 0, c_uint32)(plugin)):
            told = _Parameter()
            assert info(plugin, number, ctypes.byref(told))
            self.knobs[told.name.decode()] = told

    def _call(self, name: str, result: Any, *arguments: tuple[Any, Any]) -> Any:
        kinds = [kind for kind, _ in arguments]
        function = CFUNCTYPE(result, POINTER(_Plugin), *kinds)(getattr(self._plugin.contents, name))
        return function(self._plugin, *(value for _, value in arguments))

    def _of(self, extension: str, place: int, result: Any, *kinds: Any) -> Any:
        table = self._call("extension", c_void_p, (c_char_p, extension.encode()))
        address = ctypes.cast(table, POINTER(c_void_p))[place]
        return CFUNCTYPE(result, POINTER(_Plugin), *kinds)(address)

    def end(self) -> None:
        self._call("destroy", None)

    def activate(self, rate: float, most: int = 4096) -> bool:
        return bool(self._call("activate", c_bool, (c_double, rate), (c_uint32, 1), (c_uint32, most)))

    def set_channels(self, into: int, out: int | None = None) -> bool:
        """Ask for so many channels, equally many at the output unless told."""
        asked = (_Ports * 2)(
            _Ports(True, 0, into, None, None), _Ports(False, 0, into if out is None else out, None, None)
        )
        can, apply = (
            self._of("clap.configurable-audio-ports/1", place, c_bool, c_void_p, c_uint32) for place in (0, 1)
        )
        return bool(can(self._plugin, asked, 2) and apply(self._plugin, asked, 2))

    def deactivate(self) -> None:
        self._call("deactivate", None)

    def reset(self) -> None:
        self._call("reset", None)

    def main(self) -> None:
        self._call("main", None)

    def offline(self, on: bool = True) -> None:
        assert self._of("clap.render", 1, c_bool, c_int32)(self._plugin, int(on))

    def latency(self) -> int:
        return int(self._of("clap.latency", 0, c_uint32)(self._plugin))

    def tail(self) -> int:
        return int(self._of("clap.tail", 0, c_uint32)(self._plugin))

    def value(self, knob: str) -> float:
        to = c_double()
        get = self._of("clap.params", 2, c_bool, c_uint32, POINTER(c_double))
        assert get(self._plugin, self.knobs[knob].id, ctypes.byref(to))
        return to.value

    def text(self, knob: str, value: float) -> str:
        room = ctypes.create_string_buffer(256)
        to_text = self._of("clap.params", 3, c_bool, c_uint32, c_double, c_char_p, c_uint32)
        assert to_text(self._plugin, self.knobs[knob].id, value, room, 256)
        return room.value.decode()

    def value_of(self, knob: str, text: str) -> float | None:
        to = c_double()
        from_text = self._of("clap.params", 4, c_bool, c_uint32, c_char_p, POINTER(c_double))
        good = from_text(self._plugin, self.knobs[knob].id, text.encode(), ctypes.byref(to))
        return to.value if good else None

    def turn(self, knob: str, value: float) -> None:
        flush = self._of("clap.params", 5, None, POINTER(_Events), c_void_p)
        events, keep = self._events([(0, knob, value)])
        flush(self._plugin, ctypes.byref(events), None)
        del keep

    def save(self) -> bytes:
        parts: list[bytes] = []

        def write(stream: Any, address: int, count: int) -> int:
            parts.append(ctypes.string_at(address, min(count, 997)))
            return len(parts[-1])

        call = _READ(write)
        stream = _Stream(None, ctypes.cast(call, c_void_p))
        assert self._of("clap.state", 0, c_bool, POINTER(_Stream))(self._plugin, ctypes.byref(stream))
        return b"".join(parts)

    def load(self, state: bytes) -> bool:
        place = 0

        def read(stream: Any, address: int, count: int) -> int:
            nonlocal place
            part = state[place : place + min(count, 991)]
            ctypes.memmove(address, part, len(part))
            place += len(part)
            return len(part)

        call = _READ(read)
        stream = _Stream(None, ctypes.cast(call, c_void_p))
        return bool(self._of("clap.state", 1, c_bool, POINTER(_Stream))(self._plugin, ctypes.byref(stream)))

    def load_from(
        self, kind: int, location: str | None, key: str | None, extension: str = "clap.preset-load/2"
    ) -> bool:
        """Load a preset as a browser tells it to."""
        load = self._of(extension, 0, c_bool, c_uint32, c_char_p, c_char_p)
        return bool(load(self._plugin, kind, location and location.encode(), key and key.encode()))

    def _events(self, changes: Sequence[tuple[int, str, float]]) -> tuple[_Events, Any]:
        size = ctypes.sizeof(_Value)
        values = [
            _Value(size, time, 0, 5, 0, self.knobs[knob].id, None, -1, -1, -1, -1, value)
            for time, knob, value in changes
        ]
        count = _COUNT(lambda events: len(values))
        get = _GET(lambda events, number: ctypes.addressof(values[number]))
        return _Events(None, ctypes.cast(count, c_void_p), ctypes.cast(get, c_void_p)), (values, count, get)

    def process(
        self,
        audio: npt.NDArray[Any],
        *,
        place: int | None = None,
        rate: float = 48_000.0,
        changes: Sequence[tuple[int, str, float]] = (),
        in_place: bool = False,
    ) -> npt.NDArray[Any]:
        """A block, at a place of the song or, for None, without any."""
        audio = np.array(audio, order="C")
        out = audio if in_place else np.full_like(audio, np.nan)
        rows = [(c_void_p * len(each))(*(row.ctypes.data for row in each)) for each in (audio, out)]
        wide = audio.dtype == np.float64
        buffers = [
            _Buffer(
                None if wide else ctypes.addressof(row), ctypes.addressof(row) if wide else None, len(audio), 0, 0
            )
            for row in rows
        ]
        events, keep = self._events(changes)
        transport = None
        if place is not None:
            seconds = round(place / rate * 2**31)
            transport = ctypes.pointer(_Transport(200, 0, 0, 9, 0, 1 << 2 | 1 << 4, 0, seconds, b""))
        data = _Process(
            *(-1, audio.shape[1], transport, ctypes.pointer(buffers[0]), ctypes.pointer(buffers[1]), 1, 1),
            *(ctypes.pointer(events), None),
        )
        assert self._call("process", c_int32, (c_void_p, ctypes.addressof(data))) != 0
        del keep
        return out
