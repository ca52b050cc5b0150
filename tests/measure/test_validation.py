"""Reasons why nothing can be read from a signal."""

import math

import numpy as np
import pytest

from measure.errors import MeasureError
from measure.validation import check_frequency, unusable


def test_reasons_name_the_first_bad_sample():
    steady = 0.5 * np.sin(np.arange(48_000) * 0.1)
    assert "sample 77" in unusable(np.where(np.arange(48_000) == 77, np.nan, steady))
    assert unusable(steady) == ""


def test_a_frequency_is_refused_outside_its_band_and_not_at_its_ends():
    for hz in (100.0, 19_200.0):
        check_frequency(hz, 48_000.0, lowest_hz=100.0, highest_share=0.4)
    for hz in (99.9, 19_200.1, math.nan):
        with pytest.raises(MeasureError, match=r"must lie between 100 and 19200 Hz \(0.4 of the rate\)"):
            check_frequency(hz, 48_000.0, lowest_hz=100.0, highest_share=0.4)


@pytest.mark.parametrize(("peak", "reason"), [(0.9e9, ""), (1.1e9, "peaks at 1.1e+09, far beyond full scale")])
def test_a_recording_far_beyond_full_scale_is_none(peak, reason):
    found = unusable(peak * np.sin(0.5 * np.pi * np.arange(4_800)))
    assert found.endswith(reason)
    assert bool(found) == bool(reason)
