"""How often two sigma hold the true THD: 200 trials a line, from 0.1 to 2 s, with flutter and near the noise.

Run with ``python benchmarks/distortion_coverage.py [TRIALS] [FIRST_SEED]``. The goal is 95 %; 200 trials tell a
share to 1.5 %. Tones of 300 to 800 Hz at 16 kHz sample rate, which is quicker than 48 kHz and leaves room for
the harmonics; the last two cases are at 48 kHz, with tones up to 3 kHz, to show that nothing else changes.
"""

import math
import sys

import numpy as np
from shares import share_line

from measure.quantities.distortion import harmonic_distortion

# Name: rate, seconds, RMS of the noise re the tone's peak, second and third harmonic, swing of phase at 4 Hz.
CASES: dict[str, tuple[int, float, float, float, float, float]] = {
    "2 s, noise -40 dB": (16_000, 2.0, 0.01, 1e-3, 3e-3, 0.0),
    "1 s, noise -50 dB, flutter": (16_000, 1.0, 0.003, 5e-3, 3e-3, 0.3),
    "0.5 s, noise -40 dB": (16_000, 0.5, 0.01, 1e-2, 5e-3, 0.0),
    "0.3 s, noise -46 dB": (16_000, 0.3, 0.005, 1e-2, 5e-3, 0.0),
    "0.1 s, noise -50 dB": (16_000, 0.1, 0.003, 5e-3, 3e-3, 0.0),
    "0.1 s, noise -70 dB, 3 %": (16_000, 0.1, 3e-4, 1e-3, 3e-2, 0.0),
    "2 s, flutter, near the noise": (16_000, 2.0, 0.01, 6e-4, 3e-4, 0.3),
    "1 s, near the noise": (16_000, 1.0, 0.01, 6e-4, 3e-4, 0.0),
    "1 s, in the noise": (16_000, 1.0, 0.01, 2e-4, 1e-4, 0.0),
    "1 s, noise -40 dB, 48 kHz": (48_000, 1.0, 0.01, 1e-3, 3e-3, 0.0),
    "0.1 s, noise -50 dB, 48 kHz": (48_000, 0.1, 0.003, 5e-3, 3e-3, 0.0),
}


def coverage(name: str, trials: int, first: int) -> None:
    rate, seconds, level, second, third, swing = CASES[name]
    values, doubts = [], []
    true = 100.0 * math.hypot(second, third)
    for seed in range(first, first + trials):
        rng = np.random.default_rng(seed)
        time = np.arange(round(seconds * rate)) / rate
        angle = 2.0 * np.pi * rng.uniform(300.0, rate / 16.0 if rate > 16_000 else 800.0) * time
        angle += rng.uniform(0.0, 6.0) + swing * np.sin(2.0 * np.pi * 4.0 * time)
        other, more = rng.uniform(0.0, 6.0, 2)
        y = np.cos(angle) + second * np.cos(2.0 * angle + other) + third * np.cos(3.0 * angle + more)
        reading = harmonic_distortion(y + level * rng.standard_normal(time.size), rate).thd_f
        values.append(reading.value)
        doubts.append(reading.uncertainty)
    print(share_line(f"THD {true:.3g} %, {name}", values, doubts, true), flush=True)


def main() -> None:
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 1000
    for name in CASES:
        coverage(name, trials, first)


if __name__ == "__main__":
    main()
