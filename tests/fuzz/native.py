"""Fuzzing of the C library: chains made, cut, sought and moved at random, under the sanitizers.

    python tests/fuzz/native.py --minutes 10

With clang by its fuzzer, which follows coverage; with gcc alone by random bytes. A finding ends the run; clang's
fuzzer leaves its input in the folder of `findings`.
"""

import argparse
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent / "shared"))

from random_chains import chain  # noqa: E402

from tapeemu.native.generate import C_FOLDER  # noqa: E402
from tapeemu.native.processors import find_processors  # noqa: E402
from tapeemu.processor import Processor  # noqa: E402
from tapeemu.processors import processor_kinds  # noqa: E402
from tapeemu.targets.machines import SINGLE, compile_c  # noqa: E402
from tapeemu.targets.setups import Setup, bits, setup_of  # noqa: E402

SETUPS = 40
RATE = 48_000.0


def ours() -> list[type[Processor]]:
    """Kinds that are computed by kernels."""
    kinds = processor_kinds().items()
    return [made for kind, made in kinds if kind not in ("plugin_effect", "plugin_object", "chain")]


def setups(seed: int) -> list[Setup]:
    """Random chains as numbers."""
    found = []
    for number in range(SETUPS):
        rng = np.random.default_rng([seed, number])
        found.append(setup_of(chain(rng, ours(), most=3), sample_rate=RATE, channels=2))
    return found


def in_c(made: list[Setup]) -> str:
    """The setups as C."""
    kinds = [kind.name for kind in find_processors()]
    lines, rows = [], []
    for number, setup in enumerate(made):
        stages = []
        for place, stage in enumerate(setup.stages):
            names = {}
            for what, numbers in (("given", stage.numbers), ("still", stage.still)):
                if numbers is None:
                    continue
                words = [bits(value) if isinstance(value, float) else value for value in numbers]
                text = ", ".join(f"{{.whole = (int64_t)UINT64_C({word % 2**64})}}" for word in words)
                names[what] = f"{what}_{number}_{place}"
                lines.append(f"static const tapeemu_number {names[what]}[] = {{{text}}};")
            kind, still = kinds.index(stage.kind.name), names.get("still", "NULL")
            counts = len(stage.numbers), len(stage.still or ())
            stages.append(f"{{{kind}, {counts[0]}, {names['given']}, {still}, {counts[1]}}}")
        groups = [f"{{{group.first}, {group.behind}, {group.share!r}}}" for group in setup.groups]
        lines.append(f"static const tapeemu_stage stages_{number}[] = {{{', '.join(stages) or '{0}'}}};")
        lines.append(f"static const tapeemu_group groups_{number}[] = {{{', '.join(groups) or '{0}'}}};")
        rows.append(
            f"    {{.stage_count = {len(stages)}, .group_count = {len(groups)}, "
            f".stages = stages_{number}, .groups = groups_{number}}},"
        )
    head = [f"#define SETUPS {len(made)}"]
    return "\n".join([*head, *lines, "static const tapeemu_setup setups[SETUPS] = {", *rows, "};", ""])


def run(minutes: float, seed: int, findings: Path) -> int:
    """Fuzz both precisions; the number of programs that found nothing."""
    clang = shutil.which("clang")
    passed = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "setups.inc").write_text(in_c(setups(seed)), "utf-8")
        for flags in ((), (SINGLE,)):
            program = folder / f"fuzz{len(flags)}"
            checks = "-fsanitize=fuzzer,address,undefined" if clang else "-fsanitize=address,undefined"
            compile_c(
                [
                    *((clang or "gcc"), "-std=gnu99", "-g", "-O1", checks, "-fno-sanitize-recover=all", *flags),
                    *([] if clang else ["-DRANDOM_DRIVER"]),
                    *(f"-I{C_FOLDER}", f"-I{folder}", str(HERE / "native_target.c"), str(C_FOLDER / "tapeemu.c")),
                    *("-o", str(program)),
                ]
            )
            seconds = 30.0 * minutes
            if clang:
                corpus = folder / "corpus"
                corpus.mkdir(exist_ok=True)
                rng = np.random.default_rng(seed)
                for number in range(50):
                    (corpus / str(number)).write_bytes(rng.bytes(2000))
                command = [str(program), f"-max_total_time={int(seconds)}", f"-artifact_prefix={findings}/"]
                subprocess.run([*command, "-max_len=4096", "-timeout=60", str(corpus)], check=True)
            else:
                ends, turn = time.monotonic() + seconds, seed
                while turn == seed or time.monotonic() < ends:
                    subprocess.run([str(program), str(turn), "20"], check=True)
                    turn += 1
            passed += 1
    return passed


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--findings", type=Path, default=HERE / "findings")
    options = parser.parse_args()
    options.findings.mkdir(exist_ok=True)
    run(options.minutes, options.seed, options.findings)


if __name__ == "__main__":
    main()
