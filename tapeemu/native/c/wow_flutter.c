/* Generated from wow_flutter.py (72c7ddd2a196bf11); do not edit. SPDX-License-Identifier: ISC */

/*
 * A moving read position, from its settings to sound: see :class:`tapeemu.processors.wow_flutter.WowFlutter`.
 *
 * Places are counted in whole numbers and 128 bits behind the point, so they stay exact for as long as the tape
 * runs; only the distance from the nearest whole sample is a number with a rounding.
 */

#include "wow_flutter.h"

#define WOW_FLUTTER_AT 0
#define WOW_FLUTTER_CELL 1
#define WOW_FLUTTER_GLIDE_ARRAYS 2
#define WOW_FLUTTER_BAND 1
#define WOW_FLUTTER_LAW 0
#define WOW_FLUTTER_CELLS 512
#define WOW_FLUTTER_PIECE 128
#define WOW_FLUTTER_SEGMENT 4096
#define WOW_FLUTTER_RATE_HZ 0
#define WOW_FLUTTER_PEAK_PERCENT 1
#define WOW_FLUTTER_PHASE_TURNS 2
#define WOW_FLUTTER_PHASE_GIVEN 3
#define WOW_FLUTTER_ROTATING_PART UINT64_C(3)
#define WOW_FLUTTER_FLUTTER UINT64_C(4)
#define WOW_FLUTTER_SCRAPE UINT64_C(5)
#define WOW_FLUTTER_AZIMUTH UINT64_C(6)
#define WOW_FLUTTER_TRACK_SKEW UINT64_C(32)
#define WOW_FLUTTER_TWO_SIGMA REAL(0x1.f5c0331eeff84p+0)
#define WOW_FLUTTER_TURN REAL(0x1.921fb54442d18p+2)
#define WOW_FLUTTER_PER_2_64 REAL(0x1.0000000000000p-64)
#define WOW_FLUTTER_SETTLING_SHARE REAL(0x1.89374bc6a7efap-5)
#define WOW_FLUTTER_LEAST_AZIMUTH_FLUTTER_PERCENT REAL(0x1.47ae147ae147bp-6)
#define WOW_FLUTTER_WANDER_LOW_HZ REAL(0x1.999999999999ap-4)
#define WOW_FLUTTER_WANDER_HIGH_HZ REAL(1.0)
#define WOW_FLUTTER_ROOM 1024
#define WOW_FLUTTER_REACH 0
#define WOW_FLUTTER_LATENCY 1
#define WOW_FLUTTER_TAPS 2
#define WOW_FLUTTER_AZIMUTH_MOVES 3
#define WOW_FLUTTER_START 4
#define WOW_FLUTTER_ORIGIN 5
#define WOW_FLUTTER_FED 6
#define WOW_FLUTTER_MADE 7
#define WOW_FLUTTER_BASE 8
#define WOW_FLUTTER_FILLED 9
#define WOW_FLUTTER_PIECE_MADE 10
#define WOW_FLUTTER_WHOLE 11
#define WOW_FLUTTER_CELL_BEGIN 12
#define WOW_FLUTTER_PARTS_FILLED 13
#define WOW_FLUTTER_PARTS_MADE 14
#define WOW_FLUTTER_COUNTS 15
#define WOW_FLUTTER_RATIO 0
#define WOW_FLUTTER_SLOPE 1
#define WOW_FLUTTER_FRACTION 2
#define WOW_FLUTTER_SCALE 3
#define WOW_FLUTTER_DRAWN_RANDOM 4
#define WOW_FLUTTER_DRAWN_SCRAPE 5
#define WOW_FLUTTER_PLAN 6
#define WOW_FLUTTER_TURNING 0
#define WOW_FLUTTER_RANDOM 1
#define WOW_FLUTTER_SCRAPING 2
#define WOW_FLUTTER_NUMBERS 3

/* Input samples per output sample. */
KERNEL double wow_flutter_ratio_of(const WowFlutterSettings *settings)
{
    return 1.0 + settings->speed_error_percent / 100.0;
}

/* Factor on all that moves but azimuth and speed error, from the weighted figure. */
KERNEL double wow_flutter_flutter_scale(const WowFlutterSettings *settings)
{
    if (settings->scaled == 0) {
        return 1.0;
    }
    if (settings->weighted_flutter_percent == 0.0 || settings->figure_percent == 0.0) {
        return 0.0;
    }
    return settings->weighted_flutter_percent / settings->figure_percent;
}

/* Flutter that settling is held against. */
KERNEL double wow_flutter_settling_percent(const WowFlutterSettings *settings)
{
    return wow_flutter_flutter_scale(settings) * larger_double(settings->figure_percent, 0.25 *
        settings->wide_figure_percent);
}

