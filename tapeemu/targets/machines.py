"""The C library on several machines: compiled, run on cases, and what came out, behind one interface.

Compilers and emulators are looked for when they are needed; :class:`MissingToolError` names what is not there.
"""

import ctypes
import importlib
import importlib.util
import shutil
import subprocess
import sys
import threading
from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from tapeemu.errors import TapeemuError
from tapeemu.native.generate import C_FOLDER
from tapeemu.targets.setups import Case

__all__ = [
    "BOARD",
    "SINGLE",
    "STRICT_FLAGS",
    "WARNINGS",
    "BoardTarget",
    "CompilerError",
    "FileTarget",
    "HostTarget",
    "MissingToolError",
    "Result",
    "Target",
    "WebTarget",
    "compile_c",
    "found",
    "zig",
]

WARNINGS = ("-std=c99", "-Wall", "-Wextra", "-Wconversion", "-Wdouble-promotion", "-Werror")
"""The standard, and all warnings as errors."""

STRICT_FLAGS = ("-O2", "-ffp-contract=off")
"""Optimised, but no multiplication is fused with an addition, so that the bits are those of Python."""

SINGLE = "-DTAPEEMU_SINGLE"

BOARD = ("-mcpu=cortex-m7", "-mthumb", "-mfpu=fpv5-d16", "-mfloat-abi=hard")
"""A Cortex-M7 with a unit for both precisions."""

_TOLD = ("latency", "tail", "made", "fast_bytes", "slow_bytes", "ticks", "most_ticks", "design_ticks", "values")
_SLOW_BYTES = 64 << 20
_HOST_BYTES = 256 << 20  # untouched pages of it cost nothing


class MissingToolError(TapeemuError):
    """A compiler or an emulator is not installed."""


class CompilerError(TapeemuError):
    """A compiler refused the C files, or a program failed."""


@dataclass(frozen=True)
class Result:
    """What came out of a case.

    Attributes
    ----------
    audio : ndarray, shape (channels, samples)
        Output, in the precision of the target.
    latency, tail : int
        In samples.
    fast_bytes, slow_bytes : int
        Memory.
    ticks, most_ticks, design_ticks : int
        Of the target's clock: for all blocks, for the slowest block, and to make the chain; 0 where there is no
        clock.
    stack_bytes : int
        Deepest use of the stack; 0 where it is not measured.
    envelopes : ndarray, shape (channels, values)
        Envelopes of the input, at control rate; none if they were not asked for.
    """

    audio: npt.NDArray[Any]
    latency: int
    tail: int
    fast_bytes: int
    slow_bytes: int
    ticks: int = 0
    most_ticks: int = 0
    design_ticks: int = 0
    stack_bytes: int = 0
    envelopes: npt.NDArray[Any] = field(default_factory=lambda: np.zeros((0, 0)))


class Target(ABC):
    """A machine that runs cases."""

    @abstractmethod
    def run(self, cases: Sequence[Case]) -> list[Result]:
        """Run cases in turn."""


def zig() -> list[str]:
    """The command of the compiler for many machines.

    Raises
    ------
    MissingToolError
        If the package ziglang is not installed.
    """
    if importlib.util.find_spec("ziglang") is None:
        raise MissingToolError("the compiler for many machines is missing; pip install ziglang")
    return [sys.executable, "-m", "ziglang", "cc"]


def found(program: str, package: str) -> str:
    """Path of a program.

    Raises
    ------
    MissingToolError
        If it is not installed.
    """
    path = shutil.which(program)
    if path is None:
        raise MissingToolError(f"{program} is missing; install it, on Debian: apt-get install {package}")
    return path


def compile_c(command: Sequence[str], *, timeout_seconds: float = 600.0) -> None:
    """Run a compiler.

    Raises
    ------
    CompilerError
        With what it said.
    """
    done = subprocess.run(list(command), capture_output=True, text=True, check=False, timeout=timeout_seconds)
    if done.returncode:
        raise CompilerError(f"{' '.join(command[:3])} ... failed; it said:\n{done.stderr[-4000:]}")


