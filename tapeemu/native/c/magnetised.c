/* Generated from magnetised.py (5bedead4ee8e8df9); do not edit. SPDX-License-Identifier: ISC */

/* Magnetised tape, from its settings to sound: see :class:`tapeemu.processors.saturation.TapeMagnetisation`. */

#include "magnetised.h"

#define MAGNETISED_AT 0
#define MAGNETISED_CELL 1
#define MAGNETISED_GLIDE_ARRAYS 2
#define MAGNETISED_HISTORY_H 16
#define MAGNETISED_ROWS 10
#define MAGNETISED_SCRATCH 210
#define MAGNETISED_OFFSET_STATE 2
#define MAGNETISED_CHUNK 128
#define MAGNETISED_HISTORY_HIGH 24
#define MAGNETISED_DEFAULT_DRIVE_DB REAL(6.0)
#define MAGNETISED_SHAPE_FIELD REAL(22000.0)
#define MAGNETISED_FULL_SCALE_FIELD REAL(40000.0)
#define MAGNETISED_REVERSIBLE_SHARE REAL(0x1.5c28f5c28f5c3p-3)
#define MAGNETISED_RELEASE_SECONDS REAL(0x1.0624dd2f1a9fcp-12)
#define MAGNETISED_SWING_SECONDS REAL(0x1.a1371305e714bp-10)
#define MAGNETISED_LEAST_BIAS_AT_SIX REAL(80.0)
#define MAGNETISED_MOST_FIELD_AT_SIX REAL(0x1.ccccccccccccdp+2)
#define MAGNETISED_CALM_MOL_FIELD REAL(0x1.6e5604189374cp+0)
#define MAGNETISED_FIELD 0
#define MAGNETISED_GAIN 1
#define MAGNETISED_REVERSIBLE 2
#define MAGNETISED_RELEASE 3
#define MAGNETISED_SWING 4
#define MAGNETISED_POLE 5
#define MAGNETISED_SPARES 6
#define MAGNETISED_PLAN 7
#define MAGNETISED_LOG_FIELD 0
#define MAGNETISED_LOG_TONE 1
#define MAGNETISED_LOG_EXCESS 2
#define MAGNETISED_NUMBERS 3
#define MAGNETISED_BEND REAL(0x1.189374bc6a7f0p-4)
#define MAGNETISED_FIELDS 0
#define MAGNETISED_GAINS 1
#define MAGNETISED_SCALED 2
#define MAGNETISED_SCRATCH_ROWS 3

/* Share of the magnetisation that follows the field without hysteresis. */
KERNEL double magnetised_reversible_share(const MagnetisedSettings *settings)
{
    const double narrow = 1.0 - 0x1.47ae147ae147bp-7 * settings->bias_percent;
    return 1.0 - 0x1.a8f5c28f5c28fp-1 * narrow * narrow;
}

/* Peak field of a sine with 3 % third harmonic, in dB above 40 kA/m. */
KERNEL double magnetised_mol_field_db(const MagnetisedSettings *settings)
{
    const double field = hysteresis_loop_field_of_mol(magnetised_reversible_share(settings));
    return 20.0 * elementary_logarithm_of_ten(field * 0x1.199999999999ap-1);
}

/* Field of a full-scale sine in dB above 40 kA/m: as set, or as solved for. */
KERNEL double magnetised_field_drive_db(const MagnetisedSettings *settings)
{
    if (settings->mol_given == 1) {
        return magnetised_mol_field_db(settings) - settings->mol_db - settings->reference_level_dbfs;
    }
    return settings->drive_given == 1 ? settings->drive_db : 6.0;
}

/* Level of 3 % third harmonic in dB above the reference level: as set, or as it follows. */
KERNEL double magnetised_mol_db(const MagnetisedSettings *settings)
{
    if (settings->mol_given == 1) {
        return settings->mol_db;
    }
    return magnetised_mol_field_db(settings) - magnetised_field_drive_db(settings) -
        settings->reference_level_dbfs;
}

/* Peak field of a full-scale sine, in units of the shape field a (22 kA/m). */
KERNEL double magnetised_full_scale_field(const MagnetisedSettings *settings)
{
    return elementary_power_of_ten(0x1.999999999999ap-5 * magnetised_field_drive_db(settings)) *
        0x1.d1745d1745d17p+0;
}

/*
 * Output per magnetisation M / Ms with which a sine at the reference level keeps its level.
 *
 * `field` is what `full_scale_field` says.
 */
