/* Generated from record_equaliser.py (13acd810fef97796); do not edit. SPDX-License-Identifier: ISC */

/*
 * The record equaliser as a filter of linear phase: single taps near its middle, groups of equal ones beyond.
 *
 * What is far from the middle shapes the bass alone, so that many taps beside each other may be equal. A group of
 * them costs one multiplication, for the sum of its samples is made once and kept. Where the time constant lasts many
 * samples, so does treble that falls, and single taps reach further.
 */

#include "record_equaliser.h"

#define RECORD_EQUALISER_FRAME 128
#define RECORD_EQUALISER_SLACK 2048
#define RECORD_EQUALISER_STEP 8
#define RECORD_EQUALISER_DIRECT 24
#define RECORD_EQUALISER_GROUPS 8
#define RECORD_EQUALISER_NARROW 8
#define RECORD_EQUALISER_WIDE 32
#define RECORD_EQUALISER_NARROW_AT 25
#define RECORD_EQUALISER_WIDE_AT 89
#define RECORD_EQUALISER_RECORD_TAPS 41
#define RECORD_EQUALISER_FINE_TAPS 97
#define RECORD_EQUALISER_FINE_FROM_SAMPLES REAL(6.0)
#define RECORD_EQUALISER_RECORD_HALF 344
#define RECORD_EQUALISER_LOW_POINTS 128
#define RECORD_EQUALISER_LOW_RANGE REAL(0x1.f333333333333p+1)

/*
 * Write the shapes of the arrays of :class:`RecordEqualiser` from a row on; gives the row of the next one.
 *
 * The shorter time constant of the equalisation tells how far single taps reach.
 */
KERNEL ix record_equaliser_shapes(double treble_us, double sample_rate, ix channels, int64s_2 shapes, ix row)
{
    const ix kept = 2744;
    const ix taps = 0x1.0c6f7a0b5ed8dp-20 * treble_us * sample_rate > 6.0 ? RECORD_EQUALISER_FINE_TAPS :
        RECORD_EQUALISER_RECORD_TAPS;
    row = memory_shapes_shape_row(taps, 1, shapes, row);
    for (ix _ = 0; _ < 3; _++) {
        row = memory_shapes_shape_row(channels, kept, shapes, row);
    }
    return memory_shapes_shape_row(taps + 2, taps, shapes, row);
}

/* Of so many taps those on one side of the middle that stand alone; the others are groups. */
KERNEL ix record_equaliser_single_taps(ix taps)
{
    return taps == RECORD_EQUALISER_FINE_TAPS ? 88 : RECORD_EQUALISER_DIRECT;
}

/* Response of as many pairs of equal taps, the first at a distance from the middle. */
KERNEL double record_equaliser_group_response(ix first, ix width, double turns)
{
    const real middle = (real)((double)first + 0.5 * (double)(width - 1));
    double total = 0.0;
    for (ix k = 0; k < floor_division(width, 2); k++) {
        total += elementary_cosine_of_turns(((double)k + 0.5) * turns);
    }
    return 4.0 * elementary_cosine_of_turns((double)middle * turns) * total;
}

/* Responses of the taps of the record equaliser, at a frequency in turns per sample. */
KERNEL void record_equaliser_record_basis(double turns, doubles_1 basis)
{
    const ix direct = record_equaliser_single_taps(basis.n0);
    basis.at[0] = 1.0;
    for (ix n = 1; n < direct + 1; n++) {
        basis.at[n] = 2.0 * elementary_cosine_of_turns((double)n * turns);
    }
    if (direct == RECORD_EQUALISER_DIRECT) {
        for (ix k = 0; k < RECORD_EQUALISER_GROUPS; k++) {
            basis.at[25 + k] = record_equaliser_group_response(RECORD_EQUALISER_NARROW_AT +
                RECORD_EQUALISER_NARROW * k, RECORD_EQUALISER_NARROW, turns);
        }
    }
    for (ix k = 0; k < RECORD_EQUALISER_GROUPS; k++) {
        basis.at[basis.n0 - RECORD_EQUALISER_GROUPS + k] =
            record_equaliser_group_response(RECORD_EQUALISER_WIDE_AT + RECORD_EQUALISER_WIDE * k,
            RECORD_EQUALISER_WIDE, turns);
    }
}

