/* Generated from tape_response.py (b180b254f7050edc); do not edit. SPDX-License-Identifier: ISC */

/*
 * The response of a tape and what level does to it: see :class:`tapeemu.processors.tape_response.TapeResponse`.
 *
 * On its way a sound passes a high-pass, the record equaliser, the curve of the magnetisation between a way up and a
 * way down in rate, what it erases itself, the losses of the replay head with its equaliser, and the bass of that.
 */

#include "tape_response.h"

#define TAPE_RESPONSE_AT 0
#define TAPE_RESPONSE_CELL 1
#define TAPE_RESPONSE_GLIDE_ARRAYS 2
#define TAPE_RESPONSE_FACE_NODES 118
#define TAPE_RESPONSE_NODE_ROWS 5
#define TAPE_RESPONSE_FRAME 128
#define TAPE_RESPONSE_HALF 48
#define TAPE_RESPONSE_LONG_FILTER_ARRAYS 13
#define TAPE_RESPONSE_REACH REAL(0x1.147ae147ae148p-2)
#define TAPE_RESPONSE_SIDE 40
#define TAPE_RESPONSE_SLACK 2048
#define TAPE_RESPONSE_SLOW_STEP 64
#define TAPE_RESPONSE_STEP 8
#define TAPE_RESPONSE_RECORD_HALF 344
#define TAPE_RESPONSE_ERASED_HZ REAL(10000.0)
#define TAPE_RESPONSE_HALF_DB REAL(0x1.8151824c7587fp+2)
#define TAPE_RESPONSE_LEVEL_DELAY 377
#define TAPE_RESPONSE_MOST_RECORD_LOSS_UM REAL(20.0)
#define TAPE_RESPONSE_TURN REAL(0x1.921fb54442d18p+2)
#define TAPE_RESPONSE_NEPERS_PER_DB REAL(0x1.d791c5f888823p-4)
#define TAPE_RESPONSE_MOL_HZ REAL(1000.0)
#define TAPE_RESPONSE_HIGHEST_HZ REAL(20000.0)
#define TAPE_RESPONSE_QUARTER_POINTS 256
#define TAPE_RESPONSE_BASS_SECONDS REAL(0x1.999999999999ap-4)
#define TAPE_RESPONSE_BARE_SECONDS REAL(0x1.47ae147ae147bp-6)
#define TAPE_RESPONSE_MIDDLE_BEYOND 64
#define TAPE_RESPONSE_MOST_TIMES 4
#define TAPE_RESPONSE_LONGEST_HALF 384
#define TAPE_RESPONSE_BIAS_TO_TOP_DB REAL(2.0)
#define TAPE_RESPONSE_BIAS_LOSS_DB REAL(3.0)
#define TAPE_RESPONSE_LOUDEST_POINTS 64
#define TAPE_RESPONSE_FLUSH REAL(0x1.4484bfeebc2a0p-100)
#define TAPE_RESPONSE_GAIN 0
#define TAPE_RESPONSE_ERASING 1
#define TAPE_RESPONSE_HIGH_PASS 2
#define TAPE_RESPONSE_HIGH_PASS_GAIN 3
#define TAPE_RESPONSE_BASS_ZERO 4
#define TAPE_RESPONSE_BASS_GAIN 5
#define TAPE_RESPONSE_REPLAY_POLE 6
#define TAPE_RESPONSE_REPLAY_GAIN 7
#define TAPE_RESPONSE_MOL_PEAK 8
#define TAPE_RESPONSE_RAISED 9
#define TAPE_RESPONSE_HIGHEST 10
#define TAPE_RESPONSE_PLAN 11
#define TAPE_RESPONSE_STATE 6
#define TAPE_RESPONSE_AT 0
#define TAPE_RESPONSE_LATENCY_OF_CURVE 1
#define TAPE_RESPONSE_WORK 0
#define TAPE_RESPONSE_GAINS 1
#define TAPE_RESPONSE_LEVELS 2
#define TAPE_RESPONSE_ROWS 3
#define TAPE_RESPONSE_LOG_GAIN 0
#define TAPE_RESPONSE_NUMBERS 1

/* Samples from the gap to an edge of the face. */
KERNEL double tape_response_echo_samples(const TapeResponseSettings *settings, double sample_rate)
{
    return 0x1.999999999999ap-5 * settings->face_mm / settings->medium.tape_speed_cm_s * sample_rate;
}

/* How many times 48 kHz a rate is: filters are as long in seconds at all rates, up to 192 kHz. */
KERNEL ix tape_response_times(double sample_rate)
{
    return smaller_integer(larger_integer((ix)(sample_rate / 48000.0 + 0.5), 1), TAPE_RESPONSE_MOST_TIMES);
}