/* Standard deviation of the speed's random part, in samples per second of delay. */
KERNEL double wow_flutter_random_rms(const WowFlutterSettings *settings, double sample_rate)
{
    return settings->random_percent * wow_flutter_flutter_scale(settings) / 0x1.87fe27f02b79fp+7 *
        sample_rate;
}

/* Standard deviation of scrape flutter, in samples per second of delay. */
KERNEL double wow_flutter_scrape_rms(const WowFlutterSettings *settings, double sample_rate)
{
    return settings->scrape_percent * wow_flutter_flutter_scale(settings) / 0x1.87fe27f02b79fp+7 *
        sample_rate;
}

/* Standard deviation of the delay between channels, in samples. */
KERNEL double wow_flutter_wander_rms(const WowFlutterSettings *settings, double sample_rate)
{
    return settings->azimuth_wander_us * 0x1.0c6f7a0b5ed8dp-20 / 0x1.f5c0331eeff84p+0 * sample_rate;
}

/* Peak delay of a rotating part in samples. */
KERNEL double wow_flutter_part_amplitude(const WowFlutterSettings *settings, double sample_rate, ix part)
{
    const double rate = settings->parts.at[part * settings->parts.n1 + WOW_FLUTTER_RATE_HZ];
    const double peak = settings->parts.at[part * settings->parts.n1 + WOW_FLUTTER_PEAK_PERCENT] / 100.0 *
        wow_flutter_flutter_scale(settings);
    return peak / (0x1.921fb54442d18p+2 * rate) * sample_rate;
}

/* Largest delay of any channel in samples; the settled trajectories have the same bounds. */
KERNEL double wow_flutter_delay_bound(const WowFlutterSettings *settings, double sample_rate, ix channels)
{
    double bound = 0.0;
    for (ix part = 0; part < settings->parts.n0; part++) {
        bound += 2.0 * wow_flutter_part_amplitude(settings, sample_rate, part);
    }
    bound += trajectories_noise_bound(WOW_FLUTTER_LAW, settings->random_low_hz, settings->random_high_hz,
        wow_flutter_random_rms(settings, sample_rate), settings->random_slope_db_per_octave, true,
        sample_rate);
    bound += trajectories_noise_bound(WOW_FLUTTER_BAND, settings->scrape_low_hz, settings->scrape_high_hz,
        wow_flutter_scrape_rms(settings, sample_rate), 0.0, true, sample_rate);
    bound += magnitude_double(settings->track_skew_us) * 0x1.0c6f7a0b5ed8dp-20 * sample_rate;
    const double farthest = 0.5 * (double)(channels - 1);
    if (farthest > 0.0) {
        const double skew = magnitude_double(settings->azimuth_skew_us) * 0x1.0c6f7a0b5ed8dp-20 * sample_rate;
        const double wander = trajectories_noise_bound(WOW_FLUTTER_BAND, 0x1.999999999999ap-4, 1.0,
            wow_flutter_wander_rms(settings, sample_rate), 0.0, false, sample_rate);
        bound += farthest * (skew + wander);
    }
    return bound;
}

/* Samples round the undelayed place that may be needed to either side. */
KERNEL ix wow_flutter_reach(const WowFlutterSettings *settings, double sample_rate, ix channels)
{
    const ix reach = (ix)ceiling_of_double(wow_flutter_delay_bound(settings, sample_rate, channels)) +
        floor_division(settings->reader_taps, 2);
    return settings->speed_error_percent != 0.0 ? reach + 1 : reach;
}

/* Samples by which the output is late. */
KERNEL ix wow_flutter_latency(const WowFlutterSettings *settings, double sample_rate, ix channels)
{
    const ix reach = wow_flutter_reach(settings, sample_rate, channels);
    return (ix)ceiling_of_double((double)reach / wow_flutter_ratio_of(settings));
}

/* Samples that may sound on: what the tape may lag. */
KERNEL ix wow_flutter_tail(const WowFlutterSettings *settings, double sample_rate, ix channels, double
    level_db)
{
    (void)level_db;
    return wow_flutter_latency(settings, sample_rate, channels);
}

/* Output samples per input sample. */
KERNEL double wow_flutter_length_ratio(const WowFlutterSettings *settings)
{
    return 1.0 / wow_flutter_ratio_of(settings);
}

