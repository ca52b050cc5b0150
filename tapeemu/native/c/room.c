/* Generated from room.py (ded65501be819981); do not edit. SPDX-License-Identifier: ISC */

/* The reverberating room, from its settings to sound: see :class:`tapeemu.processors.fdn_reverb.FdnReverb`. */

#include "room.h"

#define ROOM_AT 0
#define ROOM_GLIDE_ARRAYS 2
#define ROOM_GLIDE_CELL 1
#define ROOM_FILTER_ROWS 9
#define ROOM_DECAY_COURSE 4
#define ROOM_CELL 5
#define ROOM_CHUNK 64
#define ROOM_COMMON 2
#define ROOM_COMMON_ROW 3
#define ROOM_COUNTERS 9
#define ROOM_COURSES 4
#define ROOM_CURVED 6
#define ROOM_DELAYS 5
#define ROOM_DEPTH 4
#define ROOM_DIFFUSER_DELAY 1
#define ROOM_DIFFUSER_GAIN 1
#define ROOM_DIFFUSER_ORDER 3
#define ROOM_DRY 0
#define ROOM_DRY_ROW 0
#define ROOM_FED 0
#define ROOM_GAINS 3
#define ROOM_HEARD 6
#define ROOM_HEARD_ROW 1
#define ROOM_HELD 7
#define ROOM_INPUT_DELAY 0
#define ROOM_INPUT_GAIN 0
#define ROOM_LEFT 7
#define ROOM_LINE_DELAY 2
#define ROOM_LINE_ORDER 4
#define ROOM_LONGEST_CELL 256
#define ROOM_MIXING_GAIN 2
#define ROOM_NUMBERS 8
#define ROOM_OWN 1
#define ROOM_OWN_ROW 2
#define ROOM_POSITION 1
#define ROOM_SCALE 3
#define ROOM_SHORTEST 3
#define ROOM_SWINGS 2
#define ROOM_TURNING 4
#define ROOM_READ_POINTS 296
#define ROOM_CENTRE_ROWS 31
#define ROOM_DECAYS 30
#define ROOM_LINE_ROWS 5
#define ROOM_POINT_ROWS 8
#define ROOM_BANDS 9
#define ROOM_FOR_DIFFUSER UINT64_C(2)
#define ROOM_FOR_INPUT UINT64_C(4)
#define ROOM_FOR_MIXING UINT64_C(3)
#define ROOM_FOR_SWINGS UINT64_C(5)
#define ROOM_FOR_TAPS UINT64_C(6)
#define ROOM_FIRST UINT64_C(0)
#define ROOM_SECOND UINT64_C(1)
#define ROOM_THIRD UINT64_C(2)
#define ROOM_FOURTH UINT64_C(3)
#define ROOM_FIRST_STAGE REAL(0x1.5555555555555p-2)
#define ROOM_DEEPEST_ANGLE REAL(0x1.14eb56fb8f57fp+3)
#define ROOM_OWN_SWING_HZ REAL(0.5)
#define ROOM_PI REAL(0x1.921fb54442d18p+1)
#define ROOM_NO_SHARE REAL(0x1.4484bfeebc2a0p-100)
#define ROOM_LEVEL_REFERENCE_HZ REAL(1000.0)
#define ROOM_BAND_OF_1_KHZ 4
#define ROOM_MEMORY_ROWS 30
#define ROOM_RESONANCE_DB REAL(12.0)

/* Samples by which the output is late: none, for the dry sound passes at once. */
KERNEL ix room_latency(const RoomSettings *settings, double sample_rate, ix channels)
{
    (void)settings;
    (void)sample_rate;
    (void)channels;
    return 0;
}

/* Gain of the reverberation: powers of dry and wet, in the ratio of their shares, add up to one. */
KERNEL double room_wet_share(const RoomSettings *settings)
{
    const double wet = settings->wet_percent / 100.0;
    if (wet < 0x1.4484bfeebc2a0p-100) {
        return 0.0;
    }
    return wet / square_root_double((1.0 - wet) * (1.0 - wet) + wet * wet);
}

