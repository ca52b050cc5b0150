/* Generated from long_filter.py (9f926500356666a0); do not edit. SPDX-License-Identifier: ISC */

/*
 * A filter of linear phase over ten octaves: short filters at three rates, each an eighth of the one before.
 *
 * The fastest has the response from treble down to where its length ends, and a further group of taps on each side
 * for what comes early and late, as from the edges of a head. What it leaves of the response asked for, below a
 * third of the next rate, is the next one's target; so the sum of the three has the response asked for. The delay is
 * the same at all frequencies.
 *
 * Sound is worked on in frames of FRAME samples, on a grid of the tape; what the lower rates add to a
 * frame is made when it begins, so that blocks may be cut anywhere.
 */

#include "long_filter.h"

#define LONG_FILTER_FRAME 128
#define LONG_FILTER_SLACK 2048
#define LONG_FILTER_STEP 8
#define LONG_FILTER_SLOW_STEP 64
#define LONG_FILTER_LOW_HALF 64
#define LONG_FILTER_RAISE_NODES 16
#define LONG_FILTER_LOW_SHAPE REAL(10.0)
#define LONG_FILTER_AT_ONCE 8
#define LONG_FILTER_REACH REAL(0x1.147ae147ae148p-2)
#define LONG_FILTER_PASSED REAL(0x1.3333333333333p-2)
#define LONG_FILTER_BELOW_REACH REAL(0x1.a36e2eb1c432dp-14)
#define LONG_FILTER_FADED 48
#define LONG_FILTER_SIDE_AT 0
#define LONG_FILTER_MIDDLE_HALF 1
#define LONG_FILTER_SLOW_HALF 2
#define LONG_FILTER_DELAY 3
#define LONG_FILTER_PLAN 4
#define LONG_FILTER_MIDDLE_FRAME 16
#define LONG_FILTER_SLOW_FRAME 2
#define LONG_FILTER_FILTERED 17
#define LONG_FILTER_MIDDLE_SLACK 256
#define LONG_FILTER_SLOW_SLACK 32
#define LONG_FILTER_8 (ux)8
#define LONG_FILTER_LONG_FILTER_ARRAYS 13

/* Delay in samples: that of the slowest path, and it is one more than a multiple of 64. */
KERNEL ix long_filter_delay(ix fast_end, ix middle_half, ix slow_half)
{
    const ix slow = 1217 + LONG_FILTER_SLOW_STEP * slow_half;
    const ix middle = 249 + LONG_FILTER_STEP * middle_half;
    const ix longest = larger_integer(larger_integer(slow, middle), fast_end);
    return floor_division(longest - 1 + LONG_FILTER_SLOW_STEP - 1, LONG_FILTER_SLOW_STEP) *
        LONG_FILTER_SLOW_STEP + 1;
}

/* Samples of the input that are kept. */
KERNEL ix long_filter_kept_line(ix plan_delay, ix fast_end)
{
    return plan_delay + fast_end + 128;
}

/* Samples of an eighth of the rate that are kept. */
KERNEL ix long_filter_kept_middles(ix delay, ix middle_half)
{
    return floor_division(delay - 57, LONG_FILTER_STEP) + middle_half + 128 + LONG_FILTER_STEP;
}

/* Samples of a 64th of the rate that are kept. */
KERNEL ix long_filter_kept_slows(ix delay, ix slow_half)
{
    return floor_division(delay - 577, LONG_FILTER_SLOW_STEP) + slow_half + 32;
}

/*
 * Write the shapes of a :class:`LongFilter`.
 *
 * Parameters
 * ----------
 * fast_half, side : int
 *     Taps at the sample rate on one side of the middle, and of each side group; multiples of eight.
 * fast_end : int
 *     Distance from the middle at which they end.
 * middle_half, slow_half : int
 *     Half lengths of the slower filters, multiples of eight.
 * channels : int
 * first : int
 *     Row of the first array.
 * shapes : ndarray
 *     Gets the rows.
 */
