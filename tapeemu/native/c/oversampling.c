/* Generated from oversampling.py (3fca20a9c4398d94); do not edit. SPDX-License-Identifier: ISC */

/*
 * Raise the sample rate around a nonlinearity, and bring it down again, with linear phase.
 *
 * A nonlinearity makes harmonics without end; those beyond half the rate it runs at fold back. Running it at
 * a higher rate moves the fold away. The rate is raised in stages, doubling twice and then tripling, because
 * each later stage has a wider transition band and so needs only a few taps. Six times is doubling once and
 * tripling.
 *
 * All filters are Kaiser-windowed sincs (Kaiser 1974; tap counts by his formula), split into phases so that
 * no product with an inserted zero, and no sample that would be thrown away, is ever computed.
 *
 * What it does to the sound, in fractions of the base rate and checked by tests:
 *
 * - pass band to 0.4535 (21.8 kHz at 48 kHz, 20.0 kHz at 44.1 kHz), flat within 0.0002 dB;
 * - images of the input and products folded by the way down at least 100 dB down in the pass band; what lies
 *   above 0.52 of the base rate is gone before the last decimation;
 * - delay of 100 samples (12 and 6 times), 96 (4 times) or 88 (twice), of the base rate, the same at all
 *   frequencies.
 *
 * Every filter is a short dot product along contiguous memory. Loops over taps have a constant length, so the
 * compiler unrolls them and vectorises along time; for that it must also see that no index can be negative, which
 * is why every count is bounded once more.
 *
 * Samples of a channel wait in parts of one row of `low`, and in the rows of `high`; history first, newest last:
 *
 * ==========  ==========  ============================================================================
 * name        rate        content
 * ==========  ==========  ============================================================================
 * ``x``       1           input
 * ``u``       2           after the first doubling, in time order
 * ``v``       4           after the second doubling, in time order
 * ``high``    the top     what the nonlinearity reads and overwrites: rows of 4 x (2 x with six times); row p
 *                         of 3 holds samples ``3 m + p``
 * ``d``       4           on the way down, in two phases ``d_even`` and ``d_odd``
 * ``c``       2           on the way down, in two phases ``c_even`` and ``c_odd``
 * ==========  ==========  ============================================================================
 */

#include "oversampling.h"

#define OVERSAMPLING_CHUNK 128
#define OVERSAMPLING_FIRST_PAIRS 36
#define OVERSAMPLING_SECOND_PAIRS 8
#define OVERSAMPLING_THIRD_TAPS 10
#define OVERSAMPLING_THIRD_DELAY 8
#define OVERSAMPLING_FALL_SIDE 14
#define OVERSAMPLING_WIDE_TAPS 16
#define OVERSAMPLING_WIDE_DELAY 12
#define OVERSAMPLING_WIDE_SIDE 23
#define OVERSAMPLING_LAST_PAIRS 52
#define OVERSAMPLING_HISTORY_X 72
#define OVERSAMPLING_HISTORY_U 24
#define OVERSAMPLING_HISTORY_V 16
#define OVERSAMPLING_HISTORY_HIGH 24
#define OVERSAMPLING_HISTORY_D 16
#define OVERSAMPLING_HISTORY_C 104
#define OVERSAMPLING_X 0
#define OVERSAMPLING_U 200
#define OVERSAMPLING_V 480
#define OVERSAMPLING_D_EVEN 1008
#define OVERSAMPLING_D_ODD 1280
#define OVERSAMPLING_C_EVEN 1552
#define OVERSAMPLING_C_ODD 1784
#define OVERSAMPLING_LOW 2016
#define OVERSAMPLING_UP_FIRST 0
#define OVERSAMPLING_UP_SECOND 36
#define OVERSAMPLING_UP_THIRD 44
#define OVERSAMPLING_DOWN_THIRD 54
#define OVERSAMPLING_DOWN_SECOND 83
#define OVERSAMPLING_DOWN_EVEN 91
#define OVERSAMPLING_DOWN_ODD 143
#define OVERSAMPLING_UP_WIDE 195
#define OVERSAMPLING_DOWN_WIDE 211
#define OVERSAMPLING_TAPS 258
#define OVERSAMPLING_STEEP REAL(10.5)
#define OVERSAMPLING_SHORT REAL(11.0)
#define OVERSAMPLING_LAST_CUTOFF REAL(0x1.f26e978d4fdf4p-2)
#define OVERSAMPLING_FIRST_BLOCK 12
#define OVERSAMPLING_LAST_BLOCK 13
#define OVERSAMPLING_THIRD_MIDDLE REAL(0x1.1555555555555p+2)
#define OVERSAMPLING_THIRD_WIDTH REAL(5.0)
#define OVERSAMPLING_FALL_MIDDLE REAL(14.0)
#define OVERSAMPLING_FALL_WIDTH REAL(15.0)
#define OVERSAMPLING_WIDE_UP_MIDDLE REAL(0x1.d555555555555p+2)
#define OVERSAMPLING_WIDE_UP_WIDTH REAL(8.0)
#define OVERSAMPLING_WIDE_DOWN_MIDDLE REAL(23.0)
#define OVERSAMPLING_WIDE_DOWN_WIDTH REAL(24.0)
#define OVERSAMPLING_SOFTLY_EARLIER 16
#define OVERSAMPLING_OVERSAMPLER_ARRAYS 5

