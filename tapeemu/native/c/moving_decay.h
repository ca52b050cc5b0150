/* Generated from moving_decay.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_MOVING_DECAY_H
#define TAPEEMU_MOVING_DECAY_H

#include "elementary.h"
#include "glides.h"
#include "line_filters.h"
#include "network.h"

typedef struct {
    doubles_3 law;
    doubles_3 base;
    doubles_3 step;
    doubles_3 bend;
} MovingDecay;

KERNEL void moving_decay_moving_shapes(ix lines, ix first, int64s_2 shapes);
KERNEL double moving_decay_root(double once, double twice, double side);
KERNEL double moving_decay_square(double once, double twice);
KERNEL double moving_decay_width(double once, double twice);
KERNEL bool moving_decay_are_real(doubles_3 filters, ix section, ix line);
KERNEL void moving_decay_write_law(const Network *network, double turns, doubles_3 law);
KERNEL double moving_decay_spread(doubles_3 law, ix section, ix part, ix line, double times);
KERNEL double moving_decay_corner_root(double corner);
KERNEL void moving_decay_make_section(doubles_3 filters, doubles_3 law, ix section, ix line, double times, doubles_3 out);
KERNEL double moving_decay_loop_power(doubles_3 law, double times);
KERNEL void moving_decay_make(const Network *network, doubles_3 law, double course, doubles_3 out);
KERNEL void moving_decay_level_out(const Network *network, const MovingDecay *moving);
KERNEL void moving_decay_bend(const Network *network, const MovingDecay *moving);
KERNEL bool moving_decay_decay_left(const Glide *glide);
KERNEL void moving_decay_leave_design(const Network *network, const NetworkState *state, int64_t fed);
KERNEL ix moving_decay_into_segment(const Glide *glide);
KERNEL ix moving_decay_make_segment(const Network *network, const NetworkState *state, const Glide *glide, const MovingDecay *moving);
KERNEL void moving_decay_scale_input(reals_2 rows, const MovingDecay *moving, ix into, ix samples);
KERNEL void moving_decay_read_moving(const Network *network, const NetworkState *state, const MovingDecay *moving, int64_t fed, ix into, ix samples);
KERNEL void moving_decay_absorb_moving(doubles_2 rows, const MovingDecay *moving, ix sections, ix into, doubles_3 state, ix samples);

#endif
