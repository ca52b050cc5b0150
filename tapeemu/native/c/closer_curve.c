/* Generated from closer_curve.py (778a05f6f4f619c7); do not edit. SPDX-License-Identifier: ISC */

/*
 * The curve of the magnetisation at four times the sample rate, and closer where the field moves fast.
 *
 * How fast the harmonics of a bent sound fall is told by the field's steps: the tangent's poles lie ``pi / 2`` off
 * the real axis, so what turns up at a frequency F is about ``exp(-pi^2 F / s)`` for a field that moves by `s` in a
 * second. At four times the rate that is 120 dB down, where it would fold into the pass band, while the field moves
 * by no more than 0.45 from one sample to the next: nearly always, for bass moves slowly and treble is seldom loud.
 * In a frame in which it moves faster more samples are set between these, as many as full scale at 20 kHz may need
 * behind the record equaliser; they are bent, and brought down again by the filter that set them.
 *
 * A frame that is followed closely fades into one that is not, so that what both ways differ by above the pass band
 * is not switched. All that a frame's way depends on is the sound in the frames beside it, which lie on a fixed grid
 * of the tape: neither the cut of the input nor other channels matter, and the delay is always the same.
 */

#include "closer_curve.h"

#define CLOSER_CURVE_FRAME 128
#define CLOSER_CURVE_HISTORY_HIGH 24
#define CLOSER_CURVE_OVERSAMPLER_ARRAYS 5
#define CLOSER_CURVE_FACTOR 4
#define CLOSER_CURVE_COLUMNS 512
#define CLOSER_CURVE_TAPS 10
#define CLOSER_CURVE_BEFORE 4
#define CLOSER_CURVE_SHARPNESS REAL(11.0)
#define CLOSER_CURVE_MARGIN 20
#define CLOSER_CURVE_LINE 1044
#define CLOSER_CURVE_CALM_STEP REAL(0x1.ccccccccccccdp-2)
#define CLOSER_CURVE_MOST_TIMES 24
#define CLOSER_CURVE_HIGHEST_HZ REAL(20000.0)
#define CLOSER_CURVE_NEPERS REAL(11.5)
#define CLOSER_CURVE_NEPERS_PER_DB REAL(0x1.d791c5f888823p-4)
#define CLOSER_CURVE_HALF_PI REAL(0x1.921fb54442d18p+0)

/*
 * How many times four times the rate a curve must run at, for a tone at 20 kHz that reaches `largest` into it.
 *
 * Harmonic k of it is ``exp(-k asinh(pi / (2 g)))`` times the first, but for slow factors. The first that folds
 * into the pass band shall be 100 dB down, and by as much more as the treble is raised, for replay lowers it
 * again, but not what has folded to the bass.
 *
 * Parameters
 * ----------
 * largest : float
 *     Largest field, in units of saturation.
 * boost_db : float
 *     By how much treble is raised.
 * sample_rate : float
 *     Samples per second.
 *
 * Returns
 * -------
 * int
 *     3, 6, 12 or 24.
 */
KERNEL ix closer_curve_closer_times(double largest, double boost_db, double sample_rate)
{
    const double x = 0x1.921fb54442d18p+0 / largest;
    const double fall = elementary_logarithm(x + square_root_double(1.0 + x * x));
    const double needed = (11.5 + 0x1.d791c5f888823p-4 * larger_double(boost_db, 0.0)) / fall;
    const double top = smaller_double(20000.0, 0x1.ccccccccccccdp-2 * sample_rate);
    ix times = 3;
    while (times < CLOSER_CURVE_MOST_TIMES && ((double)(CLOSER_CURVE_FACTOR * times) * sample_rate - top) /
        top < needed) {
        times = 2 * times;
    }
    return times;
}

/* Samples by which the curve is late: the way up and down, the frame that fills, and the one heard ahead. */
KERNEL ix closer_curve_delay(void)
{
    return oversampling_soft_latency(CLOSER_CURVE_FACTOR) + 256;
}

