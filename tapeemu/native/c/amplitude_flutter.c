/* Generated from amplitude_flutter.py (918f84748f411b7a); do not edit. SPDX-License-Identifier: ISC */

/*
 * A moving level, from its settings to sound: see :class:`tapeemu.processors.amplitude_flutter.AmplitudeFlutter`.
 *
 * The level of a channel is made a piece of the tape at a time, as a course that the loops over samples read: a
 * gain for each sample, or a place in the table of spacing filters.
 */

#include "amplitude_flutter.h"

#define AMPLITUDE_FLUTTER_LAW_NUMBERS 7
#define AMPLITUDE_FLUTTER_AT 0
#define AMPLITUDE_FLUTTER_CELL 1
#define AMPLITUDE_FLUTTER_GLIDE_ARRAYS 2
#define AMPLITUDE_FLUTTER_NODES 5
#define AMPLITUDE_FLUTTER_BAND 1
#define AMPLITUDE_FLUTTER_ROWS_AT_ONCE 32
#define AMPLITUDE_FLUTTER_PIECE 128
#define AMPLITUDE_FLUTTER_SEGMENT 4096
#define AMPLITUDE_FLUTTER_RATE_HZ 0
#define AMPLITUDE_FLUTTER_PEAK_DB 1
#define AMPLITUDE_FLUTTER_PHASE_DEGREES 2
#define AMPLITUDE_FLUTTER_PHASE_GIVEN 3
#define AMPLITUDE_FLUTTER_LEVEL_PART UINT64_C(7)
#define AMPLITUDE_FLUTTER_LEVEL UINT64_C(8)
#define AMPLITUDE_FLUTTER_CHANNEL_LEVEL UINT64_C(9)
#define AMPLITUDE_FLUTTER_DROPOUTS UINT64_C(10)
#define AMPLITUDE_FLUTTER_RATE 0
#define AMPLITUDE_FLUTTER_CONTACT 1
#define AMPLITUDE_FLUTTER_PER_BEGINNING 2
#define AMPLITUDE_FLUTTER_ROW_PER_DB 3
#define AMPLITUDE_FLUTTER_ROW_AT_ZERO 4
#define AMPLITUDE_FLUTTER_DRAWN_PEAKS 5
#define AMPLITUDE_FLUTTER_DRAWN_RANDOM 6
#define AMPLITUDE_FLUTTER_DRAWN_SHARE 7
#define AMPLITUDE_FLUTTER_PLAN 8
#define AMPLITUDE_FLUTTER_SHARE 0
#define AMPLITUDE_FLUTTER_RANDOM 1
#define AMPLITUDE_FLUTTER_LEAST 2
#define AMPLITUDE_FLUTTER_MOST 3
#define AMPLITUDE_FLUTTER_FACTORS 2
#define AMPLITUDE_FLUTTER_NUMBERS 4
#define AMPLITUDE_FLUTTER_PLACE 0
#define AMPLITUDE_FLUTTER_PIECE_MADE 1
#define AMPLITUDE_FLUTTER_MADE 2
#define AMPLITUDE_FLUTTER_FILLED 3
#define AMPLITUDE_FLUTTER_LATENCY 4
#define AMPLITUDE_FLUTTER_SPACING 5
#define AMPLITUDE_FLUTTER_OWN_NOISE 6
#define AMPLITUDE_FLUTTER_OWN_DROPOUTS 7
#define AMPLITUDE_FLUTTER_STATE 8
#define AMPLITUDE_FLUTTER_ROOM 4096
#define AMPLITUDE_FLUTTER_BEGINNING_SECONDS REAL(0x1.999999999999ap-5)
#define AMPLITUDE_FLUTTER_TWO_SIGMA REAL(0x1.f5c0331eeff84p+0)
#define AMPLITUDE_FLUTTER_BOUND REAL(8.0)
#define AMPLITUDE_FLUTTER_SHIFT_11 UINT64_C(11)
#define AMPLITUDE_FLUTTER_PER_2_53 REAL(0x1.0000000000000p-53)
#define AMPLITUDE_FLUTTER_SQUARINGS REAL(64.0)
#define AMPLITUDE_FLUTTER_NEPERS_PER_DB REAL(0x1.d791c5f888823p-4)

/* How many periodic parts move the level. */
KERNEL ix amplitude_flutter_parts(const AmplitudeFlutterSettings *settings)
{
    return settings->periodic_percent > 0.0 ? settings->periodic_parts.n0 : 0;
}

