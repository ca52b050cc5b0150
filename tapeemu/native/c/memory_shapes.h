/* Generated from memory_shapes.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_MEMORY_SHAPES_H
#define TAPEEMU_MEMORY_SHAPES_H

#include "subset.h"

KERNEL ix memory_shapes_shape_row(ix first, ix second, int64s_2 shapes, ix row);

#endif
