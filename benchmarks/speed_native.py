"""The C library beside the kernels of Python, processor by processor: ratios in one run.

Those of Python are run by numba with ``TAPEEMU_LOOPS=numba``, by the library beside the package where there is one
otherwise. Bounds: double precision at most the time of numba, single precision at most 1 / 1.8 of it. Compiled for
this machine (``-march=native``), by gcc and by clang where it is installed.
"""

import shutil
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from tapeemu import AmplitudeFlutter, FdnReverb, PreampDrive, TapeMagnetisation, WowFlutter
from tapeemu.dsp.kernels.compilation import LOOPS
from tapeemu.processor import Processor
from tapeemu.targets.machines import SINGLE, HostTarget
from tapeemu.targets.setups import Case, setup_of

RATE = 48_000
BLOCK = 512
SECONDS = 4.0
CLOCK = ("-include", "time.h", "-DTAPEEMU_TICKS()=((int64_t)clock())")
"""The program counts its own processor time, in microseconds."""

FLAGS = ("-O3", "-march=native", *CLOCK)

PROCESSORS: dict[str, Processor] = {
    "drive": PreampDrive(drive_db=12.0),
    "magnetisation": TapeMagnetisation(),
    "reverb, 16 lines": FdnReverb(),
    "wow and flutter": WowFlutter(),
    "amplitude flutter": AmplitudeFlutter(),
    "amplitude flutter, spacing": AmplitudeFlutter(mode="spacing"),
}


def best(run: Callable[[], object], times: int = 5) -> float:
    """Shortest processor time of several runs, in seconds."""
    run()
    taken = []
    for _ in range(times):
        start = time.process_time()
        run()
        taken.append(time.process_time() - start)
    return min(taken)


def in_python(processor: Processor, audio: np.ndarray) -> float:
    stream = processor.stream(sample_rate=RATE, channels=audio.shape[0])

    def run() -> None:
        for start in range(0, audio.shape[1], BLOCK):
            stream.advance(audio[:, start : start + BLOCK].copy())

    return best(run)


def in_c(processor: Processor, audio: np.ndarray, target: HostTarget) -> float:
    """Time of the blocks alone."""
    setup = setup_of(processor, sample_rate=RATE, channels=audio.shape[0])
    case = Case(setup, audio, RATE, (BLOCK,), block=BLOCK)
    return min(target.run([case])[0].ticks for _ in range(5)) / 1e6


def main() -> None:
    audio = 0.25 * np.random.default_rng(1).standard_normal((2, int(SECONDS * RATE)))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        targets = {}
        for compiler in ("gcc", "clang"):
            if shutil.which(compiler):
                targets[f"{compiler}, double"] = HostTarget(folder, FLAGS, (compiler,))
                targets[f"{compiler}, single"] = HostTarget(folder, (*FLAGS, SINGLE), (compiler,))
        print(f"{f'time of C over {LOOPS}':28}" + "".join(f"{name:>16}" for name in targets))
        for label, processor in PROCESSORS.items():
            python = in_python(processor, audio)
            ratios = [in_c(processor, audio, target) / python for target in targets.values()]
            told = "".join(f"{ratio:16.2f}" for ratio in ratios)
            print(f"{label:28}{told}   {LOOPS} {SECONDS / python:.0f} x real time")


if __name__ == "__main__":
    main()