KERNEL void long_filter_shapes(ix fast_half, ix side, ix fast_end, ix middle_half, ix slow_half, ix channels,
    ix first, int64s_2 shapes)
{
    for (ix row = first; row < first + LONG_FILTER_LONG_FILTER_ARRAYS; row++) {
        for (ix axis = 0; axis < 3; axis++) {
            shapes.at[row * shapes.n1 + axis] = INT64_C(1);
        }
    }
    const ix delay = long_filter_delay(fast_end, middle_half, slow_half);
    shapes.at[first * shapes.n1] = INT64_C(4);
    shapes.at[(first + 1) * shapes.n1] = (int64_t)(fast_half + 1);
    shapes.at[(first + 2) * shapes.n1] = (int64_t)side;
    shapes.at[(first + 3) * shapes.n1] = (int64_t)(middle_half + 1);
    shapes.at[(first + 4) * shapes.n1] = (int64_t)(slow_half + 1);
    shapes.at[(first + 5) * shapes.n1] = INT64_C(128);
    shapes.at[(first + 6) * shapes.n1] = INT64_C(16);
    shapes.at[(first + 6) * shapes.n1 + 1] = INT64_C(8);
    for (ix row = first + 7; row < first + LONG_FILTER_LONG_FILTER_ARRAYS; row++) {
        shapes.at[row * shapes.n1] = (int64_t)channels;
    }
    shapes.at[(first + 7) * shapes.n1 + 1] = (int64_t)(long_filter_kept_line(delay, fast_end) +
        LONG_FILTER_SLACK);
    shapes.at[(first + 8) * shapes.n1 + 1] = (int64_t)(long_filter_kept_middles(delay, middle_half) +
        LONG_FILTER_MIDDLE_SLACK);
    shapes.at[(first + 9) * shapes.n1 + 1] = (int64_t)(long_filter_kept_slows(delay, slow_half) +
        LONG_FILTER_SLOW_SLACK);
    shapes.at[(first + 10) * shapes.n1 + 1] = INT64_C(272);
    shapes.at[(first + 11) * shapes.n1 + 1] = INT64_C(17);
    shapes.at[(first + 12) * shapes.n1 + 1] = INT64_C(128);
}

/*
 * Design the filter between two rates: 100 dB from 0.7 of the lower rate on, flat to 0.3 of it.
 *
 * Parameters
 * ----------
 * lowpass : ndarray, shape (2 * LOW_HALF,)
 *     Gets the taps; the first is zero, so that the middle is the one of number LOW_HALF.
 * raising : ndarray, shape (16, 8)
 *     Gets the same taps for each phase, eight times as high.
 */
KERNEL void long_filter_design_lowpass(reals_1 lowpass, reals_2 raising)
{
    double distance = 0.0;
    double total = 0.0;
    const double width = 64.0;
    for (ix k = 0; k < 128; k++) {
        distance = (double)(k - LONG_FILTER_LOW_HALF);
        total += oversampling_windowed_sinc(distance, 0.0625, width, 10.0);
    }
    for (ix k = 0; k < 128; k++) {
        distance = 1.0 * (double)(k - LONG_FILTER_LOW_HALF);
        lowpass.at[k] = (real)(oversampling_windowed_sinc(distance, 0.0625, width, 10.0) / total);
    }
    for (ix phase = 0; phase < LONG_FILTER_STEP; phase++) {
        for (ix k = 0; k < LONG_FILTER_RAISE_NODES; k++) {
            distance = 1.0 * (double)(phase - LONG_FILTER_STEP * (k - 7));
            raising.at[k * raising.n1 + phase] = (real)(8.0 * oversampling_windowed_sinc(distance, 0.0625,
                width, 10.0) / total);
        }
    }
}

