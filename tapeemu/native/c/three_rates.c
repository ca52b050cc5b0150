/* Generated from three_rates.py (8f7c3a8f1a8ef442); do not edit. SPDX-License-Identifier: ISC */

/*
 * Filters linear in phase that resolve lows as finely as a law of wavelengths needs, at little work.
 *
 * What is heard of a neighbour on the tape, an echo or the track beside, follows a law of ``|k|``, the wave number:
 * it has a corner at 0 Hz, so its impulse response is long, but only in the lowest octaves. So the filter works at
 * three rates, each an eighth of the one before, as the hiss of :mod:`tapeemu.dsp.kernels.tape_noise` does. A filter
 * takes what lies above the reach of the next one, which gets what is left as its law: their sum is the law asked
 * for.
 *
 * The taps are those of least squares, by the relative error from 20 Hz on. What is not heard below may go its own
 * way, and so 50 ms of taps are enough for a law that falls within a few Hz.
 *
 * Sound is filtered in hops of 64 samples, which lie on a fixed grid of the tape: the cut of the input cannot matter,
 * and the lower rates are those of the tape.
 */

#include "three_rates.h"

#define THREE_RATES_HOP 64
#define THREE_RATES_POINTS 512
#define THREE_RATES_STEP 8
#define THREE_RATES_HOPS 32
#define THREE_RATES_HALF_FAST 64
#define THREE_RATES_HALF_MIDDLE 96
#define THREE_RATES_HALF_SLOW_SECONDS REAL(0x1.999999999999ap-5)
#define THREE_RATES_RAISE_TAPS 12
#define THREE_RATES_LOWER_TAPS 95
#define THREE_RATES_LOWER_HALF 47
#define THREE_RATES_PI REAL(0x1.921fb54442d18p+1)
#define THREE_RATES_KAISER REAL(0x1.b0a3d70a3d70ap+2)
#define THREE_RATES_BEGIN REAL(0x1.999999999999ap-5)
#define THREE_RATES_REACH REAL(0x1.147ae147ae148p-2)
#define THREE_RATES_END REAL(0x1.47ae147ae147bp-2)
#define THREE_RATES_FLAT REAL(0x1.4cccccccccccdp-1)
#define THREE_RATES_HEARD_HZ REAL(20.0)
#define THREE_RATES_FREE REAL(0x1.0624dd2f1a9fcp-9)
#define THREE_RATES_FAINT REAL(0x1.eb851eb851eb8p-6)
#define THREE_RATES_DAMPING REAL(0x1.5fd7fe1796495p-37)
#define THREE_RATES_HOP_OF_LINE 0
#define THREE_RATES_1 (ux)1
#define THREE_RATES_2 (ux)2
#define THREE_RATES_3 (ux)3
#define THREE_RATES_EIGHT (ux)8

/* Half length of the filter at the slowest rate: 50 ms. */
KERNEL ix three_rates_half_slow(double sample_rate)
{
    return 4 * larger_integer(6, (ix)(0x1.999999999999ap-7 * sample_rate / 64.0 + 0.5));
}

/* Samples by which the response reaches to either side. */
KERNEL ix three_rates_half(double sample_rate)
{
    return 864 + THREE_RATES_HOP * three_rates_half_slow(sample_rate);
}

/* Samples by which the output of a hop, given out during the next, is late. */
KERNEL ix three_rates_latency(double sample_rate)
{
    return THREE_RATES_HOP * (13 + three_rates_half_slow(sample_rate)) + 48;
}

/* Columns of the line that lie before the next hop's, at least; a line has 2048 more. */
KERNEL ix three_rates_past_columns(double sample_rate)
{
    return THREE_RATES_HOP * (12 + three_rates_half_slow(sample_rate)) + 48 + THREE_RATES_HALF_FAST;
}

/* Columns at an eighth of the rate that lie before the next hop, at least. */
KERNEL ix three_rates_past_of_middles(double sample_rate)
{
    return THREE_RATES_STEP * (12 + three_rates_half_slow(sample_rate)) + THREE_RATES_HALF_MIDDLE;
}

