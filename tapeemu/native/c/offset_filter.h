/* Generated from offset_filter.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_OFFSET_FILTER_H
#define TAPEEMU_OFFSET_FILTER_H

#include "elementary.h"

KERNEL double offset_filter_offset_pole(double corner_hz, double sample_rate);
KERNEL ix offset_filter_offset_tail(double corner_hz, double sample_rate, double level_db);
KERNEL void offset_filter_block_offset(reals_1 audio, double keep, doubles_1 state);

#endif
