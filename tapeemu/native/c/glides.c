/* Generated from glides.py (874e8a4d3559f3a8); do not edit. SPDX-License-Identifier: ISC */

/*
 * Numbers that go to a new value while sound passes: smooth to the second derivative, on a grid of the tape.
 *
 * The tape is divided into cells of 5 ms. At the beginning of each a processor takes up a new value of every number;
 * in between it is a cubic B-spline of the last four. A jump becomes a transition over three cells (four if it is
 * inside of one), whose spectrum falls with the fourth power of frequency; a straight line stays one. What is taken
 * up at the beginning of a cell is what a straight line has two cells later: who knows the course gives that. Who
 * gives the mean over the cell that has just passed is two cells and a half late.
 */

#include "glides.h"

#define GLIDES_NODES 5
#define GLIDES_TARGET 5
#define GLIDES_REST 6
#define GLIDES_COLUMNS 7
#define GLIDES_AT 0
#define GLIDES_CELL 1
#define GLIDES_MOVING 2
#define GLIDES_COUNTS 3
#define GLIDES_GLIDE_ARRAYS 2
#define GLIDES_CELL_SECONDS REAL(0x1.47ae147ae147bp-8)
#define GLIDES_SHORTEST 128

/* Samples of a cell. */
KERNEL ix glides_glide_cell(double sample_rate)
{
    return larger_integer((ix)(0x1.47ae147ae147bp-8 * sample_rate + 0.5), GLIDES_SHORTEST);
}

/* Set a number as designed: it stands there. */
KERNEL void glides_glide_rest(ix number, double value, const Glide *glide)
{
    for (ix column = 0; column < glide->values.n1; column++) {
        glide->values.at[number * glide->values.n1 + column] = value;
    }
}

/* Set what a number takes up at the beginning of the next cell, and holds until it is told another. */
KERNEL void glides_glide_target(ix number, double value, const Glide *glide)
{
    glide->values.at[number * glide->values.n1 + GLIDES_TARGET] = value;
    if (value != glide->values.at[number * glide->values.n1 + GLIDES_REST]) {
        glide->counts.at[GLIDES_MOVING] = INT64_C(1);
    }
}

/* Whether any number moves. */
KERNEL bool glides_glide_moves(const Glide *glide)
{
    return SETTINGS_MAY_MOVE && glide->counts.at[GLIDES_MOVING] == INT64_C(1);
}

/* Find whether any value is not as designed. */
KERNEL void glides_look(const Glide *glide)
{
    doubles_2 values = glide->values;
    ix moving = 0;
    for (ix number = 0; number < values.n0; number++) {
        for (ix column = 0; column < values.n1; column++) {
            if (values.at[number * values.n1 + column] != values.at[number * values.n1 + GLIDES_REST]) {
                moving = 1;
            }
        }
    }
    glide->counts.at[GLIDES_MOVING] = (int64_t)moving;
}

/* Go to a place on the tape: every number is where it was going. */
KERNEL void glides_glide_seek(int64_t place, const Glide *glide)
{
    const int64_t cell = glide->counts.at[GLIDES_CELL];
    glide->counts.at[GLIDES_AT] = place - floor_division_64(place, cell) * cell;
    for (ix number = 0; number < glide->values.n0; number++) {
        for (ix column = 0; column < glide->values.n1; column++) {
            if (column != GLIDES_REST) {
                glide->values.at[number * glide->values.n1 + column] = glide->values.at[number *
                    glide->values.n1 + GLIDES_TARGET];
            }
        }
    }
    glides_look(glide);
}

/* Begin at a place on the tape, when :func:`glide_rest` has set all numbers. */
KERNEL void glides_glide_design(double sample_rate, int64_t place, const Glide *glide)
{
    glide->counts.at[GLIDES_CELL] = (int64_t)glides_glide_cell(sample_rate);
    glides_glide_seek(place, glide);
}

/* Let a cell end: every number takes up its next value. */
KERNEL void glides_glide_on(const Glide *glide)
{
    doubles_2 values = glide->values;
    const ix before = values.n1 - GLIDES_COLUMNS;
    for (ix number = 0; number < values.n0; number++) {
        for (ix k = 0; k < before - 1; k++) {
            values.at[number * values.n1 + GLIDES_COLUMNS + before - 1 - k] = values.at[number * values.n1 +
                GLIDES_COLUMNS + before - 2 - k];
        }
        if (before > 0) {
            values.at[number * values.n1 + GLIDES_COLUMNS] = values.at[number * values.n1];
        }
        for (ix column = 0; column < GLIDES_NODES; column++) {
            values.at[number * values.n1 + column] = values.at[number * values.n1 + column + 1];
        }
    }
    glides_look(glide);
}

/* Go on by samples, while anything moves not beyond the end of the cell. */
KERNEL void glides_glide_pass(ix count, const Glide *glide)
{
    int64s_1 counts = glide->counts;
    const int64_t cell = counts.at[GLIDES_CELL];
    const int64_t after = counts.at[GLIDES_AT] + (int64_t)count;
    if (glides_glide_moves(glide) && after == cell) {
        glides_glide_on(glide);
    }
    counts.at[GLIDES_AT] = floor_remainder_64(after, cell);
}

/* The cubic B-spline of the last four values, a part `u` of the way through a cell. */
KERNEL double glides_spline(double u, double first, double second, double third, double fourth)
{
    const double v = 1.0 - u;
    const double uu = u * u;
    const double vv = v * v;
    /* Weights add up to one: what stands does not move by more than a rounding. */
    const double before = vv * v;
    const double behind = uu * u;
    const double near = 4.0 - 6.0 * uu + 3.0 * behind;
    const double far = 6.0 - before - near - behind;
    double total = before * first + near * second;
    total += far * third + behind * fourth;
    return total / 6.0;
}

