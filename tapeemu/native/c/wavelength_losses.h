/* Generated from wavelength_losses.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_WAVELENGTH_LOSSES_H
#define TAPEEMU_WAVELENGTH_LOSSES_H

#include "elementary.h"

typedef struct {
    double tape_speed_cm_s;
    double treble_us;
    double coating_um;
    double spacing_um;
    double gap_um;
    double boost_limit_db;
    double tolerance_db;
    double tolerance_to_hz;
} Medium;

KERNEL double wavelength_losses_flattened_frequency(double frequency_hz, double sample_rate);
KERNEL double wavelength_losses_flux_curve(const Medium *medium, double frequency_hz);
KERNEL double wavelength_losses_wave_number(const Medium *medium, double frequency_hz);
KERNEL double wavelength_losses_recording_loss(const Medium *medium, double record_loss_um, double frequency_hz);
KERNEL double wavelength_losses_replay_losses(const Medium *medium, double frequency_hz);
KERNEL double wavelength_losses_wanted(const Medium *medium, double record_loss_um, double frequency_hz);
KERNEL double wavelength_losses_response_fall_db(const Medium *medium, double record_loss_um, double limit_db);
KERNEL double wavelength_losses_boost_limit_db(const Medium *medium, double record_loss_um);
KERNEL double wavelength_losses_knee_seconds(const Medium *medium, double record_loss_um, double from_hz);
KERNEL double wavelength_losses_pre_emphasis(const Medium *medium, double record_loss_um, double frequency_hz);

#endif
