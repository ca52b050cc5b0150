/* Generated from octave_noise.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_OCTAVE_NOISE_H
#define TAPEEMU_OCTAVE_NOISE_H

#include "elementary.h"
#include "exact_places.h"
#include "hashing.h"
#include "noise_spectrum.h"

typedef struct {
    uint64s_1 keys;
    uint64s_2 rates;
    int64s_2 layout;
    doubles_2 values;
    doubles_2 taps;
    int64s_2 spans;
    int64s_2 held;
    doubles_2 numbers;
    doubles_2 nodes;
    doubles_2 cubics;
} Noises;

KERNEL ix octave_noise_noise_octaves(ix kind, double low_hz, double high_hz, double sample_rate);
KERNEL ix octave_noise_cubics_room(double highest_hz, double sample_rate, ix samples);
KERNEL ix octave_noise_pairs_room(double highest_hz, double sample_rate, ix samples);
KERNEL double octave_noise_flank(ix octave, ix octaves, double place);
KERNEL double octave_noise_power_of_taps(doubles_2 taps, bool integrated, double node_rate);
KERNEL void octave_noise_design_octave(ix kind, double low_hz, double high_hz, double slope_db_per_octave, bool integrated, double lower_hz, double upper_hz, double centre_hz, ix octave, ix octaves, doubles_2 taps);
KERNEL void octave_noise_design_noise(ix number, ix kind, uint64_t key, double low_hz, double high_hz, double rms, double slope_db_per_octave, bool integrated, double sample_rate, double curve_rate, const Noises *noises);
KERNEL void octave_noise_filter_pairs(doubles_1 numbers, doubles_2 taps, ix first, ix pairs, doubles_1 out);
KERNEL void octave_noise_add_raised(doubles_1 low, ix first, ix pairs, doubles_1 out);
KERNEL void octave_noise_keep_from(doubles_1 row, ix skipped, ix kept);
KERNEL ix octave_noise_make_room(ix row, int64_t begin, const Noises *noises);
KERNEL void octave_noise_forget_nodes(ix variant, const Noises *noises);
KERNEL ix octave_noise_first_row(ix number, ix place, const Noises *noises);
KERNEL ix octave_noise_fill_nodes(ix number, ix place, uint64_t variant, int64_t first, ix count, const Noises *noises);
KERNEL void octave_noise_fill_cubics(doubles_1 nodes, ix count, doubles_1 slopes, doubles_1 leans, doubles_1 bends);
typedef struct {
    ix m0;
    ix m1;
    double m2;
} octave_noise__make_cubics_result;

KERNEL octave_noise__make_cubics_result octave_noise_make_cubics(ix number, ix place, uint64_t variant, int64_t sample, double per_point, ix first, ix count, const Noises *noises);
KERNEL ix octave_noise_last_grid(ix number, const Noises *noises);
KERNEL void octave_noise_add_noise_curve(ix number, ix place, uint64_t variant, int64_t sample, ix step, ix first, const Noises *noises, doubles_1 out_values, doubles_1 out_slopes);
KERNEL void octave_noise_add_noise_samples(ix number, ix place, uint64_t variant, int64_t sample, ix first, const Noises *noises, doubles_1 out);

#endif