/* Write the shapes of the arrays of :class:`CloserCurve` from a row on; gives the row of the next one. */
KERNEL ix closer_curve_shapes(ix channels, int64s_2 shapes, ix row)
{
    row = memory_shapes_shape_row(1, 1, shapes, row);
    row = memory_shapes_shape_row(240, 1, shapes, row);
    row = memory_shapes_shape_row(CLOSER_CURVE_COLUMNS, 1, shapes, row);
    row = memory_shapes_shape_row(channels, CLOSER_CURVE_FRAME, shapes, row);
    row = memory_shapes_shape_row(channels, CLOSER_CURVE_FRAME, shapes, row);
    row = memory_shapes_shape_row(channels, CLOSER_CURVE_LINE, shapes, row);
    row = memory_shapes_shape_row(channels, 3, shapes, row);
    row = memory_shapes_shape_row(1, 532, shapes, row);
    row = memory_shapes_shape_row(1, CLOSER_CURVE_COLUMNS, shapes, row);
    oversampling_oversampler_shapes(CLOSER_CURVE_FACTOR, channels, row, shapes);
    return row + CLOSER_CURVE_OVERSAMPLER_ARRAYS;
}

/* Follow fast fields at as many places as :func:`closer_times` says, from the next frame on. */
KERNEL void closer_curve_follow(ix times, const CloserCurve *memory)
{
    memory->times.at[0] = (int64_t)times;
    for (ix place = 0; place < times; place++) {
        double total = 0.0;
        for (ix k = 0; k < CLOSER_CURVE_TAPS; k++) {
            total += oversampling_windowed_sinc((double)(k - CLOSER_CURVE_BEFORE) - (double)place /
                (double)times, 0.5, 5.0, 11.0);
        }
        for (ix k = 0; k < CLOSER_CURVE_TAPS; k++) {
            const double tap = oversampling_windowed_sinc((double)(k - CLOSER_CURVE_BEFORE) - (double)place /
                (double)times, 0.5, 5.0, 11.0);
            memory->taps.at[CLOSER_CURVE_TAPS * place + k] = (real)(tap / total);
        }
    }
}

/* Fill the plan, for as many places as :func:`closer_times` says. */
KERNEL void closer_curve_design(ix times, const CloserCurve *memory)
{
    closer_curve_follow(times, memory);
    for (ix i = 0; i < CLOSER_CURVE_COLUMNS; i++) {
        memory->weights.at[i] = (real)elementary_fade((double)i + 0.5, 0.0, 512.0);
    }
    oversampling_oversampler_design(CLOSER_CURVE_FACTOR, &memory->over);
}

/* Forget all sound. */
KERNEL void closer_curve_clear(const CloserCurve *memory)
{
    kept_rows_clear_rows(memory->waiting);
    kept_rows_clear_rows(memory->bent);
    kept_rows_clear_rows(memory->field);
    for (ix channel = 0; channel < memory->fast.n0; channel++) {
        for (ix k = 0; k < 3; k++) {
            memory->fast.at[channel * memory->fast.n1 + k] = INT64_C(0);
        }
    }
    oversampling_oversampler_clear(&memory->over);
}

/* Whether the field moves by more than what four times the rate can follow, in the latest frame: 1 or 0. */
KERNEL ix closer_curve_moves_fast(reals_1 field)
{
    const ix first = 532;
    real most = REAL(0.0);
    for (ix i = 0; i < CLOSER_CURVE_COLUMNS; i++) {
        most = larger(most, magnitude(field.at[first + i] - field.at[first - 1 + i]));
    }
    return most > CLOSER_CURVE_CALM_STEP ? 1 : 0;
}

/* Bend the frame before the latest one. */
KERNEL void closer_curve_bend_plainly(reals_1 field, reals_1 out)
{
    const ix first = 20;
    for (ix i = 0; i < CLOSER_CURVE_COLUMNS; i++) {
        out.at[i] = drive_driven(field.at[first + i], REAL(0.0));
    }
}

