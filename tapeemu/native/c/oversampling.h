/* Generated from oversampling.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_OVERSAMPLING_H
#define TAPEEMU_OVERSAMPLING_H

#include "elementary.h"
#include "kept_rows.h"

typedef struct {
    int64s_1 plan;
    reals_1 taps;
    reals_2 low;
    reals_3 high;
    reals_1 scratch;
} Oversampler;

KERNEL ix oversampling_factor(double sample_rate);
KERNEL ix oversampling_limited_factor(ix factor, ix most);
KERNEL ix oversampling_spares(ix most);
KERNEL ix oversampling_limited_latency(ix factor, ix most);
KERNEL ix oversampling_soft_latency(ix factor);
KERNEL ix oversampling_per_base(ix factor);
KERNEL ix oversampling_oversampler_latency(ix factor);
KERNEL void oversampling_oversampler_shapes(ix factor, ix channels, ix first, int64s_2 shapes);
KERNEL double oversampling_windowed_sinc(double distance, double cutoff, double half_width, double shape);
KERNEL void oversampling_design_doubling(ix pairs, double shape, double gain, ix backwards, reals_1 taps);
KERNEL void oversampling_design_last(reals_1 taps);
KERNEL void oversampling_design_thirds(ix count, double middle, double cutoff, double half_width, reals_1 taps);
KERNEL void oversampling_oversampler_design(ix factor, const Oversampler *over);
KERNEL void oversampling_oversampler_clear(const Oversampler *over);
KERNEL void oversampling_double_first(reals_1 fresh, ix count, reals_1 taps, reals_1 x, reals_1 phase, reals_1 u);
KERNEL void oversampling_double_second(ix count, reals_1 taps, reals_1 u, reals_1 v);
INLINED void oversampling_triple(ix count, reals_1 taps, ix width, ix delay, reals_1 row, ix history, reals_2 high);
KERNEL void oversampling_hand_over(ix count, ix history, reals_1 row, reals_2 high);
KERNEL void oversampling_rise(reals_1 fresh, ix channel, const Oversampler *over);
INLINED void oversampling_third(ix count, reals_1 taps, ix side, ix delay, reals_2 high, reals_1 out);
KERNEL void oversampling_take_over(ix count, reals_2 high, reals_1 natural);
KERNEL void oversampling_halve_first(ix count, reals_1 taps, reals_1 d, reals_1 d_even, reals_1 d_odd, reals_1 c);
KERNEL void oversampling_halve_last(ix count, reals_1 even, reals_1 odd, reals_1 c, reals_1 c_even, reals_1 c_odd, reals_1 out);
KERNEL void oversampling_fall_to_twice(ix count, ix channel, const Oversampler *over);
KERNEL void oversampling_fall(ix channel, const Oversampler *over, reals_1 out);
KERNEL void oversampling_halve_softly(ix count, reals_1 taps, reals_1 c, reals_1 c_even, reals_1 c_odd, reals_1 out);
KERNEL void oversampling_fall_softly(ix channel, const Oversampler *over, reals_1 out);

#endif