/* Peak of a periodic part. */
KERNEL double amplitude_flutter_peak_db(const AmplitudeFlutterSettings *settings, ix part)
{
    const double peak = settings->periodic_parts.at[part * settings->periodic_parts.n1 +
        AMPLITUDE_FLUTTER_PEAK_DB];
    return settings->periodic_percent / 100.0 * peak;
}

/* Level at the spacing frequency with the tape touching the head, relative to the mean distance. */
KERNEL double amplitude_flutter_contact_db(const AmplitudeFlutterSettings *settings)
{
    double total = 0x1.87d80c1e6956dp+0 * settings->random_db;
    const ix stop_1 = amplitude_flutter_parts(settings);
    for (ix part = 0; part < stop_1; part++) {
        total += amplitude_flutter_peak_db(settings, part);
    }
    return total;
}

/* Key of the dropouts of a channel. */
KERNEL uint64_t amplitude_flutter_dropout_key(uint64_t seed, bool own, ix channel)
{
    uint64_t number = UINT64_C(0);
    if (own) {
        number = (uint64_t)channel;
    }
    return hashing_stream_key(seed, AMPLITUDE_FLUTTER_DROPOUTS, number);
}

/* Write the law of the dropouts that are set, see :func:`tapeemu.dsp.kernels.dropouts.dropout_law`. */
KERNEL void amplitude_flutter_settings_law(const AmplitudeFlutterSettings *settings, doubles_1 law)
{
    dropouts_dropout_law(settings->dropouts_per_minute, settings->dropout_least_db, settings->dropout_most_db,
        settings->dropout_shortest_ms, settings->dropout_longest_ms, law);
}

/* Whether channels have noise of their own, beside what is common to them. */
KERNEL bool amplitude_flutter_has_own_noise(const AmplitudeFlutterSettings *settings)
{
    return settings->channel_correlation < 1.0 && settings->random_db > 0.0;
}

/* Whether channels have dropouts of their own. */
KERNEL bool amplitude_flutter_has_own_dropouts(const AmplitudeFlutterSettings *settings)
{
    return settings->dropouts_on_all_channels == 0 && settings->dropouts_per_minute > 0.0;
}

/* Least steepness in samples: with the tape touching the head. */
KERNEL double amplitude_flutter_lowest(const AmplitudeFlutterSettings *settings, double sample_rate)
{
    return -amplitude_flutter_contact_db(settings) *
        spacing_loss_steepness_per_db(settings->spacing_frequency_hz, sample_rate);
}

/* Largest steepness in samples. */
KERNEL double amplitude_flutter_highest(const AmplitudeFlutterSettings *settings, double sample_rate)
{
    const double correlation = settings->channel_correlation;
    const double shares = square_root_double(correlation) + square_root_double(1.0 - correlation);
    double deepest = 0x1.053ab2bef0e48p+2 * settings->random_db * shares;
    const ix stop_1 = amplitude_flutter_parts(settings);
    for (ix part = 0; part < stop_1; part++) {
        deepest += amplitude_flutter_peak_db(settings, part);
    }
    if (settings->dropouts_per_minute > 0.0) {
        deepest += settings->dropout_most_db;
    }
    return deepest * spacing_loss_steepness_per_db(settings->spacing_frequency_hz, sample_rate);
}

/* Samples by which the output is late: half a filter, nothing for a gain. */
KERNEL ix amplitude_flutter_latency(const AmplitudeFlutterSettings *settings, double sample_rate, ix channels)
{
    (void)channels;
    return settings->spacing == 1 ? spacing_loss_half_length(sample_rate) : 0;
}

/* Samples that sound on: the other half of a filter. */
KERNEL ix amplitude_flutter_tail(const AmplitudeFlutterSettings *settings, double sample_rate, ix channels,
    double level_db)
{
    (void)level_db;
    return amplitude_flutter_latency(settings, sample_rate, channels);
}

