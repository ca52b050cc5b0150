/* Generated from dot_products.py (fac828568778abdb); do not edit. SPDX-License-Identifier: ISC */

/* Sums of products in eight lanes: the order of the additions is written, so it is the same on every machine. */

#include "dot_products.h"

#define DOT_PRODUCTS_EIGHT UINT64_C(8)

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
    const uint64_t eights = (uint64_t)count / DOT_PRODUCTS_EIGHT;
    for (uint64_t group = UINT64_C(0); group < eights; group++) {
        IN_LANES
        for (uint64_t j = UINT64_C(0); j < DOT_PRODUCTS_EIGHT; j++) {
            const uint64_t k = DOT_PRODUCTS_EIGHT * group + j;
            lanes.at[(ix)j] += taps.at[(ix)k] * line.at[(ix)base + (ix)k];
        }
    }
    real total = dot_products_sum_of_eight(lanes);
    for (uint64_t rest = DOT_PRODUCTS_EIGHT * eights; rest < (uint64_t)count; rest++) {
        total += taps.at[(ix)rest] * line.at[(ix)base + (ix)rest];
    }
    return total;
}
