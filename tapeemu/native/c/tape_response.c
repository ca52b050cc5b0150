/* Generated from tape_response.py (dd49fdca4d12d5f3); do not edit. SPDX-License-Identifier: ISC */

/*
 * The response of a tape and what level does to it: see :class:`tapeemu.processors.tape_response.TapeResponse`.
 *
 * On its way a sound passes a high-pass, the record equaliser, the curve of the magnetisation between a way up and a
 * way down in rate, what it erases itself, the losses of the replay head with its equaliser, and the bass of that.
 */

#include "tape_response.h"

#define TAPE_RESPONSE_FACE_NODES 118
#define TAPE_RESPONSE_NODE_ROWS 5
#define TAPE_RESPONSE_FIT_ROWS 91
#define TAPE_RESPONSE_FRAME 128
#define TAPE_RESPONSE_HALF 48
#define TAPE_RESPONSE_LONG_FILTER_ARRAYS 13
#define TAPE_RESPONSE_LOW_HALF 64
#define TAPE_RESPONSE_RAISE_NODES 16
#define TAPE_RESPONSE_SIDE 40
#define TAPE_RESPONSE_SLACK 2048
#define TAPE_RESPONSE_SLOW_STEP 64
#define TAPE_RESPONSE_STEP 8
#define TAPE_RESPONSE_UNKNOWNS 89
#define TAPE_RESPONSE_HISTORY_HIGH 24
#define TAPE_RESPONSE_OVERSAMPLER_ARRAYS 5
#define TAPE_RESPONSE_SOFTLY_EARLIER 16
#define TAPE_RESPONSE_SATURATED_HZ REAL(10000.0)
#define TAPE_RESPONSE_MOST_RECORD_LOSS_UM REAL(20.0)
#define TAPE_RESPONSE_TURN REAL(0x1.921fb54442d18p+2)
#define TAPE_RESPONSE_LN2 REAL(0x1.62e42fefa39efp-1)
#define TAPE_RESPONSE_NEPERS_PER_DB REAL(0x1.d791c5f888823p-4)
#define TAPE_RESPONSE_HALF_DB REAL(0x1.8151824c7587fp+2)
#define TAPE_RESPONSE_MOL_HZ REAL(1000.0)
#define TAPE_RESPONSE_QUARTER_POINTS 256
#define TAPE_RESPONSE_BASS_SECONDS REAL(0x1.999999999999ap-4)
#define TAPE_RESPONSE_BARE_SECONDS REAL(0x1.47ae147ae147bp-6)
#define TAPE_RESPONSE_MIDDLE_BEYOND 64
#define TAPE_RESPONSE_DIRECT 24
#define TAPE_RESPONSE_GROUPS 8
#define TAPE_RESPONSE_NARROW 8
#define TAPE_RESPONSE_WIDE 32
#define TAPE_RESPONSE_NARROW_AT 25
#define TAPE_RESPONSE_WIDE_AT 89
#define TAPE_RESPONSE_RECORD_TAPS 41
#define TAPE_RESPONSE_RECORD_HALF 344
#define TAPE_RESPONSE_LOW_POINTS 128
#define TAPE_RESPONSE_LOW_RANGE REAL(0x1.f333333333333p+1)
#define TAPE_RESPONSE_ERASING_HALF 8
#define TAPE_RESPONSE_ERASING_POINTS 512
#define TAPE_RESPONSE_LEVEL_HALF 16
#define TAPE_RESPONSE_LEVEL_DELAY 377
#define TAPE_RESPONSE_MOST_ERASING REAL(3.0)
#define TAPE_RESPONSE_BIAS_TO_TOP_DB REAL(2.0)
#define TAPE_RESPONSE_BIAS_LOSS_DB REAL(3.0)
#define TAPE_RESPONSE_MOL_FIELD REAL(0x1.41f04a8056d27p-1)
#define TAPE_RESPONSE_GENTLE_FIELD REAL(2.5)
#define TAPE_RESPONSE_SPLINE 4
#define TAPE_RESPONSE_LINE_KEPT 401
#define TAPE_RESPONSE_FLUSH REAL(0x1.4484bfeebc2a0p-100)
#define TAPE_RESPONSE_GAIN 0
#define TAPE_RESPONSE_ERASING 1
#define TAPE_RESPONSE_HIGH_PASS 2
#define TAPE_RESPONSE_HIGH_PASS_GAIN 3
#define TAPE_RESPONSE_BASS_ZERO 4
#define TAPE_RESPONSE_BASS_GAIN 5
#define TAPE_RESPONSE_REPLAY_POLE 6
#define TAPE_RESPONSE_REPLAY_GAIN 7
#define TAPE_RESPONSE_PLAN 8
#define TAPE_RESPONSE_STATE 6
#define TAPE_RESPONSE_AT 0
#define TAPE_RESPONSE_LATENCY_OF_CURVE 1

/* Samples from the gap to an edge of the face. */
KERNEL double tape_response_echo_samples(const TapeResponseSettings *settings, double sample_rate)
{
    return 0x1.999999999999ap-5 * settings->face_mm / settings->medium.tape_speed_cm_s * sample_rate;
}

