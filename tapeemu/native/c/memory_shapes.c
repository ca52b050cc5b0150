/* Generated from memory_shapes.py (53bede95b0742f10); do not edit. SPDX-License-Identifier: ISC */

/* Shapes of the arrays that a processor keeps, written one row each. */

#include "memory_shapes.h"

/* Write the shape of an array of one or two dimensions; gives the row of the next one. */
KERNEL ix memory_shapes_shape_row(ix first, ix second, int64s_2 shapes, ix row)
{
    shapes.at[row * shapes.n1] = (int64_t)first;
    shapes.at[row * shapes.n1 + 1] = (int64_t)second;
    shapes.at[row * shapes.n1 + 2] = INT64_C(1);
    return row + 1;
}