/* Window of a filter: 1 to half of its length, then a squared cosine to nothing. */
KERNEL double long_filter_taper(ix distance, ix half)
{
    const double place = (double)distance;
    const double u = smaller_double(larger_double((2.0 * place - (double)half) / ((double)half + 2.0), 0.0),
        1.0);
    return 0.5 + 0.5 * elementary_cosine_of_turns(0.5 * u);
}

/*
 * Tap of the symmetric filter that has these gains at the middles of equal parts of the band.
 *
 * The cosines are stepped from one to the next by the addition theorem.
 */
KERNEL double long_filter_symmetric_tap(doubles_1 gains, ix distance)
{
    const ix points = gains.n0;
    const double place = (double)distance;
    const double step = place / (2.0 * (double)points);
    const double twice = 2.0 * elementary_cosine_of_turns(step);
    double now = elementary_cosine_of_turns(0.5 * step);
    double before = now;
    double total = 0.0;
    for (ix i = 0; i < points; i++) {
        total += gains.at[i] * now;
        const double following = twice * now - before;
        before = now;
        now = following;
    }
    return total / (double)points;
}

/* Response of pairs of taps, the first at a distance from the middle, at a frequency in turns per number. */
KERNEL double long_filter_pair_response(reals_1 taps, ix first, double turns)
{
    const double start = (double)first;
    const double twice = 2.0 * elementary_cosine_of_turns(turns);
    double now = elementary_cosine_of_turns(turns * start);
    double before = elementary_cosine_of_turns(turns * (start - 1.0));
    double total = 0.0;
    for (ix k = 0; k < taps.n0; k++) {
        total += (double)taps.at[k] * now;
        const double following = twice * now - before;
        before = now;
        now = following;
    }
    return 2.0 * total;
}

/* Response of the filter at the sample rate, side taps included, at a frequency in turns per sample. */
KERNEL double long_filter_fast_response(const LongFilter *rates, double turns)
{
    double value = (double)rates->fast.at[0] + long_filter_pair_response((reals_1){rates->fast.at + 1,
        rates->fast.n0 - 1}, 1, turns);
    if (rates->plan.at[LONG_FILTER_SIDE_AT] > INT64_C(0)) {
        value += long_filter_pair_response(rates->side, (ix)rates->plan.at[LONG_FILTER_SIDE_AT], turns);
    }
    return value;
}

/*
 * Fit the taps at the sample rate to a response by least squares of its relative error.
 *
 * Parameters
 * ----------
 * side_at : int
 *     Distance at which the side groups begin; 0 for none.
 * gains : ndarray
 *     The response at the middles of equal parts of the band.
 * below : float
 *     Weight of what the next rate corrects.
 * fit : ndarray, shape (taps + 2, taps)
 *     Normal equations, right-hand side and cosines.
 * fast, side : ndarray
 *     Get the taps.
 */
