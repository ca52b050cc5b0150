"""`solve rt60=1.8` moved one band (4.03 / 2.85 / 1.80 / 2.84 / 2.05 s) instead of scaling the room."""

import numpy as np
import pytest

from tapeemu import Chain, FdnReverb
from tapeemu.presets.solving import solve
from tapeemu.processors.fdn_reverb import DecayByBand


def test_solving_for_one_decay_keeps_the_shape_of_the_room() -> None:
    """Ratios between octaves as before: exactly in the settings, and what was asked for as read by the bench."""
    table = dict(zip(DecayByBand.model_fields, (0.7, 0.9, 0.8, 0.75, 0.7, 0.6, 0.5, 0.4, 0.3), strict=True))
    room = FdnReverb(decay_by_band_seconds=DecayByBand(**table), lines=8)
    found = solve({"decay_500hz_seconds": 0.5}, start=Chain([room]))
    after = found.chain.stages[0].processor
    assert isinstance(after, FdnReverb)
    factors = after.target_decay_seconds() / room.target_decay_seconds()
    np.testing.assert_allclose(factors, factors[0], rtol=1e-9)
    # Said in one setting: the table stays as it stood in the file.
    assert after == room.replace(decay_seconds=after.decay_seconds)
    assert found.reached["decay_500hz_seconds"].value == pytest.approx(0.5, rel=0.01)
