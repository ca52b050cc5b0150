/* Generated from interpolation.py (376371f7b03b7470); do not edit. SPDX-License-Identifier: ISC */

/* Loops that read a line of audio at a moving place. */

#include "interpolation.h"

/*
 * Split the places of a stretch of a segment into what the reading loops need.
 *
 * Parameters
 * ----------
 * delays : ndarray, shape (2, segment)
 *     Delay of each output sample, in samples, and what is added to it.
 * share : float
 *     Factor on what is added.
 * start, slope : float
 *     Output sample `i` is read at ``start + slope * i - delay``, counted from input sample `i`.
 * cells : float
 *     Cells of the table of taps per sample.
 * begin, count : int
 *     First output sample of the stretch, and how many.
 * places : Places
 *     Gets them.
 */
KERNEL void interpolation_locate(doubles_2 delays, double share, double start, double slope, double cells, ix
    begin, ix count, const Places *places)
{
    int32s_1 left = places->left;
    int32s_1 row = places->row;
    reals_1 between = places->between;
    for (ux k = (ux)0; k < (ux)count; k++) {
        const ux i = (ux)begin + k;
        const double place = start + slope * (double)i - (delays.at[(ix)i] + share * delays.at[1 * delays.n1 +
            (ix)i]);
        const double whole = floor_of_double(place);
        const double cell = (place - whole) * cells;
        const double lower = floor_of_double(cell);
        left.at[(ix)k] = (int32_t)i + (int32_t)whole;
        row.at[(ix)k] = (int32_t)lower;
        between.at[(ix)k] = (real)(cell - lower);
    }
}

/*
 * Read two channels of `line`; the taps of a sample are computed once for both.
 *
 * Written into its callers, so that `taps` is a constant there: the loop over them is then unrolled.
 *
 * Parameters
 * ----------
 * line : ndarray, shape (channels, columns)
 *     Audio to read from.
 * table : ndarray, shape (cells + 2, taps)
 *     Taps for fractions 0, 1 / cells, ...; taps between rows are interpolated linearly.
 * places : Places
 *     Where each sample of the segment is read.
 * part : Part
 *     Which samples of the segment are made.
 * first, second : int
 *     The channels; they may be the same.
 * out : ndarray, shape (channels, columns)
 *     Gets the result in these two rows.
 * taps : int
 *     Columns of the table, a multiple of eight.
 */
INLINED void interpolation_read_pair(reals_2 line, reals_2 table, const Places *places, const Part *part, ix
    first, ix second, reals_2 out, ux taps)
{
    int32s_1 left = places->left;
    int32s_1 row = places->row;
    reals_1 between = places->between;
    const ux upper = (ux)first;
    const ux lower = (ux)second;
    if (first == second) {
        for (ux n = (ux)part->begin; n < (ux)part->end; n++) {
            const real alone = between.at[(ix)n];
            dot_products_dot_of_one_between_rows(table, (ux)row.at[(ix)n], alone, taps, line, upper,
                (ux)(part->column + (ix)left.at[(ix)n]), out, (ux)(part->at - part->begin) + n);
        }
        return;
    }
    for (ux i = (ux)part->begin; i < (ux)part->end; i++) {
        const ux cell = (ux)row.at[(ix)i];
        const real share = between.at[(ix)i];
        const ux base = (ux)(part->column + (ix)left.at[(ix)i]);
        const ux place = (ux)(part->at - part->begin) + i;
        dot_products_dot_between_rows(table, cell, share, taps, line, upper, lower, base, out, place);
    }
}

/* :func:`read_pair` with 32 taps. */
KERNEL void interpolation_read_pair_32(reals_2 line, reals_2 table, const Places *places, const Part *part, ix
    first, ix second, reals_2 out)
{
    interpolation_read_pair(line, table, places, part, first, second, out, (ux)32);
}

/* :func:`read_pair` with 48 taps. */
KERNEL void interpolation_read_pair_48(reals_2 line, reals_2 table, const Places *places, const Part *part, ix
    first, ix second, reals_2 out)
{
    interpolation_read_pair(line, table, places, part, first, second, out, (ux)48);
}