/* Write the shapes of the arrays of :class:`WowFlutterMemory`, a row for each. */
KERNEL void wow_flutter_shapes(const WowFlutterSettings *settings, double sample_rate, ix channels, int64s_2
    shapes)
{
    const ix around = 2 * wow_flutter_reach(settings, sample_rate, channels) + 16;
    ix row = memory_shapes_shape_row(WOW_FLUTTER_PLAN, 1, shapes, 0);
    row = memory_shapes_shape_row(WOW_FLUTTER_COUNTS, 1, shapes, row);
    row = memory_shapes_shape_row(3, 1, shapes, row);
    row = memory_shapes_shape_row(514, settings->reader_taps, shapes, row);
    row = memory_shapes_shape_row(channels, 2 * around + WOW_FLUTTER_ROOM, shapes, row);
    row = memory_shapes_shape_row(2, WOW_FLUTTER_SEGMENT, shapes, row);
    row = memory_shapes_shape_row(2, WOW_FLUTTER_PIECE, shapes, row);
    row = memory_shapes_shape_row(2, WOW_FLUTTER_PIECE, shapes, row);
    for (ix _ = 0; _ < 3; _++) {
        row = memory_shapes_shape_row(WOW_FLUTTER_PIECE, 1, shapes, row);
    }
    glides_late_glide_shapes(WOW_FLUTTER_NUMBERS, around, sample_rate, row, shapes);
    row = row + WOW_FLUTTER_GLIDE_ARRAYS;
    const ix random = octave_noise_noise_octaves(WOW_FLUTTER_LAW, settings->random_low_hz,
        settings->random_high_hz, sample_rate);
    const ix scrape = octave_noise_noise_octaves(WOW_FLUTTER_BAND, settings->scrape_low_hz,
        settings->scrape_high_hz, sample_rate);
    const double highest = larger_double(noise_spectrum_noise_highest(WOW_FLUTTER_LAW,
        settings->random_low_hz, settings->random_high_hz, sample_rate),
        noise_spectrum_noise_highest(WOW_FLUTTER_BAND, settings->scrape_low_hz, settings->scrape_high_hz,
        sample_rate));
    row = trajectories_trajectory_shapes(settings->parts.n0, 2, random + scrape, highest, sample_rate, 1,
        shapes, row);
    const ix wander = octave_noise_noise_octaves(WOW_FLUTTER_BAND, 0x1.999999999999ap-4, 1.0, sample_rate);
    row = trajectories_trajectory_shapes(0, 1, wander, 2.0, sample_rate, 1, shapes, row);
    const ix turning = wow_flutter_has_noise(settings) ? settings->parts.n0 : 0;
    row = trajectories_trajectory_shapes(turning, 0, 0, highest, sample_rate, 1, shapes, row);
    const ix noises = wow_flutter_has_scrape(settings) ? 1 : 0;
    trajectories_trajectory_shapes(0, noises, noises * scrape, highest, sample_rate, 1, shapes, row);
}

/* Whether rotating parts may move apart from others: a figure scales all alike. */
KERNEL bool wow_flutter_has_noise(const WowFlutterSettings *settings)
{
    return settings->scaled == 0 && (settings->random_percent > 0.0 || settings->scrape_percent > 0.0);
}

/* Whether scrape flutter may move apart from others. */
KERNEL bool wow_flutter_has_scrape(const WowFlutterSettings *settings)
{
    return settings->scaled == 0 && settings->scrape_percent > 0.0;
}

/* Constant delay of a track: drawn evenly from its range, from the seed and the number of the track. */
KERNEL double wow_flutter_track_skew_samples(const WowFlutterSettings *settings, double sample_rate, int64_t
    track)
{
    const uint64_t key = hashing_stream_key(settings->seed, WOW_FLUTTER_TRACK_SKEW, (uint64_t)track);
    const double share = (double)(int64_t)(key >> UINT64_C(1)) * 0x1.0000000000000p-62 - 1.0;
    return share * settings->track_skew_us * 0x1.0c6f7a0b5ed8dp-20 * sample_rate;
}

/* Add the rotating parts to a trajectory. */
KERNEL void wow_flutter_set_sines(const WowFlutterSettings *settings, double sample_rate, const Trajectory
    *memory)
{
    for (ix part = 0; part < settings->parts.n0; part++) {
        double turns = settings->parts.at[part * settings->parts.n1 + WOW_FLUTTER_PHASE_TURNS];
        if (settings->parts.at[part * settings->parts.n1 + WOW_FLUTTER_PHASE_GIVEN] == 0.0) {
            const uint64_t key = hashing_stream_key(settings->seed, WOW_FLUTTER_ROTATING_PART,
                (uint64_t)part);
            turns = (double)(int64_t)(key >> UINT64_C(1)) * 0x1.0000000000000p-63;
        }
        const double amplitude = -wow_flutter_part_amplitude(settings, sample_rate, part);
        trajectories_set_sine(part, settings->parts.at[part * settings->parts.n1 + WOW_FLUTTER_RATE_HZ],
            amplitude, turns - 0.25, memory);
    }
}