/* Numbers that the design works with: a system of as many unknowns as half the longest filter has. */
KERNEL ix three_rates_work(double sample_rate)
{
    const ix unknowns = larger_integer(three_rates_half_slow(sample_rate), THREE_RATES_HALF_MIDDLE) + 1;
    return unknowns * unknowns + 3 * unknowns;
}

/*
 * Write the shapes of the arrays of :class:`ThreeRates`, from a row on.
 *
 * Returns
 * -------
 * int
 *     The row after the last one.
 */
KERNEL ix three_rates_shapes(double sample_rate, ix channels, int64s_2 shapes, ix row)
{
    const ix half = three_rates_half_slow(sample_rate);
    row = memory_shapes_shape_row(1, 1, shapes, row);
    row = memory_shapes_shape_row(129, 1, shapes, row);
    row = memory_shapes_shape_row(193, 1, shapes, row);
    row = memory_shapes_shape_row(2 * half + 1, 1, shapes, row);
    row = memory_shapes_shape_row(THREE_RATES_RAISE_TAPS, THREE_RATES_STEP, shapes, row);
    row = memory_shapes_shape_row(THREE_RATES_LOWER_TAPS, 1, shapes, row);
    row = memory_shapes_shape_row(channels, three_rates_past_columns(sample_rate) + 2048, shapes, row);
    row = memory_shapes_shape_row(channels, three_rates_past_of_middles(sample_rate) + 256, shapes, row);
    row = memory_shapes_shape_row(channels, 2 * half + THREE_RATES_HOPS, shapes, row);
    row = memory_shapes_shape_row(channels, 44, shapes, row);
    row = memory_shapes_shape_row(channels, 268, shapes, row);
    return memory_shapes_shape_row(3, THREE_RATES_POINTS, shapes, row);
}

/* Frequency of a point of a law, in turns per sample of the fastest rate. */
KERNEL double three_rates_point_turns(ix level, ix point)
{
    real turns = (real)(((double)point + 0.5) * 0.5 / 512.0);
    for (ix _ = 0; _ < level; _++) {
        turns = turns / REAL(8.0);
    }
    return (double)turns;
}

/* Window at a place from 0, the middle, to 1, the end: flat, then a raised cosine. */
KERNEL double three_rates_window(double x)
{
    return 1.0 - elementary_fade(x, 0x1.4cccccccccccdp-1, 1.0);
}

/* Taps that raise and lower a rate: a sinc under a Kaiser window. */
KERNEL void three_rates_design_rates(const ThreeRates *filters)
{
    const double whole = elementary_bessel_i0(0x1.b0a3d70a3d70ap+2);
    for (ix phase = 0; phase < THREE_RATES_STEP; phase++) {
        double total = 0.0;
        for (ix k = 0; k < THREE_RATES_RAISE_TAPS; k++) {
            const double away = (double)(k - 5) - (double)phase / 8.0;
            const double inside = larger_double(1.0 - away / 6.0 * (away / 6.0), 0.0);
            double value = elementary_bessel_i0(0x1.b0a3d70a3d70ap+2 * square_root_double(inside)) / whole;
            if (away != 0.0) {
                value = value * elementary_sine_of_turns(0.5 * away) / (0x1.921fb54442d18p+1 * away);
            }
            filters->raising.at[k * filters->raising.n1 + phase] = (real)value;
            total += value;
        }
        for (ix k = 0; k < THREE_RATES_RAISE_TAPS; k++) {
            filters->raising.at[k * filters->raising.n1 + phase] = (real)((double)filters->raising.at[k *
                filters->raising.n1 + phase] / total);
        }
    }
    for (ix phase = 0; phase < THREE_RATES_STEP; phase++) {
        for (ix k = 0; k < THREE_RATES_RAISE_TAPS; k++) {
            const ix place = THREE_RATES_LOWER_HALF + THREE_RATES_STEP * (k - 5) - phase;
            if (place < THREE_RATES_LOWER_TAPS) {
                filters->lowering.at[place] = filters->raising.at[k * filters->raising.n1 + phase] /
                    REAL(8.0);
            }
        }
    }
}

