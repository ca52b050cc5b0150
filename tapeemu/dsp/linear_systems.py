"""Linear systems solved in a fixed order of operations.

The matrix library adds in another order on another number of threads, so what it solves differs in its last
bits between computers, and between one process and several. Tables that sound is made with are solved here.
"""

import numpy as np

from tapeemu.validation import FloatArray

__all__ = ["solve_in_order"]


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