/* Add scrape flutter to a trajectory, as its noise of that number. */
KERNEL void wow_flutter_set_scrape(const WowFlutterSettings *settings, double sample_rate, ix number, const
    Trajectory *memory)
{
    trajectories_set_noise(number, WOW_FLUTTER_BAND, hashing_stream_key(settings->seed, WOW_FLUTTER_SCRAPE,
        UINT64_C(0)), settings->scrape_low_hz, settings->scrape_high_hz, wow_flutter_scrape_rms(settings,
        sample_rate), 0.0, true, memory);
}

/*
 * Design the delay in samples: minus the integral of the speed deviation, and the skew of the track.
 *
 * Parameters
 * ----------
 * settings : WowFlutterSettings
 *     What moves.
 * sample_rate : float
 *     Samples per second.
 * track : int
 *     Number of the track.
 * memory : Trajectory
 *     For as many sines as there are parts, and two noises.
 * scratch : ndarray, shape (SEGMENT,)
 *     Scratch.
 */
KERNEL void wow_flutter_design_delay(const WowFlutterSettings *settings, double sample_rate, int64_t track,
    const Trajectory *memory, doubles_1 scratch)
{
    trajectories_begin_trajectory(sample_rate, memory);
    wow_flutter_set_sines(settings, sample_rate, memory);
    trajectories_set_noise(0, WOW_FLUTTER_LAW, hashing_stream_key(settings->seed, WOW_FLUTTER_FLUTTER,
        UINT64_C(0)), settings->random_low_hz, settings->random_high_hz, wow_flutter_random_rms(settings,
        sample_rate), settings->random_slope_db_per_octave, true, memory);
    wow_flutter_set_scrape(settings, sample_rate, 1, memory);
    double settling = wow_flutter_settling_percent(settings);
    if (settings->track_skew_us != 0.0) {
        settling = larger_double(settling, 0x1.47ae147ae147bp-6);
    }
    const double skew = wow_flutter_track_skew_samples(settings, sample_rate, track);
    trajectories_settle_trajectory(skew, 0x1.89374bc6a7efap-5 * settling / 100.0, memory, scratch);
}

/* Design the delay of a channel against the one before it: one noise; else as :func:`design_delay`. */
KERNEL void wow_flutter_design_azimuth(const WowFlutterSettings *settings, double sample_rate, const
    Trajectory *memory, doubles_1 scratch)
{
    trajectories_begin_trajectory(sample_rate, memory);
    trajectories_set_noise(0, WOW_FLUTTER_BAND, hashing_stream_key(settings->seed, WOW_FLUTTER_AZIMUTH,
        UINT64_C(0)), 0x1.999999999999ap-4, 1.0, wow_flutter_wander_rms(settings, sample_rate), 0.0, false,
        memory);
    const double fastest = 0x1.89374bc6a7efap-5 * larger_double(wow_flutter_settling_percent(settings),
        0x1.47ae147ae147bp-6) / 100.0;
    trajectories_settle_trajectory(settings->azimuth_skew_us * 0x1.0c6f7a0b5ed8dp-20 * sample_rate, fastest,
        memory, scratch);
}

/* Fill the plan, for memory that is all zeros, and go to a place on the tape; tracks differ by their skew. */
KERNEL void wow_flutter_design(const WowFlutterSettings *settings, double sample_rate, ix channels, int64_t
    start_sample, int64_t track, const WowFlutterMemory *memory)
{
    int64s_1 counts = memory->counts;
    reader_table_design_reader(settings->reader_taps, memory->delays, memory->table);
    wow_flutter_design_delay(settings, sample_rate, track, &memory->flutter, (doubles_1){memory->delays.at,
        memory->delays.n1});
    wow_flutter_design_azimuth(settings, sample_rate, &memory->azimuth, (doubles_1){memory->delays.at,
        memory->delays.n1});
    const double ratio = wow_flutter_ratio_of(settings);
    memory->plan.at[WOW_FLUTTER_RATIO] = ratio;
    memory->plan.at[WOW_FLUTTER_SLOPE] = ratio - 1.0;
    memory->plan.at[WOW_FLUTTER_SCALE] = wow_flutter_flutter_scale(settings);
    memory->plan.at[WOW_FLUTTER_DRAWN_RANDOM] = settings->random_percent;
    memory->plan.at[WOW_FLUTTER_DRAWN_SCRAPE] = settings->scrape_percent;
    wow_flutter_design_apart(settings, sample_rate, memory);
    for (ix number = 0; number < WOW_FLUTTER_NUMBERS; number++) {
        glides_glide_rest(number, 1.0, &memory->glide);
    }
    glides_glide_design(sample_rate, start_sample, &memory->glide);
    exact_places_set_rate(ratio, 1.0, memory->ratio);
    counts.at[WOW_FLUTTER_REACH] = (int64_t)wow_flutter_reach(settings, sample_rate, channels);
    counts.at[WOW_FLUTTER_LATENCY] = (int64_t)wow_flutter_latency(settings, sample_rate, channels);
    counts.at[WOW_FLUTTER_TAPS] = (int64_t)settings->reader_taps;
    for (ix i = 0; i < WOW_FLUTTER_SEGMENT; i++) {
        memory->delays.at[1 * memory->delays.n1 + i] = 0.0;
    }
    const bool moves = channels > 1 && memory->azimuth.plan.at[0] > 0.0;
    counts.at[WOW_FLUTTER_AZIMUTH_MOVES] = (int64_t)(moves ? 1 : 0);
    wow_flutter_seek(memory, start_sample);
}

