/* Generated from octave_readings.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_OCTAVE_READINGS_H
#define TAPEEMU_OCTAVE_READINGS_H

#include "elementary.h"
#include "line_filters.h"
#include "octave_decay.h"
#include "room_layout.h"

typedef struct {
    doubles_2 points;
    doubles_2 centres;
    doubles_3 lines;
    doubles_3 trial;
    doubles_3 chosen;
} AbsorptionScratch;

KERNEL void octave_readings_prepare_tables(double sample_rate, ix bands, const AbsorptionScratch *work);
KERNEL void octave_readings_sum_levels(doubles_3 filters, ix count, doubles_2 points);
KERNEL void octave_readings_sum_delays(doubles_3 filters, int64s_1 delays, ix count, doubles_2 points);
KERNEL double octave_readings_read_decays(doubles_3 filters, int64s_1 delays, double sample_rate, ix bands, const AbsorptionScratch *work, doubles_1 out);
KERNEL void octave_readings_fill_levels(int64s_1 delays, doubles_1 seconds, double sample_rate, ix bands, doubles_2 levels);
KERNEL double octave_readings_centre_error(doubles_3 filters, ix bands, const AbsorptionScratch *work);

#endif