/*
 * How many times the base rate a nonlinearity runs at: above 380 kHz at every rate from 32 kHz on.
 *
 * Twelve times below 100 kHz, four times below 200 kHz, twice above. Folding depends on the ratio of the
 * tone to the top rate, so bounds proved at 48 kHz for tones to 8 kHz hold at another rate for tones to
 * one sixth of it as long as the factor is twelve.
 */
KERNEL ix oversampling_factor(double sample_rate)
{
    if (sample_rate < 100000.0) {
        return 12;
    }
    return sample_rate < 200000.0 ? 4 : 2;
}

/*
 * The largest factor of 12, 6, 4, 2 and 1 that is neither above `factor` nor above a limit.
 *
 * A small machine follows a curve less often than its folding asks for.
 */
KERNEL ix oversampling_limited_factor(ix factor, ix most)
{
    if (factor <= most) {
        return factor;
    }
    if (most >= 6) {
        return 6;
    }
    if (most >= 4) {
        return 4;
    }
    return most >= 2 ? 2 : 1;
}

/* Whether curves are followed within a limit, as on a small machine: the way down is then the soft one. */
KERNEL ix oversampling_spares(ix most)
{
    return most < 12 ? 1 : 0;
}

/* Delay of the way up and down together, in base samples, with a limit or without. */
KERNEL ix oversampling_limited_latency(ix factor, ix most)
{
    return oversampling_spares(most) == 1 ? oversampling_soft_latency(factor) :
        oversampling_oversampler_latency(factor);
}

/* Delay of :func:`rise` and :func:`fall_softly` together, in base samples; none without a change of rate. */
KERNEL ix oversampling_soft_latency(ix factor)
{
    return factor > 1 ? oversampling_oversampler_latency(factor) - OVERSAMPLING_SOFTLY_EARLIER : 0;
}

/* Samples of a row of `high` for a base-rate sample. */
KERNEL ix oversampling_per_base(ix factor)
{
    return factor == 6 ? 2 : smaller_integer(factor, 4);
}

/* Delay of the way up and down together, in base samples. */
KERNEL ix oversampling_oversampler_latency(ix factor)
{
    if (floor_remainder(factor, 3) == 0) {
        return 100;
    }
    return factor == 4 ? 96 : 88;
}

/* Write the shapes of an :class:`Oversampler` into the rows of `shapes` from `first` on. */
KERNEL void oversampling_oversampler_shapes(ix factor, ix channels, ix first, int64s_2 shapes)
{
    for (ix row = first; row < first + OVERSAMPLING_OVERSAMPLER_ARRAYS; row++) {
        for (ix axis = 0; axis < 3; axis++) {
            shapes.at[row * shapes.n1 + axis] = INT64_C(1);
        }
    }
    shapes.at[first * shapes.n1] = INT64_C(1);
    shapes.at[(first + 1) * shapes.n1] = INT64_C(258);
    shapes.at[(first + 2) * shapes.n1] = (int64_t)channels;
    shapes.at[(first + 2) * shapes.n1 + 1] = INT64_C(2016);
    shapes.at[(first + 3) * shapes.n1] = (int64_t)channels;
    shapes.at[(first + 3) * shapes.n1 + 1] = (int64_t)(floor_remainder(factor, 3) == 0 ? 3 : 1);
    shapes.at[(first + 3) * shapes.n1 + 2] = (int64_t)(OVERSAMPLING_HISTORY_HIGH +
        oversampling_per_base(factor) * OVERSAMPLING_CHUNK);
    shapes.at[(first + 4) * shapes.n1] = INT64_C(512);
}

