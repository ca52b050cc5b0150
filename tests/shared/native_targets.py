"""Machines that only tests need, and builds that cost them less: the library under the sanitizers."""

from pathlib import Path

import numpy as np

from tapeemu.native.generate import C_FOLDER
from tapeemu.targets.machines import FileTarget, compile_c, found

QUICK_FLAGS = ("-O1", "-ffp-contract=off")
"""Compiles in half the time of `STRICT_FLAGS`, to the same bits."""
SANITIZERS = ("-g", "-O1", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")


class GuardedTarget(FileTarget):
    """The library under the address and undefined-behaviour sanitizers, in no more memory than it asked for."""

    def __init__(self, folder: Path, *flags: str, compiler: str = "gcc") -> None:
        found(compiler, compiler)
        program = folder / f"guarded-{compiler}"
        here = Path(__file__).parent
        compile_c(
            [
                *(compiler, "-std=c99", *SANITIZERS, *flags, f"-I{C_FOLDER}"),
                *(str(here / "guarded.c"), str(C_FOLDER / "tapeemu.c"), "-o", str(program)),
            ]
        )
        real = np.float32 if "-DTAPEEMU_SINGLE" in flags else np.float64
        super().__init__(folder, [str(program), "cases.bin", "results.bin"], real)
