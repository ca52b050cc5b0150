/* Generated from spacing_loss.py (fd45b6feab4f03d7); do not edit. SPDX-License-Identifier: ISC */

/*
 * Filters whose loss in dB is proportional to frequency: what a gap between head and tape does.
 *
 * The loss at distance ``d``, tape speed ``v`` and frequency ``f`` is ``54.575 d f / v`` dB, that is, the
 * magnitude ``exp(-2 pi d f / v)`` (Wallace, "The reproduction of magnetically recorded signals", Bell System
 * Technical Journal 30, 1951; from memory). Here it is ``exp(-a w)`` with ``w`` in radians per sample and the
 * steepness ``a = d * sample_rate / v`` in samples; a negative ``a`` undoes such a loss. Above 20 kHz the loss
 * stays what it is there, which keeps a negative one within bounds at every sample rate.
 *
 * Each filter is linear in phase. Its fit by weighted least squares has symmetric positive definite normal equations
 * of condition 1e7, solved by Cholesky's method in a fixed order, which leaves the taps right to 1e-9.
 */

#include "spacing_loss.h"

#define SPACING_LOSS_ROWS_AT_ONCE 32
#define SPACING_LOSS_TURN REAL(0x1.921fb54442d18p+2)
#define SPACING_LOSS_NEPERS_PER_DB REAL(0x1.d791c5f888823p-4)
#define SPACING_LOSS_LARGEST_STEP REAL(0x1.eb851eb851eb8p-5)
#define SPACING_LOSS_LAW_ENDS_HZ REAL(20000.0)
#define SPACING_LOSS_POINTS_PER_TAP 8

/* Steepness in samples of a loss of 1 dB at a frequency. */
KERNEL double spacing_loss_steepness_per_db(double frequency_hz, double sample_rate)
{
    return 0x1.d791c5f888823p-4 / (0x1.921fb54442d18p+2 * frequency_hz / sample_rate);
}

/*
 * Latency of the filters: 63 samples up to 50 kHz, doubled with every octave of the sample rate.
 *
 * It keeps the dB at 1 kHz within 1.5 % of the law: the corner of ``exp(-a |w|)`` at 0 Hz needs the length.
 */
KERNEL ix spacing_loss_half_length(double sample_rate)
{
    ix length = 64;
    while (sample_rate > 50000.0) {
        sample_rate = 0.5 * sample_rate;
        length = 2 * length;
    }
    return length - 1;
}

/* Frequencies at which a filter of this half length is fitted. */
KERNEL ix spacing_loss_table_points(ix half)
{
    return SPACING_LOSS_POINTS_PER_TAP * half;
}

/* Radians per sample from which on the loss stays what it is. */
KERNEL double spacing_loss_law_end(double sample_rate)
{
    return smaller_double(0x1.921fb54442d18p+1, 0x1.eadfb4c5d390cp+16 / sample_rate);
}

/* Rows of the table for a range of steepness in samples, one more than needed. */
KERNEL ix spacing_loss_table_rows(double lowest, double highest, double sample_rate)
{
    return larger_integer(3, (ix)ceiling_of_double((highest - lowest) * spacing_loss_law_end(sample_rate) /
        0x1.eb851eb851eb8p-5) + 2);
}

/* Steepness between two of so many rows. */
KERNEL double spacing_loss_table_step(double lowest, double highest, ix rows)
{
    return larger_double(highest - lowest, 0x1.19799812dea11p-40) / (double)(rows - 2);
}

/*
 * Weight of a frequency, squared: what counts is the error relative to the loss in dB.
 *
 * It is 2 % above 0.93 of half the sample rate, where a symmetric filter cannot have a slope.
 */
KERNEL double spacing_loss_weight(double angle)
{
    double weight = 1.0 / (angle + 0x1.999999999999ap-5);
    if (angle > 0x1.75f9a6049a4d2p+1) {
        weight = 0x1.47ae147ae147bp-6 * weight;
    }
    return weight * weight;
}

/* Cosines of the multiples of a point's angle. */
KERNEL void spacing_loss_cosines_at(ix point, doubles_1 circle, doubles_1 cosines)
{
    const ix size = circle.n0;
    ix place = 0;
    for (ix order = 0; order < cosines.n0; order++) {
        cosines.at[order] = circle.at[place];
        place += 2 * point + 1;
        if (place >= size) {
            place -= size;
        }
    }
}

/*
 * Write the matrix of the fit; ``scratch.circle`` is there, the first two rows of ``scratch.sides`` are used.
 *
 * Products of two cosines are sums of two, so all of it comes from one row of sums.
 */
KERNEL void spacing_loss_normal_equations(const SpacingScratch *scratch, ix points)
{
    doubles_2 matrix = scratch->matrix;
    doubles_2 sides = scratch->sides;
    doubles_1 circle = scratch->circle;
    doubles_1 cosines = scratch->cosines;
    const ix orders = matrix.n0;
    const ix half = orders - 1;
    doubles_1 sums = (doubles_1){sides.at, sides.n1};
    for (ix row = 0; row < orders; row++) {
        for (ix column = 0; column < orders; column++) {
            matrix.at[row * matrix.n1 + column] = 0.0;
        }
    }
    for (ix column = 0; column < orders; column++) {
        sums.at[column] = 0.0;
        sides.at[1 * sides.n1 + column] = 0.0;
    }
    for (ix point = 0; point < points; point++) {
        spacing_loss_cosines_at(point, circle, cosines);
        const double power = spacing_loss_weight(0x1.921fb54442d18p+2 * (double)(2 * point + 1) /
            (double)circle.n0);
        for (ix column = 0; column < orders; column++) {
            sums.at[column] += power * cosines.at[column];
        }
        for (ix column = 0; column < half; column++) {
            sides.at[1 * sides.n1 + column] += power * cosines.at[orders + column];
        }
    }
    for (ix row = 0; row < orders; row++) {
        for (ix column = 0; column < orders; column++) {
            real factor = REAL(0.5);
            if (row > 0) {
                factor = REAL(2.0) * factor;
            }
            if (column > 0) {
                factor = REAL(2.0) * factor;
            }
            const ix both = row + column;
            const double upper = both < orders ? sides.at[both] : sides.at[1 * sides.n1 + both - orders];
            matrix.at[row * matrix.n1 + column] = (double)factor * (sums.at[magnitude_of_integer(row -
                column)] + upper);
        }
    }
}

