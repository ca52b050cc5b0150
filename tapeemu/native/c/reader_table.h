/* Generated from reader_table.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_READER_TABLE_H
#define TAPEEMU_READER_TABLE_H

#include "elementary.h"
#include "small_systems.h"

KERNEL double reader_table_band_edge(ix taps);
KERNEL double reader_table_cardinal_sine(double x);
KERNEL void reader_table_design_reader(ix taps, doubles_2 scratch, reals_2 table);

#endif