/* Samples that no delay before the diffuser is longer than. */
KERNEL ix room_longest_input_delay(const RoomSettings *settings, double sample_rate)
{
    const double span = room_layout_diffuser_span_samples(settings, room_layout_mean_line_samples(settings,
        sample_rate));
    return room_layout_pre_delay_samples(settings, sample_rate) + (ix)ceiling_of_double(span *
        0x1.5555555555555p-2);
}

/* Samples that no delay of the diffuser's second stage is longer than. */
KERNEL ix room_longest_diffuser_delay(const RoomSettings *settings, double sample_rate)
{
    const double span = room_layout_diffuser_span_samples(settings, room_layout_mean_line_samples(settings,
        sample_rate));
    return (ix)ceiling_of_double(span * 0x1.5555555555556p-1);
}

/*
 * Samples until the response to any input is `level_db` below that input's peak.
 *
 * Counted from the longest decay time, with all delays added and 12 dB kept for tones that fall on
 * resonances; impulses and noise are gone earlier.
 */
KERNEL ix room_tail(const RoomSettings *settings, double sample_rate, ix channels, double level_db)
{
    (void)channels;
    const double wet = room_wet_share(settings);
    if (wet == 0.0) {
        return 0;
    }
    ix once = room_longest_input_delay(settings, sample_rate) + room_longest_diffuser_delay(settings,
        sample_rate);
    once += (ix)ceiling_of_double(room_layout_tap_span_samples(room_layout_mean_line_samples(settings,
        sample_rate)));
    once += room_layout_longest_line_samples(settings, sample_rate);
    const double fall = larger_double(20.0 * elementary_logarithm_of_ten(wet) + 12.0 - level_db, 0.0);
    return once + (ix)ceiling_of_double(fall / 60.0 * room_layout_slowest_decay_seconds(settings, sample_rate)
        * sample_rate);
}

/* Whether any reverberation is heard: 1 or 0. */
KERNEL ix room_rings(const RoomSettings *settings)
{
    return room_wet_share(settings) > 0.0 ? 1 : 0;
}

/* Columns of a ring for delays up to the longest, with its margin. */
KERNEL ix room_ring_columns(ix longest)
{
    return (floor_division(longest + ROOM_CHUNK - 1, ROOM_CHUNK) + 2) * ROOM_CHUNK;
}

