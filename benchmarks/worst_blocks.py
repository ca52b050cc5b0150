"""Slowest block over the mean, by instructions on the emulated Cortex-M7: every processor, stereo, 48 kHz.

Bound: 3, whatever the size of the blocks. A second of default settings and of what moves most; the making of the
chain is not counted, the first block is.
"""

import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "tests" / "shared"))

from drawn_cases import in_kernels

from tapeemu import AmplitudeFlutter, TapeNoise
from tapeemu.processor import Processor
from tapeemu.targets.machines import BoardTarget
from tapeemu.targets.setups import Case, setup_of

RATE = 48_000
SAMPLES = 24_000
BLOCKS = (64, 128, 512)
MORE: dict[str, Processor] = {
    "spacing": AmplitudeFlutter(mode="spacing"),
    "modulation noise": TapeNoise(modulation_noise_db=-50.0),
}


def main() -> None:
    audio = 0.25 * np.random.default_rng(1).standard_normal((2, SAMPLES))
    processors = {made.kind: made() for made in in_kernels()} | MORE
    with tempfile.TemporaryDirectory() as name:
        target = BoardTarget(Path(name))
        for label, processor in processors.items():
            setup = setup_of(processor, sample_rate=RATE, channels=2)
            told = []
            for block in BLOCKS:
                result = target.run([Case(setup, audio, RATE, (block,), block=block)])[0]
                each = BoardTarget.INSTRUCTIONS_PER_TICK
                mean = result.ticks * each / SAMPLES
                told.append(f"{block}: {result.most_ticks * each / block / mean:5.2f} of {mean:6.0f}")
            print(f"{label:20}  " + "   ".join(told), flush=True)


if __name__ == "__main__":
    main()
