/* Generated from three_rates.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_THREE_RATES_H
#define TAPEEMU_THREE_RATES_H

#include "dot_products.h"
#include "elementary.h"
#include "kept_rows.h"
#include "memory_shapes.h"
#include "small_systems.h"

typedef struct {
    int64s_1 counts;
    reals_1 fast;
    reals_1 middle;
    reals_1 slow;
    reals_2 raising;
    reals_1 lowering;
    reals_2 line;
    reals_2 middles;
    reals_2 slows;
    reals_2 slows_out;
    reals_2 middles_out;
    doubles_2 laws;
} ThreeRates;

KERNEL ix three_rates_half_slow(double sample_rate);
KERNEL ix three_rates_half(double sample_rate);
KERNEL ix three_rates_latency(double sample_rate);
KERNEL ix three_rates_past_columns(double sample_rate);
KERNEL ix three_rates_past_of_middles(double sample_rate);
KERNEL ix three_rates_work(double sample_rate);
KERNEL ix three_rates_shapes(double sample_rate, ix channels, int64s_2 shapes, ix row);
KERNEL double three_rates_point_turns(ix level, ix point);
KERNEL double three_rates_window(double x);
KERNEL void three_rates_design_rates(const ThreeRates *filters);
KERNEL double three_rates_gain(reals_1 taps, double turns);
KERNEL double three_rates_gain_of_rate(reals_1 lowering, double turns);
KERNEL void three_rates_add_point(double turns, double made, double weight, double law, ix unknowns, doubles_1 work);
KERNEL void three_rates_solve_taps(doubles_1 work, reals_1 taps);
KERNEL void three_rates_fit_fast(doubles_2 laws, double faint, reals_1 taps, doubles_1 work);
KERNEL void three_rates_fit_middle(const ThreeRates *filters, double faint, doubles_1 work);
KERNEL void three_rates_fit_slow(const ThreeRates *filters, double sample_rate, double faint, doubles_1 work);
KERNEL void three_rates_silence(reals_1 taps);
KERNEL void design_three_rates(const ThreeRates *filters, double sample_rate, doubles_1 work);
KERNEL void three_rates_odd_taps(doubles_1 law, reals_1 taps);
KERNEL void clear_three_rates(const ThreeRates *filters);
KERNEL void three_rates_to_front(reals_2 line, ix skipped);
KERNEL ix three_rates_next_hop(const ThreeRates *filters, reals_2 dry);
KERNEL ix three_rates_next_hop_alone(const ThreeRates *filters);
KERNEL void three_rates_filter_fast(reals_1 line, ix first, reals_1 taps, reals_1 out);
KERNEL void three_rates_raise_one(reals_1 low, ix first, reals_2 raising, reals_1 out);
KERNEL void three_rates_add_raised(reals_1 low, ix first, reals_2 raising, reals_1 out);
KERNEL ix three_rates_first_column(const ThreeRates *filters);
KERNEL void three_rates_filter_hop_at_sample_rate(const ThreeRates *filters, reals_1 taps, reals_2 out);
KERNEL void three_rates_filter_hop(const ThreeRates *filters, reals_2 raised, reals_2 out);

#endif