KERNEL void long_filter_fit_fast(ix side_at, doubles_1 gains, double below, doubles_2 fit, reals_1 fast,
    reals_1 side)
{
    const ix all_taps = fast.n0 + side.n0;
    const ix half = fast.n0 - 1;
    doubles_2 matrix = (doubles_2){fit.at, all_taps, fit.n1};
    doubles_1 right = (doubles_1){fit.at + all_taps * fit.n1, fit.n1};
    doubles_1 cosines = (doubles_1){fit.at + (all_taps + 1) * fit.n1, fit.n1};
    const ix unknowns = side_at > 0 ? all_taps : fast.n0;
    for (ix row = 0; row < all_taps; row++) {
        right.at[row] = 0.0;
        for (ix column = 0; column < all_taps; column++) {
            matrix.at[row * matrix.n1 + column] = 0.0;
        }
    }
    const ix points = gains.n0;
    for (ix i = 0; i < points; i++) {
        const double turns = ((double)i + 0.5) / (2.0 * (double)points);
        const double twice = 2.0 * elementary_cosine_of_turns(turns);
        cosines.at[0] = 1.0;
        cosines.at[1] = twice;
        double before = 2.0;
        for (ix n = 2; n < half + 1; n++) {
            cosines.at[n] = twice * cosines.at[n - 1] - before;
            before = cosines.at[n - 1];
        }
        if (side_at > 0) {
            const double place = (double)side_at;
            double now = 2.0 * elementary_cosine_of_turns(turns * place);
            before = 2.0 * elementary_cosine_of_turns(turns * (place - 1.0));
            for (ix n = half + 1; n < unknowns; n++) {
                cosines.at[n] = now;
                const double following = twice * now - before;
                before = now;
                now = following;
            }
        }
        double weight = 1.0 / (gains.at[i] * gains.at[i] + 0x1.0c6f7a0b5ed8dp-20);
        if (turns * 8.0 < 0x1.147ae147ae148p-2) {
            weight = below * weight;
        }
        for (ix row = 0; row < unknowns; row++) {
            const double part = weight * cosines.at[row];
            right.at[row] += part * gains.at[i];
            for (ix column = row; column < unknowns; column++) {
                matrix.at[row * matrix.n1 + column] += part * cosines.at[column];
            }
        }
    }
    for (ix row = 0; row < unknowns; row++) {
        for (ix column = 0; column < row; column++) {
            matrix.at[row * matrix.n1 + column] = matrix.at[column * matrix.n1 + row];
        }
    }
    for (ix row = unknowns; row < all_taps; row++) {
        matrix.at[row * matrix.n1 + row] = 1.0;
    }
    small_systems_factorise(matrix);
    small_systems_solve_factorised(matrix, right);
    for (ix n = 0; n < half + 1; n++) {
        fast.at[n] = (real)right.at[n];
    }
    for (ix n = 0; n < side.n0; n++) {
        side.at[n] = (real)right.at[half + 1 + n];
    }
}

/*
 * Design the filters for a response, which is given at the middles of equal parts of the band of each rate.
 *
 * Parameters
 * ----------
 * side_at : int
 *     Distance at which the side groups begin, beyond the taps round the middle; 0 for none.
 * middle_half, slow_half : int
 *     Half lengths of the slower filters, multiples of eight.
 * fast_gains, middle_gains, slow_gains : ndarray
 *     The response, to half of each rate; the two slower ones are used up.
 * fit : ndarray, shape (taps + 2, taps)
 *     Scratch, for all taps at the sample rate.
 * rates : LongFilter
 *     Gets all taps.
 */
KERNEL void long_filter_design(ix side_at, ix middle_half, ix slow_half, doubles_1 fast_gains, doubles_1
    middle_gains, doubles_1 slow_gains, doubles_2 fit, const LongFilter *rates)
{
    double turns = 0.0;
    double left = 0.0;
    rates->plan.at[LONG_FILTER_SIDE_AT] = (int64_t)side_at;
    rates->plan.at[LONG_FILTER_MIDDLE_HALF] = (int64_t)middle_half;
    rates->plan.at[LONG_FILTER_SLOW_HALF] = (int64_t)slow_half;
    const ix fast_end = larger_integer(rates->fast.n0 - 1, side_at + rates->side.n0);
    rates->plan.at[LONG_FILTER_DELAY] = (int64_t)long_filter_delay(fast_end, middle_half, slow_half);
    long_filter_design_lowpass(rates->lowpass, rates->raising);
    const double below = 0x1.a36e2eb1c432dp-14;
    long_filter_fit_fast(side_at, fast_gains, below, fit, rates->fast, rates->side);
    ix points = middle_gains.n0;
    for (ix i = 0; i < points; i++) {
        turns = ((double)i + 0.5) / (2.0 * (double)points);
        left = middle_gains.at[i] - long_filter_fast_response(rates, turns / 8.0);
        middle_gains.at[i] = left * elementary_fade(turns, 0x1.3333333333333p-2, 0x1.147ae147ae148p-2);
    }
    for (ix n = 0; n < middle_half + 1; n++) {
        double window = 1.0;
        if (n > middle_half - LONG_FILTER_FADED) {
            window = long_filter_taper(n - (middle_half - LONG_FILTER_FADED) + 24, 72);
        }
        rates->middle.at[n] = (real)(long_filter_symmetric_tap(middle_gains, n) * window);
    }
    points = slow_gains.n0;
    for (ix i = 0; i < points; i++) {
        turns = ((double)i + 0.5) / (2.0 * (double)points);
        left = slow_gains.at[i] - long_filter_fast_response(rates, turns / 64.0);
        left -= (double)rates->middle.at[0] + long_filter_pair_response((reals_1){rates->middle.at + 1,
            rates->middle.n0 - 1}, 1, turns / 8.0);
        slow_gains.at[i] = left * elementary_fade(turns, 0x1.3333333333333p-2, 0x1.147ae147ae148p-2);
    }
    for (ix n = 0; n < slow_half + 1; n++) {
        rates->slow.at[n] = (real)(long_filter_symmetric_tap(slow_gains, n) * long_filter_taper(n,
            slow_half));
    }
}

