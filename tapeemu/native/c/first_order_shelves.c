/* Generated from first_order_shelves.py (67d64545e61c75a0); do not edit. SPDX-License-Identifier: ISC */

/* One section or two for each line: two first-order shelves in each, fitted to levels by damped least squares. */

#include "first_order_shelves.h"

#define FIRST_ORDER_SHELVES_PER_NEPER_DB REAL(0x1.15f2ced384f29p+2)
#define FIRST_ORDER_SHELVES_BEST_UNKNOWNS 3
#define FIRST_ORDER_SHELVES_CENTRE_SQUARE 5
#define FIRST_ORDER_SHELVES_CORNER 6
#define FIRST_ORDER_SHELVES_COST 0
#define FIRST_ORDER_SHELVES_DAMPING 1
#define FIRST_ORDER_SHELVES_DECAYS 30
#define FIRST_ORDER_SHELVES_DONE 2
#define FIRST_ORDER_SHELVES_FOUND 9
#define FIRST_ORDER_SHELVES_LEVELS 0
#define FIRST_ORDER_SHELVES_MATRIX 12
#define FIRST_ORDER_SHELVES_NORMAL 21
#define FIRST_ORDER_SHELVES_PROGRESS 4
#define FIRST_ORDER_SHELVES_RESIDUE 10
#define FIRST_ORDER_SHELVES_STEPS 2
#define FIRST_ORDER_SHELVES_UNKNOWNS 1
#define FIRST_ORDER_SHELVES_ATTEMPTS 40
#define FIRST_ORDER_SHELVES_STALLED REAL(0x1.47ae147ae147bp-7)
#define FIRST_ORDER_SHELVES_HEAVIEST REAL(10000.0)
#define FIRST_ORDER_SHELVES_TOLERANCE REAL(0x1.26e978d4fdf3bp-7)
#define FIRST_ORDER_SHELVES_LN10 REAL(0x1.26bb1bbb55516p+1)
#define FIRST_ORDER_SHELVES_SMALLEST_CORNER REAL(-0x1.7069e2aa2aa5bp+3)
#define FIRST_ORDER_SHELVES_LARGEST_CORNER REAL(0x1.26bb1bbb55516p+3)