/* How many times as long the filter at the sample rate is for bends of the response, a power of two. */
KERNEL ix tape_response_sharper(const TapeResponseSettings *settings, double sample_rate)
{
    const Medium medium = settings->medium;
    const double lost_um = settings->sol_set == 1 ? 0.0 : settings->record_loss_um;
    const ix half = tape_response_times(sample_rate) * TAPE_RESPONSE_HALF;
    const double needed = wavelength_losses_knee_seconds(&medium, lost_um, 0x1.147ae147ae148p-2 * sample_rate
        / 8.0) * sample_rate;
    ix sharper = 1;
    while ((double)(sharper * half) < needed && 2 * sharper * half <= TAPE_RESPONSE_LONGEST_HALF) {
        sharper = 2 * sharper;
    }
    return sharper;
}

/* Half length of the filter at the sample rate. */
KERNEL ix tape_response_fast_half(const TapeResponseSettings *settings, double sample_rate)
{
    return tape_response_sharper(settings, sample_rate) * tape_response_times(sample_rate) *
        TAPE_RESPONSE_HALF;
}

/* Taps of each side group of it. */
KERNEL ix tape_response_side(const TapeResponseSettings *settings, double sample_rate)
{
    return tape_response_sharper(settings, sample_rate) * tape_response_times(sample_rate) *
        TAPE_RESPONSE_SIDE;
}

/* Samples from the middle tap to the first side tap; 0 for none. */
KERNEL ix tape_response_side_at(const TapeResponseSettings *settings, double sample_rate)
{
    if (settings->face_mm == 0.0) {
        return 0;
    }
    const ix before = floor_division(tape_response_side(settings, sample_rate), 2);
    return larger_integer(tape_response_fast_half(settings, sample_rate) + 1,
        (ix)tape_response_echo_samples(settings, sample_rate) - before);
}

/* Samples from the middle tap to the last one at the sample rate. */
KERNEL ix tape_response_fast_end(const TapeResponseSettings *settings, double sample_rate)
{
    const ix side_end = tape_response_side_at(settings, sample_rate) + tape_response_side(settings,
        sample_rate);
    return larger_integer(tape_response_fast_half(settings, sample_rate), side_end);
}

/* The next multiple of eight. */
KERNEL ix tape_response_eights(double count)
{
    return 8 * ((ix)(count / 8.0) + 1);
}

/* Half length of the filter at an eighth of the rate, in its samples: to the edge of the face, and beyond. */
KERNEL ix tape_response_middle_half(const TapeResponseSettings *settings, double sample_rate)
{
    const ix beyond = tape_response_times(sample_rate) * TAPE_RESPONSE_MIDDLE_BEYOND;
    return tape_response_eights(tape_response_echo_samples(settings, sample_rate) / 8.0 + (double)beyond);
}

/* Half length of the filter at a 64th of the rate, in its samples; short where the face has no limit. */
KERNEL ix tape_response_slow_half(const TapeResponseSettings *settings, double sample_rate)
{
    if (settings->face_mm == 0.0) {
        return tape_response_eights(0x1.47ae147ae147bp-6 * sample_rate / 64.0);
    }
    return tape_response_eights((tape_response_echo_samples(settings, sample_rate) + 0x1.999999999999ap-4 *
        sample_rate) / 64.0);
}

/* Points of a design: a power of two, at least 512. */
KERNEL ix tape_response_points(ix least)
{
    ix points = 512;
    while (points < least) {
        points = 2 * points;
    }
    return points;
}

/* Whether it is nonlinear, so that a sum comes out otherwise than its parts: 1, always. */
KERNEL ix tape_response_drives(const TapeResponseSettings *settings)
{
    (void)settings;
    return 1;
}

/* Samples by which the output is late. */
KERNEL ix tape_response_latency(const TapeResponseSettings *settings, double sample_rate, ix channels)
{
    (void)channels;
    const ix post = long_filter_delay(tape_response_fast_end(settings, sample_rate),
        tape_response_middle_half(settings, sample_rate), tape_response_slow_half(settings, sample_rate));
    return 721 + post;
}

/* Samples that sound ahead of the input: the edge of the head comes before the gap. */
KERNEL ix tape_response_lead(const TapeResponseSettings *settings, double sample_rate, ix channels, double
    level_db)
{
    (void)channels;
    if (settings->face_mm == 0.0 || level_db >= 0.0) {
        return 0;
    }
    return TAPE_RESPONSE_SLOW_STEP * tape_response_slow_half(settings, sample_rate);
}

