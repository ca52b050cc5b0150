"""A start at 1e300 s ended in an internal error, and one at NaN in another when orders were compared."""

import math

import numpy as np
import pytest

from tapeemu import FdnReverb, PreampDrive
from tapeemu.chain import Chain
from tapeemu.comparison import compare
from tapeemu.errors import ParameterError
from tapeemu.rendering.job import Job
from tapeemu.validation import check_start_seconds

NO_PLACES = [math.nan, math.inf, -math.inf, 1e300, -1e300, 1.1e9]


@pytest.mark.parametrize("seconds", NO_PLACES)
def test_a_place_beyond_any_tape_is_refused(seconds: float) -> None:
    with pytest.raises(ParameterError, match="start_seconds is"):
        Job(chain=Chain(), start_seconds=seconds).tape()
    with pytest.raises(ParameterError, match="start_seconds is"):
        compare(
            np.zeros(1000), Chain(stages=[FdnReverb(), PreampDrive()]), sample_rate=48_000, start_seconds=seconds
        )


def test_places_within_are_counted_to_the_sample() -> None:
    for seconds in (0.0, -5.0, 1e9, -1e9):
        assert check_start_seconds(seconds) == seconds
    assert float(round(1e9 * 384_000)) == 1e9 * 384_000 < 2**53
