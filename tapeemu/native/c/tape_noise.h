/* Generated from tape_noise.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_TAPE_NOISE_H
#define TAPEEMU_TAPE_NOISE_H

#include "elementary.h"
#include "glides.h"
#include "hashing.h"

typedef struct {
    ix hiss;
    ix hiss_set;
    double hiss_db;
    ix weighting;
    double tape_speed_cm_s;
    double treble_us;
    double bass_us;
    double coating_um;
    double spacing_um;
    double track_width_mm;
    ix skirt;
    double skirt_db;
    double skirt_hz;
    ix hum;
    double hum_db;
    double mains_hz;
    double reference_level_dbfs;
    uint64_t seed;
} TapeNoiseSettings;

typedef struct {
    int64s_1 switches;
    int64s_1 state;
    uint64s_1 keys;
    uint64s_1 turns;
    reals_1 fast;
    reals_1 middle;
    reals_1 slow;
    reals_1 skirt_middle;
    reals_1 skirt_slow;
    reals_2 raising;
    reals_1 hum_peaks;
    reals_2 hiss;
    reals_2 moving;
    reals_1 hum;
    doubles_1 levels;
    Glide glide;
    reals_2 rows;
    reals_2 white;
    reals_2 white_middle;
    reals_2 white_slow;
    reals_2 slows;
    reals_2 raised;
    doubles_2 design;
} TapeNoiseMemory;

KERNEL ix tape_noise_half_of_slow(double sample_rate);
KERNEL void tape_noise_shapes(const TapeNoiseSettings *settings, double sample_rate, ix channels, int64s_2 shapes);
KERNEL ix tape_noise_latency(const TapeNoiseSettings *settings, double sample_rate, ix channels);
KERNEL int64_t tape_noise_tail(const TapeNoiseSettings *settings, double sample_rate, ix channels, double level_db);
KERNEL ix tape_noise_adds_sound(const TapeNoiseSettings *settings);
KERNEL double tape_noise_hiss_density(const TapeNoiseSettings *settings, double frequency_hz);
KERNEL double tape_noise_a_weighting_power(double frequency_hz);
KERNEL double tape_noise_itu468_power(double frequency_hz);
KERNEL double tape_noise_gain_at(reals_1 taps, double turns);
KERNEL void tape_noise_design_filter(doubles_1 gains, reals_1 taps);
KERNEL double tape_noise_bessel_i0(double x);
KERNEL void tape_noise_design_raising(reals_2 raising);
KERNEL double tape_noise_weighted_power(const TapeNoiseSettings *settings, double top_hz);
KERNEL double tape_noise_hiss_of_medium_db(const TapeNoiseSettings *settings);
KERNEL double tape_noise_scale_of_hiss(const TapeNoiseSettings *settings, double sample_rate);
KERNEL double tape_noise_density(const TapeNoiseSettings *settings, bool of_skirt, double frequency_hz);
KERNEL void tape_noise_design_filters(const TapeNoiseSettings *settings, double sample_rate, bool of_skirt, double scale, const TapeNoiseMemory *memory, reals_1 middle, reals_1 slow);
KERNEL double tape_noise_power_of(reals_1 taps);
KERNEL void tape_noise_design_skirt(const TapeNoiseSettings *settings, double sample_rate, const TapeNoiseMemory *memory);
KERNEL void tape_noise_design_hum(const TapeNoiseSettings *settings, double sample_rate, const TapeNoiseMemory *memory);
KERNEL void tape_noise_design(const TapeNoiseSettings *settings, double sample_rate, ix channels, int64_t start_sample, int64_t track, const TapeNoiseMemory *memory);
KERNEL double tape_noise_level_db(const TapeNoiseSettings *settings, ix part);
KERNEL void tape_noise_change(const TapeNoiseSettings *settings, double sample_rate, ix channels, const TapeNoiseMemory *memory);
KERNEL void tape_noise_seek(const TapeNoiseMemory *memory, int64_t place);
KERNEL void tape_noise_fill_numbers(uint64_t key, int64_t first, ix begin, reals_1 numbers);
KERNEL void tape_noise_filter_numbers(reals_1 taps, ix count, reals_1 numbers, reals_1 out);
KERNEL void tape_noise_add_raised(reals_1 low, reals_2 raising, ix count, reals_1 out);
KERNEL void tape_noise_move_on(reals_1 row, ix count);
KERNEL ix tape_noise_extend_noise(uint64_t key, int64_t first, ix new, reals_1 taps, bool goes_on, reals_1 numbers, reals_1 out);
KERNEL void tape_noise_make_lower_rates(const TapeNoiseMemory *memory, ix row, ix first_key, int64_t piece, bool goes_on, reals_1 middle, reals_1 slow);
KERNEL void tape_noise_make_hum(const TapeNoiseMemory *memory, int64_t first);
KERNEL void tape_noise_make_piece(const TapeNoiseMemory *memory, int64_t piece);
KERNEL void tape_noise_process(const TapeNoiseMemory *memory, reals_2 block, reals_2 out);

#endif