/* Samples that sound on: the filters' lengths, and the answer of two high-passes in a row. */
KERNEL ix tape_response_tail(const TapeResponseSettings *settings, double sample_rate, ix channels, double
    level_db)
{
    (void)channels;
    if (level_db >= 0.0) {
        return 0;
    }
    double decay = -level_db * 0x1.d791c5f888823p-4;
    decay = decay + elementary_logarithm(1.0 + decay) + 0x1.999999999999ap-3;
    const ix slopes = (ix)ceiling_of_double(decay * sample_rate / (0x1.921fb54442d18p+2 *
        settings->high_pass_hz));
    return slopes + TAPE_RESPONSE_SLOW_STEP * tape_response_slow_half(settings, sample_rate);
}

/* Samples by which sound that has come back from the curve is later than the input. */
KERNEL ix tape_response_latest(const TapeResponseSettings *settings, double sample_rate)
{
    (void)settings;
    (void)sample_rate;
    return TAPE_RESPONSE_RECORD_HALF + closer_curve_delay();
}

/* Write the shapes of the arrays of :class:`TapeResponseMemory`, a row for each. */
KERNEL void tape_response_shapes(const TapeResponseSettings *settings, double sample_rate, ix channels,
    int64s_2 shapes)
{
    ix first = memory_shapes_shape_row(TAPE_RESPONSE_PLAN, 1, shapes, 0);
    first = memory_shapes_shape_row(2, 1, shapes, first);
    first = memory_shapes_shape_row(channels, TAPE_RESPONSE_STATE, shapes, first);
    first = memory_shapes_shape_row(TAPE_RESPONSE_ROWS, TAPE_RESPONSE_FRAME, shapes, first);
    glides_late_glide_shapes(TAPE_RESPONSE_NUMBERS, tape_response_latest(settings, sample_rate), sample_rate,
        first, shapes);
    first += TAPE_RESPONSE_GLIDE_ARRAYS;
    first = record_equaliser_shapes(settings->medium.treble_us, sample_rate, channels, shapes, first);
    first = self_erasure_shapes(channels, shapes, first);
    const ix fast_half = tape_response_fast_half(settings, sample_rate);
    const ix side = tape_response_side(settings, sample_rate);
    const ix fast_end = tape_response_fast_end(settings, sample_rate);
    const ix middle_half = tape_response_middle_half(settings, sample_rate);
    const ix slow_half = tape_response_slow_half(settings, sample_rate);
    long_filter_shapes(fast_half, side, fast_end, middle_half, slow_half, channels, first, shapes);
    first += TAPE_RESPONSE_LONG_FILTER_ARRAYS;
    first = closer_curve_shapes(channels, shapes, first);
    first = memory_shapes_shape_row(TAPE_RESPONSE_NODE_ROWS, TAPE_RESPONSE_FACE_NODES, shapes, first);
    first = memory_shapes_shape_row(tape_response_points(2 * fast_end), 1, shapes, first);
    first = memory_shapes_shape_row(tape_response_points(2 * middle_half), 1, shapes, first);
    first = memory_shapes_shape_row(tape_response_points(2 * slow_half), 1, shapes, first);
    const ix taps = fast_half + 1 + side;
    memory_shapes_shape_row(taps + 2, taps, shapes, first);
}

/* Shares of the echoes of thin and of deep pole pieces, which add up to the response of the face. */
KERNEL tape_response_face_shares_of_result tape_response_face_shares_of(const TapeResponseSettings *settings,
    doubles_2 nodes)
{
    const double one = 1.0;
    const double zero = 0.0;
    if (settings->face_mm == 0.0) {
        return (tape_response_face_shares_of_result){zero, zero};
    }
    if (settings->bump_set == 1) {
        const head_face_face_shares_result result_1 = head_face_face_shares(nodes, settings->bump_db);
        const double thin = result_1.m0;
        const double deep = result_1.m1;
        return (tape_response_face_shares_of_result){thin, deep};
    }
    if (settings->thin_poles == 1) {
        return (tape_response_face_shares_of_result){one, zero};
    }
    return (tape_response_face_shares_of_result){zero, one};
}

/*
 * Gain of treble with another bias than the optimum: more bias loses more, as a larger spacing would.
 *
 * The sensitivity at 10 kHz is a parabola; its top lies at 2 dB less bias than the optimum, and 3 dB higher.
 */
KERNEL double tape_response_bias_gain(const TapeResponseSettings *settings, double f)
{
    const double above_top = settings->bias_db + 2.0;
    const double lost_db = 3.0 * (above_top / 2.0 * (above_top / 2.0) - 1.0);
    return elementary_exponential((double)-TAPE_RESPONSE_NEPERS_PER_DB * lost_db * f / 10000.0);
}