/* Forget all sound. */
KERNEL void long_filter_clear(const LongFilter *rates)
{
    kept_rows_clear_rows(rates->line);
    kept_rows_clear_rows(rates->middles);
    kept_rows_clear_rows(rates->slows);
    kept_rows_clear_rows(rates->nodes);
    kept_rows_clear_rows(rates->filtered);
    kept_rows_clear_rows(rates->added);
}

/*
 * Add pairs of taps: ``out[i] += taps[k] * (line[centre + i - first - k] + line[centre + i + first + k])``.
 *
 * Parameters
 * ----------
 * line : ndarray, shape (samples,)
 *     Input.
 * centre : int
 *     Place of the middle for the first output.
 * first : int
 *     Distance of the first pair.
 * taps : ndarray, shape (pairs,)
 *     A multiple of eight.
 * out : ndarray, shape (FRAME or fewer,)
 *     Output.
 */
KERNEL void long_filter_add_symmetric(reals_1 line, ix centre, ix first, reals_1 taps, reals_1 out)
{
    const ix count = smaller_integer(out.n0, LONG_FILTER_FRAME);
    for (ix k0 = 0; k0 < taps.n0; k0 += 8) {
        reals_1 part = (reals_1){taps.at + k0, k0 + LONG_FILTER_AT_ONCE - k0};
        reals_1 older = (reals_1){line.at + centre - first - k0 - LONG_FILTER_AT_ONCE + 1, line.n0 - (centre -
            first - k0 - LONG_FILTER_AT_ONCE + 1)};
        reals_1 newer = (reals_1){line.at + centre + first + k0, line.n0 - (centre + first + k0)};
        for (ix i = 0; i < count; i++) {
            real total = out.at[i];
            for (ix k = 0; k < LONG_FILTER_AT_ONCE; k++) {
                total += part.at[k] * (older.at[i + (7 - k)] + newer.at[i + k]);
            }
            out.at[i] = total;
        }
    }
}

/*
 * Take every eighth number behind a filter, whose middle tap stands behind half of them.
 *
 * ``out[i]`` has its middle at ``line[first + 8 * i]``; a multiple of eight taps.
 */
KERNEL void long_filter_lower_rate(reals_1 line, ix first, reals_1 lowpass, reals_1 out)
{
    const ix start = first - floor_division(lowpass.n0, 2);
    for (ix i = 0; i < out.n0; i++) {
        out.at[i] = dot_products_dot_product(lowpass, line, start + LONG_FILTER_STEP * i);
    }
}

/*
 * Write eight numbers for each, of as many as fit into `out`.
 *
 * Parameters
 * ----------
 * low : ndarray, shape (numbers,)
 *     Input.
 * first : int
 *     Number that the first tap multiplies for ``out[0]``, which lies half the taps less one further.
 * raising : ndarray, shape (taps, 8)
 *     Taps for each phase.
 * out : ndarray, shape (8 * count,)
 *     Output.
 */