/* Design the parts that are made by themselves where depths move apart; they settle as fast as the whole. */
KERNEL void wow_flutter_design_apart(const WowFlutterSettings *settings, double sample_rate, const
    WowFlutterMemory *memory)
{
    trajectories_begin_trajectory(sample_rate, &memory->turning);
    trajectories_begin_trajectory(sample_rate, &memory->scraping);
    if (memory->turning.sines.n0 > 0) {
        wow_flutter_set_sines(settings, sample_rate, &memory->turning);
        trajectories_settle_with(&memory->flutter, &memory->turning, (doubles_1){memory->delays.at,
            memory->delays.n1});
    }
    if (memory->scraping.noises.keys.n0 > 0) {
        wow_flutter_set_scrape(settings, sample_rate, 0, &memory->scraping);
        trajectories_settle_with(&memory->flutter, &memory->scraping, (doubles_1){memory->delays.at,
            memory->delays.n1});
    }
}

/*
 * Go to other settings from the beginning of the next cell on; see :mod:`tapeemu.dsp.kernels.glides`.
 *
 * Of the settings those of `WOW_FLUTTER_MOVES` may differ from the ones that it was designed for. The course of
 * the tape stays the one that was drawn: its delay is multiplied.
 */
KERNEL void wow_flutter_change(const WowFlutterSettings *settings, double sample_rate, ix channels, const
    WowFlutterMemory *memory)
{
    (void)sample_rate;
    (void)channels;
    doubles_1 plan = memory->plan;
    if (plan.at[WOW_FLUTTER_SCALE] > 0.0) {
        const double depth = wow_flutter_flutter_scale(settings) / plan.at[WOW_FLUTTER_SCALE];
        glides_glide_target(WOW_FLUTTER_TURNING, depth, &memory->glide);
        /* Of equal settings a factor of exactly one. */
        const double random = plan.at[WOW_FLUTTER_DRAWN_RANDOM] > 0.0 ? settings->random_percent /
            plan.at[WOW_FLUTTER_DRAWN_RANDOM] : 1.0;
        glides_glide_target(WOW_FLUTTER_RANDOM, depth * random, &memory->glide);
        const double scraping = plan.at[WOW_FLUTTER_DRAWN_SCRAPE] > 0.0 ? settings->scrape_percent /
            plan.at[WOW_FLUTTER_DRAWN_SCRAPE] : 1.0;
        glides_glide_target(WOW_FLUTTER_SCRAPING, depth * scraping, &memory->glide);
    }
}

/* Go to a place on the tape, as if made there. */
KERNEL void wow_flutter_seek(const WowFlutterMemory *memory, int64_t place)
{
    int64s_1 counts = memory->counts;
    const double ratio = memory->plan.at[WOW_FLUTTER_RATIO];
    counts.at[WOW_FLUTTER_START] = place;
    glides_glide_seek(place, &memory->glide);
    /* The output sample whose undelayed place is nearest. */
    int64_t origin = (int64_t)floor_of_double((double)place / ratio + 0.5);
    double distance = wow_flutter_distance(origin, place, memory->ratio);
    while (distance > 0.5 * ratio) {
        origin = origin - INT64_C(1);
        distance = wow_flutter_distance(origin, place, memory->ratio);
    }
    while (distance <= -0.5 * ratio) {
        origin = origin + INT64_C(1);
        distance = wow_flutter_distance(origin, place, memory->ratio);
    }
    counts.at[WOW_FLUTTER_ORIGIN] = origin;
    counts.at[WOW_FLUTTER_FED] = INT64_C(0);
    counts.at[WOW_FLUTTER_MADE] = INT64_C(0);
    counts.at[WOW_FLUTTER_FILLED] = INT64_C(0);
    counts.at[WOW_FLUTTER_BASE] = wow_flutter_earliest(memory);
    kept_rows_clear_rows(memory->line);
}

