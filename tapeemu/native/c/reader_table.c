/* Generated from reader_table.py (ac60165e35705c4a); do not edit. SPDX-License-Identifier: ISC */

/*
 * Taps that read audio between its samples: least squares over all frequencies up to a band edge.
 *
 * The taps of a fraction minimise the mean squared error of the read up to the band edge, which is the best any
 * interpolator of that length can do there (Laakso, Valimaki, Karjalainen, Laine, "Splitting the unit delay", IEEE
 * Signal Processing Magazine 13(1), 1996; cited from memory). The normal equations are those of sines: a matrix of
 * sinc values, the same for all fractions.
 */

#include "reader_table.h"

#define READER_TABLE_CELLS 512
#define READER_TABLE_PI REAL(0x1.921fb54442d18p+1)

/* Share of the sample rate up to which a reader of 32 or 48 taps is designed. */
KERNEL double reader_table_band_edge(ix taps)
{
    return (double)(taps == 32 ? REAL(0x1.9555555555555p-2) : REAL(0x1.b333333333333p-2));
}

/* ``sin(pi x) / (pi x)``, 1 at 0. */
KERNEL double reader_table_cardinal_sine(double x)
{
    return x == 0.0 ? 1.0 : elementary_sine_of_turns(0.5 * x) / (0x1.921fb54442d18p+1 * x);
}

/* Write the lower Cholesky factor of the normal equations, row behind row; its diagonal as one over it. */
KERNEL void reader_table_factorise(double edge, ix taps, doubles_1 factor)
{
    for (ix row = 0; row < taps; row++) {
        for (ix column = 0; column < row + 1; column++) {
            double rest = reader_table_cardinal_sine(2.0 * edge * (double)(row - column));
            for (ix k = 0; k < column; k++) {
                rest = rest - factor.at[row * taps + k] * factor.at[column * taps + k];
            }
            if (row == column) {
                factor.at[row * taps + row] = 1.0 / square_root_double(rest);
            } else {
                factor.at[row * taps + column] = rest * factor.at[column * taps + column];
            }
        }
    }
}

/*
 * Design the table of a reader.
 *
 * Parameters
 * ----------
 * taps : int
 *     32 or 48.
 * scratch : ndarray, shape (2, taps**2 or more)
 *     Scratch.
 * table : ndarray, shape (CELLS + 2, taps)
 *     Row ``r`` gets the taps for the fraction ``r / CELLS``; tap ``k`` belongs to the sample
 *     ``k - (taps // 2 - 1)`` places after the one before the place. One row more than needed guards against a
 *     fraction that rounds to one. Rows of their own at fractions 0 and 1: a tape that does not move is passed on
 *     without any error.
 */
KERNEL void reader_table_design_reader(ix taps, doubles_2 scratch, reals_2 table)
{
    double rest = 0.0;
    const double edge = reader_table_band_edge(taps);
    const ix middle = floor_division(taps, 2) - 1;
    doubles_1 factor = (doubles_1){scratch.at, scratch.n1};
    doubles_1 solution = (doubles_1){scratch.at + 1 * scratch.n1, scratch.n1};
    reader_table_factorise(edge, taps, factor);
    /* The taps of one less a fraction are those of the fraction backwards. */
    for (ix row = 0; row < 257; row++) {
        const double fraction = (double)row / 512.0;
        for (ix k = 0; k < taps; k++) {
            rest = reader_table_cardinal_sine(2.0 * edge * ((double)(k - middle) - fraction));
            for (ix before = 0; before < k; before++) {
                rest = rest - factor.at[k * taps + before] * solution.at[before];
            }
            solution.at[k] = rest * factor.at[k * taps + k];
        }
        for (ix back = 0; back < taps; back++) {
            const ix here = taps - 1 - back;
            rest = solution.at[here];
            for (ix after = here + 1; after < taps; after++) {
                rest = rest - factor.at[after * taps + here] * solution.at[after];
            }
            solution.at[here] = rest * factor.at[here * taps + here];
        }
        for (ix k = 0; k < taps; k++) {
            table.at[row * table.n1 + k] = (real)solution.at[k];
            table.at[(READER_TABLE_CELLS - row) * table.n1 + taps - 1 - k] = (real)solution.at[k];
        }
    }
    for (ix k = 0; k < taps; k++) {
        table.at[k] = k == middle ? REAL(1.0) : REAL(0.0);
        table.at[READER_TABLE_CELLS * table.n1 + k] = k == middle + 1 ? REAL(1.0) : REAL(0.0);
        /* One row beyond, only ever read with a share of zero. */
        table.at[513 * table.n1 + k] = table.at[READER_TABLE_CELLS * table.n1 + k];
    }
}
