/* Generated from small_systems.py (ad4fc3abfae04d2f); do not edit. SPDX-License-Identifier: ISC */

/*
 * Small dense systems of linear equations, solved in a fixed order of operations.
 *
 * Designs stand on them, so they work in double precision in every build. A matrix library adds in another order on
 * another machine; these give the same bits everywhere. Textbook methods.
 */

#include "small_systems.h"

#define SMALL_SYSTEMS_LEAST_DAMPING REAL(0x1.6849b86a12b9bp-47)

/*
 * Solve ``matrix @ x = right`` by Gaussian elimination with partial pivoting.
 *
 * Parameters
 * ----------
 * matrix : ndarray, shape (n, n)
 *     Not singular; it is used up.
 * right : ndarray, shape (n, columns)
 *     Right-hand sides; gets the solutions.
 */
KERNEL void small_systems_solve(doubles_2 matrix, doubles_2 right)
{
    const ix size = matrix.n0;
    const ix columns = right.n1;
    for (ix row = 0; row < size; row++) {
        ix pivot = row;
        double largest = magnitude_double(matrix.at[row * matrix.n1 + row]);
        for (ix other = row + 1; other < size; other++) {
            if (magnitude_double(matrix.at[other * matrix.n1 + row]) > largest) {
                largest = magnitude_double(matrix.at[other * matrix.n1 + row]);
                pivot = other;
            }
        }
        if (pivot != row) {
            for (ix k = row; k < size; k++) {
                const double held = matrix.at[row * matrix.n1 + k];
                matrix.at[row * matrix.n1 + k] = matrix.at[pivot * matrix.n1 + k];
                matrix.at[pivot * matrix.n1 + k] = held;
            }
            for (ix k = 0; k < columns; k++) {
                const double moved = right.at[row * right.n1 + k];
                right.at[row * right.n1 + k] = right.at[pivot * right.n1 + k];
                right.at[pivot * right.n1 + k] = moved;
            }
        }
        for (ix other = row + 1; other < size; other++) {
            const double factor = matrix.at[other * matrix.n1 + row] / matrix.at[row * matrix.n1 + row];
            for (ix k = row + 1; k < size; k++) {
                matrix.at[other * matrix.n1 + k] -= factor * matrix.at[row * matrix.n1 + k];
            }
            for (ix k = 0; k < columns; k++) {
                right.at[other * right.n1 + k] -= factor * right.at[row * right.n1 + k];
            }
        }
    }
    for (ix row = size - 1; row > -1; row -= 1) {
        for (ix k = 0; k < columns; k++) {
            double total = right.at[row * right.n1 + k];
            for (ix other = row + 1; other < size; other++) {
                total -= matrix.at[row * matrix.n1 + other] * right.at[other * right.n1 + k];
            }
            right.at[row * right.n1 + k] = total / matrix.at[row * matrix.n1 + row];
        }
    }
}

/*
 * Least squares of ``matrix @ x = right`` by its normal equations, damped as Levenberg has it.
 *
 * The normal equations square the condition: for matrices of condition up to about 1e6, or steps that are
 * iterated anyway.
 *
 * Parameters
 * ----------
 * matrix : ndarray, shape (rows or more, unknowns or more)
 *     Its first ``right.size`` rows and ``found.size`` columns count; at least as many rows as unknowns.
 * right : ndarray, shape (rows,)
 *     Right-hand side.
 * damping : float
 *     Added to the diagonal of the normal equations, in terms of its mean.
 * normal : ndarray, shape (unknowns or more, unknowns or more)
 *     Scratch.
 * found : ndarray, shape (unknowns,)
 *     Gets the solution.
 */
KERNEL void small_systems_fit(doubles_2 matrix, doubles_1 right, double damping, doubles_2 normal, doubles_1
    found)
{
    const ix size = found.n0;
    double trace = 0.0;
    for (ix i = 0; i < size; i++) {
        double side = 0.0;
        for (ix k = 0; k < right.n0; k++) {
            side += matrix.at[k * matrix.n1 + i] * right.at[k];
        }
        found.at[i] = side;
        for (ix j = i; j < size; j++) {
            double total = 0.0;
            for (ix k = 0; k < right.n0; k++) {
                total += matrix.at[k * matrix.n1 + i] * matrix.at[k * matrix.n1 + j];
            }
            normal.at[i * normal.n1 + j] = total;
            normal.at[j * normal.n1 + i] = total;
        }
        trace += normal.at[i * normal.n1 + i];
    }
    const double raised = (damping + 0x1.6849b86a12b9bp-47) * (trace / (double)size);
    for (ix i = 0; i < size; i++) {
        normal.at[i * normal.n1 + i] += raised;
    }
    /* Positive definite: no pivots are needed. */
    for (ix row = 0; row < size; row++) {
        for (ix other = row + 1; other < size; other++) {
            const double factor = normal.at[other * normal.n1 + row] / normal.at[row * normal.n1 + row];
            for (ix k = row + 1; k < size; k++) {
                normal.at[other * normal.n1 + k] -= factor * normal.at[row * normal.n1 + k];
            }
            found.at[other] -= factor * found.at[row];
        }
    }
    for (ix row = size - 1; row > -1; row -= 1) {
        double rest = found.at[row];
        for (ix other = row + 1; other < size; other++) {
            rest -= normal.at[row * normal.n1 + other] * found.at[other];
        }
        found.at[row] = rest / normal.at[row * normal.n1 + row];
    }
}

