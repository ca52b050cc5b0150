"""No test noticed a decay time without the correction for floor and tail."""

import numpy as np
import pytest

from measure.quantities.decay import BandDecay, decay_from_impulse


def test_floor_and_tail_are_corrected() -> None:
    """Random signs, whose truth is tight: over a floor, and cut off above any, T30 is the decay's own.

    Without the floor's subtraction, or without the tail, they are a per cent off and more.
    """
    rate, seconds = 48_000, 1.0
    rng = np.random.default_rng(11)
    n = round(2.0 * rate)
    h = rng.choice([-1.0, 1.0], n) * 10.0 ** (-3.0 * np.arange(n) / rate / seconds)
    noisy = h + 10.0 ** (-48.0 / 20.0) * rng.choice([-1.0, 1.0], n)

    def read(response: np.ndarray) -> BandDecay:
        return decay_from_impulse(response, rate, bands="broadband").bands[0]

    assert read(noisy).t20.value == pytest.approx(seconds, rel=4e-3)
    assert read(noisy).t30.value == pytest.approx(seconds, rel=6e-3)
    # The tail is a tenth of the energy at the interval's end, and the fit knows it to a few per cent.
    assert read(h[: round(35.6 / 60.0 * rate)]).t20.value == pytest.approx(seconds, rel=8e-3)
    assert read(h[: round(45.6 / 60.0 * rate)]).t30.value == pytest.approx(seconds, rel=8e-3)
