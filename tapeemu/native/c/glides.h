/* Generated from glides.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_GLIDES_H
#define TAPEEMU_GLIDES_H

#include "elementary.h"

typedef struct {
    doubles_2 values;
    int64s_1 counts;
} Glide;

KERNEL ix glides_glide_cell(double sample_rate);
KERNEL void glides_glide_rest(ix number, double value, const Glide *glide);
KERNEL void glides_glide_target(ix number, double value, const Glide *glide);
KERNEL bool glides_glide_moves(const Glide *glide);
KERNEL void glides_look(const Glide *glide);
KERNEL void glides_glide_seek(int64_t place, const Glide *glide);
KERNEL void glides_glide_design(double sample_rate, int64_t place, const Glide *glide);
KERNEL void glides_glide_on(const Glide *glide);
KERNEL void glides_glide_pass(ix count, const Glide *glide);
KERNEL double glides_spline(double u, double first, double second, double third, double fourth);
KERNEL double glides_glide_value(ix number, ix at, const Glide *glide);
KERNEL double glides_kept(ix number, ix place, const Glide *glide);
KERNEL double glides_glide_late_value(ix number, ix at, const Glide *glide);
KERNEL bool glides_glide_late_stands(ix at, ix count, const Glide *glide);
KERNEL void glides_glide_values(ix number, ix first, ix late, const Glide *glide, reals_1 out);
KERNEL void glides_glide_exponentials(ix number, ix first, ix late, const Glide *glide, reals_1 out);
KERNEL double glides_bent_level(double gain, double reference, double bend);
KERNEL void glides_glide_levels(double bend, ix first, ix late, const Glide *glide, reals_1 out);
KERNEL void glides_glide_shapes(ix numbers, ix first, int64s_2 shapes);
KERNEL void glides_late_glide_shapes(ix numbers, ix late, double sample_rate, ix first, int64s_2 shapes);

#endif
