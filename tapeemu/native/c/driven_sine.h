/* Generated from driven_sine.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_DRIVEN_SINE_H
#define TAPEEMU_DRIVEN_SINE_H

#include "elementary.h"

KERNEL double driven_sine_curve(double x, double rest);
KERNEL ix driven_sine_quarter_points(double peak);
typedef struct {
    double m0;
    double m1;
} driven_sine_driven_sine_result;

KERNEL driven_sine_driven_sine_result driven_sine_driven_sine(double drive_db, double level_dbfs, double asymmetry_percent);
KERNEL double driven_sine_driven_thd_percent(double drive_db, double level_dbfs, double asymmetry_percent);
KERNEL double driven_sine_drive_that_gives(double thd_percent, double level_dbfs, double asymmetry_percent);
KERNEL double driven_sine_matching_gain(double drive_db, double level_dbfs, double asymmetry_percent);

#endif