/* Response of the record equaliser at a frequency in turns per sample. */
KERNEL double record_equaliser_recorded_response(reals_1 taps, double turns)
{
    const ix direct = record_equaliser_single_taps(taps.n0);
    double total = (double)taps.at[0] + long_filter_pair_response((reals_1){taps.at + 1, direct + 1 - 1}, 1,
        turns);
    for (ix k = 0; k < RECORD_EQUALISER_GROUPS; k++) {
        if (direct == RECORD_EQUALISER_DIRECT) {
            const double narrow = record_equaliser_group_response(RECORD_EQUALISER_NARROW_AT +
                RECORD_EQUALISER_NARROW * k, RECORD_EQUALISER_NARROW, turns);
            total += (double)taps.at[25 + k] * narrow;
        }
        const double wide = record_equaliser_group_response(RECORD_EQUALISER_WIDE_AT + RECORD_EQUALISER_WIDE *
            k, RECORD_EQUALISER_WIDE, turns);
        total += (double)taps.at[taps.n0 - RECORD_EQUALISER_GROUPS + k] * wide;
    }
    return total;
}

/*
 * Fit the taps by least squares of the relative error.
 *
 * Points lie in the middles of equal parts of the band, and closer in the bass: there the law has a corner.
 *
 * Parameters
 * ----------
 * medium : Medium
 *     The tape, its speed, its heads and its equalisation.
 * lost_um : float
 *     Loss of recording as a distance.
 * sample_rate : float
 *     Samples per second.
 * points : int
 *     Parts of the band up to half the sample rate.
 * memory : RecordEqualiser
 *     Gets the taps.
 */
KERNEL void record_equaliser_design(const Medium *medium, double lost_um, double sample_rate, ix points, const
    RecordEqualiser *memory)
{
    doubles_2 fit = memory->fit;
    const ix taps = memory->taps.n0;
    doubles_2 matrix = (doubles_2){fit.at, taps, fit.n1};
    doubles_1 right = (doubles_1){fit.at + taps * fit.n1, fit.n1};
    doubles_1 basis = (doubles_1){fit.at + (taps + 1) * fit.n1, fit.n1};
    for (ix row = 0; row < taps; row++) {
        right.at[row] = 0.0;
        for (ix column = 0; column < taps; column++) {
            matrix.at[row * matrix.n1 + column] = 0.0;
        }
    }
    for (ix i = 0; i < points + RECORD_EQUALISER_LOW_POINTS; i++) {
        double turns = 0.5 * ((double)i + 0.5) / (double)points;
        if (i >= points) {
            turns = 0x1.47ae147ae147bp-8 * elementary_exponential((double)(-RECORD_EQUALISER_LOW_RANGE *
                (real)(i - points) / REAL(128.0)));
        }
        const double gain = wavelength_losses_pre_emphasis(medium, lost_um,
            wavelength_losses_flattened_frequency(turns * sample_rate, sample_rate));
        record_equaliser_record_basis(turns, basis);
        for (ix row = 0; row < taps; row++) {
            const double part = basis.at[row] / (gain * gain);
            right.at[row] += part * gain;
            for (ix column = row; column < taps; column++) {
                matrix.at[row * matrix.n1 + column] += part * basis.at[column];
            }
        }
    }
    for (ix row = 0; row < taps; row++) {
        for (ix column = 0; column < row; column++) {
            matrix.at[row * matrix.n1 + column] = matrix.at[column * matrix.n1 + row];
        }
    }
    small_systems_factorise(matrix);
    small_systems_solve_factorised(matrix, right);
    for (ix k = 0; k < taps; k++) {
        memory->taps.at[k] = (real)right.at[k];
    }
}

/* Forget all sound. */
KERNEL void record_equaliser_clear(const RecordEqualiser *memory)
{
    kept_rows_clear_rows(memory->fresh);
    kept_rows_clear_rows(memory->narrow);
    kept_rows_clear_rows(memory->wide);
}

/* Move what is kept of a channel to the front, when SLACK samples have been written. */
KERNEL void record_equaliser_keep(ix channel, const RecordEqualiser *memory)
{
    kept_rows_move_to_front((reals_1){memory->fresh.at + channel * memory->fresh.n1, memory->fresh.n1},
        RECORD_EQUALISER_SLACK);
    kept_rows_move_to_front((reals_1){memory->narrow.at + channel * memory->narrow.n1, memory->narrow.n1},
        RECORD_EQUALISER_SLACK);
    kept_rows_move_to_front((reals_1){memory->wide.at + channel * memory->wide.n1, memory->wide.n1},
        RECORD_EQUALISER_SLACK);
}

