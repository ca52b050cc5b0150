/* Generated from absorption.py (0ef821a15f4299fb); do not edit. SPDX-License-Identifier: ISC */

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
 * The shelves lie a fifth of an octave towards the slower of the two bands, and are steep (Q = 1.3): what is
 * read in an octave is ruled by its slowest part, and a shelf in the middle would let the slow neighbour
 * into the fast band. Both values come from our own designs of thirty tables: with them octave filters of
 * different skirts agree best, and solving for readings converges.
 */

#include "absorption.h"

#define ABSORPTION_MOMENTS 160
#define ABSORPTION_HZ 0
#define ABSORPTION_COSINE 1
#define ABSORPTION_SINE 2
#define ABSORPTION_POWER 3
#define ABSORPTION_LEVEL 4
#define ABSORPTION_TAKEN 5
#define ABSORPTION_DECAY 6
#define ABSORPTION_LEFT 7
#define ABSORPTION_ASKED 0
#define ABSORPTION_TRIAL 1
#define ABSORPTION_BEST 2
#define ABSORPTION_CENTRE_COSINE 3
#define ABSORPTION_CENTRE_SINE 4
#define ABSORPTION_CENTRE_SQUARE 5
#define ABSORPTION_CORNER 6
#define ABSORPTION_CORNER_COSINE 7
#define ABSORPTION_CORNER_SINE 8
#define ABSORPTION_FOUND 9
#define ABSORPTION_RESIDUE 10
#define ABSORPTION_CORNER_KEPT 11
#define ABSORPTION_MATRIX 12
#define ABSORPTION_NORMAL 21
#define ABSORPTION_DECAYS 30
#define ABSORPTION_LEVELS 0
#define ABSORPTION_UNKNOWNS 1
#define ABSORPTION_STEPS 2
#define ABSORPTION_BEST_UNKNOWNS 3
#define ABSORPTION_PROGRESS 4
#define ABSORPTION_COST 0
#define ABSORPTION_DAMPING 1
#define ABSORPTION_DONE 2
#define ABSORPTION_LOUDEST 3
#define ABSORPTION_ATTEMPTS 40
#define ABSORPTION_STALLED REAL(0x1.47ae147ae147bp-7)
#define ABSORPTION_HEAVIEST REAL(10000.0)
#define ABSORPTION_PLAUSIBLE REAL(0x1.eb851eb851eb8p-6)
#define ABSORPTION_SHELF_SHIFT REAL(0x1.2611186bae675p+0)
#define ABSORPTION_STEEPEST_Q REAL(0x1.4cccccccccccdp+0)
#define ABSORPTION_STEEP_Q REAL(0x1.199999999999ap+0)
#define ABSORPTION_CALM_Q REAL(0x1.ccccccccccccdp-1)
#define ABSORPTION_GOOD_ENOUGH REAL(0x1.47ae147ae147bp-6)
#define ABSORPTION_FLOOR_DB REAL(-90.0)
#define ABSORPTION_TOLERANCE REAL(0x1.26e978d4fdf3bp-7)
#define ABSORPTION_SPARED REAL(0x1.cac083126e979p-8)
#define ABSORPTION_OVERSHOOT REAL(0x1.4cccccccccccdp+0)
#define ABSORPTION_SILENT_DB REAL(-300.0)
#define ABSORPTION_LONGEST_SECONDS REAL(1000.0)
#define ABSORPTION_SPARSELY 4
#define ABSORPTION_LEAST_TIME REAL(0.5)
#define ABSORPTION_CORRECTIONS 16
#define ABSORPTION_SIMPLE_CORRECTIONS 6
#define ABSORPTION_LARGEST_CORRECTION REAL(0x1.999999999999ap+0)
#define ABSORPTION_TRUSTED 4
#define ABSORPTION_CAUTIOUS REAL(0x1.6666666666666p-1)
#define ABSORPTION_FAR_OFF REAL(0.5)
#define ABSORPTION_HOPELESS REAL(8.0)
#define ABSORPTION_NEWTON_STEPS 12
#define ABSORPTION_EXACT REAL(0x1.0c6f7a0b5ed8dp-20)
#define ABSORPTION_STEP REAL(0x1.a36e2eb1c432dp-14)
#define ABSORPTION_GRID 900
#define ABSORPTION_WIDE_POINTS 500
#define ABSORPTION_NARROW_POINTS 400
#define ABSORPTION_PER_NEPER_DB REAL(0x1.15f2ced384f29p+2)
#define ABSORPTION_LN10 REAL(0x1.26bb1bbb55516p+1)
#define ABSORPTION_SMALLEST_CORNER REAL(-0x1.7069e2aa2aa5bp+3)
#define ABSORPTION_LARGEST_CORNER REAL(0x1.26bb1bbb55516p+3)
#define ABSORPTION_HUGE REAL(0x1.7e43c8800759cp+996)

/* How many sections every line's filter has. */
KERNEL ix absorption_section_count(doubles_3 filters)
{
    return (ix)filters.at[1 * filters.n2];
}

/* ``|1 + once / z + twice / z^2| ^ 2`` at an angle with this cosine and sine. */
KERNEL double absorption_quadratic_power(double once, double twice, double cosine, double sine)
{
    const double real_part = 1.0 + once * cosine + twice * (2.0 * cosine * cosine - 1.0);
    const double imaginary_part = once * sine + twice * (2.0 * cosine * sine);
    return real_part * real_part + imaginary_part * imaginary_part;
}

