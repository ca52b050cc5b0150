/* Generated from octave_decay.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_OCTAVE_DECAY_H
#define TAPEEMU_OCTAVE_DECAY_H

#include "elementary.h"

KERNEL double octave_decay_lowest(double first_hz);
KERNEL double octave_decay_highest(double last_hz, double sample_rate);
KERNEL ix octave_decay_reading_points(double first_hz, double last_hz, double sample_rate);
KERNEL void octave_decay_fill_reading_frequencies(double first_hz, double last_hz, double sample_rate, doubles_1 out);
KERNEL void octave_decay_add_falling(double weight, double seconds, double moment, doubles_1 left);
KERNEL double octave_decay_moment_of_fall(double wanted_db, doubles_1 fall_db, double longest);
KERNEL double octave_decay_fitted_decay(doubles_1 fall_db, double longest);
KERNEL double octave_decay_octave_reading(double centre_hz, doubles_1 frequencies_hz, doubles_1 decay_seconds, doubles_1 left);

#endif
