/* Generated from self_erasure.py (937d8f30a59ad6ba); do not edit. SPDX-License-Identifier: ISC */

/*
 * What strong sound erases of its own treble while it is recorded: a loss that grows with level and frequency.
 *
 * The loss in dB is proportional to the frequency and to the mean square of the field, taken over a window of a few
 * milliseconds that lies around the sound it acts on, so the sound waits for it. A filter that loses 6 dB at 10 kHz
 * is raised to the power that the level says, as a binomial series of what the filter takes away.
 */

#include "self_erasure.h"

#define SELF_ERASURE_FRAME 128
#define SELF_ERASURE_LOW_HALF 64
#define SELF_ERASURE_RAISE_NODES 16
#define SELF_ERASURE_SLACK 2048
#define SELF_ERASURE_STEP 8
#define SELF_ERASURE_ERASED_HZ REAL(10000.0)
#define SELF_ERASURE_HALF_DB REAL(0x1.8151824c7587fp+2)
#define SELF_ERASURE_LN2 REAL(0x1.62e42fefa39efp-1)
#define SELF_ERASURE_ERASING_HALF 8
#define SELF_ERASURE_ERASING_POINTS 512
#define SELF_ERASURE_LEVEL_HALF 16
#define SELF_ERASURE_LEVEL_DELAY 377
#define SELF_ERASURE_MOST_ERASING REAL(3.0)
#define SELF_ERASURE_SPLINE 4
#define SELF_ERASURE_LINE_KEPT 401

/* Write the shapes of the arrays of :class:`SelfErasure` from a row on; gives the row of the next one. */
KERNEL ix self_erasure_shapes(ix channels, int64s_2 shapes, ix row)
{
    row = memory_shapes_shape_row(9, 1, shapes, row);
    row = memory_shapes_shape_row(17, 1, shapes, row);
    row = memory_shapes_shape_row(32, 1, shapes, row);
    row = memory_shapes_shape_row(SELF_ERASURE_SPLINE, SELF_ERASURE_STEP, shapes, row);
    row = memory_shapes_shape_row(channels, 2240, shapes, row);
    row = memory_shapes_shape_row(channels, 335, shapes, row);
    row = memory_shapes_shape_row(channels, 272, shapes, row);
    row = memory_shapes_shape_row(channels, SELF_ERASURE_FRAME, shapes, row);
    for (ix _ = 0; _ < 3; _++) {
        row = memory_shapes_shape_row(channels, 2449, shapes, row);
    }
    return memory_shapes_shape_row(1, SELF_ERASURE_FRAME, shapes, row);
}

/*
 * What a sine leaves of a frequency in Hz, as a ratio of amplitudes.
 *
 * `peak` is that of its field in units of saturation, `self_erasure_db` the loss at 10 kHz with a peak of 1.
 */
KERNEL double self_erasure_left_of_sine(double self_erasure_db, double peak, double f)
{
    const double share = smaller_double(self_erasure_db / 0x1.8151824c7587fp+2 * peak * peak, 3.0);
    return elementary_exponential((double)-SELF_ERASURE_LN2 * f / 10000.0 * share);
}

/* Cubic B-splines: four means of eight samples in a row, which has no negative weight and adds up to 1. */
KERNEL void self_erasure_design_splines(reals_1 lowering, reals_2 raising)
{
    for (ix k = 0; k < lowering.n0; k++) {
        lowering.at[k] = REAL(0.0);
    }
    const ix middle = floor_division(lowering.n0, 2);
    lowering.at[middle - 14] = REAL(1.0);
    for (ix _ = 0; _ < SELF_ERASURE_SPLINE; _++) {
        for (ix k = lowering.n0 - 1; k > -1; k -= 1) {
            double total = 0.0;
            const ix stop_1 = smaller_integer(SELF_ERASURE_STEP, k + 1);
            for (ix back = 0; back < stop_1; back++) {
                total += (double)lowering.at[k - back];
            }
            lowering.at[k] = (real)(total / 8.0);
        }
    }
    for (ix k = 0; k < SELF_ERASURE_SPLINE; k++) {
        for (ix phase = 0; phase < SELF_ERASURE_STEP; phase++) {
            const ix place = middle + phase - SELF_ERASURE_STEP * (k - 1);
            raising.at[k * raising.n1 + phase] = place < lowering.n0 ? REAL(8.0) * lowering.at[place] :
                REAL(0.0);
        }
    }
}

/*
 * Design the filter that loses 6 dB at 10 kHz, with a gain of 1 at 0 Hz, and what makes a level.
 *
 * Parameters
 * ----------
 * sample_rate : float
 *     Samples per second.
 * scratch : ndarray, shape (512 or more,)
 *     Used up.
 * memory : SelfErasure
 *     Gets all but its sound.
 */