/*
 * Fit linear-phase taps to ``exp(-a w)`` for a steepness ``a = lowest + row * step`` a row.
 *
 * Weighted least squares at frequencies in the middle of equal parts of the band.
 *
 * Parameters
 * ----------
 * lowest, step : float
 *     Steepness of the first row, and between two, in samples.
 * sample_rate : float
 *     Samples per second.
 * scratch : SpacingScratch
 *     For ``half_length(sample_rate)``.
 * table : ndarray, shape (rows, 2 * half + 2)
 *     Gets the taps; the last column is padding and gets zeros.
 */
KERNEL void spacing_loss_design_table(double lowest, double step, double sample_rate, const SpacingScratch
    *scratch, reals_2 table)
{
    doubles_2 matrix = scratch->matrix;
    doubles_2 sides = scratch->sides;
    doubles_1 circle = scratch->circle;
    doubles_1 cosines = scratch->cosines;
    const ix orders = matrix.n0;
    const ix half = orders - 1;
    const ix points = spacing_loss_table_points(half);
    const double end = spacing_loss_law_end(sample_rate);
    for (ix place = 0; place < circle.n0; place++) {
        const double turns = (double)place;
        circle.at[place] = elementary_cosine_of_turns(turns / (double)circle.n0);
    }
    spacing_loss_normal_equations(scratch, points);
    small_systems_factorise(matrix);
    for (ix first = 0; first < table.n0; first += 32) {
        const ix count = smaller_integer(SPACING_LOSS_ROWS_AT_ONCE, table.n0 - first);
        for (ix row = 0; row < count; row++) {
            for (ix column = 0; column < orders; column++) {
                sides.at[row * sides.n1 + column] = 0.0;
            }
        }
        for (ix point = 0; point < points; point++) {
            spacing_loss_cosines_at(point, circle, (doubles_1){cosines.at, orders});
            const real angle = (real)(0x1.921fb54442d18p+2 * (double)(2 * point + 1) / (double)circle.n0);
            const double power = spacing_loss_weight((double)angle);
            for (ix row = 0; row < count; row++) {
                const double wanted = power * elementary_exponential(-smaller_double((double)angle, end) *
                    (lowest + step * (double)(first + row)));
                for (ix column = 0; column < orders; column++) {
                    sides.at[row * sides.n1 + column] += wanted * cosines.at[column];
                }
            }
        }
        for (ix row = 0; row < count; row++) {
            for (ix column = 1; column < orders; column++) {
                sides.at[row * sides.n1 + column] = 2.0 * sides.at[row * sides.n1 + column];
            }
            small_systems_solve_factorised(matrix, (doubles_1){sides.at + row * sides.n1, sides.n1});
            table.at[(first + row) * table.n1 + half] = (real)sides.at[row * sides.n1];
            for (ix column = 1; column < orders; column++) {
                table.at[(first + row) * table.n1 + half + column] = (real)sides.at[row * sides.n1 + column];
                table.at[(first + row) * table.n1 + half - column] = (real)sides.at[row * sides.n1 + column];
            }
            table.at[(first + row) * table.n1 + 2 * half + 1] = REAL(0.0);
        }
    }
}

/*
 * Filter two channels with taps that change from sample to sample, along the rows of a table.
 *
 * Parameters
 * ----------
 * line : ndarray, shape (channels, columns)
 *     Audio to read from.
 * table : ndarray, shape (rows, taps)
 *     Taps; those between rows are interpolated linearly. A multiple of eight taps vectorises.
 * places : ndarray, shape (samples,)
 *     Where in the table the taps of each sample stand, from 0 to below ``rows - 1``.
 * column : int
 *     Column of the line under the first tap of the first sample.
 * first, second : int
 *     The channels; they may be the same.
 * at : int
 *     Column of the output that gets the first sample.
 * out : ndarray, shape (channels, columns)
 *     Gets the result in these two rows.
 */
KERNEL void spacing_loss_filter_pair(reals_2 line, reals_2 table, reals_1 places, ix column, ix first, ix
    second, ix at, reals_2 out)
{
    /* Unsigned indices: with signed ones every access would first be tested for a negative index, and the loop over */
    /* the taps would not be vectorised. */
    const ux upper = (ux)first;
    const ux lower = (ux)second;
    const ux taps = (ux)table.n1;
    for (ux i = (ux)0; i < (ux)places.n0; i++) {
        const real place = places.at[(ix)i];
        const ux cell = (ux)(int32_t)place;
        const real share = place - (real)cell;
        const ux base = (ux)column + i;
        dot_products_dot_between_rows(table, cell, share, taps, line, upper, lower, base, out, (ux)at + i);
    }
}
