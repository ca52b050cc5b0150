"""Maximum likelihood gave 1.351 +/- 0.007 s beside a T30 of 1.315 s without a word."""

import numpy as np
from made_decays import RATE, decay

from measure.quantities.decay import decay_from_impulse


def test_figures_that_disagree_say_so() -> None:
    """Two slopes that the fit of two does not resolve: one slope and T30 differ, and both say it.

    The drive of tanh makes the start slow; the regressions see it and the fit leaves it out.
    """
    band = decay_from_impulse(np.tanh(3.0 * decay()), RATE, bands="broadband").bands[0]
    assert any("T30 is" in warning for warning in band.likelihood.warnings)
    assert any("one slope fits" in warning for warning in band.t30.warnings)
    assert abs(band.likelihood.value - band.t30.value) <= 2.0 * band.likelihood.uncertainty
    for reading in (band.edt, band.t20):
        assert any("does not begin as it goes on" in warning for warning in reading.warnings)
