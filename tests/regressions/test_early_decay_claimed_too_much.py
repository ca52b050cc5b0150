"""The uncertainty of EDT was 30 % too small."""

import math

import numpy as np
import pytest
from scipy.integrate import dblquad

from measure.parts.decay_doubt import integrated_sigma, response_scatter
from measure.parts.decay_model import NEPERS, DecayModel

INTERVALS = {"EDT": (0.0, 10.0), "T20": (5.0, 25.0), "T30": (5.0, 35.0)}


def exponential(seconds: float, floor: float = 0.0) -> DecayModel:
    return DecayModel(
        powers=np.array([1.0]),
        rates=np.array([NEPERS / seconds]),
        floor=floor,
        cap=1e-9,
        rate_sigma=np.array([0.0]),
        log_likelihood=0.0,
    )


@pytest.mark.parametrize("name", INTERVALS)
def test_the_closed_form_of_an_integrated_decay(name: str) -> None:
    """The energy still to come has relative variance k / 2B and correlation exp(-k |t|); through a regression."""
    upper, lower = INTERVALS[name]
    nepers = (lower - upper) * math.log(10.0) / 10.0
    whole = dblquad(
        lambda v, u: 2.0 * u * v * math.exp(-nepers * (u - v)), -0.5, 0.5, lambda _: -0.5, lambda u: u
    )[0]
    expected = math.sqrt(72.0 * NEPERS * whole) / nepers  # times 1 / sqrt(B T)
    # Printed in ISO 3382-2 (from memory) after Davy, Dunn and Dubout, 1979.
    printed = {"T20": 0.88, "T30": 0.55}.get(name, expected)
    assert expected == pytest.approx(printed, rel=5e-3)
    seconds, bandwidth = 1.3, 700.0
    t = np.arange(0.0, 3.0 * seconds, 2e-4)
    model = exponential(seconds)
    slope = integrated_sigma(
        t,
        model.remaining(t),
        (upper * seconds / 60.0, lower * seconds / 60.0),
        model,
        0.0,
        bandwidth,
        0.0,
    )
    assert slope * seconds / 60.0 * math.sqrt(bandwidth * seconds) == pytest.approx(expected, rel=3e-3)
    assert response_scatter(nepers, bandwidth, seconds) * math.sqrt(bandwidth * seconds) == pytest.approx(
        expected, rel=1e-9
    )
