"""The reader against the exact answer for sines, known on paper (protocol: 0.3 % wow at 1 Hz + 0.1 % at 10 Hz)."""

import numpy as np
import pytest
from interpolated import read

from tapeemu.dsp.interpolation import make_reader

RATE = 48_000


def wobbling_delay(samples):
    t = np.arange(samples) / RATE
    wow = 0.003 * RATE / (2 * np.pi) * np.sin(2 * np.pi * t)
    return -400.0 + wow + 0.001 * RATE / (20 * np.pi) * np.sin(20 * np.pi * t)


@pytest.mark.parametrize(
    ("taps", "frequency"),
    [(32, f) for f in (50, 1_000, 5_000, 10_000, 15_000, 17_000, 18_000)]
    + [(48, f) for f in (50, 5_000, 10_000, 15_000, 18_000, 19_000, 20_000)],
)
def test_error_is_100_db_below_a_sine(taps, frequency):
    delays = wobbling_delay(RATE)
    turn = 2 * np.pi * frequency / RATE
    line = np.sin(turn * np.arange(RATE + 800) + 0.3)
    got = read(np.stack([line, -line]), delays, taps)
    exact = np.sin(turn * (np.arange(RATE) - delays) + 0.3)
    error = 10 * np.log10(np.mean((got[0] - exact) ** 2) / np.mean(exact**2))
    assert error <= -100.0
    np.testing.assert_array_equal(got[1], -got[0])


@pytest.mark.parametrize("taps", [32, 48])
def test_whole_delays_copy_samples(taps, rng):
    line = rng.standard_normal((2, 200))
    got = read(line, np.full(40, -60.0), taps)
    np.testing.assert_array_equal(got, line[:, 60:100])


def test_places_add_start_slope_and_delay():
    from tapeemu.dsp.kernels.interpolation import Places, locate

    delays = np.array([-0.25, 1.0, -2.75])
    left, row = np.empty((2, 3), dtype=np.int32)
    between = np.empty(3, dtype=np.float32)
    locate(delays, 0.5, 0.25, 4.0, Places(left, row, between))
    places = 0.5 + 1.25 * np.arange(3) - delays
    np.testing.assert_array_equal(left, np.floor(places))
    np.testing.assert_allclose(left + (row + between) / 4.0, places, atol=1e-15)
    assert np.all((between >= 0.0) & (between < 1.0))


def test_table_is_aligned_for_wide_loads():
    for taps in (32, 48):
        assert make_reader(taps).table.ctypes.data % 64 == 0