/* Ideal low-pass (`cutoff` in cycles per unit of `distance`) times a Kaiser window, not yet normalised. */
KERNEL double oversampling_windowed_sinc(double distance, double cutoff, double half_width, double shape)
{
    const double place = distance / half_width;
    const double inside = 1.0 - place * place;
    double window = 0.0;
    if (inside >= 0.0) {
        window = elementary_bessel_i0(shape * square_root_double(inside)) / elementary_bessel_i0(shape);
    }
    const double turns = cutoff * distance;
    if (turns == 0.0) {
        return window;
    }
    return elementary_sine_of_turns(turns) / (0x1.921fb54442d18p+2 * turns) * window;
}

/* Halfband taps of every second sample, one of each symmetric pair; the sum of all pairs is `gain`. */
KERNEL void oversampling_design_doubling(ix pairs, double shape, double gain, ix backwards, reals_1 taps)
{
    const double width = (double)pairs;
    double total = 0.0;
    for (ix k = 0; k < pairs; k++) {
        total += oversampling_windowed_sinc((double)k + 0.5, 0.5, width, shape);
    }
    for (ix k = 0; k < pairs; k++) {
        const ix place = backwards == 1 ? pairs - 1 - k : k;
        taps.at[place] = (real)(gain * oversampling_windowed_sinc((double)k + 0.5, 0.5, width, shape) / (2.0 *
            total));
    }
}

/* Taps of the last halving, those of the even phase first; the middle one is used twice. */
KERNEL void oversampling_design_last(reals_1 taps)
{
    double distance = 0.0;
    const double width = 104.0;
    double total = -0.5 * oversampling_windowed_sinc(0.0, 0x1.f26e978d4fdf4p-3, width, 10.5);
    for (ix k = 0; k < 104; k++) {
        distance = (double)k;
        total += oversampling_windowed_sinc(distance, 0x1.f26e978d4fdf4p-3, width, 10.5);
    }
    for (ix k = 0; k < 104; k++) {
        distance = 1.0 * (double)k;
        const double tap = oversampling_windowed_sinc(distance, 0x1.f26e978d4fdf4p-3, width, 10.5) / (2.0 *
            total);
        const ix place = floor_division(k, 2) + (floor_remainder(k, 2) == 1 ? OVERSAMPLING_LAST_PAIRS : 0);
        taps.at[place] = (real)(k == 0 ? 0.5 * tap : tap);
    }
}

/* Taps at whole distances from a middle, which add up to 1. */
KERNEL void oversampling_design_thirds(ix count, double middle, double cutoff, double half_width, reals_1
    taps)
{
    double total = 0.0;
    for (ix k = 0; k < count; k++) {
        total += oversampling_windowed_sinc((double)k - middle, cutoff, half_width, 11.0);
    }
    for (ix k = 0; k < count; k++) {
        taps.at[k] = (real)(oversampling_windowed_sinc((double)k - middle, cutoff, half_width, 11.0) / total);
    }
}

/* Compute all taps. */
KERNEL void oversampling_oversampler_design(ix factor, const Oversampler *over)
{
    over->plan.at[0] = (int64_t)factor;
    oversampling_design_doubling(OVERSAMPLING_FIRST_PAIRS, 10.5, 1.0, 1, (reals_1){over->taps.at,
        OVERSAMPLING_UP_SECOND});
    oversampling_design_doubling(OVERSAMPLING_SECOND_PAIRS, 11.0, 1.0, 1, (reals_1){over->taps.at +
        OVERSAMPLING_UP_SECOND, OVERSAMPLING_UP_THIRD - OVERSAMPLING_UP_SECOND});
    oversampling_design_thirds(OVERSAMPLING_THIRD_TAPS, 0x1.1555555555555p+2, 0.5, 5.0,
        (reals_1){over->taps.at + OVERSAMPLING_UP_THIRD, OVERSAMPLING_DOWN_THIRD - OVERSAMPLING_UP_THIRD});
    oversampling_design_thirds(29, 14.0, 0x1.5555555555555p-3, 15.0, (reals_1){over->taps.at +
        OVERSAMPLING_DOWN_THIRD, OVERSAMPLING_DOWN_SECOND - OVERSAMPLING_DOWN_THIRD});
    oversampling_design_doubling(OVERSAMPLING_SECOND_PAIRS, 11.0, 0.5, 0, (reals_1){over->taps.at +
        OVERSAMPLING_DOWN_SECOND, OVERSAMPLING_DOWN_EVEN - OVERSAMPLING_DOWN_SECOND});
    oversampling_design_last((reals_1){over->taps.at + OVERSAMPLING_DOWN_EVEN, OVERSAMPLING_UP_WIDE -
        OVERSAMPLING_DOWN_EVEN});
    oversampling_design_thirds(OVERSAMPLING_WIDE_TAPS, 0x1.d555555555555p+2, 0.5, 8.0, (reals_1){over->taps.at
        + OVERSAMPLING_UP_WIDE, OVERSAMPLING_DOWN_WIDE - OVERSAMPLING_UP_WIDE});
    oversampling_design_thirds(47, 23.0, 0x1.5555555555555p-3, 24.0, (reals_1){over->taps.at +
        OVERSAMPLING_DOWN_WIDE, OVERSAMPLING_TAPS - OVERSAMPLING_DOWN_WIDE});
}

