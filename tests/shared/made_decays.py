"""Decays made of noise, and what is read of them."""

import numpy as np

from measure.quantities.decay import BandDecay, decay_from_impulse

RATE = 24_000


SECONDS = 1.5


def decay(seconds: float = SECONDS, *, duration: float = 3.0, seed: int = 0, rate: int = RATE) -> np.ndarray:
    n = round(duration * rate)
    noise = np.random.default_rng(seed).standard_normal(n)
    return noise * 10.0 ** (-3.0 * np.arange(n) / rate / seconds)


def noise(n: int, level_db: float, seed: int = 77) -> np.ndarray:
    return 10.0 ** (level_db / 20.0) * np.random.default_rng(seed).standard_normal(n)


def bands(h: np.ndarray, rate: int = RATE) -> list[BandDecay]:
    """Broadband, and the octaves that a recording of this length has something to say about."""
    octaves = [band for band in decay_from_impulse(h, rate).bands if band.centre_hz >= 500.0]
    return [*decay_from_impulse(h, rate, bands="broadband").bands, *octaves]
