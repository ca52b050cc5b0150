"""Lengths, orders and laws of a room, against scipy, first principles and the design in numpy."""

import numpy as np
import pytest
import room_in_numpy
import scipy.linalg
from hypothesis import given, settings
from hypothesis import strategies as st
from rooms import plan_of

from tapeemu.dsp.kernels import room_layout
from tapeemu.processors.fdn_reverb import DecayByBand, FdnReverb

RATE = 48_000.0
BANDS_HZ = (63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000)


@pytest.mark.parametrize("lines", [8, 16, 32])
def test_mixings_are_orthogonal_and_differ(lines):
    plan = plan_of(FdnReverb(lines=lines, diffusion_percent=0.0), RATE, 2)
    hadamard = scipy.linalg.hadamard(lines)
    loop = plan.mixing_gains[:, None] * hadamard[plan.line_order] * plan.scale
    diffuser = plan.diffuser_gains[:, None] * hadamard[plan.diffuser_order] * np.sqrt(lines)
    for matrix in (loop, diffuser):
        np.testing.assert_allclose(matrix @ matrix.T, np.eye(lines), atol=1e-14)
    assert not np.array_equal(plan.line_order, plan.diffuser_order)
    assert not np.array_equal(plan.mixing_gains, np.sign(plan.diffuser_gains))
    assert abs(np.sum(plan.mixing_gains)) < lines


@pytest.mark.parametrize("lines", [8, 16, 32])
def test_kernel_mixes_with_the_hadamard_matrix(lines, rng):
    from tapeemu.dsp.kernels.network import mix

    rows = rng.standard_normal((lines, 64))
    expected = scipy.linalg.hadamard(lines) @ rows[:, :37]
    untouched = rows[:, 37:].copy()
    mix(rows, np.uint64(37))
    np.testing.assert_allclose(rows[:, :37], expected, atol=1e-12)
    np.testing.assert_array_equal(rows[:, 37:], untouched)


def primes_near(wanted: np.ndarray) -> np.ndarray:
    chosen = np.zeros(wanted.size, np.int64)
    for line, length in enumerate(wanted):
        chosen[line] = room_layout.nearest_free_prime(float(length), chosen, line)
    return chosen


def test_lines_are_distinct_primes_near_the_wanted_lengths(rng):
    for wanted in (
        np.concatenate([np.geomspace(100.0, 20_000.0, 24), np.full(8, 5_000.0)]),
        rng.uniform(2.0, 300.0, 32),
        rng.uniform(1e5, 1e6, 32),
        np.full(8, 2.0),
    ):
        np.testing.assert_array_equal(primes_near(wanted), room_in_numpy.prime_delays(wanted))
    np.testing.assert_array_equal(np.sort(primes_near(np.full(8, 2.0))), [2, 3, 5, 7, 11, 13, 17, 19])


@pytest.mark.parametrize(("lines", "size"), [(8, 10.0), (16, 100.0), (32, 400.0)])
def test_the_mean_line_is_as_long_as_the_law_says(lines, size):
    reverb = FdnReverb(lines=lines, size_percent=size)
    mean = room_in_numpy.mean_line_seconds(reverb.target_decay_seconds(), size / 100.0, lines)
    assert np.mean(plan_of(reverb, RATE, 1).line_delays) / RATE == pytest.approx(mean, abs=1e-3)
    delays = np.sort(plan_of(reverb, RATE, 1).line_delays)
    assert delays[-1] / delays[0] == pytest.approx(6.0, rel=0.15)


def test_orders_are_permutations_and_every_place_gets_every_entry():
    counts = np.zeros((8, 8))
    for seed in range(4_000):
        order = np.arange(8)
        room_layout.draw_order(np.uint64(seed), order)
        counts[np.arange(8), order] += 1
    # mean 500, standard deviation 21
    assert np.all(np.abs(counts - 500.0) < 5.0 * 21.0)
    assert np.all(counts.sum(axis=0) == 4_000)


def test_scattered_delays_fill_every_part_of_the_span_once():
    delays = np.zeros(16, np.int64)
    room_layout.draw_scatter(np.uint64(5), 1_600.0, delays)
    np.testing.assert_array_equal(np.sort(delays // 100), np.arange(16))
    room_layout.draw_scatter(np.uint64(5), 0.0, delays)
    np.testing.assert_array_equal(delays, np.zeros(16))


@settings(max_examples=50, deadline=None)
@given(
    decay=st.one_of(st.none(), st.floats(0.2, 20.0)),
    logs=st.lists(st.one_of(st.none(), st.floats(-0.45, 0.45)), min_size=9, max_size=9),
)
def test_tables_are_filled_in_and_scaled_as_validation_has_it(decay, logs):
    values = {
        f"at_{hz}_hz_seconds": float(np.exp(x)) for hz, x in zip(BANDS_HZ, logs, strict=True) if x is not None
    }
    if not values:
        return
    table = DecayByBand(**values)
    expected = table.seconds()
    if decay is not None:
        expected = expected * (decay / expected[4])
    reverb = FdnReverb(decay_by_band_seconds=table, decay_seconds=decay)
    np.testing.assert_allclose(reverb.target_decay_seconds(), expected, rtol=1e-13)


@pytest.mark.parametrize(("low", "high"), [(1.1, 0.5), (1.0, 0.3), (0.5, 1.5), (2.0, 0.2)])
def test_ratios_give_the_law_of_two_shelves(low, high):
    reverb = FdnReverb(decay_seconds=3.0, low_decay_ratio=low, high_decay_ratio=high)
    expected = room_in_numpy.band_decay_seconds(3.0, low, high)
    np.testing.assert_allclose(reverb.target_decay_seconds(), expected, rtol=1e-12)


def test_angles_and_cells_follow_their_laws(rng):
    for _ in range(200):
        whole, decay = rng.uniform(0.05, 8.0), 10.0 ** rng.uniform(-1.0, 1.7)
        expected = room_in_numpy.needed_angle(whole, 16, np.array([decay]))
        assert room_layout.needed_angle(whole, 16, decay) == pytest.approx(expected, rel=1e-13, abs=1e-13)
        radians, part = 10.0 ** rng.uniform(-6.0, -2.0), 10.0 ** rng.uniform(-4.0, -0.7)
        cell, curved = room_in_numpy.cell(radians, part)
        assert room_layout.cell_samples(radians, part) == (-cell if curved else cell)
    assert room_layout.cell_samples(0.0, 0.01) == 256


def test_swings_stay_within_a_third_of_their_rate_and_are_exact_at_any_hour():
    from tapeemu.dsp.kernels.network import turn

    reverb = FdnReverb(modulation_percent=100.0, modulation_hz=5.0)
    plan = plan_of(reverb, RATE, 2)
    np.testing.assert_allclose(plan.rates[0], 5.0 / RATE, rtol=0.35)
    assert np.ptp(plan.rates[0]) > 1.0 / RATE
    network = reverb.stream(sample_rate=RATE, channels=2).memory.network
    from fractions import Fraction

    for place in (0, 7, -3, 36_000 * 48_000 + 5, 10**15):
        cosines, sines = np.empty(8), np.empty(8)
        turn(np.int64(place), network, cosines, sines)
        for pair in range(8):
            angle = 0.0
            for swing in range(2):
                turns = Fraction(int(network.rates[swing, pair]) * place + int(network.phases[swing, pair]), 2**64)
                angle += plan.depths[swing] * np.sin(2.0 * np.pi * float(turns % 1))
            assert cosines[pair] == pytest.approx(np.cos(angle), abs=1e-14)
            assert sines[pair] == pytest.approx(np.sin(angle), abs=1e-14)