/* Forget all sound. */
KERNEL void oversampling_oversampler_clear(const Oversampler *over)
{
    kept_rows_clear_rows(over->low);
    for (ix channel = 0; channel < over->high.n0; channel++) {
        kept_rows_clear_rows((reals_2){over->high.at + channel * over->high.n1 * over->high.n2, over->high.n1,
            over->high.n2});
    }
}

/*
 * Input to twice the rate: delay of 36 samples, the odd phase by 36 symmetric pairs of taps.
 *
 * Parameters
 * ----------
 * fresh : ndarray, shape (count,)
 *     Audio at the base rate.
 * taps, x, u
 *     See the tables above; writes `u`.
 * phase : ndarray, shape (CHUNK,)
 *     Scratch for the new samples between the old ones.
 */
KERNEL void oversampling_double_first(reals_1 fresh, ix count, reals_1 taps, reals_1 x, reals_1 phase, reals_1
    u)
{
    count = smaller_integer(count, OVERSAMPLING_CHUNK);
    for (ix t = 0; t < count; t++) {
        x.at[OVERSAMPLING_HISTORY_X + t] = fresh.at[t];
        phase.at[t] = REAL(0.0);
    }
    for (ix j0 = 0; j0 < OVERSAMPLING_FIRST_PAIRS; j0 += 12) {
        reals_1 part = (reals_1){taps.at + j0, j0 + OVERSAMPLING_FIRST_BLOCK - j0};
        reals_1 older = (reals_1){x.at + 1 + j0, x.n0 - (1 + j0)};
        reals_1 newer = (reals_1){x.at + OVERSAMPLING_HISTORY_X - j0 - OVERSAMPLING_FIRST_BLOCK + 1, x.n0 -
            (OVERSAMPLING_HISTORY_X - j0 - OVERSAMPLING_FIRST_BLOCK + 1)};
        for (ix t = 0; t < count; t++) {
            real total = phase.at[t];
            for (ix j = 0; j < OVERSAMPLING_FIRST_BLOCK; j++) {
                total += part.at[j] * (older.at[t + j] + newer.at[t + (11 - j)]);
            }
            phase.at[t] = total;
        }
    }
    for (ix t = 0; t < count; t++) {
        u.at[OVERSAMPLING_HISTORY_U + 2 * t] = x.at[OVERSAMPLING_HISTORY_X + t - OVERSAMPLING_FIRST_PAIRS];
        u.at[OVERSAMPLING_HISTORY_U + 2 * t + 1] = phase.at[t];
    }
    for (ix t = 0; t < OVERSAMPLING_HISTORY_X; t++) {
        x.at[t] = x.at[count + t];
    }
}

/* Twice to four times the rate: delay of 8 samples of `u`, which `count` counts; writes `v`. */
KERNEL void oversampling_double_second(ix count, reals_1 taps, reals_1 u, reals_1 v)
{
    count = smaller_integer(count, 256);
    for (ix i = 0; i < count; i++) {
        real total = REAL(0.0);
        for (ix j = 0; j < OVERSAMPLING_SECOND_PAIRS; j++) {
            const real older = u.at[OVERSAMPLING_HISTORY_U + i - 15 + j];
            const real newer = u.at[OVERSAMPLING_HISTORY_U + i - j];
            total += taps.at[j] * (older + newer);
        }
        v.at[OVERSAMPLING_HISTORY_V + 2 * i] = u.at[OVERSAMPLING_HISTORY_U + i - OVERSAMPLING_SECOND_PAIRS];
        v.at[OVERSAMPLING_HISTORY_V + 2 * i + 1] = total;
    }
    for (ix i = 0; i < OVERSAMPLING_HISTORY_U; i++) {
        u.at[i] = u.at[count + i];
    }
}

/*
 * Three times the rate: `width` taps a phase, delay of `delay` samples of `row`, which `count` counts.
 *
 * Samples begin behind `history` old ones in `row`, in which they are moved on; writes `high`.
 */
