/* Generated from octave_readings.py (0fbcd8fec3ac0b03); do not edit. SPDX-License-Identifier: ISC */

/*
 * The decay times that octave bands read of the lines of a feedback delay network, and the scratch of its design.
 *
 * What an octave filter reads is not the decay time at its centre, see :mod:`tapeemu.dsp.kernels.octave_decay`.
 */

#include "octave_readings.h"

#define OCTAVE_READINGS_MOMENTS 160
#define OCTAVE_READINGS_HZ 0
#define OCTAVE_READINGS_COSINE 1
#define OCTAVE_READINGS_SINE 2
#define OCTAVE_READINGS_POWER 3
#define OCTAVE_READINGS_LEVEL 4
#define OCTAVE_READINGS_TAKEN 5
#define OCTAVE_READINGS_DECAY 6
#define OCTAVE_READINGS_LEFT 7
#define OCTAVE_READINGS_ASKED 0
#define OCTAVE_READINGS_CENTRE_COSINE 3
#define OCTAVE_READINGS_CENTRE_SINE 4
#define OCTAVE_READINGS_CENTRE_SQUARE 5
#define OCTAVE_READINGS_LEVELS 0
#define OCTAVE_READINGS_FLOOR_DB REAL(-90.0)
#define OCTAVE_READINGS_SILENT_DB REAL(-300.0)
#define OCTAVE_READINGS_LONGEST_SECONDS REAL(1000.0)
#define OCTAVE_READINGS_SPARSELY 4
#define OCTAVE_READINGS_LEAST_TIME REAL(0.5)

/* Fill in what depends on the sample rate alone: frequencies of readings, centres, and their angles. */
KERNEL void octave_readings_prepare_tables(double sample_rate, ix bands, const AbsorptionScratch *work)
{
    doubles_2 points = work->points;
    doubles_2 centres = work->centres;
    const ix count = octave_decay_reading_points(room_layout_octave_hz(0), room_layout_octave_hz(bands - 1),
        sample_rate);
    octave_decay_fill_reading_frequencies(room_layout_octave_hz(0), room_layout_octave_hz(bands - 1),
        sample_rate, (doubles_1){points.at, count});
    for (ix k = 0; k < count; k++) {
        const double turns = points.at[k] / sample_rate;
        points.at[OCTAVE_READINGS_COSINE * points.n1 + k] = elementary_cosine_of_turns(turns);
        points.at[OCTAVE_READINGS_SINE * points.n1 + k] = elementary_sine_of_turns(turns);
    }
    for (ix band = 0; band < bands; band++) {
        const double centre = room_layout_octave_hz(band) / sample_rate;
        centres.at[OCTAVE_READINGS_CENTRE_COSINE * centres.n1 + band] = elementary_cosine_of_turns(centre);
        centres.at[OCTAVE_READINGS_CENTRE_SINE * centres.n1 + band] = elementary_sine_of_turns(centre);
        const double bilinear = elementary_sine_of_turns(0.5 * centre) / elementary_cosine_of_turns(0.5 *
            centre);
        centres.at[OCTAVE_READINGS_CENTRE_SQUARE * centres.n1 + band] = bilinear * bilinear;
    }
}

/* Add up the level of one pass through each line, at all frequencies of readings. */
KERNEL void octave_readings_sum_levels(doubles_3 filters, ix count, doubles_2 points)
{
    for (ix k = 0; k < count; k++) {
        points.at[OCTAVE_READINGS_LEVEL * points.n1 + k] = 0.0;
    }
    for (ix line = 0; line < filters.n2; line++) {
        const double gain = filters.at[line];
        for (ix k = 0; k < count; k++) {
            points.at[OCTAVE_READINGS_POWER * points.n1 + k] = gain * gain;
        }
        const ix stop_1 = 1 + line_filters_section_count(filters);
        for (ix section = 1; section < stop_1; section++) {
            const double e = filters.at[section * filters.n1 * filters.n2 + 2 * filters.n2 + line];
            const double f = filters.at[section * filters.n1 * filters.n2 + 3 * filters.n2 + line];
            const double c = filters.at[section * filters.n1 * filters.n2 + line] + e;
            const double d = filters.at[section * filters.n1 * filters.n2 + 1 * filters.n2 + line] + f;
            for (ix k = 0; k < count; k++) {
                const double above = line_filters_quadratic_power(c, d, points.at[OCTAVE_READINGS_COSINE *
                    points.n1 + k], points.at[OCTAVE_READINGS_SINE * points.n1 + k]);
                points.at[OCTAVE_READINGS_POWER * points.n1 + k] *= above / line_filters_quadratic_power(e, f,
                    points.at[OCTAVE_READINGS_COSINE * points.n1 + k], points.at[OCTAVE_READINGS_SINE *
                    points.n1 + k]);
            }
        }
        for (ix k = 0; k < count; k++) {
            points.at[OCTAVE_READINGS_LEVEL * points.n1 + k] +=
                larger_double(line_filters_power_db(points.at[OCTAVE_READINGS_POWER * points.n1 + k]),
                -300.0);
        }
    }
}

