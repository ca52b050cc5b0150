/* Generated from magnetised.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_MAGNETISED_H
#define TAPEEMU_MAGNETISED_H

#include "elementary.h"
#include "glides.h"
#include "hysteresis_loop.h"
#include "kept_rows.h"
#include "magnetisation.h"
#include "offset_filter.h"
#include "oversampling.h"

typedef struct {
    double drive_db;
    ix drive_given;
    double mol_db;
    ix mol_given;
    double reference_level_dbfs;
    double bias_percent;
    double high_pass_hz;
    ix most_oversampling;
} MagnetisedSettings;

typedef struct {
    doubles_1 plan;
    doubles_2 offset;
    Glide glide;
    reals_2 rows;
    TapeMemory tape;
    Oversampler over;
} MagnetisedMemory;

KERNEL double magnetised_reversible_share(const MagnetisedSettings *settings);
KERNEL double magnetised_mol_field_db(const MagnetisedSettings *settings);
KERNEL double magnetised_field_drive_db(const MagnetisedSettings *settings);
KERNEL double magnetised_mol_db(const MagnetisedSettings *settings);
KERNEL double magnetised_full_scale_field(const MagnetisedSettings *settings);
KERNEL double magnetised_tape_gain(const MagnetisedSettings *settings, double field);
KERNEL double magnetised_third_harmonic_ratio(const MagnetisedSettings *settings, double level_dbfs);
KERNEL ix magnetised_wanted_factor(const MagnetisedSettings *settings, double sample_rate);
KERNEL ix magnetised_factor(const MagnetisedSettings *settings, double sample_rate);
KERNEL ix magnetised_drives(const MagnetisedSettings *settings);
KERNEL ix magnetised_latency(const MagnetisedSettings *settings, double sample_rate, ix channels);
KERNEL ix magnetised_tail(const MagnetisedSettings *settings, double sample_rate, ix channels, double level_db);
KERNEL void magnetised_shapes(const MagnetisedSettings *settings, double sample_rate, ix channels, int64s_2 shapes);
KERNEL void magnetised_design(const MagnetisedSettings *settings, double sample_rate, ix channels, int64_t start_sample, int64_t track, const MagnetisedMemory *memory);
typedef struct {
    double m0;
    double m1;
} magnetised__field_and_gain_result;

KERNEL magnetised__field_and_gain_result magnetised_field_and_gain(const MagnetisedSettings *settings, double pole);
typedef struct {
    double m0;
    double m1;
    double m2;
} magnetised__logarithms_result;

KERNEL magnetised__logarithms_result magnetised_logarithms(const MagnetisedSettings *settings, double field, double gain);
KERNEL void magnetised_change(const MagnetisedSettings *settings, double sample_rate, ix channels, const MagnetisedMemory *memory);
KERNEL void magnetised_seek(const MagnetisedMemory *memory, int64_t place);
KERNEL void magnetised_process(const MagnetisedMemory *memory, reals_2 block, reals_2 out);

#endif
