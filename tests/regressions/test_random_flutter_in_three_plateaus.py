"""Random flutter was three plateaus, with a cliff of 17.6 dB at 0.5 Hz, instead of one law of all rates."""

import numpy as np
from scipy import signal

from tapeemu.processors.wow_flutter import WowFlutter


def test_default_random_part_has_the_same_power_in_every_octave():
    """The default of slope and edges, at a sample rate that is the device's: no step between 2 and 100 Hz."""
    wow = WowFlutter(rotating_parts=(), seed=8)
    speed = wow.speed_percent(sample_rate=8_000, start_sample=10**6, samples=120 * 8_000)
    frequencies, density = signal.welch(speed, 8_000, nperseg=1 << 15)
    octaves = [(frequencies >= low) & (frequencies < 2 * low) for low in (3.0, 6.0, 12.0, 24.0, 48.0)]
    power = 10.0 * np.log10([density[each].sum() for each in octaves])
    assert np.max(power) - np.min(power) < 1.0
