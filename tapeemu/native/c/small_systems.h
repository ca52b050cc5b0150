/* Generated from small_systems.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_SMALL_SYSTEMS_H
#define TAPEEMU_SMALL_SYSTEMS_H

#include "subset.h"

KERNEL void small_systems_solve(doubles_2 matrix, doubles_2 right);
KERNEL void small_systems_fit(doubles_2 matrix, doubles_1 right, double damping, doubles_2 normal, doubles_1 found);
KERNEL void small_systems_factorise(doubles_2 matrix);
KERNEL void small_systems_solve_factorised(doubles_2 matrix, doubles_1 side);
KERNEL void small_systems_factorise_rows(ix size, doubles_1 factor);
KERNEL void small_systems_solve_rows(ix size, doubles_1 factor, doubles_1 side);

#endif
