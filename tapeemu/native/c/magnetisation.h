/* Generated from magnetisation.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_MAGNETISATION_H
#define TAPEEMU_MAGNETISATION_H

#include "subset.h"

typedef struct {
    real field;
    real reversible;
    real gain;
    real release;
    real swing;
} Law;

typedef struct {
    doubles_2 state;
    reals_2 past;
    reals_3 work;
} TapeMemory;

KERNEL void magnetisation_tabulate(ix first, ix count, reals_2 work);
KERNEL real magnetisation_slope_at_start(real before, real h0, real h1, real after);
KERNEL real magnetisation_turning_point(real before, real h0, real h1, real after);
KERNEL void magnetisation_prepare(ix first, ix count, reals_2 work);
KERNEL void magnetisation_find_plain(ix first, ix count, reals_2 work);
typedef struct {
    real m0;
    real m1;
} magnetisation_chase_result;

KERNEL magnetisation_chase_result magnetisation_chase(real y0, real a0, real c, real v0, real v1, real s1, real q1, real from_old, real from_new, real bow, real extra);
typedef struct {
    real m0;
    real m1;
} magnetisation_hold_result;

KERNEL magnetisation_hold_result magnetisation_hold(real move, real y0, real a0, real c, real v0, real s0, real v1, real s1, real q1);
typedef struct {
    double m0;
    real m1;
} magnetisation_follow_plain_result;

INLINED magnetisation_follow_plain_result magnetisation_follow_plain(ix old, ix new, double y, real a, real c, reals_2 work);
typedef struct {
    double m0;
    real m1;
} magnetisation_follow_far_result;

KERNEL magnetisation_follow_far_result magnetisation_follow_far(real h1, ix known, double y, real a, real c, reals_2 work);
typedef struct {
    double m0;
    real m1;
} magnetisation_follow_round_result;

KERNEL magnetisation_follow_round_result magnetisation_follow_round(ix at, double y, real a, real c, reals_2 work);
KERNEL real magnetisation_carry_off(real y, real h, real move, real release, real swing);
KERNEL void magnetisation_load_fields(reals_3 high, ix channel, ix start, ix width, ix lag, real field, reals_2 past, reals_2 work);
KERNEL void magnetisation_magnetise(reals_3 high, ix offset, ix count, ix lag, const Law *law, const TapeMemory *memory);

#endif