/* Gain from the magnetisation to the output, without the bass equalisation (closed forms). */
KERNEL double tape_response_replay_gain(const TapeResponseSettings *settings, double lost_um, doubles_2 nodes,
    double thin, double deep, double f)
{
    double gain = wavelength_losses_recording_loss(&settings->medium, lost_um, f) *
        wavelength_losses_replay_losses(&settings->medium, f);
    gain = gain * tape_response_bias_gain(settings, f) / wavelength_losses_flux_curve(&settings->medium, f);
    if (settings->face_mm > 0.0) {
        const double x = 0x1.999999999999ap-4 * settings->face_mm * f / settings->medium.tape_speed_cm_s;
        gain = gain * head_face_face_response(nodes, thin, deep, x);
    }
    return gain;
}

/* First and third harmonic of the tangent of a sine, by the rule of equal steps (exact to a peak of 20). */
KERNEL tape_response__harmonics_result tape_response_harmonics(double peak)
{
    double first = 0.0;
    double third = 0.0;
    for (ix k = 0; k < TAPE_RESPONSE_QUARTER_POINTS; k++) {
        const double turns = ((double)k + 0.5) / 1024.0;
        const double value = elementary_tangent_hyperbolic(peak * elementary_sine_of_turns(turns));
        first += value * elementary_sine_of_turns(turns);
        third += value * elementary_sine_of_turns(3.0 * turns);
    }
    return (tape_response__harmonics_result){2.0 * first / 256.0, 2.0 * third / 256.0};
}

/* Third harmonic at the output of a 1 kHz sine with a peak field, in percent of the fundamental. */
KERNEL double tape_response_third_harmonic_percent(const TapeResponseSettings *settings, double lost_um,
    doubles_2 nodes, double thin, double deep, double peak)
{
    const tape_response__harmonics_result result_1 = tape_response_harmonics(peak);
    const double first = result_1.m0;
    const double third = result_1.m1;
    double at_third = tape_response_replay_gain(settings, lost_um, nodes, thin, deep, 3000.0);
    at_third = at_third * self_erasure_left_of_sine(settings->self_erasure_db, peak, 3000.0);
    double at_first = tape_response_replay_gain(settings, lost_um, nodes, thin, deep, 1000.0);
    at_first = at_first * self_erasure_left_of_sine(settings->self_erasure_db, peak, 1000.0);
    return 100.0 * magnitude_double(third * at_third / (first * at_first));
}

/* Peak field of the 1 kHz sine with 3 % third harmonic, in units of saturation. */
KERNEL double tape_response_mol_peak(const TapeResponseSettings *settings, double lost_um, doubles_2 nodes,
    double thin, double deep)
{
    double low = 0x1.47ae147ae147bp-7;
    double high = 10.0;
    for (ix _ = 0; _ < 45; _++) {
        const double middle = square_root_double(low * high);
        if (tape_response_third_harmonic_percent(settings, lost_um, nodes, thin, deep, middle) < 3.0) {
            low = middle;
        } else {
            high = middle;
        }
    }
    return high;
}

/*
 * Factor from the pre-emphasised signal to the field, of which a sine of MOL reaches that peak.
 *
 * `raised` is the pre-emphasis of that sine.
 */
KERNEL double tape_response_gain_of(const TapeResponseSettings *settings, double mol_peak, double raised)
{
    const double level = elementary_power_of_ten(0x1.999999999999ap-5 * (settings->reference_level_dbfs +
        settings->mol_db));
    return mol_peak / (level * raised);
}

/* Factor from the pre-emphasised signal to the field in units of saturation, by which MOL is what is set. */
KERNEL double tape_response_record_gain(const TapeResponseSettings *settings, double lost_um, doubles_2 nodes,
    double thin, double deep)
{
    const double mol_peak = tape_response_mol_peak(settings, lost_um, nodes, thin, deep);
    return tape_response_gain_of(settings, mol_peak, wavelength_losses_pre_emphasis(&settings->medium,
        lost_um, 1000.0));
}

/* Highest fundamental of a sine at 10 kHz behind the curve and its own erasing. */
KERNEL double tape_response_highest_fundamental(const TapeResponseSettings *settings)
{
    double highest = 0.0;
    for (ix i = 0; i < 120; i++) {
        const double peak = 0x1.3333333333333p-2 * elementary_exponential(0x1.1eb851eb851ecp-5 * (double)i);
        const tape_response__harmonics_result result_1 = tape_response_harmonics(peak);
        const double first = result_1.m0;
        highest = larger_double(highest, first * self_erasure_left_of_sine(settings->self_erasure_db, peak,
            10000.0));
    }
    return highest;
}

