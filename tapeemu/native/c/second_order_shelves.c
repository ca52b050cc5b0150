/* Generated from second_order_shelves.py (3d0ef9e4118bc64a); do not edit. SPDX-License-Identifier: ISC */

/*
 * One second-order shelf between each two octaves, solved exactly at their centres.
 *
 * A graphic equaliser whose bands are the differences between neighbours. Shelves that are not needed are left out.
 * They lie a fifth of an octave towards the slower of the two bands: what is read in an octave is ruled by its
 * slowest part, and a shelf in the middle would let the slow neighbour into the fast band. The value comes from our
 * own designs of thirty tables: with it octave filters of different skirts agree best, and solving for readings
 * converges.
 */

#include "second_order_shelves.h"

#define SECOND_ORDER_SHELVES_BEST_UNKNOWNS 3
#define SECOND_ORDER_SHELVES_CENTRE_COSINE 3
#define SECOND_ORDER_SHELVES_CENTRE_SINE 4
#define SECOND_ORDER_SHELVES_CORNER_COSINE 7
#define SECOND_ORDER_SHELVES_CORNER_KEPT 11
#define SECOND_ORDER_SHELVES_CORNER_SINE 8
#define SECOND_ORDER_SHELVES_DECAYS 30
#define SECOND_ORDER_SHELVES_FOUND 9
#define SECOND_ORDER_SHELVES_LEVELS 0
#define SECOND_ORDER_SHELVES_MATRIX 12
#define SECOND_ORDER_SHELVES_NORMAL 21
#define SECOND_ORDER_SHELVES_RESIDUE 10
#define SECOND_ORDER_SHELVES_STEPS 2
#define SECOND_ORDER_SHELVES_UNKNOWNS 1
#define SECOND_ORDER_SHELVES_SHELF_SHIFT REAL(0x1.2611186bae675p+0)
#define SECOND_ORDER_SHELVES_SPARED REAL(0x1.cac083126e979p-8)
#define SECOND_ORDER_SHELVES_NEWTON_STEPS 12
#define SECOND_ORDER_SHELVES_EXACT REAL(0x1.0c6f7a0b5ed8dp-20)
#define SECOND_ORDER_SHELVES_STEP REAL(0x1.a36e2eb1c432dp-14)
#define SECOND_ORDER_SHELVES_HUGE REAL(0x1.7e43c8800759cp+996)

/* Power gain of a high shelf (bilinear, second order) at an angle with this cosine and sine. */
KERNEL double second_order_shelves_shelf_power(double gain_db, double q, double corner_cosine, double
    corner_sine, double cosine, double sine)
{
    const double root = elementary_power_of_ten(gain_db / 80.0);
    const double a = root * root;
    const double width = root * corner_sine / q;
    const double more = a + 1.0 + (a - 1.0) * corner_cosine;
    const double less = a + 1.0 - (a - 1.0) * corner_cosine;
    const double upper = line_filters_quadratic_power(-2.0 * (a - 1.0 + (a + 1.0) * corner_cosine) / (more +
        width), (more - width) / (more + width), cosine, sine);
    const double lower = line_filters_quadratic_power(2.0 * (a - 1.0 - (a + 1.0) * corner_cosine) / (less +
        width), (less - width) / (less + width), cosine, sine);
    const double leading = a * (more + width) / (less + width);
    return leading * leading * upper / lower;
}

/* Write where the shelves lie between octaves: nearer to the slower one. */
KERNEL void second_order_shelves_place_corners(ix bands, const AbsorptionScratch *work)
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
            centres.at[SECOND_ORDER_SHELVES_CORNER_KEPT * centres.n1 + band - 1] = middle;
        }
        below = loss;
    }
}

/* Write base levels and shelf gains to begin with: steps between the means of the bands between shelves. */
KERNEL void second_order_shelves_begin_shelves(ix count, double sample_rate, ix bands, const AbsorptionScratch
    *work)
{
    doubles_2 centres = work->centres;
    for (ix shelf = 0; shelf < count; shelf++) {
        const double turns = centres.at[SECOND_ORDER_SHELVES_CORNER_KEPT * centres.n1 + shelf] / sample_rate;
        centres.at[SECOND_ORDER_SHELVES_CORNER_COSINE * centres.n1 + shelf] =
            elementary_cosine_of_turns(turns);
        centres.at[SECOND_ORDER_SHELVES_CORNER_SINE * centres.n1 + shelf] = elementary_sine_of_turns(turns);
    }
    for (ix line = 0; line < work->lines.n1; line++) {
        work->lines.at[SECOND_ORDER_SHELVES_UNKNOWNS * work->lines.n1 * work->lines.n2 + line *
            work->lines.n2] = work->lines.at[line * work->lines.n2];
        ix band = 0;
        double before = 0.0;
        for (ix group = 0; group < count + 1; group++) {
            double total = 0.0;
            double members = 0.0;
            while (band < bands && (group == count || room_layout_octave_hz(band) <
                centres.at[SECOND_ORDER_SHELVES_CORNER_KEPT * centres.n1 + group])) {
                total += work->lines.at[line * work->lines.n2 + band];
                members += 1.0;
                band += 1;
            }
            const double mean = total / members;
            if (group > 0) {
                work->lines.at[SECOND_ORDER_SHELVES_UNKNOWNS * work->lines.n1 * work->lines.n2 + line *
                    work->lines.n2 + group] = mean - before;
            }
            before = mean;
        }
    }
}