/* Write the shapes of the arrays of :class:`RoomMemory`, a row for each. */
KERNEL void room_shapes(const RoomSettings *settings, double sample_rate, ix channels, int64s_2 shapes)
{
    const ix lines = settings->lines;
    const ix half = floor_division(lines, 2);
    for (ix row = 0; row < ROOM_MEMORY_ROWS; row++) {
        for (ix axis = 0; axis < 3; axis++) {
            shapes.at[row * shapes.n1 + axis] = INT64_C(1);
        }
    }
    shapes.at[0] = INT64_C(8);
    shapes.at[1 * shapes.n1] = INT64_C(5);
    shapes.at[1 * shapes.n1 + 1] = (int64_t)lines;
    shapes.at[2 * shapes.n1] = INT64_C(3);
    shapes.at[2 * shapes.n1 + 1] = (int64_t)lines;
    shapes.at[3 * shapes.n1] = INT64_C(9);
    shapes.at[3 * shapes.n1 + 1] = INT64_C(4);
    shapes.at[3 * shapes.n1 + 2] = (int64_t)lines;
    shapes.at[4 * shapes.n1] = (int64_t)channels;
    shapes.at[4 * shapes.n1 + 1] = (int64_t)half;
    shapes.at[5 * shapes.n1] = (int64_t)channels;
    shapes.at[5 * shapes.n1 + 1] = (int64_t)half;
    shapes.at[6 * shapes.n1] = INT64_C(2);
    shapes.at[6 * shapes.n1 + 1] = (int64_t)half;
    shapes.at[7 * shapes.n1] = INT64_C(2);
    shapes.at[7 * shapes.n1 + 1] = (int64_t)half;
    shapes.at[8 * shapes.n1] = INT64_C(2);
    shapes.at[8 * shapes.n1 + 1] = INT64_C(256);
    shapes.at[9 * shapes.n1] = INT64_C(9);
    shapes.at[10 * shapes.n1] = (int64_t)channels;
    shapes.at[10 * shapes.n1 + 1] = (int64_t)room_ring_columns(room_longest_input_delay(settings,
        sample_rate));
    shapes.at[11 * shapes.n1] = (int64_t)lines;
    shapes.at[11 * shapes.n1 + 1] = (int64_t)room_ring_columns(room_longest_diffuser_delay(settings,
        sample_rate));
    shapes.at[12 * shapes.n1] = (int64_t)lines;
    shapes.at[12 * shapes.n1 + 1] = (int64_t)room_ring_columns(room_layout_longest_line_samples(settings,
        sample_rate));
    shapes.at[13 * shapes.n1] = INT64_C(8);
    shapes.at[13 * shapes.n1 + 1] = INT64_C(2);
    shapes.at[13 * shapes.n1 + 2] = (int64_t)lines;
    shapes.at[14 * shapes.n1] = (int64_t)lines;
    shapes.at[14 * shapes.n1 + 1] = INT64_C(64);
    shapes.at[15 * shapes.n1] = INT64_C(4);
    shapes.at[15 * shapes.n1 + 1] = (int64_t)half;
    shapes.at[16 * shapes.n1] = INT64_C(64);
    shapes.at[16 * shapes.n1 + 1] = (int64_t)lines;
    shapes.at[17 * shapes.n1] = (int64_t)(channels + 1);
    shapes.at[17 * shapes.n1 + 1] = INT64_C(64);
    shapes.at[18 * shapes.n1] = INT64_C(8);
    shapes.at[18 * shapes.n1 + 1] = INT64_C(296);
    shapes.at[19 * shapes.n1] = INT64_C(31);
    shapes.at[19 * shapes.n1 + 1] = INT64_C(9);
    shapes.at[20 * shapes.n1] = INT64_C(5);
    shapes.at[20 * shapes.n1 + 1] = (int64_t)lines;
    shapes.at[20 * shapes.n1 + 2] = INT64_C(9);
    shapes.at[21 * shapes.n1] = INT64_C(9);
    shapes.at[21 * shapes.n1 + 1] = INT64_C(4);
    shapes.at[21 * shapes.n1 + 2] = (int64_t)lines;
    shapes.at[22 * shapes.n1] = INT64_C(9);
    shapes.at[22 * shapes.n1 + 1] = INT64_C(4);
    shapes.at[22 * shapes.n1 + 2] = (int64_t)lines;
    glides_glide_shapes(5, 23, shapes);
    shapes.at[25 * shapes.n1] = INT64_C(4);
    shapes.at[25 * shapes.n1 + 1] = INT64_C(64);
    moving_decay_moving_shapes(lines, 26, shapes);
}

/* Power that is left after some samples of a decay. */
KERNEL double room_decay_power(double decibels_per_sample, int64_t samples)
{
    return elementary_power_of_ten(0x1.999999999999ap-4 * decibels_per_sample * (double)samples);
}

