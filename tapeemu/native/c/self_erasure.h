/* Generated from self_erasure.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_SELF_ERASURE_H
#define TAPEEMU_SELF_ERASURE_H

#include "elementary.h"
#include "kept_rows.h"
#include "long_filter.h"
#include "memory_shapes.h"
#include "wavelength_losses.h"

typedef struct {
    reals_1 taps;
    reals_1 level_taps;
    reals_1 lowering;
    reals_2 raising;
    reals_2 squares;
    reals_2 levels;
    reals_2 level_nodes;
    reals_2 erased;
    reals_2 bent;
    reals_2 once;
    reals_2 twice;
    reals_2 thrice;
} SelfErasure;

KERNEL ix self_erasure_shapes(ix channels, int64s_2 shapes, ix row);
KERNEL double self_erasure_left_of_sine(double self_erasure_db, double peak, double f);
KERNEL void self_erasure_design_splines(reals_1 lowering, reals_2 raising);
KERNEL void self_erasure_design(double sample_rate, doubles_1 scratch, const SelfErasure *memory);
KERNEL void self_erasure_clear(const SelfErasure *memory);
KERNEL void self_erasure_keep(ix channel, const SelfErasure *memory);
KERNEL void self_erasure_hear(ix channel, ix at, real share, const SelfErasure *memory, reals_1 audio);
KERNEL void self_erasure_take(reals_1 line, ix centre, reals_1 taps, reals_1 out);
KERNEL void self_erasure_frame(ix channel, ix at, const SelfErasure *memory);
KERNEL void self_erasure_run(ix channel, ix at, ix latency, bool erases, const SelfErasure *memory, reals_1 audio);

#endif
