"""A wander of 2e-313 us settled in a subnormal number of samples; one over it is infinite: read at NaN."""

import numpy as np
import pytest

from tapeemu import WowFlutter


@pytest.mark.parametrize("wander_us", [5e-324, 2e-313, 1e-308, 1e-300])
@pytest.mark.parametrize("seed", [0, 5])
def test_least_wander_sounds_like_none(wander_us, seed, rng):
    audio = rng.uniform(-1.0, 1.0, (2, 3000))
    still = WowFlutter(seed=seed, azimuth_wander_us=0.0)(audio, sample_rate=48_000)
    moving = WowFlutter(seed=seed, azimuth_wander_us=wander_us)(audio, sample_rate=48_000)
    np.testing.assert_allclose(moving, still, rtol=0.0, atol=1e-12)
