/* Generated from noise_spectrum.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_NOISE_SPECTRUM_H
#define TAPEEMU_NOISE_SPECTRUM_H

#include "elementary.h"

KERNEL ix noise_spectrum_law_octaves(double low_hz, double high_hz);
KERNEL double noise_spectrum_law_ratio(double low_hz, double high_hz);
KERNEL double noise_spectrum_spectrum_end(ix kind, double low_hz, double high_hz);
KERNEL double noise_spectrum_spectrum_begin(ix kind, double low_hz, double high_hz);
KERNEL double noise_spectrum_spectrum_shape(ix kind, double low_hz, double high_hz, double slope_db_per_octave, double ratio, double frequency_hz);
KERNEL double noise_spectrum_spectrum_ratio(ix kind, double low_hz, double high_hz);
KERNEL double noise_spectrum_noise_power(ix kind, double low_hz, double high_hz, double slope_db_per_octave);
KERNEL double noise_spectrum_power_between(ix kind, double low_hz, double high_hz, double slope_db_per_octave, bool integrated, double begin, double end);
KERNEL double noise_spectrum_delivered_rms(ix kind, double low_hz, double high_hz, double rms, double slope_db_per_octave, bool integrated, double sample_rate);
KERNEL double noise_spectrum_noise_highest(ix kind, double low_hz, double high_hz, double sample_rate);

#endif