/* Draw delays and orders of input, diffuser and lines. */
KERNEL void room_lay_out(const RoomSettings *settings, double mean, ix pre_delay, const Network *network)
{
    int64s_2 delays = network->delays;
    const double span = room_layout_diffuser_span_samples(settings, mean);
    room_layout_draw_line_delays(settings, mean, (int64s_1){delays.at + ROOM_LINE_DELAY * delays.n1,
        delays.n1});
    room_layout_draw_scatter(room_layout_room_key(settings, ROOM_FOR_DIFFUSER, ROOM_FIRST), span *
        0x1.5555555555555p-2, (int64s_1){delays.at, delays.n1});
    room_layout_draw_scatter(room_layout_room_key(settings, ROOM_FOR_DIFFUSER, ROOM_SECOND), span *
        0x1.5555555555556p-1, (int64s_1){delays.at + ROOM_DIFFUSER_DELAY * delays.n1, delays.n1});
    for (ix line = 0; line < settings->lines; line++) {
        delays.at[line] += (int64_t)pre_delay;
        delays.at[ROOM_DIFFUSER_ORDER * delays.n1 + line] = (int64_t)line;
        delays.at[ROOM_LINE_ORDER * delays.n1 + line] = (int64_t)line;
    }
    room_layout_draw_order(room_layout_room_key(settings, ROOM_FOR_MIXING, ROOM_FIRST), (int64s_1){delays.at +
        ROOM_DIFFUSER_ORDER * delays.n1, delays.n1});
    room_layout_draw_order(room_layout_room_key(settings, ROOM_FOR_MIXING, ROOM_SECOND), (int64s_1){delays.at
        + ROOM_LINE_ORDER * delays.n1, delays.n1});
}

/* Write gains and signs of input, diffuser and lines; the part of the power that passes the diffuser. */
KERNEL double room_weigh(const RoomSettings *settings, ix channels, ix pre_delay, double per_sample_db, const
    Network *network)
{
    const ix lines = settings->lines;
    int64s_2 delays = network->delays;
    const double count = (double)lines;
    const double scale = 1.0 / square_root_double(count);
    double first = 0.0;
    double second = 0.0;
    for (ix line = 0; line < lines; line++) {
        /* Line i is fed by channel i modulo their number: columns without common rows are orthogonal. */
        double sharing = 0.0;
        for (ix other = 0; other < lines; other++) {
            if (floor_remainder(other, channels) == floor_remainder(line, channels)) {
                sharing += 1.0;
            }
        }
        const double entered = room_decay_power(per_sample_db, delays.at[line] - (int64_t)pre_delay);
        const double passed = room_decay_power(per_sample_db, delays.at[ROOM_DIFFUSER_DELAY * delays.n1 +
            line]);
        first += entered;
        second += passed;
        network->gains.at[line] = (real)(room_layout_draw_sign(room_layout_room_key(settings, ROOM_FOR_INPUT,
            ROOM_FIRST), line) / square_root_double(sharing) * square_root_double(entered));
        /* Both mixings' scale: the one before the diffuser, and the one behind it. */
        network->gains.at[ROOM_DIFFUSER_GAIN * network->gains.n1 + line] =
            (real)(room_layout_draw_sign(room_layout_room_key(settings, ROOM_FOR_MIXING, ROOM_THIRD), line) *
            square_root_double(passed) / count);
        network->gains.at[ROOM_MIXING_GAIN * network->gains.n1 + line] =
            (real)room_layout_draw_sign(room_layout_room_key(settings, ROOM_FOR_MIXING, ROOM_FOURTH), line);
    }
    network->numbers.at[ROOM_SCALE] = scale;
    return first / count * (second / count);
}

/* Write delays, signs and decay of what channels hear; the mean of their power. */
KERNEL double room_place_taps(const RoomSettings *settings, ix channels, double mean, double per_sample_db,
    const Network *network)
{
    const ix half = floor_division(settings->lines, 2);
    const double count = (double)half;
    double total = 0.0;
    double taps = 0.0;
    for (ix channel = 0; channel < channels; channel++) {
        room_layout_draw_scatter(room_layout_room_key(settings, ROOM_FOR_TAPS, (uint64_t)(2 * channel)),
            room_layout_tap_span_samples(mean), (int64s_1){network->tap_delays.at + channel *
            network->tap_delays.n1, network->tap_delays.n1});
        for (ix tap = 0; tap < half; tap++) {
            const double left = room_decay_power(per_sample_db, network->tap_delays.at[channel *
                network->tap_delays.n1 + tap]);
            total += left;
            taps += 1.0;
            const double sign = room_layout_draw_sign(room_layout_room_key(settings, ROOM_FOR_TAPS,
                (uint64_t)(2 * channel + 1)), tap);
            network->tap_gains.at[channel * network->tap_gains.n1 + tap] = (real)(sign /
                square_root_double(count) * square_root_double(left));
        }
    }
    return total / taps;
}