INLINED void oversampling_triple(ix count, reals_1 taps, ix width, ix delay, reals_1 row, ix history, reals_2
    high)
{
    real total = REAL(0.0);
    reals_1 first = (reals_1){high.at + 1 * high.n1 + OVERSAMPLING_HISTORY_HIGH, high.n1 -
        OVERSAMPLING_HISTORY_HIGH};
    reals_1 second = (reals_1){high.at + 2 * high.n1 + OVERSAMPLING_HISTORY_HIGH, high.n1 -
        OVERSAMPLING_HISTORY_HIGH};
    const ix oldest = history - delay - floor_division(width, 2) + 1;
    for (ix i = 0; i < count; i++) {
        high.at[OVERSAMPLING_HISTORY_HIGH + i] = row.at[history - delay + i];
    }
    for (ix i = 0; i < count; i++) {
        total = REAL(0.0);
        for (ix j = 0; j < width; j++) {
            total += taps.at[j] * row.at[oldest + i + j];
        }
        first.at[i] = total;
    }
    for (ix i = 0; i < count; i++) {
        total = REAL(0.0);
        for (ix j = 0; j < width; j++) {
            total += taps.at[width - 1 - j] * row.at[oldest + i + j];
        }
        second.at[i] = total;
    }
    for (ix i = 0; i < history; i++) {
        row.at[i] = row.at[count + i];
    }
}

/* Hand a part to the nonlinearity as it is, when no tripling follows. */
KERNEL void oversampling_hand_over(ix count, ix history, reals_1 row, reals_2 high)
{
    for (ix i = 0; i < count; i++) {
        high.at[OVERSAMPLING_HISTORY_HIGH + i] = row.at[history + i];
    }
    for (ix i = 0; i < history; i++) {
        row.at[i] = row.at[count + i];
    }
}

/*
 * Raise samples of a channel to the top rate, into its rows of `high` behind HISTORY_HIGH.
 *
 * With a factor of 1, which only a limit brings, they are taken as they are.
 *
 * Parameters
 * ----------
 * fresh : ndarray, shape (CHUNK or fewer,)
 *     Audio at the base rate.
 * channel : int
 *     Which channel it is.
 * over : Oversampler
 *     Changed in place.
 */
KERNEL void oversampling_rise(reals_1 fresh, ix channel, const Oversampler *over)
{
    const int64_t factor = over->plan.at[0];
    const ix count = fresh.n0;
    reals_1 low = (reals_1){over->low.at + channel * over->low.n1, over->low.n1};
    reals_2 high = (reals_2){over->high.at + channel * over->high.n1 * over->high.n2, over->high.n1,
        over->high.n2};
    reals_1 taps = over->taps;
    reals_1 u = (reals_1){low.at + OVERSAMPLING_U, OVERSAMPLING_V - OVERSAMPLING_U};
    reals_1 v = (reals_1){low.at + OVERSAMPLING_V, OVERSAMPLING_D_EVEN - OVERSAMPLING_V};
    if (factor == INT64_C(1)) {
        for (ix t = 0; t < count; t++) {
            high.at[OVERSAMPLING_HISTORY_HIGH + t] = fresh.at[t];
        }
    } else {
        oversampling_double_first(fresh, count, (reals_1){taps.at, OVERSAMPLING_UP_SECOND}, (reals_1){low.at,
            OVERSAMPLING_U}, over->scratch, u);
        if (factor == INT64_C(2)) {
            oversampling_hand_over(2 * count, OVERSAMPLING_HISTORY_U, u, high);
        } else if (factor == INT64_C(6)) {
            reals_1 wide = (reals_1){taps.at + OVERSAMPLING_UP_WIDE, OVERSAMPLING_DOWN_WIDE -
                OVERSAMPLING_UP_WIDE};
            oversampling_triple(smaller_integer(2 * count, 256), wide, OVERSAMPLING_WIDE_TAPS,
                OVERSAMPLING_WIDE_DELAY, u, OVERSAMPLING_HISTORY_U, high);
        } else {
            oversampling_double_second(2 * count, (reals_1){taps.at + OVERSAMPLING_UP_SECOND,
                OVERSAMPLING_UP_THIRD - OVERSAMPLING_UP_SECOND}, u, v);
            if (factor == INT64_C(4)) {
                oversampling_hand_over(4 * count, OVERSAMPLING_HISTORY_V, v, high);
            } else {
                reals_1 short_ = (reals_1){taps.at + OVERSAMPLING_UP_THIRD, OVERSAMPLING_DOWN_THIRD -
                    OVERSAMPLING_UP_THIRD};
                oversampling_triple(smaller_integer(4 * count, 512), short_, OVERSAMPLING_THIRD_TAPS,
                    OVERSAMPLING_THIRD_DELAY, v, OVERSAMPLING_HISTORY_V, high);
            }
        }
    }
}

