"""Cost of the whole chain of four, stereo at 48 kHz on one core, against real time and pedalboard's effects.

Bound: more than 80 times real time (drive of the antialiased kind).
"""

import time

import numpy as np
import pedalboard

from tapeemu import AmplitudeFlutter, Chain, FdnReverb, PreampDrive, WowFlutter
from tapeemu.processor import Processor

RATE = 48_000
SECONDS = 20
BLOCK = 2**15


def seconds_of(processor: Processor, audio: np.ndarray, runs: int = 5) -> float:
    """Best time for a stream over the audio, in the block length that rendering uses."""
    took = []
    for _ in range(runs):
        stream = processor.stream(sample_rate=RATE, channels=2)
        began = time.perf_counter()
        for start in range(0, audio.shape[1], BLOCK):
            stream.advance(audio[:, start : start + BLOCK].copy())
        took.append(time.perf_counter() - began)
    return min(took)


def main() -> None:
    audio = np.random.default_rng(1).standard_normal((2, SECONDS * RATE)) * 0.1
    stages = [WowFlutter(), AmplitudeFlutter(), FdnReverb(), PreampDrive()]
    print(f"Chain of four, stereo {RATE} Hz, one core, {SECONDS} s of noise, best of 5; bound: 80 x real time")
    for name, processor in [*((stage.kind, stage) for stage in stages), ("all four", Chain(stages=stages))]:
        seconds = seconds_of(processor, audio)
        cost = 1e9 * seconds / audio.shape[1]
        print(f"  {name:20s} {cost:7.1f} ns/frame {SECONDS / seconds:7.0f} x real time")
    board = pedalboard.Pedalboard(
        [pedalboard.Chorus(), pedalboard.Gain(), pedalboard.Reverb(), pedalboard.Distortion()]
    )
    single = audio.astype(np.float32)
    board(single, RATE)
    took = []
    for _ in range(5):
        began = time.perf_counter()
        board(single, RATE)
        took.append(time.perf_counter() - began)
    print(f"  ratio to pedalboard's Chorus, Gain, Reverb and Distortion in a row: {seconds / min(took):.2f}")


if __name__ == "__main__":
    main()
