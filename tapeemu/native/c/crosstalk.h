/* Generated from crosstalk.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_CROSSTALK_H
#define TAPEEMU_CROSSTALK_H

#include "elementary.h"
#include "glides.h"
#include "kept_rows.h"
#include "memory_shapes.h"
#include "three_rates.h"

typedef struct {
    double fringing_db;
    double guard_mm;
    double tape_speed_cm_s;
    double coupling_db;
    ix tracks_heard;
    double track_width_mm;
    double coupling_step_db;
} CrosstalkSettings;

typedef struct {
    ThreeRates rates;
    reals_2 raised;
    reals_1 fast;
    reals_1 odd;
} TrackFilter;

typedef struct {
    int64s_1 counts;
    reals_2 dry;
    reals_2 heard;
    reals_2 part;
    reals_2 coupled;
    reals_2 gains;
    doubles_1 work;
    TrackFilter filters;
    TrackFilter further;
    TrackFilter farthest;
    Glide glide;
} CrosstalkMemory;

KERNEL double crosstalk_fringing_law(const CrosstalkSettings *settings, double frequency_hz, ix away);
KERNEL double crosstalk_coupling_law(double frequency_hz, double sample_rate);
KERNEL double crosstalk_fringing_gain(const CrosstalkSettings *settings);
KERNEL double crosstalk_coupling_gain(const CrosstalkSettings *settings, ix away);
KERNEL ix crosstalk_latency(const CrosstalkSettings *settings, double sample_rate, ix channels);
KERNEL ix crosstalk_tail(const CrosstalkSettings *settings, double sample_rate, ix channels, double level_db);
KERNEL ix crosstalk_filter_shapes(double sample_rate, ix channels, int64s_2 shapes, ix row);
KERNEL void crosstalk_shapes(const CrosstalkSettings *settings, double sample_rate, ix channels, int64s_2 shapes);
KERNEL void crosstalk_set_taps(const TrackFilter *filters, double fringing, double coupling);
KERNEL void crosstalk_set_all_taps(const CrosstalkMemory *memory, bool apart);
KERNEL void crosstalk_design_filter(const CrosstalkSettings *settings, double sample_rate, ix away, const TrackFilter *filters, doubles_1 work);
KERNEL void crosstalk_design(const CrosstalkSettings *settings, double sample_rate, ix channels, int64_t start_sample, int64_t track, const CrosstalkMemory *memory);
KERNEL void crosstalk_change(const CrosstalkSettings *settings, double sample_rate, ix channels, const CrosstalkMemory *memory);
KERNEL void crosstalk_seek(const CrosstalkMemory *memory, int64_t place);
KERNEL void crosstalk_add_neighbours(const CrosstalkMemory *memory, ix column);
KERNEL void crosstalk_make_room(const CrosstalkMemory *memory);
KERNEL void crosstalk_find_gains(const CrosstalkMemory *memory);
KERNEL void crosstalk_filter_tracks(const CrosstalkMemory *memory, const TrackFilter *filters, ix away, reals_2 out);
KERNEL void crosstalk_add_further(const CrosstalkMemory *memory, const TrackFilter *filters, ix away, ix column);
KERNEL void crosstalk_hear_tracks(const CrosstalkMemory *memory, ix column);
KERNEL void crosstalk_process(const CrosstalkMemory *memory, reals_2 block, reals_2 out);

#endif
