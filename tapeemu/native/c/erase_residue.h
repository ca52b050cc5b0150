/* Generated from erase_residue.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_ERASE_RESIDUE_H
#define TAPEEMU_ERASE_RESIDUE_H

#include "elementary.h"
#include "glides.h"
#include "kept_rows.h"
#include "memory_shapes.h"

typedef struct {
    double residue_db;
    double bass_rise_db;
    double bass_corner_hz;
    double earlier_seconds;
} EraseResidueSettings;

typedef struct {
    doubles_1 plan;
    int64s_1 counts;
    reals_2 line;
    doubles_1 lows;
    reals_2 rows;
    Glide glide;
} EraseResidueMemory;

KERNEL double erase_residue_law_squared(const EraseResidueSettings *settings, double frequency_hz);
KERNEL double erase_residue_residue_gain(const EraseResidueSettings *settings, double frequency_hz);
KERNEL double erase_residue_way(const EraseResidueSettings *settings, double sample_rate);
typedef struct {
    double m0;
    double m1;
} erase_residue__numbers_result;

KERNEL erase_residue__numbers_result erase_residue_numbers(const EraseResidueSettings *settings, double sample_rate);
KERNEL ix erase_residue_pass_samples(const EraseResidueSettings *settings, double sample_rate);
KERNEL ix erase_residue_latency(const EraseResidueSettings *settings, double sample_rate, ix channels);
KERNEL double erase_residue_fading(ix times, double left);
KERNEL ix erase_residue_tail(const EraseResidueSettings *settings, double sample_rate, ix channels, double level_db);
KERNEL void erase_residue_shapes(const EraseResidueSettings *settings, double sample_rate, ix channels, int64s_2 shapes);
KERNEL void erase_residue_design(const EraseResidueSettings *settings, double sample_rate, ix channels, int64_t start_sample, int64_t track, const EraseResidueMemory *memory);
KERNEL void erase_residue_change(const EraseResidueSettings *settings, double sample_rate, ix channels, const EraseResidueMemory *memory);
KERNEL void erase_residue_seek(const EraseResidueMemory *memory, int64_t place);
KERNEL double erase_residue_record_over(double way, reals_2 rows, ix count, reals_1 line, reals_1 audio, double lows);
KERNEL void erase_residue_process(const EraseResidueMemory *memory, reals_2 block, reals_2 out);

#endif
