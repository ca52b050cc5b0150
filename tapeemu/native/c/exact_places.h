/* Generated from exact_places.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_EXACT_PLACES_H
#define TAPEEMU_EXACT_PLACES_H

#include "subset.h"

KERNEL void exact_places_set_rate(double rate_hz, double sample_rate, uint64s_1 words);
KERNEL uint64_t exact_places_upper_half(uint64_t a, uint64_t b);
typedef struct {
    int64_t m0;
    double m1;
} exact_places_place_of_result;

KERNEL exact_places_place_of_result exact_places_place_of(int64_t sample, uint64s_1 words);
KERNEL double exact_places_turns_of(int64_t sample, uint64s_1 words);

#endif
