/* Generated from sines.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_SINES_H
#define TAPEEMU_SINES_H

#include "elementary.h"

KERNEL void sines_begin_phasors(double amplitude, double cycles, double cycles_per_step, doubles_2 lanes);
KERNEL void sines_pass_phasors(double cycles_per_step, ix eights, doubles_2 lanes);
KERNEL void sines_add_phasors(double cycles_per_step, doubles_2 lanes, doubles_1 out_values, doubles_1 out_slopes);

#endif
