"""Amplitude flutter: depth and spacing law as measured, and cost per frame, in one run.

Bounds: depth set = depth measured within 2 %; 10 kHz moves ten times as many dB as 1 kHz within 2 %.
"""

import time

import numpy as np
import pedalboard

from tapeemu.processors.amplitude_flutter import AmplitudeFlutter, LevelPart

RATE = 48_000


def swing_db(flutter: AmplitudeFlutter, frequency: float) -> float:
    """Half of peak to peak of the level of a tone, from its analytic signal."""
    from scipy.signal import hilbert

    tone = np.sin(2 * np.pi * frequency * np.arange(3 * RATE) / RATE)
    level = 20 * np.log10(np.abs(hilbert(flutter(tone, sample_rate=RATE))))[RATE // 4 : -RATE // 4]
    return float(np.ptp(level)) / 2.0


def main() -> None:
    part = LevelPart(rate_hz=2.0, peak_db=1.0)
    spacing = AmplitudeFlutter(mode="spacing", periodic_parts=(part,), random_db=0.0)
    high, low = swing_db(spacing, 10_000.0), swing_db(spacing, 1_000.0)
    print(f"spacing: 1 dB set, {high:.4f} dB at 10 kHz, ratio to 1 kHz {high / low:.3f}")
    gain = AmplitudeFlutter(periodic_parts=(part,), random_db=0.0)
    print(f"gain: 1 dB set, {swing_db(gain, 5_000.0):.4f} dB")

    audio = (0.1 * np.random.default_rng(0).standard_normal((2, 20 * RATE))).astype(np.float32)
    chorus = pedalboard.Chorus()
    calls = {
        "default": AmplitudeFlutter(),
        "dropouts": AmplitudeFlutter(dropouts_per_minute=30.0),
        "correlation 0.5": AmplitudeFlutter(channel_correlation=0.5),
        "spacing": AmplitudeFlutter(mode="spacing"),
    }
    best = dict.fromkeys([*calls, "Chorus"], float("inf"))
    for _ in range(7):
        for name in best:
            began = time.process_time()
            if name == "Chorus":
                chorus(audio, RATE)
            else:
                calls[name](audio, sample_rate=RATE)
            best[name] = min(best[name], 1e9 * (time.process_time() - began) / audio.shape[1])
    print("Whole-file call, stereo float32, 20 s, processor time, best of 7")
    for name, cost in best.items():
        print(f"  {name:16s} {cost:6.2f} ns/frame {1e9 / cost / RATE:7.0f} x real time")


if __name__ == "__main__":
    main()
