/* Generated from interpolation.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_INTERPOLATION_H
#define TAPEEMU_INTERPOLATION_H

#include "dot_products.h"

typedef struct {
    int32s_1 left;
    int32s_1 row;
    reals_1 between;
} Places;

typedef struct {
    ix column;
    ix begin;
    ix end;
    ix at;
} Part;

KERNEL void interpolation_locate(doubles_2 delays, double share, double start, double slope, double cells, ix begin, ix count, const Places *places);
INLINED void interpolation_read_pair(reals_2 line, reals_2 table, const Places *places, const Part *part, ix first, ix second, reals_2 out, ux taps);
KERNEL void interpolation_read_pair_32(reals_2 line, reals_2 table, const Places *places, const Part *part, ix first, ix second, reals_2 out);
KERNEL void interpolation_read_pair_48(reals_2 line, reals_2 table, const Places *places, const Part *part, ix first, ix second, reals_2 out);

#endif
