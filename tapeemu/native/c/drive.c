/* Generated from drive.py (ac49a1ab021dde36); do not edit. SPDX-License-Identifier: ISC */

/* The driven preamplifier, from its settings to sound: see :class:`tapeemu.processors.saturation.PreampDrive`. */

#include "drive.h"

#define DRIVE_AT 0
#define DRIVE_CELL 1
#define DRIVE_GLIDE_ARRAYS 2
#define DRIVE_OFFSET_STATE 2
#define DRIVE_CHUNK 128
#define DRIVE_HISTORY_HIGH 24
#define DRIVE_DEFAULT_DRIVE_DB REAL(6.0)
#define DRIVE_MOST_GAIN_AT_SIX REAL(3.0)
#define DRIVE_GAIN 0
#define DRIVE_LEVEL 1
#define DRIVE_REST 2
#define DRIVE_POLE 3
#define DRIVE_BEND 4
#define DRIVE_SPARES 5
#define DRIVE_PLAN 6
#define DRIVE_LOG_GAIN 0
#define DRIVE_LOG_TONE 1
#define DRIVE_LOG_EXCESS 2
#define DRIVE_NUMBERS 3
#define DRIVE_GAINS 0
#define DRIVE_LEVELS 1
#define DRIVE_SCALED 2
#define DRIVE_ROWS 3
#define DRIVE_LIMIT REAL(12.0)
#define DRIVE_P0 REAL(0x1.ffffffff80afep-1)
#define DRIVE_P1 REAL(0x1.24021de4f8c87p-3)
#define DRIVE_P2 REAL(0x1.306ab848080dep-8)
#define DRIVE_P3 REAL(0x1.97f5f9ea0f8d6p-15)
#define DRIVE_P4 REAL(0x1.59df1355f4b60p-23)
#define DRIVE_P5 REAL(0x1.fec74c0afc460p-34)
#define DRIVE_Q1 REAL(0x1.e756643dd6b48p-2)
#define DRIVE_Q2 REAL(0x1.eab43d346fedep-6)
#define DRIVE_Q3 REAL(0x1.1dad649457659p-11)
#define DRIVE_Q4 REAL(0x1.b6e7a3b9367d0p-19)
#define DRIVE_Q5 REAL(0x1.799edbf705264p-28)
#define DRIVE_Q6 REAL(0x1.42478300fe4c8p-40)

/* Gain into the curve in dB: as set, or as solved for. */
KERNEL double drive_effective_drive_db(const DriveSettings *settings)
{
    if (settings->thd_given == 1) {
        return driven_sine_drive_that_gives(settings->thd_percent, settings->reference_level_dbfs,
            settings->asymmetry_percent);
    }
    return settings->drive_given == 1 ? settings->drive_db : 6.0;
}

/* Factor behind the curve: 1, or what keeps the rms of a sine at the reference level. */
KERNEL double drive_output_gain(const DriveSettings *settings)
{
    if (settings->level_matched == 0) {
        return 1.0;
    }
    const double drive_db = drive_effective_drive_db(settings);
    return driven_sine_matching_gain(drive_db, settings->reference_level_dbfs, settings->asymmetry_percent);
}

/*
 * How many times the base rate the curve runs at: half as often where twelve times is more than is needed.
 *
 * Harmonic k of a sine that reaches g into the tangent is ``exp(-k asinh(pi / (2 g)))`` times its first, but
 * for slow factors (the tangent's poles lie pi / 2 off the real axis). What folds into the pass band has
 * orders from about ``factor - 1`` times the rate over the tone's frequency on, so six times at g = 4.9 folds
 * as much as twelve times at g = 10. Gains up to 3 leave 4.3 dB of that for sound beyond full scale.
 */
KERNEL ix drive_wanted_factor(const DriveSettings *settings, double sample_rate)
{
    const ix factor = oversampling_factor(sample_rate);
    if (factor == 12 && elementary_power_of_ten(0x1.999999999999ap-5 * drive_effective_drive_db(settings)) <=
        3.0) {
        return 6;
    }
    return factor;
}