/*
 * Add pairs of groups of equal taps, the first group at a distance of the middle; FRAME samples or fewer.
 *
 * ``sums[n]`` is that of the `width` samples that end with number n.
 */
INLINED void record_equaliser_add_groups(reals_1 sums, ix centre, ix first, ix width, reals_1 taps, reals_1
    out)
{
    reals_1 older_groups = (reals_1){sums.at + centre - first - width * 7, sums.n0 - (centre - first - width *
        7)};
    reals_1 newer_groups = (reals_1){sums.at + centre + first + width - 1, sums.n0 - (centre + first + width -
        1)};
    const ix samples = smaller_integer(out.n0, RECORD_EQUALISER_FRAME);
    for (ix i = 0; i < samples; i++) {
        real total = out.at[i];
        for (ix k = 0; k < RECORD_EQUALISER_GROUPS; k++) {
            total += taps.at[k] * (older_groups.at[i + width * (7 - k)] + newer_groups.at[i + width * k]);
        }
        out.at[i] = total;
    }
}

/*
 * Filter samples of a channel that stand in its line already.
 *
 * Parameters
 * ----------
 * channel : int
 *     Which channel.
 * at : int
 *     Samples written since what is kept was moved; the new ones stand from ``len(line) - SLACK + at`` on.
 * memory : RecordEqualiser
 *     Designed; the sums are changed in place.
 * out : ndarray, shape (samples,)
 *     Gets as many samples as are new, FRAME or fewer, late by RECORD_HALF.
 */
KERNEL void record_equaliser_run(ix channel, ix at, const RecordEqualiser *memory, reals_1 out)
{
    reals_1 line = (reals_1){memory->fresh.at + channel * memory->fresh.n1, memory->fresh.n1};
    const ix write = line.n0 - RECORD_EQUALISER_SLACK + at;
    const ix count = smaller_integer(out.n0, RECORD_EQUALISER_FRAME);
    reals_1 narrow = (reals_1){memory->narrow.at + channel * memory->narrow.n1, memory->narrow.n1};
    reals_1 wide = (reals_1){memory->wide.at + channel * memory->wide.n1, memory->wide.n1};
    reals_1 older = (reals_1){line.at + write - RECORD_EQUALISER_NARROW + 1, line.n0 - (write -
        RECORD_EQUALISER_NARROW + 1)};
    reals_1 sums = (reals_1){narrow.at + write, narrow.n0 - write};
    for (ix i = 0; i < count; i++) {
        real total = older.at[i];
        for (ix k = 1; k < RECORD_EQUALISER_NARROW; k++) {
            total += older.at[i + k];
        }
        sums.at[i] = total;
    }
    reals_1 fours = (reals_1){narrow.at + write - 24, narrow.n0 - (write - 24)};
    sums = (reals_1){wide.at + write, wide.n0 - write};
    for (ix i = 0; i < count; i++) {
        const real left = fours.at[i] + fours.at[i + RECORD_EQUALISER_NARROW];
        const real right = fours.at[i + 16] + fours.at[i + 24];
        sums.at[i] = left + right;
    }
    const ix centre = write - RECORD_EQUALISER_RECORD_HALF;
    reals_1 late = (reals_1){line.at + centre, line.n0 - centre};
    for (ix i = 0; i < count; i++) {
        out.at[i] = memory->taps.at[0] * late.at[i];
    }
    const ix direct = record_equaliser_single_taps(memory->taps.n0);
    long_filter_add_symmetric(line, centre, 1, (reals_1){memory->taps.at + 1, direct + 1 - 1}, out);
    if (direct == RECORD_EQUALISER_DIRECT) {
        record_equaliser_add_groups(narrow, centre, RECORD_EQUALISER_NARROW_AT, RECORD_EQUALISER_NARROW,
            (reals_1){memory->taps.at + 25, memory->taps.n0 - 25}, out);
    }
    record_equaliser_add_groups(wide, centre, RECORD_EQUALISER_WIDE_AT, RECORD_EQUALISER_WIDE,
        (reals_1){memory->taps.at + memory->taps.n0 - RECORD_EQUALISER_GROUPS, memory->taps.n0 -
        (memory->taps.n0 - RECORD_EQUALISER_GROUPS)}, out);
}