/* Power that one pass through a line leaves on average, at a frequency in turns per sample. */
KERNEL double room_loop_power(double turns, const Network *network)
{
    const double cosine = elementary_cosine_of_turns(turns);
    const double sine = elementary_sine_of_turns(turns);
    double total = 0.0;
    const double lines = (double)network->delays.n1;
    for (ix line = 0; line < network->delays.n1; line++) {
        total += line_filters_pass_power(network->filters, line, cosine, sine);
    }
    return total / lines;
}

/* Gains of the dry sound, of the reverberation, and in it of a channel's own and of all channels together. */
KERNEL room__output_gains_result room_output_gains(const RoomSettings *settings, ix channels)
{
    double wet = room_wet_share(settings);
    const double share = settings->wet_percent / 100.0;
    double dry = 1.0;
    if (wet > 0.0) {
        dry = (1.0 - share) * (wet / share);
    }
    const double count = (double)channels;
    double own = 1.0;
    if (channels > 1) {
        own = settings->width_percent / 100.0;
    }
    const double common = (1.0 - own) / square_root_double(count);
    /* Power of own * y_c + common * sum(y) for channels of equal power that are not alike. */
    wet = wet / square_root_double(own * own + 2.0 * own * common + count * common * common);
    return (room__output_gains_result){dry, wet, own, common};
}

/* Write dry and wet gains, and how wide the reverberation is. */
KERNEL void room_set_levels(const RoomSettings *settings, ix channels, double level, const Network *network)
{
    doubles_1 numbers = network->numbers;
    const room__output_gains_result result_1 = room_output_gains(settings, channels);
    const double dry = result_1.m0;
    const double wet = result_1.m1;
    const double own = result_1.m2;
    const double common = result_1.m3;
    numbers.at[ROOM_DRY] = dry;
    numbers.at[ROOM_OWN] = own;
    numbers.at[ROOM_COMMON] = common;
    /* Taps hold the level of the reverberation, so that nothing more is multiplied while nothing moves; where it is */
    /* not heard they hold one, for it may come. */
    numbers.at[ROOM_HEARD] = (double)(wet > 0.0 ? REAL(1.0) : REAL(0.0));
    numbers.at[ROOM_HELD] = wet > 0.0 ? wet : 1.0;
    level = level * numbers.at[ROOM_HELD];
    for (ix channel = 0; channel < channels; channel++) {
        for (ix tap = 0; tap < network->tap_gains.n1; tap++) {
            network->tap_gains.at[channel * network->tap_gains.n1 + tap] =
                (real)((double)network->tap_gains.at[channel * network->tap_gains.n1 + tap] * level);
        }
    }
}

