/* Generated from absorption.py (1b8336f33ff681ed); do not edit. SPDX-License-Identifier: ISC */

/*
 * Filters that give every line of a feedback delay network its share of a decay time per octave band.
 *
 * A line of M samples must lose ``60 M / (fs T(f))`` decibels per pass for all modes to decay by 60 dB in T(f)
 * seconds (Jot & Chaigne, "Digital delay networks for designing artificial reverberators", AES 90th
 * Convention, 1991). Small errors of the filter are large errors of the decay time (Schlecht & Habets,
 * DAFx-17), so the filters are solved for the decay time at the octave centres, line by line, with Newton's
 * method, and not for a magnitude response. What an octave filter reads is not the decay time at its centre
 * (see `octave_decay`); so the decay times at the centres are themselves solved for, until the octaves read what
 * was asked for.
 *
 * Three structures are tried, the cheapest first:
 *
 * no filter
 *     if all bands are alike;
 * one section, or two
 *     two first-order shelves in each second-order section, fitted by damped least squares;
 * a cascade
 *     one second-order shelf between each two octaves (a graphic equaliser whose bands are the differences
 *     between neighbours), solved exactly at the centres, without the shelves that are not needed.
 *
 * The shelves are steep (Q = 1.3); the value comes from our own designs of thirty tables, as their places do, see
 * :mod:`tapeemu.dsp.kernels.second_order_shelves`.
 */

#include "absorption.h"

#define ABSORPTION_TOLERANCE REAL(0x1.26e978d4fdf3bp-7)
#define ABSORPTION_ASKED 0
#define ABSORPTION_BEST 2
#define ABSORPTION_FLOOR_DB REAL(-90.0)
#define ABSORPTION_FOUND 9
#define ABSORPTION_LEVELS 0
#define ABSORPTION_LOUDEST 3
#define ABSORPTION_PROGRESS 4
#define ABSORPTION_TRIAL 1
#define ABSORPTION_HUGE REAL(0x1.7e43c8800759cp+996)
#define ABSORPTION_PLAUSIBLE REAL(0x1.eb851eb851eb8p-6)
#define ABSORPTION_STEEPEST_Q REAL(0x1.4cccccccccccdp+0)
#define ABSORPTION_STEEP_Q REAL(0x1.199999999999ap+0)
#define ABSORPTION_CALM_Q REAL(0x1.ccccccccccccdp-1)
#define ABSORPTION_GOOD_ENOUGH REAL(0x1.47ae147ae147bp-6)
#define ABSORPTION_OVERSHOOT REAL(0x1.4cccccccccccdp+0)
#define ABSORPTION_CORRECTIONS 16
#define ABSORPTION_SIMPLE_CORRECTIONS 6
#define ABSORPTION_LARGEST_CORRECTION REAL(0x1.999999999999ap+0)
#define ABSORPTION_TRUSTED 4
#define ABSORPTION_CAUTIOUS REAL(0x1.6666666666666p-1)
#define ABSORPTION_FAR_OFF REAL(0.5)
#define ABSORPTION_HOPELESS REAL(8.0)
#define ABSORPTION_GRID 900
#define ABSORPTION_WIDE_POINTS 500
#define ABSORPTION_NARROW_POINTS 400

/* Frequencies from zero to half the sample rate, close enough to see every ripple of a shelf. */
KERNEL double absorption_grid_hz(ix k, double sample_rate)
{
    double place = (double)(k - 1);
    double value = 0.0;
    if (k > ABSORPTION_WIDE_POINTS) {
        /* Towards half the rate the bilinear transform narrows them. */
        place = place - 500.0;
        const double steps = 399.0;
        const double near = 0x1.a36e2eb1c432dp-14 * elementary_exponential(place / steps *
            elementary_logarithm(2000.0));
        value = 0.5 * sample_rate - near * sample_rate;
    } else if (k > 0) {
        const double wide_steps = 499.0;
        value = 5.0 * elementary_exponential(place / wide_steps * elementary_logarithm(0x1.999999999999ap-4 *
            sample_rate));
    }
    return value;
}

