"""A tone demodulated as the flutter meter does it."""

import numpy as np

from measure.parts.demodulation import Demodulated, demodulate

__all__ = ["FS", "demodulated"]

FS = 48_000


def demodulated(signal: np.ndarray, rate: float = FS, **others: object) -> Demodulated:
    settings: dict = {"nominal_hz": (3150.0, 3000.0), "given": False, "highest_rate_hz": 200.0} | others
    return demodulate(signal, float(rate), **settings)
