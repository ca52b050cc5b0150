"""The edges that a sweep finds stated the straight line between two points as all of their doubt, and no noise.

The truth is where scipy's filter falls by half its power.
"""

import numpy as np
from scipy import signal as sp

from measure import frequency_response

RATE = 24_000.0


def test_noise_counts_in_the_doubt_of_an_edge() -> None:
    """Of 24, where 95 % should, 19 or more do in 999 of 1000 draws; as the doubt was, 5 of the low edges did."""
    sections = sp.butter(1, [150.0, 4_000.0], "bandpass", fs=RATE, output="sos")
    f = np.geomspace(60.0, 9_600.0, 100_000)
    level = 20.0 * np.log10(np.abs(sp.sosfreqz(sections, worN=np.append(f, 1_000.0), fs=RATE)[1]))
    inside = np.flatnonzero(level[:-1] > level[-1] - 10.0 * np.log10(2.0))
    rng = np.random.default_rng(4)

    def system(audio: np.ndarray, rate: float) -> np.ndarray:
        return sp.sosfilt(sections, audio) + 4e-3 * rng.standard_normal(audio.shape)

    found = [
        frequency_response(system, RATE, low_hz=60.0, high_hz=9_600.0, seconds=1.0, tail_seconds=0.5)
        for _ in range(24)
    ]
    for readings, truth in (
        ([each.low_edge for each in found], float(f[inside[0]])),
        ([each.high_edge for each in found], float(f[inside[-1]])),
    ):
        error = np.array([reading.value - truth for reading in readings])
        doubt = np.array([reading.uncertainty for reading in readings])
        assert np.sum(np.abs(error) < 2.0 * doubt) >= 19, (error, doubt)
        assert all("noise after the response" in reading.uncertainty_basis for reading in readings)
