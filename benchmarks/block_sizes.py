"""What blocks of 64 samples cost in C, over those of 4096: every processor, default settings, stereo, 48 kHz.

Bound: 1.3. Processor time of the calls alone, the fewest of five runs; reading the clock, some 0.3 us a call, is
in it. Double precision, gcc -O3 for this machine.
"""

import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "tests" / "shared"))

from drawn_cases import in_kernels
from speed_native import FLAGS, RATE

from tapeemu.processor import Processor
from tapeemu.targets.machines import HostTarget
from tapeemu.targets.setups import Case, setup_of

SECONDS = 2.0
SMALL, LARGE = 64, 4096
RUNS = 5


def microseconds(processor: Processor, audio: np.ndarray, block: int, target: HostTarget) -> int:
    """Time of all blocks of a run, the shortest of several."""
    setup = setup_of(processor, sample_rate=RATE, channels=audio.shape[0])
    case = Case(setup, audio, RATE, (block,), block=block)
    return min(target.run([case])[0].ticks for _ in range(RUNS))


def main() -> None:
    audio = 0.25 * np.random.default_rng(1).standard_normal((2, int(SECONDS * RATE)))
    with tempfile.TemporaryDirectory() as name:
        target = HostTarget(Path(name), FLAGS)
        for made in in_kernels():
            small = microseconds(made(), audio, SMALL, target)
            large = microseconds(made(), audio, LARGE, target)
            a_block = small / (audio.shape[1] / SMALL)
            print(f"{made.kind:20} {small / large:6.2f}   {a_block:6.1f} us a block of {SMALL}", flush=True)


if __name__ == "__main__":
    main()
