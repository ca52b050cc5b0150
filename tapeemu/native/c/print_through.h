/* Generated from print_through.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_PRINT_THROUGH_H
#define TAPEEMU_PRINT_THROUGH_H

#include "elementary.h"
#include "glides.h"
#include "interpolation.h"
#include "kept_rows.h"
#include "reader_table.h"
#include "three_rates.h"

typedef struct {
    double level_db;
    double asymmetry_db;
    ix pre_echo;
    ix heads_out;
    double tape_speed_cm_s;
    double coating_um;
    double base_um;
    double hub_radius_mm;
    double full_radius_mm;
} PrintThroughSettings;

typedef struct {
    doubles_1 plan;
    int64s_1 counts;
    reals_2 reader;
    reals_2 ring;
    reals_2 later;
    reals_2 sooner;
    reals_2 heard;
    Places places;
    doubles_2 scratch;
    doubles_1 work;
    ThreeRates filters;
    Glide glide;
    doubles_2 nodes;
    doubles_2 levels;
} PrintThroughMemory;

KERNEL double print_through_print_law(double thick, double apart);
KERNEL double print_through_law_peak(double apart);
KERNEL double print_through_print_gain(const PrintThroughSettings *settings, double frequency_hz);
KERNEL double print_through_print_peak_hz(const PrintThroughSettings *settings);
KERNEL double print_through_pitch(const PrintThroughSettings *settings);
KERNEL ix print_through_longest_turn(const PrintThroughSettings *settings, double sample_rate);
KERNEL ix print_through_behind(const PrintThroughSettings *settings, double sample_rate);
KERNEL ix print_through_latency(const PrintThroughSettings *settings, double sample_rate, ix channels);
KERNEL double print_through_post_db(const PrintThroughSettings *settings);
KERNEL double print_through_pre_db(const PrintThroughSettings *settings);
KERNEL double print_through_post_gain(const PrintThroughSettings *settings);
KERNEL double print_through_pre_gain(const PrintThroughSettings *settings);
KERNEL ix print_through_tail(const PrintThroughSettings *settings, double sample_rate, ix channels, double level_db);
KERNEL ix print_through_lead(const PrintThroughSettings *settings, double sample_rate, double level_db);
KERNEL void print_through_shapes(const PrintThroughSettings *settings, double sample_rate, ix channels, int64s_2 shapes);
KERNEL void print_through_design(const PrintThroughSettings *settings, double sample_rate, ix channels, int64_t start_sample, int64_t track, const PrintThroughMemory *memory);
KERNEL void print_through_change(const PrintThroughSettings *settings, double sample_rate, ix channels, const PrintThroughMemory *memory);
KERNEL void print_through_seek(const PrintThroughMemory *memory, int64_t place);
KERNEL double print_through_radius(double square, double least, double most);
KERNEL double print_through_length_of_turn(doubles_1 plan, double radius, bool before);
KERNEL double print_through_turn_samples(doubles_1 plan, int64_t place, bool before);
KERNEL void print_through_find_radii(const PrintThroughMemory *memory, int64_t first);
KERNEL void print_through_read_turn(const PrintThroughMemory *memory, int64_t first, bool before, reals_2 out);
KERNEL void print_through_keep_nodes(const PrintThroughMemory *memory);
KERNEL void print_through_find_levels(const PrintThroughMemory *memory, int64_t first);
KERNEL void print_through_hear_turns(const PrintThroughMemory *memory, int64_t first);
KERNEL void print_through_process(const PrintThroughMemory *memory, reals_2 block, reals_2 out);

#endif
