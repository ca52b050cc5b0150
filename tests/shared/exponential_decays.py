"""Decays of a known time: noise or signs that fall by 60 dB in it, over a floor or over none."""

import numpy as np

RATE = 48_000


def decay(seconds, *, duration, floor_db=None, seed=0, rate=RATE, signs=False):
    """Noise, or random signs, under an exponential of 60 dB in `seconds`, over a steady floor."""
    rng = np.random.default_rng(seed)
    n = round(duration * rate)
    carrier = rng.choice([-1.0, 1.0], n) if signs else rng.standard_normal(n)
    h = carrier * 10.0 ** (-3.0 * np.arange(n) / rate / seconds)
    return h if floor_db is None else h + 10.0 ** (floor_db / 20.0) * rng.standard_normal(n)