/* How many times the base rate the curve runs at: as often as is needed, or as the settings allow. */
KERNEL ix drive_factor(const DriveSettings *settings, double sample_rate)
{
    return oversampling_limited_factor(drive_wanted_factor(settings, sample_rate),
        settings->most_oversampling);
}

/* Whether it is nonlinear, so that a sum comes out otherwise than its parts: 1, always. */
KERNEL ix drive_drives(const DriveSettings *settings)
{
    (void)settings;
    return 1;
}

/* Samples by which the output is late. */
KERNEL ix drive_latency(const DriveSettings *settings, double sample_rate, ix channels)
{
    (void)channels;
    return oversampling_limited_latency(drive_factor(settings, sample_rate), settings->most_oversampling);
}

/* Samples that sound on: once the input has stopped, the offset filter still answers. */
KERNEL ix drive_tail(const DriveSettings *settings, double sample_rate, ix channels, double level_db)
{
    (void)channels;
    return offset_filter_offset_tail(settings->high_pass_hz, sample_rate, level_db);
}

/* Write the shapes of the arrays of :class:`DriveMemory`, a row for each. */
KERNEL void drive_shapes(const DriveSettings *settings, double sample_rate, ix channels, int64s_2 shapes)
{
    const ix rows = 4;
    for (ix row = 0; row < rows + 1; row++) {
        for (ix axis = 0; axis < 3; axis++) {
            shapes.at[row * shapes.n1 + axis] = INT64_C(1);
        }
    }
    shapes.at[0] = INT64_C(6);
    shapes.at[1 * shapes.n1] = (int64_t)channels;
    shapes.at[1 * shapes.n1 + 1] = INT64_C(2);
    glides_glide_shapes(DRIVE_NUMBERS, 2, shapes);
    shapes.at[rows * shapes.n1] = INT64_C(3);
    shapes.at[rows * shapes.n1 + 1] = INT64_C(128);
    oversampling_oversampler_shapes(drive_factor(settings, sample_rate), channels, rows + 1, shapes);
}

/* Fill the plan, for memory that is all zeros; the place on the tape does not matter. */
KERNEL void drive_design(const DriveSettings *settings, double sample_rate, ix channels, int64_t start_sample,
    int64_t track, const DriveMemory *memory)
{
    (void)channels;
    (void)track;
    doubles_1 plan = memory->plan;
    plan.at[DRIVE_REST] = 0x1.47ae147ae147bp-7 * settings->asymmetry_percent;
    plan.at[DRIVE_POLE] = offset_filter_offset_pole(settings->high_pass_hz, sample_rate);
    const drive__gain_and_level_result result_1 = drive_gain_and_level(settings, plan.at[DRIVE_POLE]);
    const double gain = result_1.m0;
    const double level = result_1.m1;
    plan.at[DRIVE_GAIN] = gain;
    plan.at[DRIVE_LEVEL] = level;
    /* Half of its square is the power of a tone that is as large as the curve's ends are far apart. */
    plan.at[DRIVE_SPARES] = (double)oversampling_spares(settings->most_oversampling);
    plan.at[DRIVE_BEND] = (double)(settings->level_matched == 1 ? REAL(0.5) : REAL(0.0));
    const drive__logarithms_result result_2 = drive_logarithms(settings, gain, level, plan.at[DRIVE_BEND]);
    const double log_gain = result_2.m0;
    const double log_tone = result_2.m1;
    const double log_excess = result_2.m2;
    glides_glide_rest(DRIVE_LOG_GAIN, log_gain, &memory->glide);
    glides_glide_rest(DRIVE_LOG_TONE, log_tone, &memory->glide);
    glides_glide_rest(DRIVE_LOG_EXCESS, log_excess, &memory->glide);
    glides_glide_design(sample_rate, start_sample, &memory->glide);
    oversampling_oversampler_design(drive_factor(settings, sample_rate), &memory->over);
}