/*
 * Take a symmetric positive definite matrix apart by Cholesky's method, for :func:`solve_factorised`.
 *
 * Parameters
 * ----------
 * matrix : ndarray, shape (n, n)
 *     Gets its factor, above the diagonal and, transposed, below it.
 */
KERNEL void small_systems_factorise(doubles_2 matrix)
{
    const ix size = matrix.n0;
    for (ix row = 0; row < size; row++) {
        const double root = square_root_double(matrix.at[row * matrix.n1 + row]);
        for (ix column = row; column < size; column++) {
            matrix.at[row * matrix.n1 + column] /= root;
        }
        for (ix below = row + 1; below < size; below++) {
            const double factor = matrix.at[row * matrix.n1 + below];
            for (ix column = below; column < size; column++) {
                matrix.at[below * matrix.n1 + column] -= factor * matrix.at[row * matrix.n1 + column];
            }
        }
    }
    for (ix row = 0; row < size; row++) {
        for (ix column = row + 1; column < size; column++) {
            matrix.at[column * matrix.n1 + row] = matrix.at[row * matrix.n1 + column];
        }
    }
}

/*
 * Solve ``a @ x = side`` for a matrix that :func:`factorise` has taken apart.
 *
 * Whole rows are taken off at once, which vectorises without another order of additions.
 *
 * Parameters
 * ----------
 * matrix : ndarray, shape (n, n)
 *     The factor.
 * side : ndarray, shape (n,)
 *     Right-hand side; gets the solution.
 */
KERNEL void small_systems_solve_factorised(doubles_2 matrix, doubles_1 side)
{
    const ix size = side.n0;
    for (ix row = 0; row < size; row++) {
        const double known = side.at[row] / matrix.at[row * matrix.n1 + row];
        side.at[row] = known;
        for (ix column = row + 1; column < size; column++) {
            side.at[column] -= known * matrix.at[row * matrix.n1 + column];
        }
    }
    for (ix row = size - 1; row > -1; row -= 1) {
        const double value = side.at[row] / matrix.at[row * matrix.n1 + row];
        side.at[row] = value;
        for (ix column = 0; column < row; column++) {
            side.at[column] -= value * matrix.at[row * matrix.n1 + column];
        }
    }
}

/*
 * Take a symmetric positive definite matrix apart by Cholesky's method, for :func:`solve_rows`.
 *
 * For designs that have one flat array to work in.
 *
 * Parameters
 * ----------
 * size : int
 *     Unknowns.
 * factor : ndarray, shape (size**2 or more,)
 *     The matrix, row behind row, of which the lower triangle is read; gets the factor there, and on its diagonal
 *     one over that of the factor.
 */
KERNEL void small_systems_factorise_rows(ix size, doubles_1 factor)
{
    for (ix row = 0; row < size; row++) {
        for (ix column = 0; column < row + 1; column++) {
            double rest = factor.at[row * size + column];
            for (ix k = 0; k < column; k++) {
                rest = rest - factor.at[row * size + k] * factor.at[column * size + k];
            }
            if (row == column) {
                factor.at[row * size + row] = 1.0 / square_root_double(rest);
            } else {
                factor.at[row * size + column] = rest * factor.at[column * size + column];
            }
        }
    }
}

/*
 * Solve ``a @ x = side`` for a matrix that :func:`factorise_rows` has taken apart.
 *
 * Parameters
 * ----------
 * size : int
 *     Unknowns.
 * factor : ndarray, shape (size**2 or more,)
 *     The factor.
 * side : ndarray, shape (size or more,)
 *     Right-hand side; gets the solution.
 */
KERNEL void small_systems_solve_rows(ix size, doubles_1 factor, doubles_1 side)
{
    double rest = 0.0;
    for (ix row = 0; row < size; row++) {
        rest = side.at[row];
        for (ix before = 0; before < row; before++) {
            rest = rest - factor.at[row * size + before] * side.at[before];
        }
        side.at[row] = rest * factor.at[row * size + row];
    }
    for (ix back = 0; back < size; back++) {
        const ix here = size - 1 - back;
        rest = side.at[here];
        for (ix after = here + 1; after < size; after++) {
            rest = rest - factor.at[after * size + here] * side.at[after];
        }
        side.at[here] = rest * factor.at[here * size + here];
    }
}
