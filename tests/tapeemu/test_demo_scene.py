"""Stems of the demonstration: silent at their ends, below full scale, and spread over both sides."""

import numpy as np
import pytest

from tapeemu.demo_scene import STEMS, make_stem


@pytest.mark.parametrize("name", STEMS)
def test_a_stem_begins_and_ends_in_silence_below_full_scale(name: str) -> None:
    stem = make_stem(name, sample_rate=24_000)
    assert stem.shape[0] == 2
    assert not np.any(stem[:, 0])
    assert 0.05 < np.max(np.abs(stem)) < 1.0
    assert np.max(np.abs(stem[:, -10:])) < 0.02 * np.max(np.abs(stem))


@pytest.mark.parametrize("name", STEMS)
def test_a_stem_is_the_same_each_time(name: str) -> None:
    """So that a demonstration knows what an earlier one made."""
    assert np.array_equal(*(make_stem(name, sample_rate=2_000) for _ in range(2)))


def test_many_voices_lie_on_both_sides() -> None:
    """24 voices at places drawn at random: neither side is 4 dB louder, and the sides differ."""
    left, right = make_stem("water", sample_rate=24_000)
    assert abs(10.0 * np.log10(np.mean(left**2) / np.mean(right**2))) < 4.0
    assert abs(np.corrcoef(left, right)[0, 1]) < 0.9
