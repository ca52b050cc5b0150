/* Generated from elementary.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_ELEMENTARY_H
#define TAPEEMU_ELEMENTARY_H

#include "subset.h"

KERNEL double elementary_sine_near(double x);
KERNEL double elementary_cosine_near(double x);
KERNEL double elementary_sine_of_turns(double turns);
KERNEL double elementary_cosine_of_turns(double turns);
KERNEL double elementary_times_power_of_two(double x, ix exponent);
KERNEL double elementary_exponential_rest(double r);
KERNEL double elementary_scaled_exponential(double r, double lost, ix exponent);
KERNEL double elementary_exponential(double x);
KERNEL double elementary_exponential_less_one(double x);
KERNEL double elementary_power_of_ten(double x);
KERNEL double elementary_logarithm(double x);
KERNEL double elementary_logarithm_of_ten(double x);
KERNEL double elementary_tangent_hyperbolic(double x);
KERNEL double elementary_bessel_i0(double x);
KERNEL double elementary_fade(double x, double zero, double one);

#endif
