/* Generated from absorption.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_ABSORPTION_H
#define TAPEEMU_ABSORPTION_H

#include "elementary.h"
#include "octave_decay.h"
#include "room_layout.h"
#include "small_systems.h"

typedef struct {
    doubles_2 points;
    doubles_2 centres;
    doubles_3 lines;
    doubles_3 trial;
    doubles_3 chosen;
} AbsorptionScratch;

KERNEL ix absorption_section_count(doubles_3 filters);
KERNEL double absorption_quadratic_power(double once, double twice, double cosine, double sine);
KERNEL double absorption_pass_power(doubles_3 filters, ix line, double cosine, double sine);
KERNEL double absorption_quadratic_delay(double once, double twice, double cosine, double sine);
KERNEL double absorption_filter_delay(doubles_3 filters, ix line, double cosine, double sine);
KERNEL double absorption_power_db(double power);
KERNEL double absorption_loop_level_db(doubles_3 filters, ix line, double frequency_hz, double sample_rate);
KERNEL double absorption_loop_decay_seconds(doubles_3 filters, int64_t delay, ix line, double frequency_hz, double sample_rate);
KERNEL void absorption_copy_filters(doubles_3 source, doubles_3 target);
KERNEL void absorption_prepare_tables(double sample_rate, ix bands, const AbsorptionScratch *work);
KERNEL void absorption_sum_levels(doubles_3 filters, ix count, doubles_2 points);
KERNEL void absorption_sum_delays(doubles_3 filters, int64s_1 delays, ix count, doubles_2 points);
KERNEL double absorption_read_decays(doubles_3 filters, int64s_1 delays, double sample_rate, ix bands, const AbsorptionScratch *work, doubles_1 out);
KERNEL void absorption_fill_levels(int64s_1 delays, doubles_1 seconds, double sample_rate, ix bands, doubles_2 levels);
KERNEL double absorption_centre_error(doubles_3 filters, ix bands, const AbsorptionScratch *work);
KERNEL double absorption_first_corner_hz(ix sections, ix k);
KERNEL void absorption_begin_fit(doubles_2 levels, ix sections, double sample_rate, ix bands, doubles_2 unknowns);
KERNEL void absorption_fill_squares(doubles_1 values, ix size, doubles_1 out);
KERNEL double absorption_fit_residue(doubles_1 values, doubles_1 level, doubles_1 squares, ix pairs, ix bands, const AbsorptionScratch *work, doubles_1 error);
KERNEL void absorption_fit_slopes(doubles_1 level, doubles_1 squares, ix pairs, ix bands, const AbsorptionScratch *work);
KERNEL void absorption_fit_step(ix line, ix pairs, ix bands, const AbsorptionScratch *work);
KERNEL void absorption_assemble_fit(doubles_2 unknowns, ix sections, doubles_3 filters);
KERNEL void absorption_fit_first_order(ix sections, double sample_rate, ix bands, const AbsorptionScratch *work);
KERNEL double absorption_shelf_power(double gain_db, double q, double corner_cosine, double corner_sine, double cosine, double sine);
KERNEL void absorption_place_corners(ix bands, const AbsorptionScratch *work);
KERNEL void absorption_begin_shelves(ix count, double sample_rate, ix bands, const AbsorptionScratch *work);
KERNEL double absorption_shelf_step(ix line, ix count, double q, ix bands, const AbsorptionScratch *work);
KERNEL void absorption_fit_shelves(ix count, double q, double sample_rate, ix bands, const AbsorptionScratch *work);
KERNEL void absorption_assemble_shelves(ix count, double q, const AbsorptionScratch *work);
KERNEL ix absorption_least_shelf(ix count, const AbsorptionScratch *work, doubles_1 kept);
KERNEL void absorption_thin_shelves(double q, double sample_rate, ix bands, const AbsorptionScratch *work);
KERNEL double absorption_grid_hz(ix k, double sample_rate);
KERNEL void absorption_fill_loudest(doubles_3 filters, double sample_rate, doubles_2 progress);
KERNEL bool absorption_calm(doubles_3 filters, int64s_1 delays, double sample_rate, ix bands, const AbsorptionScratch *work, bool turn_down);
KERNEL double absorption_steepness(ix structure);
KERNEL void absorption_correct(ix attempt, ix bands, const AbsorptionScratch *work);
KERNEL double absorption_solve_centres(ix structure, int64s_1 delays, double sample_rate, ix bands, const AbsorptionScratch *work);
KERNEL void design_absorption(int64s_1 delays, doubles_1 seconds, double sample_rate, doubles_3 filters, const AbsorptionScratch *work);

#endif