/* Write how pairs of lines turn: swings as set, then the network's own, as far as it is needed. */
KERNEL void room_set_turning(const RoomSettings *settings, double sample_rate, doubles_1 decays, const Network
    *network, const NetworkState *state)
{
    int64s_1 counters = state->counters;
    doubles_1 numbers = network->numbers;
    const ix lines = settings->lines;
    double whole = 0.0;
    int64_t shortest = network->delays.at[ROOM_LINE_DELAY * network->delays.n1];
    for (ix line = 0; line < lines; line++) {
        const double length = (double)network->delays.at[ROOM_LINE_DELAY * network->delays.n1 + line];
        whole += length;
        shortest = smaller_integer_64(shortest, network->delays.at[ROOM_LINE_DELAY * network->delays.n1 +
            line]);
    }
    counters.at[ROOM_SHORTEST] = shortest;
    double needed = 0.0;
    double slowest = 0.0;
    for (ix band = 0; band < ROOM_BANDS; band++) {
        slowest = larger_double(slowest, decays.at[band]);
        if (band < room_layout_usable_bands(sample_rate)) {
            needed = larger_double(needed, room_layout_needed_angle(whole / sample_rate, lines,
                decays.at[band]));
        }
    }
    const double count = (double)lines;
    const double widest = room_layout_widest_turning_hz(settings, whole / count / sample_rate, sample_rate) /
        settings->modulation_hz;
    const double deepest = smaller_double(0x1.14eb56fb8f57fp+3, widest) * settings->modulation_percent /
        100.0;
    /* Fast turns by small angles leave most of the sound where it was: they count as slow ones of that angle. */
    const double counts = deepest * smaller_double(settings->modulation_hz / 0.5, 1.0);
    const double own = square_root_double(larger_double(needed * needed - counts * counts, 0.0));
    numbers.at[ROOM_DEPTH] = deepest / 0x1.921fb54442d18p+2;
    numbers.at[5] = own / 0x1.921fb54442d18p+2;
    for (ix swing = 0; swing < ROOM_SWINGS; swing++) {
        double hertz = settings->modulation_hz;
        if (swing == 1) {
            hertz = 0.5;
        }
        const uint64_t key = room_layout_room_key(settings, ROOM_FOR_SWINGS, (uint64_t)swing);
        room_layout_draw_swings(key, hertz, sample_rate, network->rates, network->phases, swing);
    }
    const double fastest = 0x1.921fb54442d18p+2 * (room_layout_spread_rate(deepest * settings->modulation_hz)
        + room_layout_spread_rate(own * 0.5));
    const ix cell = room_layout_cell_samples(fastest / sample_rate, whole / count / (sample_rate * slowest));
    counters.at[ROOM_TURNING] = (int64_t)(deepest + own > 0.0 ? 1 : 0);
    counters.at[ROOM_CURVED] = (int64_t)(cell < 0 ? 1 : 0);
    counters.at[ROOM_CELL] = (int64_t)magnitude_of_integer(cell);
    const double samples = (double)magnitude_of_integer(cell);
    const ix stop_1 = magnitude_of_integer(cell);
    for (ix k = 0; k < stop_1; k++) {
        const double passed = (double)k;
        const double way = passed / samples;
        network->ramp.at[k] = (real)way;
        network->ramp.at[1 * network->ramp.n1 + k] = (real)(way * (1.0 - way));
    }
}

/*
 * Lay the network out and go to a place on the tape, for memory that is all zeros.
 *
 * Times do not depend on the rate beyond rounding, nor anything but taps and levels on the channels.
 */
KERNEL void room_design(const RoomSettings *settings, double sample_rate, ix channels, int64_t start_sample,
    int64_t track, const RoomMemory *memory)
{
    (void)track;
    const Network network = memory->network;
    doubles_1 decays = (doubles_1){memory->scratch.centres.at + ROOM_DECAYS * memory->scratch.centres.n1,
        memory->scratch.centres.n1};
    for (ix band = 0; band < ROOM_BANDS; band++) {
        decays.at[band] = room_layout_decay_of_band(settings, band);
    }
    const double mean = room_layout_mean_line_samples(settings, sample_rate);
    const ix pre_delay = room_layout_pre_delay_samples(settings, sample_rate);
    room_lay_out(settings, mean, pre_delay, &network);
    design_absorption((int64s_1){network.delays.at + ROOM_LINE_DELAY * network.delays.n1, network.delays.n1},
        decays, sample_rate, network.filters, &memory->scratch);
    const double middle = decays.at[smaller_integer(ROOM_BAND_OF_1_KHZ, room_layout_usable_bands(sample_rate)
        - 1)];
    const double per_sample_db = -60.0 / (sample_rate * middle);
    const double entering = room_weigh(settings, channels, pre_delay, per_sample_db, &network);
    const double heard = room_place_taps(settings, channels, mean, per_sample_db, &network);
    const double lines = (double)settings->lines;
    const double count = (double)channels;
    const double turns = smaller_double(1000.0, 0x1.999999999999ap-2 * sample_rate) / sample_rate;
    const double level = square_root_double(lines * (1.0 - room_loop_power(turns, &network)) / (count *
        entering * heard));
    moving_decay_write_law(&network, turns, memory->moving.law);
    room_set_levels(settings, channels, level, &network);
    room_set_turning(settings, sample_rate, decays, &network, &memory->state);
    glides_glide_rest(ROOM_DRY_ROW, network.numbers.at[ROOM_DRY], &memory->glide);
    glides_glide_rest(ROOM_HEARD_ROW, network.numbers.at[ROOM_HEARD], &memory->glide);
    glides_glide_rest(ROOM_OWN_ROW, network.numbers.at[ROOM_OWN], &memory->glide);
    glides_glide_rest(ROOM_COMMON_ROW, network.numbers.at[ROOM_COMMON], &memory->glide);
    glides_glide_rest(ROOM_DECAY_COURSE, 0.0, &memory->glide);
    glides_glide_design(sample_rate, start_sample, &memory->glide);
    clear_network(&memory->state, start_sample);
}

