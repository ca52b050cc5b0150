/* Generated from spacing_loss.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_SPACING_LOSS_H
#define TAPEEMU_SPACING_LOSS_H

#include "dot_products.h"
#include "elementary.h"
#include "small_systems.h"

typedef struct {
    doubles_2 matrix;
    doubles_2 sides;
    doubles_1 circle;
    doubles_1 cosines;
} SpacingScratch;

KERNEL double spacing_loss_steepness_per_db(double frequency_hz, double sample_rate);
KERNEL ix spacing_loss_half_length(double sample_rate);
KERNEL ix spacing_loss_table_points(ix half);
KERNEL double spacing_loss_law_end(double sample_rate);
KERNEL ix spacing_loss_table_rows(double lowest, double highest, double sample_rate);
KERNEL double spacing_loss_table_step(double lowest, double highest, ix rows);
KERNEL double spacing_loss_weight(double angle);
KERNEL void spacing_loss_cosines_at(ix point, doubles_1 circle, doubles_1 cosines);
KERNEL void spacing_loss_normal_equations(const SpacingScratch *scratch, ix points);
KERNEL void spacing_loss_design_table(double lowest, double step, double sample_rate, const SpacingScratch *scratch, reals_2 table);
KERNEL void spacing_loss_filter_pair(reals_2 line, reals_2 table, reals_1 places, ix column, ix first, ix second, ix at, reals_2 out);

#endif