KERNEL double magnetised_tape_gain(const MagnetisedSettings *settings, double field)
{
    const double reference = elementary_power_of_ten(0x1.999999999999ap-5 * settings->reference_level_dbfs);
    const hysteresis_loop_loop_harmonics_result result_1 = hysteresis_loop_loop_harmonics(field * reference,
        magnetised_reversible_share(settings));
    const double first = result_1.m0;
    return reference / first;
}

/* Third harmonic over the fundamental, of the settled loop of a sine at a level in dBFS. */
KERNEL double magnetised_third_harmonic_ratio(const MagnetisedSettings *settings, double level_dbfs)
{
    const double field = magnetised_full_scale_field(settings) * elementary_power_of_ten(0x1.999999999999ap-5
        * level_dbfs);
    const hysteresis_loop_loop_harmonics_result result_1 = hysteresis_loop_loop_harmonics(field,
        magnetised_reversible_share(settings));
    const double first = result_1.m0;
    const double third = result_1.m1;
    return third / first;
}

/*
 * How many times the base rate the loop is followed: half as often where twelve times is more than is needed.
 *
 * Near the anhysteretic curve nothing turns sharply, and a moderate field makes few harmonics: what six times
 * adds is then 95 dB down, and folding 90 dB for sound up to 4 dB beyond full scale. Both held by tests. Sizes
 * are asked more often than chains are designed, so the level of 3 % is not solved for here.
 */
KERNEL ix magnetised_wanted_factor(const MagnetisedSettings *settings, double sample_rate)
{
    double field = 0.0;
    const ix factor = oversampling_factor(sample_rate);
    if (factor < 12 || settings->bias_percent < 80.0) {
        return factor;
    }
    if (settings->mol_given == 1) {
        field = 0x1.6e5604189374cp+0 * elementary_power_of_ten(-0x1.999999999999ap-5 * (settings->mol_db +
            settings->reference_level_dbfs));
    } else {
        field = magnetised_full_scale_field(settings);
    }
    return field <= 0x1.ccccccccccccdp+2 ? 6 : factor;
}

/* How many times the base rate the loop is followed: as often as is needed, or as the settings allow. */
KERNEL ix magnetised_factor(const MagnetisedSettings *settings, double sample_rate)
{
    return oversampling_limited_factor(magnetised_wanted_factor(settings, sample_rate),
        settings->most_oversampling);
}

/* Whether it is nonlinear, so that a sum comes out otherwise than its parts: 1, always. */
KERNEL ix magnetised_drives(const MagnetisedSettings *settings)
{
    (void)settings;
    return 1;
}

/*
 * Samples by which the output is late.
 *
 * The solver looks one top-rate sample ahead; its lag is made a whole base-rate sample.
 */
KERNEL ix magnetised_latency(const MagnetisedSettings *settings, double sample_rate, ix channels)
{
    (void)channels;
    return oversampling_limited_latency(magnetised_factor(settings, sample_rate), settings->most_oversampling)
        + 1;
}

/* Samples that sound on: once the input has stopped, the offset filter still answers. */
KERNEL ix magnetised_tail(const MagnetisedSettings *settings, double sample_rate, ix channels, double
    level_db)
{
    (void)channels;
    return offset_filter_offset_tail(settings->high_pass_hz, sample_rate, level_db);
}

/* Write the shapes of the arrays of :class:`MagnetisedMemory`, a row for each. */
KERNEL void magnetised_shapes(const MagnetisedSettings *settings, double sample_rate, ix channels, int64s_2
    shapes)
{
    const ix rows = 4;
    for (ix row = 0; row < rows + 4; row++) {
        for (ix axis = 0; axis < 3; axis++) {
            shapes.at[row * shapes.n1 + axis] = INT64_C(1);
        }
    }
    shapes.at[0] = INT64_C(7);
    shapes.at[1 * shapes.n1] = (int64_t)channels;
    shapes.at[1 * shapes.n1 + 1] = INT64_C(2);
    glides_glide_shapes(MAGNETISED_NUMBERS, 2, shapes);
    shapes.at[rows * shapes.n1] = INT64_C(3);
    shapes.at[rows * shapes.n1 + 1] = INT64_C(128);
    shapes.at[(rows + 1) * shapes.n1] = (int64_t)channels;
    shapes.at[(rows + 1) * shapes.n1 + 1] = INT64_C(2);
    shapes.at[(rows + 2) * shapes.n1] = (int64_t)channels;
    shapes.at[(rows + 2) * shapes.n1 + 1] = INT64_C(16);
    shapes.at[(rows + 3) * shapes.n1] = (int64_t)smaller_integer(channels, 2);
    shapes.at[(rows + 3) * shapes.n1 + 1] = INT64_C(10);
    shapes.at[(rows + 3) * shapes.n1 + 2] = INT64_C(210);
    oversampling_oversampler_shapes(magnetised_factor(settings, sample_rate), channels, rows + 4, shapes);
}