/* Write the shapes of the arrays of :class:`AmplitudeFlutterMemory`, a row for each. */
KERNEL void amplitude_flutter_shapes(const AmplitudeFlutterSettings *settings, double sample_rate, ix
    channels, int64s_2 shapes)
{
    const ix behind = 12;
    for (ix each = 0; each < behind + 6; each++) {
        for (ix axis = 0; axis < 3; axis++) {
            shapes.at[each * shapes.n1 + axis] = INT64_C(1);
        }
    }
    const bool own = amplitude_flutter_has_own_noise(settings);
    const ix half = spacing_loss_half_length(sample_rate);
    shapes.at[0] = INT64_C(8);
    shapes.at[1 * shapes.n1] = INT64_C(8);
    shapes.at[3 * shapes.n1] = INT64_C(7);
    if (own || amplitude_flutter_has_own_dropouts(settings)) {
        shapes.at[4 * shapes.n1] = (int64_t)channels;
    }
    shapes.at[4 * shapes.n1 + 1] = INT64_C(128);
    shapes.at[5 * shapes.n1] = INT64_C(2);
    shapes.at[5 * shapes.n1 + 1] = INT64_C(128);
    shapes.at[6 * shapes.n1] = INT64_C(128);
    shapes.at[7 * shapes.n1] = INT64_C(2);
    shapes.at[7 * shapes.n1 + 1] = INT64_C(128);
    shapes.at[8 * shapes.n1] = INT64_C(128);
    shapes.at[9 * shapes.n1] = INT64_C(5);
    glides_glide_shapes(AMPLITUDE_FLUTTER_NUMBERS, 10, shapes);
    if (settings->spacing == 1) {
        const double lowest = amplitude_flutter_lowest(settings, sample_rate);
        shapes.at[behind * shapes.n1] = (int64_t)spacing_loss_table_rows(lowest,
            amplitude_flutter_highest(settings, sample_rate), sample_rate);
        shapes.at[behind * shapes.n1 + 1] = (int64_t)(2 * half + 2);
        shapes.at[(behind + 1) * shapes.n1] = (int64_t)channels;
        /* One column more than is filled: the tap of zero that pads a row to whole vectors reads it. */
        shapes.at[(behind + 1) * shapes.n1 + 1] = (int64_t)(2 * half + 1 +
            larger_integer(AMPLITUDE_FLUTTER_ROOM, 4 * half) + 1);
        shapes.at[(behind + 2) * shapes.n1] = (int64_t)(half + 1);
        shapes.at[(behind + 2) * shapes.n1 + 1] = (int64_t)(half + 1);
        shapes.at[(behind + 3) * shapes.n1] = INT64_C(32);
        shapes.at[(behind + 3) * shapes.n1 + 1] = (int64_t)(half + 1);
        shapes.at[(behind + 4) * shapes.n1] = (int64_t)(4 * spacing_loss_table_points(half));
        shapes.at[(behind + 5) * shapes.n1] = (int64_t)(2 * half + 1);
    }
    const double low = settings->random_low_hz;
    const double high = settings->random_high_hz;
    const ix parts = amplitude_flutter_parts(settings);
    const ix noises = settings->random_db > 0.0 ? 1 : 0;
    const ix octaves = octave_noise_noise_octaves(AMPLITUDE_FLUTTER_BAND, low, high, sample_rate);
    const double highest = noise_spectrum_noise_highest(AMPLITUDE_FLUTTER_BAND, low, high, sample_rate);
    ix row = trajectories_trajectory_shapes(parts, noises, noises * octaves, highest, sample_rate, 1, shapes,
        behind + 6);
    if (own) {
        row = trajectories_trajectory_shapes(0, 1, octaves, highest, sample_rate, channels, shapes, row);
    } else {
        row = trajectories_trajectory_shapes(0, 0, 0, highest, sample_rate, 1, shapes, row);
    }
    trajectories_trajectory_shapes(noises * parts, 0, 0, highest, sample_rate, 1, shapes, row);
}

/* Add the periodic parts to a trajectory. */
KERNEL void amplitude_flutter_set_sines(const AmplitudeFlutterSettings *settings, const Trajectory *memory)
{
    doubles_2 parts = settings->periodic_parts;
    const ix stop_1 = amplitude_flutter_parts(settings);
    for (ix part = 0; part < stop_1; part++) {
        double turns = parts.at[part * parts.n1 + AMPLITUDE_FLUTTER_PHASE_DEGREES] / 360.0;
        if (parts.at[part * parts.n1 + AMPLITUDE_FLUTTER_PHASE_GIVEN] == 0.0) {
            const uint64_t key = hashing_stream_key(settings->seed, AMPLITUDE_FLUTTER_LEVEL_PART,
                (uint64_t)part);
            turns = 0x1.0000000000000p-53 * (double)(int64_t)(key >> AMPLITUDE_FLUTTER_SHIFT_11);
        }
        trajectories_set_sine(part, parts.at[part * parts.n1 + AMPLITUDE_FLUTTER_RATE_HZ],
            amplitude_flutter_peak_db(settings, part), turns - floor_of_double(turns), memory);
    }
}