KERNEL void long_filter_raise_rate(reals_1 low, ix first, reals_2 raising, reals_1 out)
{
    const ux base = (ux)first;
    for (ux i = (ux)0; i < (ux)floor_division(out.n0, LONG_FILTER_STEP); i++) {
        real phases_lanes[8] = {0};
        const reals_1 phases = {phases_lanes, 8};
        for (ux k = (ux)0; k < (ux)raising.n0; k++) {
            const real value = low.at[(ix)base + (ix)i + (ix)k];
            IN_LANES
            for (ux phase = (ux)0; phase < LONG_FILTER_8; phase++) {
                phases.at[(ix)phase] += raising.at[(ix)k * raising.n1 + (ix)phase] * value;
            }
        }
        for (ux phase = (ux)0; phase < LONG_FILTER_8; phase++) {
            out.at[(ix)(LONG_FILTER_8 * i) + (ix)phase] = phases.at[(ix)phase];
        }
    }
}

/* Move what is kept of a channel to the front, when SLACK samples have been written. */
KERNEL void long_filter_keep(ix channel, const LongFilter *rates)
{
    kept_rows_move_to_front((reals_1){rates->line.at + channel * rates->line.n1, rates->line.n1},
        LONG_FILTER_SLACK);
    kept_rows_move_to_front((reals_1){rates->middles.at + channel * rates->middles.n1, rates->middles.n1},
        LONG_FILTER_MIDDLE_SLACK);
    kept_rows_move_to_front((reals_1){rates->slows.at + channel * rates->slows.n1, rates->slows.n1},
        LONG_FILTER_SLOW_SLACK);
    kept_rows_move_to_front((reals_1){rates->nodes.at + channel * rates->nodes.n1, rates->nodes.n1},
        LONG_FILTER_MIDDLE_SLACK);
}

/*
 * Filter samples of a channel within a frame.
 *
 * Parameters
 * ----------
 * channel : int
 * at : int
 *     Samples written since what is kept was moved.
 * fresh : ndarray, shape (FRAME or fewer,)
 *     Input.
 * rates : LongFilter
 *     Changed in place.
 * out : ndarray, shape of `fresh`
 *     Gets the output; may be `fresh` itself.
 */
KERNEL void long_filter_run(ix channel, ix at, reals_1 fresh, const LongFilter *rates, reals_1 out)
{
    const ix count = smaller_integer(fresh.n0, LONG_FILTER_FRAME);
    reals_1 line = (reals_1){rates->line.at + channel * rates->line.n1, rates->line.n1};
    const ix write = line.n0 - LONG_FILTER_SLACK + at;
    for (ix i = 0; i < count; i++) {
        line.at[write + i] = fresh.at[i];
    }
    const ix centre = write - (ix)rates->plan.at[LONG_FILTER_DELAY];
    const ix within = floor_remainder(at, LONG_FILTER_FRAME);
    for (ix i = 0; i < count; i++) {
        out.at[i] = rates->added.at[channel * rates->added.n1 + within + i] + rates->fast.at[0] *
            line.at[centre + i];
    }
    long_filter_add_symmetric(line, centre, 1, (reals_1){rates->fast.at + 1, rates->fast.n0 - 1}, out);
    if (rates->plan.at[LONG_FILTER_SIDE_AT] > INT64_C(0)) {
        long_filter_add_symmetric(line, centre, (ix)rates->plan.at[LONG_FILTER_SIDE_AT], rates->side, out);
    }
}

/*
 * Make what the lower rates add to the next frame, when one is full.
 *
 * Parameters
 * ----------
 * channel : int
 * at : int
 *     Samples written since what is kept was moved: a multiple of FRAME, not zero.
 * rates : LongFilter
 *     Changed in place.
 */