/* Fill the plan, for memory that is all zeros; the place on the tape does not matter. */
KERNEL void magnetised_design(const MagnetisedSettings *settings, double sample_rate, ix channels, int64_t
    start_sample, int64_t track, const MagnetisedMemory *memory)
{
    (void)channels;
    (void)track;
    const ix factor = magnetised_factor(settings, sample_rate);
    const double pole = offset_filter_offset_pole(settings->high_pass_hz, sample_rate);
    const magnetised__field_and_gain_result result_1 = magnetised_field_and_gain(settings, pole);
    const double field = result_1.m0;
    const double gain = result_1.m1;
    memory->plan.at[MAGNETISED_FIELD] = field;
    memory->plan.at[MAGNETISED_GAIN] = gain;
    memory->plan.at[MAGNETISED_REVERSIBLE] = magnetised_reversible_share(settings);
    const magnetised__logarithms_result result_2 = magnetised_logarithms(settings, field, gain);
    const double log_field = result_2.m0;
    const double log_tone = result_2.m1;
    const double log_excess = result_2.m2;
    glides_glide_rest(MAGNETISED_LOG_FIELD, log_field, &memory->glide);
    glides_glide_rest(MAGNETISED_LOG_TONE, log_tone, &memory->glide);
    glides_glide_rest(MAGNETISED_LOG_EXCESS, log_excess, &memory->glide);
    glides_glide_design(sample_rate, start_sample, &memory->glide);
    memory->plan.at[MAGNETISED_RELEASE] = -elementary_exponential_less_one(-1.0 / (0x1.0624dd2f1a9fcp-12 *
        sample_rate * (double)oversampling_per_base(factor)));
    memory->plan.at[MAGNETISED_SWING] = 0x1.a1371305e714bp-10 * sample_rate * (double)factor;
    memory->plan.at[MAGNETISED_POLE] = pole;
    memory->plan.at[MAGNETISED_SPARES] = (double)oversampling_spares(settings->most_oversampling);
    oversampling_oversampler_design(factor, &memory->over);
}

/* Field of full scale, and what full magnetisation gives. */
KERNEL magnetised__field_and_gain_result magnetised_field_and_gain(const MagnetisedSettings *settings, double
    pole)
{
    const double field = magnetised_full_scale_field(settings);
    /* The offset filter is given a gain of 1 far above its corner. */
    return (magnetised__field_and_gain_result){field, magnetised_tape_gain(settings, field) * (0.5 * (1.0 +
        pole))};
}

/* The numbers that glide. */
KERNEL magnetised__logarithms_result magnetised_logarithms(const MagnetisedSettings *settings, double field,
    double gain)
{
    const double log_field = elementary_logarithm(field);
    const double log_tone = elementary_logarithm(elementary_power_of_ten(0x1.999999999999ap-5 *
        settings->reference_level_dbfs));
    const double bend = 0x1.189374bc6a7f0p-4;
    return (magnetised__logarithms_result){log_field, log_tone, elementary_logarithm(gain) -
        glides_bent_level(log_field, log_tone, bend)};
}

/*
 * Go to other settings from the beginning of the next cell on; see :mod:`tapeemu.dsp.kernels.glides`.
 *
 * Of the settings those of `MAGNETISED_MOVES` may differ from the ones that it was designed for.
 */
KERNEL void magnetised_change(const MagnetisedSettings *settings, double sample_rate, ix channels, const
    MagnetisedMemory *memory)
{
    (void)sample_rate;
    (void)channels;
    const magnetised__field_and_gain_result result_1 = magnetised_field_and_gain(settings,
        memory->plan.at[MAGNETISED_POLE]);
    const double field = result_1.m0;
    const double gain = result_1.m1;
    const magnetised__logarithms_result result_2 = magnetised_logarithms(settings, field, gain);
    const double log_field = result_2.m0;
    const double log_tone = result_2.m1;
    const double log_excess = result_2.m2;
    glides_glide_target(MAGNETISED_LOG_FIELD, log_field, &memory->glide);
    glides_glide_target(MAGNETISED_LOG_TONE, log_tone, &memory->glide);
    glides_glide_target(MAGNETISED_LOG_EXCESS, log_excess, &memory->glide);
}

