/* Generated from second_order_shelves.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_SECOND_ORDER_SHELVES_H
#define TAPEEMU_SECOND_ORDER_SHELVES_H

#include "elementary.h"
#include "line_filters.h"
#include "octave_readings.h"
#include "room_layout.h"
#include "small_systems.h"

KERNEL double second_order_shelves_shelf_power(double gain_db, double q, double corner_cosine, double corner_sine, double cosine, double sine);
KERNEL void second_order_shelves_place_corners(ix bands, const AbsorptionScratch *work);
KERNEL void second_order_shelves_begin_shelves(ix count, double sample_rate, ix bands, const AbsorptionScratch *work);
KERNEL double second_order_shelves_shelf_step(ix line, ix count, double q, ix bands, const AbsorptionScratch *work);
KERNEL void second_order_shelves_fit_shelves(ix count, double q, double sample_rate, ix bands, const AbsorptionScratch *work);
KERNEL void second_order_shelves_assemble_shelves(ix count, double q, const AbsorptionScratch *work);
KERNEL ix second_order_shelves_least_shelf(ix count, const AbsorptionScratch *work, doubles_1 kept);
KERNEL void second_order_shelves_thin_shelves(double q, double sample_rate, ix bands, const AbsorptionScratch *work);

#endif