/*
 * Go to other settings from the beginning of the next cell on; see :mod:`tapeemu.dsp.kernels.glides`.
 *
 * Of the settings those of `ROOM_MOVES` may differ from the ones that it was designed for.
 */
KERNEL void room_change(const RoomSettings *settings, double sample_rate, ix channels, const RoomMemory
    *memory)
{
    (void)sample_rate;
    const room__output_gains_result result_1 = room_output_gains(settings, channels);
    const double dry = result_1.m0;
    const double wet = result_1.m1;
    const double own = result_1.m2;
    const double common = result_1.m3;
    glides_glide_target(ROOM_DRY_ROW, dry, &memory->glide);
    glides_glide_target(ROOM_HEARD_ROW, wet / memory->network.numbers.at[ROOM_HELD], &memory->glide);
    glides_glide_target(ROOM_OWN_ROW, own, &memory->glide);
    glides_glide_target(ROOM_COMMON_ROW, common, &memory->glide);
    const double designed = memory->scratch.centres.at[ROOM_DECAYS * memory->scratch.centres.n1 +
        ROOM_BAND_OF_1_KHZ];
    glides_glide_target(ROOM_DECAY_COURSE, elementary_logarithm(designed / room_layout_decay_of_band(settings,
        ROOM_BAND_OF_1_KHZ)), &memory->glide);
}

/* Write the decay time of every line from its loop gain, all gains included; `out` is (lines, frequencies). */
KERNEL void room_decays(const RoomMemory *memory, double sample_rate, doubles_1 frequencies_hz, doubles_2 out)
{
    const Network network = memory->network;
    for (ix line = 0; line < out.n0; line++) {
        for (ix k = 0; k < frequencies_hz.n0; k++) {
            out.at[line * out.n1 + k] = line_filters_loop_decay_seconds(network.filters,
                network.delays.at[ROOM_LINE_DELAY * network.delays.n1 + line], line, frequencies_hz.at[k],
                sample_rate);
        }
    }
}

/* Go to a place on the tape; nothing that sounded before is left. */
KERNEL void room_seek(const RoomMemory *memory, int64_t place)
{
    glides_glide_seek(place, &memory->glide);
    clear_network(&memory->state, place);
}

/*
 * Process a block of any length; `out` may be `block` itself.
 *
 * Parameters
 * ----------
 * memory : RoomMemory
 *     Designed; changed in place.
 * block, out : ndarray, shape (channels, samples)
 *     Input and output.
 */
