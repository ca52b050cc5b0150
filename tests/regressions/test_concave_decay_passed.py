"""Decays that fall ever faster, by a knee or a gate, had decay times without a warning."""

import numpy as np
import pytest
from made_decays import RATE, SECONDS, bands, decay, noise


@pytest.mark.parametrize(
    ("at_db", "faster"),
    [(-15.0, 0.6), (-25.0, 0.3), (-32.0, 0.3)],
)
def test_a_knee_downwards_is_named(at_db: float, faster: float) -> None:
    """From so many dB down the decay goes on in `faster` seconds."""
    t = np.arange(3 * RATE) / RATE
    bend = -at_db / 60.0 * SECONDS
    h = decay() * np.where(t < bend, 1.0, 10.0 ** (-3.0 * (t - bend) * (1.0 / faster - 1.0 / SECONDS)))
    for band in bands(h + noise(len(h), -90.0)):
        assert not band.t30.defined or band.t30.warnings
        assert not band.likelihood.defined or band.likelihood.warnings


def test_a_parabola_is_named() -> None:
    t = np.arange(3 * RATE) / RATE
    for band in bands(decay(seed=3) * 10.0 ** (-(t**2)) + noise(3 * RATE, -90.0)):
        assert any("ever faster" in warning for warning in band.t30.warnings)
