/* Generated from dot_products.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_DOT_PRODUCTS_H
#define TAPEEMU_DOT_PRODUCTS_H

#include "subset.h"

INLINED real dot_products_sum_of_eight(reals_1 lanes);
KERNEL real dot_products_dot_product(reals_1 taps, reals_1 line, ix first);
INLINED void dot_products_dot_between_rows(reals_2 table, ux row, real share, ux taps, reals_2 line, ux first, ux second, ux base, reals_2 out, ux place);
INLINED void dot_products_dot_of_one_between_rows(reals_2 table, ux row, real share, ux taps, reals_2 line, ux channel, ux base, reals_2 out, ux place);

#endif
