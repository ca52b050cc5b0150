"""Cholesky's method against scipy's."""

import numpy as np
import pytest
from scipy.linalg import cho_factor, cho_solve

from tapeemu.dsp.kernels.small_systems import factorise, solve_factorised


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
