/* Generated from kept_rows.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_KEPT_ROWS_H
#define TAPEEMU_KEPT_ROWS_H

#include "subset.h"

KERNEL void kept_rows_clear_rows(reals_2 rows);
KERNEL void kept_rows_clear_precise_rows(doubles_2 rows);
KERNEL void kept_rows_move_to_front(reals_1 line, ix passed);

#endif
