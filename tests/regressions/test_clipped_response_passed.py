"""A clipped response had decay times without a warning."""

import math

import numpy as np
import pytest
from made_decays import RATE, SECONDS, bands, decay

from measure.parts.decay_faults import examine

CLIPPED = {
    "both sides": np.clip(decay(), -0.5, 0.5),
    "one side": np.minimum(decay(), 0.7),
    "16 bits": np.round(np.clip(decay(), -1.0, 1.0) * 32767) / 32767,
    "a weak ceiling": np.clip(decay(), -2.0, 2.0),
    "with padding": np.concatenate([np.clip(decay(), -0.5, 0.5), np.zeros(RATE)]),
    "on an offset": np.clip(decay(), -0.5, 0.5) + 0.1,
}


@pytest.mark.parametrize("name", CLIPPED)
def test_clipping_is_named(name: str) -> None:
    for band in bands(CLIPPED[name]):
        assert math.isnan(band.edt.value)
        for reading in (band.edt, band.t20, band.t30, band.likelihood):
            assert any("clipped" in warning for warning in reading.warnings), str(reading)
            assert not reading.defined or reading.value == pytest.approx(SECONDS, abs=4.0 * reading.uncertainty)


def test_rounded_tops_are_not_clipped() -> None:
    """A slow wave in 16 bits stays on its highest step for some samples; a decay of signs never repeats."""
    t = np.arange(RATE) / RATE
    slow = np.cos(2.0 * np.pi * 50.0 * t) * 10.0 ** (-3.0 * t)
    signs = np.random.default_rng(1).choice([-1.0, 1.0], RATE) * 10.0 ** (-3.0 * t)
    for h in (np.round(slow * 32767) / 32767, signs, decay(), np.eye(1, RATE, 5)[0]):
        assert examine(h, RATE).clipped_until == -math.inf