/* Highest output of a sine at 10 kHz, in dB above the reference level. */
KERNEL double tape_response_saturated_output_db(const TapeResponseSettings *settings, double lost_um,
    doubles_2 nodes, double thin, double deep)
{
    double out = tape_response_highest_fundamental(settings) *
        magnitude_double(tape_response_replay_gain(settings, lost_um, nodes, thin, deep, 10000.0));
    out = out / tape_response_record_gain(settings, lost_um, nodes, thin, deep);
    return elementary_logarithm(out) / 0x1.d791c5f888823p-4 - settings->reference_level_dbfs;
}

/* Loss of recording: as set, or what gives the saturated output that is set (the nearer end if none does). */
KERNEL double tape_response_solved_record_loss_um(const TapeResponseSettings *settings, doubles_2 nodes,
    double thin, double deep)
{
    if (settings->sol_set == 0) {
        return settings->record_loss_um;
    }
    double low = 0.0;
    double high = 20.0;
    for (ix _ = 0; _ < 36; _++) {
        const double middle = 0.5 * (low + high);
        if (tape_response_saturated_output_db(settings, middle, nodes, thin, deep) > settings->sol_db) {
            low = middle;
        } else {
            high = middle;
        }
    }
    return 0.5 * (low + high);
}

/*
 * Write the response that the replay filter shall have, up to half of `rate`.
 *
 * The error of the record equaliser, a tenth of a decibel at the most, is taken out here.
 */
KERNEL void tape_response_fill(const TapeResponseSettings *settings, double sample_rate, double rate, double
    lost_um, const TapeResponseMemory *memory, double thin, double deep, doubles_1 gains)
{
    const double top = smaller_double(20000.0, 0x1.d0624dd2f1aa0p-2 * sample_rate);
    for (ix i = 0; i < gains.n0; i++) {
        const double f = ((double)i + 0.5) * 0.5 * rate / (double)gains.n0;
        const double law = wavelength_losses_flattened_frequency(f, sample_rate);
        double gain = wavelength_losses_recording_loss(&settings->medium, lost_um, law) *
            wavelength_losses_replay_losses(&settings->medium, law);
        gain = gain * tape_response_bias_gain(settings, law) / wavelength_losses_flux_curve(&settings->medium,
            law);
        const double recorded = record_equaliser_recorded_response(memory->recording.taps, f / sample_rate);
        gain = gain * wavelength_losses_pre_emphasis(&settings->medium, lost_um, law) / recorded;
        if (settings->face_mm > 0.0) {
            const double x = 0x1.999999999999ap-4 * settings->face_mm * f / settings->medium.tape_speed_cm_s;
            const double echo = head_face_face_response(memory->face, thin, deep, x) - 1.0;
            gain = gain * (1.0 + echo * elementary_fade(f, 0.5 * sample_rate, top));
        }
        gains.at[i] = gain;
    }
}

/* Design the record equaliser, and the replay filter. */
KERNEL void tape_response_design_filters(const TapeResponseSettings *settings, double sample_rate, double
    lost_um, const TapeResponseMemory *memory, double thin, double deep)
{
    doubles_1 gains = memory->fast_gains;
    record_equaliser_design(&settings->medium, lost_um, sample_rate, gains.n0, &memory->recording);
    const double middle = sample_rate / 8.0;
    const double slow = sample_rate / 64.0;
    tape_response_fill(settings, sample_rate, sample_rate, lost_um, memory, thin, deep, gains);
    tape_response_fill(settings, sample_rate, middle, lost_um, memory, thin, deep, memory->middle_gains);
    tape_response_fill(settings, sample_rate, slow, lost_um, memory, thin, deep, memory->slow_gains);
    long_filter_design(tape_response_side_at(settings, sample_rate), tape_response_middle_half(settings,
        sample_rate), tape_response_slow_half(settings, sample_rate), gains, memory->middle_gains,
        memory->slow_gains, memory->fit, &memory->post);
}

/* By how much the record equaliser raises what it raises most. */
KERNEL double tape_response_highest_pre_emphasis(const TapeResponseSettings *settings, double lost_um, double
    sample_rate)
{
    const double top = smaller_double(20000.0, 0x1.ccccccccccccdp-2 * sample_rate);
    double highest = 0.0;
    for (ix i = 0; i < TAPE_RESPONSE_LOUDEST_POINTS; i++) {
        const double f = top * ((double)i + 1.0) / 64.0;
        highest = larger_double(highest, wavelength_losses_pre_emphasis(&settings->medium, lost_um, f));
    }
    return highest;
}

