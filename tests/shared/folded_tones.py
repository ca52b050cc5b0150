"""How much of a distorted tone lies beside its harmonics."""

import numpy as np

from tapeemu.validation import FloatArray

RATE = 48_000


def aliasing_db(output: FloatArray, place: int) -> float:
    """Power off the harmonics over power on them, 0 to 20 kHz (Sato & Smith, arXiv 2505.04082).

    `place` is the bin of the tone in a spectrum of all of `output`, at RATE.
    """
    power = np.abs(np.fft.rfft(output)) ** 2
    power[0] = 0.0
    limit = int(20_000 / RATE * output.size)
    on = np.zeros(power.size, bool)
    on[place::place] = True
    return float(10.0 * np.log10(power[:limit][~on[:limit]].sum() / power[:limit][on[:limit]].sum()))
