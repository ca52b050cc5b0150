"""The tone of flutter meters, 3150 Hz, as a tape would play it whose speed is known."""

import numpy as np

from measure.parts.signals import Modulation, modulated_tone

FS = 16_000
SECONDS = 12


def with_speed(
    *speed: tuple[float, float], seconds: float = SECONDS, rate: float = FS, **others: float
) -> np.ndarray:
    parts = [
        Modulation(rate_hz=rate_hz, peak_percent=peak, phase_radians=0.3 + index)
        for index, (rate_hz, peak) in enumerate(speed)
    ]
    return modulated_tone(3150, duration_seconds=seconds, sample_rate=rate, speed=parts, **others)
