/* Generated from record_equaliser.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_RECORD_EQUALISER_H
#define TAPEEMU_RECORD_EQUALISER_H

#include "elementary.h"
#include "kept_rows.h"
#include "long_filter.h"
#include "memory_shapes.h"
#include "small_systems.h"
#include "wavelength_losses.h"

typedef struct {
    reals_1 taps;
    reals_2 fresh;
    reals_2 narrow;
    reals_2 wide;
    doubles_2 fit;
} RecordEqualiser;

KERNEL ix record_equaliser_shapes(double treble_us, double sample_rate, ix channels, int64s_2 shapes, ix row);
KERNEL ix record_equaliser_single_taps(ix taps);
KERNEL double record_equaliser_group_response(ix first, ix width, double turns);
KERNEL void record_equaliser_record_basis(double turns, doubles_1 basis);
KERNEL double record_equaliser_recorded_response(reals_1 taps, double turns);
KERNEL void record_equaliser_design(const Medium *medium, double lost_um, double sample_rate, ix points, const RecordEqualiser *memory);
KERNEL void record_equaliser_clear(const RecordEqualiser *memory);
KERNEL void record_equaliser_keep(ix channel, const RecordEqualiser *memory);
INLINED void record_equaliser_add_groups(reals_1 sums, ix centre, ix first, ix width, reals_1 taps, reals_1 out);
KERNEL void record_equaliser_run(ix channel, ix at, const RecordEqualiser *memory, reals_1 out);

#endif
