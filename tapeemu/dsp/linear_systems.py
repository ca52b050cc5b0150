"""Linear systems solved in a fixed order of operations.

The matrix library adds in another order on another number of threads, so what it solves differs in its last
bits between computers, and between one process and several. Tables that sound is made with are solved here.
"""

import numpy as np

from tapeemu.validation import FloatArray

__all__ = ["fit_in_order", "solve_in_order"]


def solve_in_order(matrix: FloatArray, right: FloatArray) -> FloatArray:
    """Solve ``matrix @ x = right`` by Gaussian elimination with partial pivoting (textbook method).

    Parameters
    ----------
    matrix : ndarray, shape (n, n)
        Not singular.
    right : ndarray, shape (n, columns)
        Right-hand sides.

    Returns
    -------
    ndarray, shape (n, columns)
        The same bits whatever the number of threads.
    """
    size = len(matrix)
    work = np.concatenate([matrix, right], axis=1)
    for row in range(size):
        pivot = row + int(np.argmax(np.abs(work[row:, row])))
        work[[row, pivot]] = work[[pivot, row]]
        factors = work[row + 1 :, row] / work[row, row]
        work[row + 1 :, row:] -= factors[:, None] * work[row, row:]
    for row in reversed(range(size)):
        work[row, size:] /= work[row, row]
        work[:row, size:] -= work[:row, row, None] * work[row, size:]
    return work[:, size:]


def fit_in_order(matrices: FloatArray, right: FloatArray, *, damping: FloatArray | float = 0.0) -> FloatArray:
    """Least squares of many small systems at once, by their normal equations.

    Parameters
    ----------
    matrices : ndarray, shape (systems, rows, unknowns)
        At least as many rows as unknowns. The normal equations square the condition: for matrices of
        condition up to about 1e6, or steps that are iterated anyway.
    right : ndarray, shape (systems, rows)
        Right-hand sides.
    damping : float or ndarray of shape (systems,)
        Added to the diagonal of the normal equations, in terms of its mean (Levenberg).

    Returns
    -------
    ndarray, shape (systems, unknowns)
        The same bits whatever the number of threads.
    """
    unknowns = matrices.shape[2]
    normal = np.sum(matrices[:, :, :, None] * matrices[:, :, None, :], axis=1)
    sides = np.sum(matrices * right[:, :, None], axis=1)
    mean = np.trace(normal, axis1=1, axis2=2) / unknowns
    diagonal = np.arange(unknowns)
    normal[:, diagonal, diagonal] += ((np.broadcast_to(damping, mean.shape) + 1e-14) * mean)[:, None]
    work = np.concatenate([normal, sides[:, :, None]], axis=2)
    for row in range(unknowns):  # positive definite: no pivots are needed
        factors = work[:, row + 1 :, row] / work[:, None, row, row]
        work[:, row + 1 :, row:] -= factors[:, :, None] * work[:, None, row, row:]
    found = work[:, :, unknowns]
    for row in reversed(range(unknowns)):
        found[:, row] /= work[:, row, row]
        found[:, :row] -= work[:, :row, row] * found[:, None, row]
    return found
