"""Readings of octaves, held to exact decays and to the reading in numpy."""

import numpy as np
import pytest
import room_in_numpy

from tapeemu.dsp.kernels.octave_decay import (
    MOMENTS,
    READ_POINTS,
    fill_reading_frequencies,
    octave_reading,
    reading_points,
)

CENTRES = room_in_numpy.OCTAVES_HZ


@pytest.mark.parametrize("rate", [8_000.0, 48_000.0, 384_000.0])
def test_readings_are_those_of_numpy(rate, rng):
    usable = CENTRES[0.45 * rate >= CENTRES]
    count = reading_points(usable[0], usable[-1], rate)
    assert count <= READ_POINTS
    frequencies = np.empty(count)
    fill_reading_frequencies(usable[0], usable[-1], rate, frequencies)
    np.testing.assert_allclose(frequencies, room_in_numpy.reading_frequencies(usable, rate), rtol=1e-13)
    for _ in range(10):
        logs = np.interp(np.log(frequencies), np.log(CENTRES), np.cumsum(rng.uniform(-1.0, 1.0, 9)) * np.log(2.5))
        seconds = np.exp(logs)
        expected = room_in_numpy.octave_readings(frequencies, seconds, usable)
        found = [octave_reading(centre, frequencies, seconds, np.empty(MOMENTS)) for centre in usable]
        np.testing.assert_allclose(found, expected, rtol=1e-10)


def test_a_decay_that_is_alike_everywhere_is_read_as_it_is():
    frequencies = room_in_numpy.reading_frequencies(CENTRES, 48_000.0)
    for seconds in (0.05, 1.0, 60.0):
        read = octave_reading(1000.0, frequencies, np.full(frequencies.size, seconds), np.empty(MOMENTS))
        assert read == pytest.approx(seconds, rel=1e-6)
