/* Generated from kept_rows.py (ccead6dceb0ef59c); do not edit. SPDX-License-Identifier: ISC */

/* Rows of samples that are kept from block to block: cleared, and moved to the front. */

#include "kept_rows.h"

/* Set all numbers of an array of two dimensions to zero. */
KERNEL void kept_rows_clear_rows(reals_2 rows)
{
    for (ix row = 0; row < rows.n0; row++) {
        for (ix i = 0; i < rows.n1; i++) {
            rows.at[row * rows.n1 + i] = REAL(0.0);
        }
    }
}

/* Set all numbers of an array of two dimensions to zero that is double on every machine. */
KERNEL void kept_rows_clear_precise_rows(doubles_2 rows)
{
    for (ix row = 0; row < rows.n0; row++) {
        for (ix i = 0; i < rows.n1; i++) {
            rows.at[row * rows.n1 + i] = 0.0;
        }
    }
}

/* Move all of a line but its first `passed` samples to its beginning; its last `passed` stay as they are. */
KERNEL void kept_rows_move_to_front(reals_1 line, ix passed)
{
    for (ix i = 0; i < line.n0 - passed; i++) {
        line.at[i] = line.at[i + passed];
    }
}