/* Write the largest power gain of one pass through each line, at any frequency. */
KERNEL void absorption_fill_loudest(doubles_3 filters, double sample_rate, doubles_2 progress)
{
    for (ix line = 0; line < filters.n2; line++) {
        progress.at[line * progress.n1 + ABSORPTION_LOUDEST] = 0.0;
    }
    for (ix k = 0; k < 901; k++) {
        const double turns = absorption_grid_hz(k, sample_rate) / sample_rate;
        const double cosine = elementary_cosine_of_turns(turns);
        const double sine = elementary_sine_of_turns(turns);
        for (ix line = 0; line < filters.n2; line++) {
            progress.at[line * progress.n1 + ABSORPTION_LOUDEST] = larger_double(progress.at[line *
                progress.n1 + ABSORPTION_LOUDEST], line_filters_pass_power(filters, line, cosine, sine));
        }
    }
    /* Sharp peaks lie where the poles are, and may be narrower than any grid. */
    const ix stop_1 = 1 + line_filters_section_count(filters);
    for (ix section = 1; section < stop_1; section++) {
        for (ix line = 0; line < filters.n2; line++) {
            const double twice = larger_double(filters.at[section * filters.n1 * filters.n2 + 3 * filters.n2 +
                line], 0x1.12e0be826d695p-30);
            double pole_cosine = -0.5 * filters.at[section * filters.n1 * filters.n2 + 2 * filters.n2 + line]
                / square_root_double(twice);
            pole_cosine = smaller_double(larger_double(pole_cosine, -1.0), 1.0);
            const double pole_sine = square_root_double(1.0 - pole_cosine * pole_cosine);
            for (ix other = 0; other < filters.n2; other++) {
                progress.at[other * progress.n1 + ABSORPTION_LOUDEST] = larger_double(progress.at[other *
                    progress.n1 + ABSORPTION_LOUDEST], line_filters_pass_power(filters, other, pole_cosine,
                    pole_sine));
            }
        }
    }
}

/*
 * Whether no line rings longer than the longest decay time allows; lines that would can be turned down.
 *
 * Turning a line down as a whole leaves a wrong decay time, but a stable one.
 */
KERNEL bool absorption_calm(doubles_3 filters, int64s_1 delays, double sample_rate, ix bands, const
    AbsorptionScratch *work, bool turn_down)
{
    doubles_2 progress = (doubles_2){work->lines.at + ABSORPTION_PROGRESS * work->lines.n1 * work->lines.n2,
        work->lines.n1, work->lines.n2};
    double longest = 0.0;
    for (ix band = 0; band < bands; band++) {
        longest = larger_double(longest, work->centres.at[band]);
    }
    absorption_fill_loudest(filters, sample_rate, progress);
    bool calm_enough = true;
    for (ix line = 0; line < delays.n0; line++) {
        const double samples = (double)delays.at[line];
        const double allowed_db = larger_double(-60.0 * samples / (sample_rate * 0x1.4cccccccccccdp+0 *
            longest), -90.0);
        const double excess_db = line_filters_power_db(progress.at[line * progress.n1 + ABSORPTION_LOUDEST]) -
            allowed_db;
        if (excess_db > 0.0) {
            calm_enough = false;
            if (turn_down) {
                filters.at[line] *= elementary_power_of_ten(-excess_db / 20.0);
            }
        }
    }
    return calm_enough;
}

/* Q of the shelves of a structure. */
KERNEL double absorption_steepness(ix structure)
{
    double q = 0x1.4cccccccccccdp+0;
    if (structure == 4) {
        q = 0x1.199999999999ap+0;
    } else if (structure == 5) {
        q = 0x1.ccccccccccccdp-1;
    }
    return q;
}

/* Correct the decay times on trial by the ratio of what shall be read to what is read. */
KERNEL void absorption_correct(ix attempt, ix bands, const AbsorptionScratch *work)
{
    doubles_2 centres = work->centres;
    for (ix band = 0; band < bands; band++) {
        double ratio = centres.at[band] / centres.at[ABSORPTION_FOUND * centres.n1 + band];
        ratio = smaller_double(larger_double(ratio, 0.625), 0x1.999999999999ap+0);
        if (attempt >= ABSORPTION_TRUSTED) {
            ratio = elementary_exponential(0x1.6666666666666p-1 * elementary_logarithm(ratio));
        }
        centres.at[ABSORPTION_TRIAL * centres.n1 + band] *= ratio;
    }
}

/*
 * Find the decay times at the centres with which the octaves read the ones asked for.
 *
 * Structures are filters of one or two sections, or shelves of three degrees of steepness. The best filters are
 * the chosen ones, and the decay times at the centres are kept beside them. Gives the largest relative error of
 * what is read.
 */