/* Response of symmetric taps at a frequency in turns per sample of their rate. */
KERNEL double three_rates_gain(reals_1 taps, double turns)
{
    const ix half = floor_division(taps.n0, 2);
    const double twice = 2.0 * elementary_cosine_of_turns(turns);
    double cosine = 0.5 * twice;
    double before = 1.0;
    double total = (double)taps.at[half];
    for (ix n = 1; n < half + 1; n++) {
        total += 2.0 * (double)taps.at[half + n] * cosine;
        const double following = twice * cosine - before;
        before = cosine;
        cosine = following;
    }
    return total;
}

/* What a change of the rate by eight does, at a frequency in turns per sample of the faster rate. */
KERNEL double three_rates_gain_of_rate(reals_1 lowering, double turns)
{
    return three_rates_gain(lowering, turns);
}

/*
 * Add a point of a law to the sums of least squares.
 *
 * Parameters
 * ----------
 * turns : float
 *     Frequency, in turns per sample of the filter's rate.
 * made : float
 *     What changes of the rate make of the filter's response there.
 * weight, law : float
 *     Weight of the error there, and the response that is wanted.
 * unknowns : int
 *     Taps from the middle on.
 * work : ndarray
 *     Behind the place of the matrix, sums that make it up, then the right-hand side.
 */
KERNEL void three_rates_add_point(double turns, double made, double weight, double law, ix unknowns, doubles_1
    work)
{
    doubles_1 sums = (doubles_1){work.at + unknowns * unknowns, work.n0 - unknowns * unknowns};
    doubles_1 right = (doubles_1){work.at + unknowns * unknowns + 2 * unknowns, work.n0 - (unknowns * unknowns
        + 2 * unknowns)};
    const double weighted = weight * made;
    const double square = weighted * weighted;
    const double side = weighted * weight * law;
    for (ix n = 0; n < 2 * unknowns - 1; n++) {
        const double cosine = elementary_cosine_of_turns((double)n * turns);
        sums.at[n] += square * cosine;
        if (n < unknowns) {
            right.at[n] += side * cosine;
        }
    }
}

/* Write the symmetric taps that the sums of least squares lead to. */
KERNEL void three_rates_solve_taps(doubles_1 work, reals_1 taps)
{
    const ix half = floor_division(taps.n0, 2);
    const ix unknowns = half + 1;
    doubles_1 sums = (doubles_1){work.at + unknowns * unknowns, work.n0 - unknowns * unknowns};
    doubles_1 right = (doubles_1){work.at + unknowns * unknowns + 2 * unknowns, work.n0 - (unknowns * unknowns
        + 2 * unknowns)};
    double trace = 0.0;
    for (ix row = 0; row < unknowns; row++) {
        if (row > 0) {
            right.at[row] = 2.0 * right.at[row];
        }
        for (ix column = 0; column < row + 1; column++) {
            /* Two cosines make one of the difference and one of the sum; all taps but the middle one are pairs. */
            double value = 2.0 * (sums.at[row - column] + sums.at[row + column]);
            if (row == 0) {
                value = 0.5 * value;
            }
            if (column == 0) {
                value = 0.5 * value;
            }
            work.at[row * unknowns + column] = value;
        }
        trace += work.at[row * unknowns + row];
    }
    for (ix row = 0; row < unknowns; row++) {
        work.at[row * unknowns + row] += 0x1.5fd7fe1796495p-37 * trace / (double)unknowns;
    }
    small_systems_factorise_rows(unknowns, work);
    small_systems_solve_rows(unknowns, work, right);
    for (ix n = 0; n < unknowns; n++) {
        taps.at[half + n] = (real)right.at[n];
        taps.at[half - n] = (real)right.at[n];
    }
}

/* Fit the filter at the sample rate. */
KERNEL void three_rates_fit_fast(doubles_2 laws, double faint, reals_1 taps, doubles_1 work)
{
    const ix unknowns = floor_division(taps.n0, 2) + 1;
    for (ix i = 0; i < work.n0; i++) {
        work.at[i] = 0.0;
    }
    for (ix i = 0; i < THREE_RATES_POINTS; i++) {
        const double turns = three_rates_point_turns(0, i);
        const double weight = larger_double(elementary_fade(turns, 0x1.147ae147ae148p-5,
            0x1.47ae147ae147bp-5), 0x1.0624dd2f1a9fcp-9) / (magnitude_double(laws.at[i]) + faint);
        const double law = laws.at[i] * elementary_fade(turns, 0x1.999999999999ap-8, 0x1.147ae147ae148p-5);
        three_rates_add_point(turns, 1.0, weight, law, unknowns, work);
    }
    three_rates_solve_taps(work, taps);
}

