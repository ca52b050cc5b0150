/* Generated from line_filters.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_LINE_FILTERS_H
#define TAPEEMU_LINE_FILTERS_H

#include "elementary.h"

KERNEL ix line_filters_section_count(doubles_3 filters);
KERNEL double line_filters_quadratic_power(double once, double twice, double cosine, double sine);
KERNEL double line_filters_pass_power(doubles_3 filters, ix line, double cosine, double sine);
KERNEL double line_filters_quadratic_delay(double once, double twice, double cosine, double sine);
KERNEL double line_filters_filter_delay(doubles_3 filters, ix line, double cosine, double sine);
KERNEL double line_filters_power_db(double power);
KERNEL double line_filters_loop_level_db(doubles_3 filters, ix line, double frequency_hz, double sample_rate);
KERNEL double line_filters_loop_decay_seconds(doubles_3 filters, int64_t delay, ix line, double frequency_hz, double sample_rate);
KERNEL void line_filters_copy_filters(doubles_3 source, doubles_3 target);

#endif
