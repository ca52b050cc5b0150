"""Cholesky's method against scipy's."""

import numpy as np
import pytest
from scipy.linalg import cho_factor, cho_solve

from tapeemu.dsp.kernels.small_systems import factorise, factorise_rows, solve_factorised, solve_rows


@pytest.mark.parametrize("size", [1, 2, 7, 64])
def test_symmetric_systems_are_solved_by_their_factor(size: int, rng: np.random.Generator) -> None:
    root = rng.standard_normal((size, size + 3))
    matrix = root @ root.T
    matrix = 0.5 * (matrix + matrix.T)
    factor, side = matrix.copy(), rng.standard_normal(size)
    factorise(factor)
    np.testing.assert_allclose(np.triu(factor), np.triu(cho_factor(matrix)[0]), atol=1e-12 * size)
    wanted = cho_solve(cho_factor(matrix), side)
    solve_factorised(factor, side)
    np.testing.assert_allclose(side, wanted, rtol=1e-9, atol=1e-9 * np.max(np.abs(wanted)))


@pytest.mark.parametrize("size", [1, 2, 9, 48])
def test_systems_in_flat_memory_are_solved_as_the_library_does(size: int, rng: np.random.Generator) -> None:
    """Of the matrix the lower triangle alone is read."""
    square = rng.standard_normal((size, 2 * size))
    matrix, wanted = square @ square.T, rng.standard_normal(size)
    flat = np.full(size * size + 3, np.nan)
    flat[: size * size] = np.where(np.tri(size, dtype=bool), matrix, np.nan).ravel()
    factorise_rows(size, flat)
    factor = np.tril(flat[: size * size].reshape(size, size))
    np.fill_diagonal(factor, 1.0 / np.diagonal(factor))
    np.testing.assert_allclose(factor, np.linalg.cholesky(matrix), rtol=1e-9, atol=1e-12)
    side = np.append(matrix @ wanted, np.nan)
    solve_rows(size, flat, side)
    np.testing.assert_allclose(side[:size], wanted, rtol=1e-9, atol=1e-10)
