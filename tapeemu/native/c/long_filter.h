/* Generated from long_filter.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_LONG_FILTER_H
#define TAPEEMU_LONG_FILTER_H

#include "dot_products.h"
#include "elementary.h"
#include "kept_rows.h"
#include "oversampling.h"
#include "small_systems.h"

typedef struct {
    int64s_1 plan;
    reals_1 fast;
    reals_1 side;
    reals_1 middle;
    reals_1 slow;
    reals_1 lowpass;
    reals_2 raising;
    reals_2 line;
    reals_2 middles;
    reals_2 slows;
    reals_2 nodes;
    reals_2 filtered;
    reals_2 added;
} LongFilter;

KERNEL ix long_filter_delay(ix fast_end, ix middle_half, ix slow_half);
KERNEL ix long_filter_kept_line(ix plan_delay, ix fast_end);
KERNEL ix long_filter_kept_middles(ix delay, ix middle_half);
KERNEL ix long_filter_kept_slows(ix delay, ix slow_half);
KERNEL void long_filter_shapes(ix fast_half, ix side, ix fast_end, ix middle_half, ix slow_half, ix channels, ix first, int64s_2 shapes);
KERNEL void long_filter_design_lowpass(reals_1 lowpass, reals_2 raising);
KERNEL double long_filter_taper(ix distance, ix half);
KERNEL double long_filter_symmetric_tap(doubles_1 gains, ix distance);
KERNEL double long_filter_pair_response(reals_1 taps, ix first, double turns);
KERNEL double long_filter_fast_response(const LongFilter *rates, double turns);
KERNEL void long_filter_fit_fast(ix side_at, doubles_1 gains, double below, doubles_2 fit, reals_1 fast, reals_1 side);
KERNEL void long_filter_design(ix side_at, ix middle_half, ix slow_half, doubles_1 fast_gains, doubles_1 middle_gains, doubles_1 slow_gains, doubles_2 fit, const LongFilter *rates);
KERNEL void long_filter_clear(const LongFilter *rates);
KERNEL void long_filter_add_symmetric(reals_1 line, ix centre, ix first, reals_1 taps, reals_1 out);
KERNEL void long_filter_lower_rate(reals_1 line, ix first, reals_1 lowpass, reals_1 out);
KERNEL void long_filter_raise_rate(reals_1 low, ix first, reals_2 raising, reals_1 out);
KERNEL void long_filter_keep(ix channel, const LongFilter *rates);
KERNEL void long_filter_run(ix channel, ix at, reals_1 fresh, const LongFilter *rates, reals_1 out);
KERNEL void long_filter_frame(ix channel, ix at, const LongFilter *rates);

#endif