/* Gain into the curve, and the factor behind it. */
KERNEL drive__gain_and_level_result drive_gain_and_level(const DriveSettings *settings, double pole)
{
    const double gain = elementary_power_of_ten(0x1.999999999999ap-5 * drive_effective_drive_db(settings));
    /* The offset filter is given a gain of 1 far above its corner. */
    return (drive__gain_and_level_result){gain, drive_output_gain(settings) / gain * (0.5 * (1.0 + pole))};
}

/* The numbers that glide. */
KERNEL drive__logarithms_result drive_logarithms(const DriveSettings *settings, double gain, double level,
    double bend_)
{
    const double log_gain = elementary_logarithm(gain);
    const double log_tone = elementary_logarithm(elementary_power_of_ten(0x1.999999999999ap-5 *
        settings->reference_level_dbfs));
    return (drive__logarithms_result){log_gain, log_tone, elementary_logarithm(level) -
        glides_bent_level(log_gain, log_tone, bend_)};
}

/*
 * Go to other settings from the beginning of the next cell on; see :mod:`tapeemu.dsp.kernels.glides`.
 *
 * Of the settings those of `DRIVE_MOVES` may differ from the ones that it was designed for.
 */
KERNEL void drive_change(const DriveSettings *settings, double sample_rate, ix channels, const DriveMemory
    *memory)
{
    (void)sample_rate;
    (void)channels;
    const drive__gain_and_level_result result_1 = drive_gain_and_level(settings, memory->plan.at[DRIVE_POLE]);
    const double gain = result_1.m0;
    const double level = result_1.m1;
    const drive__logarithms_result result_2 = drive_logarithms(settings, gain, level,
        memory->plan.at[DRIVE_BEND]);
    const double log_gain = result_2.m0;
    const double log_tone = result_2.m1;
    const double log_excess = result_2.m2;
    glides_glide_target(DRIVE_LOG_GAIN, log_gain, &memory->glide);
    glides_glide_target(DRIVE_LOG_TONE, log_tone, &memory->glide);
    glides_glide_target(DRIVE_LOG_EXCESS, log_excess, &memory->glide);
}

/* Go to rest; the place on the tape does not matter to the sound. */
KERNEL void drive_seek(const DriveMemory *memory, int64_t place)
{
    glides_glide_seek(place, &memory->glide);
    oversampling_oversampler_clear(&memory->over);
    kept_rows_clear_precise_rows(memory->offset);
}

/*
 * ``tanh(x) / (1 + rest tanh(x))``, which is ``(tanh(x + b) - tanh b) / (1 - tanh(b)^2)`` with rest = tanh b.
 *
 * By a rational function for the tangent, whose relative error is at most 1.4e-10 for every x. It is an odd
 * function to the last bit. The coefficients minimise the largest error up to 12 (least squares, reweighted),
 * where the argument is held: the tangent is 1 - 7.5e-11 there.
 */
KERNEL real drive_driven(real x, real rest)
{
    x = smaller(larger(x, -DRIVE_LIMIT), DRIVE_LIMIT);
    const real z = x * x;
    const real above = ((((DRIVE_P5 * z + DRIVE_P4) * z + DRIVE_P3) * z + DRIVE_P2) * z + DRIVE_P1) * z +
        DRIVE_P0;
    const real below = (((((DRIVE_Q6 * z + DRIVE_Q5) * z + DRIVE_Q4) * z + DRIVE_Q3) * z + DRIVE_Q2) * z +
        DRIVE_Q1) * z + REAL(1.0);
    const real straight = x * above;
    return straight / (rest * straight + below);
}

/*
 * Pass samples through the curve, in place: ``driven(x, rest)``.
 *
 * Parameters
 * ----------
 * count : int
 *     Samples in every row.
 * rest : float
 *     Of the curve; without unit.
 * high : ndarray, shape (rows, HISTORY_HIGH + count or more)
 *     One channel at the top rate; see :mod:`tapeemu.dsp.kernels.oversampling`.
 */
