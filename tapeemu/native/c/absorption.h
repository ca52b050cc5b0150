/* Generated from absorption.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_ABSORPTION_H
#define TAPEEMU_ABSORPTION_H

#include "elementary.h"
#include "first_order_shelves.h"
#include "line_filters.h"
#include "octave_readings.h"
#include "room_layout.h"
#include "second_order_shelves.h"

KERNEL double absorption_grid_hz(ix k, double sample_rate);
KERNEL void absorption_fill_loudest(doubles_3 filters, double sample_rate, doubles_2 progress);
KERNEL bool absorption_calm(doubles_3 filters, int64s_1 delays, double sample_rate, ix bands, const AbsorptionScratch *work, bool turn_down);
KERNEL double absorption_steepness(ix structure);
KERNEL void absorption_correct(ix attempt, ix bands, const AbsorptionScratch *work);
KERNEL double absorption_solve_centres(ix structure, int64s_1 delays, double sample_rate, ix bands, const AbsorptionScratch *work);
KERNEL void design_absorption(int64s_1 delays, doubles_1 seconds, double sample_rate, doubles_3 filters, const AbsorptionScratch *work);

#endif