KERNEL void long_filter_frame(ix channel, ix at, const LongFilter *rates)
{
    const ix delay = (ix)rates->plan.at[LONG_FILTER_DELAY];
    reals_1 line = (reals_1){rates->line.at + channel * rates->line.n1, rates->line.n1};
    reals_1 middles = (reals_1){rates->middles.at + channel * rates->middles.n1, rates->middles.n1};
    reals_1 slows = (reals_1){rates->slows.at + channel * rates->slows.n1, rates->slows.n1};
    reals_1 nodes = (reals_1){rates->nodes.at + channel * rates->nodes.n1, rates->nodes.n1};
    const ix line_end = line.n0 - LONG_FILTER_SLACK + at;
    const ix middle_end = middles.n0 - LONG_FILTER_MIDDLE_SLACK + floor_division(at, LONG_FILTER_STEP);
    const ix slow_end = slows.n0 - LONG_FILTER_SLOW_SLACK + floor_division(at, LONG_FILTER_SLOW_STEP);
    const ix node_end = nodes.n0 - LONG_FILTER_MIDDLE_SLACK + floor_division(at, LONG_FILTER_STEP);
    reals_1 fresh_middles = (reals_1){middles.at + middle_end - LONG_FILTER_MIDDLE_FRAME, middle_end -
        (middle_end - LONG_FILTER_MIDDLE_FRAME)};
    long_filter_lower_rate(line, line_end - LONG_FILTER_FRAME + LONG_FILTER_STEP - 1 - LONG_FILTER_LOW_HALF,
        rates->lowpass, fresh_middles);
    reals_1 fresh_slows = (reals_1){slows.at + slow_end - LONG_FILTER_SLOW_FRAME, slow_end - (slow_end -
        LONG_FILTER_SLOW_FRAME)};
    long_filter_lower_rate(middles, middle_end - LONG_FILTER_MIDDLE_FRAME + LONG_FILTER_STEP - 1 -
        LONG_FILTER_LOW_HALF, rates->lowpass, fresh_slows);
    reals_1 filtered = (reals_1){rates->filtered.at + channel * rates->filtered.n1, rates->filtered.n1};
    for (ix i = 0; i < 15; i++) {
        filtered.at[i] = filtered.at[i + LONG_FILTER_SLOW_FRAME];
    }
    ix centre = slow_end - floor_division(delay - 577, LONG_FILTER_SLOW_STEP) - 7 + LONG_FILTER_RAISE_NODES -
        1;
    reals_1 fresh = (reals_1){filtered.at + 15, filtered.n0 - 15};
    for (ix i = 0; i < LONG_FILTER_SLOW_FRAME; i++) {
        fresh.at[i] = rates->slow.at[0] * slows.at[centre + i];
    }
    long_filter_add_symmetric(slows, centre, 1, (reals_1){rates->slow.at + 1, rates->slow.n0 - 1}, fresh);
    reals_1 fresh_nodes = (reals_1){nodes.at + node_end - LONG_FILTER_MIDDLE_FRAME, node_end - (node_end -
        LONG_FILTER_MIDDLE_FRAME)};
    long_filter_raise_rate(filtered, 0, rates->raising, fresh_nodes);
    centre = middle_end - floor_division(delay - 57, LONG_FILTER_STEP) + LONG_FILTER_STEP;
    for (ix i = 0; i < LONG_FILTER_MIDDLE_FRAME; i++) {
        fresh_nodes.at[i] += rates->middle.at[0] * middles.at[centre + i];
    }
    long_filter_add_symmetric(middles, centre, 1, (reals_1){rates->middle.at + 1, rates->middle.n0 - 1},
        fresh_nodes);
    long_filter_raise_rate(nodes, node_end - LONG_FILTER_MIDDLE_FRAME - LONG_FILTER_RAISE_NODES + 1,
        rates->raising, (reals_1){rates->added.at + channel * rates->added.n1, rates->added.n1});
}