/* How far the undelayed place of an output sample lies behind a place. */
KERNEL double wow_flutter_distance(int64_t output, int64_t place, uint64s_1 words)
{
    const exact_places_place_of_result result_1 = exact_places_place_of(output, words);
    const int64_t whole = result_1.m0;
    const double fraction = result_1.m1;
    return (double)(whole - place) + fraction;
}

/* First input sample that the next output sample may need; rounding may cost one of the two to spare. */
KERNEL int64_t wow_flutter_earliest(const WowFlutterMemory *memory)
{
    int64s_1 counts = memory->counts;
    const int64_t output = counts.at[WOW_FLUTTER_ORIGIN] + counts.at[WOW_FLUTTER_MADE] -
        counts.at[WOW_FLUTTER_LATENCY];
    const int64_t whole = (int64_t)floor_of_double(wow_flutter_distance(output, counts.at[WOW_FLUTTER_START],
        memory->ratio));
    return whole - counts.at[WOW_FLUTTER_REACH] - INT64_C(2);
}

/* Output samples that can be made once so many samples are in, counted from the first. */
KERNEL int64_t wow_flutter_countable(const WowFlutterMemory *memory, int64_t fed)
{
    if (memory->plan.at[WOW_FLUTTER_SLOPE] == 0.0) {
        return fed;
    }
    int64_t made = (int64_t)((double)fed / memory->plan.at[WOW_FLUTTER_RATIO]);
    while (wow_flutter_distance(made, fed, memory->ratio) > 0.0) {
        made = made - INT64_C(1);
    }
    while (wow_flutter_distance(made + INT64_C(1), fed, memory->ratio) <= 0.0) {
        made = made + INT64_C(1);
    }
    return made;
}

/*
 * Read a block of any length.
 *
 * Parameters
 * ----------
 * memory : WowFlutterMemory
 *     Plan and state.
 * block : ndarray, shape (channels, samples)
 *     What goes onto the tape.
 * out : ndarray, shape (channels, samples made or more)
 *     Gets what is read; may be `block` itself where the tape runs at the right speed.
 *
 * Returns
 * -------
 * int
 *     Samples made: as many as went in, but for a speed error, see :func:`countable`.
 */
KERNEL ix wow_flutter_process(const WowFlutterMemory *memory, reals_2 block, reals_2 out)
{
    int64s_1 counts = memory->counts;
    reals_2 line = memory->line;
    const int64_t before = counts.at[WOW_FLUTTER_MADE];
    ix taken = 0;
    while (taken < block.n1) {
        ix column = (ix)(counts.at[WOW_FLUTTER_FED] - counts.at[WOW_FLUTTER_BASE]);
        if (column == line.n1) {
            const ix skipped = (ix)(wow_flutter_earliest(memory) - counts.at[WOW_FLUTTER_BASE]);
            for (ux channel = (ux)0; channel < (ux)line.n0; channel++) {
                for (ux i = (ux)0; i < (ux)(column - skipped); i++) {
                    line.at[(ix)channel * line.n1 + (ix)i] = line.at[(ix)channel * line.n1 + (ix)(ux)skipped +
                        (ix)i];
                }
            }
            counts.at[WOW_FLUTTER_BASE] += (int64_t)skipped;
            column = column - skipped;
        }
        ix count = smaller_integer(block.n1 - taken, line.n1 - column);
        const int64_t at = memory->glide.counts.at[WOW_FLUTTER_AT];
        if (glides_glide_moves(&memory->glide)) {
            count = smaller_integer(count, (ix)(memory->glide.counts.at[WOW_FLUTTER_CELL] - at));
        }
        counts.at[WOW_FLUTTER_CELL_BEGIN] = counts.at[WOW_FLUTTER_FED] - at;
        const ux to = (ux)column;
        const ux since = (ux)taken;
        for (ux row = (ux)0; row < (ux)line.n0; row++) {
            for (ux k = (ux)0; k < (ux)count; k++) {
                line.at[(ix)row * line.n1 + (ix)to + (ix)k] = block.at[(ix)row * block.n1 + (ix)since +
                    (ix)k];
            }
        }
        taken = taken + count;
        counts.at[WOW_FLUTTER_FED] += (int64_t)count;
        const int64_t end = wow_flutter_countable(memory, counts.at[WOW_FLUTTER_FED]);
        while (counts.at[WOW_FLUTTER_MADE] < end) {
            wow_flutter_read_stretch(memory, end, before, out);
        }
        glides_glide_pass(count, &memory->glide);
    }
    return (ix)(counts.at[WOW_FLUTTER_MADE] - before);
}

