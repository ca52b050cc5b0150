"""Wow and flutter: reader error, read-back of the one knob, and speed against pedalboard's Chorus, in one run.

Bounds: reader error -100 dB to 18 kHz (32 taps) and 20 kHz (48 taps); knob within 5 % from 0.02 % to 2 %; at
least 1.5 times as fast as Chorus on the same stereo audio. Times are processor time, best of interleaved runs, so
that other load on the machine does not enter.
"""

import time
from collections.abc import Callable

import numpy as np
import pedalboard

from measure.quantities.flutter import flutter
from tapeemu.processors.wow_flutter import RotatingPart, WowFlutter

RATE = 48_000


def best_ns(calls: dict[str, Callable[[], object]], frames: int, runs: int = 9) -> dict[str, float]:
    """Nanoseconds per frame of each call, taking turns."""
    best = dict.fromkeys(calls, float("inf"))
    for _ in range(runs):
        for name, call in calls.items():
            began = time.process_time()
            call()
            best[name] = min(best[name], 1e9 * (time.process_time() - began) / frames)
    return best


def reader_error_db(taps: int, frequency: float) -> float:
    """Error of a sine read along 0.3 % wow at 1 Hz plus 0.1 % at 10 Hz, against the exact sine."""
    parts = (
        RotatingPart(rate_hz=1.0, peak_percent=0.3, phase_degrees=0.0),
        RotatingPart(rate_hz=10.0, peak_percent=0.1, phase_degrees=0.0),
    )
    wow = WowFlutter(rotating_parts=parts, random_percent=0.0, reader_taps=taps)
    n = np.arange(2 * RATE)
    t = n / RATE
    delay = -RATE * (0.003 / (2 * np.pi) * np.sin(2 * np.pi * t) + 0.001 / (20 * np.pi) * np.sin(20 * np.pi * t))
    got = wow(np.sin(2 * np.pi * frequency * t + 0.3), sample_rate=RATE)
    exact = np.sin(2 * np.pi * frequency * (n - delay) / RATE + 0.3)
    inside = slice(1_000, -1_000)
    return float(10 * np.log10(np.mean((got - exact)[inside] ** 2) / np.mean(exact[inside] ** 2)))


def main() -> None:
    print("Reader error, dB (bound -100)")
    frequencies = (100, 1_000, 5_000, 10_000, 15_000, 17_000, 18_000, 19_000, 20_000)
    print("  Hz      ", *(f"{f:7d}" for f in frequencies))
    for taps in (32, 48):
        print(f"  {taps} taps ", *(f"{reader_error_db(taps, f):7.1f}" for f in frequencies))

    print("Weighted figure, read by measure.flutter over 34 s (bound 5 %): error in %")
    tone = 0.5 * np.sin(2 * np.pi * 3_150.0 * np.arange(34 * RATE) / RATE)
    for profile in (None, "studio", "domestic", "cassette", "portable", "worn"):
        errors = []
        for figure in (0.02, 0.2, 2.0):
            wow = WowFlutter(weighted_flutter_percent=figure, profile=profile)
            reading = flutter(wow(tone, sample_rate=RATE), sample_rate=RATE).weighted["two_sigma"]
            errors.append(100.0 * (reading.value / figure - 1.0))
        print(f"  {profile or 'as set':9s}", *(f"{error:+6.2f}" for error in errors), " at 0.02, 0.2, 2 %")

    audio = (0.1 * np.random.default_rng(0).standard_normal((2, 20 * RATE))).astype(np.float32)
    chorus = pedalboard.Chorus()
    settings = {
        "default": WowFlutter(),
        "scrape too": WowFlutter(scrape_percent=0.02),
        "worn profile": WowFlutter(profile="worn"),
        "48 taps": WowFlutter(reader_taps=48),
    }
    calls: dict[str, Callable[[], object]] = {"Chorus": lambda: chorus(audio, RATE)}
    for name, wow in settings.items():
        calls[name] = lambda wow=wow: wow(audio, sample_rate=RATE)
    took = best_ns(calls, audio.shape[1])
    print("Whole-file call, stereo float32, 20 s (bound: 1.5 times as fast as Chorus)")
    for name, cost in took.items():
        ratio = took["Chorus"] / cost
        print(f"  {name:14s} {cost:6.2f} ns/frame {1e9 / cost / RATE:7.0f} x real time {ratio:5.2f} x Chorus")


if __name__ == "__main__":
    main()
