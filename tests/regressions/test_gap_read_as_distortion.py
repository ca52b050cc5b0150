"""A gap of 20 ms in the tone changed its distortion (2.930 for 3.002 %) without a word."""

import numpy as np
import pytest
from distorted_tones import RATE, THIRD, TIME

from measure.quantities.distortion import harmonic_distortion


@pytest.mark.parametrize(
    "disturb",
    [
        lambda y: y * ~((TIME > 0.43) & (TIME < 0.45)),
        lambda y: y * ~((TIME > 0.43) & (TIME < 0.431)),
        lambda y: y + 3.0 * (np.arange(y.size) == 20_000),
        lambda y: np.concatenate([y[:20_000], y[20_517:]]),
        lambda y: y * np.where(TIME > 0.4, -1.0, 1.0),
    ],
    ids=["gap of 20 ms", "gap of 1 ms", "click", "splice", "flip"],
)
def test_what_interrupts_the_tone_is_left_out_and_named(disturb: object) -> None:
    """A gap of 20 ms read 2.930 for 3.002 %."""
    assert callable(disturb)
    reading = harmonic_distortion(disturb(THIRD), RATE).thd_f
    assert reading.value == pytest.approx(3.0, rel=1e-5)
    assert "left out" in reading.warnings[0]