/* Power gain of one pass through a line, its gain included, at an angle with this cosine and sine. */
KERNEL double absorption_pass_power(doubles_3 filters, ix line, double cosine, double sine)
{
    double power = filters.at[line] * filters.at[line];
    const ix stop_1 = 1 + absorption_section_count(filters);
    for (ix section = 1; section < stop_1; section++) {
        const double e = filters.at[section * filters.n1 * filters.n2 + 2 * filters.n2 + line];
        const double f = filters.at[section * filters.n1 * filters.n2 + 3 * filters.n2 + line];
        const double above = absorption_quadratic_power(filters.at[section * filters.n1 * filters.n2 + line] +
            e, filters.at[section * filters.n1 * filters.n2 + 1 * filters.n2 + line] + f, cosine, sine);
        power *= above / absorption_quadratic_power(e, f, cosine, sine);
    }
    return power;
}

/* Group delay of ``1 + once / z + twice / z^2`` in samples: the derivative of its logarithm. */
KERNEL double absorption_quadratic_delay(double once, double twice, double cosine, double sine)
{
    const double double_cosine = 2.0 * cosine * cosine - 1.0;
    const double double_sine = 2.0 * cosine * sine;
    const double real_part = 1.0 + once * cosine + twice * double_cosine;
    const double imaginary_part = once * sine + twice * double_sine;
    const double real_slope = once * cosine + 2.0 * (twice * double_cosine);
    const double imaginary_slope = once * sine + 2.0 * (twice * double_sine);
    const double power = real_part * real_part + imaginary_part * imaginary_part;
    return (real_slope * real_part + imaginary_slope * imaginary_part) / power;
}

/*
 * Group delay of a line's filter in samples, at an angle with this cosine and sine.
 *
 * A filter whose loss changes over frequency delays, or hastens. Where a decay lasts for few periods that is
 * as much as 4 % of the pass, and the decay is as much longer or shorter.
 */
KERNEL double absorption_filter_delay(doubles_3 filters, ix line, double cosine, double sine)
{
    double delay = 0.0;
    const ix stop_1 = 1 + absorption_section_count(filters);
    for (ix section = 1; section < stop_1; section++) {
        const double e = filters.at[section * filters.n1 * filters.n2 + 2 * filters.n2 + line];
        const double f = filters.at[section * filters.n1 * filters.n2 + 3 * filters.n2 + line];
        delay += absorption_quadratic_delay(filters.at[section * filters.n1 * filters.n2 + line] + e,
            filters.at[section * filters.n1 * filters.n2 + 1 * filters.n2 + line] + f, cosine, sine) -
            absorption_quadratic_delay(e, f, cosine, sine);
    }
    return delay;
}

/* Level of a power. */
KERNEL double absorption_power_db(double power)
{
    return 0x1.15f2ced384f29p+2 * elementary_logarithm(power);
}

/* Level of one pass through a line at a frequency, all its gains included. */
KERNEL double absorption_loop_level_db(doubles_3 filters, ix line, double frequency_hz, double sample_rate)
{
    const double turns = frequency_hz / sample_rate;
    return absorption_power_db(absorption_pass_power(filters, line, elementary_cosine_of_turns(turns),
        elementary_sine_of_turns(turns)));
}

/* Decay time that a line's pass stands for: ``-3 M / (fs log10 |H(f)|)``, M with the filter's group delay. */
KERNEL double absorption_loop_decay_seconds(doubles_3 filters, int64_t delay, ix line, double frequency_hz,
    double sample_rate)
{
    const double turns = frequency_hz / sample_rate;
    const double cosine = elementary_cosine_of_turns(turns);
    const double sine = elementary_sine_of_turns(turns);
    const double samples = (double)delay + absorption_filter_delay(filters, line, cosine, sine);
    return -60.0 * samples / (sample_rate * absorption_power_db(absorption_pass_power(filters, line, cosine,
        sine)));
}

/* Copy gains and sections. */
KERNEL void absorption_copy_filters(doubles_3 source, doubles_3 target)
{
    const ix stop_1 = 1 + absorption_section_count(source);
    for (ix row = 0; row < stop_1; row++) {
        for (ix part = 0; part < 4; part++) {
            for (ix line = 0; line < source.n2; line++) {
                target.at[row * target.n1 * target.n2 + part * target.n2 + line] = source.at[row * source.n1 *
                    source.n2 + part * source.n2 + line];
            }
        }
    }
}

/* Fill in what depends on the sample rate alone: frequencies of readings, centres, and their angles. */
KERNEL void absorption_prepare_tables(double sample_rate, ix bands, const AbsorptionScratch *work)
{
    doubles_2 points = work->points;
    doubles_2 centres = work->centres;
    const ix count = octave_decay_reading_points(room_layout_octave_hz(0), room_layout_octave_hz(bands - 1),
        sample_rate);
    octave_decay_fill_reading_frequencies(room_layout_octave_hz(0), room_layout_octave_hz(bands - 1),
        sample_rate, (doubles_1){points.at, count});
    for (ix k = 0; k < count; k++) {
        const double turns = points.at[k] / sample_rate;
        points.at[ABSORPTION_COSINE * points.n1 + k] = elementary_cosine_of_turns(turns);
        points.at[ABSORPTION_SINE * points.n1 + k] = elementary_sine_of_turns(turns);
    }
    for (ix band = 0; band < bands; band++) {
        const double centre = room_layout_octave_hz(band) / sample_rate;
        centres.at[ABSORPTION_CENTRE_COSINE * centres.n1 + band] = elementary_cosine_of_turns(centre);
        centres.at[ABSORPTION_CENTRE_SINE * centres.n1 + band] = elementary_sine_of_turns(centre);
        const double bilinear = elementary_sine_of_turns(0.5 * centre) / elementary_cosine_of_turns(0.5 *
            centre);
        centres.at[ABSORPTION_CENTRE_SQUARE * centres.n1 + band] = bilinear * bilinear;
    }
}

