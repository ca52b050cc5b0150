"""The kernels of wow and flutter as the C library uses them: any blocks, in place, anywhere on the tape."""

from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest

from tapeemu.dsp import trajectory
from tapeemu.dsp.kernels import amplitude_flutter, trajectories, wow_flutter
from tapeemu.dsp.tape_position import Purpose
from tapeemu.processors.wow_flutter import WowFlutter

RATE = 48_000.0
CASES = {
    "default": {},
    "worn, 48 taps": {"profile": "worn", "reader_taps": 48},
    "azimuth": {"azimuth_skew_us": 30.0, "azimuth_wander_us": 40.0},
    "fast": {"speed_error_percent": 2.7, "scrape_percent": 0.05},
    "slow": {"speed_error_percent": -2.9, "azimuth_skew_us": -100.0},
    "still": {"weighted_flutter_percent": 0.0},
}


def stream(case, channels=2, start=0):
    return WowFlutter(**CASES[case], seed=3).stream(sample_rate=RATE, channels=channels, start_sample=start)


def test_numbers_that_are_written_twice_are_the_same() -> None:
    assert trajectory.SEGMENT == trajectories.SEGMENT
    assert wow_flutter.ROTATING_PART == Purpose.ROTATING_PART
    assert wow_flutter.FLUTTER == Purpose.FLUTTER
    assert wow_flutter.SCRAPE == Purpose.SCRAPE
    assert wow_flutter.AZIMUTH == Purpose.AZIMUTH
    assert amplitude_flutter.SEGMENT == trajectories.SEGMENT


@pytest.mark.parametrize("percent", [2.7, -2.9, 0.01, 2.0, 2.4])
def test_what_can_be_made_is_what_lies_in_the_input(percent) -> None:
    """Output sample m reads at m times the ratio of speeds: as many as have their place in what is in.

    At 2 % the places of every fiftieth sample lie behind a whole number by less than a division shows.
    """
    ratio = Fraction(1.0 + percent / 100.0)
    made = WowFlutter(speed_error_percent=percent, seed=3).stream(sample_rate=RATE, channels=1)
    for fed in [*range(1, 400), 10 * 3_600 * 48_000 + 7]:
        count = int(wow_flutter.countable(made.memory, np.int64(fed)))
        assert count == int(fed / ratio), fed


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("start", [0, -70_001, 10 * 3_600 * 48_000 + 7])
def test_blocks_of_any_length_give_the_same_bits(case, start, rng):
    audio = rng.standard_normal((3, 20_000))
    whole = stream(case, 3, start).advance(audio)
    one_by_one = stream(case, 3, start)
    cuts = [0, 1, 2, 66, 130, 4_000, 4_000, 4_001, 9_999, 20_000]
    pieces = [one_by_one.advance(np.ascontiguousarray(audio[:, a:b])) for a, b in pairwise(cuts)]
    np.testing.assert_array_equal(np.concatenate(pieces, axis=1), whole)


@pytest.mark.parametrize("case", ["default", "azimuth", "still"])
def test_a_block_may_be_overwritten_by_its_output(case, rng):
    audio = rng.standard_normal((2, 9_000))
    expected = stream(case).advance(audio)
    made = stream(case)
    block = audio.copy()
    assert wow_flutter.wow_flutter_process(made.memory, block, block) == 9_000
    np.testing.assert_array_equal(block, expected)


@pytest.mark.parametrize("case", CASES)
def test_a_stream_that_went_elsewhere_sounds_as_one_made_there(case, rng):
    audio = rng.standard_normal((2, 6_000))
    place = 5_000_000_011
    moved = WowFlutter(**CASES[case], seed=3).stream(sample_rate=RATE, channels=2)
    moved.advance(audio)
    moved.seek(place)
    np.testing.assert_array_equal(moved.advance(audio), stream(case, 2, place).advance(audio))


@pytest.mark.parametrize("percent", [-3.0, -0.7, 1e-9, 0.123456789, 3.0])
@pytest.mark.parametrize("start", [0, -1, 123_456_789_012])
def test_a_wrong_speed_reads_where_whole_numbers_say(percent, start):
    """A sine is read at its place, to 1e-5 of a sample; the place in Python's fractions, which are exact."""
    made = WowFlutter(weighted_flutter_percent=0.0, speed_error_percent=percent).stream(
        sample_rate=RATE, channels=1, start_sample=start
    )
    samples = 30_000
    out = made.advance(np.sin(0.4 * np.pi * np.arange(samples))[None])[0]
    ratio = Fraction(1.0 + percent / 100.0)
    first = (round(start / ratio) - made.latency) * ratio - start
    places = np.array([float(first + n * ratio) for n in range(out.size)])
    inside = (places > 100.0) & (places < samples - 100.0)
    assert np.count_nonzero(inside) > 28_000
    np.testing.assert_allclose(out[inside], np.sin(0.4 * np.pi * places[inside]), atol=1.3e-5)
    assert out.size == samples // ratio
