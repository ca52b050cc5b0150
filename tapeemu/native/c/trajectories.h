/* Generated from trajectories.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_TRAJECTORIES_H
#define TAPEEMU_TRAJECTORIES_H

#include "exact_places.h"
#include "memory_shapes.h"
#include "noise_spectrum.h"
#include "octave_noise.h"
#include "sines.h"

typedef struct {
    doubles_1 plan;
    uint64s_2 turns;
    doubles_2 sines;
    doubles_2 lanes;
    doubles_2 curve;
    int64s_2 stands;
    uint64s_1 variants;
    Noises noises;
} Trajectory;

KERNEL ix trajectories_curve_step(double sample_rate);
KERNEL ix trajectories_trajectory_shapes(ix sines, ix noises, ix octaves, double highest_hz, double sample_rate, ix places, int64s_2 shapes, ix row);
KERNEL double trajectories_noise_bound(ix kind, double low_hz, double high_hz, double rms, double slope_db_per_octave, bool integrated, double sample_rate);
KERNEL void trajectories_begin_trajectory(double sample_rate, const Trajectory *memory);
KERNEL void trajectories_set_sine(ix number, double rate_hz, double amplitude, double cycles, const Trajectory *memory);
KERNEL void trajectories_set_noise(ix number, ix kind, uint64_t key, double low_hz, double high_hz, double rms, double slope_db_per_octave, bool integrated, const Trajectory *memory);
KERNEL void trajectories_settle_trajectory(double constant, double fastest, const Trajectory *memory, doubles_1 out);
KERNEL void trajectories_settle_with(const Trajectory *whole, const Trajectory *memory, doubles_1 out);
KERNEL double trajectories_settled_constant(const Trajectory *memory, double index);
KERNEL void trajectories_fill_trajectory(const Trajectory *memory, int64_t segment, uint64_t variant, doubles_1 out);
KERNEL ix trajectories_first_column(ix begin);
KERNEL void trajectories_fill_curve(const Trajectory *memory, int64_t segment, ix place, uint64_t variant, ix piece);
KERNEL void trajectories_fill_piece(const Trajectory *memory, int64_t number, ix place, uint64_t variant, doubles_1 out);
KERNEL void trajectories_settle(double first, double per_duration, double start, doubles_1 out);
KERNEL void trajectories_begin_at_zero(double first, double per_duration, doubles_1 out);
KERNEL void trajectories_expand(doubles_1 values, doubles_1 slopes, ix step, doubles_1 out);

#endif