KERNEL void room_process(const RoomMemory *memory, reals_2 block, reals_2 out)
{
    const Network network = memory->network;
    const NetworkState state = memory->state;
    int64s_1 counters = state.counters;
    reals_2 rows = state.rows;
    int64s_2 delays = network.delays;
    reals_2 gains = network.gains;
    const ix length = block.n1;
    const ix sections = (ix)network.filters.at[1 * network.filters.n2];
    ix done = 0;
    while (done < length) {
        const int64_t fed = counters.at[ROOM_FED];
        ix count = (ix)smaller_integer_64(INT64_C(64) - floor_remainder_64(fed, INT64_C(64)),
            counters.at[ROOM_CELL] - floor_remainder_64(counters.at[ROOM_POSITION], counters.at[ROOM_CELL]));
        count = smaller_integer(count, (ix)counters.at[ROOM_SHORTEST]);
        count = smaller_integer(count, length - done);
        const bool glides = glides_glide_moves(&memory->glide);
        bool left = counters.at[ROOM_LEFT] == INT64_C(1);
        const ix at = (ix)memory->glide.counts.at[ROOM_AT];
        if (glides) {
            count = smaller_integer(count, (ix)memory->glide.counts.at[ROOM_GLIDE_CELL] - at);
            if (counters.at[ROOM_LEFT] == INT64_C(0) && moving_decay_decay_left(&memory->glide)) {
                moving_decay_leave_design(&network, &state, fed);
            }
            left = counters.at[ROOM_LEFT] == INT64_C(1);
        }
        ix into = 0;
        if (left) {
            into = moving_decay_into_segment(&memory->glide);
            count = smaller_integer(count, moving_decay_make_segment(&network, &state, &memory->glide,
                &memory->moving));
        }
        if (glides) {
            for (ix course = 0; course < ROOM_COURSES; course++) {
                glides_glide_values(course, at, 0, &memory->glide, (reals_1){memory->courses.at + course *
                    memory->courses.n1, count});
            }
        }
        const ux samples = (ux)count;
        network_write_input(state.input_ring, block, (ux)done, fed, samples);
        network_spread(state.input_ring, (int64s_1){delays.at, delays.n1}, (reals_1){gains.at, gains.n1},
            rows, fed, samples);
        network_mix(rows, samples);
        if (left) {
            moving_decay_scale_input(rows, &memory->moving, into, count);
        }
        network_write_rows(state.diffuser_ring, (int64s_1){delays.at + ROOM_DIFFUSER_ORDER * delays.n1,
            delays.n1}, (reals_1){gains.at + ROOM_DIFFUSER_GAIN * gains.n1, gains.n1}, rows, fed, samples);
        if (sections == 1 && !left) {
            network_read_filtered(&network, &state, fed, samples);
        } else {
            if (left) {
                moving_decay_read_moving(&network, &state, &memory->moving, fed, into, count);
                moving_decay_absorb_moving(state.filtered, &memory->moving, sections, into,
                    state.filter_state, count);
            } else {
                network_read_rows(state.line_ring, &network, state.filtered, fed, samples);
                network_absorb(state.filtered, network.filters, sections, state.filter_state, samples);
            }
            network_add_rows(state.diffuser_ring, (int64s_1){delays.at + ROOM_DIFFUSER_DELAY * delays.n1,
                delays.n1}, state.filtered, rows, fed, samples);
        }
        if (counters.at[ROOM_TURNING] != INT64_C(0)) {
            network_turn_rows(&network, &state, samples);
        }
        network_mix(rows, samples);
        network_write_rows(state.line_ring, (int64s_1){delays.at + ROOM_LINE_ORDER * delays.n1, delays.n1},
            (reals_1){gains.at + ROOM_MIXING_GAIN * gains.n1, gains.n1}, rows, fed, samples);
        if (glides) {
            network_write_moving_output(block, out, (ux)done, &network, &state, fed, samples,
                memory->courses);
        } else {
            network_write_output(block, out, (ux)done, &network, &state, fed, samples);
        }
        glides_glide_pass(count, &memory->glide);
        done += count;
        counters.at[ROOM_FED] = fed + (int64_t)count;
        counters.at[ROOM_POSITION] += (int64_t)count;
        if (floor_remainder_64(counters.at[ROOM_FED], INT64_C(64)) == INT64_C(0)) {
            network_clear_stale(state.filter_state);
        }
    }
}
