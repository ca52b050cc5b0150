"""Ten hours through every processor and through chains of them: time of the first and of the last hour, memory,
and time for silence. The chains are mixed with their input, run at wrong speeds and stand in one another.

No audio file is needed. At 8 kHz and in stereo by default, so that it takes minutes; `--rate 48000` for the
real thing. Bounds: the last hour costs what the first did; no growth of memory; decaying and silent stretches are
no slower than sound (denormals would make them many times slower).
"""

import argparse
import resource
import time

import numpy as np

import tapeemu
from tapeemu import Chain, Stage
from tapeemu.processor import Processor, Stream
from tapeemu.processors import processor_kinds

BLOCK = 2**15


def subjects() -> dict[str, Processor]:
    """Every processor at its defaults, and chains that have had something to queue."""
    found: dict[str, Processor] = {
        kind: made() for kind, made in processor_kinds().items() if kind not in ("plugin_effect", "plugin_object")
    }
    fast = tapeemu.WowFlutter(speed_error_percent=2.0)
    slow = tapeemu.WowFlutter(speed_error_percent=-2.0)
    for name, tape in (("fast", fast), ("slow", slow)):
        found[name] = tape
        found[f"{name}, mixed"] = Chain(stages=[Stage(processor=tape, mix_percent=50.0)])
    there_and_back = Chain(stages=[fast, tapeemu.PreampDrive(), slow])
    found["nested, mixed"] = Chain(
        stages=[
            Stage(processor=there_and_back, mix_percent=40.0),
            Stage(processor=Chain(stages=[Stage(processor=slow, mix_percent=30.0)]), mix_percent=60.0),
            tapeemu.AmplitudeFlutter(mode="spacing"),
        ]
    )
    return found


def seconds_for(stream: Stream, audio: np.ndarray, blocks: int) -> float:
    began = time.process_time()
    for _ in range(blocks):
        stream.process(audio)
    return time.process_time() - began


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--rate", type=int, default=8_000)
    parser.add_argument("--hours", type=int, default=10)
    chosen = parser.parse_args()
    noise = np.random.default_rng(1).uniform(-0.3, 0.3, (2, BLOCK))
    silence = np.zeros((2, BLOCK))
    hour = 3600 * chosen.rate // BLOCK
    print(f"{chosen.hours} hours, stereo {chosen.rate} Hz; seconds of work for each hour")
    for kind, subject in subjects().items():
        stream = subject.stream(sample_rate=chosen.rate, channels=2)
        stream.process(noise)
        hours = []
        for number in range(chosen.hours):
            hours.append(seconds_for(stream, noise, hour))
            if number == 0:
                before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        growth = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024.0
        per_block = np.mean(hours) / hour
        # The first minutes of silence pass through every magnitude that double precision has.
        decaying = seconds_for(stream, silence, 200) / 200
        print(
            f"  {kind:20s} first {hours[0]:6.2f}  last {hours[-1]:6.2f}  last/first {hours[-1] / hours[0]:5.2f}  "
            f"memory {growth:+5.1f} MB  silence/sound {decaying / per_block:5.2f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