KERNEL void self_erasure_design(double sample_rate, doubles_1 scratch, const SelfErasure *memory)
{
    double total = 0.0;
    double tap = 0.0;
    doubles_1 points = (doubles_1){scratch.at, SELF_ERASURE_ERASING_POINTS};
    const double held = smaller_double(10000.0, 0x1.999999999999ap-2 * sample_rate);
    double steepness = 0x1.22ba1c9ea1126p-14;
    /* So short a filter rounds the law off at 0 Hz: with a gain of 1 there it would lose too little above. */
    for (ix _ = 0; _ < 4; _++) {
        for (ix i = 0; i < SELF_ERASURE_ERASING_POINTS; i++) {
            const double f = wavelength_losses_flattened_frequency(((double)i + 0.5) * 0.5 * sample_rate /
                512.0, sample_rate);
            points.at[i] = elementary_exponential(-steepness * f);
        }
        total = 0.0;
        double response = 0.0;
        for (ix n = 0; n < 9; n++) {
            tap = long_filter_symmetric_tap(points, n) * long_filter_taper(n, SELF_ERASURE_ERASING_HALF);
            memory->taps.at[n] = (real)tap;
            const double pair = n == 0 ? tap : 2.0 * tap;
            total += pair;
            response += pair * elementary_cosine_of_turns((double)n * held / sample_rate);
        }
        for (ix n = 0; n < 9; n++) {
            memory->taps.at[n] = (real)((double)memory->taps.at[n] / total);
        }
        steepness = steepness * 0x1.62e42fefa39efp-1 / 10000.0 * held / elementary_logarithm(total /
            response);
    }
    total = 0.0;
    for (ix n = 0; n < 17; n++) {
        tap = elementary_fade(1.0 * (double)n, 16.0, 0.0);
        memory->level_taps.at[n] = (real)tap;
        total += n == 0 ? tap : 2.0 * tap;
    }
    for (ix n = 0; n < 17; n++) {
        memory->level_taps.at[n] = (real)((double)memory->level_taps.at[n] / total);
    }
    self_erasure_design_splines(memory->lowering, memory->raising);
}

/* Forget all sound. */
KERNEL void self_erasure_clear(const SelfErasure *memory)
{
    kept_rows_clear_rows(memory->squares);
    kept_rows_clear_rows(memory->levels);
    kept_rows_clear_rows(memory->level_nodes);
    kept_rows_clear_rows(memory->erased);
    kept_rows_clear_rows(memory->bent);
    kept_rows_clear_rows(memory->once);
    kept_rows_clear_rows(memory->twice);
}

/* Move what is kept of a channel to the front, when SLACK samples have been written. */
KERNEL void self_erasure_keep(ix channel, const SelfErasure *memory)
{
    kept_rows_move_to_front((reals_1){memory->squares.at + channel * memory->squares.n1, memory->squares.n1},
        SELF_ERASURE_SLACK);
    kept_rows_move_to_front((reals_1){memory->levels.at + channel * memory->levels.n1, memory->levels.n1},
        256);
    kept_rows_move_to_front((reals_1){memory->level_nodes.at + channel * memory->level_nodes.n1,
        memory->level_nodes.n1}, 256);
    kept_rows_move_to_front((reals_1){memory->bent.at + channel * memory->bent.n1, memory->bent.n1},
        SELF_ERASURE_SLACK);
    kept_rows_move_to_front((reals_1){memory->once.at + channel * memory->once.n1, memory->once.n1},
        SELF_ERASURE_SLACK);
    kept_rows_move_to_front((reals_1){memory->twice.at + channel * memory->twice.n1, memory->twice.n1},
        SELF_ERASURE_SLACK);
}

/*
 * Take in the field of a channel, whose level decides; ``share * x**2`` is erased, in units of 6 dB at 10 kHz.
 *
 * `at` is as for `self_erasure_run`; `audio` has FRAME samples or fewer, all of one frame.
 */
KERNEL void self_erasure_hear(ix channel, ix at, real share, const SelfErasure *memory, reals_1 audio)
{
    reals_1 squares = (reals_1){memory->squares.at + channel * memory->squares.n1, memory->squares.n1};
    const ix write = squares.n0 - SELF_ERASURE_SLACK + at;
    const ix stop_1 = smaller_integer(audio.n0, SELF_ERASURE_FRAME);
    for (ix i = 0; i < stop_1; i++) {
        squares.at[write + i] = share * audio.at[i] * audio.at[i];
    }
}

/* Write what a filter takes away: ``line`` less the line behind it; FRAME samples or fewer. */
KERNEL void self_erasure_take(reals_1 line, ix centre, reals_1 taps, reals_1 out)
{
    const ix count = smaller_integer(out.n0, SELF_ERASURE_FRAME);
    reals_1 older = (reals_1){line.at + centre - SELF_ERASURE_ERASING_HALF, line.n0 - (centre -
        SELF_ERASURE_ERASING_HALF)};
    reals_1 newer = (reals_1){line.at + centre + 1, line.n0 - (centre + 1)};
    reals_1 middle = (reals_1){line.at + centre, line.n0 - centre};
    reals_1 part = (reals_1){taps.at + 1, taps.n0 - 1};
    const real rest = REAL(1.0) - taps.at[0];
    for (ix i = 0; i < count; i++) {
        real total = rest * middle.at[i];
        for (ix k = 0; k < SELF_ERASURE_ERASING_HALF; k++) {
            total -= part.at[k] * (older.at[i + (7 - k)] + newer.at[i + k]);
        }
        out.at[i] = total;
    }
}

