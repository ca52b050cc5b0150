/* Generated from hashing.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_HASHING_H
#define TAPEEMU_HASHING_H

#include "subset.h"

KERNEL uint64_t hashing_mix_hash(uint64_t key, uint64_t index);
KERNEL uint64_t hashing_stream_key(uint64_t seed, uint64_t purpose, uint64_t number);
KERNEL double hashing_uniform(uint64_t key, uint64_t index);
KERNEL double hashing_white(uint64_t key, uint64_t index);
KERNEL void hashing_fill_white(uint64_t key, int64_t first, doubles_1 out);

#endif
