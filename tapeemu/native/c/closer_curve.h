/* Generated from closer_curve.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_CLOSER_CURVE_H
#define TAPEEMU_CLOSER_CURVE_H

#include "drive.h"
#include "elementary.h"
#include "kept_rows.h"
#include "long_filter.h"
#include "memory_shapes.h"
#include "oversampling.h"

typedef struct {
    int64s_1 times;
    reals_1 taps;
    reals_1 weights;
    reals_2 waiting;
    reals_2 bent;
    reals_2 field;
    int64s_2 fast;
    reals_2 row;
    reals_2 closer;
    Oversampler over;
} CloserCurve;

KERNEL ix closer_curve_closer_times(double largest, double boost_db, double sample_rate);
KERNEL ix closer_curve_delay(void);
KERNEL ix closer_curve_shapes(ix channels, int64s_2 shapes, ix row);
KERNEL void closer_curve_follow(ix times, const CloserCurve *memory);
KERNEL void closer_curve_design(ix times, const CloserCurve *memory);
KERNEL void closer_curve_clear(const CloserCurve *memory);
KERNEL ix closer_curve_moves_fast(reals_1 field);
KERNEL void closer_curve_bend_plainly(reals_1 field, reals_1 out);
KERNEL void closer_curve_bend_closely(const CloserCurve *memory, reals_1 field);
KERNEL void closer_curve_frame(ix channel, const CloserCurve *memory);

#endif