/* Add up the level of one pass through each line, at all frequencies of readings. */
KERNEL void absorption_sum_levels(doubles_3 filters, ix count, doubles_2 points)
{
    for (ix k = 0; k < count; k++) {
        points.at[ABSORPTION_LEVEL * points.n1 + k] = 0.0;
    }
    for (ix line = 0; line < filters.n2; line++) {
        const double gain = filters.at[line];
        for (ix k = 0; k < count; k++) {
            points.at[ABSORPTION_POWER * points.n1 + k] = gain * gain;
        }
        const ix stop_1 = 1 + absorption_section_count(filters);
        for (ix section = 1; section < stop_1; section++) {
            const double e = filters.at[section * filters.n1 * filters.n2 + 2 * filters.n2 + line];
            const double f = filters.at[section * filters.n1 * filters.n2 + 3 * filters.n2 + line];
            const double c = filters.at[section * filters.n1 * filters.n2 + line] + e;
            const double d = filters.at[section * filters.n1 * filters.n2 + 1 * filters.n2 + line] + f;
            for (ix k = 0; k < count; k++) {
                const double above = absorption_quadratic_power(c, d, points.at[ABSORPTION_COSINE * points.n1
                    + k], points.at[ABSORPTION_SINE * points.n1 + k]);
                points.at[ABSORPTION_POWER * points.n1 + k] *= above / absorption_quadratic_power(e, f,
                    points.at[ABSORPTION_COSINE * points.n1 + k], points.at[ABSORPTION_SINE * points.n1 + k]);
            }
        }
        for (ix k = 0; k < count; k++) {
            points.at[ABSORPTION_LEVEL * points.n1 + k] +=
                larger_double(absorption_power_db(points.at[ABSORPTION_POWER * points.n1 + k]), -300.0);
        }
    }
}

/*
 * Add up the samples that one pass through each line takes, at all frequencies of readings.
 *
 * They are smooth, and the filters' share is little: a sixth of an octave is close enough, with lines between.
 */
