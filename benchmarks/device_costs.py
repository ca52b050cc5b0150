"""What processors and presets take on the emulated Cortex-M7, for docs/targets.md.

Mono, 48 kHz, blocks of 64, single precision, half a second of noise; envelopes of the input are counted.
Instructions are counted by the emulator and do not depend on what else this machine does.
"""

import tempfile
from pathlib import Path

from tapeemu import AmplitudeFlutter, Chain, FdnReverb, PreampDrive, TapeMagnetisation, WowFlutter
from tapeemu.presets import load_preset
from tapeemu.processor import Processor
from tapeemu.targets.device import FLAGS, costs_of
from tapeemu.targets.machines import BoardTarget
from tapeemu.targets.setups import setup_of

RATE = 48_000.0
ALONE: dict[str, Processor] = {
    "drive": PreampDrive(),
    "magnetisation": TapeMagnetisation(),
    "amplitude flutter": AmplitudeFlutter(),
    "amplitude flutter, spacing": AmplitudeFlutter(mode="spacing"),
    "wow and flutter": WowFlutter(),
    "reverb, 8 lines": FdnReverb(lines=8),
    "reverb, 16 lines": FdnReverb(),
}
PRESETS = ("small-room-on-tape", "hall-into-drive")
COLUMNS = (
    *("Chain", "flash kB", "RAM fast kB", "RAM slow kB", "stack kB", "instructions per sample"),
    *("in the slowest block", "to make it, millions"),
)


def main() -> None:
    chains: dict[str, Processor] = {**ALONE, **{f"preset {name}": load_preset(name).chain for name in PRESETS}}
    print("| " + " | ".join(COLUMNS) + " |")
    print("|:--" + "|--:" * (len(COLUMNS) - 1) + "|")
    with tempfile.TemporaryDirectory() as name:
        board = BoardTarget(Path(name), FLAGS)
        for label, chain in chains.items():
            setup = setup_of(Chain([chain]), sample_rate=RATE, channels=1)
            costs = costs_of(setup, sample_rate=RATE, channels=1, board=board)
            cells = [f"{costs.flash_bytes / 1000:.0f}"]
            cells += [f"{size / 1000:.1f}" for size in (costs.fast_bytes, costs.slow_bytes, costs.stack_bytes)]
            cells += [f"{costs.instructions:,.0f}", f"{costs.worst_instructions:,.0f}"]
            cells.append(f"{costs.design_instructions / 1e6:.1f}")
            print(f"| {label} | " + " | ".join(cells) + " |", flush=True)


if __name__ == "__main__":
    main()
