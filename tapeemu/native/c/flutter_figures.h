/* Generated from flutter_figures.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_FLUTTER_FIGURES_H
#define TAPEEMU_FLUTTER_FIGURES_H

#include "elementary.h"

KERNEL void flutter_figures_fill_curve(doubles_2 curve);
KERNEL double flutter_figures_weight(doubles_2 curve, double log_hz);
KERNEL double flutter_figures_cosine(double angle);
KERNEL double flutter_figures_law_shape(double log_relative, double log_ratio, double octaves, double exponent);
KERNEL double flutter_figures_law_power(doubles_2 curve, double rms, double low_hz, double high_hz, double slope_db_per_octave);
KERNEL double flutter_figures_rise(double at, double edge, double width);
KERNEL double flutter_figures_band_shape(double at, double low_hz, double high_hz);
KERNEL double flutter_figures_band_power(doubles_2 curve, double rms, double low_hz, double high_hz);
KERNEL double flutter_figures_gaussian_above(double x);
KERNEL double flutter_figures_exceeded(doubles_2 lines, ix column, double rms, doubles_1 work);
KERNEL void flutter_figures_flutter_figures(doubles_2 lines, double random_rms, double random_low_hz, double random_high_hz, double slope_db_per_octave, double scrape_rms, double scrape_low_hz, double scrape_high_hz, doubles_2 curve, doubles_1 work, doubles_1 figures);

#endif
