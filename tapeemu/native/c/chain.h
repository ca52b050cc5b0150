/* Generated from chain.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_CHAIN_H
#define TAPEEMU_CHAIN_H

#include "kept_rows.h"

typedef struct {
    int64s_1 latencies;
    int64s_1 still_latencies;
    doubles_1 ratios;
    int64s_2 groups;
    doubles_1 shares;
} ChainSettings;

typedef struct {
    int64s_2 steps;
    int64s_1 starts;
    doubles_1 totals;
    reals_1 shares;
    int64s_2 rings;
    reals_2 lines;
    int64s_2 open;
    doubles_1 open_ratios;
    int64s_1 heard;
} ChainMemory;

KERNEL int64_t chain_place_behind(int64_t place, double ratio);
KERNEL void shape_chain(const ChainSettings *settings, ix channels, int64s_2 shapes);
KERNEL void seek_chain(const ChainSettings *settings, int64_t place, const ChainMemory *memory);
KERNEL void reset_chain(const ChainMemory *memory);
KERNEL ix chain_add_step(const ChainMemory *memory, ix at, ix step, ix level, ix number);
KERNEL ix chain_add_delay(const ChainMemory *memory, ix at, ix level, ix delay, int64_t samples);
KERNEL void plan_chain(const ChainSettings *settings, int64_t start_sample, const ChainMemory *memory);
KERNEL void chain_keep_block(reals_2 block, reals_2 dry);
KERNEL ix chain_delay_block(reals_2 line, ix first, ix length, ix place, reals_2 block, reals_2 out);
KERNEL void chain_delay_step(const ChainMemory *memory, ix number, reals_2 block);
KERNEL void chain_mix_blocks(real share, reals_2 dry, reals_2 wet);

#endif