KERNEL double absorption_solve_centres(ix structure, int64s_1 delays, double sample_rate, ix bands, const
    AbsorptionScratch *work)
{
    const ix corrections = structure <= 2 ? ABSORPTION_SIMPLE_CORRECTIONS : ABSORPTION_CORRECTIONS;
    doubles_2 centres = work->centres;
    for (ix band = 0; band < bands; band++) {
        centres.at[ABSORPTION_TRIAL * centres.n1 + band] = centres.at[band];
        centres.at[ABSORPTION_BEST * centres.n1 + band] = centres.at[band];
    }
    double smallest = 0x1.7e43c8800759cp+996;
    for (ix attempt = 0; attempt < corrections; attempt++) {
        octave_readings_fill_levels(delays, (doubles_1){centres.at + ABSORPTION_TRIAL * centres.n1,
            centres.n1}, sample_rate, bands, (doubles_2){work->lines.at, work->lines.n1, work->lines.n2});
        if (structure <= 2) {
            first_order_shelves_fit_first_order(structure, sample_rate, bands, work);
        } else {
            second_order_shelves_fit_shelves(bands - 1, absorption_steepness(structure), sample_rate, bands,
                work);
        }
        if (attempt == 0 && structure <= 2 && octave_readings_centre_error(work->trial, bands, work) >
            0x1.eb851eb851eb8p-6) {
            break;
        }
        const double error = octave_readings_read_decays(work->trial, delays, sample_rate, bands, work,
            (doubles_1){centres.at + ABSORPTION_FOUND * centres.n1, centres.n1});
        if (error < smallest || attempt == 0) {
            smallest = smaller_double(error, smallest);
            line_filters_copy_filters(work->trial, work->chosen);
            for (ix band = 0; band < bands; band++) {
                centres.at[ABSORPTION_BEST * centres.n1 + band] = centres.at[ABSORPTION_TRIAL * centres.n1 +
                    band];
            }
        }
        const bool hopeless = attempt >= ABSORPTION_TRUSTED && (smallest > 0.5 || error > 8.0 * smallest);
        if (error < 0x1.d7dbf487fcb92p-10 || hopeless) {
            break;
        }
        absorption_correct(attempt, bands, work);
    }
    return smallest;
}

/*
 * Design the filters of all lines so that octave bands read the decay times asked for.
 *
 * Every line loses level at every frequency: its decay time is nowhere longer than 1.3 times the longest asked
 * for, however steep the table is.
 *
 * Parameters
 * ----------
 * delays : ndarray of int64, shape (lines,)
 *     Samples of one pass through each line.
 * seconds : ndarray, shape (9,)
 *     Seconds per 60 dB that the octave bands 63 Hz to 16 kHz shall read. Bands above 0.45 of the sample
 *     rate are left out. A pass never loses more than 90 dB at a centre.
 * sample_rate : float
 *     Samples per second.
 * filters : ndarray, shape (FILTER_ROWS, 4, lines)
 *     Gets the result.
 * work : AbsorptionScratch
 *     Scratch.
 */
KERNEL void design_absorption(int64s_1 delays, doubles_1 seconds, double sample_rate, doubles_3 filters, const
    AbsorptionScratch *work)
{
    const ix bands = room_layout_usable_bands(sample_rate);
    octave_readings_prepare_tables(sample_rate, bands, work);
    double fastest = seconds.at[0];
    double slowest = seconds.at[0];
    for (ix band = 0; band < bands; band++) {
        work->centres.at[band] = seconds.at[band];
        fastest = smaller_double(fastest, seconds.at[band]);
        slowest = larger_double(slowest, seconds.at[band]);
    }
    octave_readings_fill_levels(delays, (doubles_1){work->centres.at, work->centres.n1}, sample_rate, bands,
        (doubles_2){work->lines.at, work->lines.n1, work->lines.n2});
    if (slowest - fastest <= 0x1.12e0be826d695p-30 * seconds.at[0]) {
        filters.at[1 * filters.n2] = 0.0;
        for (ix line = 0; line < delays.n0; line++) {
            filters.at[line] = elementary_power_of_ten(work->lines.at[line * work->lines.n2] / 20.0);
        }
        return;
    }
    double smallest = 0x1.7e43c8800759cp+996;
    for (ix structure = 1; structure < 6; structure++) {
        double error = absorption_solve_centres(structure, delays, sample_rate, bands, work);
        const bool simple = structure <= 2;
        if (simple && error > 0x1.26e978d4fdf3bp-7) {
            continue;
        }
        if (!simple && error <= 0x1.26e978d4fdf3bp-7) {
            octave_readings_fill_levels(delays, (doubles_1){work->centres.at + ABSORPTION_BEST *
                work->centres.n1, work->centres.n1}, sample_rate, bands, (doubles_2){work->lines.at,
                work->lines.n1, work->lines.n2});
            second_order_shelves_thin_shelves(absorption_steepness(structure), sample_rate, bands, work);
        }
        const bool is_calm = absorption_calm(work->chosen, delays, sample_rate, bands, work, !simple);
        if (simple && !is_calm) {
            continue;
        }
        if (simple) {
            line_filters_copy_filters(work->chosen, filters);
            return;
        }
        error = octave_readings_read_decays(work->chosen, delays, sample_rate, bands, work,
            (doubles_1){work->centres.at + ABSORPTION_FOUND * work->centres.n1, work->centres.n1});
        if (error < smallest) {
            smallest = error;
            line_filters_copy_filters(work->chosen, filters);
        }
        if (error <= 0x1.47ae147ae147bp-6 || error > 0.5) {
            break;
        }
    }
}
