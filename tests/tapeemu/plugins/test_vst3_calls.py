"""What a VST3 host is told that Python hosts do not show: which outputs are silent, and what became later.

Order of functions and layouts are those of the public interfaces of VST 3.
"""

import ctypes
import sys
import time
from ctypes import CFUNCTYPE, POINTER, Structure, c_double, c_int32, c_uint8, c_uint32, c_uint64, c_void_p
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from bypassing import check_bypass, played_with_bypass, wave

from tapeemu.plugins.preset_files import vst3_class

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the test host loads libraries of Linux")

COMPONENT = bytes.fromhex("E831FF31F2D54301928EBBEE25697802")
PROCESSOR = bytes.fromhex("42043F99B7DA453CA569E79D9AAEC33D")
CONTROLLER = bytes.fromhex("DCD7BBE37742448DA874AACC979C759E")
LATENCY_CHANGED = 1 << 3


class _Setup(Structure):
    _fields_ = [("mode", c_int32), ("sample_size", c_int32), ("most", c_int32), ("rate", c_double)]


class _Buffers(Structure):
    _fields_ = [("channels", c_int32), ("silent", c_uint64), ("rows", c_void_p)]


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

    def activate(self) -> None:
        setup = _Setup(0, 0, 4096, 48_000.0)
        assert call(self.processor, 7, c_int32, (c_void_p, ctypes.addressof(setup))) == 0
        assert call(self.component, 11, c_int32, (c_uint8, 1)) == 0

    def latency(self) -> int:
        return int(call(self.processor, 6, c_uint32))

    def process(self, audio: npt.NDArray[np.float32]) -> tuple[npt.NDArray[np.float32], int]:
        """A block; returns what comes out, and a bit for each channel that is said to be silent."""
        out = np.full_like(audio, np.nan)
        rows = [(c_void_p * 2)(*(row.ctypes.data for row in each)) for each in (audio, out)]
        buffers = [_Buffers(2, 0, ctypes.addressof(row)) for row in rows]
        data = _Data(0, 0, audio.shape[1], 1, 1, ctypes.pointer(buffers[0]), ctypes.pointer(buffers[1]))
        assert call(self.processor, 9, c_int32, (c_void_p, ctypes.addressof(data))) == 0
        return out, buffers[1].silent

    def end(self) -> None:
        call(self.component, 11, c_int32, (c_uint8, 0))
        for each in (self.processor, self.controller, self.component):
            left = call(each, 2, c_uint32)
        assert left == 0


def knob(key: str) -> int:
    """Number of a parameter: FNV-1a of its key in 31 bits, as tables.py says."""
    number = 2166136261
    for byte in key.encode():
        number = (number ^ byte) * 16777619 & 0xFFFFFFFF
    return number & 0x7FFFFFFF


def test_silent_channels_are_told_and_no_others(plugins: Path) -> None:
    plugin = Vst3Plugin(plugins, "amplitude_flutter")
    plugin.activate()
    audio = np.zeros((2, 512), np.float32)
    for left, silent in ((0.0, 0b11), (0.5, 0b10), (0.0, 0b11)):
        audio[0] = left
        told = []
        for _ in range(3 + plugin.latency() // 512):
            out, flags = plugin.process(audio)
            assert flags == sum(int(not row.any()) << channel for channel, row in enumerate(out))
            told.append(flags)
        assert told[-1] == silent
    plugin.end()


def test_a_later_setting_is_told_and_sounds_when_it_has_begun_again(plugins: Path) -> None:
    plugin, told = Vst3Plugin(plugins, "print_through"), []
    nothing = CFUNCTYPE(c_int32, c_void_p)(lambda self: 0)
    restart = CFUNCTYPE(c_int32, c_void_p, c_int32)(lambda self, flags: told.append(flags) or 0)
    table = (c_void_p * 7)(*([ctypes.cast(nothing, c_void_p)] * 6), ctypes.cast(restart, c_void_p))
    handler = c_void_p(ctypes.addressof(table))
    call(plugin.controller, 16, c_int32, (c_void_p, ctypes.addressof(handler)))
    pre_echo = (c_uint32, knob("pre_echo"))
    call(plugin.controller, 15, c_int32, pre_echo, (c_double, 0.0))
    plugin.activate()
    before = plugin.latency()
    call(plugin.controller, 15, c_int32, pre_echo, (c_double, 1.0))
    end = time.monotonic() + 60.0
    while not told and time.monotonic() < end:  # our own thread makes the chain
        time.sleep(0.01)
        assert call(plugin.controller, 14, c_double, pre_echo) == 1.0
    assert told == [LATENCY_CHANGED]
    assert plugin.latency() == before
    call(plugin.component, 11, c_int32, (c_uint8, 0))
    call(plugin.component, 11, c_int32, (c_uint8, 1))
    assert plugin.latency() > before + 10_000  # a turn of the reel
    plugin.end()


@pytest.mark.parametrize("kind", ["wow_flutter", "fdn_reverb"])
def test_bypass_at_any_sample_makes_no_click_and_keeps_the_latency(plugins: Path, kind: str) -> None:
    plugin = Vst3Plugin(plugins, kind)
    plugin.activate()

    def switch(off: bool) -> None:
        call(plugin.controller, 15, c_int32, (c_uint32, knob("bypass")), (c_double, float(off)))

    heard = played_with_bypass(lambda audio: plugin.process(audio)[0], switch)
    late = plugin.latency()
    plugin.end()
    check_bypass(heard, wave().astype(np.float32), late)