/*
 * Take the level of a channel when a frame is full, and make how much is erased in the next one.
 *
 * `at` is as for `self_erasure_run`, at the frame's end.
 */
KERNEL void self_erasure_frame(ix channel, ix at, const SelfErasure *memory)
{
    reals_1 squares = (reals_1){memory->squares.at + channel * memory->squares.n1, memory->squares.n1};
    reals_1 levels = (reals_1){memory->levels.at + channel * memory->levels.n1, memory->levels.n1};
    reals_1 nodes = (reals_1){memory->level_nodes.at + channel * memory->level_nodes.n1,
        memory->level_nodes.n1};
    const ix line_end = squares.n0 - SELF_ERASURE_SLACK + at;
    const ix end = levels.n0 - 256 + floor_division(at, SELF_ERASURE_STEP);
    const ix node_end = nodes.n0 - 256 + floor_division(at, SELF_ERASURE_STEP);
    const ix count = 16;
    long_filter_lower_rate(squares, line_end - SELF_ERASURE_FRAME + SELF_ERASURE_STEP - 1 -
        SELF_ERASURE_LOW_HALF, memory->lowering, (reals_1){levels.at + end - count, end - (end - count)});
    const ix centre = end - 40 + SELF_ERASURE_STEP;
    reals_1 fresh = (reals_1){nodes.at + node_end - count, node_end - (node_end - count)};
    for (ix i = 0; i < count; i++) {
        fresh.at[i] = memory->level_taps.at[0] * levels.at[centre + i];
    }
    long_filter_add_symmetric(levels, centre, 1, (reals_1){memory->level_taps.at + 1, memory->level_taps.n0 -
        1}, fresh);
    reals_1 erased = (reals_1){memory->erased.at + channel * memory->erased.n1, memory->erased.n1};
    long_filter_raise_rate(nodes, node_end - count - 8 - 1, memory->raising, erased);
    const real most = SELF_ERASURE_MOST_ERASING;
    for (ix i = 0; i < SELF_ERASURE_FRAME; i++) {
        erased.at[i] = smaller(larger(erased.at[i], REAL(0.0)), most);
    }
}

/*
 * Erase, in place: the filter to the power of what is erased, as a series of what it takes away.
 *
 * Parameters
 * ----------
 * channel : int
 *     Which channel.
 * at : int
 *     Samples written since what is kept was moved.
 * latency : int
 *     Samples by which the magnetisation is later than the field whose level was taken.
 * erases : bool
 *     If not, sound is only delayed.
 * memory : SelfErasure
 *     Designed; changed in place.
 * audio : ndarray, shape (samples,)
 *     FRAME or fewer, all of one frame; comes out late by LEVEL_DELAY, `latency` included.
 */
KERNEL void self_erasure_run(ix channel, ix at, ix latency, bool erases, const SelfErasure *memory, reals_1
    audio)
{
    const ix count = smaller_integer(audio.n0, SELF_ERASURE_FRAME);
    reals_1 bent = (reals_1){memory->bent.at + channel * memory->bent.n1, memory->bent.n1};
    reals_1 once = (reals_1){memory->once.at + channel * memory->once.n1, memory->once.n1};
    reals_1 twice = (reals_1){memory->twice.at + channel * memory->twice.n1, memory->twice.n1};
    const ix write = bent.n0 - SELF_ERASURE_SLACK + at;
    for (ix i = 0; i < count; i++) {
        bent.at[write + i] = audio.at[i];
    }
    const ix delay = SELF_ERASURE_LEVEL_DELAY - latency;
    const ix centre = write - delay;
    if (!erases) {
        for (ix i = 0; i < count; i++) {
            audio.at[i] = bent.at[centre + i];
        }
    } else {
        const ix fresh = write - SELF_ERASURE_ERASING_HALF;
        self_erasure_take(bent, fresh, memory->taps, (reals_1){once.at + write, write + count - write});
        self_erasure_take(once, fresh, memory->taps, (reals_1){twice.at + write, write + count - write});
        /* The third time at the moment that is let out, where the second is late by two halves. */
        reals_1 thrice = (reals_1){memory->thrice.at, count};
        self_erasure_take(twice, centre + 16, memory->taps, thrice);
        reals_1 erased = (reals_1){memory->erased.at + channel * memory->erased.n1, memory->erased.n1};
        const ix within = floor_remainder(at, SELF_ERASURE_FRAME);
        for (ix i = 0; i < count; i++) {
            const real r = erased.at[within + i];
            const real first = once.at[centre + SELF_ERASURE_ERASING_HALF + i];
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