/* Fit the filter at an eighth of the rate, to what the one above leaves. */
KERNEL void three_rates_fit_middle(const ThreeRates *filters, double faint, doubles_1 work)
{
    doubles_2 laws = filters->laws;
    const ix unknowns = floor_division(filters->middle.n0, 2) + 1;
    for (ix i = 0; i < work.n0; i++) {
        work.at[i] = 0.0;
    }
    for (ix i = 0; i < THREE_RATES_POINTS; i++) {
        const double turns = three_rates_point_turns(1, i);
        const double once = three_rates_gain_of_rate(filters->lowering, turns);
        const double left = (laws.at[1 * laws.n1 + i] - three_rates_gain(filters->fast, turns)) * (1.0 -
            elementary_fade(turns, 0x1.147ae147ae148p-5, 0x1.47ae147ae147bp-5));
        const double weight = larger_double(elementary_fade(turns, 0x1.147ae147ae148p-8,
            0x1.47ae147ae147bp-8), 0x1.0624dd2f1a9fcp-9) / (magnitude_double(laws.at[1 * laws.n1 + i]) +
            faint);
        const double law = left * elementary_fade(turns, 0x1.999999999999ap-11, 0x1.147ae147ae148p-8);
        three_rates_add_point(8.0 * turns, once * once, weight, law, unknowns, work);
    }
    three_rates_solve_taps(work, filters->middle);
}

/* Fit the filter at the slowest rate, to what both above leave. */
KERNEL void three_rates_fit_slow(const ThreeRates *filters, double sample_rate, double faint, doubles_1 work)
{
    doubles_2 laws = filters->laws;
    const ix unknowns = floor_division(filters->slow.n0, 2) + 1;
    for (ix i = 0; i < work.n0; i++) {
        work.at[i] = 0.0;
    }
    for (ix i = 0; i < THREE_RATES_POINTS; i++) {
        const double turns = three_rates_point_turns(2, i);
        const double once = three_rates_gain_of_rate(filters->lowering, turns);
        const double twice = once * three_rates_gain_of_rate(filters->lowering, 8.0 * turns);
        double left = laws.at[2 * laws.n1 + i] - three_rates_gain(filters->fast, turns) -
            three_rates_gain(filters->middle, 8.0 * turns) * once * once;
        left = left * (1.0 - elementary_fade(turns, 0x1.147ae147ae148p-8, 0x1.47ae147ae147bp-8));
        const double weight = larger_double(elementary_fade(turns * sample_rate, 10.0, 20.0),
            0x1.0624dd2f1a9fcp-9) / (magnitude_double(laws.at[2 * laws.n1 + i]) + faint);
        three_rates_add_point(64.0 * turns, twice * twice, weight, left, unknowns, work);
    }
    three_rates_solve_taps(work, filters->slow);
}

/* Make a filter that lets nothing pass. */
KERNEL void three_rates_silence(reals_1 taps)
{
    for (ix n = 0; n < taps.n0; n++) {
        taps.at[n] = REAL(0.0);
    }
}

/*
 * Design the filters for the law in ``filters.laws``.
 *
 * Parameters
 * ----------
 * filters : ThreeRates
 *     ``laws[level, point]`` is the response, real and the same for negative frequencies, at
 *     ``point_turns(level, point)``.
 * sample_rate : float
 *     Samples per second.
 * work : ndarray, shape (three_rates_work(sample_rate),)
 *     Scratch.
 */
KERNEL void design_three_rates(const ThreeRates *filters, double sample_rate, doubles_1 work)
{
    doubles_2 laws = filters->laws;
    three_rates_design_rates(filters);
    double most = 0.0;
    for (ix level = 0; level < 3; level++) {
        for (ix i = 0; i < THREE_RATES_POINTS; i++) {
            most = larger_double(most, magnitude_double(laws.at[level * laws.n1 + i]));
        }
    }
    if (most == 0.0) {
        three_rates_silence(filters->fast);
        three_rates_silence(filters->middle);
        three_rates_silence(filters->slow);
        return;
    }
    const double faint = 0x1.eb851eb851eb8p-6 * most;
    three_rates_fit_fast(laws, faint, filters->fast, work);
    three_rates_fit_middle(filters, faint, work);
    three_rates_fit_slow(filters, sample_rate, faint, work);
}

