/* Generated from dot_products.py (02328dce8febbf43); do not edit. SPDX-License-Identifier: ISC */

/* Sums of products in eight lanes: the order of the additions is written, so it is the same on every machine. */

#include "dot_products.h"

#define DOT_PRODUCTS_ONE (ux)1
#define DOT_PRODUCTS_EIGHT (ux)8

/* Sum of eight numbers, by halves. */
INLINED real dot_products_sum_of_eight(reals_1 lanes)
{
    const real even = lanes.at[0] + lanes.at[4] + (lanes.at[2] + lanes.at[6]);
    const real odd = lanes.at[1] + lanes.at[5] + (lanes.at[3] + lanes.at[7]);
    return even + odd;
}

/*
 * Sum of products of taps with a line.
 *
 * Parameters
 * ----------
 * taps : ndarray, shape (taps,)
 *     Eights are summed side by side; what is left over is added in turn.
 * line : ndarray, shape (columns,)
 *     Audio.
 * first : int
 *     Column of the line under the first tap.
 *
 * Returns
 * -------
 * float
 *     The sum.
 */
KERNEL real dot_products_dot_product(reals_1 taps, reals_1 line, ix first)
{
    real lanes_lanes[8] = {0};
    const reals_1 lanes = {lanes_lanes, 8};
    const ux base = (ux)first;
    const ux count = (ux)taps.n0;
    const ux eights = count / DOT_PRODUCTS_EIGHT;
    for (ux group = (ux)0; group < eights; group++) {
        IN_LANES
        for (ux j = (ux)0; j < DOT_PRODUCTS_EIGHT; j++) {
            const ux k = DOT_PRODUCTS_EIGHT * group + j;
            lanes.at[(ix)j] += taps.at[(ix)k] * line.at[(ix)base + (ix)k];
        }
    }
    real total = dot_products_sum_of_eight(lanes);
    for (ux rest = DOT_PRODUCTS_EIGHT * eights; rest < count; rest++) {
        total += taps.at[(ix)rest] * line.at[(ix)base + (ix)rest];
    }
    return total;
}

/*
 * Sums of products of two channels of a line with taps between two rows of a table, computed once for both.
 *
 * Parameters
 * ----------
 * table : ndarray, shape (rows, taps)
 *     Taps.
 * row, share : int, float
 *     The taps are this share of the way from the row to the next, 0 to 1.
 * taps : int
 *     Columns of the table, a multiple of eight. Where it is a constant of the caller, the loop is unrolled.
 * line : ndarray, shape (channels, columns)
 *     Audio.
 * first, second : int
 *     The channels; they may be the same.
 * base : int
 *     Column of the line under the first tap.
 * out : ndarray, shape (channels, columns)
 *     Gets the sums in these two rows.
 * place : int
 *     Column of the output that gets them.
 */
INLINED void dot_products_dot_between_rows(reals_2 table, ux row, real share, ux taps, reals_2 line, ux first,
    ux second, ux base, reals_2 out, ux place)
{
    /* Rows by themselves: a compiler then sees that they are not the lanes, and keeps those in registers. */
    reals_1 below = (reals_1){table.at + (ix)row * table.n1, table.n1};
    reals_1 above = (reals_1){table.at + ((ix)row + (ix)DOT_PRODUCTS_ONE) * table.n1, table.n1};
    reals_1 one = (reals_1){line.at + (ix)first * line.n1 + (ix)base, line.n1 - (ix)base};
    reals_1 other = (reals_1){line.at + (ix)second * line.n1 + (ix)base, line.n1 - (ix)base};
    real a_lanes[8] = {0};
    const reals_1 a = {a_lanes, 8};
    real b_lanes[8] = {0};
    const reals_1 b = {b_lanes, 8};
    for (ux group = (ux)0; group < taps / DOT_PRODUCTS_EIGHT; group++) {
        IN_LANES
        for (ux j = (ux)0; j < DOT_PRODUCTS_EIGHT; j++) {
            const ux k = DOT_PRODUCTS_EIGHT * group + j;
            const real tap = below.at[(ix)k] + share * (above.at[(ix)k] - below.at[(ix)k]);
            a.at[(ix)j] += tap * one.at[(ix)k];
            b.at[(ix)j] += tap * other.at[(ix)k];
        }
    }
    out.at[(ix)first * out.n1 + (ix)place] = dot_products_sum_of_eight(a);
    out.at[(ix)second * out.n1 + (ix)place] = dot_products_sum_of_eight(b);
}

/* As :func:`dot_between_rows` for one channel, in half the work: the same sum. */
INLINED void dot_products_dot_of_one_between_rows(reals_2 table, ux row, real share, ux taps, reals_2 line, ux
    channel, ux base, reals_2 out, ux place)
{
    reals_1 below = (reals_1){table.at + (ix)row * table.n1, table.n1};
    reals_1 above = (reals_1){table.at + ((ix)row + (ix)DOT_PRODUCTS_ONE) * table.n1, table.n1};
    reals_1 one = (reals_1){line.at + (ix)channel * line.n1 + (ix)base, line.n1 - (ix)base};
    real a_lanes[8] = {0};
    const reals_1 a = {a_lanes, 8};
    for (ux group = (ux)0; group < taps / DOT_PRODUCTS_EIGHT; group++) {
        IN_LANES
        for (ux j = (ux)0; j < DOT_PRODUCTS_EIGHT; j++) {
            const ux k = DOT_PRODUCTS_EIGHT * group + j;
            a.at[(ix)j] += (below.at[(ix)k] + share * (above.at[(ix)k] - below.at[(ix)k])) * one.at[(ix)k];
        }
    }
    out.at[(ix)channel * out.n1 + (ix)place] = dot_products_sum_of_eight(a);
}
