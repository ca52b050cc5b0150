/* Generated from tape_response.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_TAPE_RESPONSE_H
#define TAPEEMU_TAPE_RESPONSE_H

#include "closer_curve.h"
#include "elementary.h"
#include "glides.h"
#include "head_face.h"
#include "long_filter.h"
#include "memory_shapes.h"
#include "offset_filter.h"
#include "record_equaliser.h"
#include "self_erasure.h"
#include "wavelength_losses.h"

typedef struct {
    Medium medium;
    double bass_us;
    double face_mm;
    ix bump_set;
    double bump_db;
    ix thin_poles;
    double record_loss_um;
    ix sol_set;
    double sol_db;
    double bias_db;
    double self_erasure_db;
    double mol_db;
    double reference_level_dbfs;
    double high_pass_hz;
} TapeResponseSettings;

typedef struct {
    doubles_1 plan;
    int64s_1 state;
    doubles_2 slopes;
    reals_2 work;
    Glide glide;
    RecordEqualiser recording;
    SelfErasure erasure;
    LongFilter post;
    CloserCurve curve;
    doubles_2 face;
    doubles_1 fast_gains;
    doubles_1 middle_gains;
    doubles_1 slow_gains;
    doubles_2 fit;
} TapeResponseMemory;

KERNEL double tape_response_echo_samples(const TapeResponseSettings *settings, double sample_rate);
KERNEL ix tape_response_times(double sample_rate);
KERNEL ix tape_response_sharper(const TapeResponseSettings *settings, double sample_rate);
KERNEL ix tape_response_fast_half(const TapeResponseSettings *settings, double sample_rate);
KERNEL ix tape_response_side(const TapeResponseSettings *settings, double sample_rate);
KERNEL ix tape_response_side_at(const TapeResponseSettings *settings, double sample_rate);
KERNEL ix tape_response_fast_end(const TapeResponseSettings *settings, double sample_rate);
KERNEL ix tape_response_eights(double count);
KERNEL ix tape_response_middle_half(const TapeResponseSettings *settings, double sample_rate);
KERNEL ix tape_response_slow_half(const TapeResponseSettings *settings, double sample_rate);
KERNEL ix tape_response_points(ix least);
KERNEL ix tape_response_drives(const TapeResponseSettings *settings);
KERNEL ix tape_response_latency(const TapeResponseSettings *settings, double sample_rate, ix channels);
KERNEL ix tape_response_lead(const TapeResponseSettings *settings, double sample_rate, ix channels, double level_db);
KERNEL ix tape_response_tail(const TapeResponseSettings *settings, double sample_rate, ix channels, double level_db);
KERNEL ix tape_response_latest(const TapeResponseSettings *settings, double sample_rate);
KERNEL void tape_response_shapes(const TapeResponseSettings *settings, double sample_rate, ix channels, int64s_2 shapes);
typedef struct {
    double m0;
    double m1;
} tape_response_face_shares_of_result;

KERNEL tape_response_face_shares_of_result tape_response_face_shares_of(const TapeResponseSettings *settings, doubles_2 nodes);
KERNEL double tape_response_bias_gain(const TapeResponseSettings *settings, double f);
KERNEL double tape_response_replay_gain(const TapeResponseSettings *settings, double lost_um, doubles_2 nodes, double thin, double deep, double f);
typedef struct {
    double m0;
    double m1;
} tape_response__harmonics_result;

KERNEL tape_response__harmonics_result tape_response_harmonics(double peak);
KERNEL double tape_response_third_harmonic_percent(const TapeResponseSettings *settings, double lost_um, doubles_2 nodes, double thin, double deep, double peak);
KERNEL double tape_response_mol_peak(const TapeResponseSettings *settings, double lost_um, doubles_2 nodes, double thin, double deep);
KERNEL double tape_response_gain_of(const TapeResponseSettings *settings, double mol_peak, double raised);
KERNEL double tape_response_record_gain(const TapeResponseSettings *settings, double lost_um, doubles_2 nodes, double thin, double deep);
KERNEL double tape_response_highest_fundamental(const TapeResponseSettings *settings);
KERNEL double tape_response_saturated_output_db(const TapeResponseSettings *settings, double lost_um, doubles_2 nodes, double thin, double deep);
KERNEL double tape_response_solved_record_loss_um(const TapeResponseSettings *settings, doubles_2 nodes, double thin, double deep);
KERNEL void tape_response_fill(const TapeResponseSettings *settings, double sample_rate, double rate, double lost_um, const TapeResponseMemory *memory, double thin, double deep, doubles_1 gains);
KERNEL void tape_response_design_filters(const TapeResponseSettings *settings, double sample_rate, double lost_um, const TapeResponseMemory *memory, double thin, double deep);
KERNEL double tape_response_highest_pre_emphasis(const TapeResponseSettings *settings, double lost_um, double sample_rate);
KERNEL ix tape_response_times_of_curve(double gain, double highest, double sample_rate);
KERNEL void tape_response_design(const TapeResponseSettings *settings, double sample_rate, ix channels, int64_t start_sample, int64_t track, const TapeResponseMemory *memory);
KERNEL void tape_response_change(const TapeResponseSettings *settings, double sample_rate, ix channels, const TapeResponseMemory *memory);
KERNEL void tape_response_seek(const TapeResponseMemory *memory, int64_t place);
KERNEL void tape_response_slope(reals_1 audio, double pole, double zero, double gain, doubles_1 state);
KERNEL void tape_response_record(ix channel, ix at, const TapeResponseMemory *memory, reals_1 audio);
KERNEL void tape_response_find_gains(ix count, const TapeResponseMemory *memory);
KERNEL void tape_response_multiply(reals_1 factors, reals_1 audio);
KERNEL void tape_response_process(const TapeResponseMemory *memory, reals_2 block, reals_2 out);

#endif
