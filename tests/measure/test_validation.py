"""Reasons why nothing can be read from a signal."""

import numpy as np

from measure.validation import unusable


def test_reasons_name_the_first_bad_sample():
    steady = 0.5 * np.sin(np.arange(48_000) * 0.1)
    assert "sample 77" in unusable(np.where(np.arange(48_000) == 77, np.nan, steady))
    assert unusable(steady) == ""
