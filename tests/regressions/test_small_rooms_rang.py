"""Small rooms with a long decay rang: the late tail's level scattered over frequency by 14.7 to 23.8 dB, noise
by 5.5.
"""

import pytest
from reverb_readings import roughness_db

from tapeemu.processors.fdn_reverb import FdnReverb

FLAT = {"low_decay_ratio": 1.0, "high_decay_ratio": 1.0}


@pytest.mark.parametrize("modulation", [{}, {"modulation_percent": 0.0}], ids=["default", "no modulation set"])
@pytest.mark.parametrize(
    ("decay", "size", "lines"),
    [(2.4, 10.0, 16), (2.4, 25.0, 16), (2.4, 100.0, 16), (1.0, 10.0, 8), (8.0, 10.0, 8), (20.0, 400.0, 8)],
)
def test_late_tails_are_smooth_at_any_size(decay, size, lines, modulation):
    # the requirement: 7 dB; a still network of 25 % and 2.4 s has 20 dB here
    reverb = FdnReverb(decay_seconds=decay, size_percent=size, lines=lines, **FLAT, **modulation)
    assert roughness_db(reverb, 16_000) < 7.0