/* Distance at which the side taps begin. */
KERNEL ix tape_response_side_at(const TapeResponseSettings *settings, double sample_rate)
{
    if (settings->face_mm == 0.0) {
        return 0;
    }
    return larger_integer(49, (ix)tape_response_echo_samples(settings, sample_rate) - 20);
}

/* The next multiple of eight. */
KERNEL ix tape_response_eights(double count)
{
    return 8 * ((ix)(count / 8.0) + 1);
}

KERNEL ix tape_response_middle_half(const TapeResponseSettings *settings, double sample_rate)
{
    return tape_response_eights(tape_response_echo_samples(settings, sample_rate) / 8.0 + 64.0);
}

KERNEL ix tape_response_slow_half(const TapeResponseSettings *settings, double sample_rate)
{
    if (settings->face_mm == 0.0) {
        return tape_response_eights(0x1.47ae147ae147bp-6 * sample_rate / 64.0);
    }
    return tape_response_eights((tape_response_echo_samples(settings, sample_rate) + 0x1.999999999999ap-4 *
        sample_rate) / 64.0);
}

/*
 * How many times the sample rate the curve runs at: four where full scale drives it gently, else as the drive.
 *
 * At a field of three times saturation the harmonics of the tangent fall by 4.6 dB each, and of a tone at a
 * sixth of the rate that of number 21 is the first to fold into the pass band.
 */
