"""A tone with a third harmonic, for tests of what distortion claims."""

import numpy as np

RATE = 48_000


TIME = np.arange(RATE) / RATE


ANGLE = 2.0 * np.pi * 1000.0 * TIME + 0.3


THIRD = np.cos(ANGLE) + 0.03 * np.cos(3.0 * ANGLE)
