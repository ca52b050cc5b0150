/* Generated from hysteresis_loop.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_HYSTERESIS_LOOP_H
#define TAPEEMU_HYSTERESIS_LOOP_H

#include "elementary.h"
#include "magnetisation.h"

KERNEL double hysteresis_loop_langevin_ratio(double x);
KERNEL double hysteresis_loop_anhysteretic(double h, double y, double c, double guess);
KERNEL double hysteresis_loop_climb(double h, double y, double c, double guess);
KERNEL double hysteresis_loop_follow_up(double h0, double h1, double y, double c, double guess);
KERNEL double hysteresis_loop_meeting(double h0, double h1, double y);
typedef struct {
    double m0;
    double m1;
    double m2;
    double m3;
    double m4;
} hysteresis_loop__half_loop_result;

KERNEL hysteresis_loop__half_loop_result hysteresis_loop_half_loop(double start, double field, double c, ix points);
typedef struct {
    double m0;
    double m1;
} hysteresis_loop__harmonics_result;

KERNEL hysteresis_loop__harmonics_result hysteresis_loop_harmonics(double field, double c, ix points);
typedef struct {
    double m0;
    double m1;
} hysteresis_loop_loop_harmonics_result;

KERNEL hysteresis_loop_loop_harmonics_result hysteresis_loop_loop_harmonics(double field, double reversible);
KERNEL double hysteresis_loop_excess(double field_db, double reversible, ix points);
KERNEL double hysteresis_loop_field_of_mol(double reversible);

#endif