KERNEL ix tape_response_factor(const TapeResponseSettings *settings, double sample_rate)
{
    const ix factor = oversampling_factor(sample_rate);
    const double full_scale = 0x1.41f04a8056d27p-1 * elementary_power_of_ten(-0x1.999999999999ap-5 *
        (settings->reference_level_dbfs + settings->mol_db));
    return full_scale <= 2.5 ? smaller_integer(factor, 4) : factor;
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

/* Whether it bends loud sound, so that it does not treat a sum as its parts: 1, always. */
KERNEL ix tape_response_drives(const TapeResponseSettings *settings)
{
    (void)settings;
    return 1;
}

/* Samples by which the output is late. */
KERNEL ix tape_response_latency(const TapeResponseSettings *settings, double sample_rate, ix channels)
{
    (void)channels;
    const ix post = long_filter_delay(tape_response_side_at(settings, sample_rate),
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

/* Write the shapes of the arrays of :class:`TapeResponseMemory`, a row for each. */
KERNEL void tape_response_shapes(const TapeResponseSettings *settings, double sample_rate, ix channels,
    int64s_2 shapes)
{
    for (ix row = 0; row < 19; row++) {
        for (ix axis = 0; axis < 3; axis++) {
            shapes.at[row * shapes.n1 + axis] = INT64_C(1);
        }
    }
    shapes.at[0] = INT64_C(8);
    shapes.at[1 * shapes.n1] = INT64_C(2);
    shapes.at[2 * shapes.n1] = (int64_t)channels;
    shapes.at[2 * shapes.n1 + 1] = INT64_C(6);
    shapes.at[3 * shapes.n1] = INT64_C(9);
    shapes.at[4 * shapes.n1] = INT64_C(17);
    shapes.at[5 * shapes.n1] = INT64_C(32);
    shapes.at[6 * shapes.n1] = INT64_C(4);
    shapes.at[6 * shapes.n1 + 1] = INT64_C(8);
    for (ix row = 7; row < 14; row++) {
        shapes.at[row * shapes.n1] = (int64_t)channels;
    }
    shapes.at[7 * shapes.n1 + 1] = INT64_C(2240);
    shapes.at[8 * shapes.n1 + 1] = INT64_C(335);
    shapes.at[9 * shapes.n1 + 1] = INT64_C(272);
    shapes.at[10 * shapes.n1 + 1] = INT64_C(128);
    for (ix row = 11; row < 14; row++) {
        shapes.at[row * shapes.n1 + 1] = INT64_C(2449);
    }
    shapes.at[14 * shapes.n1] = INT64_C(4);
    shapes.at[14 * shapes.n1 + 1] = INT64_C(128);
    shapes.at[15 * shapes.n1] = INT64_C(41);
    for (ix row = 16; row < 19; row++) {
        shapes.at[row * shapes.n1] = (int64_t)channels;
        shapes.at[row * shapes.n1 + 1] = INT64_C(2744);
    }
    ix first = 19;
    const ix side_at = tape_response_side_at(settings, sample_rate);
    const ix middle_half = tape_response_middle_half(settings, sample_rate);
    const ix slow_half = tape_response_slow_half(settings, sample_rate);
    long_filter_shapes(side_at, middle_half, slow_half, channels, first, shapes);
    first += TAPE_RESPONSE_LONG_FILTER_ARRAYS;
    oversampling_oversampler_shapes(tape_response_factor(settings, sample_rate), channels, first, shapes);
    first += TAPE_RESPONSE_OVERSAMPLER_ARRAYS;
    for (ix row = first; row < first + 6; row++) {
        for (ix axis = 0; axis < 3; axis++) {
            shapes.at[row * shapes.n1 + axis] = INT64_C(1);
        }
    }
    shapes.at[first * shapes.n1] = INT64_C(5);
    shapes.at[first * shapes.n1 + 1] = INT64_C(118);
    shapes.at[(first + 1) * shapes.n1] = (int64_t)tape_response_points(2 * (side_at + TAPE_RESPONSE_SIDE));
    shapes.at[(first + 2) * shapes.n1] = (int64_t)tape_response_points(2 * middle_half);
    shapes.at[(first + 3) * shapes.n1] = (int64_t)tape_response_points(2 * slow_half);
    shapes.at[(first + 4) * shapes.n1] = INT64_C(91);
    shapes.at[(first + 4) * shapes.n1 + 1] = INT64_C(89);
    shapes.at[(first + 5) * shapes.n1] = INT64_C(43);
    shapes.at[(first + 5) * shapes.n1 + 1] = INT64_C(41);
}

/* Shares of the echoes of thin and of deep poles. */
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
 * What another bias than the optimum does to treble: less of it with more bias, which acts as a distance does.
 *
 * The sensitivity at 10 kHz is a parabola; its top lies at 2 dB less bias than the optimum, and 3 dB higher.
 */
KERNEL double tape_response_bias_gain(const TapeResponseSettings *settings, double f)
{
    const double above_top = settings->bias_db + 2.0;
    const double lost_db = 3.0 * (above_top / 2.0 * (above_top / 2.0) - 1.0);
    return elementary_exponential((double)-TAPE_RESPONSE_NEPERS_PER_DB * lost_db * f / 10000.0);
}

/* What becomes of a wave from the magnetisation to the output, bass equalisation apart (closed forms). */
KERNEL double tape_response_replay_gain(const TapeResponseSettings *settings, double lost_um, doubles_2 nodes,
    double thin, double deep, double f)
{
    double gain = wavelength_losses_record_loss(&settings->medium, lost_um, f) *
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

/* What a sine of a peak field, in units of saturation, erases at a frequency. */
KERNEL double tape_response_erased(const TapeResponseSettings *settings, double peak, double f)
{
    const double share = smaller_double(settings->self_erasure_db / 0x1.8151824c7587fp+2 * peak * peak, 3.0);
    return elementary_exponential((double)-TAPE_RESPONSE_LN2 * f / 10000.0 * share);
}

/* Third harmonic at the output of a 1 kHz sine with a peak field, in percent of the fundamental. */
KERNEL double tape_response_third_harmonic_percent(const TapeResponseSettings *settings, double lost_um,
    doubles_2 nodes, double thin, double deep, double peak)
{
    const tape_response__harmonics_result result_1 = tape_response_harmonics(peak);
    const double first = result_1.m0;
    const double third = result_1.m1;
    double at_third = tape_response_replay_gain(settings, lost_um, nodes, thin, deep, 3000.0);
    at_third = at_third * tape_response_erased(settings, peak, 3000.0);
    const double at_first = tape_response_replay_gain(settings, lost_um, nodes, thin, deep, 1000.0) *
        tape_response_erased(settings, peak, 1000.0);
    return 100.0 * magnitude_double(third * at_third / (first * at_first));
}

/* Factor from the pre-emphasised signal to the field in units of saturation, by which MOL is what is set. */
KERNEL double tape_response_record_gain(const TapeResponseSettings *settings, double lost_um, doubles_2 nodes,
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
    const double level = elementary_power_of_ten(0x1.999999999999ap-5 * (settings->reference_level_dbfs +
        settings->mol_db));
    return high / (level * wavelength_losses_pre_emphasis(&settings->medium, lost_um, 1000.0));
}

/* Highest fundamental of a sine at 10 kHz behind the curve and its own erasing. */
KERNEL double tape_response_highest_fundamental(const TapeResponseSettings *settings)
{
    double highest = 0.0;
    for (ix i = 0; i < 120; i++) {
        const double peak = 0x1.3333333333333p-2 * elementary_exponential(0x1.1eb851eb851ecp-5 * (double)i);
        const tape_response__harmonics_result result_1 = tape_response_harmonics(peak);
        const double first = result_1.m0;
        highest = larger_double(highest, first * tape_response_erased(settings, peak, 10000.0));
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

/* Response of as many pairs of equal taps, the first at a distance from the middle. */
KERNEL double tape_response_group_response(ix first, ix width, double turns)
{
    const real middle = (real)((double)first + 0.5 * (double)(width - 1));
    double total = 0.0;
    for (ix k = 0; k < floor_division(width, 2); k++) {
        total += elementary_cosine_of_turns(((double)k + 0.5) * turns);
    }
    return 4.0 * elementary_cosine_of_turns((double)middle * turns) * total;
}

/* Responses of the taps of the record equaliser, at a frequency in turns per sample. */
KERNEL void tape_response_record_basis(double turns, doubles_1 basis)
{
    basis.at[0] = 1.0;
    for (ix n = 1; n < 25; n++) {
        basis.at[n] = 2.0 * elementary_cosine_of_turns((double)n * turns);
    }
    for (ix k = 0; k < TAPE_RESPONSE_GROUPS; k++) {
        basis.at[25 + k] = tape_response_group_response(TAPE_RESPONSE_NARROW_AT + TAPE_RESPONSE_NARROW * k,
            TAPE_RESPONSE_NARROW, turns);
        basis.at[33 + k] = tape_response_group_response(TAPE_RESPONSE_WIDE_AT + TAPE_RESPONSE_WIDE * k,
            TAPE_RESPONSE_WIDE, turns);
    }
}

/* Response of the record equaliser at a frequency in turns per sample. */
KERNEL double tape_response_recorded(reals_1 recording, double turns)
{
    double total = (double)recording.at[0] + long_filter_pair_response((reals_1){recording.at + 1,
        TAPE_RESPONSE_NARROW_AT - 1}, 1, turns);
    for (ix k = 0; k < TAPE_RESPONSE_GROUPS; k++) {
        const double narrow = tape_response_group_response(TAPE_RESPONSE_NARROW_AT + TAPE_RESPONSE_NARROW * k,
            TAPE_RESPONSE_NARROW, turns);
        const double wide = tape_response_group_response(TAPE_RESPONSE_WIDE_AT + TAPE_RESPONSE_WIDE * k,
            TAPE_RESPONSE_WIDE, turns);
        total += (double)recording.at[25 + k] * narrow;
        total += (double)recording.at[33 + k] * wide;
    }
    return total;
}

/*
 * Fit the record equaliser by least squares of its relative error.
 *
 * Points lie in the middles of equal parts of the band, and closer in the bass: there its law has a corner.
 */
KERNEL void tape_response_fit_recording(const Medium *medium, double lost_um, double sample_rate, ix points,
    doubles_2 fit, reals_1 recording)
{
    doubles_2 matrix = (doubles_2){fit.at, TAPE_RESPONSE_RECORD_TAPS, fit.n1};
    doubles_1 right = (doubles_1){fit.at + TAPE_RESPONSE_RECORD_TAPS * fit.n1, fit.n1};
    doubles_1 basis = (doubles_1){fit.at + 42 * fit.n1, fit.n1};
    for (ix row = 0; row < TAPE_RESPONSE_RECORD_TAPS; row++) {
        right.at[row] = 0.0;
        for (ix column = 0; column < TAPE_RESPONSE_RECORD_TAPS; column++) {
            matrix.at[row * matrix.n1 + column] = 0.0;
        }
    }
    for (ix i = 0; i < points + TAPE_RESPONSE_LOW_POINTS; i++) {
        double turns = 0.5 * ((double)i + 0.5) / (double)points;
        if (i >= points) {
            turns = 0x1.47ae147ae147bp-8 * elementary_exponential((double)(-TAPE_RESPONSE_LOW_RANGE * (real)(i
                - points) / REAL(128.0)));
        }
        const double gain = wavelength_losses_pre_emphasis(medium, lost_um,
            wavelength_losses_law_frequency(turns * sample_rate, sample_rate));
        tape_response_record_basis(turns, basis);
        for (ix row = 0; row < TAPE_RESPONSE_RECORD_TAPS; row++) {
            const double part = basis.at[row] / (gain * gain);
            right.at[row] += part * gain;
            for (ix column = row; column < TAPE_RESPONSE_RECORD_TAPS; column++) {
                matrix.at[row * matrix.n1 + column] += part * basis.at[column];
            }
        }
    }
    for (ix row = 0; row < TAPE_RESPONSE_RECORD_TAPS; row++) {
        for (ix column = 0; column < row; column++) {
            matrix.at[row * matrix.n1 + column] = matrix.at[column * matrix.n1 + row];
        }
    }
    small_systems_factorise(matrix);
    small_systems_solve_factorised(matrix, right);
    for (ix k = 0; k < TAPE_RESPONSE_RECORD_TAPS; k++) {
        recording.at[k] = (real)right.at[k];
    }
}

/*
 * Fill the response of what is behind the tape up to half of a rate.
 *
 * What the record equaliser lacks, a tenth of a decibel at the most, is made up for here.
 */
KERNEL void tape_response_fill(const TapeResponseSettings *settings, double sample_rate, double rate, double
    lost_um, const TapeResponseMemory *memory, double thin, double deep, doubles_1 gains)
{
    const double top = smaller_double(20000.0, 0x1.d0624dd2f1aa0p-2 * sample_rate);
    for (ix i = 0; i < gains.n0; i++) {
        const double f = ((double)i + 0.5) * 0.5 * rate / (double)gains.n0;
        const double law = wavelength_losses_law_frequency(f, sample_rate);
        double gain = wavelength_losses_record_loss(&settings->medium, lost_um, law) *
            wavelength_losses_replay_losses(&settings->medium, law);
        gain = gain * tape_response_bias_gain(settings, law) / wavelength_losses_flux_curve(&settings->medium,
            law);
        const double recorded = tape_response_recorded(memory->recording, f / sample_rate);
        gain = gain * wavelength_losses_pre_emphasis(&settings->medium, lost_um, law) / recorded;
        if (settings->face_mm > 0.0) {
            const double x = 0x1.999999999999ap-4 * settings->face_mm * f / settings->medium.tape_speed_cm_s;
            const double echo = head_face_face_response(memory->face, thin, deep, x) - 1.0;
            gain = gain * (1.0 + echo * long_filter_fade(f, 0.5 * sample_rate, top));
        }
        gains.at[i] = gain;
    }
}

/* Design the record equaliser, and what is behind the tape. */
KERNEL void tape_response_design_filters(const TapeResponseSettings *settings, double sample_rate, double
    lost_um, const TapeResponseMemory *memory, double thin, double deep)
{
    doubles_1 gains = memory->fast_gains;
    tape_response_fit_recording(&settings->medium, lost_um, sample_rate, gains.n0, memory->record_fit,
        memory->recording);
    const double middle = sample_rate / 8.0;
    const double slow = sample_rate / 64.0;
    tape_response_fill(settings, sample_rate, sample_rate, lost_um, memory, thin, deep, gains);
    tape_response_fill(settings, sample_rate, middle, lost_um, memory, thin, deep, memory->middle_gains);
    tape_response_fill(settings, sample_rate, slow, lost_um, memory, thin, deep, memory->slow_gains);
    long_filter_design(tape_response_side_at(settings, sample_rate), tape_response_middle_half(settings,
        sample_rate), tape_response_slow_half(settings, sample_rate), gains, memory->middle_gains,
        memory->slow_gains, memory->fit, &memory->post);
}

/* Design the filter that loses 6 dB at 10 kHz, with a gain of 1 at 0 Hz, and the window of the level. */
KERNEL void tape_response_design_erasing(double sample_rate, const TapeResponseMemory *memory)
{
    double total = 0.0;
    double tap = 0.0;
    doubles_1 points = (doubles_1){memory->slow_gains.at, TAPE_RESPONSE_ERASING_POINTS};
    const double held = smaller_double(10000.0, 0x1.999999999999ap-2 * sample_rate);
    double steepness = 0x1.22ba1c9ea1126p-14;
    /* So short a filter rounds the law off at 0 Hz: with a gain of 1 there it would lose too little above. */
    for (ix _ = 0; _ < 4; _++) {
        for (ix i = 0; i < TAPE_RESPONSE_ERASING_POINTS; i++) {
            const double f = wavelength_losses_law_frequency(((double)i + 0.5) * 0.5 * sample_rate / 512.0,
                sample_rate);
            points.at[i] = elementary_exponential(-steepness * f);
        }
        total = 0.0;
        double response = 0.0;
        for (ix n = 0; n < 9; n++) {
            tap = long_filter_symmetric_tap(points, n) * long_filter_taper(n, TAPE_RESPONSE_ERASING_HALF);
            memory->erasing.at[n] = (real)tap;
            const double pair = n == 0 ? tap : 2.0 * tap;
            total += pair;
            response += pair * elementary_cosine_of_turns((double)n * held / sample_rate);
        }
        for (ix n = 0; n < 9; n++) {
            memory->erasing.at[n] = (real)((double)memory->erasing.at[n] / total);
        }
        steepness = steepness * 0x1.62e42fefa39efp-1 / 10000.0 * held / elementary_logarithm(total /
            response);
    }
    total = 0.0;
    for (ix n = 0; n < 17; n++) {
        tap = long_filter_fade(1.0 * (double)n, 16.0, 0.0);
        memory->level_taps.at[n] = (real)tap;
        total += n == 0 ? tap : 2.0 * tap;
    }
    for (ix n = 0; n < 17; n++) {
        memory->level_taps.at[n] = (real)((double)memory->level_taps.at[n] / total);
    }
}

/* Cubic B-splines: four means of eight samples in a row, which has no negative weight and adds up to 1. */
KERNEL void tape_response_design_splines(reals_1 lowering, reals_2 raising)
{
    for (ix k = 0; k < lowering.n0; k++) {
        lowering.at[k] = REAL(0.0);
    }
    const ix middle = floor_division(lowering.n0, 2);
    lowering.at[middle - 14] = REAL(1.0);
    for (ix _ = 0; _ < TAPE_RESPONSE_SPLINE; _++) {
        for (ix k = lowering.n0 - 1; k > -1; k -= 1) {
            double total = 0.0;
            const ix stop_1 = smaller_integer(TAPE_RESPONSE_STEP, k + 1);
            for (ix back = 0; back < stop_1; back++) {
                total += (double)lowering.at[k - back];
            }
            lowering.at[k] = (real)(total / 8.0);
        }
    }
    for (ix k = 0; k < TAPE_RESPONSE_SPLINE; k++) {
        for (ix phase = 0; phase < TAPE_RESPONSE_STEP; phase++) {
            const ix place = middle + phase - TAPE_RESPONSE_STEP * (k - 1);
            raising.at[k * raising.n1 + phase] = place < lowering.n0 ? REAL(8.0) * lowering.at[place] :
                REAL(0.0);
        }
    }
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
    const double gain = tape_response_record_gain(settings, lost_um, memory->face, thin, deep);
    doubles_1 plan = memory->plan;
    plan.at[TAPE_RESPONSE_GAIN] = gain;
    /* The mean square of a sine is half of its squared peak. */
    plan.at[TAPE_RESPONSE_ERASING] = 2.0 * gain * gain * settings->self_erasure_db / 0x1.8151824c7587fp+2;
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
    const ix factor = tape_response_factor(settings, sample_rate);
    memory->state.at[TAPE_RESPONSE_LATENCY_OF_CURVE] = (int64_t)(oversampling_oversampler_latency(factor) -
        TAPE_RESPONSE_SOFTLY_EARLIER);
    memory->state.at[TAPE_RESPONSE_AT] = start_sample - floor_division_64(start_sample, INT64_C(128)) *
        INT64_C(128);
    oversampling_oversampler_design(factor, &memory->over);
    tape_response_design_filters(settings, sample_rate, lost_um, memory, thin, deep);
    tape_response_design_erasing(sample_rate, memory);
    tape_response_design_splines(memory->lowering, memory->raising);
}

KERNEL void tape_response_clear(reals_2 rows)
{
    for (ix channel = 0; channel < rows.n0; channel++) {
        for (ix i = 0; i < rows.n1; i++) {
            rows.at[channel * rows.n1 + i] = REAL(0.0);
        }
    }
}

/* Go to rest; of the place on the tape only where its frames begin matters. */
KERNEL void tape_response_seek(const TapeResponseMemory *memory, int64_t place)
{
    memory->state.at[TAPE_RESPONSE_AT] = place - floor_division_64(place, INT64_C(128)) * INT64_C(128);
    for (ix channel = 0; channel < memory->slopes.n0; channel++) {
        for (ix k = 0; k < TAPE_RESPONSE_STATE; k++) {
            memory->slopes.at[channel * memory->slopes.n1 + k] = 0.0;
        }
    }
    tape_response_clear(memory->squares);
    tape_response_clear(memory->levels);
    tape_response_clear(memory->level_nodes);
    tape_response_clear(memory->erased);
    tape_response_clear(memory->bent);
    tape_response_clear(memory->once);
    tape_response_clear(memory->twice);
    tape_response_clear(memory->fresh);
    tape_response_clear(memory->narrow);
    tape_response_clear(memory->wide);
    long_filter_clear(&memory->post);
    oversampling_oversampler_clear(&memory->over);
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

/*
 * Add pairs of groups of equal taps, the first group at a distance of the middle; FRAME samples or fewer.
 *
 * ``sums[n]`` is that of the `width` samples that end with number n.
 */
INLINED void tape_response_add_groups(reals_1 sums, ix centre, ix first, ix width, reals_1 taps, reals_1 out)
{
    reals_1 older_groups = (reals_1){sums.at + centre - first - width * 7, sums.n0 - (centre - first - width *
        7)};
    reals_1 newer_groups = (reals_1){sums.at + centre + first + width - 1, sums.n0 - (centre + first + width -
        1)};
    const ix samples = smaller_integer(out.n0, TAPE_RESPONSE_FRAME);
    for (ix i = 0; i < samples; i++) {
        real total = out.at[i];
        for (ix k = 0; k < TAPE_RESPONSE_GROUPS; k++) {
            total += taps.at[k] * (older_groups.at[i + width * (7 - k)] + newer_groups.at[i + width * k]);
        }
        out.at[i] = total;
    }
}

/* High-pass, bass and treble of recording, in place. */
KERNEL void tape_response_record(ix channel, ix at, const TapeResponseMemory *memory, reals_1 audio)
{
    doubles_1 plan = memory->plan;
    doubles_1 state = (doubles_1){memory->slopes.at + channel * memory->slopes.n1, memory->slopes.n1};
    reals_1 line = (reals_1){memory->fresh.at + channel * memory->fresh.n1, memory->fresh.n1};
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
    reals_1 narrow = (reals_1){memory->narrow.at + channel * memory->narrow.n1, memory->narrow.n1};
    reals_1 wide = (reals_1){memory->wide.at + channel * memory->wide.n1, memory->wide.n1};
    reals_1 older = (reals_1){line.at + write - TAPE_RESPONSE_NARROW + 1, line.n0 - (write -
        TAPE_RESPONSE_NARROW + 1)};
    reals_1 sums = (reals_1){narrow.at + write, narrow.n0 - write};
    for (ix i = 0; i < count; i++) {
        real total = older.at[i];
        for (ix k = 1; k < TAPE_RESPONSE_NARROW; k++) {
            total += older.at[i + k];
        }
        sums.at[i] = total;
    }
    reals_1 fours = (reals_1){narrow.at + write - 24, narrow.n0 - (write - 24)};
    sums = (reals_1){wide.at + write, wide.n0 - write};
    for (ix i = 0; i < count; i++) {
        const real left = fours.at[i] + fours.at[i + TAPE_RESPONSE_NARROW];
        const real right = fours.at[i + 16] + fours.at[i + 24];
        sums.at[i] = left + right;
    }
    const ix centre = write - TAPE_RESPONSE_RECORD_HALF;
    reals_1 late = (reals_1){line.at + centre, line.n0 - centre};
    for (ix i = 0; i < count; i++) {
        audio.at[i] = memory->recording.at[0] * late.at[i];
    }
    long_filter_add_symmetric(line, centre, 1, (reals_1){memory->recording.at + 1, TAPE_RESPONSE_NARROW_AT -
        1}, audio);
    tape_response_add_groups(narrow, centre, TAPE_RESPONSE_NARROW_AT, TAPE_RESPONSE_NARROW,
        (reals_1){memory->recording.at + 25, memory->recording.n0 - 25}, audio);
    tape_response_add_groups(wide, centre, TAPE_RESPONSE_WIDE_AT, TAPE_RESPONSE_WIDE,
        (reals_1){memory->recording.at + 33, memory->recording.n0 - 33}, audio);
}

/* Write what a filter takes away: ``line`` less the line behind it; FRAME samples or fewer. */
KERNEL void tape_response_take(reals_1 line, ix centre, reals_1 taps, reals_1 out)
{
    const ix count = smaller_integer(out.n0, TAPE_RESPONSE_FRAME);
    reals_1 older = (reals_1){line.at + centre - TAPE_RESPONSE_ERASING_HALF, line.n0 - (centre -
        TAPE_RESPONSE_ERASING_HALF)};
    reals_1 newer = (reals_1){line.at + centre + 1, line.n0 - (centre + 1)};
    reals_1 middle = (reals_1){line.at + centre, line.n0 - centre};
    reals_1 part = (reals_1){taps.at + 1, taps.n0 - 1};
    const real rest = REAL(1.0) - taps.at[0];
    for (ix i = 0; i < count; i++) {
        real total = rest * middle.at[i];
        for (ix k = 0; k < TAPE_RESPONSE_ERASING_HALF; k++) {
            total -= part.at[k] * (older.at[i + (7 - k)] + newer.at[i + k]);
        }
        out.at[i] = total;
    }
}

/* Move what is kept to the front. */
KERNEL void tape_response_keep(reals_1 line, ix slack)
{
    for (ix i = 0; i < line.n0 - slack; i++) {
        line.at[i] = line.at[i + slack];
    }
}

/* Take the level, and make how much is erased in the next frame. */
KERNEL void tape_response_frame_level(ix channel, ix at, const TapeResponseMemory *memory)
{
    reals_1 squares = (reals_1){memory->squares.at + channel * memory->squares.n1, memory->squares.n1};
    reals_1 levels = (reals_1){memory->levels.at + channel * memory->levels.n1, memory->levels.n1};
    reals_1 nodes = (reals_1){memory->level_nodes.at + channel * memory->level_nodes.n1,
        memory->level_nodes.n1};
    const ix line_end = squares.n0 - TAPE_RESPONSE_SLACK + at;
    const ix end = levels.n0 - 256 + floor_division(at, TAPE_RESPONSE_STEP);
    const ix node_end = nodes.n0 - 256 + floor_division(at, TAPE_RESPONSE_STEP);
    const ix count = 16;
    long_filter_lower_rate(squares, line_end - TAPE_RESPONSE_FRAME + TAPE_RESPONSE_STEP - 1 -
        TAPE_RESPONSE_LOW_HALF, memory->lowering, (reals_1){levels.at + end - count, end - (end - count)});
    const ix centre = end - 40 + TAPE_RESPONSE_STEP;
    reals_1 fresh = (reals_1){nodes.at + node_end - count, node_end - (node_end - count)};
    for (ix i = 0; i < count; i++) {
        fresh.at[i] = memory->level_taps.at[0] * levels.at[centre + i];
    }
    long_filter_add_symmetric(levels, centre, 1, (reals_1){memory->level_taps.at + 1, memory->level_taps.n0 -
        1}, fresh);
    reals_1 erased = (reals_1){memory->erased.at + channel * memory->erased.n1, memory->erased.n1};
    long_filter_raise_rate(nodes, node_end - count - 8 - 1, memory->raising, erased);
    const real most = TAPE_RESPONSE_MOST_ERASING;
    for (ix i = 0; i < TAPE_RESPONSE_FRAME; i++) {
        erased.at[i] = smaller(larger(erased.at[i], REAL(0.0)), most);
    }
}

/* Erase, in place: the filter to the power of what is erased, as a series of what it takes away. */
KERNEL void tape_response_erase(ix channel, ix at, ix latency, const TapeResponseMemory *memory, reals_1
    audio)
{
    const ix count = smaller_integer(audio.n0, TAPE_RESPONSE_FRAME);
    reals_1 bent = (reals_1){memory->bent.at + channel * memory->bent.n1, memory->bent.n1};
    reals_1 once = (reals_1){memory->once.at + channel * memory->once.n1, memory->once.n1};
    reals_1 twice = (reals_1){memory->twice.at + channel * memory->twice.n1, memory->twice.n1};
    const ix write = bent.n0 - TAPE_RESPONSE_SLACK + at;
    for (ix i = 0; i < count; i++) {
        bent.at[write + i] = audio.at[i];
    }
    const ix delay = TAPE_RESPONSE_LEVEL_DELAY - latency;
    const ix centre = write - delay;
    if (memory->plan.at[TAPE_RESPONSE_ERASING] == 0.0) {
        for (ix i = 0; i < count; i++) {
            audio.at[i] = bent.at[centre + i];
        }
    } else {
        const ix fresh = write - TAPE_RESPONSE_ERASING_HALF;
        tape_response_take(bent, fresh, memory->erasing, (reals_1){once.at + write, write + count - write});
        tape_response_take(once, fresh, memory->erasing, (reals_1){twice.at + write, write + count - write});
        /* The third time at the moment that is let out, where the second is late by two halves. */
        reals_1 thrice = (reals_1){memory->work.at + 3 * memory->work.n1, count};
        tape_response_take(twice, centre + 16, memory->erasing, thrice);
        reals_1 erased = (reals_1){memory->erased.at + channel * memory->erased.n1, memory->erased.n1};
        const ix within = floor_remainder(at, TAPE_RESPONSE_FRAME);
        for (ix i = 0; i < count; i++) {
            const real r = erased.at[within + i];
            const real first = once.at[centre + TAPE_RESPONSE_ERASING_HALF + i];
            const real second = twice.at[centre + 16 + i];
            const real square = REAL(0.5) * r * (r - REAL(1.0));
            const real cube = square * (r - REAL(2.0)) * REAL(0x1.5555555555555p-2);
            real total = bent.at[centre + i];
            total -= r * first;
            total += square * second;
            total -= cube * thrice.at[i];
            audio.at[i] = total;
        }
    }
}

/* Pass samples through the tangent, in place: ``level * tanh(gain * x)``; one channel at the top rate. */
KERNEL void tape_response_saturate(ix count, real gain, real level, reals_2 high)
{
    for (ix row = 0; row < high.n0; row++) {
        reals_1 samples = (reals_1){high.at + row * high.n1 + TAPE_RESPONSE_HISTORY_HIGH,
            TAPE_RESPONSE_HISTORY_HIGH + count - TAPE_RESPONSE_HISTORY_HIGH};
        for (ix i = 0; i < count; i++) {
            samples.at[i] = level * drive_driven(gain * samples.at[i], REAL(0.0));
        }
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
    const Oversampler over = memory->over;
    const ix rows_per_base = oversampling_per_base((ix)over.plan.at[0]);
    const real gain = (real)plan.at[TAPE_RESPONSE_GAIN];
    const real level = (real)(1.0 / plan.at[TAPE_RESPONSE_GAIN]);
    const real erasing = (real)plan.at[TAPE_RESPONSE_ERASING];
    const ix latency = (ix)memory->state.at[TAPE_RESPONSE_LATENCY_OF_CURVE];
    ix done = 0;
    while (done < block.n1) {
        const ix at = (ix)memory->state.at[TAPE_RESPONSE_AT];
        const ix count = smaller_integer(block.n1 - done, TAPE_RESPONSE_FRAME - floor_remainder(at,
            TAPE_RESPONSE_FRAME));
        const bool full = floor_remainder(at + count, TAPE_RESPONSE_FRAME) == 0;
        for (ix channel = 0; channel < block.n0; channel++) {
            doubles_1 slopes = (doubles_1){memory->slopes.at + channel * memory->slopes.n1,
                memory->slopes.n1};
            reals_1 audio = (reals_1){memory->work.at, count};
            for (ix i = 0; i < count; i++) {
                audio.at[i] = block.at[channel * block.n1 + done + i];
            }
            tape_response_record(channel, at, memory, audio);
            reals_1 squares = (reals_1){memory->squares.at + channel * memory->squares.n1,
                memory->squares.n1};
            const ix write = squares.n0 - TAPE_RESPONSE_SLACK + at;
            for (ix i = 0; i < count; i++) {
                squares.at[write + i] = erasing * audio.at[i] * audio.at[i];
            }
            oversampling_rise(audio, channel, &over);
            tape_response_saturate(count * rows_per_base, gain, level, (reals_2){over.high.at + channel *
                over.high.n1 * over.high.n2, over.high.n1, over.high.n2});
            oversampling_fall_softly(channel, &over, audio);
            tape_response_erase(channel, at, latency, memory, audio);
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
                long_filter_frame(channel, at + count, &memory->post);
                if (erasing != REAL(0.0)) {
                    tape_response_frame_level(channel, at + count, memory);
                }
                if (at + count == TAPE_RESPONSE_SLACK) {
                    tape_response_keep((reals_1){memory->fresh.at + channel * memory->fresh.n1,
                        memory->fresh.n1}, TAPE_RESPONSE_SLACK);
                    tape_response_keep((reals_1){memory->narrow.at + channel * memory->narrow.n1,
                        memory->narrow.n1}, TAPE_RESPONSE_SLACK);
                    tape_response_keep((reals_1){memory->wide.at + channel * memory->wide.n1,
                        memory->wide.n1}, TAPE_RESPONSE_SLACK);
                    long_filter_keep(channel, &memory->post);
                    tape_response_keep((reals_1){memory->squares.at + channel * memory->squares.n1,
                        memory->squares.n1}, TAPE_RESPONSE_SLACK);
                    tape_response_keep((reals_1){memory->levels.at + channel * memory->levels.n1,
                        memory->levels.n1}, 256);
                    tape_response_keep((reals_1){memory->level_nodes.at + channel * memory->level_nodes.n1,
                        memory->level_nodes.n1}, 256);
                    tape_response_keep((reals_1){memory->bent.at + channel * memory->bent.n1,
                        memory->bent.n1}, TAPE_RESPONSE_SLACK);
                    tape_response_keep((reals_1){memory->once.at + channel * memory->once.n1,
                        memory->once.n1}, TAPE_RESPONSE_SLACK);
                    tape_response_keep((reals_1){memory->twice.at + channel * memory->twice.n1,
                        memory->twice.n1}, TAPE_RESPONSE_SLACK);
                }
            }
        }
        memory->state.at[TAPE_RESPONSE_AT] = (int64_t)(at + count == TAPE_RESPONSE_SLACK ? 0 : at + count);
        done += count;
    }
}