/* A number at a sample of the cell; below 0 of the cell before. */
KERNEL double glides_glide_value(ix number, ix at, const Glide *glide)
{
    doubles_1 row = (doubles_1){glide->values.at + number * glide->values.n1, glide->values.n1};
    const ix cell = (ix)glide->counts.at[GLIDES_CELL];
    ix column = 1;
    if (at < 0) {
        at += cell;
        column = 0;
    }
    const double share = (double)at / (double)cell;
    return glides_spline(share, row.at[column], row.at[column + 1], row.at[column + 2], row.at[column + 3]);
}

/* One of the values of a number, by its place, which is below 0 for what was before. */
KERNEL double glides_kept(ix number, ix place, const Glide *glide)
{
    const double value = glide->values.at[number * glide->values.n1 + (place >= 0 ? place : 6 - place)];
    return value;
}

/* A number at a sample, counted from the cell's first, as early as :func:`late_glide_shapes` keeps it. */
KERNEL double glides_glide_late_value(ix number, ix at, const Glide *glide)
{
    const ix cell = (ix)glide->counts.at[GLIDES_CELL];
    const ix cells = floor_division(at, cell);
    const double share = (double)(at - cells * cell) / (double)cell;
    const ix first = cells + 1;
    return glides_spline(share, glides_kept(number, first, glide), glides_kept(number, first + 1, glide),
        glides_kept(number, first + 2, glide), glides_kept(number, first + 3, glide));
}

/* Whether all numbers are as designed for some samples, the first of which is as for `glide_late_value`. */
KERNEL bool glides_glide_late_stands(ix at, ix count, const Glide *glide)
{
    const ix cell = (ix)glide->counts.at[GLIDES_CELL];
    for (ix place = floor_division(at, cell) + 1; place < floor_division(at + count - 1, cell) + GLIDES_NODES;
        place++) {
        for (ix number = 0; number < glide->values.n0; number++) {
            if (glides_kept(number, place, glide) != glide->values.at[number * glide->values.n1 +
                GLIDES_REST]) {
                return false;
            }
        }
    }
    return true;
}

/*
 * Write a number sample by sample.
 *
 * Parameters
 * ----------
 * number : int
 *     Which it is.
 * first : int
 *     Samples into the cell of the first one.
 * late : int
 *     Samples by which they are those of earlier ones, at most a cell.
 * glide : Glide
 * out : ndarray, shape (samples,)
 *     Gets them; must not reach beyond the cell.
 */
KERNEL void glides_glide_values(ix number, ix first, ix late, const Glide *glide, reals_1 out)
{
    for (ix k = 0; k < out.n0; k++) {
        out.at[k] = (real)glides_glide_value(number, first + k - late, glide);
    }
}

/* As :func:`glide_values`, with the exponential of the number. */
KERNEL void glides_glide_exponentials(ix number, ix first, ix late, const Glide *glide, reals_1 out)
{
    for (ix k = 0; k < out.n0; k++) {
        out.at[k] = (real)elementary_exponential(glides_glide_value(number, first + k - late, glide));
    }
}

/*
 * Logarithm of about the level behind a saturating curve that keeps a tone's level.
 *
 * For small tones the level is one over the gain, for large ones it no longer depends on it. Gain and level that
 * went each its own way from one pair of values to another could be far too much in between.
 *
 * Parameters
 * ----------
 * gain, reference : float
 *     Logarithms of the gain into the curve and of the tone.
 * bend : float
 *     Inverse square of the driven tone at which it bends; 0 if its level is not kept.
 */
KERNEL double glides_bent_level(double gain, double reference, double bend)
{
    const double driven = elementary_exponential(gain + reference);
    return 0.5 * elementary_logarithm(1.0 + bend * driven * driven) - gain;
}

/*
 * As :func:`glide_values`, for the level behind a saturating curve.
 *
 * Number 0 is the logarithm of the gain, 1 that of the tone, 2 what the level's exceeds :func:`bent_level` by.
 */
KERNEL void glides_glide_levels(double bend, ix first, ix late, const Glide *glide, reals_1 out)
{
    for (ix k = 0; k < out.n0; k++) {
        const ix at = first + k - late;
        const double near = glides_bent_level(glides_glide_value(0, at, glide), glides_glide_value(1, at,
            glide), bend);
        out.at[k] = (real)elementary_exponential(near + glides_glide_value(2, at, glide));
    }
}

/* Write the shapes of a :class:`Glide` into two rows of `shapes`, from row `first` on. */
KERNEL void glides_glide_shapes(ix numbers, ix first, int64s_2 shapes)
{
    for (ix row = first; row < first + GLIDES_GLIDE_ARRAYS; row++) {
        for (ix axis = 0; axis < 3; axis++) {
            shapes.at[row * shapes.n1 + axis] = INT64_C(1);
        }
    }
    shapes.at[first * shapes.n1] = (int64_t)numbers;
    shapes.at[first * shapes.n1 + 1] = INT64_C(7);
    shapes.at[(first + 1) * shapes.n1] = INT64_C(3);
}

/* As :func:`glide_shapes`, for numbers read by :func:`glide_late_value` up to so many samples late. */
KERNEL void glides_late_glide_shapes(ix numbers, ix late, double sample_rate, ix first, int64s_2 shapes)
{
    glides_glide_shapes(numbers, first, shapes);
    shapes.at[first * shapes.n1 + 1] = (int64_t)(8 + floor_division(late, glides_glide_cell(sample_rate)));
}