KERNEL void drive_bend(ix count, real rest, reals_2 high)
{
    for (ix row = 0; row < high.n0; row++) {
        reals_1 samples = (reals_1){high.at + row * high.n1 + DRIVE_HISTORY_HIGH, DRIVE_HISTORY_HIGH + count -
            DRIVE_HISTORY_HIGH};
        for (ix i = 0; i < count; i++) {
            samples.at[i] = drive_driven(samples.at[i], rest);
        }
    }
}

/*
 * Process a block of any length; `out` may be `block` itself.
 *
 * Parameters
 * ----------
 * memory : DriveMemory
 *     Designed; changed in place.
 * block, out : ndarray, shape (channels, samples)
 *     Input and output.
 */
KERNEL void drive_process(const DriveMemory *memory, reals_2 block, reals_2 out)
{
    const Oversampler over = memory->over;
    const ix rows_per_base = oversampling_per_base((ix)over.plan.at[0]);
    const bool sparing = memory->plan.at[DRIVE_SPARES] == 1.0;
    const ix late = sparing ? oversampling_soft_latency((ix)over.plan.at[0]) :
        oversampling_oversampler_latency((ix)over.plan.at[0]);
    const real gain = (real)memory->plan.at[DRIVE_GAIN];
    const real rest = (real)memory->plan.at[DRIVE_REST];
    const real level = (real)memory->plan.at[DRIVE_LEVEL];
    int64s_1 counts = memory->glide.counts;
    ix done = 0;
    while (done < block.n1) {
        ix count = smaller_integer(DRIVE_CHUNK, block.n1 - done);
        const bool moving = glides_glide_moves(&memory->glide);
        if (moving) {
            const ix at = (ix)counts.at[DRIVE_AT];
            count = smaller_integer(count, (ix)counts.at[DRIVE_CELL] - at);
            glides_glide_exponentials(DRIVE_LOG_GAIN, at, 0, &memory->glide, (reals_1){memory->rows.at,
                count});
            /* What comes out went in that much earlier. */
            glides_glide_levels(memory->plan.at[DRIVE_BEND], at, late, &memory->glide,
                (reals_1){memory->rows.at + DRIVE_LEVELS * memory->rows.n1, count});
        }
        reals_1 gains = (reals_1){memory->rows.at, count};
        reals_1 levels = (reals_1){memory->rows.at + DRIVE_LEVELS * memory->rows.n1, count};
        reals_1 scaled = (reals_1){memory->rows.at + DRIVE_SCALED * memory->rows.n1, count};
        for (ix channel = 0; channel < block.n0; channel++) {
            reals_1 given = (reals_1){block.at + channel * block.n1 + done, done + count - done};
            reals_1 made = (reals_1){out.at + channel * out.n1 + done, done + count - done};
            if (moving) {
                for (ix k = 0; k < count; k++) {
                    scaled.at[k] = gains.at[k] * given.at[k];
                }
            } else {
                for (ix k = 0; k < count; k++) {
                    scaled.at[k] = gain * given.at[k];
                }
            }
            oversampling_rise(scaled, channel, &over);
            drive_bend(count * rows_per_base, rest, (reals_2){over.high.at + channel * over.high.n1 *
                over.high.n2, over.high.n1, over.high.n2});
            if (sparing) {
                oversampling_fall_softly(channel, &over, made);
            } else {
                oversampling_fall(channel, &over, made);
            }
            if (moving) {
                for (ix k = 0; k < count; k++) {
                    made.at[k] = levels.at[k] * made.at[k];
                }
            } else {
                for (ix k = 0; k < count; k++) {
                    made.at[k] = level * made.at[k];
                }
            }
            offset_filter_block_offset(made, memory->plan.at[DRIVE_POLE], (doubles_1){memory->offset.at +
                channel * memory->offset.n1, memory->offset.n1});
        }
        glides_glide_pass(count, &memory->glide);
        done += count;
    }
}