/*
 * Taps at the sample rate for ``i`` times a law that is odd in frequency and smooth at 0.
 *
 * Parameters
 * ----------
 * law : ndarray, shape (POINTS,)
 *     At the points of the highest rate.
 * taps : ndarray, shape (2 * half + 1,)
 *     Gets them.
 */
KERNEL void three_rates_odd_taps(doubles_1 law, reals_1 taps)
{
    const ix half = floor_division(taps.n0, 2);
    taps.at[half] = REAL(0.0);
    for (ix n = 1; n < half + 1; n++) {
        double total = 0.0;
        for (ix i = 0; i < THREE_RATES_POINTS; i++) {
            total += law.at[i] * elementary_sine_of_turns(three_rates_point_turns(0, i) * (double)n);
        }
        const double value = total / 512.0 * three_rates_window((double)n / ((double)half + 1.0));
        /* Taps stand in the order of the samples, so a later one multiplies the future. */
        taps.at[half + n] = (real)value;
        taps.at[half - n] = (real)-value;
    }
}

/* Forget all sound. */
KERNEL void clear_three_rates(const ThreeRates *filters)
{
    filters->counts.at[THREE_RATES_HOP_OF_LINE] = INT64_C(0);
    kept_rows_clear_rows(filters->line);
    kept_rows_clear_rows(filters->middles);
    kept_rows_clear_rows(filters->slows);
    kept_rows_clear_rows(filters->slows_out);
    kept_rows_clear_rows(filters->middles_out);
}

/* Move what is still needed to the front of a line. */
KERNEL void three_rates_to_front(reals_2 line, ix skipped)
{
    for (ix channel = 0; channel < line.n0; channel++) {
        for (ux column = (ux)0; column < (ux)(line.n1 - skipped); column++) {
            line.at[channel * line.n1 + (ix)column] = line.at[channel * line.n1 + (ix)(ux)skipped +
                (ix)column];
        }
    }
}

/*
 * Make room for the next hop.
 *
 * Parameters
 * ----------
 * filters : ThreeRates
 *     Its line is moved to the front if it is full.
 * dry : ndarray, shape (channels, columns of the line)
 *     Another line, which moves with it.
 *
 * Returns
 * -------
 * int
 *     Column of both lines that gets the first sample.
 */
KERNEL ix three_rates_next_hop(const ThreeRates *filters, reals_2 dry)
{
    if (filters->counts.at[THREE_RATES_HOP_OF_LINE] == INT64_C(32)) {
        three_rates_to_front(dry, 2048);
    }
    return three_rates_next_hop_alone(filters);
}

/* Make room for the next hop, as :func:`next_hop` does, where no other line moves with it. */
KERNEL ix three_rates_next_hop_alone(const ThreeRates *filters)
{
    const ix past = filters->line.n1 - 2048;
    if (filters->counts.at[THREE_RATES_HOP_OF_LINE] == INT64_C(32)) {
        three_rates_to_front(filters->line, 2048);
        three_rates_to_front(filters->middles, 256);
        three_rates_to_front(filters->slows, THREE_RATES_HOPS);
        three_rates_to_front(filters->slows_out, THREE_RATES_HOPS);
        three_rates_to_front(filters->middles_out, 256);
        filters->counts.at[THREE_RATES_HOP_OF_LINE] = INT64_C(0);
    }
    return (ix)((int64_t)past + INT64_C(64) * filters->counts.at[THREE_RATES_HOP_OF_LINE]);
}

