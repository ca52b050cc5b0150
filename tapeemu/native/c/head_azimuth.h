/* Generated from head_azimuth.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_HEAD_AZIMUTH_H
#define TAPEEMU_HEAD_AZIMUTH_H

#include "dot_products.h"
#include "elementary.h"
#include "glides.h"
#include "hashing.h"
#include "interpolation.h"
#include "kept_rows.h"
#include "memory_shapes.h"
#include "noise_spectrum.h"
#include "reader_table.h"
#include "spacing_loss.h"
#include "trajectories.h"

typedef struct {
    double azimuth_urad;
    double wander_urad;
    double wander_low_hz;
    double wander_high_hz;
    double tape_speed_cm_s;
    double track_spacing_mm;
    double track_width_mm;
    uint64_t seed;
    ix tracks;
} HeadAzimuthSettings;

typedef struct {
    doubles_1 plan;
    int64s_1 counts;
    reals_2 reader;
    reals_2 losses;
    reals_2 line;
    reals_2 shifted;
    doubles_2 course;
    reals_1 rows;
    Places places;
    Glide glide;
    Trajectory wander;
} HeadAzimuthMemory;

KERNEL double head_azimuth_wander_rms(const HeadAzimuthSettings *settings);
KERNEL double head_azimuth_tangent(double angle);
KERNEL double head_azimuth_steepest(const HeadAzimuthSettings *settings, double sample_rate);
KERNEL double head_azimuth_seconds_of(const HeadAzimuthSettings *settings, double length_mm);
KERNEL ix head_azimuth_half_length(double sample_rate);
KERNEL ix head_azimuth_reach_of(const HeadAzimuthSettings *settings, double sample_rate, ix channels);
KERNEL ix head_azimuth_latency(const HeadAzimuthSettings *settings, double sample_rate, ix channels);
KERNEL ix head_azimuth_lead(const HeadAzimuthSettings *settings, double sample_rate, ix channels);
KERNEL ix head_azimuth_tail(const HeadAzimuthSettings *settings, double sample_rate, ix channels, double level_db);
KERNEL void head_azimuth_shapes(const HeadAzimuthSettings *settings, double sample_rate, ix channels, int64s_2 shapes);
KERNEL void head_azimuth_design_losses(double sample_rate, reals_2 losses);
KERNEL void head_azimuth_design(const HeadAzimuthSettings *settings, double sample_rate, ix channels, int64_t start_sample, int64_t track, const HeadAzimuthMemory *memory);
KERNEL void head_azimuth_change(const HeadAzimuthSettings *settings, double sample_rate, ix channels, const HeadAzimuthMemory *memory);
KERNEL void head_azimuth_seek(const HeadAzimuthMemory *memory, int64_t place);
KERNEL void head_azimuth_azimuth_tangents(const HeadAzimuthMemory *memory, int64_t piece, doubles_1 out);
KERNEL void head_azimuth_moving_tangents(const HeadAzimuthMemory *memory, int64_t piece, doubles_1 out);
KERNEL void head_azimuth_fill_course(const HeadAzimuthMemory *memory, int64_t piece);
KERNEL void head_azimuth_read_one(reals_1 line, reals_2 reader, const Places *places, ix column, ix count, ix at, reals_1 out);
KERNEL void head_azimuth_keep(reals_2 line, ix filled, ix kept);
KERNEL void head_azimuth_process(const HeadAzimuthMemory *memory, reals_2 block, reals_2 out);

#endif
