"""No test noticed scrape noise that repeats every 1.44 s."""

import math

import numpy as np

from tapeemu.dsp.fast_noise import FastNoise, band_spectrum
from tapeemu.dsp.noise_band import NoiseBand

RATE = 48_000.0


def test_fast_noise_does_not_repeat():
    """Blocks are made eight at a time; if runs of 1.44 s were not told apart, each would repeat the one before."""
    noise = FastNoise(band_spectrum(NoiseBand(9, 100.0, 5_000.0, 0.25)), RATE)
    run = 8 * round(0.18 * RATE)
    out = np.zeros(4 * run)
    noise.add(0, out)
    runs = out.reshape(4, run)
    correlation = np.corrcoef(runs)[~np.eye(4, dtype=bool)]
    assert np.max(np.abs(correlation)) < 5.0 / math.sqrt(2 * 4_900 * run / RATE)
    # Nor do blocks within a run.
    blocks = np.corrcoef(runs[0].reshape(8, -1))[~np.eye(8, dtype=bool)]
    assert np.max(np.abs(blocks)) < 6.0 / math.sqrt(2 * 4_900 * 0.18)