/*
 * Add up the samples that one pass through each line takes, at all frequencies of readings.
 *
 * They are smooth, and the filters' share is little: a sixth of an octave is close enough, with lines between.
 */
KERNEL void octave_readings_sum_delays(doubles_3 filters, int64s_1 delays, ix count, doubles_2 points)
{
    double whole = 0.0;
    for (ix line = 0; line < delays.n0; line++) {
        const double length = (double)delays.at[line];
        whole += length;
    }
    const ix last = count - 1;
    ix known = 0;
    points.at[OCTAVE_READINGS_TAKEN * points.n1] = whole;
    for (ix line = 0; line < delays.n0; line++) {
        points.at[OCTAVE_READINGS_TAKEN * points.n1] += line_filters_filter_delay(filters, line,
            points.at[OCTAVE_READINGS_COSINE * points.n1], points.at[OCTAVE_READINGS_SINE * points.n1]);
    }
    while (known < last) {
        const ix ahead = smaller_integer(known + OCTAVE_READINGS_SPARSELY, last);
        double taken = whole;
        for (ix line = 0; line < delays.n0; line++) {
            taken += line_filters_filter_delay(filters, line, points.at[OCTAVE_READINGS_COSINE * points.n1 +
                ahead], points.at[OCTAVE_READINGS_SINE * points.n1 + ahead]);
        }
        points.at[OCTAVE_READINGS_TAKEN * points.n1 + ahead] = taken;
        const double slope = (taken - points.at[OCTAVE_READINGS_TAKEN * points.n1 + known]) /
            (points.at[ahead] - points.at[known]);
        for (ix k = known + 1; k < ahead; k++) {
            points.at[OCTAVE_READINGS_TAKEN * points.n1 + k] = points.at[OCTAVE_READINGS_TAKEN * points.n1 +
                known] + slope * (points.at[k] - points.at[known]);
        }
        known = ahead;
    }
}

/*
 * Write the decay time that each octave band of the whole network reads (T30), all gains included.
 *
 * A mode passes through all lines, so it loses per second what all of them lose together, over the time
 * that they take together. ``work`` must have been through :func:`prepare_tables`. Gives the largest relative
 * error against the decay times asked for.
 */
KERNEL double octave_readings_read_decays(doubles_3 filters, int64s_1 delays, double sample_rate, ix bands,
    const AbsorptionScratch *work, doubles_1 out)
{
    doubles_2 points = work->points;
    const ix count = octave_decay_reading_points(room_layout_octave_hz(0), room_layout_octave_hz(bands - 1),
        sample_rate);
    octave_readings_sum_levels(filters, count, points);
    octave_readings_sum_delays(filters, delays, count, points);
    double shortest = 0.0;
    for (ix line = 0; line < delays.n0; line++) {
        const double length = (double)delays.at[line];
        shortest += 0.5 * length;
    }
    for (ix k = 0; k < count; k++) {
        /* While a solution is being sought, filters may gain level somewhere, or take longer than the lines. */
        const double whole = -60.0 * larger_double(points.at[OCTAVE_READINGS_TAKEN * points.n1 + k], shortest)
            / sample_rate;
        points.at[OCTAVE_READINGS_DECAY * points.n1 + k] = whole /
            smaller_double(points.at[OCTAVE_READINGS_LEVEL * points.n1 + k], whole / 1000.0);
    }
    double largest = 0.0;
    for (ix band = 0; band < bands; band++) {
        out.at[band] = octave_decay_octave_reading(room_layout_octave_hz(band), (doubles_1){points.at, count},
            (doubles_1){points.at + OCTAVE_READINGS_DECAY * points.n1, count}, (doubles_1){points.at +
            OCTAVE_READINGS_LEFT * points.n1, OCTAVE_READINGS_MOMENTS});
        largest = larger_double(largest, magnitude_double(work->centres.at[band] / out.at[band] - 1.0));
    }
    return largest;
}

/* Write the level of one pass through each line at the octave centres. */
KERNEL void octave_readings_fill_levels(int64s_1 delays, doubles_1 seconds, double sample_rate, ix bands,
    doubles_2 levels)
{
    for (ix line = 0; line < delays.n0; line++) {
        const double samples = (double)delays.at[line];
        for (ix band = 0; band < bands; band++) {
            levels.at[line * levels.n1 + band] = larger_double(-60.0 * samples / (sample_rate *
                seconds.at[band]), -90.0);
        }
    }
}

/* Largest relative error of the decay time at the centres over all lines. */
KERNEL double octave_readings_centre_error(doubles_3 filters, ix bands, const AbsorptionScratch *work)
{
    doubles_2 centres = work->centres;
    double largest = 0.0;
    for (ix line = 0; line < filters.n2; line++) {
        for (ix band = 0; band < bands; band++) {
            const double got = line_filters_power_db(line_filters_pass_power(filters, line,
                centres.at[OCTAVE_READINGS_CENTRE_COSINE * centres.n1 + band],
                centres.at[OCTAVE_READINGS_CENTRE_SINE * centres.n1 + band]));
            largest = larger_double(largest, magnitude_double(work->lines.at[line * work->lines.n2 + band] /
                got - 1.0));
        }
    }
    return largest;
}