/* Bend the frame before the latest one at as many places as there are taps for, into ``memory.closer``. */
KERNEL void closer_curve_bend_closely(const CloserCurve *memory, reals_1 field)
{
    real total = REAL(0.0);
    reals_1 row = (reals_1){memory->row.at, memory->row.n1};
    reals_1 out = (reals_1){memory->closer.at, memory->closer.n1};
    const ix times = (ix)memory->times.at[0];
    const real share = (real)(1.0 / (double)times);
    for (ix i = 0; i < CLOSER_CURVE_COLUMNS; i++) {
        out.at[i] = REAL(0.0);
    }
    /* Of the row number 0 lies `_BEFORE` and one more before the frame, and reads as many before that. */
    const ix first = 15;
    for (ix place = 0; place < times; place++) {
        reals_1 taps = (reals_1){memory->taps.at + CLOSER_CURVE_TAPS * place, CLOSER_CURVE_TAPS * (place + 1)
            - CLOSER_CURVE_TAPS * place};
        reals_1 older = (reals_1){field.at + first - CLOSER_CURVE_BEFORE, field.n0 - (first -
            CLOSER_CURVE_BEFORE)};
        for (ix i = 0; i < 522; i++) {
            total = REAL(0.0);
            for (ix k = 0; k < CLOSER_CURVE_TAPS; k++) {
                total += taps.at[k] * older.at[i + k];
            }
            row.at[i] = drive_driven(total, REAL(0.0));
        }
        for (ix i = 0; i < CLOSER_CURVE_COLUMNS; i++) {
            total = REAL(0.0);
            for (ix k = 0; k < CLOSER_CURVE_TAPS; k++) {
                total += taps.at[9 - k] * row.at[i + k];
            }
            out.at[i] += total;
        }
    }
    for (ix i = 0; i < CLOSER_CURVE_COLUMNS; i++) {
        out.at[i] = share * out.at[i];
    }
}

/*
 * Take a full frame of a channel, and bend the one before it by the tangent.
 *
 * Parameters
 * ----------
 * channel : int
 *     Which channel; its frame of the field, in units of saturation, stands in ``memory.waiting``.
 * memory : CloserCurve
 *     Designed; changed in place. ``memory.bent`` gets FRAME samples, which are late by
 *     :func:`closer_curve_delay` when they are taken one by one as the next frame fills.
 */
KERNEL void closer_curve_frame(ix channel, const CloserCurve *memory)
{
    const Oversampler over = memory->over;
    reals_1 high = (reals_1){over.high.at + channel * over.high.n1 * over.high.n2, over.high.n2};
    reals_1 field = (reals_1){memory->field.at + channel * memory->field.n1, memory->field.n1};
    int64s_1 fast = (int64s_1){memory->fast.at + channel * memory->fast.n1, memory->fast.n1};
    oversampling_rise((reals_1){memory->waiting.at + channel * memory->waiting.n1, memory->waiting.n1},
        channel, &over);
    kept_rows_move_to_front(field, CLOSER_CURVE_COLUMNS);
    for (ix i = 0; i < CLOSER_CURVE_COLUMNS; i++) {
        field.at[532 + i] = high.at[CLOSER_CURVE_HISTORY_HIGH + i];
    }
    fast.at[0] = fast.at[1];
    fast.at[1] = fast.at[2];
    fast.at[2] = (int64_t)closer_curve_moves_fast(field);
    const int64_t begins = larger_integer_64(fast.at[0], fast.at[1]);
    const int64_t ends = larger_integer_64(fast.at[1], fast.at[2]);
    reals_1 made = (reals_1){high.at + CLOSER_CURVE_HISTORY_HIGH, high.n0 - CLOSER_CURVE_HISTORY_HIGH};
    if (begins == INT64_C(0) || ends == INT64_C(0)) {
        closer_curve_bend_plainly(field, made);
    }
    if (begins == INT64_C(1) || ends == INT64_C(1)) {
        closer_curve_bend_closely(memory, field);
        reals_1 closer = (reals_1){memory->closer.at, memory->closer.n1};
        if (begins == INT64_C(1) && ends == INT64_C(1)) {
            for (ix i = 0; i < CLOSER_CURVE_COLUMNS; i++) {
                made.at[i] = closer.at[i];
            }
        } else if (ends == INT64_C(1)) {
            for (ix i = 0; i < CLOSER_CURVE_COLUMNS; i++) {
                made.at[i] += memory->weights.at[i] * (closer.at[i] - made.at[i]);
            }
        } else {
            for (ix i = 0; i < CLOSER_CURVE_COLUMNS; i++) {
                made.at[i] += memory->weights.at[511 - i] * (closer.at[i] - made.at[i]);
            }
        }
    }
    oversampling_fall_softly(channel, &over, (reals_1){memory->bent.at + channel * memory->bent.n1,
        memory->bent.n1});
}
