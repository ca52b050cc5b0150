/* Generated from first_order_shelves.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_FIRST_ORDER_SHELVES_H
#define TAPEEMU_FIRST_ORDER_SHELVES_H

#include "elementary.h"
#include "line_filters.h"
#include "octave_readings.h"
#include "small_systems.h"

KERNEL double first_order_shelves_first_corner_hz(ix sections, ix k);
KERNEL void first_order_shelves_begin_fit(doubles_2 levels, ix sections, double sample_rate, ix bands, doubles_2 unknowns);
KERNEL void first_order_shelves_fill_squares(doubles_1 values, ix size, doubles_1 out);
KERNEL double first_order_shelves_fit_residue(doubles_1 values, doubles_1 level, doubles_1 squares, ix pairs, ix bands, const AbsorptionScratch *work, doubles_1 error);
KERNEL void first_order_shelves_fit_slopes(doubles_1 level, doubles_1 squares, ix pairs, ix bands, const AbsorptionScratch *work);
KERNEL void first_order_shelves_fit_step(ix line, ix pairs, ix bands, const AbsorptionScratch *work);
KERNEL void first_order_shelves_assemble_fit(doubles_2 unknowns, ix sections, doubles_3 filters);
KERNEL void first_order_shelves_fit_first_order(ix sections, double sample_rate, ix bands, const AbsorptionScratch *work);

#endif