class HostTarget(Target):
    """The library on this machine.

    Parameters
    ----------
    folder : Path
        Gets the shared library.
    flags : sequence of str
        Of the compiler.
    compiler : sequence of str
        Its command.
    proof : Path
        What runs a case.
    """

    def __init__(
        self,
        folder: Path,
        flags: Sequence[str] = STRICT_FLAGS,
        compiler: Sequence[str] = ("gcc",),
        proof: Path = C_FOLDER / "proof.c",
    ) -> None:
        if compiler[0] in ("gcc", "clang"):
            found(compiler[0], compiler[0])
        path = folder / f"tapeemu-{abs(hash((tuple(flags), tuple(compiler), proof))):x}.so"
        sources = [str(C_FOLDER / "tapeemu.c"), str(proof)]
        compile_c([*compiler, *WARNINGS, *flags, f"-I{C_FOLDER}", "-fPIC", "-shared", *sources, "-o", str(path)])
        self._library = ctypes.CDLL(str(path))
        self._library.tapeemu_real_bytes.restype = ctypes.c_ssize_t
        self._library.tapeemu_prove.argtypes = [
            *(ctypes.c_void_p, ctypes.c_void_p, ctypes.c_size_t, ctypes.c_void_p, ctypes.c_size_t),
            *(ctypes.c_void_p, ctypes.c_void_p, ctypes.c_ssize_t, ctypes.c_void_p),
        ]
        self.real = np.float32 if self._library.tapeemu_real_bytes() == 4 else np.float64
        self._fast = np.zeros(_HOST_BYTES // 16, np.complex128)
        self._slow = np.zeros(_HOST_BYTES // 16, np.complex128)
        self._one_at_a_time = threading.Lock()

    def run(self, cases: Sequence[Case]) -> list[Result]:
        return [self._run(case) for case in cases]

    def _run(self, case: Case) -> Result:
        words, audio = case.words, np.array(case.audio, self.real, order="C")
        out = np.zeros((case.out_rows, case.out_samples), self.real)
        told = np.zeros(len(_TOLD), np.int64)
        with self._one_at_a_time:
            failed = self._library.tapeemu_prove(
                *(words.ctypes.data, self._fast.ctypes.data, self._fast.nbytes, self._slow.ctypes.data),
                *(self._slow.nbytes, audio.ctypes.data, out.ctypes.data, out.shape[1], told.ctypes.data),
            )
        return _result(case, failed, told, out)


def _result(
    case: Case, failed: int, told: npt.NDArray[np.int64], out: npt.NDArray[Any], stack_bytes: int = 0
) -> Result:
    if failed:
        reasons = {
            1: "the setup is not valid; give channels, rate and settings that the processors allow",
            2: f"it needs {told[3]} and {told[4]} bytes, which are not there; make the chain smaller",
        }
        raise CompilerError(f"a case was refused: {reasons.get(failed, f'the program gave {failed}')}")
    values = dict(zip(_TOLD, map(int, told), strict=True))
    made, told_values = values.pop("made"), values.pop("values")
    channels = case.audio.shape[0]
    envelopes = out[channels:, :told_values].copy()
    return Result(audio=out[:channels, :made].copy(), stack_bytes=stack_bytes, envelopes=envelopes, **values)


class WebTarget(Target):
    """The library as WebAssembly, run by wasmtime.

    Parameters
    ----------
    folder : Path
        Gets the module.
    flags : sequence of str
        Of the compiler.
    """

    def __init__(self, folder: Path, flags: Sequence[str] = (*STRICT_FLAGS, SINGLE)) -> None:
        if importlib.util.find_spec("wasmtime") is None:
            raise MissingToolError("wasmtime is missing; pip install wasmtime")
        wasmtime: Any = importlib.import_module("wasmtime")

        path = folder / "tapeemu.wasm"
        sources = [str(C_FOLDER / name) for name in ("tapeemu.c", "proof.c")]
        exports = ("tapeemu_prove", "tapeemu_real_bytes", "__heap_base")
        compile_c(
            [
                *(*zig(), "-target", "wasm32-freestanding", *WARNINGS, *flags),
                *("-Wl,--no-entry", "-Wl,--strip-all"),
                *(f"-Wl,--export={name}" for name in exports),
                *(*sources, "-o", str(path)),
            ]
        )
        engine = wasmtime.Engine()
        self._store = wasmtime.Store(engine)
        module = wasmtime.Module.from_file(engine, str(path))
        self._exports = wasmtime.Instance(self._store, module, []).exports(self._store)
        self.bytes = path.stat().st_size
        self._memory = self._exports["memory"]
        self._memory.grow(self._store, (_SLOW_BYTES >> 16) * 3)
        self._free = int(self._exports["__heap_base"].value(self._store)) + 16 & ~15
        self.real = np.float32 if self._exports["tapeemu_real_bytes"](self._store) == 4 else np.float64

    def run(self, cases: Sequence[Case]) -> list[Result]:
        return [self._run(case) for case in cases]

    def _run(self, case: Case) -> Result:
        words, audio = case.words, np.array(case.audio, self.real, order="C")
        out = np.zeros((case.out_rows, case.out_samples), self.real)
        told = np.zeros(len(_TOLD), np.int64)
        places, at = [], self._free
        for bytes_ in (words.nbytes, audio.nbytes, out.nbytes, told.nbytes, _SLOW_BYTES, _SLOW_BYTES):
            places.append(at)
            at += (bytes_ + 15) & ~15
        self._memory.write(self._store, words.tobytes(), places[0])
        self._memory.write(self._store, audio.tobytes(), places[1])
        failed = self._exports["tapeemu_prove"](
            self._store,
            *(places[0], places[4], _SLOW_BYTES, places[5], _SLOW_BYTES, places[1], places[2]),
            *(out.shape[1], places[3]),
        )
        raw = self._memory.read(self._store, places[3], places[3] + told.nbytes)
        told = np.frombuffer(bytes(raw), np.int64)
        raw = self._memory.read(self._store, places[2], places[2] + out.nbytes)
        return _result(case, failed, told, np.frombuffer(bytes(raw), self.real).reshape(out.shape))


class FileTarget(Target):
    """A program that runs the cases of a file, see emulated.c.

    Parameters
    ----------
    folder : Path
        Gets the cases and the results.
    command : sequence of str
        Runs ``cases.bin`` into ``results.bin`` in that folder.
    real : dtype
        Precision of the program's audio.
    """

    def __init__(self, folder: Path, command: Sequence[str], real: Any) -> None:
        self._folder = folder
        self._command = list(command)
        self.real = real

    def run(self, cases: Sequence[Case], *, timeout_seconds: float = 600.0) -> list[Result]:
        """Run cases in turn.

        Raises
        ------
        CompilerError
            If the program fails, with what it said.
        """
        with (self._folder / "cases.bin").open("wb") as file:
            for case in cases:
                words, audio = case.words, np.ascontiguousarray(case.audio, self.real)
                room = case.out_rows * case.out_samples
                file.write(np.array([len(words), audio.size, room], np.int64).tobytes())
                file.write(words.tobytes())
                file.write(audio.tobytes())
        (self._folder / "results.bin").unlink(missing_ok=True)
        done = subprocess.run(
            self._command,
            cwd=self._folder,
            capture_output=True,
            text=True,
            check=False,
            timeout=timeout_seconds,
        )
        if done.returncode:
            raise CompilerError(f"the program that runs cases failed; it said: {done.stderr[-4000:]}")
        raw = (self._folder / "results.bin").read_bytes()
        results, at = [], 0
        for case in cases:
            told = np.frombuffer(raw, np.int64, len(_TOLD) + 2, at)
            at += told.nbytes
            shape = (case.out_rows, case.out_samples)
            out = np.frombuffer(raw, self.real, shape[0] * shape[1], at).reshape(shape)
            at += out.nbytes
            results.append(_result(case, int(told[-1]), told[: len(_TOLD)], out, int(told[-2])))
        return results


class BoardTarget(FileTarget):
    """The library on an emulated Cortex-M7: instructions are counted, real time is not known.

    Parameters
    ----------
    folder : Path
        Gets the program, the cases and the results.
    flags : sequence of str
        Of the compiler.
    proof : Path
        What runs a case.
    """

    INSTRUCTIONS_PER_TICK = 40
    """The emulator runs an instruction in a nanosecond, and the board's clock has 25 MHz."""

    def __init__(
        self,
        folder: Path,
        flags: Sequence[str] = (*STRICT_FLAGS, SINGLE),
        proof: Path = C_FOLDER / "proof.c",
    ) -> None:
        emulator = found("qemu-system-arm", "qemu-system-arm")
        compiler = found("arm-none-eabi-gcc", "gcc-arm-none-eabi")
        self.program = folder / "tapeemu.elf"
        compile_c(
            [
                *(compiler, *BOARD, "-std=gnu99", "-Wall", "-Wextra", "-Werror", "-fno-builtin", *flags),
                # By its folder, which tests look into before they take a build that they kept.
                *(f'-DPROOF="{proof.name}"', f"-I{proof.parent}", f"-I{C_FOLDER}"),
                *("-ffunction-sections", "-fdata-sections", "-nostartfiles", "-nodefaultlibs"),
                *("-T", str(C_FOLDER / "emulated.ld"), "-Wl,--gc-sections"),
                *(str(C_FOLDER / name) for name in ("emulated.c", "tapeemu.c")),
                *("-lgcc", "-o", str(self.program)),
            ]
        )
        command = [
            *(emulator, "-M", "mps2-an500", "-nographic", "-monitor", "none", "-serial", "none"),
            *("-semihosting-config", "enable=on,target=native", "-icount", "shift=0"),
            *("-kernel", str(self.program)),
        ]
        super().__init__(folder, command, np.float32)
