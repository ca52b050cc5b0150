/* Generated from splices.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_SPLICES_H
#define TAPEEMU_SPLICES_H

#include "elementary.h"
#include "kept_rows.h"
#include "memory_shapes.h"

typedef struct {
    doubles_2 splices;
    double tape_speed_cm_s;
    double track_width_mm;
    double track_spacing_mm;
    double angle_degrees;
} SplicesSettings;

typedef struct {
    doubles_1 plan;
    int64s_1 counts;
    int64s_2 cuts;
    doubles_1 rests;
    int64s_1 current;
    reals_2 line;
} SplicesMemory;

KERNEL int64_t splices_shift_of(const SplicesSettings *settings, double sample_rate, ix splice);
KERNEL ix splices_furthest(const SplicesSettings *settings, double sample_rate, ix sign);
KERNEL ix splices_latency(const SplicesSettings *settings, double sample_rate, ix channels);
KERNEL ix splices_tail(const SplicesSettings *settings, double sample_rate, ix channels, double level_db);
KERNEL ix splices_ring_of(const SplicesSettings *settings, double sample_rate);
KERNEL void splices_shapes(const SplicesSettings *settings, double sample_rate, ix channels, int64s_2 shapes);
KERNEL void splices_design(const SplicesSettings *settings, double sample_rate, ix channels, int64_t start_sample, int64_t track, const SplicesMemory *memory);
KERNEL void splices_seek(const SplicesMemory *memory, int64_t place);
KERNEL void splices_process(const SplicesMemory *memory, reals_2 block, reals_2 out);
KERNEL double splices_since(const SplicesMemory *memory, ix channel, ix splice, int64_t place);
KERNEL ix splices_next_outputs(const SplicesMemory *memory, ix channel, ix done, ix most, ix at, reals_2 out);
KERNEL void splices_copy(reals_1 line, int64_t first, ix count, ix at, reals_1 out);
KERNEL void splices_cross(const SplicesMemory *memory, ix splice, reals_1 line, int64_t reached, double since, ix count, ix at, reals_1 out);

#endif
