"""Fixtures shared by all tests."""

import numpy as np
import pytest


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(20261125)


@pytest.fixture(scope="session")
def octave_t30():
    """T30 of an octave by pyroomacoustics, from decay times over frequency: a reader that knows no network.

    The band is scipy's analogue Butterworth about the exact centre (IEC 61260-1:2014, base ten). Seven
    poles a side and fourteen (pyfar's) both meet class 1; the energy behind it is the sum of what decays at
    every frequency.
    """
    from pyroomacoustics.experimental import measure_rt60
    from scipy.signal import butter, freqs_zpk

    def read(frequencies_hz, decay_seconds, nominal_hz, poles=7):
        centre_hz = 1000.0 * 10.0 ** (0.3 * round(np.log10(nominal_hz / 1000.0) / 0.3))
        edges = [centre_hz * 10.0**-0.15, centre_hz * 10.0**0.15]
        band = butter(poles, edges, "bandpass", analog=True, output="zpk")
        weights = np.abs(freqs_zpk(*band, worN=frequencies_hz)[1]) ** 2 * np.gradient(frequencies_hz)
        slowest = float(decay_seconds[weights > 1e-9 * weights.max()].max())
        times = np.linspace(0.0, 2.0 * slowest, 4000)
        energy = np.exp(-6.0 * np.log(10.0) * times[:, None] / decay_seconds) @ weights
        return float(measure_rt60(np.sqrt(energy), 1.0 / times[1], decay_db=30))

    return read