/* Go to a place on the tape; nothing that sounded before is left. */
KERNEL void amplitude_flutter_seek(const AmplitudeFlutterMemory *memory, int64_t place)
{
    int64s_1 state = memory->state;
    glides_glide_seek(place, &memory->glide);
    state.at[AMPLITUDE_FLUTTER_PLACE] = place - state.at[AMPLITUDE_FLUTTER_LATENCY];
    state.at[AMPLITUDE_FLUTTER_MADE] = INT64_C(0);
    state.at[AMPLITUDE_FLUTTER_FILLED] = INT64_C(2) * state.at[AMPLITUDE_FLUTTER_LATENCY] + INT64_C(1);
    kept_rows_clear_rows(memory->line);
}

/*
 * Gains of levels in dB: ``10 ** (level / 20)``, relative error at most 2e-14 from -160 to 160 dB.
 *
 * Taylor series to the 12th power of a 64th of the exponent, squared six times: no branch, no table, so that
 * many are made at once.
 */
KERNEL void amplitude_flutter_gains_of_levels(doubles_1 levels, reals_1 out)
{
    for (ux i = (ux)0; i < (ux)levels.n0; i++) {
        const double r = levels.at[(ix)i] * 0x1.d791c5f888823p-10;
        double s = r / 0x1.c8cfc00000000p+28 + 0x1.ae64567f544e4p-26;
        s = r * s + 0x1.27e4fb7789f5cp-22;
        s = r * s + 0x1.71de3a556c734p-19;
        s = r * s + 0x1.a01a01a01a01ap-16;
        s = r * s + 0x1.a01a01a01a01ap-13;
        s = r * s + 0x1.6c16c16c16c17p-10;
        s = r * s + 0x1.1111111111111p-7;
        s = r * s + 0x1.5555555555555p-5;
        s = r * s + 0x1.5555555555555p-3;
        s = r * s + 0.5;
        double g = 1.0 + (r + r * r * s);
        g = g * g;
        g = g * g;
        g = g * g;
        g = g * g;
        g = g * g;
        out.at[(ix)i] = (real)(g * g);
    }
}

/*
 * Write the level of a channel in dB, at all frequencies or at the spacing frequency, into ``levels[1]``.
 *
 * Parameters
 * ----------
 * memory : AmplitudeFlutterMemory
 *     Designed; ``levels[0]`` holds what channels have in common.
 * piece : int64
 *     Number of the piece.
 * place : int
 *     Of the channel's own trajectory, see :func:`fill_piece`.
 * channel : int
 *     Whose level.
 */
KERNEL void amplitude_flutter_fill_levels(const AmplitudeFlutterMemory *memory, int64_t piece, ix place, ix
    channel)
{
    doubles_1 plan = memory->plan;
    int64s_1 state = memory->state;
    doubles_1 common = (doubles_1){memory->levels.at, memory->levels.n1};
    doubles_1 levels = (doubles_1){memory->levels.at + 1 * memory->levels.n1, memory->levels.n1};
    reals_1 depth = memory->depth;
    const bool moving = glides_glide_moves(&memory->glide);
    if (state.at[AMPLITUDE_FLUTTER_OWN_NOISE] == INT64_C(1)) {
        trajectories_fill_piece(&memory->own, piece, place, (uint64_t)(channel + 1), levels);
        if (moving) {
            for (ux i = (ux)0; i < (ux)128; i++) {
                levels.at[(ix)i] = (double)memory->factors.at[AMPLITUDE_FLUTTER_RANDOM * memory->factors.n1 +
                    (ix)i] * levels.at[(ix)i];
            }
        }
        for (ux i = (ux)0; i < (ux)128; i++) {
            levels.at[(ix)i] += common.at[(ix)i];
        }
    } else {
        for (ux i = (ux)0; i < (ux)128; i++) {
            levels.at[(ix)i] = common.at[(ix)i];
        }
    }
    const bool spacing = state.at[AMPLITUDE_FLUTTER_SPACING] == INT64_C(1);
    if (spacing) {
        double contact = plan.at[AMPLITUDE_FLUTTER_CONTACT];
        if (moving) {
            /* Touching the head is where the depths of the moment have it. */
            const double periodic = plan.at[AMPLITUDE_FLUTTER_DRAWN_PEAKS];
            const double random = 0x1.87d80c1e6956dp+0 * plan.at[AMPLITUDE_FLUTTER_DRAWN_RANDOM];
            for (ux i = (ux)0; i < (ux)128; i++) {
                contact = (double)memory->factors.at[(ix)i] * periodic +
                    (double)memory->factors.at[AMPLITUDE_FLUTTER_RANDOM * memory->factors.n1 + (ix)i] *
                    random;
                levels.at[(ix)i] = smaller_double(levels.at[(ix)i], contact);
            }
        } else {
            for (ux i = (ux)0; i < (ux)128; i++) {
                levels.at[(ix)i] = smaller_double(levels.at[(ix)i], contact);
            }
        }
    }
    const int64_t first = piece * INT64_C(128);
    const int64_t segment = floor_division_64(first, INT64_C(4096)) * INT64_C(4096);
    const uint64_t key = amplitude_flutter_dropout_key(memory->keys.at[0],
        state.at[AMPLITUDE_FLUTTER_OWN_DROPOUTS] == INT64_C(1), channel);
    const ix at = (ix)(memory->glide.counts.at[AMPLITUDE_FLUTTER_AT] - state.at[AMPLITUDE_FLUTTER_LATENCY] -
        state.at[AMPLITUDE_FLUTTER_PLACE] + first);
    const MovingDepth depths = (MovingDepth){memory->glide, memory->nodes, moving ? AMPLITUDE_FLUTTER_LEAST :
        -1, at};
    if (add_dropouts(key, memory->law, plan.at[AMPLITUDE_FLUTTER_RATE], segment, (ix)(first - segment),
        &depths, depth)) {
        for (ux i = (ux)0; i < (ux)128; i++) {
            levels.at[(ix)i] -= (double)depth.at[(ix)i];
        }
    }
    if (spacing) {
        const double nearest = (double)larger_integer_64(first, -first - INT64_C(128));
        if (nearest * plan.at[AMPLITUDE_FLUTTER_PER_BEGINNING] <= 1.0) {
            const double begin = (double)first;
            trajectories_begin_at_zero(begin, plan.at[AMPLITUDE_FLUTTER_PER_BEGINNING], levels);
        }
    }
}

