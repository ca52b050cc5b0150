/* Generated from drive.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_DRIVE_H
#define TAPEEMU_DRIVE_H

#include "driven_sine.h"
#include "elementary.h"
#include "glides.h"
#include "kept_rows.h"
#include "offset_filter.h"
#include "oversampling.h"

typedef struct {
    double drive_db;
    ix drive_given;
    double thd_percent;
    ix thd_given;
    double reference_level_dbfs;
    double asymmetry_percent;
    ix level_matched;
    double high_pass_hz;
    ix most_oversampling;
} DriveSettings;

typedef struct {
    doubles_1 plan;
    doubles_2 offset;
    Glide glide;
    reals_2 rows;
    Oversampler over;
} DriveMemory;

KERNEL double drive_effective_drive_db(const DriveSettings *settings);
KERNEL double drive_output_gain(const DriveSettings *settings);
KERNEL ix drive_wanted_factor(const DriveSettings *settings, double sample_rate);
KERNEL ix drive_factor(const DriveSettings *settings, double sample_rate);
KERNEL ix drive_drives(const DriveSettings *settings);
KERNEL ix drive_latency(const DriveSettings *settings, double sample_rate, ix channels);
KERNEL ix drive_tail(const DriveSettings *settings, double sample_rate, ix channels, double level_db);
KERNEL void drive_shapes(const DriveSettings *settings, double sample_rate, ix channels, int64s_2 shapes);
KERNEL void drive_design(const DriveSettings *settings, double sample_rate, ix channels, int64_t start_sample, int64_t track, const DriveMemory *memory);
typedef struct {
    double m0;
    double m1;
} drive__gain_and_level_result;

KERNEL drive__gain_and_level_result drive_gain_and_level(const DriveSettings *settings, double pole);
typedef struct {
    double m0;
    double m1;
    double m2;
} drive__logarithms_result;

KERNEL drive__logarithms_result drive_logarithms(const DriveSettings *settings, double gain, double level, double bend_);
KERNEL void drive_change(const DriveSettings *settings, double sample_rate, ix channels, const DriveMemory *memory);
KERNEL void drive_seek(const DriveMemory *memory, int64_t place);
KERNEL real drive_driven(real x, real rest);
KERNEL void drive_bend(ix count, real rest, reals_2 high);
KERNEL void drive_process(const DriveMemory *memory, reals_2 block, reals_2 out);

#endif
