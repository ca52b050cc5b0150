/* Generated from envelopes.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_ENVELOPES_H
#define TAPEEMU_ENVELOPES_H

#include "subset.h"

typedef struct {
    doubles_1 sums;
    int64s_1 counts;
} Envelopes;

KERNEL void seek_envelopes(int64_t place, const Envelopes *memory);
KERNEL ix follow_envelopes(reals_2 block, const Envelopes *memory, reals_2 out);

#endif
