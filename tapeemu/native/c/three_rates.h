/* Generated from three_rates.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_THREE_RATES_H
#define TAPEEMU_THREE_RATES_H

#include "elementary.h"
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
    reals_2 added;
} ThreeRates;

KERNEL ix three_rates_delay(ix side_at, ix middle_half, ix slow_half);
KERNEL ix three_rates_kept_line(ix plan_delay, ix side_at);
KERNEL ix three_rates_kept_middles(ix delay, ix middle_half);
KERNEL ix three_rates_kept_slows(ix delay, ix slow_half);
KERNEL void three_rates_shapes(ix side_at, ix middle_half, ix slow_half, ix channels, ix first, int64s_2 shapes);
KERNEL void three_rates_design_lowpass(reals_1 lowpass, reals_2 raising);
KERNEL double three_rates_taper(ix distance, ix half);
KERNEL double three_rates_symmetric_tap(doubles_1 gains, ix distance);
KERNEL double three_rates_pair_response(reals_1 taps, ix first, double turns);
KERNEL double three_rates_fade(double x, double zero, double one);
KERNEL double three_rates_fast_response(const ThreeRates *rates, double turns);
KERNEL void three_rates_fit_fast(ix side_at, doubles_1 gains, double below, doubles_2 fit, reals_1 fast, reals_1 side);
KERNEL void three_rates_design(ix side_at, ix middle_half, ix slow_half, doubles_1 fast_gains, doubles_1 middle_gains, doubles_1 slow_gains, doubles_2 fit, const ThreeRates *rates);
KERNEL void three_rates_clear(const ThreeRates *rates);
KERNEL void three_rates_add_symmetric(reals_1 line, ix centre, ix first, reals_1 taps, reals_1 out);
KERNEL real three_rates_dot(reals_1 a, reals_1 b);
KERNEL void three_rates_lower_rate(reals_1 line, ix first, reals_1 lowpass, reals_1 out);
KERNEL void three_rates_raise_rate(reals_1 low, reals_2 raising, reals_1 out);
KERNEL void three_rates_keep(ix channel, const ThreeRates *rates);
KERNEL void three_rates_run(ix channel, ix at, reals_1 fresh, const ThreeRates *rates, reals_1 out);
KERNEL void three_rates_frame(ix channel, ix at, const ThreeRates *rates, reals_1 work);

#endif
