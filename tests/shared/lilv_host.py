"""States through lilv, the library that hosts of LV2 plug-ins are made with: it reads the turtle files itself."""

import ctypes
import ctypes.util
from collections.abc import Sequence
from ctypes import CFUNCTYPE, POINTER, Structure, c_char_p, c_double, c_uint32, c_void_p
from pathlib import Path
from typing import Any

from tapeemu.plugins.turtle import literal

NAME = ctypes.util.find_library("lilv-0")

_HEAD = """@prefix lv2: <http://lv2plug.in/ns/lv2core#> .
@prefix pset: <http://lv2plug.in/ns/ext/presets#> .
@prefix state: <http://lv2plug.in/ns/ext/state#> .
"""
_SUBJECT = "urn:tapeemu:test:state"


class _Feature(Structure):
    _fields_ = [("uri", c_char_p), ("data", c_void_p)]


class _Map(Structure):
    _fields_ = [("data", c_void_p), ("call", c_void_p)]


_MAP = CFUNCTYPE(c_uint32, c_void_p, c_char_p)
_UNMAP = CFUNCTYPE(c_void_p, c_void_p, c_uint32)
_GET = CFUNCTYPE(c_void_p, c_char_p, c_void_p, POINTER(c_uint32), POINTER(c_uint32))
_SET = CFUNCTYPE(None, c_char_p, c_void_p, c_void_p, c_uint32, c_uint32)


class LilvPlugin:
    """A plug-in as lilv loads it, to be ended; `plugins` is the folder that holds the bundle."""

    def __init__(self, plugins: Path, uri: str) -> None:
        self._uri = uri
        self._lilv = ctypes.CDLL(NAME)
        self._world = self._call("world_new", [], c_void_p)
        bundle = self._call(
            "new_file_uri",
            [c_void_p, c_char_p, c_char_p],
            c_void_p,
            self._world,
            None,
            f"{plugins / 'tapeemu.lv2'}/".encode(),
        )
        self._call("world_load_bundle", [c_void_p, c_void_p], None, self._world, bundle)
        listed = self._call("world_get_all_plugins", [c_void_p], c_void_p, self._world)
        name = self._call("new_uri", [c_void_p, c_char_p], c_void_p, self._world, uri.encode())
        self._plugin = self._call("plugins_get_by_uri", [c_void_p, c_void_p], c_void_p, listed, name)
        assert self._plugin, "lilv does not find the plug-in"
        self._numbers: dict[bytes, int] = {}
        self._names: dict[int, Any] = {}
        self._calls = (_MAP(self._number), _UNMAP(self._name), _GET(lambda *_: None), _SET(lambda *_: None))
        self._map, self._unmap = (_Map(None, ctypes.cast(each, c_void_p)) for each in self._calls[:2])
        self._features = self._listed(
            [
                _Feature(f"http://lv2plug.in/ns/ext/urid#{name}".encode(), ctypes.addressof(each))
                for name, each in (("map", self._map), ("unmap", self._unmap))
            ]
        )
        self._instance = self._call(
            "plugin_instantiate",
            [c_void_p, c_double, c_void_p],
            c_void_p,
            *(self._plugin, 48_000.0, self._features),
        )
        assert self._instance, "lilv does not make the plug-in"

    @staticmethod
    def _listed(features: Sequence[_Feature]) -> Any:
        return (POINTER(_Feature) * (len(features) + 1))(*(ctypes.pointer(each) for each in features), None)

    def _call(self, name: str, kinds: Sequence[Any], result: Any, *arguments: Any) -> Any:
        address = ctypes.cast(getattr(self._lilv, f"lilv_{name}"), c_void_p).value
        assert address
        return CFUNCTYPE(result, *kinds)(address)(*arguments)

    def _number(self, data: Any, uri: bytes) -> int:
        number = self._numbers.setdefault(uri, len(self._numbers) + 1)
        self._names[number] = ctypes.create_string_buffer(uri)
        return number

    def _name(self, data: Any, number: int) -> int:
        return ctypes.addressof(self._names[number])

    def save(self) -> str:
        """The state, as turtle."""
        state = self._call(
            "state_new_from_instance",
            [c_void_p] * 3 + [c_char_p] * 4 + [c_void_p] * 2 + [c_uint32, c_void_p],
            c_void_p,
            *(self._plugin, self._instance, ctypes.addressof(self._map), None, None, None, None),
            *(ctypes.cast(self._calls[2], c_void_p), None, 0, self._features),
        )
        maps = ctypes.addressof(self._map), ctypes.addressof(self._unmap)
        text = self._call(
            "state_to_string",
            [c_void_p] * 4 + [c_char_p] * 2,
            c_void_p,
            *(self._world, *maps, state, _SUBJECT.encode(), None),
        )
        saved = ctypes.string_at(text).decode()
        self._call("free", [c_void_p], None, text)
        self._call("state_free", [c_void_p], None, state)
        return saved

    def restore(self, saved: str) -> None:
        """Hand over a state: turtle as :meth:`save` gives it. lilv does not say what the plug-in thinks of it."""
        state = self._call(
            "state_new_from_string",
            [c_void_p, c_void_p, c_char_p],
            c_void_p,
            *(self._world, ctypes.addressof(self._map), saved.encode()),
        )
        assert state, "lilv does not read the state"
        self._call(
            "state_restore",
            [c_void_p] * 4 + [c_uint32, c_void_p],
            None,
            *(state, self._instance, ctypes.cast(self._calls[3], c_void_p), None, 0, self._features),
        )
        self._call("state_free", [c_void_p], None, state)

    def state_of(self, text: str) -> str:
        """Turtle that holds the text of a preset."""
        return (
            f"{_HEAD}<{_SUBJECT}> a pset:Preset ; lv2:appliesTo <{self._uri}> ;\n"
            f"\tstate:state [ <urn:tapeemu:preset> {literal(text)} ] .\n"
        )

    def end(self) -> None:
        self._call("instance_free", [c_void_p], None, self._instance)
        self._call("world_free", [c_void_p], None, self._world)