/*
 * A third of the rate: ``2 side + 1`` taps over three rows, delay of `delay` samples of `out`; makes `count`.
 *
 * Writes `out`, shape (count or more,), in time order.
 */
INLINED void oversampling_third(ix count, reals_1 taps, ix side, ix delay, reals_2 high, reals_1 out)
{
    const ix thirds = floor_division(side, 3) + 1;
    const ix now = OVERSAMPLING_HISTORY_HIGH - delay;
    for (ix i = 0; i < count; i++) {
        real total = taps.at[side] * high.at[now + i];
        for (ix a = 1; a < thirds; a++) {
            total += taps.at[side + 3 * a] * (high.at[now + i - a] + high.at[now + i + a]);
        }
        for (ix a = 0; a < thirds; a++) {
            total += taps.at[side + 3 * a + 1] * (high.at[2 * high.n1 + now + i - a - 1] + high.at[1 * high.n1
                + now + i + a]);
        }
        for (ix a = 0; a < thirds; a++) {
            total += taps.at[side + 3 * a + 2] * (high.at[1 * high.n1 + now + i - a - 1] + high.at[2 * high.n1
                + now + i + a]);
        }
        out.at[i] = total;
    }
    for (ix row = 0; row < 3; row++) {
        for (ix i = 0; i < OVERSAMPLING_HISTORY_HIGH; i++) {
            high.at[row * high.n1 + i] = high.at[row * high.n1 + count + i];
        }
    }
}

/* Take the row that the nonlinearity wrote as it is, when no tripling was done. */
KERNEL void oversampling_take_over(ix count, reals_2 high, reals_1 natural)
{
    for (ix i = 0; i < count; i++) {
        natural.at[i] = high.at[OVERSAMPLING_HISTORY_HIGH + i];
    }
}

/*
 * Four times the rate to two: delay of 8 samples of `c`, which `count` counts.
 *
 * Writes `c`, shape (count or more,), in time order; it may be the same memory as `d`.
 */
KERNEL void oversampling_halve_first(ix count, reals_1 taps, reals_1 d, reals_1 d_even, reals_1 d_odd, reals_1
    c)
{
    count = smaller_integer(count, 256);
    for (ix i = 0; i < count; i++) {
        d_even.at[OVERSAMPLING_HISTORY_D + i] = d.at[2 * i];
        d_odd.at[OVERSAMPLING_HISTORY_D + i] = d.at[2 * i + 1];
    }
    for (ix i = 0; i < count; i++) {
        real total = REAL(0.5) * d_even.at[OVERSAMPLING_HISTORY_D + i - OVERSAMPLING_SECOND_PAIRS];
        for (ix j = 0; j < OVERSAMPLING_SECOND_PAIRS; j++) {
            const real older = d_odd.at[OVERSAMPLING_HISTORY_D + i - OVERSAMPLING_SECOND_PAIRS - 1 - j];
            const real newer = d_odd.at[OVERSAMPLING_HISTORY_D + i - OVERSAMPLING_SECOND_PAIRS + j];
            total += taps.at[j] * (older + newer);
        }
        c.at[i] = total;
    }
    for (ix i = 0; i < OVERSAMPLING_HISTORY_D; i++) {
        d_even.at[i] = d_even.at[count + i];
        d_odd.at[i] = d_odd.at[count + i];
    }
}

/*
 * Twice the rate to the base rate: delay of 52 base samples, 52 + 52 symmetric pairs of taps.
 *
 * Writes `out`, shape (count,).
 */
