/* Generated from start_stop.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_START_STOP_H
#define TAPEEMU_START_STOP_H

#include "elementary.h"
#include "interpolation.h"
#include "kept_rows.h"
#include "memory_shapes.h"
#include "reader_table.h"
#include "small_systems.h"

typedef struct {
    doubles_2 events;
    double treble_us;
    double bass_us;
} StartStopSettings;

typedef struct {
    doubles_1 plan;
    int64s_1 counts;
    doubles_2 motions;
    int64s_2 places;
    reals_1 low;
    reals_1 below;
    reals_2 table;
    reals_2 recent;
    reals_2 line;
    doubles_2 states;
    doubles_2 delays;
    doubles_1 speeds;
    reals_2 read;
    Places stretch;
} StartStopMemory;

typedef struct {
    double m0;
    double m1;
} start_stop_motion_result;

KERNEL start_stop_motion_result start_stop_motion(ix kind, double lag, double speed, double tau, double elapsed);
KERNEL double start_stop_lasting(ix kind, double speed, double tau);
typedef struct {
    double m0;
    double m1;
} start_stop_found_by_result;

KERNEL start_stop_found_by_result start_stop_found_by(const StartStopSettings *settings, double sample_rate, ix event);
KERNEL ix start_stop_lead_of(const StartStopSettings *settings, double sample_rate);
KERNEL ix start_stop_lag_of(const StartStopSettings *settings, double sample_rate);
KERNEL bool start_stop_catches_up(const StartStopSettings *settings);
KERNEL ix start_stop_filters_delay(const StartStopSettings *settings);
KERNEL ix start_stop_latency(const StartStopSettings *settings, double sample_rate, ix channels);
KERNEL ix start_stop_tail(const StartStopSettings *settings, double sample_rate, ix channels, double level_db);
KERNEL ix start_stop_ring_of(const StartStopSettings *settings, double sample_rate);
KERNEL void start_stop_shapes(const StartStopSettings *settings, double sample_rate, ix channels, int64s_2 shapes);
KERNEL void start_stop_design_low(double pole, double treble, doubles_2 scratch, reals_1 low);
KERNEL void start_stop_design_below(reals_1 below);
KERNEL void start_stop_design(const StartStopSettings *settings, double sample_rate, ix channels, int64_t start_sample, int64_t track, const StartStopMemory *memory);
KERNEL void start_stop_seek(const StartStopMemory *memory, int64_t place);
KERNEL void start_stop_process(const StartStopMemory *memory, reals_2 block, reals_2 out);
KERNEL void start_stop_put(reals_1 row, ix place, ix ring, ix first, reals_1 recent, ix count);
KERNEL double start_stop_low_passed(reals_1 recent, ix first, ix count, reals_1 low, double pole, double held, reals_1 out);
KERNEL void start_stop_without_top(reals_1 recent, ix first, ix count, reals_1 below, reals_1 out);
KERNEL bool start_stop_runs_on(const StartStopMemory *memory);
KERNEL void start_stop_lay(const StartStopMemory *memory, reals_2 block, ix taken, ix count);
KERNEL ix start_stop_next_outputs(const StartStopMemory *memory, ix most, ix at, reals_2 out);
KERNEL void start_stop_silence(ix count, ix at, reals_2 out);
KERNEL void start_stop_run(const StartStopMemory *memory, int64_t reached, ix count, ix at, reals_2 out);
KERNEL void start_stop_settle(const StartStopMemory *memory, ix count, ix at, reals_2 out);
KERNEL void start_stop_move(const StartStopMemory *memory, ix event, int64_t reached, ix count, ix at, reals_2 out);
KERNEL void start_stop_equalise(const StartStopMemory *memory, ix channel, ix low_row, ix count, ix at, reals_2 out);

#endif