/* How closely the curve is followed, for the largest field that full scale has behind the record equaliser. */
KERNEL ix tape_response_times_of_curve(double gain, double highest, double sample_rate)
{
    return closer_curve_closer_times(gain * highest, elementary_logarithm(highest) / 0x1.d791c5f888823p-4,
        sample_rate);
}

/* Fill the plan, for memory that is all zeros; the place on the tape decides only where its frames begin. */
KERNEL void tape_response_design(const TapeResponseSettings *settings, double sample_rate, ix channels,
    int64_t start_sample, int64_t track, const TapeResponseMemory *memory)
{
    (void)channels;
    (void)track;
    head_face_face_nodes(memory->face);
    const tape_response_face_shares_of_result result_1 = tape_response_face_shares_of(settings, memory->face);
    const double thin = result_1.m0;
    const double deep = result_1.m1;
    const double lost_um = tape_response_solved_record_loss_um(settings, memory->face, thin, deep);
    doubles_1 plan = memory->plan;
    plan.at[TAPE_RESPONSE_MOL_PEAK] = tape_response_mol_peak(settings, lost_um, memory->face, thin, deep);
    plan.at[TAPE_RESPONSE_RAISED] = wavelength_losses_pre_emphasis(&settings->medium, lost_um, 1000.0);
    const double gain = tape_response_gain_of(settings, plan.at[TAPE_RESPONSE_MOL_PEAK],
        plan.at[TAPE_RESPONSE_RAISED]);
    plan.at[TAPE_RESPONSE_GAIN] = gain;
    /* The mean square of a sine is half of its squared peak. */
    plan.at[TAPE_RESPONSE_ERASING] = 2.0 * settings->self_erasure_db / 0x1.8151824c7587fp+2;
    glides_glide_rest(TAPE_RESPONSE_LOG_GAIN, elementary_logarithm(gain), &memory->glide);
    glides_glide_design(sample_rate, start_sample, &memory->glide);
    const double high = offset_filter_offset_pole(settings->high_pass_hz, sample_rate);
    double bass = high;
    if (settings->bass_us > 0.0) {
        bass = offset_filter_offset_pole(0x1.e848000000000p+19 / (0x1.921fb54442d18p+2 * settings->bass_us),
            sample_rate);
    }
    plan.at[TAPE_RESPONSE_HIGH_PASS] = high;
    plan.at[TAPE_RESPONSE_HIGH_PASS_GAIN] = 0.5 * (1.0 + high);
    plan.at[TAPE_RESPONSE_BASS_ZERO] = bass;
    plan.at[TAPE_RESPONSE_BASS_GAIN] = (1.0 + high) / (1.0 + bass);
    plan.at[TAPE_RESPONSE_REPLAY_POLE] = bass;
    plan.at[TAPE_RESPONSE_REPLAY_GAIN] = 0.5 * (1.0 + bass);
    memory->state.at[TAPE_RESPONSE_LATENCY_OF_CURVE] = (int64_t)closer_curve_delay();
    memory->state.at[TAPE_RESPONSE_AT] = start_sample - floor_division_64(start_sample, INT64_C(128)) *
        INT64_C(128);
    plan.at[TAPE_RESPONSE_HIGHEST] = tape_response_highest_pre_emphasis(settings, lost_um, sample_rate);
    closer_curve_design(tape_response_times_of_curve(gain, plan.at[TAPE_RESPONSE_HIGHEST], sample_rate),
        &memory->curve);
    tape_response_design_filters(settings, sample_rate, lost_um, memory, thin, deep);
    self_erasure_design(sample_rate, memory->slow_gains, &memory->erasure);
}

/*
 * Go to other settings from the beginning of the next cell on; see :mod:`tapeemu.dsp.kernels.glides`.
 *
 * Of the settings those of `TAPE_RESPONSE_MOVES` may differ from the ones that it was designed for: the field
 * that the sine of MOL has stays what it is, and its level moves.
 */
KERNEL void tape_response_change(const TapeResponseSettings *settings, double sample_rate, ix channels, const
    TapeResponseMemory *memory)
{
    (void)channels;
    const double gain = tape_response_gain_of(settings, memory->plan.at[TAPE_RESPONSE_MOL_PEAK],
        memory->plan.at[TAPE_RESPONSE_RAISED]);
    glides_glide_target(TAPE_RESPONSE_LOG_GAIN, elementary_logarithm(gain), &memory->glide);
    const ix times = tape_response_times_of_curve(gain, memory->plan.at[TAPE_RESPONSE_HIGHEST], sample_rate);
    if ((int64_t)times != memory->curve.times.at[0]) {
        closer_curve_follow(times, &memory->curve);
    }
}

