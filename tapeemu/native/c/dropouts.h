/* Generated from dropouts.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_DROPOUTS_H
#define TAPEEMU_DROPOUTS_H

#include "elementary.h"
#include "glides.h"
#include "hashing.h"

typedef struct {
    Glide glide;
    doubles_1 nodes;
    ix number;
    ix at;
} MovingDepth;

KERNEL void dropouts_dropout_law(double per_minute, double least_db, double most_db, double shortest_ms, double longest_ms, doubles_1 law);
KERNEL ix dropouts_count(doubles_1 law, uint64_t base);
KERNEL double dropouts_place(uint64_t base, ix number);
KERNEL double dropouts_share_of_depth(uint64_t base, ix number);
typedef struct {
    double m0;
    double m1;
} dropouts__size_result;

KERNEL dropouts__size_result dropouts_size(doubles_1 law, uint64_t base, ix number);
KERNEL ix dropouts_list_cell(uint64_t key, doubles_1 law, int64_t cell, doubles_2 out);
KERNEL void dropouts_dip(double centre, double half_flat, double half_all, double depth, ix begin, reals_1 out);
KERNEL void dropouts_find_nodes(double share, const MovingDepth *moving);
KERNEL void dropouts_moving_dip(double centre, double half_flat, double half_all, ix begin, const MovingDepth *moving, reals_1 out);
KERNEL bool add_dropouts(uint64_t key, doubles_1 law, double sample_rate, int64_t first, ix begin, const MovingDepth *moving, reals_1 out);

#endif
