"""Decays whose octaves differ, from filtered noise."""

import numpy as np
from scipy import signal
from scipy.fft import next_fast_len

from measure.parts.decay_bands import bands_of

RATE = 48_000


# Decay times of the octaves from 63 Hz to 8 kHz.
SLOPES = {
    "the audit's": (1.4, 1.3, 1.25, 1.2, 1.1, 1.0, 0.8, 0.6),
    "2:1 each octave down": (2.0, 2.0, 2.0, 2.0, 2.0, 1.6, 0.8, 0.4),
    "4:1 down at 4 kHz": (1.6, 1.6, 1.6, 1.6, 1.6, 1.6, 0.4, 0.4),
    "4:1 down at 8 kHz": (1.6, 1.6, 1.6, 1.6, 1.6, 1.6, 1.6, 0.4),
    "4:1 up at 8 kHz": (0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 2.0),
    "2:1 up each octave": (0.4, 0.4, 0.4, 0.4, 0.4, 0.8, 1.6, 1.6),
}


def octaves(seconds: tuple[float, ...], *, seed: int, order: int, levels_db: tuple[float, ...] = ()) -> np.ndarray:
    """Noise whose octaves decay each in its own time; `order` 0 stands for perfect edges."""
    rng = np.random.default_rng(seed)
    n = next_fast_len(round((1.2 * max(seconds) + 0.1) * RATE), real=True)
    t = np.arange(n) / RATE
    frequency = np.fft.rfftfreq(n, 1.0 / RATE)
    h = np.zeros(n)
    for band, own, level in zip(bands_of("octave", RATE), seconds, levels_db or (0.0,) * 8, strict=True):
        noise = rng.standard_normal(n)
        if order:
            sections = signal.butter(order, [band.low_hz, band.high_hz], "bandpass", fs=RATE, output="sos")
            noise = signal.sosfiltfilt(sections, noise)
        else:
            inside = (frequency >= band.low_hz) & (frequency < band.high_hz)
            noise = np.fft.irfft(np.fft.rfft(noise) * inside, n)
        h += noise * 10.0 ** (level / 20.0 - 3.0 * t / own)
    return h
