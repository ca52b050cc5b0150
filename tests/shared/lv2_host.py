"""A small host of LV2 plug-ins, for what command-line hosts do not reach: state and positions of the song.

The layouts of structures are those of the public interface of LV2 (core, URID, atom, state).
"""

import ctypes
import re
import struct
from collections.abc import Mapping
from ctypes import CFUNCTYPE, POINTER, Structure, c_char_p, c_double, c_float, c_int, c_size_t, c_uint32, c_void_p
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

STATE = b"http://lv2plug.in/ns/ext/state#interface"
MAP = b"http://lv2plug.in/ns/ext/urid#map"
ATOM = "http://lv2plug.in/ns/ext/atom#"
TIME = "http://lv2plug.in/ns/ext/time#"


class _Descriptor(Structure):
    _fields_ = [
        ("uri", c_char_p),
        *(
            (name, c_void_p)
            for name in ("instantiate", "connect", "activate", "run", "deactivate", "cleanup", "more")
        ),
    ]


class _Feature(Structure):
    _fields_ = [("uri", c_char_p), ("data", c_void_p)]


class _Map(Structure):
    _fields_ = [("data", c_void_p), ("number", c_void_p)]


_NUMBER = CFUNCTYPE(c_uint32, c_void_p, c_char_p)
_STORE = CFUNCTYPE(c_int, c_void_p, c_uint32, c_void_p, c_size_t, c_uint32, c_uint32)
_RETRIEVE = CFUNCTYPE(c_void_p, c_void_p, c_uint32, POINTER(c_size_t), POINTER(c_uint32), POINTER(c_uint32))


class Lv2Plugin:
    """A plug-in of a bundle: its ports are those of the turtle file, in order."""

    def __init__(self, bundle: Path, uri: str, rate: float = 48_000.0) -> None:
        self._library = ctypes.CDLL(str(bundle / "tapeemu.so"))
        find = self._library.lv2_descriptor
        find.restype = POINTER(_Descriptor)
        number = 0
        while find(number).contents.uri != uri.encode():
            number += 1
        self._descriptor = find(number).contents
        text = (bundle / "tapeemu.ttl").read_text("utf-8")
        own = text.partition(f"<{uri}>\n")[2].partition("\n<urn:")[0]
        self.symbols = re.findall(r'lv2:symbol "(\w+)"', own)
        self._inputs = [k for k, name in enumerate(self.symbols) if name.startswith("input_")]
        self._outputs = [k for k, name in enumerate(self.symbols) if name.startswith("output_")]
        defaults = [re.search(r"lv2:default (\S+)", port) for port in own.split("lv2:index ")[1:]]
        self.controls = {
            name: c_float(0.0 if default is None else float(default[1]))
            for name, default in zip(self.symbols, defaults, strict=True)
        }
        self._numbers: dict[str, int] = {}
        self._number = _NUMBER(lambda data, uri: self.number(uri.decode()))
        self._map = _Map(None, ctypes.cast(self._number, c_void_p))
        feature = _Feature(MAP, ctypes.addressof(self._map))
        self._features = (POINTER(_Feature) * 2)(ctypes.pointer(feature), None)
        make = CFUNCTYPE(c_void_p, POINTER(_Descriptor), c_double, c_char_p, c_void_p)(
            self._descriptor.instantiate
        )
        self._handle = make(ctypes.byref(self._descriptor), rate, str(bundle).encode(), self._features)
        assert self._handle
        for port, name in enumerate(self.symbols):
            if port not in self._inputs and port not in self._outputs and name != "events":
                self._connect(port, ctypes.addressof(self.controls[name]))

    def number(self, uri: str) -> int:
        return self._numbers.setdefault(uri, len(self._numbers) + 1)

    def _connect(self, port: int, address: int | None) -> None:
        CFUNCTYPE(None, c_void_p, c_uint32, c_void_p)(self._descriptor.connect)(self._handle, port, address)

    def activate(self) -> None:
        CFUNCTYPE(None, c_void_p)(self._descriptor.activate)(self._handle)

    def deactivate(self) -> None:
        CFUNCTYPE(None, c_void_p)(self._descriptor.deactivate)(self._handle)

    def end(self) -> None:
        self.deactivate()
        CFUNCTYPE(None, c_void_p)(self._descriptor.cleanup)(self._handle)

    def run(
        self, audio: npt.NDArray[np.float32], positions: Mapping[int, tuple[int, float]] | None = None
    ) -> npt.NDArray[np.float32]:
        """A block; `positions` are, by offset, frame of the song and speed."""
        audio = np.ascontiguousarray(audio, np.float32)
        out = np.full_like(audio, np.nan)
        for row, port in zip(audio, self._inputs, strict=True):
            self._connect(port, row.ctypes.data)
        for row, port in zip(out, self._outputs, strict=True):
            self._connect(port, row.ctypes.data)
        events = self._sequence(positions or {})
        room = ctypes.create_string_buffer(events, len(events))
        self._connect(self.symbols.index("events"), ctypes.addressof(room) if positions is not None else None)
        CFUNCTYPE(None, c_void_p, c_uint32)(self._descriptor.run)(self._handle, audio.shape[1])
        return out

    def _sequence(self, positions: Mapping[int, tuple[int, float]]) -> bytes:
        body = struct.pack("<II", 0, 0)
        for at, (frame, speed) in positions.items():
            properties = struct.pack(
                "<IIIIq", self.number(TIME + "frame"), 0, 8, self.number(ATOM + "Long"), frame
            ) + struct.pack("<IIIIf4x", self.number(TIME + "speed"), 0, 4, self.number(ATOM + "Float"), speed)
            thing = struct.pack("<II", 0, self.number(TIME + "Position")) + properties
            body += struct.pack("<qII", at, len(thing), self.number(ATOM + "Object")) + thing
        return struct.pack("<II", len(body), self.number(ATOM + "Sequence")) + body

    def _state(self, place: int, function: Any) -> int:
        table = CFUNCTYPE(c_void_p, c_char_p)(self._descriptor.more)(STATE)
        call = CFUNCTYPE(c_int, c_void_p, c_void_p, c_void_p, c_uint32, c_void_p)(
            ctypes.cast(table, POINTER(c_void_p))[place]
        )
        return int(call(self._handle, ctypes.cast(function, c_void_p), None, 0, self._features))

    def save(self) -> dict[str, bytes]:
        """Texts by their keys."""
        kept: dict[str, bytes] = {}
        names = {number: uri for uri, number in self._numbers.items()}

        def store(to: Any, key: int, value: int, size: int, sort: int, flags: int) -> int:
            assert names[sort] == ATOM + "String"
            assert flags == 3
            kept[names[key]] = ctypes.string_at(value, size)
            return 0

        call = _STORE(store)
        assert self._state(0, call) == 0
        return kept

    def restore(self, kept: Mapping[str, bytes], sort: str = "String") -> bool:
        held = {self.number(uri): ctypes.create_string_buffer(text, len(text)) for uri, text in kept.items()}

        def retrieve(where: Any, key: int, size: Any, kind: Any, flags: Any) -> int | None:
            if key not in held:
                return None
            size[0], kind[0], flags[0] = len(held[key]), self.number(ATOM + sort), 3
            return ctypes.addressof(held[key])

        return self._state(1, _RETRIEVE(retrieve)) == 0