/*
 * Write the level of a channel in dB, at all frequencies or at the spacing frequency.
 *
 * Parameters
 * ----------
 * memory : AmplitudeFlutterMemory
 *     Designed, for any number of channels.
 * first : int64
 *     Index on the tape of the first value.
 * channel : int
 *     Whose level; 0 or more.
 * out : ndarray, shape (samples,)
 *     Gets it.
 */
KERNEL void amplitude_flutter_read_levels(const AmplitudeFlutterMemory *memory, int64_t first, ix channel,
    doubles_1 out)
{
    ix done = 0;
    while (done < out.n0) {
        const int64_t piece = floor_division_64(first + (int64_t)done, INT64_C(128));
        const ix begin = (ix)(first + (int64_t)done - piece * INT64_C(128));
        const ix count = smaller_integer(out.n0 - done, AMPLITUDE_FLUTTER_PIECE - begin);
        trajectories_fill_piece(&memory->common, piece, 0, UINT64_C(0), (doubles_1){memory->levels.at,
            memory->levels.n1});
        amplitude_flutter_fill_levels(memory, piece, 0, channel);
        for (ix i = 0; i < count; i++) {
            out.at[done + i] = memory->levels.at[1 * memory->levels.n1 + begin + i];
        }
        done += count;
    }
}

/*
 * Write the factors of a piece, and multiply what channels have in common by them.
 *
 * As far as the cell goes, behind which the piece is made again. What is behind it then holds the cell's end.
 */
KERNEL void amplitude_flutter_move_common(const AmplitudeFlutterMemory *memory, int64_t piece)
{
    int64s_1 counts = memory->glide.counts;
    int64s_1 state = memory->state;
    doubles_1 common = (doubles_1){memory->levels.at, memory->levels.n1};
    reals_2 factors = memory->factors;
    const ix cell = (ix)counts.at[AMPLITUDE_FLUTTER_CELL];
    const ix late = (ix)state.at[AMPLITUDE_FLUTTER_LATENCY];
    const ix begin = (ix)(state.at[AMPLITUDE_FLUTTER_PLACE] - piece * INT64_C(128));
    const ix at = (ix)counts.at[AMPLITUDE_FLUTTER_AT];
    const ix count = smaller_integer(AMPLITUDE_FLUTTER_PIECE - begin, cell - at);
    for (ix number = 0; number < AMPLITUDE_FLUTTER_FACTORS; number++) {
        glides_glide_values(number, at, late, &memory->glide, (reals_1){factors.at + number * factors.n1 +
            begin, begin + count - begin});
    }
    if (memory->periodic.sines.n0 > 0) {
        doubles_1 alone = memory->alone;
        trajectories_fill_piece(&memory->periodic, piece, 0, UINT64_C(0), alone);
        for (ix i = begin; i < begin + count; i++) {
            common.at[i] = (double)factors.at[AMPLITUDE_FLUTTER_RANDOM * factors.n1 + i] * (common.at[i] -
                alone.at[i]) + (double)factors.at[i] * alone.at[i];
        }
    } else {
        const ix part = memory->common.noises.keys.n0 > 0 ? AMPLITUDE_FLUTTER_RANDOM :
            AMPLITUDE_FLUTTER_SHARE;
        for (ix i = begin; i < begin + count; i++) {
            common.at[i] = (double)factors.at[part * factors.n1 + i] * common.at[i];
        }
    }
}