/* Go to rest; of the place on the tape only where its frames begin matters. */
KERNEL void tape_response_seek(const TapeResponseMemory *memory, int64_t place)
{
    glides_glide_seek(place, &memory->glide);
    memory->state.at[TAPE_RESPONSE_AT] = place - floor_division_64(place, INT64_C(128)) * INT64_C(128);
    for (ix channel = 0; channel < memory->slopes.n0; channel++) {
        for (ix k = 0; k < TAPE_RESPONSE_STATE; k++) {
            memory->slopes.at[channel * memory->slopes.n1 + k] = 0.0;
        }
    }
    record_equaliser_clear(&memory->recording);
    self_erasure_clear(&memory->erasure);
    long_filter_clear(&memory->post);
    closer_curve_clear(&memory->curve);
}

/* Filter of first order, in place: ``y[n] = pole * y[n-1] + x[n] - zero * x[n-1]``, times the gain. */
KERNEL void tape_response_slope(reals_1 audio, double pole, double zero, double gain, doubles_1 state)
{
    double before = state.at[0];
    double out = state.at[1];
    for (ix i = 0; i < audio.n0; i++) {
        const double now = (double)audio.at[i];
        out = out * pole + (now - zero * before);
        audio.at[i] = (real)(gain * out);
        before = now;
    }
    state.at[0] = before;
    state.at[1] = out;
}

/* High-pass, bass and treble of recording, in place. */
KERNEL void tape_response_record(ix channel, ix at, const TapeResponseMemory *memory, reals_1 audio)
{
    doubles_1 plan = memory->plan;
    doubles_1 state = (doubles_1){memory->slopes.at + channel * memory->slopes.n1, memory->slopes.n1};
    reals_1 line = (reals_1){memory->recording.fresh.at + channel * memory->recording.fresh.n1,
        memory->recording.fresh.n1};
    const ix write = line.n0 - TAPE_RESPONSE_SLACK + at;
    const ix count = smaller_integer(audio.n0, TAPE_RESPONSE_FRAME);
    const double high = plan.at[TAPE_RESPONSE_HIGH_PASS];
    const double zero = plan.at[TAPE_RESPONSE_BASS_ZERO];
    const real high_gain = (real)plan.at[TAPE_RESPONSE_HIGH_PASS_GAIN];
    const real bass_gain = (real)plan.at[TAPE_RESPONSE_BASS_GAIN];
    double before = state.at[0];
    double out = state.at[1];
    double between = state.at[2];
    double bass = state.at[3];
    for (ix i = 0; i < count; i++) {
        const double now = (double)audio.at[i];
        out = out * high + (now - before);
        before = now;
        const double middle = (double)high_gain * out;
        bass = bass * high + (middle - zero * between);
        between = middle;
        line.at[write + i] = (real)((double)bass_gain * bass);
    }
    state.at[0] = before;
    state.at[1] = out;
    state.at[2] = between;
    state.at[3] = bass;
    record_equaliser_run(channel, at, &memory->recording, audio);
}

/* Write the gains of samples into the curve and behind it: each sound meets those of its own input. */
KERNEL void tape_response_find_gains(ix count, const TapeResponseMemory *memory)
{
    const ix at = (ix)memory->glide.counts.at[TAPE_RESPONSE_AT] - TAPE_RESPONSE_RECORD_HALF;
    const ix latency = (ix)memory->state.at[TAPE_RESPONSE_LATENCY_OF_CURVE];
    reals_1 gains = (reals_1){memory->work.at + TAPE_RESPONSE_GAINS * memory->work.n1, memory->work.n1};
    reals_1 levels = (reals_1){memory->work.at + TAPE_RESPONSE_LEVELS * memory->work.n1, memory->work.n1};
    for (ix i = 0; i < count; i++) {
        gains.at[i] = (real)elementary_exponential(glides_glide_late_value(TAPE_RESPONSE_LOG_GAIN, at + i,
            &memory->glide));
        levels.at[i] = (real)elementary_exponential(-glides_glide_late_value(TAPE_RESPONSE_LOG_GAIN, at + i -
            latency, &memory->glide));
    }
}

/* Multiply sound by factors, in place. */
KERNEL void tape_response_multiply(reals_1 factors, reals_1 audio)
{
    for (ix i = 0; i < audio.n0; i++) {
        audio.at[i] = factors.at[i] * audio.at[i];
    }
}

