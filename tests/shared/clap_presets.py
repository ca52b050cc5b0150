"""A small preset browser of CLAP hosts: it asks a library for its presets.

The layouts of structures are those of the public interface of CLAP 1.2.
"""

import ctypes
from ctypes import CFUNCTYPE, POINTER, Structure, c_bool, c_char_p, c_int32, c_uint32, c_uint64, c_void_p
from dataclasses import dataclass, field
from typing import Any

from clap_host import ClapLibrary

FACTORIES = ("clap.preset-discovery-factory/2", "clap.preset-discovery-factory/draft-2")
IN_FILE, IN_PLUGIN = 0, 1


class _FileSort(Structure):
    _fields_ = [(name, c_char_p) for name in ("name", "description", "ending")]


class _Location(Structure):
    _fields_ = [("flags", c_uint32), ("name", c_char_p), ("kind", c_uint32), ("location", c_char_p)]


class _AnyPlugin(Structure):
    _fields_ = [("interface", c_char_p), ("id", c_char_p)]


class _Indexer(Structure):
    _fields_ = [
        ("version", c_uint32 * 3),
        *((name, c_char_p) for name in ("name", "vendor", "url", "host_version")),
        ("data", c_void_p),
        *((name, c_void_p) for name in ("file_sort", "location", "pack", "extension")),
    ]


class _Descriptor(Structure):
    _fields_ = [("version", c_uint32 * 3), *((name, c_char_p) for name in ("id", "name", "vendor"))]


class _Provider(Structure):
    _fields_ = [
        ("descriptor", POINTER(_Descriptor)),
        *((name, c_void_p) for name in ("data", "init", "destroy", "tell", "extension")),
    ]


_RECEIVER_CALLS: dict[str, tuple[Any, ...]] = {
    "failed": (None, c_int32, c_char_p),
    "begin": (c_bool, c_char_p, c_char_p),
    "plugin": (None, POINTER(_AnyPlugin)),
    "pack": (None, c_char_p),
    "flags": (None, c_uint32),
    "creator": (None, c_char_p),
    "description": (None, c_char_p),
    "times": (None, c_uint64, c_uint64),
    "feature": (None, c_char_p),
    "more": (None, c_char_p, c_char_p),
}


class _Receiver(Structure):
    _fields_ = [("data", c_void_p), *((name, c_void_p) for name in _RECEIVER_CALLS)]


@dataclass
class Told:
    """What a library tells of a preset."""

    name: str | None
    key: str | None
    plugins: list[tuple[str, str]] = field(default_factory=list)
    description: str = ""
    features: list[str] = field(default_factory=list)


def _text(value: bytes | None) -> str | None:
    return None if value is None else value.decode()


class PresetBrowser:
    """What a library declares, and its presets; to be ended with :meth:`end`.

    Attributes
    ----------
    endings : list of str
        Of preset files.
    locations : list of tuple
        Flags, name, kind and location of each.
    """

    def __init__(self, library: ClapLibrary, factory: str = FACTORIES[0]) -> None:
        self.endings: list[str] = []
        self.locations: list[tuple[int, str, int, str | None]] = []
        self._keep: list[Any] = []
        address = library.factory(factory)
        functions = ctypes.cast(address, POINTER(c_void_p))
        assert CFUNCTYPE(c_uint32, c_void_p)(functions[0])(address) == 1
        describe = CFUNCTYPE(POINTER(_Descriptor), c_void_p, c_uint32)(functions[1])
        assert not describe(address, 1)
        self.id = describe(address, 0).contents.id
        calls = [
            self._call(self._file_sort, c_bool, POINTER(_FileSort)),
            self._call(self._location, c_bool, POINTER(_Location)),
            *(self._call(lambda *_: None, c_void_p, c_char_p) for _ in range(2)),
        ]
        self._indexer = _Indexer((1, 2, 0), b"test", None, None, b"1", None, *calls)
        create = CFUNCTYPE(c_void_p, c_void_p, c_void_p, c_char_p)(functions[2])
        assert not create(address, ctypes.byref(self._indexer), b"another")
        self._address = create(address, ctypes.byref(self._indexer), self.id)
        self._provider = ctypes.cast(self._address, POINTER(_Provider)).contents
        assert not self.endings
        assert CFUNCTYPE(c_bool, c_void_p)(self._provider.init)(self._address)

    def _call(self, function: Any, result: Any, *kinds: Any) -> Any:
        made = CFUNCTYPE(result, c_void_p, *kinds)(function)
        self._keep.append(made)
        return ctypes.cast(made, c_void_p)

    def _file_sort(self, _: Any, told: Any) -> bool:
        self.endings.append(told.contents.ending.decode())
        return True

    def _location(self, _: Any, told: Any) -> bool:
        it = told.contents
        self.locations.append((it.flags, it.name.decode(), it.kind, _text(it.location)))
        return True

    def presets(self, kind: int, location: str | None = None, most: int = 1_000) -> list[Told] | str:
        """The presets at a location, at most so many, or the words of what is wrong with it."""
        found: list[Told] = []
        wrong: list[str] = []

        def begin(_: Any, name: bytes | None, key: bytes | None) -> bool:
            if len(found) == most:
                return False
            found.append(Told(_text(name), _text(key)))
            return True

        def plugin(_: Any, told: Any) -> None:
            found[-1].plugins.append((told.contents.interface.decode(), told.contents.id.decode()))

        def describe(_: Any, text: bytes) -> None:
            found[-1].description = text.decode()

        given = {
            "failed": lambda _, reason, words: wrong.append(words.decode()),
            "begin": begin,
            "plugin": plugin,
            "description": describe,
            "feature": lambda _, word: found[-1].features.append(word.decode()),
        }
        calls = [self._call(given.get(name, lambda *_: None), *kinds) for name, kinds in _RECEIVER_CALLS.items()]
        receiver = _Receiver(None, *calls)
        tell = CFUNCTYPE(c_bool, c_void_p, c_uint32, c_char_p, c_void_p)(self._provider.tell)
        good = tell(self._address, kind, location and location.encode(), ctypes.byref(receiver))
        assert good == (not wrong)
        return found if good else wrong[0]

    def end(self) -> None:
        CFUNCTYPE(None, c_void_p)(self._provider.destroy)(self._address)
