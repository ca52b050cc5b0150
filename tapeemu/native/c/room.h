/* Generated from room.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_ROOM_H
#define TAPEEMU_ROOM_H

#include "absorption.h"
#include "elementary.h"
#include "glides.h"
#include "line_filters.h"
#include "moving_decay.h"
#include "network.h"
#include "octave_decay.h"
#include "octave_readings.h"
#include "room_layout.h"

typedef struct {
    Network network;
    NetworkState state;
    AbsorptionScratch scratch;
    Glide glide;
    reals_2 courses;
    MovingDecay moving;
} RoomMemory;

KERNEL ix room_latency(const RoomSettings *settings, double sample_rate, ix channels);
KERNEL double room_wet_share(const RoomSettings *settings);
KERNEL ix room_longest_input_delay(const RoomSettings *settings, double sample_rate);
KERNEL ix room_longest_diffuser_delay(const RoomSettings *settings, double sample_rate);
KERNEL ix room_tail(const RoomSettings *settings, double sample_rate, ix channels, double level_db);
KERNEL ix room_rings(const RoomSettings *settings);
KERNEL ix room_ring_columns(ix longest);
KERNEL void room_shapes(const RoomSettings *settings, double sample_rate, ix channels, int64s_2 shapes);
KERNEL double room_decay_power(double decibels_per_sample, int64_t samples);
KERNEL void room_lay_out(const RoomSettings *settings, double mean, ix pre_delay, const Network *network);
KERNEL double room_weigh(const RoomSettings *settings, ix channels, ix pre_delay, double per_sample_db, const Network *network);
KERNEL double room_place_taps(const RoomSettings *settings, ix channels, double mean, double per_sample_db, const Network *network);
KERNEL double room_loop_power(double turns, const Network *network);
typedef struct {
    double m0;
    double m1;
    double m2;
    double m3;
} room__output_gains_result;

KERNEL room__output_gains_result room_output_gains(const RoomSettings *settings, ix channels);
KERNEL void room_set_levels(const RoomSettings *settings, ix channels, double level, const Network *network);
KERNEL void room_set_turning(const RoomSettings *settings, double sample_rate, doubles_1 decays, const Network *network, const NetworkState *state);
KERNEL void room_design(const RoomSettings *settings, double sample_rate, ix channels, int64_t start_sample, int64_t track, const RoomMemory *memory);
KERNEL void room_change(const RoomSettings *settings, double sample_rate, ix channels, const RoomMemory *memory);
KERNEL void room_decays(const RoomMemory *memory, double sample_rate, doubles_1 frequencies_hz, doubles_2 out);
KERNEL void room_seek(const RoomMemory *memory, int64_t place);
KERNEL void room_process(const RoomMemory *memory, reals_2 block, reals_2 out);

#endif