/* Write gains of a piece, or places in the table. */
KERNEL void amplitude_flutter_make_course(const AmplitudeFlutterMemory *memory, int64_t piece)
{
    doubles_1 plan = memory->plan;
    trajectories_fill_piece(&memory->common, piece, 0, UINT64_C(0), (doubles_1){memory->levels.at,
        memory->levels.n1});
    if (glides_glide_moves(&memory->glide)) {
        amplitude_flutter_move_common(memory, piece);
    }
    const double last = (double)(memory->table.n0 - 2);
    const double per_db = plan.at[AMPLITUDE_FLUTTER_ROW_PER_DB];
    const double at_zero = plan.at[AMPLITUDE_FLUTTER_ROW_AT_ZERO];
    for (ix row = 0; row < memory->course.n0; row++) {
        amplitude_flutter_fill_levels(memory, piece, row, row);
        doubles_1 levels = (doubles_1){memory->levels.at + 1 * memory->levels.n1, memory->levels.n1};
        reals_1 course = (reals_1){memory->course.at + row * memory->course.n1, memory->course.n1};
        if (memory->state.at[AMPLITUDE_FLUTTER_SPACING] == INT64_C(1)) {
            for (ux i = (ux)0; i < (ux)128; i++) {
                course.at[(ix)i] = (real)smaller_double(larger_double(per_db * levels.at[(ix)i] + at_zero,
                    0.0), last);
            }
        } else {
            amplitude_flutter_gains_of_levels(levels, course);
        }
    }
    memory->state.at[AMPLITUDE_FLUTTER_PIECE_MADE] = piece;
    memory->state.at[AMPLITUDE_FLUTTER_MADE] = INT64_C(1);
}