/* Go to rest on demagnetised tape; the place on the tape does not matter to the sound. */
KERNEL void magnetised_seek(const MagnetisedMemory *memory, int64_t place)
{
    glides_glide_seek(place, &memory->glide);
    oversampling_oversampler_clear(&memory->over);
    kept_rows_clear_precise_rows(memory->offset);
    kept_rows_clear_precise_rows(memory->tape.state);
    kept_rows_clear_rows(memory->tape.past);
}

/*
 * Process a block of any length; `out` may be `block` itself.
 *
 * Parameters
 * ----------
 * memory : MagnetisedMemory
 *     Designed; changed in place.
 * block, out : ndarray, shape (channels, samples)
 *     Input and output.
 */
KERNEL void magnetised_process(const MagnetisedMemory *memory, reals_2 block, reals_2 out)
{
    const Oversampler over = memory->over;
    doubles_1 plan = memory->plan;
    const int64_t factor = over.plan.at[0];
    const bool sparing = plan.at[MAGNETISED_SPARES] == 1.0;
    const ix late = (sparing ? oversampling_soft_latency((ix)factor) :
        oversampling_oversampler_latency((ix)factor)) + 1;
    const Law law = (Law){REAL(1.0), (real)plan.at[MAGNETISED_REVERSIBLE], REAL(1.0),
        (real)plan.at[MAGNETISED_RELEASE], (real)plan.at[MAGNETISED_SWING]};
    const double bend = 0x1.189374bc6a7f0p-4;
    const real field = (real)plan.at[MAGNETISED_FIELD];
    const real gain = (real)plan.at[MAGNETISED_GAIN];
    int64s_1 counts = memory->glide.counts;
    ix done = 0;
    while (done < block.n1) {
        ix count = smaller_integer(MAGNETISED_CHUNK, block.n1 - done);
        const bool moving = glides_glide_moves(&memory->glide);
        if (moving) {
            const ix at = (ix)counts.at[MAGNETISED_AT];
            count = smaller_integer(count, (ix)counts.at[MAGNETISED_CELL] - at);
            glides_glide_exponentials(MAGNETISED_LOG_FIELD, at, 0, &memory->glide, (reals_1){memory->rows.at,
                count});
            /* What comes out went in that much earlier. */
            glides_glide_levels(bend, at, late, &memory->glide, (reals_1){memory->rows.at + MAGNETISED_GAINS *
                memory->rows.n1, count});
        }
        reals_1 fields = (reals_1){memory->rows.at, count};
        reals_1 gains = (reals_1){memory->rows.at + MAGNETISED_GAINS * memory->rows.n1, count};
        reals_1 scaled = (reals_1){memory->rows.at + MAGNETISED_SCALED * memory->rows.n1, count};
        for (ix channel = 0; channel < block.n0; channel++) {
            reals_1 given = (reals_1){block.at + channel * block.n1 + done, done + count - done};
            if (moving) {
                for (ix k = 0; k < count; k++) {
                    scaled.at[k] = fields.at[k] * given.at[k];
                }
            } else {
                for (ix k = 0; k < count; k++) {
                    scaled.at[k] = field * given.at[k];
                }
            }
            oversampling_rise(scaled, channel, &over);
        }
        magnetisation_magnetise(over.high, MAGNETISED_HISTORY_HIGH, count * oversampling_per_base((ix)factor),
            (ix)factor, &law, &memory->tape);
        for (ix channel = 0; channel < block.n0; channel++) {
            reals_1 made = (reals_1){out.at + channel * out.n1 + done, done + count - done};
            if (sparing) {
                oversampling_fall_softly(channel, &over, made);
            } else {
                oversampling_fall(channel, &over, made);
            }
            if (moving) {
                for (ix k = 0; k < count; k++) {
                    made.at[k] = gains.at[k] * made.at[k];
                }
            } else {
                for (ix k = 0; k < count; k++) {
                    made.at[k] = gain * made.at[k];
                }
            }
            offset_filter_block_offset(made, plan.at[MAGNETISED_POLE], (doubles_1){memory->offset.at + channel
                * memory->offset.n1, memory->offset.n1});
        }
        glides_glide_pass(count, &memory->glide);
        done += count;
    }
}