KERNEL void oversampling_halve_last(ix count, reals_1 even, reals_1 odd, reals_1 c, reals_1 c_even, reals_1
    c_odd, reals_1 out)
{
    reals_1 part = {0};
    reals_1 older = {0};
    reals_1 newer = {0};
    real total = REAL(0.0);
    count = smaller_integer(count, OVERSAMPLING_CHUNK);
    for (ix t = 0; t < count; t++) {
        c_even.at[OVERSAMPLING_HISTORY_C + t] = c.at[2 * t];
        c_odd.at[OVERSAMPLING_HISTORY_C + t] = c.at[2 * t + 1];
        out.at[t] = REAL(0.0);
    }
    for (ix j0 = 0; j0 < OVERSAMPLING_LAST_PAIRS; j0 += 13) {
        part = (reals_1){even.at + j0, j0 + OVERSAMPLING_LAST_BLOCK - j0};
        older = (reals_1){c_even.at + 52 - j0 - OVERSAMPLING_LAST_BLOCK + 1, c_even.n0 - (52 - j0 -
            OVERSAMPLING_LAST_BLOCK + 1)};
        newer = (reals_1){c_even.at + 52 + j0, c_even.n0 - (52 + j0)};
        for (ix t = 0; t < count; t++) {
            total = out.at[t];
            for (ix j = 0; j < OVERSAMPLING_LAST_BLOCK; j++) {
                total += part.at[j] * (older.at[t + (12 - j)] + newer.at[t + j]);
            }
            out.at[t] = total;
        }
    }
    for (ix j0 = 0; j0 < OVERSAMPLING_LAST_PAIRS; j0 += 13) {
        part = (reals_1){odd.at + j0, j0 + OVERSAMPLING_LAST_BLOCK - j0};
        older = (reals_1){c_odd.at + 52 - j0 - OVERSAMPLING_LAST_BLOCK, c_odd.n0 - (52 - j0 -
            OVERSAMPLING_LAST_BLOCK)};
        newer = (reals_1){c_odd.at + 52 + j0, c_odd.n0 - (52 + j0)};
        for (ix t = 0; t < count; t++) {
            total = out.at[t];
            for (ix j = 0; j < OVERSAMPLING_LAST_BLOCK; j++) {
                total += part.at[j] * (older.at[t + (12 - j)] + newer.at[t + j]);
            }
            out.at[t] = total;
        }
    }
    for (ix t = 0; t < OVERSAMPLING_HISTORY_C; t++) {
        c_even.at[t] = c_even.at[count + t];
        c_odd.at[t] = c_odd.at[count + t];
    }
}

/*
 * Bring what the nonlinearity wrote into a channel's rows of `high` to twice the base rate, into `scratch`.
 *
 * Parameters
 * ----------
 * count : int
 *     Samples that were raised, CHUNK at most.
 * channel : int
 *     Which channel it is.
 * over : Oversampler
 *     Changed in place.
 */
KERNEL void oversampling_fall_to_twice(ix count, ix channel, const Oversampler *over)
{
    const int64_t factor = over->plan.at[0];
    reals_1 low = (reals_1){over->low.at + channel * over->low.n1, over->low.n1};
    reals_2 high = (reals_2){over->high.at + channel * over->high.n1 * over->high.n2, over->high.n1,
        over->high.n2};
    reals_1 taps = over->taps;
    reals_1 both = over->scratch;
    if (factor == INT64_C(2)) {
        oversampling_take_over(2 * count, high, both);
    } else if (factor == INT64_C(6)) {
        oversampling_third(smaller_integer(2 * count, 256), (reals_1){taps.at + OVERSAMPLING_DOWN_WIDE,
            OVERSAMPLING_TAPS - OVERSAMPLING_DOWN_WIDE}, OVERSAMPLING_WIDE_SIDE, OVERSAMPLING_WIDE_DELAY,
            high, both);
    } else {
        if (factor == INT64_C(4)) {
            oversampling_take_over(4 * count, high, both);
        } else {
            oversampling_third(smaller_integer(4 * count, 512), (reals_1){taps.at + OVERSAMPLING_DOWN_THIRD,
                OVERSAMPLING_DOWN_SECOND - OVERSAMPLING_DOWN_THIRD}, OVERSAMPLING_FALL_SIDE,
                OVERSAMPLING_THIRD_DELAY, high, both);
        }
        reals_1 d_even = (reals_1){low.at + OVERSAMPLING_D_EVEN, OVERSAMPLING_D_ODD - OVERSAMPLING_D_EVEN};
        reals_1 d_odd = (reals_1){low.at + OVERSAMPLING_D_ODD, OVERSAMPLING_C_EVEN - OVERSAMPLING_D_ODD};
        oversampling_halve_first(2 * count, (reals_1){taps.at + OVERSAMPLING_DOWN_SECOND,
            OVERSAMPLING_DOWN_EVEN - OVERSAMPLING_DOWN_SECOND}, both, d_even, d_odd, both);
    }
}

/*
 * Bring what the nonlinearity wrote into a channel's rows of `high` to the base rate.
 *
 * Parameters
 * ----------
 * channel : int
 *     Which channel it is.
 * over : Oversampler
 *     Changed in place.
 * out : ndarray, shape (CHUNK or fewer,)
 *     Gets the audio, as many samples as were raised.
 */
