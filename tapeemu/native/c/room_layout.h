/* Generated from room_layout.py; do not edit. SPDX-License-Identifier: ISC */

#ifndef TAPEEMU_ROOM_LAYOUT_H
#define TAPEEMU_ROOM_LAYOUT_H

#include "elementary.h"
#include "hashing.h"

typedef struct {
    double decay_seconds;
    ix decay_given;
    double low_decay_ratio;
    ix low_given;
    double high_decay_ratio;
    ix high_given;
    doubles_1 band_seconds;
    int64s_1 bands_given;
    double pre_delay_seconds;
    double size_percent;
    double diffusion_percent;
    double modulation_percent;
    double modulation_hz;
    double width_percent;
    double wet_percent;
    ix lines;
    uint64_t room_seed;
} RoomSettings;

KERNEL double room_layout_octave_hz(ix band);
KERNEL ix room_layout_usable_bands(double sample_rate);
KERNEL double room_layout_low_part(double frequency_hz);
KERNEL double room_layout_high_part(double frequency_hz);
KERNEL double room_layout_decay_by_ratios(double decay_seconds, double low_ratio, double high_ratio, ix band);
KERNEL double room_layout_table_decay(doubles_1 seconds, int64s_1 given, ix band);
KERNEL double room_layout_decay_of_band(const RoomSettings *settings, ix band);
KERNEL double room_layout_slowest_decay_seconds(const RoomSettings *settings, double sample_rate);
KERNEL double room_layout_mean_line_samples(const RoomSettings *settings, double sample_rate);
KERNEL uint64_t room_layout_room_key(const RoomSettings *settings, uint64_t purpose, uint64_t number);
KERNEL double room_layout_relative_length(uint64_t key, ix line, ix lines);
KERNEL double room_layout_wanted_length(const RoomSettings *settings, double mean, ix line);
KERNEL ix room_layout_longest_line_samples(const RoomSettings *settings, double sample_rate);
KERNEL bool room_layout_is_prime(ix number);
KERNEL bool room_layout_is_free_prime(ix number, int64s_1 chosen, ix count);
KERNEL ix room_layout_nearest_free_prime(double wanted, int64s_1 chosen, ix count);
KERNEL void room_layout_draw_order(uint64_t key, int64s_1 order);
KERNEL double room_layout_draw_sign(uint64_t key, ix number);
KERNEL void room_layout_draw_line_delays(const RoomSettings *settings, double mean, int64s_1 delays);
KERNEL void room_layout_draw_scatter(uint64_t key, double span, int64s_1 delays);
KERNEL double room_layout_diffuser_span_samples(const RoomSettings *settings, double mean);
KERNEL double room_layout_tap_span_samples(double mean);
KERNEL ix room_layout_pre_delay_samples(const RoomSettings *settings, double sample_rate);
KERNEL void room_layout_draw_swings(uint64_t key, double hertz, double sample_rate, uint64s_2 rates, uint64s_2 phases, ix swing);
KERNEL double room_layout_spread_rate(double rate);
KERNEL double room_layout_needed_angle(double whole_seconds, ix lines, double decay_seconds);
KERNEL double room_layout_widest_turning_hz(const RoomSettings *settings, double pass_seconds, double sample_rate);
KERNEL ix room_layout_cell_samples(double radians_per_sample, double pass_of_decay);

#endif
