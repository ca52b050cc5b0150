"""No test noticed wow and flutter whose powers do not add up."""

import math

import pytest
from moving_tones import with_speed

from measure.quantities.flutter import flutter

FS = 16_000


SECONDS = 12


def test_powers_of_wow_and_flutter_add_up_at_their_limit() -> None:
    """A line where one gives way to the other counts in both, by complementary powers: half each at the limit."""
    for rate in (9.7, 10.0, 10.4):
        result = flutter(with_speed((rate, 0.1)), FS)
        together = math.hypot(result.wow["rms"].value, result.flutter["rms"].value)
        assert together == pytest.approx(0.1 / math.sqrt(2.0), rel=1e-4)
        assert result.wow["rms"].value > 0.01
        assert result.flutter["rms"].value > 0.01
        if rate == 10.0:
            assert result.wow["rms"].value == pytest.approx(result.flutter["rms"].value, rel=1e-4)
