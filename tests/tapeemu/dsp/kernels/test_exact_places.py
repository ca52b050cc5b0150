"""Places against Python's own fractions, which are exact."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapeemu.dsp.kernels.exact_places import place_of, set_rate, turns_of


def words_of(rate_hz: float, sample_rate: float) -> np.ndarray:
    words = np.zeros(3, dtype=np.uint64)
    set_rate(rate_hz, sample_rate, words)
    return words


@settings(deadline=None)
@given(st.floats(0.0, 1e6), st.floats(8_000.0, 384_000.0))
def test_a_rate_is_divided_to_its_last_bit(rate_hz: float, sample_rate: float) -> None:
    whole, first, last = map(int, words_of(rate_hz, sample_rate))
    assert whole << 128 | first << 64 | last == Fraction(rate_hz) * 2**128 // Fraction(sample_rate)


@settings(deadline=None)
@given(
    st.floats(0.0, 1e6), st.sampled_from([8_000.0, 44_100.0, 48_000.0, 192_000.0]), st.integers(-(2**40), 2**40)
)
def test_places_are_exact_at_any_hour(rate_hz: float, sample_rate: float, sample: int) -> None:
    words = words_of(rate_hz, sample_rate)
    whole, fraction = place_of(np.int64(sample), words)
    assert turns_of(np.int64(sample), words) == fraction
    exact = Fraction(rate_hz) / Fraction(sample_rate) * sample
    assert 0.0 <= fraction < 1.0
    assert abs(int(whole) + Fraction(float(fraction)) - exact) < Fraction(1, 2**52)


@pytest.mark.parametrize("sample", [-(2**62), -3, -2, -1, 0, 1, 2**62])
def test_whole_rates_leave_no_fraction(sample: int) -> None:
    for rate, times in ((48_000.0, 1), (0.0, 0), (24_000.0, 0.5)):
        whole, fraction = place_of(np.int64(sample), words_of(rate, 48_000.0))
        assert whole + Fraction(fraction) == Fraction(times) * sample
