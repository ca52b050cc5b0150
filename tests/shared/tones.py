"""Tones whose phase is known sample by sample, to build harmonics and lines on."""

import numpy as np

RATE = 48_000


def tone(frequency_hz, *, seconds=1.0, amplitude=1.0, phase=0.3, deviation=0.0, wow_hz=4.0):
    """A tone at `RATE`, of a speed that deviates by a share of itself, and its phase in radians."""
    t = np.arange(round(seconds * RATE)) / RATE
    angle = 2.0 * np.pi * frequency_hz * t + phase
    if deviation:
        angle += deviation * frequency_hz / wow_hz * np.sin(2.0 * np.pi * wow_hz * t)
    return amplitude * np.cos(angle), angle
