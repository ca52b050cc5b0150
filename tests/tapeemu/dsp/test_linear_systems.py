"""Held to what a system is made of, and to numpy's own solver."""

import numpy as np
import pytest

from tapeemu.dsp.linear_systems import solve_in_order


@pytest.mark.parametrize("size", [1, 2, 9, 48])
def test_a_known_solution_is_found(size: int, rng: np.random.Generator) -> None:
    matrix = rng.standard_normal((size, size))
    wanted = rng.standard_normal((size, 5))
    right = matrix @ wanted
    before = matrix.copy(), right.copy()
    found = solve_in_order(matrix, right)
    np.testing.assert_allclose(found, wanted, rtol=1e-9, atol=1e-10)
    np.testing.assert_allclose(matrix @ found, right, rtol=0, atol=1e-12 * np.abs(right).max())
    np.testing.assert_array_equal((matrix, right)[0], before[0])
    np.testing.assert_array_equal((matrix, right)[1], before[1])


def test_a_zero_on_the_diagonal_is_passed_by() -> None:
    found = solve_in_order(np.array([[0.0, 2.0], [3.0, 0.0]]), np.array([[4.0], [9.0]]))
    np.testing.assert_array_equal(found, [[3.0], [2.0]])


def test_as_accurate_as_the_library_where_systems_are_nearly_singular() -> None:
    """The normal matrix of a band-limited reader; residuals, since solutions may differ."""
    offsets = np.arange(48)
    matrix = np.sinc(0.9 * (offsets[:, None] - offsets[None, :]))
    right = np.sinc(0.9 * (offsets[:, None] - 23.0 - np.arange(0.0, 1.0, 0.01)))
    ours = np.abs(matrix @ solve_in_order(matrix, right) - right).max()
    theirs = np.abs(matrix @ np.linalg.solve(matrix, right) - right).max()
    assert ours < 10.0 * theirs
