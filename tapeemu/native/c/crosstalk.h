/* Generated from crosstalk.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_CROSSTALK_H
#define TAPEEMU_CROSSTALK_H

#include "elementary.h"
#include "three_rates.h"

typedef struct {
    ix fringing;
    double fringing_db;
    double guard_mm;
    double tape_speed_cm_s;
    ix coupling;
    double coupling_db;
    ix tracks_heard;
    double track_width_mm;
    double coupling_step_db;
} CrosstalkSettings;

typedef struct {
    int64s_1 counts;
    reals_2 dry;
    reals_2 heard;
    reals_2 part;
    doubles_1 work;
    ThreeRates filters;
    ThreeRates further;
    ThreeRates farthest;
} CrosstalkMemory;

KERNEL double crosstalk_fringing_gain(const CrosstalkSettings *settings, double frequency_hz, ix away);
KERNEL double crosstalk_coupling_gain(const CrosstalkSettings *settings, double frequency_hz, double sample_rate, ix away);
KERNEL ix crosstalk_latency(const CrosstalkSettings *settings, double sample_rate, ix channels);
KERNEL ix crosstalk_tail(const CrosstalkSettings *settings, double sample_rate, ix channels, double level_db);
KERNEL void crosstalk_shapes(const CrosstalkSettings *settings, double sample_rate, ix channels, int64s_2 shapes);
KERNEL void crosstalk_design_filter(const CrosstalkSettings *settings, double sample_rate, ix away, const ThreeRates *filters, doubles_1 work);
KERNEL void crosstalk_design(const CrosstalkSettings *settings, double sample_rate, ix channels, int64_t start_sample, int64_t track, const CrosstalkMemory *memory);
KERNEL void crosstalk_seek(const CrosstalkMemory *memory, int64_t place);
KERNEL void crosstalk_add_neighbours(const CrosstalkMemory *memory, ix column);
KERNEL void crosstalk_make_room(const CrosstalkMemory *memory);
KERNEL void crosstalk_add_further(const CrosstalkMemory *memory, const ThreeRates *filters, ix away, ix column);
KERNEL void crosstalk_process(const CrosstalkMemory *memory, reals_2 block, reals_2 out);

#endif
