"""Knobs as text and back, where a comma stands before decimals, and as the hosts' own interfaces do it.

LV2 has no text of values: its hosts print numbers themselves.
"""

import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the test hosts load libraries of Linux")

SHARED = Path(__file__).parents[2] / "shared"

SCRIPT = """
import ctypes
import locale
import random
import sys
from ctypes import c_double, c_int32, c_uint32, c_void_p
from pathlib import Path

name, plugins, shared = sys.argv[1], Path(sys.argv[2]), sys.argv[3]
sys.path.insert(0, shared)
from clap_host import ClapLibrary
from vst3_host import Vst3Plugin, call, knob
from tapeemu.plugins.tables import plugin_kinds

libc = ctypes.CDLL(None)
libc.setlocale.restype = ctypes.c_char_p
libc.strtod.restype = c_double
locale.setlocale(locale.LC_ALL, name)
assert libc.strtod(b"1,5", None) == 1.5  # the process, not Python alone


def texts(clap, vst3, told, key, rng):
    low, high = told.least, told.most
    for value in (low, high, told.preset, *(rng.uniform(low, high) for _ in range(3))):
        text = clap.text(told.name.decode(), value)
        back = clap.value_of(told.name.decode(), text)
        assert back is not None, (key, text)
        assert "," not in text or not text[0].isdigit(), text
        assert clap.text(told.name.decode(), back) == text
        stepped = told.flags & 1
        assert abs(back - value) <= 1e-6 * max(abs(value), high - low) or stepped, (key, value, text, back)
        normal = vst3.normal(key, back)
        room = (ctypes.c_uint16 * 128)()
        where = (c_void_p, ctypes.addressof(room))
        assert call(vst3.controller, 10, c_int32, (c_uint32, knob(key)), (c_double, normal), where) == 0
        shown = "".join(map(chr, room)).partition(chr(0))[0]
        assert shown.partition(" ")[0] == text.partition(" ")[0], (key, shown, text)
        found = c_double()
        to = (c_void_p, ctypes.addressof(found))
        assert call(vst3.controller, 11, c_int32, (c_uint32, knob(key)), where, to) == 0, (key, shown)
        assert abs(found.value - normal) < 1e-6, (key, shown, found.value, normal)
        yield text


library, rng, seen = ClapLibrary(plugins / "tapeemu.clap"), random.Random(4), 0
for kind in plugin_kinds():
    clap, vst3 = library.make(kind.kind), Vst3Plugin(plugins, kind.kind)
    keys = {each.label: each.key for each in kind.knobs}
    for label, told in clap.knobs.items():
        seen += sum("." in text for text in texts(clap, vst3, told, keys[label], rng))
    state = clap.save()
    clap.end()
    vst3.end()
drive = library.make("preamp_drive")
assert drive.value_of("Drive", "3,25") is None
drive.turn("Drive: set", 1.0)
drive.turn("Drive", 7.25)
assert b"drive_db = 7.25" in drive.save()
other = library.make("preamp_drive")
assert other.load(drive.save())
assert other.value("Drive") == 7.25
print("the same", seen)
"""


def test_every_knob_reads_what_it_writes_under_a_decimal_comma(
    plugins: Path, german: dict[str, str], tmp_path: Path
) -> None:
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT, "de_DE.UTF-8", str(plugins), str(SHARED)],
        cwd=tmp_path,
        env={**german, "PYTHONPATH": str(Path(__file__).parents[3])},
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    assert done.stdout.startswith("the same"), done.stderr
    assert int(done.stdout.split()[-1]) > 100