/* Write Newton's step of a line's base level and shelf gains; give the largest relative error before it. */
KERNEL double second_order_shelves_shelf_step(ix line, ix count, double q, ix bands, const AbsorptionScratch
    *work)
{
    doubles_2 centres = work->centres;
    doubles_2 matrix = (doubles_2){work->centres.at + SECOND_ORDER_SHELVES_MATRIX * work->centres.n1,
        SECOND_ORDER_SHELVES_NORMAL - SECOND_ORDER_SHELVES_MATRIX, work->centres.n1};
    doubles_1 residue = (doubles_1){work->centres.at + SECOND_ORDER_SHELVES_RESIDUE * work->centres.n1,
        work->centres.n1};
    doubles_1 values = (doubles_1){work->lines.at + SECOND_ORDER_SHELVES_UNKNOWNS * work->lines.n1 *
        work->lines.n2 + line * work->lines.n2, work->lines.n2};
    doubles_1 levels = (doubles_1){work->lines.at + line * work->lines.n2, work->lines.n2};
    for (ix band = 0; band < bands; band++) {
        residue.at[band] = levels.at[band] - values.at[0];
        matrix.at[band * matrix.n1] = 1.0 / levels.at[band];
    }
    for (ix shelf = 0; shelf < count; shelf++) {
        const double corner_cosine = centres.at[SECOND_ORDER_SHELVES_CORNER_COSINE * centres.n1 + shelf];
        const double corner_sine = centres.at[SECOND_ORDER_SHELVES_CORNER_SINE * centres.n1 + shelf];
        const double gain_db = values.at[1 + shelf];
        for (ix band = 0; band < bands; band++) {
            const double cosine = centres.at[SECOND_ORDER_SHELVES_CENTRE_COSINE * centres.n1 + band];
            const double sine = centres.at[SECOND_ORDER_SHELVES_CENTRE_SINE * centres.n1 + band];
            const double power = second_order_shelves_shelf_power(gain_db, q, corner_cosine, corner_sine,
                cosine, sine);
            const double beside = second_order_shelves_shelf_power(gain_db + 0x1.a36e2eb1c432dp-14, q,
                corner_cosine, corner_sine, cosine, sine);
            residue.at[band] -= line_filters_power_db(power);
            matrix.at[band * matrix.n1 + 1 + shelf] = line_filters_power_db(beside / power) /
                (0x1.a36e2eb1c432dp-14 * levels.at[band]);
        }
    }
    double largest = 0.0;
    for (ix band = 0; band < bands; band++) {
        residue.at[band] = residue.at[band] / levels.at[band];
        largest = larger_double(largest, magnitude_double(residue.at[band]));
    }
    small_systems_fit(matrix, (doubles_1){residue.at, bands}, 0.0, (doubles_2){work->centres.at +
        SECOND_ORDER_SHELVES_NORMAL * work->centres.n1, SECOND_ORDER_SHELVES_DECAYS -
        SECOND_ORDER_SHELVES_NORMAL, work->centres.n1}, (doubles_1){work->lines.at +
        SECOND_ORDER_SHELVES_STEPS * work->lines.n1 * work->lines.n2 + line * work->lines.n2, count + 1});
    return largest;
}

/*
 * Solve shelves for the levels of all lines: one between each two octaves, or as many corners as are kept.
 *
 * Base levels and gains are solved by Newton's method, by relative least squares if there are too few. The result
 * is on trial.
 */