/* Where a fit of one or two sections begins. */
KERNEL double first_order_shelves_first_corner_hz(ix sections, ix k)
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
KERNEL void first_order_shelves_begin_fit(doubles_2 levels, ix sections, double sample_rate, ix bands,
    doubles_2 unknowns)
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
            const double half_turns = 0.5 * smaller_double(first_order_shelves_first_corner_hz(sections, k),
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
KERNEL void first_order_shelves_fill_squares(doubles_1 values, ix size, doubles_1 out)
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
KERNEL double first_order_shelves_fit_residue(doubles_1 values, doubles_1 level, doubles_1 squares, ix pairs,
    ix bands, const AbsorptionScratch *work, doubles_1 error)
{
    const ix size = 1 + 2 * pairs;
    first_order_shelves_fill_squares(values, size, squares);
    double cost = 0.0;
    for (ix band = 0; band < bands; band++) {
        const double square = work->centres.at[FIRST_ORDER_SHELVES_CENTRE_SQUARE * work->centres.n1 + band];
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
KERNEL void first_order_shelves_fit_slopes(doubles_1 level, doubles_1 squares, ix pairs, ix bands, const
    AbsorptionScratch *work)
{
    doubles_2 matrix = (doubles_2){work->centres.at + FIRST_ORDER_SHELVES_MATRIX * work->centres.n1,
        FIRST_ORDER_SHELVES_NORMAL - FIRST_ORDER_SHELVES_MATRIX, work->centres.n1};
    for (ix band = 0; band < bands; band++) {
        const double square = work->centres.at[FIRST_ORDER_SHELVES_CENTRE_SQUARE * work->centres.n1 + band];
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
KERNEL void first_order_shelves_fit_step(ix line, ix pairs, ix bands, const AbsorptionScratch *work)
{
    const ix size = 1 + 2 * pairs;
    doubles_1 values = (doubles_1){work->lines.at + FIRST_ORDER_SHELVES_UNKNOWNS * work->lines.n1 *
        work->lines.n2 + line * work->lines.n2, work->lines.n2};
    doubles_1 trial = (doubles_1){work->lines.at + FIRST_ORDER_SHELVES_BEST_UNKNOWNS * work->lines.n1 *
        work->lines.n2 + line * work->lines.n2, work->lines.n2};
    doubles_1 error = (doubles_1){work->lines.at + FIRST_ORDER_SHELVES_STEPS * work->lines.n1 * work->lines.n2
        + line * work->lines.n2, work->lines.n2};
    doubles_1 squares = (doubles_1){work->centres.at + FIRST_ORDER_SHELVES_CORNER * work->centres.n1,
        work->centres.n1};
    doubles_1 found = (doubles_1){work->centres.at + FIRST_ORDER_SHELVES_FOUND * work->centres.n1,
        work->centres.n1};
    doubles_1 residue = (doubles_1){work->centres.at + FIRST_ORDER_SHELVES_RESIDUE * work->centres.n1,
        work->centres.n1};
    doubles_2 progress = (doubles_2){work->lines.at + FIRST_ORDER_SHELVES_PROGRESS * work->lines.n1 *
        work->lines.n2, work->lines.n1, work->lines.n2};
    first_order_shelves_fill_squares(values, size, squares);
    first_order_shelves_fit_slopes((doubles_1){work->lines.at + line * work->lines.n2, work->lines.n2},
        squares, pairs, bands, work);
    small_systems_fit((doubles_2){work->centres.at + FIRST_ORDER_SHELVES_MATRIX * work->centres.n1,
        FIRST_ORDER_SHELVES_NORMAL - FIRST_ORDER_SHELVES_MATRIX, work->centres.n1}, (doubles_1){error.at,
        bands}, progress.at[line * progress.n1 + FIRST_ORDER_SHELVES_DAMPING], (doubles_2){work->centres.at +
        FIRST_ORDER_SHELVES_NORMAL * work->centres.n1, FIRST_ORDER_SHELVES_DECAYS -
        FIRST_ORDER_SHELVES_NORMAL, work->centres.n1}, (doubles_1){found.at, size});
    for (ix k = 0; k < size; k++) {
        trial.at[k] = values.at[k] + smaller_double(larger_double(found.at[k], -6.0), 6.0);
        if (k > 0) {
            trial.at[k] = smaller_double(larger_double(trial.at[k], -0x1.7069e2aa2aa5bp+3),
                0x1.26bb1bbb55516p+3);
        }
    }
    const double cost = first_order_shelves_fit_residue(trial, (doubles_1){work->lines.at + line *
        work->lines.n2, work->lines.n2}, squares, pairs, bands, work, residue);
    const double before = progress.at[line * progress.n1 + FIRST_ORDER_SHELVES_COST];
    const bool better = cost < before;
    const bool stalled = better && before - cost < 0x1.47ae147ae147bp-7 * before;
    if (stalled || progress.at[line * progress.n1 + FIRST_ORDER_SHELVES_DAMPING] > 10000.0) {
        progress.at[line * progress.n1 + FIRST_ORDER_SHELVES_DONE] = 1.0;
    }
    if (better) {
        for (ix k = 0; k < size; k++) {
            values.at[k] = trial.at[k];
        }
        for (ix band = 0; band < bands; band++) {
            error.at[band] = residue.at[band];
        }
        progress.at[line * progress.n1 + FIRST_ORDER_SHELVES_COST] = cost;
        progress.at[line * progress.n1 + FIRST_ORDER_SHELVES_DAMPING] *= 0x1.999999999999ap-3;
    } else {
        progress.at[line * progress.n1 + FIRST_ORDER_SHELVES_DAMPING] *= 5.0;
    }
}

/* Turn level and corners into gains and sections, by the bilinear transform. */
KERNEL void first_order_shelves_assemble_fit(doubles_2 unknowns, ix sections, doubles_3 filters)
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
KERNEL void first_order_shelves_fit_first_order(ix sections, double sample_rate, ix bands, const
    AbsorptionScratch *work)
{
    const ix pairs = 2 * sections;
    const ix lines = work->lines.n1;
    doubles_2 progress = (doubles_2){work->lines.at + FIRST_ORDER_SHELVES_PROGRESS * work->lines.n1 *
        work->lines.n2, work->lines.n1, work->lines.n2};
    first_order_shelves_begin_fit((doubles_2){work->lines.at, work->lines.n1, work->lines.n2}, sections,
        sample_rate, bands, (doubles_2){work->lines.at + FIRST_ORDER_SHELVES_UNKNOWNS * work->lines.n1 *
        work->lines.n2, work->lines.n1, work->lines.n2});
    for (ix line = 0; line < lines; line++) {
        progress.at[line * progress.n1 + FIRST_ORDER_SHELVES_COST] =
            first_order_shelves_fit_residue((doubles_1){work->lines.at + FIRST_ORDER_SHELVES_UNKNOWNS *
            work->lines.n1 * work->lines.n2 + line * work->lines.n2, work->lines.n2},
            (doubles_1){work->lines.at + line * work->lines.n2, work->lines.n2}, (doubles_1){work->centres.at
            + FIRST_ORDER_SHELVES_CORNER * work->centres.n1, work->centres.n1}, pairs, bands, work,
            (doubles_1){work->lines.at + FIRST_ORDER_SHELVES_STEPS * work->lines.n1 * work->lines.n2 + line *
            work->lines.n2, work->lines.n2});
        progress.at[line * progress.n1 + FIRST_ORDER_SHELVES_DAMPING] = 0x1.47ae147ae147bp-7;
        progress.at[line * progress.n1 + FIRST_ORDER_SHELVES_DONE] = 0.0;
    }
    for (ix _ = 0; _ < FIRST_ORDER_SHELVES_ATTEMPTS; _++) {
        for (ix line = 0; line < lines; line++) {
            first_order_shelves_fit_step(line, pairs, bands, work);
        }
        double largest = 0.0;
        bool over = true;
        for (ix line = 0; line < lines; line++) {
            over = over && progress.at[line * progress.n1 + FIRST_ORDER_SHELVES_DONE] > 0.0;
            for (ix band = 0; band < bands; band++) {
                largest = larger_double(largest, magnitude_double(work->lines.at[FIRST_ORDER_SHELVES_STEPS *
                    work->lines.n1 * work->lines.n2 + line * work->lines.n2 + band]));
            }
        }
        if (over || largest < 0x1.d7dbf487fcb92p-11) {
            break;
        }
    }
    first_order_shelves_assemble_fit((doubles_2){work->lines.at + FIRST_ORDER_SHELVES_UNKNOWNS *
        work->lines.n1 * work->lines.n2, work->lines.n1, work->lines.n2}, sections, work->trial);
}