/* Read the next outputs, to `end` or the piece's last; number `before` lies in column 0 of `out`. */
KERNEL void wow_flutter_read_stretch(const WowFlutterMemory *memory, int64_t end, int64_t before, reals_2 out)
{
    int64s_1 counts = memory->counts;
    const Places places = memory->places;
    reals_2 line = memory->line;
    const int64_t output = counts.at[WOW_FLUTTER_ORIGIN] + counts.at[WOW_FLUTTER_MADE] -
        counts.at[WOW_FLUTTER_LATENCY];
    const int64_t piece = floor_division_64(output, INT64_C(128));
    if (counts.at[WOW_FLUTTER_FILLED] == INT64_C(0) || counts.at[WOW_FLUTTER_PIECE_MADE] != piece) {
        wow_flutter_fill_delays(memory, piece);
    }
    const ix begin = (ix)(output - floor_division_64(output, INT64_C(4096)) * INT64_C(4096));
    const ix count = smaller_integer((ix)(end - counts.at[WOW_FLUTTER_MADE]), WOW_FLUTTER_PIECE -
        floor_remainder(begin, WOW_FLUTTER_PIECE));
    const ix taps = (ix)counts.at[WOW_FLUTTER_TAPS];
    /* Where the depth moves, places are counted from the first of the piece. */
    const bool moving = glides_glide_moves(&memory->glide);
    const ix since = moving ? floor_division(begin, WOW_FLUTTER_PIECE) * WOW_FLUTTER_PIECE : 0;
    if (moving) {
        wow_flutter_move_delays(memory, begin, count);
    }
    const ix column = (ix)(counts.at[WOW_FLUTTER_WHOLE] - counts.at[WOW_FLUTTER_BASE]) - (floor_division(taps,
        2) - 1) + since;
    const Part part = (Part){column, 0, count, (ix)(counts.at[WOW_FLUTTER_MADE] - before)};
    const ix channels = line.n0;
    const ix together = counts.at[WOW_FLUTTER_AZIMUTH_MOVES] == INT64_C(0) ? 2 : 1;
    if (together == 2) {
        wow_flutter_locate(memory, 0.0, begin, since, count);
    }
    ix first = 0;
    while (first < channels) {
        const ix second = smaller_integer(first + together - 1, channels - 1);
        if (together == 1) {
            wow_flutter_locate(memory, (double)first - 0.5 * (double)(channels - 1), begin, since, count);
        }
        if (taps == 32) {
            interpolation_read_pair_32(line, memory->table, &places, &part, first, second, out);
        } else {
            interpolation_read_pair_48(line, memory->table, &places, &part, first, second, out);
        }
        first = first + together;
    }
    counts.at[WOW_FLUTTER_MADE] += (int64_t)count;
}

/* Find where a stretch of a segment is read, counted from one of its samples, see :func:`locate`. */
KERNEL void wow_flutter_locate(const WowFlutterMemory *memory, double share, ix begin, ix since, ix count)
{
    double start = memory->plan.at[WOW_FLUTTER_FRACTION];
    const double slope = memory->plan.at[WOW_FLUTTER_SLOPE];
    if (glides_glide_moves(&memory->glide)) {
        start = start + slope * (double)since;
        interpolation_locate(memory->moved, share, start, slope, 512.0, begin - since, count,
            &memory->places);
    } else {
        interpolation_locate(memory->delays, share, start, slope, 512.0, begin, count, &memory->places);
    }
}

/* Whether the depths of the parts are not the same all the time. */
KERNEL bool wow_flutter_moves_apart(const Glide *glide)
{
    doubles_2 values = glide->values;
    bool apart = false;
    for (ix number = 1; number < WOW_FLUTTER_NUMBERS; number++) {
        for (ix column = 0; column < values.n1; column++) {
            apart = apart || values.at[number * values.n1 + column] != values.at[column];
        }
    }
    return apart;
}

