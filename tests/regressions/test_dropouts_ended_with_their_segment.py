"""No test noticed dropouts that end where their segment of tape ends."""

import numpy as np
import pytest

from tapeemu.dsp.trajectory import SEGMENT
from tapeemu.processors.amplitude_flutter import AmplitudeFlutter

RATE = 48_000


@pytest.mark.parametrize("start", [0, -3 * SEGMENT - 100])
def test_dropouts_run_on_from_one_segment_into_the_next(start):
    """The level over several segments, sample by sample: flat floors, raised-cosine edges."""
    flutter = AmplitudeFlutter(
        random_db=0.0, dropouts_per_minute=600.0, dropout_shortest_ms=20.0, dropout_longest_ms=200.0, seed=2
    )
    samples = 6 * SEGMENT
    seconds = (start + np.arange(samples)) / RATE
    depth = np.zeros(samples)
    crossing = 0
    for time, deep, length in flutter.dropouts(seconds[0] - 1.0, seconds[-1] + 1.0):
        away = np.abs(seconds - time) / (length * 1e-3)
        edge = 0.5 * (1.0 + np.cos(np.pi * np.clip((away - 0.25) / 0.5, 0.0, 1.0)))
        depth = np.maximum(depth, deep * edge)
        ends = [(time + sign * 0.75e-3 * length) * RATE // SEGMENT for sign in (-1, 1)]
        crossing += ends[0] != ends[1]
    assert crossing >= 2
    got = flutter.level_db(sample_rate=RATE, start_sample=start, samples=samples)
    np.testing.assert_allclose(got, -depth, atol=1e-6)
