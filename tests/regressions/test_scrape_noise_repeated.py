"""No test noticed scrape noise that repeats every 1.44 s."""

import math

import numpy as np
from moving import Trajectory

from tapeemu.dsp.noises import NoiseBand
from tapeemu.dsp.trajectory import SEGMENT

RATE = 48_000.0


def test_fast_noise_does_not_repeat():
    out = Trajectory(noises=(NoiseBand(9, 100.0, 5_000.0, 0.25),), sample_rate=RATE).values(0, 16 * SEGMENT)
    correlation = np.corrcoef(out.reshape(16, SEGMENT))[~np.eye(16, dtype=bool)]
    assert np.max(np.abs(correlation)) < 6.0 / math.sqrt(2 * 4_900 * SEGMENT / RATE)
