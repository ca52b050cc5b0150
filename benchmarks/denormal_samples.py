"""What samples too small to be heard cost in a plug-in, over what noise costs: every plug-in, stereo, 48 kHz.

Bound: 1.5, where hosts warn of 2. Denormal input (1e-40 in float32, 1e-310 in float64), silence, and the seconds
in which a tail dies away; the fewest of five runs of a second, noise and the others by turns in one run of this
program.
"""

import sys
import time
from pathlib import Path

import numpy as np
import numpy.typing as npt

sys.path.insert(0, str(Path(__file__).parent.parent / "tests" / "shared"))

from clap_host import ClapLibrary, ClapPlugin

from tapeemu.plugins.building import build
from tapeemu.plugins.tables import plugin_kinds

RATE, BLOCK, RUNS = 48_000, 4_096, 5


def seconds(plugin: ClapPlugin, audio: npt.NDArray[np.floating]) -> float:
    begin = time.process_time()
    for at in range(0, audio.shape[1], BLOCK):
        plugin.process(audio[:, at : at + BLOCK])
    return time.process_time() - begin


def main() -> None:
    library = ClapLibrary(build() / "tapeemu.clap")
    noise = np.random.default_rng(1).normal(0.0, 0.1, (2, RATE))
    for kind in plugin_kinds():
        told = []
        for sort, smallest in ((np.float32, 1e-40), (np.float64, 1e-310)):
            signals = [noise.astype(sort), np.full((2, RATE), smallest, sort), np.zeros((2, RATE), sort)]
            plugin = library.make(kind.kind)
            assert plugin.activate(float(RATE), BLOCK)
            best = [float("inf")] * len(signals)
            for _ in range(RUNS):
                for number, audio in enumerate(signals):
                    best[number] = min(best[number], seconds(plugin, audio))
            plugin.process(noise.astype(sort))
            dying = max(seconds(plugin, signals[2]) for _ in range(RUNS))
            plugin.end()
            told += [f"{np.dtype(sort).name}: denormal {best[1] / best[0]:4.2f} silence {best[2] / best[0]:4.2f}"]
            told += [f"dying away {dying / best[0]:4.2f}"]
        print(f"{kind.kind:20} {'  '.join(told)}", flush=True)


if __name__ == "__main__":
    main()
