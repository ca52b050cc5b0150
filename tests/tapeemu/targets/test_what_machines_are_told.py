"""Cases on their way to a machine and back, by machines of a few lines: no compiler, no emulator."""

import struct
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tapeemu import PreampDrive
from tapeemu.targets.machines import CompilerError, FileTarget, WebTarget
from tapeemu.targets.setups import Case, setup_of

# Output is input times the number of words, so that each case is answered for itself.
PROGRAM = """
import struct, sys
from array import array
raw, at = open("cases.bin", "rb").read(), 0
with open("results.bin", "wb") as file:
    while at < len(raw):
        words, values, room = struct.unpack_from("3q", raw, at)
        begin = at + 24 + 8 * words
        at = begin + 4 * values
        out = array("f", [words * value for value in array("f", raw[begin:at])])
        told = [5, 6, room // 2, 10, 20, 1, 2, 3, 0]
        file.write(struct.pack("11q", *told, 512, 0) + out.tobytes())
sys.exit("no cases" if not raw else 0)
"""


def cases() -> list[Case]:
    setup = setup_of(PreampDrive(), sample_rate=48_000.0, channels=2)
    return [
        Case(setup, np.arange(2.0 * samples).reshape(2, samples), cuts=cuts)
        for samples, cuts in ((7, (64,)), (4, (1, 2, 3)))
    ]


def test_every_case_goes_through_the_file_and_comes_back(tmp_path: Path) -> None:
    asked = cases()
    came = FileTarget(tmp_path, [sys.executable, "-c", PROGRAM], np.float32).run(asked)
    assert len(came) == len(asked)
    for case, result in zip(asked, came, strict=True):
        np.testing.assert_array_equal(result.audio, case.audio * len(case.words))
        assert (result.latency, result.tail, result.fast_bytes, result.slow_bytes) == (5, 6, 10, 20)
        assert result.stack_bytes == 512


def test_a_program_that_fails_is_quoted(tmp_path: Path) -> None:
    with pytest.raises(CompilerError, match="no cases"):
        FileTarget(tmp_path, [sys.executable, "-c", PROGRAM], np.float32).run([])


class Memory:
    """What a WebAssembly instance has for one, as far as it is used."""

    def __init__(self) -> None:
        self.bytes = bytearray(1 << 24)

    def write(self, _: object, data: bytes, at: int) -> None:
        self.bytes[at : at + len(data)] = data

    def read(self, _: object, begin: int, end: int) -> bytes:
        return bytes(self.bytes[begin:end])


@pytest.mark.parametrize("refused", [0, 2])
def test_webassembly_gets_each_thing_at_its_place(monkeypatch: pytest.MonkeyPatch, refused: int) -> None:
    from tapeemu.targets import machines

    monkeypatch.setattr(machines, "_SLOW_BYTES", 1 << 12)
    (case, _), memory = cases(), Memory()

    def prove(_: object, *places: int) -> int:
        words_at, fast, fast_bytes, slow, slow_bytes, audio_at, out_at, samples, told_at = places
        words = np.frombuffer(memory.read(None, words_at, words_at + case.words.nbytes), np.int64)
        np.testing.assert_array_equal(words, case.words)
        size = 4 * case.audio.size
        audio = np.frombuffer(memory.read(None, audio_at, audio_at + size), np.float32)
        np.testing.assert_array_equal(audio, case.audio.ravel())
        # Nothing lies over anything else.
        lengths = (words.nbytes, size, size, 72, fast_bytes, slow_bytes)
        begins = (words_at, audio_at, out_at, told_at, fast, slow)
        ends = [begin + length for begin, length in zip(begins, lengths, strict=True)]
        assert all(ends[k] <= begins[k + 1] for k in range(5))
        assert all(at % 16 == 0 for at in begins)
        memory.write(None, (2.0 * audio).astype(np.float32).tobytes(), out_at)
        memory.write(None, struct.pack("9q", 1, 2, samples, 4, 5, 6, 7, 8, 0), told_at)
        return refused

    target: Any = object.__new__(WebTarget)
    target._store, target._memory, target._free, target.real = None, memory, 1_024, np.float32
    target._exports = {"tapeemu_prove": prove}
    if refused:
        with pytest.raises(CompilerError, match="it needs 4 and 5 bytes"):
            target.run([case])
    else:
        (result,) = target.run([case])
        np.testing.assert_array_equal(result.audio, 2.0 * case.audio)
        assert (result.latency, result.tail, result.fast_bytes) == (1, 2, 4)
