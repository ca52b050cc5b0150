"""Octave bands of steep decays read long, for slower neighbours leak through an octave filter, and the meter's
uncertainty left the leakage out.
"""

import numpy as np
import pytest
from reverb_readings import by_band, reading_error
from sloping_decays import RATE, SLOPES, octaves

from measure.quantities.decay import decay_from_impulse
from tapeemu.processors.fdn_reverb import FdnReverb


@pytest.mark.parametrize(
    ("size", "lines", "rate"), [(10.0, 8, 8_000), (100.0, 16, 44_100), (400.0, 8, 48_000), (400.0, 16, 192_000)]
)
@pytest.mark.parametrize("step", [2.0, 0.5], ids=["rising", "falling"])
def test_octaves_read_slopes_of_two_to_one_within_two_percent(step, size, lines, rate, octave_t30):
    targets = tuple(step ** (np.arange(7) - 3.0))
    reverb = FdnReverb(decay_by_band_seconds=by_band(targets), size_percent=size, lines=lines)
    assert reading_error(reverb, targets, octave_t30, rate) < 0.02


def test_the_audits_case_for_other_noise() -> None:
    """8 kHz has 0.6 s; T30 and the fit read some 0.615 to 0.63 s at a hundredth of chance."""
    for seed in range(10, 13):
        band = decay_from_impulse(octaves(SLOPES["the audit's"], seed=seed, order=4), RATE).band(8_000.0)
        for reading in (band.edt, band.t20, band.t30, band.likelihood):
            assert abs(reading.value - 0.6) < 2.0 * reading.uncertainty, str(reading)
            assert reading.uncertainty < 0.15 * reading.value