/* Filter a hop at the sample rate; its first sample has its first tap on column `first`. */
KERNEL void three_rates_filter_fast(reals_1 line, ix first, reals_1 taps, reals_1 out)
{
    const ux base = (ux)first;
    const ux size = (ux)64;
    for (ux i = (ux)0; i < size; i++) {
        out.at[(ix)i] = taps.at[0] * line.at[(ix)base + (ix)i];
    }
    for (ux group = (ux)0; group < (ux)32; group++) {
        const ux n = (ux)4 * group + THREE_RATES_1;
        const real a = taps.at[(ix)n];
        const real b = taps.at[(ix)n + (ix)THREE_RATES_1];
        const real c = taps.at[(ix)n + (ix)THREE_RATES_2];
        const real d = taps.at[(ix)n + (ix)THREE_RATES_3];
        const ux here = base + n;
        for (ux i = (ux)0; i < size; i++) {
            const real left = a * line.at[(ix)here + (ix)i] + b * line.at[(ix)here + (ix)i +
                (ix)THREE_RATES_1];
            const real right = c * line.at[(ix)here + (ix)i + (ix)THREE_RATES_2] + d * line.at[(ix)here +
                (ix)i + (ix)THREE_RATES_3];
            out.at[(ix)i] += left + right;
        }
    }
}

/*
 * Write eight numbers, the first of which lies on column ``first + 5`` of a line of an eighth of their rate.
 *
 * Added in the order of :func:`dot_product`.
 */
KERNEL void three_rates_raise_one(reals_1 low, ix first, reals_2 raising, reals_1 out)
{
    reals_1 taps = (reals_1){low.at + first, low.n0 - first};
    for (ux phase = (ux)0; phase < THREE_RATES_EIGHT; phase++) {
        real even = raising.at[(ix)phase] * taps.at[0] + raising.at[4 * raising.n1 + (ix)phase] * taps.at[4];
        even += raising.at[2 * raising.n1 + (ix)phase] * taps.at[2] + raising.at[6 * raising.n1 + (ix)phase] *
            taps.at[6];
        real odd = raising.at[1 * raising.n1 + (ix)phase] * taps.at[1] + raising.at[5 * raising.n1 +
            (ix)phase] * taps.at[5];
        odd += raising.at[3 * raising.n1 + (ix)phase] * taps.at[3] + raising.at[7 * raising.n1 + (ix)phase] *
            taps.at[7];
        real total = even + odd;
        total += raising.at[8 * raising.n1 + (ix)phase] * taps.at[8];
        total += raising.at[9 * raising.n1 + (ix)phase] * taps.at[9];
        total += raising.at[10 * raising.n1 + (ix)phase] * taps.at[10];
        total += raising.at[11 * raising.n1 + (ix)phase] * taps.at[11];
        out.at[(ix)phase] = total;
    }
}

/* Add 64 numbers, raised from an eighth of their rate; ``out[0]`` lies on column ``first + 5``. */
KERNEL void three_rates_add_raised(reals_1 low, ix first, reals_2 raising, reals_1 out)
{
    for (ux m = (ux)0; m < (ux)8; m++) {
        reals_1 taps = (reals_1){low.at + (ix)(ux)first + (ix)m, low.n0 - ((ix)(ux)first + (ix)m)};
        reals_1 made = (reals_1){out.at + (ix)(THREE_RATES_EIGHT * m), out.n0 - (ix)(THREE_RATES_EIGHT * m)};
        real lanes_lanes[8] = {0};
        const reals_1 lanes = {lanes_lanes, 8};
        for (ux k = (ux)0; k < (ux)12; k++) {
            reals_1 column = (reals_1){raising.at + (ix)k * raising.n1, raising.n1};
            const real value = taps.at[(ix)k];
            IN_LANES
            for (ux phase = (ux)0; phase < THREE_RATES_EIGHT; phase++) {
                lanes.at[(ix)phase] += column.at[(ix)phase] * value;
            }
        }
        for (ux phase = (ux)0; phase < THREE_RATES_EIGHT; phase++) {
            made.at[(ix)phase] += lanes.at[(ix)phase];
        }
    }
}

/* Column of the line with the first tap of the first sample of the hop, at the sample rate. */
KERNEL ix three_rates_first_column(const ThreeRates *filters)
{
    const ix new = filters->line.n1 - THREE_RATES_HOP * (THREE_RATES_HOPS -
        (ix)filters->counts.at[THREE_RATES_HOP_OF_LINE]);
    return new - THREE_RATES_HOP * (12 + floor_division(filters->slow.n0, 2)) - 48 - THREE_RATES_HALF_FAST;
}

