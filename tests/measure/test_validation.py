"""Reasons why nothing can be read from a signal."""

import math

import numpy as np
import pytest

from measure.errors import MeasureError
from measure.validation import as_system, check_frequency, check_rate, check_signal, unusable


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


@pytest.mark.parametrize("rate", [True, "48000", None])
def test_a_rate_is_a_number(rate):
    with pytest.raises(MeasureError, match="must be a number of samples per second"):
        check_rate(rate)


def test_a_row_of_one_channel_is_that_channel():
    row = np.array([[0.25, -0.5]])
    assert check_signal(row).tolist() == [0.25, -0.5]
    assert check_signal(row, channels=True).shape == (1, 2)


def test_a_system_gets_its_rate_by_name_where_it_takes_none_by_place():
    def named(audio, *, sample_rate):
        return audio * sample_rate

    assert as_system(named)(np.ones(2), 3.0).tolist() == [3.0, 3.0]
    assert as_system(lambda audio, rate: audio * rate)(np.ones(2), 3.0).tolist() == [3.0, 3.0]


def test_a_system_may_be_compiled_and_without_a_signature_but_must_be_callable():
    import inspect

    compiled = max  # gives the larger of a number and the rate, and has no signature to be asked for
    with pytest.raises(ValueError, match="no signature"):
        inspect.signature(compiled)
    assert as_system(compiled)(np.float64(1.0), 3.0) == 3.0
    with pytest.raises(MeasureError, match=r"'hall' is not callable, but a system must be \(audio, sample_rate\)"):
        as_system("hall")
