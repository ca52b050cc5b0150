/* Generated from dot_products.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_DOT_PRODUCTS_H
#define TAPEEMU_DOT_PRODUCTS_H

#include "subset.h"

INLINED real dot_products_sum_of_eight(reals_1 lanes);
KERNEL real dot_products_dot_product(reals_1 taps, reals_1 line, ix first);

#endif