/*
 * Filter the hop that was written to the line by other taps as well, before :func:`filter_hop` does.
 *
 * Parameters
 * ----------
 * filters : ThreeRates
 *     With the hop's sound from the column of :func:`next_hop` on.
 * taps : ndarray, shape of ``filters.fast``
 *     At the sample rate; nothing is filtered at the others.
 * out : ndarray, shape (channels, HOP)
 *     Gets a hop of output, as late as that of :func:`filter_hop`.
 */
KERNEL void three_rates_filter_hop_at_sample_rate(const ThreeRates *filters, reals_1 taps, reals_2 out)
{
    for (ix channel = 0; channel < filters->line.n0; channel++) {
        three_rates_filter_fast((reals_1){filters->line.at + channel * filters->line.n1, filters->line.n1},
            three_rates_first_column(filters), taps, (reals_1){out.at + channel * out.n1, out.n1});
    }
}

/*
 * Filter the hop that was written to the line.
 *
 * Parameters
 * ----------
 * filters : ThreeRates
 *     With the hop's sound from the column of :func:`next_hop` on.
 * raised : ndarray, shape (12, 8)
 *     ``filters.raising``, or that times a gain of what comes from the lower rates.
 * out : ndarray, shape (channels, HOP)
 *     Gets a hop of output, ``three_rates_latency() - HOP`` samples late.
 */
KERNEL void three_rates_filter_hop(const ThreeRates *filters, reals_2 raised, reals_2 out)
{
    const ix hop = (ix)filters->counts.at[THREE_RATES_HOP_OF_LINE];
    const ix half = floor_division(filters->slow.n0, 2);
    const ix behind = 12 + half;
    const ix new = filters->line.n1 - THREE_RATES_HOP * (THREE_RATES_HOPS - hop);
    const ix new_middle = filters->middles.n1 - THREE_RATES_STEP * (THREE_RATES_HOPS - hop);
    const ix new_slow = filters->slows.n1 - THREE_RATES_HOPS + hop;
    for (ix channel = 0; channel < filters->line.n0; channel++) {
        reals_1 line = (reals_1){filters->line.at + channel * filters->line.n1, filters->line.n1};
        reals_1 middles = (reals_1){filters->middles.at + channel * filters->middles.n1, filters->middles.n1};
        reals_1 slows = (reals_1){filters->slows.at + channel * filters->slows.n1, filters->slows.n1};
        reals_1 slows_out = (reals_1){filters->slows_out.at + channel * filters->slows_out.n1,
            filters->slows_out.n1};
        reals_1 middles_out = (reals_1){filters->middles_out.at + channel * filters->middles_out.n1,
            filters->middles_out.n1};
        three_rates_filter_fast(line, three_rates_first_column(filters), filters->fast, (reals_1){out.at +
            channel * out.n1, out.n1});
        for (ix r = 0; r < THREE_RATES_STEP; r++) {
            middles.at[new_middle + r] = dot_products_dot_product(filters->lowering, line, new - 40 +
                THREE_RATES_STEP * r - THREE_RATES_LOWER_HALF);
        }
        slows.at[new_slow] = dot_products_dot_product(filters->lowering, middles, new_middle - 43 -
            THREE_RATES_LOWER_HALF);
        slows_out.at[THREE_RATES_RAISE_TAPS + hop] = dot_products_dot_product(filters->slow, slows, new_slow -
            2 * half);
        const ix new_out = THREE_RATES_RAISE_TAPS + THREE_RATES_STEP * hop;
        three_rates_raise_one(slows_out, 1 + hop, filters->raising, (reals_1){middles_out.at + new_out,
            middles_out.n0 - new_out});
        for (ix r = 0; r < THREE_RATES_STEP; r++) {
            const ix at = new_middle + 5 - THREE_RATES_STEP * behind + r - THREE_RATES_HALF_MIDDLE;
            middles_out.at[new_out + r] = middles_out.at[new_out + r] +
                dot_products_dot_product(filters->middle, middles, at);
        }
        three_rates_add_raised(middles_out, new_out - 11, raised, (reals_1){out.at + channel * out.n1,
            out.n1});
    }
    filters->counts.at[THREE_RATES_HOP_OF_LINE] = (int64_t)(hop + 1);
}