/*
 * Process a block of any length; `out` may be `block` itself.
 *
 * Parameters
 * ----------
 * memory : TapeResponseMemory
 *     Designed; changed in place.
 * block, out : ndarray, shape (channels, samples)
 *     Input and output.
 */
KERNEL void tape_response_process(const TapeResponseMemory *memory, reals_2 block, reals_2 out)
{
    doubles_1 plan = memory->plan;
    const real gain = (real)plan.at[TAPE_RESPONSE_GAIN];
    const real level = (real)(1.0 / plan.at[TAPE_RESPONSE_GAIN]);
    const real erasing = (real)plan.at[TAPE_RESPONSE_ERASING];
    const ix latency = (ix)memory->state.at[TAPE_RESPONSE_LATENCY_OF_CURVE];
    ix done = 0;
    while (done < block.n1) {
        const ix at = (ix)memory->state.at[TAPE_RESPONSE_AT];
        ix count = smaller_integer(block.n1 - done, TAPE_RESPONSE_FRAME - floor_remainder(at,
            TAPE_RESPONSE_FRAME));
        const bool moving = glides_glide_moves(&memory->glide);
        if (moving) {
            count = smaller_integer(count, (ix)(memory->glide.counts.at[TAPE_RESPONSE_CELL] -
                memory->glide.counts.at[TAPE_RESPONSE_AT]));
            tape_response_find_gains(count, memory);
        }
        const bool full = floor_remainder(at + count, TAPE_RESPONSE_FRAME) == 0;
        for (ix channel = 0; channel < block.n0; channel++) {
            doubles_1 slopes = (doubles_1){memory->slopes.at + channel * memory->slopes.n1,
                memory->slopes.n1};
            reals_1 audio = (reals_1){memory->work.at, count};
            for (ix i = 0; i < count; i++) {
                audio.at[i] = block.at[channel * block.n1 + done + i];
            }
            tape_response_record(channel, at, memory, audio);
            if (moving) {
                tape_response_multiply((reals_1){memory->work.at + TAPE_RESPONSE_GAINS * memory->work.n1,
                    memory->work.n1}, audio);
            } else {
                for (ix i = 0; i < count; i++) {
                    audio.at[i] = gain * audio.at[i];
                }
            }
            self_erasure_hear(channel, at, erasing, &memory->erasure, audio);
            const ix within = floor_remainder(at, TAPE_RESPONSE_FRAME);
            for (ix i = 0; i < count; i++) {
                memory->curve.waiting.at[channel * memory->curve.waiting.n1 + within + i] = audio.at[i];
                audio.at[i] = memory->curve.bent.at[channel * memory->curve.bent.n1 + within + i];
            }
            if (moving) {
                tape_response_multiply((reals_1){memory->work.at + TAPE_RESPONSE_LEVELS * memory->work.n1,
                    memory->work.n1}, audio);
            } else {
                for (ix i = 0; i < count; i++) {
                    audio.at[i] = level * audio.at[i];
                }
            }
            self_erasure_run(channel, at, latency, erasing != REAL(0.0), &memory->erasure, audio);
            long_filter_run(channel, at, audio, &memory->post, audio);
            tape_response_slope(audio, plan.at[TAPE_RESPONSE_REPLAY_POLE], 1.0,
                plan.at[TAPE_RESPONSE_REPLAY_GAIN], (doubles_1){slopes.at + 4, 6 - 4});
            for (ix i = 0; i < count; i++) {
                out.at[channel * out.n1 + done + i] = audio.at[i];
            }
            if (full) {
                /* Here alone, for each test would make the next sample wait. */
                for (ix k = 0; k < TAPE_RESPONSE_STATE; k++) {
                    slopes.at[k] = magnitude_double(slopes.at[k]) > 0x1.4484bfeebc2a0p-100 ? slopes.at[k] :
                        0.0;
                }
                closer_curve_frame(channel, &memory->curve);
                long_filter_frame(channel, at + count, &memory->post);
                if (erasing != REAL(0.0)) {
                    self_erasure_frame(channel, at + count, &memory->erasure);
                }
                if (at + count == TAPE_RESPONSE_SLACK) {
                    record_equaliser_keep(channel, &memory->recording);
                    self_erasure_keep(channel, &memory->erasure);
                    long_filter_keep(channel, &memory->post);
                }
            }
        }
        glides_glide_pass(count, &memory->glide);
        memory->state.at[TAPE_RESPONSE_AT] = (int64_t)(at + count == TAPE_RESPONSE_SLACK ? 0 : at + count);
        done += count;
    }
}
