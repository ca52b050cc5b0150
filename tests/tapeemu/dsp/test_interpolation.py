"""The reader against the exact answer for sines, known on paper (protocol: 0.3 % wow at 1 Hz + 0.1 % at 10 Hz)."""

import numpy as np
import pytest
from interpolated import TABLES, places_for, read

from tapeemu.dsp.kernels.interpolation import locate
from tapeemu.dsp.kernels.reader_table import CELLS

RATE = 48_000
BAND_EDGE = {32: 19.0 / 48.0, 48: 20.4 / 48.0}


def judged(taps):
    """The same least squares by another's solver."""
    offsets = np.arange(taps) - (taps // 2 - 1)
    normal = np.sinc(2.0 * BAND_EDGE[taps] * (offsets[:, None] - offsets[None, :]))
    wanted = np.sinc(2.0 * BAND_EDGE[taps] * (offsets[:, None] - np.arange(CELLS + 1) / CELLS))
    return np.linalg.solve(normal, wanted).T


@pytest.mark.parametrize("taps", [32, 48])
def test_taps_are_those_of_another_solver(taps):
    """The equations are nearly singular beyond the band edge: compared is what the taps do up to it."""
    frequencies = np.linspace(0.0, BAND_EDGE[taps], 200)
    offsets = np.arange(taps) - (taps // 2 - 1)
    waves = np.exp(2j * np.pi * frequencies[:, None] * offsets)
    ours, theirs = waves @ TABLES[taps][1:CELLS].T, waves @ judged(taps)[1:CELLS].T
    # One over the least eigenvalue of the equations times the last bit.
    assert np.max(np.abs(ours - theirs)) < {32: 1.4e-8, 48: 7e-8}[taps]
    np.testing.assert_allclose(TABLES[taps][1:CELLS], judged(taps)[1:CELLS], atol=2e-6)
    wanted = np.exp(2j * np.pi * frequencies[:, None] * np.arange(1, CELLS) / CELLS)
    # In the mean over the band, which is what is minimised, 100 dB below.
    assert np.max(np.mean(np.abs(ours - wanted) ** 2, axis=0)) < 1e-10


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
    delays = np.array([[9.0, -0.25, 1.0, -2.75], [9.0, 0.5, 0.25, 1.0]])
    places = places_for(3)
    locate(delays, 2.0, 0.5, 0.25, 4.0, 1, 3, places)
    wanted = 0.5 + 1.25 * np.arange(1, 4) - (delays[0] + 2.0 * delays[1])[1:]
    np.testing.assert_array_equal(places.left, np.floor(wanted))
    np.testing.assert_allclose(places.left + (places.row + places.between) / 4.0, wanted, atol=1e-15)
    assert np.all((places.between >= 0.0) & (places.between < 1.0))