KERNEL void oversampling_fall(ix channel, const Oversampler *over, reals_1 out)
{
    const ix count = out.n0;
    reals_1 low = (reals_1){over->low.at + channel * over->low.n1, over->low.n1};
    reals_1 taps = over->taps;
    oversampling_fall_to_twice(count, channel, over);
    reals_1 c_even = (reals_1){low.at + OVERSAMPLING_C_EVEN, OVERSAMPLING_C_ODD - OVERSAMPLING_C_EVEN};
    reals_1 c_odd = (reals_1){low.at + OVERSAMPLING_C_ODD, OVERSAMPLING_LOW - OVERSAMPLING_C_ODD};
    oversampling_halve_last(count, (reals_1){taps.at + OVERSAMPLING_DOWN_EVEN, OVERSAMPLING_DOWN_ODD -
        OVERSAMPLING_DOWN_EVEN}, (reals_1){taps.at + OVERSAMPLING_DOWN_ODD, OVERSAMPLING_UP_WIDE -
        OVERSAMPLING_DOWN_ODD}, over->scratch, c_even, c_odd, out);
}

/*
 * Twice the rate to the base rate: delay of 36 samples, 36 symmetric pairs of taps, outermost first.
 *
 * Writes `out`, shape (count,).
 */
KERNEL void oversampling_halve_softly(ix count, reals_1 taps, reals_1 c, reals_1 c_even, reals_1 c_odd,
    reals_1 out)
{
    count = smaller_integer(count, OVERSAMPLING_CHUNK);
    for (ix t = 0; t < count; t++) {
        c_even.at[OVERSAMPLING_HISTORY_C + t] = c.at[2 * t];
        c_odd.at[OVERSAMPLING_HISTORY_C + t] = c.at[2 * t + 1];
        out.at[t] = c_even.at[OVERSAMPLING_HISTORY_C + t - OVERSAMPLING_FIRST_PAIRS];
    }
    for (ix j0 = 0; j0 < OVERSAMPLING_FIRST_PAIRS; j0 += 12) {
        reals_1 part = (reals_1){taps.at + j0, j0 + OVERSAMPLING_FIRST_BLOCK - j0};
        reals_1 older = (reals_1){c_odd.at + 32 + j0, c_odd.n0 - (32 + j0)};
        reals_1 newer = (reals_1){c_odd.at + OVERSAMPLING_HISTORY_C - j0 - OVERSAMPLING_FIRST_BLOCK, c_odd.n0
            - (OVERSAMPLING_HISTORY_C - j0 - OVERSAMPLING_FIRST_BLOCK)};
        for (ix t = 0; t < count; t++) {
            real total = out.at[t];
            for (ix j = 0; j < OVERSAMPLING_FIRST_BLOCK; j++) {
                total += part.at[j] * (older.at[t + j] + newer.at[t + (11 - j)]);
            }
            out.at[t] = total;
        }
    }
    for (ix t = 0; t < count; t++) {
        out.at[t] = REAL(0.5) * out.at[t];
    }
    for (ix t = 0; t < OVERSAMPLING_HISTORY_C; t++) {
        c_even.at[t] = c_even.at[count + t];
        c_odd.at[t] = c_odd.at[count + t];
    }
}

/*
 * As :func:`fall`, 16 samples earlier and at a third of the work, where nothing above the pass band matters.
 *
 * The last decimation is the first doubling run backwards. It is down by half at half the base rate, so what lies
 * as far above that as the pass band ends below it comes back, between 0.4535 and half of the base rate alone.
 */
KERNEL void oversampling_fall_softly(ix channel, const Oversampler *over, reals_1 out)
{
    const ix count = out.n0;
    if (over->plan.at[0] == INT64_C(1)) {
        reals_2 high = (reals_2){over->high.at + channel * over->high.n1 * over->high.n2, over->high.n1,
            over->high.n2};
        for (ix t = 0; t < count; t++) {
            out.at[t] = high.at[OVERSAMPLING_HISTORY_HIGH + t];
        }
    } else {
        reals_1 low = (reals_1){over->low.at + channel * over->low.n1, over->low.n1};
        oversampling_fall_to_twice(count, channel, over);
        reals_1 c_even = (reals_1){low.at + OVERSAMPLING_C_EVEN, OVERSAMPLING_C_ODD - OVERSAMPLING_C_EVEN};
        reals_1 c_odd = (reals_1){low.at + OVERSAMPLING_C_ODD, OVERSAMPLING_LOW - OVERSAMPLING_C_ODD};
        oversampling_halve_softly(count, (reals_1){over->taps.at, OVERSAMPLING_UP_SECOND}, over->scratch,
            c_even, c_odd, out);
    }
}
