"""Cost of the whole tape, and of each of its processors alone, in times real time: stereo, one core, in one run.

Goals: 25 times real time for the whole, 300 for a processor alone, and 100 for hall into drive. Beside them stand
the nearest effects of pedalboard, whose algorithms differ; what counts is the order of magnitude. Times are
processor time, the best of interleaved runs, so that other load on the machine enters little. No pedalboard effect
raises its rate round its curve, so its distortion stands there once as it is.
"""

import time
from collections.abc import Callable

import numpy as np
import pedalboard

from tapeemu import (
    AmplitudeFlutter,
    Chain,
    Crosstalk,
    EraseResidue,
    FdnReverb,
    HeadAzimuth,
    PreampDrive,
    PrintThrough,
    StartStop,
    TapeMagnetisation,
    TapeNoise,
    TapeResponse,
    WowFlutter,
)
from tapeemu.processor import Processor
from tapeemu.processors.start_stop import TransportEvent

RATE = 48_000
SECONDS = 4
BLOCK = 4096

ALONE: dict[str, Processor] = {
    "TapeResponse": TapeResponse(),
    "TapeMagnetisation": TapeMagnetisation(),
    "TapeNoise, hiss": TapeNoise(),
    "TapeNoise, hiss and modulation": TapeNoise(modulation_noise_db=-50.0),
    "PrintThrough": PrintThrough(),
    "EraseResidue": EraseResidue(),
    "Crosstalk": Crosstalk(),
    "HeadAzimuth": HeadAzimuth(),
    "WowFlutter": WowFlutter(),
    "AmplitudeFlutter": AmplitudeFlutter(),
    "FdnReverb": FdnReverb(),
    "PreampDrive": PreampDrive(),
    "StartStop, catching up": StartStop(
        start_law="catching_up", events=(TransportEvent(action="start", at_seconds=0.5),)
    ),
}
HALL: list[Processor] = [FdnReverb(), PreampDrive()]
BEHIND: list[Processor] = [
    PrintThrough(),
    EraseResidue(),
    WowFlutter(),
    AmplitudeFlutter(),
    Crosstalk(),
    HeadAzimuth(),
    TapeNoise(modulation_noise_db=-50.0),
]
CHAINS: dict[str, Processor] = {
    "hall into drive": Chain(HALL),
    "whole tape, response": Chain([*HALL, TapeResponse(), *BEHIND]),
    "whole tape, magnetisation": Chain([*HALL, TapeMagnetisation(), *BEHIND]),
}
NEAREST = {
    "TapeResponse": "Distortion",
    "TapeMagnetisation": "Distortion",
    "PreampDrive": "Distortion",
    "FdnReverb": "Reverb",
    "WowFlutter": "Chorus",
    "PrintThrough": "Delay",
    "EraseResidue": "Delay",
}


def ours(processor: Processor, audio: np.ndarray) -> Callable[[], object]:
    stream = processor.stream(sample_rate=RATE, channels=2)

    def run() -> None:
        for first in range(0, audio.shape[1], BLOCK):
            stream.process(audio[:, first : first + BLOCK])

    return run


def theirs(effect: pedalboard.Plugin, audio: np.ndarray) -> Callable[[], object]:
    single = audio.astype(np.float32)
    return lambda: effect(single, RATE, BLOCK, False)


def main() -> None:
    audio = 0.1 * np.random.default_rng(1).standard_normal((2, SECONDS * RATE))
    calls = {name: ours(made, audio) for name, made in {**ALONE, **CHAINS}.items()}
    for name in sorted(set(NEAREST.values())):
        calls[f"pedalboard {name}"] = theirs(getattr(pedalboard, name)(), audio)
    best = dict.fromkeys(calls, float("inf"))
    for run in range(3):
        for name, call in calls.items():
            began = time.process_time()
            call()
            if run > 0:
                best[name] = min(best[name], time.process_time() - began)
    for name, cost in best.items():
        goal = 25 if name.startswith("whole") else 100 if name in CHAINS else 300 if name in ALONE else None
        line = f"{name:32s} {SECONDS / cost:7.0f} times real time"
        line += f"   goal {goal}" if goal else ""
        other = NEAREST.get(name)
        line += f"   {cost / best[f'pedalboard {other}']:.1f} times the cost of {other}" if other else ""
        print(line)


if __name__ == "__main__":
    main()
