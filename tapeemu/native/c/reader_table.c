/* Generated from reader_table.py (b49a1766c03c1cd8); do not edit. SPDX-License-Identifier: ISC */

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
    const double edge = reader_table_band_edge(taps);
    const ix middle = floor_division(taps, 2) - 1;
    doubles_1 factor = (doubles_1){scratch.at, scratch.n1};
    doubles_1 solution = (doubles_1){scratch.at + 1 * scratch.n1, scratch.n1};
    for (ix row = 0; row < taps; row++) {
        for (ix column = 0; column < row + 1; column++) {
            factor.at[row * taps + column] = reader_table_cardinal_sine(2.0 * edge * (double)(row - column));
        }
    }
    small_systems_factorise_rows(taps, factor);
    /* The taps of one less a fraction are those of the fraction backwards. */
    for (ix row = 0; row < 257; row++) {
        const double fraction = (double)row / 512.0;
        for (ix k = 0; k < taps; k++) {
            solution.at[k] = reader_table_cardinal_sine(2.0 * edge * ((double)(k - middle) - fraction));
        }
        small_systems_solve_rows(taps, factor, solution);
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
