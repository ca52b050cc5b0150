"""Decays of a known time: noise or signs that fall by 60 dB in it, over a floor or none; and what is no decay."""

import numpy as np

RATE = 48_000


def decay(
    seconds: float,
    *,
    duration: float,
    floor_db: float | None = None,
    seed: int = 0,
    rate: int = RATE,
    signs: bool = False,
) -> np.ndarray:
    """Noise, or random signs, under an exponential of 60 dB in `seconds`, over a steady floor."""
    rng = np.random.default_rng(seed)
    n = round(duration * rate)
    carrier = rng.choice([-1.0, 1.0], n) if signs else rng.standard_normal(n)
    h = carrier * 10.0 ** (-3.0 * np.arange(n) / rate / seconds)
    return h if floor_db is None else h + 10.0 ** (floor_db / 20.0) * rng.standard_normal(n)


NO_DECAYS = {
    "silence": np.zeros(RATE),
    "one sample": np.ones(1),
    "constant": np.ones(RATE),
    "not a number": np.where(np.arange(RATE) == 7, np.nan, decay(0.3, duration=1.0)),
    "a lone echo": np.eye(1, RATE, 500)[0],
    "steady noise": np.random.default_rng(0).standard_normal(RATE),
    "steady tone": np.sin(np.arange(RATE) * 0.1),
    "growing": decay(1.0, duration=1.0)[::-1],
    "too short": decay(1.0, duration=0.003),
    "steps to silence": np.where(np.arange(RATE) < RATE // 2, 1.0, 0.0)
    * np.random.default_rng(0).standard_normal(RATE),
}
"""Responses of a second in which nothing decays, or too short to tell."""