KERNEL void absorption_sum_delays(doubles_3 filters, int64s_1 delays, ix count, doubles_2 points)
{
    double whole = 0.0;
    for (ix line = 0; line < delays.n0; line++) {
        const double length = (double)delays.at[line];
        whole += length;
    }
    const ix last = count - 1;
    ix known = 0;
    points.at[ABSORPTION_TAKEN * points.n1] = whole;
    for (ix line = 0; line < delays.n0; line++) {
        points.at[ABSORPTION_TAKEN * points.n1] += absorption_filter_delay(filters, line,
            points.at[ABSORPTION_COSINE * points.n1], points.at[ABSORPTION_SINE * points.n1]);
    }
    while (known < last) {
        const ix ahead = smaller_integer(known + ABSORPTION_SPARSELY, last);
        double taken = whole;
        for (ix line = 0; line < delays.n0; line++) {
            taken += absorption_filter_delay(filters, line, points.at[ABSORPTION_COSINE * points.n1 + ahead],
                points.at[ABSORPTION_SINE * points.n1 + ahead]);
        }
        points.at[ABSORPTION_TAKEN * points.n1 + ahead] = taken;
        const double slope = (taken - points.at[ABSORPTION_TAKEN * points.n1 + known]) / (points.at[ahead] -
            points.at[known]);
        for (ix k = known + 1; k < ahead; k++) {
            points.at[ABSORPTION_TAKEN * points.n1 + k] = points.at[ABSORPTION_TAKEN * points.n1 + known] +
                slope * (points.at[k] - points.at[known]);
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
KERNEL double absorption_read_decays(doubles_3 filters, int64s_1 delays, double sample_rate, ix bands, const
    AbsorptionScratch *work, doubles_1 out)
{
    doubles_2 points = work->points;
    const ix count = octave_decay_reading_points(room_layout_octave_hz(0), room_layout_octave_hz(bands - 1),
        sample_rate);
    absorption_sum_levels(filters, count, points);
    absorption_sum_delays(filters, delays, count, points);
    double shortest = 0.0;
    for (ix line = 0; line < delays.n0; line++) {
        const double length = (double)delays.at[line];
        shortest += 0.5 * length;
    }
    for (ix k = 0; k < count; k++) {
        /* While a solution is being sought, filters may gain level somewhere, or take longer than the lines. */
        const double whole = -60.0 * larger_double(points.at[ABSORPTION_TAKEN * points.n1 + k], shortest) /
            sample_rate;
        points.at[ABSORPTION_DECAY * points.n1 + k] = whole / smaller_double(points.at[ABSORPTION_LEVEL *
            points.n1 + k], whole / 1000.0);
    }
    double largest = 0.0;
    for (ix band = 0; band < bands; band++) {
        out.at[band] = octave_decay_octave_reading(room_layout_octave_hz(band), (doubles_1){points.at, count},
            (doubles_1){points.at + ABSORPTION_DECAY * points.n1, count}, (doubles_1){points.at +
            ABSORPTION_LEFT * points.n1, ABSORPTION_MOMENTS});
        largest = larger_double(largest, magnitude_double(work->centres.at[band] / out.at[band] - 1.0));
    }
    return largest;
}

/* Write the level of one pass through each line at the octave centres. */
KERNEL void absorption_fill_levels(int64s_1 delays, doubles_1 seconds, double sample_rate, ix bands, doubles_2
    levels)
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
KERNEL double absorption_centre_error(doubles_3 filters, ix bands, const AbsorptionScratch *work)
{
    doubles_2 centres = work->centres;
    double largest = 0.0;
    for (ix line = 0; line < filters.n2; line++) {
        for (ix band = 0; band < bands; band++) {
            const double got = absorption_power_db(absorption_pass_power(filters, line,
                centres.at[ABSORPTION_CENTRE_COSINE * centres.n1 + band], centres.at[ABSORPTION_CENTRE_SINE *
                centres.n1 + band]));
            largest = larger_double(largest, magnitude_double(work->lines.at[line * work->lines.n2 + band] /
                got - 1.0));
        }
    }
    return largest;
}

/* Where a fit of one or two sections begins. */
KERNEL double absorption_first_corner_hz(ix sections, ix k)
{
    double value = 300.0;
    if (sections == 1) {
        if (k == 1) {
            value = 4000.0;
        }
    } else if (k == 0) {
        value = 130.0;
    } else if (k == 1) {
        value = 450.0;
    } else if (k == 2) {
        value = 2000.0;
    } else {
        value = 8000.0;
    }
    return value;
}

/* Write the unknowns to begin with: the level on top, logarithms of zeros' corners, then of poles'. */
KERNEL void absorption_begin_fit(doubles_2 levels, ix sections, double sample_rate, ix bands, doubles_2
    unknowns)
{
    const ix pairs = 2 * sections;
    const double reach = (double)(20 * pairs);
    for (ix line = 0; line < levels.n0; line++) {
        const double middle = levels.at[line * levels.n1 + smaller_integer(4, bands - 1)];
        const double low = smaller_double(larger_double((levels.at[line * levels.n1] - middle) / reach, -1.0),
            1.0) * 0x1.26bb1bbb55516p+1;
        const double high = smaller_double(larger_double((middle - levels.at[line * levels.n1 + bands - 1]) /
            reach, -1.0), 1.0) * 0x1.26bb1bbb55516p+1;
        unknowns.at[line * unknowns.n1] = levels.at[line * levels.n1 + bands - 1];
        for (ix k = 0; k < pairs; k++) {
            const double half_turns = 0.5 * smaller_double(absorption_first_corner_hz(sections, k),
                0x1.3333333333333p-2 * sample_rate) / sample_rate;
            const double start = elementary_logarithm(elementary_sine_of_turns(half_turns) /
                elementary_cosine_of_turns(half_turns));
            const double half = k < sections ? low : high;
            unknowns.at[line * unknowns.n1 + 1 + k] = start + half;
            unknowns.at[line * unknowns.n1 + 1 + pairs + k] = start - half;
        }
    }
}

/* Write the squares of the corners whose logarithms are given behind the level. */
KERNEL void absorption_fill_squares(doubles_1 values, ix size, doubles_1 out)
{
    for (ix k = 1; k < size; k++) {
        out.at[k] = elementary_exponential(2.0 * values.at[k]);
    }
}

/*
 * Write the relative errors at the centres of ``g (s + z1)(s + z2)... / ((s + p1)(s + p2)...)``.
 *
 * ``squares`` gets the squares of the corners. Gives the sum of the errors' squares.
 */
KERNEL double absorption_fit_residue(doubles_1 values, doubles_1 level, doubles_1 squares, ix pairs, ix bands,
    const AbsorptionScratch *work, doubles_1 error)
{
    const ix size = 1 + 2 * pairs;
    absorption_fill_squares(values, size, squares);
    double cost = 0.0;
    for (ix band = 0; band < bands; band++) {
        const double square = work->centres.at[ABSORPTION_CENTRE_SQUARE * work->centres.n1 + band];
        double ratio = 1.0;
        for (ix k = 1; k < 1 + pairs; k++) {
            ratio = ratio * ((square + squares.at[k]) / (square + squares.at[k + pairs]));
        }
        const double got = values.at[0] + 0x1.15f2ced384f29p+2 * elementary_logarithm(ratio);
        error.at[band] = (level.at[band] - got) / level.at[band];
        cost += error.at[band] * error.at[band];
    }
    return cost;
}

/* Write the derivatives of the relative errors, with their sign turned. */
KERNEL void absorption_fit_slopes(doubles_1 level, doubles_1 squares, ix pairs, ix bands, const
    AbsorptionScratch *work)
{
    doubles_2 matrix = (doubles_2){work->centres.at + ABSORPTION_MATRIX * work->centres.n1, ABSORPTION_NORMAL
        - ABSORPTION_MATRIX, work->centres.n1};
    for (ix band = 0; band < bands; band++) {
        const double square = work->centres.at[ABSORPTION_CENTRE_SQUARE * work->centres.n1 + band];
        matrix.at[band * matrix.n1] = 1.0 / level.at[band];
        for (ix k = 1; k < 1 + 2 * pairs; k++) {
            double slope = 0x1.15f2ced384f29p+3 * squares.at[k] / (square + squares.at[k]);
            if (k > pairs) {
                slope = -slope;
            }
            matrix.at[band * matrix.n1 + k] = slope / level.at[band];
        }
    }
}

/* Try one damped step of a line; it is taken if it lowers the sum of squares. */
KERNEL void absorption_fit_step(ix line, ix pairs, ix bands, const AbsorptionScratch *work)
{
    const ix size = 1 + 2 * pairs;
    doubles_1 values = (doubles_1){work->lines.at + ABSORPTION_UNKNOWNS * work->lines.n1 * work->lines.n2 +
        line * work->lines.n2, work->lines.n2};
    doubles_1 trial = (doubles_1){work->lines.at + ABSORPTION_BEST_UNKNOWNS * work->lines.n1 * work->lines.n2
        + line * work->lines.n2, work->lines.n2};
    doubles_1 error = (doubles_1){work->lines.at + ABSORPTION_STEPS * work->lines.n1 * work->lines.n2 + line *
        work->lines.n2, work->lines.n2};
    doubles_1 squares = (doubles_1){work->centres.at + ABSORPTION_CORNER * work->centres.n1,
        work->centres.n1};
    doubles_1 found = (doubles_1){work->centres.at + ABSORPTION_FOUND * work->centres.n1, work->centres.n1};
    doubles_1 residue = (doubles_1){work->centres.at + ABSORPTION_RESIDUE * work->centres.n1,
        work->centres.n1};
    doubles_2 progress = (doubles_2){work->lines.at + ABSORPTION_PROGRESS * work->lines.n1 * work->lines.n2,
        work->lines.n1, work->lines.n2};
    absorption_fill_squares(values, size, squares);
    absorption_fit_slopes((doubles_1){work->lines.at + line * work->lines.n2, work->lines.n2}, squares, pairs,
        bands, work);
    small_systems_fit((doubles_2){work->centres.at + ABSORPTION_MATRIX * work->centres.n1, ABSORPTION_NORMAL -
        ABSORPTION_MATRIX, work->centres.n1}, (doubles_1){error.at, bands}, progress.at[line * progress.n1 +
        ABSORPTION_DAMPING], (doubles_2){work->centres.at + ABSORPTION_NORMAL * work->centres.n1,
        ABSORPTION_DECAYS - ABSORPTION_NORMAL, work->centres.n1}, (doubles_1){found.at, size});
    for (ix k = 0; k < size; k++) {
        trial.at[k] = values.at[k] + smaller_double(larger_double(found.at[k], -6.0), 6.0);
        if (k > 0) {
            trial.at[k] = smaller_double(larger_double(trial.at[k], -0x1.7069e2aa2aa5bp+3),
                0x1.26bb1bbb55516p+3);
        }
    }
    const double cost = absorption_fit_residue(trial, (doubles_1){work->lines.at + line * work->lines.n2,
        work->lines.n2}, squares, pairs, bands, work, residue);
    const double before = progress.at[line * progress.n1 + ABSORPTION_COST];
    const bool better = cost < before;
    const bool stalled = better && before - cost < 0x1.47ae147ae147bp-7 * before;
    if (stalled || progress.at[line * progress.n1 + ABSORPTION_DAMPING] > 10000.0) {
        progress.at[line * progress.n1 + ABSORPTION_DONE] = 1.0;
    }
    if (better) {
        for (ix k = 0; k < size; k++) {
            values.at[k] = trial.at[k];
        }
        for (ix band = 0; band < bands; band++) {
            error.at[band] = residue.at[band];
        }
        progress.at[line * progress.n1 + ABSORPTION_COST] = cost;
        progress.at[line * progress.n1 + ABSORPTION_DAMPING] *= 0x1.999999999999ap-3;
    } else {
        progress.at[line * progress.n1 + ABSORPTION_DAMPING] *= 5.0;
    }
}

/* Turn level and corners into gains and sections, by the bilinear transform. */
KERNEL void absorption_assemble_fit(doubles_2 unknowns, ix sections, doubles_3 filters)
{
    const ix pairs = 2 * sections;
    for (ix line = 0; line < filters.n2; line++) {
        double leading = 1.0;
        for (ix k = 1; k < 1 + pairs; k++) {
            leading *= (1.0 + elementary_exponential(unknowns.at[line * unknowns.n1 + k])) / (1.0 +
                elementary_exponential(unknowns.at[line * unknowns.n1 + k + pairs]));
        }
        /* The level found is that of s to infinity; a section's leading coefficient is that of the first sample. */
        filters.at[line] = elementary_power_of_ten(unknowns.at[line * unknowns.n1] / 20.0) * leading;
        for (ix section = 0; section < sections; section++) {
            double first_zero = elementary_exponential(unknowns.at[line * unknowns.n1 + 1 + section]);
            double second_zero = elementary_exponential(unknowns.at[line * unknowns.n1 + 1 + sections +
                section]);
            double first_pole = elementary_exponential(unknowns.at[line * unknowns.n1 + 1 + pairs + section]);
            double second_pole = elementary_exponential(unknowns.at[line * unknowns.n1 + 1 + pairs + sections
                + section]);
            first_zero = (1.0 - first_zero) / (1.0 + first_zero);
            second_zero = (1.0 - second_zero) / (1.0 + second_zero);
            first_pole = (1.0 - first_pole) / (1.0 + first_pole);
            second_pole = (1.0 - second_pole) / (1.0 + second_pole);
            const double e = -(first_pole + second_pole);
            const double f = first_pole * second_pole;
            filters.at[(1 + section) * filters.n1 * filters.n2 + line] = -(first_zero + second_zero) - e;
            filters.at[(1 + section) * filters.n1 * filters.n2 + 1 * filters.n2 + line] = first_zero *
                second_zero - f;
            filters.at[(1 + section) * filters.n1 * filters.n2 + 2 * filters.n2 + line] = e;
            filters.at[(1 + section) * filters.n1 * filters.n2 + 3 * filters.n2 + line] = f;
        }
    }
    filters.at[1 * filters.n2] = (double)sections;
}

/*
 * Fit one or two sections of first-order shelves to the levels of all lines: damped least squares (Levenberg).
 *
 * The unknowns are the level and the logarithms of the corners, so poles stay stable and zeros stay
 * minimum-phase; s is the bilinear transform's frequency, so no warping is left at the centres. The result is on
 * trial.
 */
KERNEL void absorption_fit_first_order(ix sections, double sample_rate, ix bands, const AbsorptionScratch
    *work)
{
    const ix pairs = 2 * sections;
    const ix lines = work->lines.n1;
    doubles_2 progress = (doubles_2){work->lines.at + ABSORPTION_PROGRESS * work->lines.n1 * work->lines.n2,
        work->lines.n1, work->lines.n2};
    absorption_begin_fit((doubles_2){work->lines.at, work->lines.n1, work->lines.n2}, sections, sample_rate,
        bands, (doubles_2){work->lines.at + ABSORPTION_UNKNOWNS * work->lines.n1 * work->lines.n2,
        work->lines.n1, work->lines.n2});
    for (ix line = 0; line < lines; line++) {
        progress.at[line * progress.n1 + ABSORPTION_COST] = absorption_fit_residue((doubles_1){work->lines.at
            + ABSORPTION_UNKNOWNS * work->lines.n1 * work->lines.n2 + line * work->lines.n2, work->lines.n2},
            (doubles_1){work->lines.at + line * work->lines.n2, work->lines.n2}, (doubles_1){work->centres.at
            + ABSORPTION_CORNER * work->centres.n1, work->centres.n1}, pairs, bands, work,
            (doubles_1){work->lines.at + ABSORPTION_STEPS * work->lines.n1 * work->lines.n2 + line *
            work->lines.n2, work->lines.n2});
        progress.at[line * progress.n1 + ABSORPTION_DAMPING] = 0x1.47ae147ae147bp-7;
        progress.at[line * progress.n1 + ABSORPTION_DONE] = 0.0;
    }
    for (ix _ = 0; _ < ABSORPTION_ATTEMPTS; _++) {
        for (ix line = 0; line < lines; line++) {
            absorption_fit_step(line, pairs, bands, work);
        }
        double largest = 0.0;
        bool over = true;
        for (ix line = 0; line < lines; line++) {
            over = over && progress.at[line * progress.n1 + ABSORPTION_DONE] > 0.0;
            for (ix band = 0; band < bands; band++) {
                largest = larger_double(largest, magnitude_double(work->lines.at[ABSORPTION_STEPS *
                    work->lines.n1 * work->lines.n2 + line * work->lines.n2 + band]));
            }
        }
        if (over || largest < 0x1.d7dbf487fcb92p-11) {
            break;
        }
    }
    absorption_assemble_fit((doubles_2){work->lines.at + ABSORPTION_UNKNOWNS * work->lines.n1 *
        work->lines.n2, work->lines.n1, work->lines.n2}, sections, work->trial);
}

/* Power gain of a high shelf (bilinear, second order) at an angle with this cosine and sine. */
KERNEL double absorption_shelf_power(double gain_db, double q, double corner_cosine, double corner_sine,
    double cosine, double sine)
{
    const double root = elementary_power_of_ten(gain_db / 80.0);
    const double a = root * root;
    const double width = root * corner_sine / q;
    const double more = a + 1.0 + (a - 1.0) * corner_cosine;
    const double less = a + 1.0 - (a - 1.0) * corner_cosine;
    const double upper = absorption_quadratic_power(-2.0 * (a - 1.0 + (a + 1.0) * corner_cosine) / (more +
        width), (more - width) / (more + width), cosine, sine);
    const double lower = absorption_quadratic_power(2.0 * (a - 1.0 - (a + 1.0) * corner_cosine) / (less +
        width), (less - width) / (less + width), cosine, sine);
    const double leading = a * (more + width) / (less + width);
    return leading * leading * upper / lower;
}

/* Write where the shelves lie between octaves: nearer to the slower one. */
KERNEL void absorption_place_corners(ix bands, const AbsorptionScratch *work)
{
    doubles_2 centres = work->centres;
    double below = 0.0;
    for (ix band = 0; band < bands; band++) {
        double loss = 0.0;
        for (ix line = 0; line < work->lines.n1; line++) {
            loss -= work->lines.at[line * work->lines.n2 + band];
        }
        if (band > 0) {
            double middle = square_root_double(room_layout_octave_hz(band) * room_layout_octave_hz(band - 1));
            if (loss < below) {
                middle = middle * 0x1.2611186bae675p+0;
            } else if (loss > below) {
                middle = middle / 0x1.2611186bae675p+0;
            }
            centres.at[ABSORPTION_CORNER_KEPT * centres.n1 + band - 1] = middle;
        }
        below = loss;
    }
}

/* Write base levels and shelf gains to begin with: steps between the means of the bands between shelves. */
KERNEL void absorption_begin_shelves(ix count, double sample_rate, ix bands, const AbsorptionScratch *work)
{
    doubles_2 centres = work->centres;
    for (ix shelf = 0; shelf < count; shelf++) {
        const double turns = centres.at[ABSORPTION_CORNER_KEPT * centres.n1 + shelf] / sample_rate;
        centres.at[ABSORPTION_CORNER_COSINE * centres.n1 + shelf] = elementary_cosine_of_turns(turns);
        centres.at[ABSORPTION_CORNER_SINE * centres.n1 + shelf] = elementary_sine_of_turns(turns);
    }
    for (ix line = 0; line < work->lines.n1; line++) {
        work->lines.at[ABSORPTION_UNKNOWNS * work->lines.n1 * work->lines.n2 + line * work->lines.n2] =
            work->lines.at[line * work->lines.n2];
        ix band = 0;
        double before = 0.0;
        for (ix group = 0; group < count + 1; group++) {
            double total = 0.0;
            double members = 0.0;
            while (band < bands && (group == count || room_layout_octave_hz(band) <
                centres.at[ABSORPTION_CORNER_KEPT * centres.n1 + group])) {
                total += work->lines.at[line * work->lines.n2 + band];
                members += 1.0;
                band += 1;
            }
            const double mean = total / members;
            if (group > 0) {
                work->lines.at[ABSORPTION_UNKNOWNS * work->lines.n1 * work->lines.n2 + line * work->lines.n2 +
                    group] = mean - before;
            }
            before = mean;
        }
    }
}

/* Write Newton's step of a line's base level and shelf gains; give the largest relative error before it. */
KERNEL double absorption_shelf_step(ix line, ix count, double q, ix bands, const AbsorptionScratch *work)
{
    doubles_2 centres = work->centres;
    doubles_2 matrix = (doubles_2){work->centres.at + ABSORPTION_MATRIX * work->centres.n1, ABSORPTION_NORMAL
        - ABSORPTION_MATRIX, work->centres.n1};
    doubles_1 residue = (doubles_1){work->centres.at + ABSORPTION_RESIDUE * work->centres.n1,
        work->centres.n1};
    doubles_1 values = (doubles_1){work->lines.at + ABSORPTION_UNKNOWNS * work->lines.n1 * work->lines.n2 +
        line * work->lines.n2, work->lines.n2};
    doubles_1 levels = (doubles_1){work->lines.at + line * work->lines.n2, work->lines.n2};
    for (ix band = 0; band < bands; band++) {
        residue.at[band] = levels.at[band] - values.at[0];
        matrix.at[band * matrix.n1] = 1.0 / levels.at[band];
    }
    for (ix shelf = 0; shelf < count; shelf++) {
        const double corner_cosine = centres.at[ABSORPTION_CORNER_COSINE * centres.n1 + shelf];
        const double corner_sine = centres.at[ABSORPTION_CORNER_SINE * centres.n1 + shelf];
        const double gain_db = values.at[1 + shelf];
        for (ix band = 0; band < bands; band++) {
            const double cosine = centres.at[ABSORPTION_CENTRE_COSINE * centres.n1 + band];
            const double sine = centres.at[ABSORPTION_CENTRE_SINE * centres.n1 + band];
            const double power = absorption_shelf_power(gain_db, q, corner_cosine, corner_sine, cosine, sine);
            const double beside = absorption_shelf_power(gain_db + 0x1.a36e2eb1c432dp-14, q, corner_cosine,
                corner_sine, cosine, sine);
            residue.at[band] -= absorption_power_db(power);
            matrix.at[band * matrix.n1 + 1 + shelf] = absorption_power_db(beside / power) /
                (0x1.a36e2eb1c432dp-14 * levels.at[band]);
        }
    }
    double largest = 0.0;
    for (ix band = 0; band < bands; band++) {
        residue.at[band] = residue.at[band] / levels.at[band];
        largest = larger_double(largest, magnitude_double(residue.at[band]));
    }
    small_systems_fit(matrix, (doubles_1){residue.at, bands}, 0.0, (doubles_2){work->centres.at +
        ABSORPTION_NORMAL * work->centres.n1, ABSORPTION_DECAYS - ABSORPTION_NORMAL, work->centres.n1},
        (doubles_1){work->lines.at + ABSORPTION_STEPS * work->lines.n1 * work->lines.n2 + line *
        work->lines.n2, count + 1});
    return largest;
}

/*
 * Solve shelves for the levels of all lines: one between each two octaves, or as many corners as are kept.
 *
 * Base levels and gains are solved by Newton's method, by relative least squares if there are too few. The result
 * is on trial.
 */
KERNEL void absorption_fit_shelves(ix count, double q, double sample_rate, ix bands, const AbsorptionScratch
    *work)
{
    if (count == bands - 1) {
        absorption_place_corners(bands, work);
    }
    const ix lines = work->lines.n1;
    absorption_begin_shelves(count, sample_rate, bands, work);
    double smallest = 0x1.7e43c8800759cp+996;
    for (ix _ = 0; _ < ABSORPTION_NEWTON_STEPS; _++) {
        double largest = 0.0;
        for (ix line = 0; line < lines; line++) {
            largest = larger_double(largest, absorption_shelf_step(line, count, q, bands, work));
        }
        if (largest < smallest) {
            smallest = largest;
            for (ix line = 0; line < lines; line++) {
                for (ix k = 0; k < count + 1; k++) {
                    work->lines.at[ABSORPTION_BEST_UNKNOWNS * work->lines.n1 * work->lines.n2 + line *
                        work->lines.n2 + k] = work->lines.at[ABSORPTION_UNKNOWNS * work->lines.n1 *
                        work->lines.n2 + line * work->lines.n2 + k];
                }
            }
        }
        if (largest < 0x1.0c6f7a0b5ed8dp-20) {
            break;
        }
        for (ix line = 0; line < lines; line++) {
            for (ix k = 0; k < count + 1; k++) {
                const double moved = work->lines.at[ABSORPTION_UNKNOWNS * work->lines.n1 * work->lines.n2 +
                    line * work->lines.n2 + k] + smaller_double(larger_double(work->lines.at[ABSORPTION_STEPS
                    * work->lines.n1 * work->lines.n2 + line * work->lines.n2 + k], -12.0), 12.0);
                work->lines.at[ABSORPTION_UNKNOWNS * work->lines.n1 * work->lines.n2 + line * work->lines.n2 +
                    k] = k == 0 ? moved : smaller_double(larger_double(moved, -150.0), 150.0);
            }
        }
    }
    absorption_assemble_shelves(count, q, work);
}

/* Turn base levels and shelf gains into gains and sections on trial. */
KERNEL void absorption_assemble_shelves(ix count, double q, const AbsorptionScratch *work)
{
    doubles_3 filters = work->trial;
    for (ix line = 0; line < filters.n2; line++) {
        double gain = elementary_power_of_ten(work->lines.at[ABSORPTION_BEST_UNKNOWNS * work->lines.n1 *
            work->lines.n2 + line * work->lines.n2] / 20.0);
        for (ix shelf = 0; shelf < count; shelf++) {
            const double root = elementary_power_of_ten(work->lines.at[ABSORPTION_BEST_UNKNOWNS *
                work->lines.n1 * work->lines.n2 + line * work->lines.n2 + 1 + shelf] / 80.0);
            const double a = root * root;
            const double cosine = work->centres.at[ABSORPTION_CORNER_COSINE * work->centres.n1 + shelf];
            const double width = root * work->centres.at[ABSORPTION_CORNER_SINE * work->centres.n1 + shelf] /
                q;
            const double more = a + 1.0 + (a - 1.0) * cosine;
            const double less = a + 1.0 - (a - 1.0) * cosine;
            const double e = 2.0 * (a - 1.0 - (a + 1.0) * cosine) / (less + width);
            const double f = (less - width) / (less + width);
            filters.at[(1 + shelf) * filters.n1 * filters.n2 + line] = -2.0 * (a - 1.0 + (a + 1.0) * cosine) /
                (more + width) - e;
            filters.at[(1 + shelf) * filters.n1 * filters.n2 + 1 * filters.n2 + line] = (more - width) / (more
                + width) - f;
            filters.at[(1 + shelf) * filters.n1 * filters.n2 + 2 * filters.n2 + line] = e;
            filters.at[(1 + shelf) * filters.n1 * filters.n2 + 3 * filters.n2 + line] = f;
            gain *= a * (more + width) / (less + width);
        }
        filters.at[line] = gain;
    }
    filters.at[1 * filters.n2] = (double)count;
}

/* Which shelf is least, relative to the level beside it; `kept` holds the band under each. */
KERNEL ix absorption_least_shelf(ix count, const AbsorptionScratch *work, doubles_1 kept)
{
    ix found = 0;
    double least = 0x1.7e43c8800759cp+996;
    for (ix shelf = 0; shelf < count; shelf++) {
        double largest = 0.0;
        const ix band = (ix)kept.at[shelf];
        for (ix line = 0; line < work->lines.n1; line++) {
            largest = larger_double(largest, magnitude_double(work->lines.at[ABSORPTION_BEST_UNKNOWNS *
                work->lines.n1 * work->lines.n2 + line * work->lines.n2 + 1 + shelf] / work->lines.at[line *
                work->lines.n2 + band]));
        }
        if (largest < least) {
            least = largest;
            found = shelf;
        }
    }
    return found;
}

/* Solve as many shelves as are needed for the levels of all lines; the result is the chosen one. */
KERNEL void absorption_thin_shelves(double q, double sample_rate, ix bands, const AbsorptionScratch *work)
{
    doubles_2 centres = work->centres;
    doubles_1 kept = (doubles_1){work->centres.at + ABSORPTION_FOUND * work->centres.n1, work->centres.n1};
    ix count = bands - 1;
    absorption_fit_shelves(count, q, sample_rate, bands, work);
    absorption_copy_filters(work->trial, work->chosen);
    for (ix shelf = 0; shelf < count; shelf++) {
        kept.at[shelf] = (double)shelf;
    }
    bool enough = true;
    while (enough && count > 1) {
        const ix least = absorption_least_shelf(count, work, kept);
        count -= 1;
        for (ix shelf = least; shelf < count; shelf++) {
            kept.at[shelf] = kept.at[shelf + 1];
            centres.at[ABSORPTION_CORNER_KEPT * centres.n1 + shelf] = centres.at[ABSORPTION_CORNER_KEPT *
                centres.n1 + shelf + 1];
        }
        absorption_fit_shelves(count, q, sample_rate, bands, work);
        enough = absorption_centre_error(work->trial, bands, work) <= 0x1.cac083126e979p-8;
        if (enough) {
            absorption_copy_filters(work->trial, work->chosen);
        }
    }
}

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
                progress.n1 + ABSORPTION_LOUDEST], absorption_pass_power(filters, line, cosine, sine));
        }
    }
    /* Sharp peaks lie where the poles are, and may be narrower than any grid. */
    const ix stop_1 = 1 + absorption_section_count(filters);
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
                    progress.n1 + ABSORPTION_LOUDEST], absorption_pass_power(filters, other, pole_cosine,
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
        const double excess_db = absorption_power_db(progress.at[line * progress.n1 + ABSORPTION_LOUDEST]) -
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
        absorption_fill_levels(delays, (doubles_1){centres.at + ABSORPTION_TRIAL * centres.n1, centres.n1},
            sample_rate, bands, (doubles_2){work->lines.at, work->lines.n1, work->lines.n2});
        if (structure <= 2) {
            absorption_fit_first_order(structure, sample_rate, bands, work);
        } else {
            absorption_fit_shelves(bands - 1, absorption_steepness(structure), sample_rate, bands, work);
        }
        if (attempt == 0 && structure <= 2 && absorption_centre_error(work->trial, bands, work) >
            0x1.eb851eb851eb8p-6) {
            break;
        }
        const double error = absorption_read_decays(work->trial, delays, sample_rate, bands, work,
            (doubles_1){centres.at + ABSORPTION_FOUND * centres.n1, centres.n1});
        if (error < smallest || attempt == 0) {
            smallest = smaller_double(error, smallest);
            absorption_copy_filters(work->trial, work->chosen);
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
    absorption_prepare_tables(sample_rate, bands, work);
    double fastest = seconds.at[0];
    double slowest = seconds.at[0];
    for (ix band = 0; band < bands; band++) {
        work->centres.at[band] = seconds.at[band];
        fastest = smaller_double(fastest, seconds.at[band]);
        slowest = larger_double(slowest, seconds.at[band]);
    }
    absorption_fill_levels(delays, (doubles_1){work->centres.at, work->centres.n1}, sample_rate, bands,
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
            absorption_fill_levels(delays, (doubles_1){work->centres.at + ABSORPTION_BEST * work->centres.n1,
                work->centres.n1}, sample_rate, bands, (doubles_2){work->lines.at, work->lines.n1,
                work->lines.n2});
            absorption_thin_shelves(absorption_steepness(structure), sample_rate, bands, work);
        }
        const bool is_calm = absorption_calm(work->chosen, delays, sample_rate, bands, work, !simple);
        if (simple && !is_calm) {
            continue;
        }
        if (simple) {
            absorption_copy_filters(work->chosen, filters);
            return;
        }
        error = absorption_read_decays(work->chosen, delays, sample_rate, bands, work,
            (doubles_1){work->centres.at + ABSORPTION_FOUND * work->centres.n1, work->centres.n1});
        if (error < smallest) {
            smallest = error;
            absorption_copy_filters(work->chosen, filters);
        }
        if (error <= 0x1.47ae147ae147bp-6 || error > 0.5) {
            break;
        }
    }
}
