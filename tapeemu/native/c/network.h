/* Generated from network.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_NETWORK_H
#define TAPEEMU_NETWORK_H

#include "elementary.h"
#include "kept_rows.h"

typedef struct {
    doubles_1 numbers;
    int64s_2 delays;
    reals_2 gains;
    doubles_3 filters;
    int64s_2 tap_delays;
    reals_2 tap_gains;
    uint64s_2 rates;
    uint64s_2 phases;
    reals_2 ramp;
} Network;

typedef struct {
    int64s_1 counters;
    reals_2 input_ring;
    reals_2 diffuser_ring;
    reals_2 line_ring;
    doubles_3 filter_state;
    reals_2 rows;
    reals_2 rotation;
    doubles_2 filtered;
    reals_2 heard;
} NetworkState;

KERNEL void network_mix(reals_2 rows, ux samples);
KERNEL ux network_place(int64_t now, int64_t delay, ix length);
KERNEL void network_write_input(reals_2 ring, reals_2 audio, ux first, int64_t fed, ux samples);
KERNEL void network_spread(reals_2 ring, int64s_1 delays, reals_1 gains, reals_2 rows, int64_t fed, ux samples);
KERNEL void network_write_rows(reals_2 ring, int64s_1 order, reals_1 gains, reals_2 rows, int64_t fed, ux samples);
KERNEL void network_read_rows(reals_2 ring, const Network *network, doubles_2 rows, int64_t fed, ux samples);
KERNEL void network_read_filtered(const Network *network, const NetworkState *state, int64_t fed, ux samples);
KERNEL void network_add_rows(reals_2 ring, int64s_1 delays, doubles_2 filtered, reals_2 rows, int64_t fed, ux samples);
KERNEL void network_absorb(doubles_2 rows, doubles_3 filters, ix sections, doubles_3 state, ux samples);
KERNEL void network_clear_stale(doubles_3 state);
KERNEL void network_turn(int64_t position, const Network *network, reals_1 cosines, reals_1 sines);
KERNEL void network_rotate(reals_2 rows, reals_2 rotation, reals_2 ramp, bool curved, ix into, ux samples);
KERNEL void network_add_taps(ix channel, const Network *network, reals_2 ring, int64_t fed, ux first, ux samples, reals_2 out, ix row);
KERNEL void network_write_output(reals_2 audio, reals_2 out, ux first, const Network *network, const NetworkState *state, int64_t fed, ux samples);
KERNEL void network_write_moving_output(reals_2 audio, reals_2 out, ux first, const Network *network, const NetworkState *state, int64_t fed, ux samples, reals_2 courses);
KERNEL void network_hear(ix channels, const Network *network, const NetworkState *state, int64_t fed, ux samples);
KERNEL void network_turn_rows(const Network *network, const NetworkState *state, ux samples);
KERNEL void clear_network(const NetworkState *state, int64_t position);

#endif
