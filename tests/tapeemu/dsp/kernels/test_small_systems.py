"""Held to what a system is made of, and to numpy's own solver."""

import numpy as np
import pytest

from tapeemu.dsp.kernels.small_systems import fit, solve


@pytest.mark.parametrize("size", [1, 2, 9, 48])
def test_a_known_solution_is_found(size: int, rng: np.random.Generator) -> None:
    matrix = rng.standard_normal((size, size))
    wanted = rng.standard_normal((size, 5))
    right = matrix @ wanted
    solve(matrix.copy(), right)
    np.testing.assert_allclose(right, wanted, rtol=1e-9, atol=1e-10)


def test_a_zero_on_the_diagonal_is_passed_by() -> None:
    right = np.array([[4.0], [9.0]])
    solve(np.array([[0.0, 2.0], [3.0, 0.0]]), right)
    np.testing.assert_array_equal(right, [[3.0], [2.0]])


def test_as_accurate_as_the_library_where_systems_are_nearly_singular() -> None:
    """The normal matrix of a band-limited reader; residuals, since solutions may differ."""
    offsets = np.arange(48)
    matrix = np.sinc(0.9 * (offsets[:, None] - offsets[None, :]))
    right = np.sinc(0.9 * (offsets[:, None] - 23.0 - np.arange(0.0, 1.0, 0.01)))
    found = right.copy()
    solve(matrix.copy(), found)
    ours = np.abs(matrix @ found - right).max()
    theirs = np.abs(matrix @ np.linalg.solve(matrix, right) - right).max()
    assert ours < 10.0 * theirs


@pytest.mark.parametrize("damping", [0.0, 0.1, 10.0])
def test_fits_are_those_of_the_library(damping: float, rng: np.random.Generator) -> None:
    matrix, right, found = rng.standard_normal((9, 4)), rng.standard_normal(9), np.zeros(4)
    # A part of larger memory, as designs have it.
    held, normal = np.full((9, 9), np.nan), np.full((9, 9), np.nan)
    held[:, :4] = matrix
    fit(held, right, damping, normal, found)
    square = matrix.T @ matrix
    square += damping * np.trace(square) / 4.0 * np.eye(4)
    np.testing.assert_allclose(found, np.linalg.solve(square, matrix.T @ right), rtol=1e-9)
