/* Generated from amplitude_flutter.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_AMPLITUDE_FLUTTER_H
#define TAPEEMU_AMPLITUDE_FLUTTER_H

#include "dropouts.h"
#include "glides.h"
#include "hashing.h"
#include "kept_rows.h"
#include "noise_spectrum.h"
#include "spacing_loss.h"
#include "trajectories.h"

typedef struct {
    ix spacing;
    doubles_2 periodic_parts;
    double periodic_percent;
    double random_db;
    double random_low_hz;
    double random_high_hz;
    double channel_correlation;
    double spacing_frequency_hz;
    double dropouts_per_minute;
    double dropout_least_db;
    double dropout_most_db;
    double dropout_shortest_ms;
    double dropout_longest_ms;
    ix dropouts_on_all_channels;
    uint64_t seed;
} AmplitudeFlutterSettings;

typedef struct {
    doubles_1 plan;
    int64s_1 state;
    uint64s_1 keys;
    doubles_1 law;
    reals_2 course;
    doubles_2 levels;
    reals_1 depth;
    reals_2 factors;
    doubles_1 alone;
    doubles_1 nodes;
    Glide glide;
    reals_2 table;
    reals_2 line;
    SpacingScratch scratch;
    Trajectory common;
    Trajectory own;
    Trajectory periodic;
} AmplitudeFlutterMemory;

KERNEL ix amplitude_flutter_parts(const AmplitudeFlutterSettings *settings);
KERNEL double amplitude_flutter_peak_db(const AmplitudeFlutterSettings *settings, ix part);
KERNEL double amplitude_flutter_contact_db(const AmplitudeFlutterSettings *settings);
KERNEL uint64_t amplitude_flutter_dropout_key(uint64_t seed, bool own, ix channel);
KERNEL void amplitude_flutter_settings_law(const AmplitudeFlutterSettings *settings, doubles_1 law);
KERNEL bool amplitude_flutter_has_own_noise(const AmplitudeFlutterSettings *settings);
KERNEL bool amplitude_flutter_has_own_dropouts(const AmplitudeFlutterSettings *settings);
KERNEL double amplitude_flutter_lowest(const AmplitudeFlutterSettings *settings, double sample_rate);
KERNEL double amplitude_flutter_highest(const AmplitudeFlutterSettings *settings, double sample_rate);
KERNEL ix amplitude_flutter_latency(const AmplitudeFlutterSettings *settings, double sample_rate, ix channels);
KERNEL ix amplitude_flutter_tail(const AmplitudeFlutterSettings *settings, double sample_rate, ix channels, double level_db);
KERNEL void amplitude_flutter_shapes(const AmplitudeFlutterSettings *settings, double sample_rate, ix channels, int64s_2 shapes);
KERNEL void amplitude_flutter_set_sines(const AmplitudeFlutterSettings *settings, const Trajectory *memory);
KERNEL void amplitude_flutter_seek(const AmplitudeFlutterMemory *memory, int64_t place);
KERNEL void amplitude_flutter_gains_of_levels(doubles_1 levels, reals_1 out);
KERNEL void amplitude_flutter_fill_levels(const AmplitudeFlutterMemory *memory, int64_t piece, ix place, ix channel);
KERNEL void amplitude_flutter_read_levels(const AmplitudeFlutterMemory *memory, int64_t first, ix channel, doubles_1 out);
KERNEL void amplitude_flutter_move_common(const AmplitudeFlutterMemory *memory, int64_t piece);
KERNEL void amplitude_flutter_make_course(const AmplitudeFlutterMemory *memory, int64_t piece);
KERNEL void amplitude_flutter_design(const AmplitudeFlutterSettings *settings, double sample_rate, ix channels, int64_t start_sample, int64_t track, const AmplitudeFlutterMemory *memory);
KERNEL void amplitude_flutter_change(const AmplitudeFlutterSettings *settings, double sample_rate, ix channels, const AmplitudeFlutterMemory *memory);
KERNEL void amplitude_flutter_scale(reals_1 gains, reals_1 block, reals_1 out);
KERNEL void amplitude_flutter_drop_past(reals_2 line, ix kept, ix filled);
KERNEL void amplitude_flutter_process(const AmplitudeFlutterMemory *memory, reals_2 block, reals_2 out);

#endif