/* Fill the plan; the tape is the same on every track. */
KERNEL void amplitude_flutter_design(const AmplitudeFlutterSettings *settings, double sample_rate, ix
    channels, int64_t start_sample, int64_t track, const AmplitudeFlutterMemory *memory)
{
    (void)track;
    doubles_1 plan = memory->plan;
    int64s_1 state = memory->state;
    const bool spacing = settings->spacing == 1;
    const bool own = amplitude_flutter_has_own_noise(settings);
    state.at[AMPLITUDE_FLUTTER_SPACING] = (int64_t)settings->spacing;
    state.at[AMPLITUDE_FLUTTER_LATENCY] = (int64_t)amplitude_flutter_latency(settings, sample_rate, channels);
    state.at[AMPLITUDE_FLUTTER_OWN_NOISE] = (int64_t)(own ? 1 : 0);
    state.at[AMPLITUDE_FLUTTER_OWN_DROPOUTS] = (int64_t)(amplitude_flutter_has_own_dropouts(settings) ? 1 :
        0);
    memory->keys.at[0] = settings->seed;
    plan.at[AMPLITUDE_FLUTTER_RATE] = sample_rate;
    plan.at[AMPLITUDE_FLUTTER_CONTACT] = amplitude_flutter_contact_db(settings);
    plan.at[AMPLITUDE_FLUTTER_DRAWN_RANDOM] = settings->random_db;
    plan.at[AMPLITUDE_FLUTTER_DRAWN_PEAKS] = 0.0;
    plan.at[AMPLITUDE_FLUTTER_DRAWN_SHARE] = settings->periodic_percent;
    const ix stop_1 = amplitude_flutter_parts(settings);
    for (ix part = 0; part < stop_1; part++) {
        plan.at[AMPLITUDE_FLUTTER_DRAWN_PEAKS] += amplitude_flutter_peak_db(settings, part);
    }
    for (ix number = 0; number < AMPLITUDE_FLUTTER_FACTORS; number++) {
        glides_glide_rest(number, 1.0, &memory->glide);
    }
    glides_glide_rest(AMPLITUDE_FLUTTER_LEAST, settings->dropout_least_db, &memory->glide);
    glides_glide_rest(AMPLITUDE_FLUTTER_MOST, settings->dropout_most_db, &memory->glide);
    glides_glide_design(sample_rate, start_sample, &memory->glide);
    plan.at[AMPLITUDE_FLUTTER_PER_BEGINNING] = 1.0 / (0x1.999999999999ap-5 * sample_rate);
    amplitude_flutter_settings_law(settings, memory->law);
    const double rms = settings->random_db / 0x1.f5c0331eeff84p+0;
    const double low = settings->random_low_hz;
    const double high = settings->random_high_hz;
    trajectories_begin_trajectory(sample_rate, &memory->common);
    amplitude_flutter_set_sines(settings, &memory->common);
    trajectories_begin_trajectory(sample_rate, &memory->periodic);
    if (memory->periodic.sines.n0 > 0) {
        amplitude_flutter_set_sines(settings, &memory->periodic);
    }
    const double together = square_root_double(settings->channel_correlation) * rms;
    const double apart = square_root_double(1.0 - settings->channel_correlation) * rms;
    uint64_t key = hashing_stream_key(settings->seed, AMPLITUDE_FLUTTER_LEVEL, UINT64_C(0));
    if (rms > 0.0) {
        trajectories_set_noise(0, AMPLITUDE_FLUTTER_BAND, key, low, high, together, 0.0, false,
            &memory->common);
    }
    trajectories_begin_trajectory(sample_rate, &memory->own);
    if (own) {
        key = hashing_stream_key(settings->seed, AMPLITUDE_FLUTTER_CHANNEL_LEVEL, UINT64_C(0));
        trajectories_set_noise(0, AMPLITUDE_FLUTTER_BAND, key, low, high, apart, 0.0, false, &memory->own);
    }
    if (spacing) {
        const double per_db = spacing_loss_steepness_per_db(settings->spacing_frequency_hz, sample_rate);
        const double lowest = amplitude_flutter_lowest(settings, sample_rate);
        const double step = spacing_loss_table_step(lowest, amplitude_flutter_highest(settings, sample_rate),
            memory->table.n0);
        spacing_loss_design_table(lowest, step, sample_rate, &memory->scratch, memory->table);
        plan.at[AMPLITUDE_FLUTTER_ROW_PER_DB] = -per_db / step;
        plan.at[AMPLITUDE_FLUTTER_ROW_AT_ZERO] = -lowest / step;
    }
    amplitude_flutter_seek(memory, start_sample);
    /* What noises begin with costs more than a block may: it is paid here, not by the first one. */
    amplitude_flutter_make_course(memory, floor_division_64(memory->state.at[AMPLITUDE_FLUTTER_PLACE],
        INT64_C(128)));
}

/*
 * Go to other settings from the beginning of the next cell on; see :mod:`tapeemu.dsp.kernels.glides`.
 *
 * Of the settings those of `AMPLITUDE_FLUTTER_MOVES` may differ from the ones that it was designed for. The
 * course of the tape stays the one that was drawn: its parts are multiplied, and dropouts stay where they are.
 */
KERNEL void amplitude_flutter_change(const AmplitudeFlutterSettings *settings, double sample_rate, ix
    channels, const AmplitudeFlutterMemory *memory)
{
    (void)sample_rate;
    (void)channels;
    doubles_1 plan = memory->plan;
    if (plan.at[AMPLITUDE_FLUTTER_DRAWN_SHARE] > 0.0) {
        glides_glide_target(AMPLITUDE_FLUTTER_SHARE, settings->periodic_percent /
            plan.at[AMPLITUDE_FLUTTER_DRAWN_SHARE], &memory->glide);
    }
    if (plan.at[AMPLITUDE_FLUTTER_DRAWN_RANDOM] > 0.0) {
        glides_glide_target(AMPLITUDE_FLUTTER_RANDOM, settings->random_db /
            plan.at[AMPLITUDE_FLUTTER_DRAWN_RANDOM], &memory->glide);
    }
    glides_glide_target(AMPLITUDE_FLUTTER_LEAST, settings->dropout_least_db, &memory->glide);
    glides_glide_target(AMPLITUDE_FLUTTER_MOST, settings->dropout_most_db, &memory->glide);
}

/* Multiply every channel by its gains, sample by sample. */
KERNEL void amplitude_flutter_scale(reals_1 gains, reals_1 block, reals_1 out)
{
    for (ux i = (ux)0; i < (ux)gains.n0; i++) {
        out.at[(ix)i] = gains.at[(ix)i] * block.at[(ix)i];
    }
}

