"""Orthogonality, and lengths of lines, against scipy and first principles."""

import numpy as np
import pytest
import scipy.linalg

from tapeemu.dsp.mixing_matrix import prime_delays, random_mixing, scattered_delays


@pytest.mark.parametrize("lines", [8, 16, 32])
def test_random_mixing_is_orthogonal(lines, rng):
    one, other = random_mixing(lines, rng), random_mixing(lines, rng)
    matrix = one.gains[:, None] * scipy.linalg.hadamard(lines)[one.order]
    np.testing.assert_allclose(matrix @ matrix.T, np.eye(lines), atol=1e-14)
    assert not np.array_equal(one.order, other.order)
    assert not np.array_equal(one.gains, other.gains)


@pytest.mark.parametrize("lines", [8, 16, 32])
def test_kernel_mixes_with_the_hadamard_matrix(lines, rng):
    from tapeemu.dsp.kernels.network import mix

    rows = rng.standard_normal((lines, 64))
    expected = scipy.linalg.hadamard(lines) @ rows[:, :37]
    untouched = rows[:, 37:].copy()
    mix(rows, np.uint64(37))
    np.testing.assert_allclose(rows[:, :37], expected, atol=1e-12)
    np.testing.assert_array_equal(rows[:, 37:], untouched)


def test_prime_delays_are_distinct_primes_near_the_wanted_lengths():
    wanted = np.concatenate([np.geomspace(100.0, 20_000.0, 24), np.full(8, 5_000.0)])
    chosen = prime_delays(wanted)
    assert len(set(chosen.tolist())) == wanted.size
    for length in chosen:  # by trial division
        assert all(length % factor for factor in range(2, int(np.sqrt(length)) + 1))
    assert np.max(np.abs(chosen - wanted)) < 60


def test_shortest_prime_delays_are_the_first_primes():
    np.testing.assert_array_equal(np.sort(prime_delays(np.full(8, 2.0))), [2, 3, 5, 7, 11, 13, 17, 19])


def test_scattered_delays_fill_every_part_of_the_span_once(rng):
    delays = scattered_delays(16, 1_600.0, rng)
    np.testing.assert_array_equal(np.sort(delays // 100), np.arange(16))
    np.testing.assert_array_equal(scattered_delays(16, 0.0, rng), np.zeros(16))