KERNEL void second_order_shelves_fit_shelves(ix count, double q, double sample_rate, ix bands, const
    AbsorptionScratch *work)
{
    if (count == bands - 1) {
        second_order_shelves_place_corners(bands, work);
    }
    const ix lines = work->lines.n1;
    second_order_shelves_begin_shelves(count, sample_rate, bands, work);
    double smallest = 0x1.7e43c8800759cp+996;
    for (ix _ = 0; _ < SECOND_ORDER_SHELVES_NEWTON_STEPS; _++) {
        double largest = 0.0;
        for (ix line = 0; line < lines; line++) {
            largest = larger_double(largest, second_order_shelves_shelf_step(line, count, q, bands, work));
        }
        if (largest < smallest) {
            smallest = largest;
            for (ix line = 0; line < lines; line++) {
                for (ix k = 0; k < count + 1; k++) {
                    work->lines.at[SECOND_ORDER_SHELVES_BEST_UNKNOWNS * work->lines.n1 * work->lines.n2 + line
                        * work->lines.n2 + k] = work->lines.at[SECOND_ORDER_SHELVES_UNKNOWNS * work->lines.n1
                        * work->lines.n2 + line * work->lines.n2 + k];
                }
            }
        }
        if (largest < 0x1.0c6f7a0b5ed8dp-20) {
            break;
        }
        for (ix line = 0; line < lines; line++) {
            for (ix k = 0; k < count + 1; k++) {
                const double moved = work->lines.at[SECOND_ORDER_SHELVES_UNKNOWNS * work->lines.n1 *
                    work->lines.n2 + line * work->lines.n2 + k] +
                    smaller_double(larger_double(work->lines.at[SECOND_ORDER_SHELVES_STEPS * work->lines.n1 *
                    work->lines.n2 + line * work->lines.n2 + k], -12.0), 12.0);
                work->lines.at[SECOND_ORDER_SHELVES_UNKNOWNS * work->lines.n1 * work->lines.n2 + line *
                    work->lines.n2 + k] = k == 0 ? moved : smaller_double(larger_double(moved, -150.0),
                    150.0);
            }
        }
    }
    second_order_shelves_assemble_shelves(count, q, work);
}

/* Turn base levels and shelf gains into gains and sections on trial. */
KERNEL void second_order_shelves_assemble_shelves(ix count, double q, const AbsorptionScratch *work)
{
    doubles_3 filters = work->trial;
    for (ix line = 0; line < filters.n2; line++) {
        double gain = elementary_power_of_ten(work->lines.at[SECOND_ORDER_SHELVES_BEST_UNKNOWNS *
            work->lines.n1 * work->lines.n2 + line * work->lines.n2] / 20.0);
        for (ix shelf = 0; shelf < count; shelf++) {
            const double root = elementary_power_of_ten(work->lines.at[SECOND_ORDER_SHELVES_BEST_UNKNOWNS *
                work->lines.n1 * work->lines.n2 + line * work->lines.n2 + 1 + shelf] / 80.0);
            const double a = root * root;
            const double cosine = work->centres.at[SECOND_ORDER_SHELVES_CORNER_COSINE * work->centres.n1 +
                shelf];
            const double width = root * work->centres.at[SECOND_ORDER_SHELVES_CORNER_SINE * work->centres.n1 +
                shelf] / q;
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
KERNEL ix second_order_shelves_least_shelf(ix count, const AbsorptionScratch *work, doubles_1 kept)
{
    ix found = 0;
    double least = 0x1.7e43c8800759cp+996;
    for (ix shelf = 0; shelf < count; shelf++) {
        double largest = 0.0;
        const ix band = (ix)kept.at[shelf];
        for (ix line = 0; line < work->lines.n1; line++) {
            largest = larger_double(largest,
                magnitude_double(work->lines.at[SECOND_ORDER_SHELVES_BEST_UNKNOWNS * work->lines.n1 *
                work->lines.n2 + line * work->lines.n2 + 1 + shelf] / work->lines.at[line * work->lines.n2 +
                band]));
        }
        if (largest < least) {
            least = largest;
            found = shelf;
        }
    }
    return found;
}

/* Solve as many shelves as are needed for the levels of all lines; the result is the chosen one. */
KERNEL void second_order_shelves_thin_shelves(double q, double sample_rate, ix bands, const AbsorptionScratch
    *work)
{
    doubles_2 centres = work->centres;
    doubles_1 kept = (doubles_1){work->centres.at + SECOND_ORDER_SHELVES_FOUND * work->centres.n1,
        work->centres.n1};
    ix count = bands - 1;
    second_order_shelves_fit_shelves(count, q, sample_rate, bands, work);
    line_filters_copy_filters(work->trial, work->chosen);
    for (ix shelf = 0; shelf < count; shelf++) {
        kept.at[shelf] = (double)shelf;
    }
    bool enough = true;
    while (enough && count > 1) {
        const ix least = second_order_shelves_least_shelf(count, work, kept);
        count -= 1;
        for (ix shelf = least; shelf < count; shelf++) {
            kept.at[shelf] = kept.at[shelf + 1];
            centres.at[SECOND_ORDER_SHELVES_CORNER_KEPT * centres.n1 + shelf] =
                centres.at[SECOND_ORDER_SHELVES_CORNER_KEPT * centres.n1 + shelf + 1];
        }
        second_order_shelves_fit_shelves(count, q, sample_rate, bands, work);
        enough = octave_readings_centre_error(work->trial, bands, work) <= 0x1.cac083126e979p-8;
        if (enough) {
            line_filters_copy_filters(work->trial, work->chosen);
        }
    }
}