/* Make what rotating parts and scrape flutter alone delay a piece. */
KERNEL void wow_flutter_fill_apart(const WowFlutterMemory *memory, int64_t piece)
{
    int64s_1 counts = memory->counts;
    if (counts.at[WOW_FLUTTER_PARTS_FILLED] == INT64_C(1) && counts.at[WOW_FLUTTER_PARTS_MADE] == piece) {
        return;
    }
    if (memory->turning.sines.n0 > 0) {
        trajectories_fill_piece(&memory->turning, piece, 0, UINT64_C(0), (doubles_1){memory->apart.at,
            memory->apart.n1});
    }
    if (memory->scraping.noises.keys.n0 > 0) {
        trajectories_fill_piece(&memory->scraping, piece, 0, UINT64_C(0), (doubles_1){memory->apart.at + 1 *
            memory->apart.n1, memory->apart.n1});
    }
    counts.at[WOW_FLUTTER_PARTS_MADE] = piece;
    counts.at[WOW_FLUTTER_PARTS_FILLED] = INT64_C(1);
}

/*
 * Write the delays of a stretch of a segment by the depths at its places on the tape.
 *
 * The skew of the track stays. Depths between none and the largest that the reader was made for give delays that
 * it reaches; the bound is for what their weights round.
 */
KERNEL void wow_flutter_move_delays(const WowFlutterMemory *memory, ix begin, ix count)
{
    int64s_1 counts = memory->counts;
    const double start = memory->plan.at[WOW_FLUTTER_FRACTION];
    const double slope = memory->plan.at[WOW_FLUTTER_SLOPE];
    const double most = (double)(counts.at[WOW_FLUTTER_REACH] - floor_division_64(counts.at[WOW_FLUTTER_TAPS],
        INT64_C(2)));
    const int64_t piece = counts.at[WOW_FLUTTER_PIECE_MADE];
    const ix first = floor_division(begin, WOW_FLUTTER_PIECE) * WOW_FLUTTER_PIECE;
    const bool apart = wow_flutter_moves_apart(&memory->glide);
    if (apart) {
        wow_flutter_fill_apart(memory, piece);
    }
    for (ix k = 0; k < count; k++) {
        const ix i = begin + k;
        const int64_t place = counts.at[WOW_FLUTTER_WHOLE] + (int64_t)i + (int64_t)floor_of_double(start +
            slope * (double)i);
        const ix at = (ix)(place - counts.at[WOW_FLUTTER_CELL_BEGIN]);
        const double skew = trajectories_settled_constant(&memory->flutter, (double)(piece * INT64_C(128) +
            (int64_t)i - (int64_t)first));
        const double depth = glides_glide_late_value(apart ? WOW_FLUTTER_RANDOM : WOW_FLUTTER_TURNING, at,
            &memory->glide);
        double delay = depth * (memory->delays.at[i] - skew) + skew;
        if (apart) {
            const double turning = glides_glide_late_value(WOW_FLUTTER_TURNING, at, &memory->glide) - depth;
            const double scraping = glides_glide_late_value(WOW_FLUTTER_SCRAPING, at, &memory->glide) - depth;
            delay += turning * memory->apart.at[i - first] + scraping * memory->apart.at[1 * memory->apart.n1
                + i - first];
        }
        memory->moved.at[i - first] = smaller_double(larger_double(delay, -most), most);
        memory->moved.at[1 * memory->moved.n1 + i - first] = memory->delays.at[1 * memory->delays.n1 + i];
    }
}

/* Make the delays of a piece, and find where the first output sample of its segment is read. */
KERNEL void wow_flutter_fill_delays(const WowFlutterMemory *memory, int64_t piece)
{
    int64s_1 counts = memory->counts;
    const int64_t segment = floor_division_64(piece * INT64_C(128), INT64_C(4096)) * INT64_C(4096);
    const ix begin = (ix)(piece * INT64_C(128) - segment);
    trajectories_fill_piece(&memory->flutter, piece, 0, UINT64_C(0), (doubles_1){memory->delays.at + begin,
        begin + WOW_FLUTTER_PIECE - begin});
    if (counts.at[WOW_FLUTTER_AZIMUTH_MOVES] == INT64_C(1)) {
        trajectories_fill_piece(&memory->azimuth, piece, 0, UINT64_C(0), (doubles_1){memory->delays.at + 1 *
            memory->delays.n1 + begin, begin + WOW_FLUTTER_PIECE - begin});
    }
    const exact_places_place_of_result result_1 = exact_places_place_of(segment, memory->ratio);
    const int64_t whole = result_1.m0;
    const double fraction = result_1.m1;
    counts.at[WOW_FLUTTER_WHOLE] = whole - counts.at[WOW_FLUTTER_START];
    memory->plan.at[WOW_FLUTTER_FRACTION] = fraction;
    counts.at[WOW_FLUTTER_PIECE_MADE] = piece;
    counts.at[WOW_FLUTTER_FILLED] = INT64_C(1);
}
