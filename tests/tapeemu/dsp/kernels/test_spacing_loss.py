"""Spacing filters against exp(-a w), the law they stand for."""

import numpy as np
import pytest
from scipy.linalg import lstsq

from tapeemu.dsp.kernels import spacing_loss as kernels
from tapeemu.dsp.kernels.spacing_loss import half_length, steepness_per_db


def spacing_table(lowest, highest, rate):
    """Taps for every steepness from `lowest` to `highest`, and the steepness between rows."""
    half = half_length(rate)
    rows = kernels.table_rows(lowest, highest, rate)
    step = kernels.table_step(lowest, highest, rows)
    scratch = kernels.SpacingScratch(
        matrix=np.zeros((half + 1, half + 1)),
        sides=np.zeros((kernels.ROWS_AT_ONCE, half + 1)),
        circle=np.zeros(4 * kernels.table_points(half)),
        cosines=np.zeros(2 * half + 1),
    )
    table = np.full((rows, 2 * half + 2), np.nan)
    kernels.design_table(lowest, step, rate, scratch, table)
    return table, step


def levels(taps, half, frequencies, rate):
    turn = 2 * np.pi * np.asarray(frequencies) / rate
    return 20 * np.log10(np.abs(np.exp(-1j * turn[:, None] * np.arange(taps.size)) @ taps))


def test_one_wavelength_loses_54_6_db():
    """Wallace 1951; 54.6 dB in the literature. At a distance of a wavelength the steepness is 2 pi over w."""
    for frequency, rate in ((1_000.0, 48_000.0), (12_345.0, 96_000.0)):
        wavelength_in_samples = rate / frequency
        assert wavelength_in_samples / steepness_per_db(frequency, rate) == pytest.approx(54.575, abs=1e-3)


@pytest.mark.parametrize("rate", [44_100.0, 48_000.0, 96_000.0, 192_000.0])
def test_db_are_proportional_to_frequency(rate):
    half = half_length(rate)
    per_db = steepness_per_db(10_000.0, rate)
    table, step = spacing_table(-2.0 * per_db, 20.0 * per_db, rate)
    frequencies = np.array([1_000.0, 1_500.0, 2_000.0, 4_000.0, 8_000.0, 10_000.0, 16_000.0, 19_000.0])
    for db in (-1.9, -0.7, 0.31, 1.0, 4.3, 12.0):
        place = (db + 2.0) * per_db / step
        row = int(place)
        taps = table[row] + (place - row) * (table[row + 1] - table[row])
        error = levels(taps, half, frequencies, rate) / (-db * frequencies / 10_000.0) - 1.0
        assert np.max(np.abs(error)) < (0.02 if abs(db) < 3.0 else 0.03)
        low = np.array([60.0, 250.0, 500.0])
        assert np.max(np.abs(levels(taps, half, low, rate) + db * low / 10_000.0)) < 0.01 * max(1.0, abs(db))


def test_taps_are_symmetric_and_pass_everything_at_no_distance():
    half = half_length(48_000.0)
    table, step = spacing_table(-0.1, 0.3, 48_000.0)
    assert table.shape[1] % 8 == 0
    np.testing.assert_allclose(table[:, : 2 * half + 1], table[:, 2 * half :: -1][:, : 2 * half + 1], atol=1e-15)
    np.testing.assert_array_equal(table[:, -1], 0.0)
    place = 0.1 / step
    flat = table[int(place)] + (place % 1.0) * (table[int(place) + 1] - table[int(place)])
    assert np.max(np.abs(levels(flat, half, np.linspace(20.0, 20_000.0, 200), 48_000.0))) < 0.01


def test_the_law_ends_at_20_khz():
    per_db = steepness_per_db(10_000.0, 192_000.0)
    table, _ = spacing_table(-1.0 * per_db, 1.0 * per_db, 192_000.0)
    got = levels(table[0], half_length(192_000.0), [30_000.0, 60_000.0, 90_000.0], 192_000.0)
    np.testing.assert_allclose(got, 2.0, atol=0.05)


@pytest.mark.parametrize(
    ("rate", "half", "lowest", "highest"),
    [(8_000.0, 63, -0.1, 0.4), (48_000.0, 63, -0.4, 2.5), (96_000.0, 127, -1.0, 6.0), (192_000.0, 255, -0.3, 0.3)],
)
def test_taps_are_those_of_a_library_that_factorises_the_fit(rate, half, lowest, highest) -> None:
    """scipy's least squares (singular values), on the same points and weights, written out once more."""
    end = min(np.pi, 2.0 * np.pi * 20_000.0 / rate)
    table, step = spacing_table(lowest, highest, rate)
    assert table.shape[1] == 2 * half + 2
    assert lowest + step * (table.shape[0] - 2) == pytest.approx(highest)
    angle = np.pi * (np.arange(8 * half) + 0.5) / (8 * half)
    weight = np.where(angle > 0.93 * np.pi, 0.02, 1.0) / (angle + 0.05)
    basis = np.cos(angle[:, None] * np.arange(half + 1)) * np.where(np.arange(half + 1), 2.0, 1.0)
    steepness = lowest + step * np.arange(table.shape[0])
    wanted = np.exp(-np.minimum(angle, end)[:, None] * steepness)
    taps = lstsq(basis * weight[:, None], wanted * weight[:, None], lapack_driver="gelsd")[0]
    np.testing.assert_allclose(table[:, half : 2 * half + 1], taps.T, atol=1e-9)


@pytest.mark.parametrize(
    ("rate", "half"), [(8_000.0, 63), (50_000.0, 63), (50_001.0, 127), (100_000.0, 127), (384_000.0, 511)]
)
def test_a_filter_lasts_as_long_at_every_rate(rate, half):
    assert half_length(rate) == half


def test_filters_along_a_table_are_those_between_its_rows(rng):
    """Against a sum written out, two channels at a time and one alone."""
    table, line = rng.standard_normal((4, 8)), rng.standard_normal((3, 40))
    places = np.array([0.0, 0.25, 1.0, 2.75, 1.5])
    out = np.zeros((3, 9))
    kernels.filter_pair(line, table, places, 20, 0, 2, 3, out)
    for sample, place in enumerate(places):
        row = int(place)
        taps = (1.0 - place % 1.0) * table[row] + place % 1.0 * table[row + 1]
        wanted = line[:, 20 + sample : 28 + sample] @ taps
        np.testing.assert_allclose(out[[0, 2], 3 + sample], wanted[[0, 2]], atol=1e-13)
    assert not out[1].any()
    assert not out[:, [0, 1, 2, 8]].any()