/* Move the columns that are still needed to the beginning of a line. */
KERNEL void amplitude_flutter_drop_past(reals_2 line, ix kept, ix filled)
{
    for (ix channel = 0; channel < line.n0; channel++) {
        for (ix column = 0; column < kept; column++) {
            line.at[channel * line.n1 + column] = line.at[channel * line.n1 + filled - kept + column];
        }
    }
}

/*
 * Process a block of any length; `out` may be `block` itself.
 *
 * Parameters
 * ----------
 * memory : AmplitudeFlutterMemory
 *     Designed; changed in place.
 * block, out : ndarray, shape (channels, samples)
 *     Input and output.
 */
KERNEL void amplitude_flutter_process(const AmplitudeFlutterMemory *memory, reals_2 block, reals_2 out)
{
    reals_1 places = {0};
    int64s_1 state = memory->state;
    reals_2 course = memory->course;
    reals_2 line = memory->line;
    const ix channels = block.n0;
    const ix samples = block.n1;
    const ix rows = course.n0;
    const ix latency = (ix)state.at[AMPLITUDE_FLUTTER_LATENCY];
    const ix past = 2 * latency + 1;
    const ix room = line.n1 - 1;
    ix done = 0;
    while (done < samples) {
        const int64_t piece = floor_division_64(state.at[AMPLITUDE_FLUTTER_PLACE], INT64_C(128));
        const ix begin = (ix)(state.at[AMPLITUDE_FLUTTER_PLACE] - piece * INT64_C(128));
        ix count = smaller_integer(samples - done, AMPLITUDE_FLUTTER_PIECE - begin);
        const bool moving = glides_glide_moves(&memory->glide);
        if (moving) {
            count = smaller_integer(count, (ix)(memory->glide.counts.at[AMPLITUDE_FLUTTER_CELL] -
                memory->glide.counts.at[AMPLITUDE_FLUTTER_AT]));
        }
        /* Also where depths begin to move in a piece that was made while they stood. */
        const bool starts = moving && memory->glide.counts.at[AMPLITUDE_FLUTTER_AT] == INT64_C(0);
        if (state.at[AMPLITUDE_FLUTTER_MADE] == INT64_C(0) || state.at[AMPLITUDE_FLUTTER_PIECE_MADE] != piece
            || starts) {
            amplitude_flutter_make_course(memory, piece);
        }
        if (state.at[AMPLITUDE_FLUTTER_SPACING] == INT64_C(0)) {
            for (ix channel = 0; channel < channels; channel++) {
                reals_1 gains = (reals_1){course.at + smaller_integer(channel, rows - 1) * course.n1 + begin,
                    begin + count - begin};
                amplitude_flutter_scale(gains, (reals_1){block.at + channel * block.n1 + done, done + count -
                    done}, (reals_1){out.at + channel * out.n1 + done, done + count - done});
            }
        } else {
            ix filled = (ix)state.at[AMPLITUDE_FLUTTER_FILLED];
            if (filled == room) {
                amplitude_flutter_drop_past(line, past, filled);
                filled = past;
            }
            count = smaller_integer(count, room - filled);
            for (ix channel = 0; channel < channels; channel++) {
                for (ux i = (ux)0; i < (ux)count; i++) {
                    line.at[channel * line.n1 + (ix)(ux)filled + (ix)i] = block.at[channel * block.n1 +
                        (ix)(ux)done + (ix)i];
                }
            }
            const ix column = filled - 2 * latency;
            if (rows == 1) {
                for (ix first = 0; first < channels; first += 2) {
                    const ix second = smaller_integer(first + 1, channels - 1);
                    places = (reals_1){course.at + begin, begin + count - begin};
                    spacing_loss_filter_pair(line, memory->table, places, column, first, second, done, out);
                }
            } else {
                for (ix channel = 0; channel < channels; channel++) {
                    places = (reals_1){course.at + channel * course.n1 + begin, begin + count - begin};
                    spacing_loss_filter_pair(line, memory->table, places, column, channel, channel, done,
                        out);
                }
            }
            state.at[AMPLITUDE_FLUTTER_FILLED] = (int64_t)(filled + count);
        }
        state.at[AMPLITUDE_FLUTTER_PLACE] += (int64_t)count;
        glides_glide_pass(count, &memory->glide);
        if (moving && memory->glide.counts.at[AMPLITUDE_FLUTTER_AT] == INT64_C(0)) {
            state.at[AMPLITUDE_FLUTTER_MADE] = INT64_C(0);
        }
        done += count;
    }
}
