"""Small dense systems of linear equations, solved in a fixed order of operations.

Designs stand on them, so they work in double precision in every build. A matrix library adds in another order on
another machine; these give the same bits everywhere. Textbook methods.
"""

import math

from tapeemu.dsp.kernels.arrays import Precise, Precises1, Precises2
from tapeemu.dsp.kernels.compilation import kernel

__all__ = ["factorise", "factorise_rows", "fit", "solve", "solve_factorised", "solve_rows"]

_LEAST_DAMPING = 1e-14


@kernel()
def solve(matrix: Precises2, right: Precises2) -> None:
    """Solve ``matrix @ x = right`` by Gaussian elimination with partial pivoting.

    Parameters
    ----------
    matrix : ndarray, shape (n, n)
        Not singular; it is used up.
    right : ndarray, shape (n, columns)
        Right-hand sides; gets the solutions.
    """
    size = matrix.shape[0]
    columns = right.shape[1]
    for row in range(size):
        pivot = row
        largest = abs(matrix[row, row])
        for other in range(row + 1, size):
            if abs(matrix[other, row]) > largest:
                largest = abs(matrix[other, row])
                pivot = other
        if pivot != row:
            for k in range(row, size):
                held = matrix[row, k]
                matrix[row, k] = matrix[pivot, k]
                matrix[pivot, k] = held
            for k in range(columns):
                moved = right[row, k]
                right[row, k] = right[pivot, k]
                right[pivot, k] = moved
        for other in range(row + 1, size):
            factor = matrix[other, row] / matrix[row, row]
            for k in range(row + 1, size):
                matrix[other, k] -= factor * matrix[row, k]
            for k in range(columns):
                right[other, k] -= factor * right[row, k]
    for row in range(size - 1, -1, -1):
        for k in range(columns):
            total = right[row, k]
            for other in range(row + 1, size):
                total -= matrix[row, other] * right[other, k]
            right[row, k] = total / matrix[row, row]


@kernel()
def fit(matrix: Precises2, right: Precises1, damping: Precise, normal: Precises2, found: Precises1) -> None:
    """Least squares of ``matrix @ x = right`` by its normal equations, damped as Levenberg has it.

    The normal equations square the condition: for matrices of condition up to about 1e6, or steps that are
    iterated anyway.

    Parameters
    ----------
    matrix : ndarray, shape (rows or more, unknowns or more)
        Its first ``right.size`` rows and ``found.size`` columns count; at least as many rows as unknowns.
    right : ndarray, shape (rows,)
        Right-hand side.
    damping : float
        Added to the diagonal of the normal equations, in terms of its mean.
    normal : ndarray, shape (unknowns or more, unknowns or more)
        Scratch.
    found : ndarray, shape (unknowns,)
        Gets the solution.
    """
    size = found.size
    trace: Precise = 0.0
    for i in range(size):
        side: Precise = 0.0
        for k in range(right.size):
            side += matrix[k, i] * right[k]
        found[i] = side
        for j in range(i, size):
            total: Precise = 0.0
            for k in range(right.size):
                total += matrix[k, i] * matrix[k, j]
            normal[i, j] = total
            normal[j, i] = total
        trace += normal[i, i]
    raised = (damping + _LEAST_DAMPING) * (trace / size)
    for i in range(size):
        normal[i, i] += raised
    # Positive definite: no pivots are needed.
    for row in range(size):
        for other in range(row + 1, size):
            factor = normal[other, row] / normal[row, row]
            for k in range(row + 1, size):
                normal[other, k] -= factor * normal[row, k]
            found[other] -= factor * found[row]
    for row in range(size - 1, -1, -1):
        rest = found[row]
        for other in range(row + 1, size):
            rest -= normal[row, other] * found[other]
        found[row] = rest / normal[row, row]


@kernel()
def factorise(matrix: Precises2) -> None:
    """Take a symmetric positive definite matrix apart by Cholesky's method, for :func:`solve_factorised`.

    Parameters
    ----------
    matrix : ndarray, shape (n, n)
        Gets its factor, above the diagonal and, transposed, below it.
    """
    size = matrix.shape[0]
    for row in range(size):
        root = math.sqrt(matrix[row, row])
        for column in range(row, size):
            matrix[row, column] /= root
        for below in range(row + 1, size):
            factor = matrix[row, below]
            for column in range(below, size):
                matrix[below, column] -= factor * matrix[row, column]
    for row in range(size):
        for column in range(row + 1, size):
            matrix[column, row] = matrix[row, column]


@kernel()
def solve_factorised(matrix: Precises2, side: Precises1) -> None:
    """Solve ``a @ x = side`` for a matrix that :func:`factorise` has taken apart.

    Whole rows are taken off at once, which vectorises without another order of additions.

    Parameters
    ----------
    matrix : ndarray, shape (n, n)
        The factor.
    side : ndarray, shape (n,)
        Right-hand side; gets the solution.
    """
    size = side.size
    for row in range(size):
        known = side[row] / matrix[row, row]
        side[row] = known
        for column in range(row + 1, size):
            side[column] -= known * matrix[row, column]
    for row in range(size - 1, -1, -1):
        value = side[row] / matrix[row, row]
        side[row] = value
        for column in range(row):
            side[column] -= value * matrix[row, column]


@kernel()
def factorise_rows(size: int, factor: Precises1) -> None:
    """Take a symmetric positive definite matrix apart by Cholesky's method, for :func:`solve_rows`.

    For designs that have one flat array to work in.

    Parameters
    ----------
    size : int
        Unknowns.
    factor : ndarray, shape (size**2 or more,)
        The matrix, row behind row, of which the lower triangle is read; gets the factor there, and on its diagonal
        one over that of the factor.
    """
    for row in range(size):
        for column in range(row + 1):
            rest = factor[row * size + column]
            for k in range(column):
                rest = rest - factor[row * size + k] * factor[column * size + k]
            if row == column:
                factor[row * size + row] = 1.0 / math.sqrt(rest)
            else:
                factor[row * size + column] = rest * factor[column * size + column]


@kernel()
def solve_rows(size: int, factor: Precises1, side: Precises1) -> None:
    """Solve ``a @ x = side`` for a matrix that :func:`factorise_rows` has taken apart.

    Parameters
    ----------
    size : int
        Unknowns.
    factor : ndarray, shape (size**2 or more,)
        The factor.
    side : ndarray, shape (size or more,)
        Right-hand side; gets the solution.
    """
    for row in range(size):
        rest = side[row]
        for before in range(row):
            rest = rest - factor[row * size + before] * side[before]
        side[row] = rest * factor[row * size + row]
    for back in range(size):
        here = size - 1 - back
        rest = side[here]
        for after in range(here + 1, size):
            rest = rest - factor[after * size + here] * side[after]
        side[here] = rest * factor[here * size + here]
