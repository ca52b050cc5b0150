/* Generated from magnetised.py; do not edit. SPDX-License-Identifier: ISC */

/* Magnetised tape, from its settings to sound: see :class:`tapeemu.processors.saturation.TapeMagnetisation`. */

#include "magnetised.h"

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
#define MAGNETISED_REVERSIBLE 1
#define MAGNETISED_GAIN 2
#define MAGNETISED_RELEASE 3
#define MAGNETISED_SWING 4
#define MAGNETISED_POLE 5
#define MAGNETISED_PLAN 6

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
KERNEL ix magnetised_factor(const MagnetisedSettings *settings, double sample_rate)
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

/*
 * Samples by which the output is late.
 *
 * The solver looks one top-rate sample ahead; its lag is made a whole base-rate sample.
 */
KERNEL ix magnetised_latency(const MagnetisedSettings *settings, double sample_rate, ix channels)
{
    (void)channels;
    return oversampling_oversampler_latency(magnetised_factor(settings, sample_rate)) + 1;
}

/* Samples that sound on: what is left of a stop is the answer of the offset filter. */
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
    for (ix row = 0; row < 5; row++) {
        for (ix axis = 0; axis < 3; axis++) {
            shapes.at[row * shapes.n1 + axis] = INT64_C(1);
        }
    }
    shapes.at[0] = INT64_C(6);
    shapes.at[1 * shapes.n1] = (int64_t)channels;
    shapes.at[1 * shapes.n1 + 1] = INT64_C(2);
    shapes.at[2 * shapes.n1] = (int64_t)channels;
    shapes.at[2 * shapes.n1 + 1] = INT64_C(2);
    shapes.at[3 * shapes.n1] = (int64_t)channels;
    shapes.at[3 * shapes.n1 + 1] = INT64_C(16);
    shapes.at[4 * shapes.n1] = (int64_t)smaller_integer(channels, 2);
    shapes.at[4 * shapes.n1 + 1] = INT64_C(10);
    shapes.at[4 * shapes.n1 + 2] = INT64_C(210);
    oversampling_oversampler_shapes(magnetised_factor(settings, sample_rate), channels, 5, shapes);
}

/* Fill the plan, for memory that is all zeros; the place on the tape does not matter. */
KERNEL void magnetised_design(const MagnetisedSettings *settings, double sample_rate, ix channels, int64_t
    start_sample, int64_t track, const MagnetisedMemory *memory)
{
    (void)channels;
    (void)start_sample;
    (void)track;
    const ix factor = magnetised_factor(settings, sample_rate);
    const double field = magnetised_full_scale_field(settings);
    const double pole = offset_filter_offset_pole(settings->high_pass_hz, sample_rate);
    memory->plan.at[MAGNETISED_FIELD] = field;
    memory->plan.at[MAGNETISED_REVERSIBLE] = magnetised_reversible_share(settings);
    /* The offset filter is given a gain of 1 far above its corner. */
    memory->plan.at[MAGNETISED_GAIN] = magnetised_tape_gain(settings, field) * (0.5 * (1.0 + pole));
    memory->plan.at[MAGNETISED_RELEASE] = -elementary_exponential_less_one(-1.0 / (0x1.0624dd2f1a9fcp-12 *
        sample_rate * (double)oversampling_per_base(factor)));
    memory->plan.at[MAGNETISED_SWING] = 0x1.a1371305e714bp-10 * sample_rate * (double)factor;
    memory->plan.at[MAGNETISED_POLE] = pole;
    oversampling_oversampler_design(factor, &memory->over);
}

/* Go to rest on demagnetised tape; the place on the tape does not matter. */
KERNEL void magnetised_seek(const MagnetisedMemory *memory, int64_t place)
{
    (void)place;
    oversampling_oversampler_clear(&memory->over);
    for (ix channel = 0; channel < memory->offset.n0; channel++) {
        for (ix k = 0; k < MAGNETISED_OFFSET_STATE; k++) {
            memory->offset.at[channel * memory->offset.n1 + k] = 0.0;
        }
        for (ix k = 0; k < 2; k++) {
            memory->tape.state.at[channel * memory->tape.state.n1 + k] = 0.0;
        }
        for (ix k = 0; k < MAGNETISED_HISTORY_H; k++) {
            memory->tape.past.at[channel * memory->tape.past.n1 + k] = REAL(0.0);
        }
    }
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
    const Law law = (Law){(real)plan.at[MAGNETISED_FIELD], (real)plan.at[MAGNETISED_REVERSIBLE],
        (real)plan.at[MAGNETISED_GAIN], (real)plan.at[MAGNETISED_RELEASE], (real)plan.at[MAGNETISED_SWING]};
    for (ix start = 0; start < block.n1; start += 128) {
        const ix stop = smaller_integer(start + MAGNETISED_CHUNK, block.n1);
        for (ix channel = 0; channel < block.n0; channel++) {
            oversampling_rise((reals_1){block.at + channel * block.n1 + start, stop - start}, channel, &over);
        }
        magnetisation_magnetise(over.high, MAGNETISED_HISTORY_HIGH, (stop - start) *
            oversampling_per_base((ix)factor), (ix)factor, &law, &memory->tape);
        for (ix channel = 0; channel < block.n0; channel++) {
            reals_1 made = (reals_1){out.at + channel * out.n1 + start, stop - start};
            oversampling_fall(channel, &over, made);
            offset_filter_block_offset(made, plan.at[MAGNETISED_POLE], (doubles_1){memory->offset.at + channel
                * memory->offset.n1, memory->offset.n1});
        }
    }
}
