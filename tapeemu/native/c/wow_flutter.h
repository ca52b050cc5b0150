/* Generated from wow_flutter.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_WOW_FLUTTER_H
#define TAPEEMU_WOW_FLUTTER_H

#include "exact_places.h"
#include "glides.h"
#include "hashing.h"
#include "interpolation.h"
#include "kept_rows.h"
#include "memory_shapes.h"
#include "noise_spectrum.h"
#include "reader_table.h"
#include "trajectories.h"

typedef struct {
    doubles_2 parts;
    double random_percent;
    double random_slope_db_per_octave;
    double random_low_hz;
    double random_high_hz;
    double scrape_percent;
    double scrape_low_hz;
    double scrape_high_hz;
    double weighted_flutter_percent;
    ix scaled;
    double figure_percent;
    double wide_figure_percent;
    double speed_error_percent;
    double azimuth_skew_us;
    double azimuth_wander_us;
    double track_skew_us;
    ix reader_taps;
    uint64_t seed;
} WowFlutterSettings;

typedef struct {
    doubles_1 plan;
    int64s_1 counts;
    uint64s_1 ratio;
    reals_2 table;
    reals_2 line;
    doubles_2 delays;
    doubles_2 moved;
    doubles_2 apart;
    Places places;
    Glide glide;
    Trajectory flutter;
    Trajectory azimuth;
    Trajectory turning;
    Trajectory scraping;
} WowFlutterMemory;

KERNEL double wow_flutter_ratio_of(const WowFlutterSettings *settings);
KERNEL double wow_flutter_flutter_scale(const WowFlutterSettings *settings);
KERNEL double wow_flutter_settling_percent(const WowFlutterSettings *settings);
KERNEL double wow_flutter_random_rms(const WowFlutterSettings *settings, double sample_rate);
KERNEL double wow_flutter_scrape_rms(const WowFlutterSettings *settings, double sample_rate);
KERNEL double wow_flutter_wander_rms(const WowFlutterSettings *settings, double sample_rate);
KERNEL double wow_flutter_part_amplitude(const WowFlutterSettings *settings, double sample_rate, ix part);
KERNEL double wow_flutter_delay_bound(const WowFlutterSettings *settings, double sample_rate, ix channels);
KERNEL ix wow_flutter_reach(const WowFlutterSettings *settings, double sample_rate, ix channels);
KERNEL ix wow_flutter_latency(const WowFlutterSettings *settings, double sample_rate, ix channels);
KERNEL ix wow_flutter_tail(const WowFlutterSettings *settings, double sample_rate, ix channels, double level_db);
KERNEL double wow_flutter_length_ratio(const WowFlutterSettings *settings);
KERNEL void wow_flutter_shapes(const WowFlutterSettings *settings, double sample_rate, ix channels, int64s_2 shapes);
KERNEL bool wow_flutter_has_noise(const WowFlutterSettings *settings);
KERNEL bool wow_flutter_has_scrape(const WowFlutterSettings *settings);
KERNEL double wow_flutter_track_skew_samples(const WowFlutterSettings *settings, double sample_rate, int64_t track);
KERNEL void wow_flutter_set_sines(const WowFlutterSettings *settings, double sample_rate, const Trajectory *memory);
KERNEL void wow_flutter_set_scrape(const WowFlutterSettings *settings, double sample_rate, ix number, const Trajectory *memory);
KERNEL void wow_flutter_design_delay(const WowFlutterSettings *settings, double sample_rate, int64_t track, const Trajectory *memory, doubles_1 scratch);
KERNEL void wow_flutter_design_azimuth(const WowFlutterSettings *settings, double sample_rate, const Trajectory *memory, doubles_1 scratch);
KERNEL void wow_flutter_design(const WowFlutterSettings *settings, double sample_rate, ix channels, int64_t start_sample, int64_t track, const WowFlutterMemory *memory);
KERNEL void wow_flutter_design_apart(const WowFlutterSettings *settings, double sample_rate, const WowFlutterMemory *memory);
KERNEL void wow_flutter_change(const WowFlutterSettings *settings, double sample_rate, ix channels, const WowFlutterMemory *memory);
KERNEL void wow_flutter_seek(const WowFlutterMemory *memory, int64_t place);
KERNEL double wow_flutter_distance(int64_t output, int64_t place, uint64s_1 words);
KERNEL int64_t wow_flutter_earliest(const WowFlutterMemory *memory);
KERNEL int64_t wow_flutter_countable(const WowFlutterMemory *memory, int64_t fed);
KERNEL ix wow_flutter_process(const WowFlutterMemory *memory, reals_2 block, reals_2 out);
KERNEL void wow_flutter_read_stretch(const WowFlutterMemory *memory, int64_t end, int64_t before, reals_2 out);
KERNEL void wow_flutter_locate(const WowFlutterMemory *memory, double share, ix begin, ix since, ix count);
KERNEL bool wow_flutter_moves_apart(const Glide *glide);
KERNEL void wow_flutter_fill_apart(const WowFlutterMemory *memory, int64_t piece);
KERNEL void wow_flutter_move_delays(const WowFlutterMemory *memory, ix begin, ix count);
KERNEL void wow_flutter_fill_delays(const WowFlutterMemory *memory, int64_t piece);

#endif
