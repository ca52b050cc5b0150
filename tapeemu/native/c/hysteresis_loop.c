/* Generated from hysteresis_loop.py (8360958522a59731); do not edit. SPDX-License-Identifier: ISC */

/*
 * The settled loop of magnetised tape: its harmonics, and the field that gives a distortion.
 *
 * The equations are those of :mod:`tapeemu.dsp.kernels.magnetisation`, for one branch of a loop, on which the field
 * only rises: there they are one smooth differential equation from the field on at which y begins to follow.
 */

#include "hysteresis_loop.h"

#define HYSTERESIS_LOOP_ALPHA REAL(0x1.a10c1a10c1a11p-6)
#define HYSTERESIS_LOOP_FIELD_LIMIT REAL(40.0)
#define HYSTERESIS_LOOP_KAPPA REAL(0x1.3a2e8ba2e8ba3p+0)
#define HYSTERESIS_LOOP_MOL_RATIO REAL(0x1.eb851eb851eb8p-6)
#define HYSTERESIS_LOOP_POINTS 1024
#define HYSTERESIS_LOOP_FEW_POINTS 128
#define HYSTERESIS_LOOP_LONGEST_STEP REAL(0x1.999999999999ap-4)
#define HYSTERESIS_LOOP_LOWEST_DB -20
#define HYSTERESIS_LOOP_HIGHEST_DB 40
#define HYSTERESIS_LOOP_STRIDE_DB 2
#define HYSTERESIS_LOOP_FRACTION_BELOW REAL(4.0)
#define HYSTERESIS_LOOP_P0 REAL(0x1.5555555555554p-2)
#define HYSTERESIS_LOOP_P1 REAL(0x1.9df444efeb56bp-6)
#define HYSTERESIS_LOOP_P2 REAL(0x1.01fa3154bb04bp-11)
#define HYSTERESIS_LOOP_P3 REAL(0x1.8f7d5a9919fa5p-19)
#define HYSTERESIS_LOOP_P4 REAL(0x1.2463665c05622p-28)
#define HYSTERESIS_LOOP_Q1 REAL(0x1.23c4226280befp-3)
#define HYSTERESIS_LOOP_Q2 REAL(0x1.2f1309294ab9dp-8)
#define HYSTERESIS_LOOP_Q3 REAL(0x1.8f777eeec793ap-15)
#define HYSTERESIS_LOOP_Q4 REAL(0x1.37aadc3916414p-23)
#define HYSTERESIS_LOOP_Q5 REAL(0x1.1248d1baa0834p-34)

/*
 * Langevin function ``L(x) = coth x - 1/x`` over x, relative error at most 2e-15.
 *
 * Below 4 it is a rational function of ``x ** 2`` (relative error 3e-16; least squares, reweighted). The
 * derivative is ``1 - 2 L / x - L ** 2``.
 */
KERNEL double hysteresis_loop_langevin_ratio(double x)
{
    const double z = x * x;
    const double u = magnitude_double(x);
    if (u < 4.0) {
        const double above = (((0x1.2463665c05622p-28 * z + 0x1.8f7d5a9919fa5p-19) * z +
            0x1.01fa3154bb04bp-11) * z + 0x1.9df444efeb56bp-6) * z + 0x1.5555555555554p-2;
        return above / (((((0x1.1248d1baa0834p-34 * z + 0x1.37aadc3916414p-23) * z + 0x1.8f777eeec793ap-15) *
            z + 0x1.2f1309294ab9dp-8) * z + 0x1.23c4226280befp-3) * z + 1.0);
    }
    const double e = elementary_exponential(-2.0 * u);
    return (u - 1.0 + e * (u + 1.0)) / (z * (1.0 - e));
}

/* A of ``A = L(h + alpha ((1 - c) y + c A))``: one Newton step from a guess, and L there. */
KERNEL double hysteresis_loop_anhysteretic(double h, double y, double c, double guess)
{
    const double known = h + 0x1.a10c1a10c1a11p-6 * (1.0 - c) * y;
    double x = known + 0x1.a10c1a10c1a11p-6 * c * guess;
    const double r = hysteresis_loop_langevin_ratio(x);
    const double value = x * r;
    const double steep = 1.0 - 2.0 * r - value * value;
    x = x - 0x1.a10c1a10c1a11p-6 * c * (guess - value) / (1.0 - 0x1.a10c1a10c1a11p-6 * c * steep);
    return x * hysteresis_loop_langevin_ratio(x);
}

/* dy/dh on the way up where y follows A; arguments as for `_anhysteretic`. */
KERNEL double hysteresis_loop_climb(double h, double y, double c, double guess)
{
    const double gap = larger_double(hysteresis_loop_anhysteretic(h, y, c, guess) - y, 0.0);
    return gap / (0x1.3a2e8ba2e8ba3p+0 - 0x1.a10c1a10c1a11p-6 * gap);
}

/* Y at `h1` from y at `h0`, by Runge and Kutta's method of fourth order; `guess` is A at `h0`. */
KERNEL double hysteresis_loop_follow_up(double h0, double h1, double y, double c, double guess)
{
    const ix parts = (ix)ceiling_of_double((h1 - h0) / 0x1.999999999999ap-4);
    for (ix part = 0; part < parts; part++) {
        const double step = (h1 - h0) / (double)parts;
        const double h = h0 + step * (double)part;
        const double k1 = hysteresis_loop_climb(h, y, c, guess);
        const double k2 = hysteresis_loop_climb(h + 0.5 * step, y + 0.5 * step * k1, c, guess);
        const double k3 = hysteresis_loop_climb(h + 0.5 * step, y + 0.5 * step * k2, c, guess);
        const double k4 = hysteresis_loop_climb(h + step, y + step * k3, c, guess);
        y = y + step * (k1 + 2.0 * k2 + 2.0 * k3 + k4) / 6.0;
    }
    return y;
}

/* Field between `h0` and `h1` at which A, on its way up, is y (bisection). */
KERNEL double hysteresis_loop_meeting(double h0, double h1, double y)
{
    double low = h0;
    double high = h1;
    for (ix _ = 0; _ < 60; _++) {
        const double middle = 0.5 * (low + high);
        const double x = middle + 0x1.a10c1a10c1a11p-6 * y;
        if (x * hysteresis_loop_langevin_ratio(x) < y) {
            low = middle;
        } else {
            high = middle;
        }
    }
    return 0.5 * (low + high);
}

/*
 * One branch from the lowest to the highest field.
 *
 * Parameters
 * ----------
 * start : float
 *     y at the lowest field.
 * field : float
 *     Highest field; held at FIELD_LIMIT.
 * c : float
 *     Reversible share.
 * points : int
 *     Steps.
 *
 * Returns
 * -------
 * end : float
 *     y at the highest field.
 * cosine1, sine1, cosine3, sine3 : float
 *     Sums of the magnetisation times cosine and sine of the phase, and of three times the phase.
 */
KERNEL hysteresis_loop__half_loop_result hysteresis_loop_half_loop(double start, double field, double c, ix
    points)
{
    double y = start;
    double h = -smaller_double(field, 40.0);
    double a = hysteresis_loop_anhysteretic(h, y, c, y);
    const double whole = 2.0 * (double)points;
    double cosine1 = 0.0;
    double sine1 = 0.0;
    double cosine3 = 0.0;
    double sine3 = 0.0;
    for (ix k = 0; k < points; k++) {
        const double m = y + c * (a - y);
        double turns = (double)k;
        turns = turns / whole;
        const double u = elementary_cosine_of_turns(turns);
        const double v = elementary_sine_of_turns(turns);
        cosine1 += m * u;
        sine1 += m * v;
        cosine3 += m * ((4.0 * u * u - 3.0) * u);
        sine3 += m * ((3.0 - 4.0 * v * v) * v);
        const double last = h;
        turns = (double)k + 1.0;
        turns = turns / whole;
        h = smaller_double(larger_double(-field * elementary_cosine_of_turns(turns),
            (double)-HYSTERESIS_LOOP_FIELD_LIMIT), 40.0);
        double ahead = hysteresis_loop_anhysteretic(h, y, c, a);
        if (ahead > y && h > last) {
            const double begin = a >= y ? last : hysteresis_loop_meeting(last, h, y);
            y = hysteresis_loop_follow_up(begin, h, y, c, larger_double(a, y));
            ahead = hysteresis_loop_anhysteretic(h, y, c, ahead);
        }
        a = ahead;
    }
    return (hysteresis_loop__half_loop_result){y, cosine1, sine1, cosine3, sine3};
}

/*
 * As `loop_harmonics`, with that many steps of a half loop.
 *
 * The settled loop is symmetric: the way down mirrors the way up. So the start is solved for (secant method) at
 * which the end of the way up is its mirror image.
 */
KERNEL hysteresis_loop__harmonics_result hysteresis_loop_harmonics(double field, double c, ix points)
{
    double before = 0.0;
    double start = -0x1.0c6f7a0b5ed8dp-20;
    const hysteresis_loop__half_loop_result result_1 = hysteresis_loop_half_loop(before, field, c, points);
    double end = result_1.m0;
    double cosine1 = result_1.m1;
    double sine1 = result_1.m2;
    double cosine3 = result_1.m3;
    double sine3 = result_1.m4;
    double miss_before = end + before;
    for (ix _ = 0; _ < 30; _++) {
        const hysteresis_loop__half_loop_result result_2 = hysteresis_loop_half_loop(start, field, c, points);
        end = result_2.m0;
        cosine1 = result_2.m1;
        sine1 = result_2.m2;
        cosine3 = result_2.m3;
        sine3 = result_2.m4;
        const double miss = end + start;
        if (magnitude_double(miss) < 0x1.c25c268497682p-44 || miss == miss_before) {
            break;
        }
        const double step = miss * (start - before) / (miss - miss_before);
        before = start;
        miss_before = miss;
        start = start - step;
    }
    const double whole = (double)points;
    const double first = 2.0 * square_root_double(cosine1 * cosine1 + sine1 * sine1) / whole;
    const double third = 2.0 * square_root_double(cosine3 * cosine3 + sine3 * sine3) / whole;
    return (hysteresis_loop__harmonics_result){first, third};
}

/*
 * First and third harmonic amplitude of the magnetisation in the settled loop of a sine of that field.
 *
 * Parameters
 * ----------
 * field : float
 *     Peak of the field, in units of the shape field.
 * reversible : float
 *     Share of the magnetisation that follows the field without hysteresis, 0 to 1.
 *
 * Returns
 * -------
 * first, third : float
 *     In units of the saturated magnetisation.
 */
KERNEL hysteresis_loop_loop_harmonics_result hysteresis_loop_loop_harmonics(double field, double reversible)
{
    const hysteresis_loop__harmonics_result result_1 = hysteresis_loop_harmonics(field, reversible,
        HYSTERESIS_LOOP_POINTS);
    const double first = result_1.m0;
    const double third = result_1.m1;
    return (hysteresis_loop_loop_harmonics_result){first, third};
}

/* Ratio of third harmonic to fundamental above 3 %, at a field in dB above the shape field. */
KERNEL double hysteresis_loop_excess(double field_db, double reversible, ix points)
{
    const hysteresis_loop__harmonics_result result_1 =
        hysteresis_loop_harmonics(elementary_power_of_ten(0x1.999999999999ap-5 * field_db), reversible,
        points);
    const double first = result_1.m0;
    const double third = result_1.m1;
    return third / first - 0x1.eb851eb851eb8p-6;
}

/* Lowest field, in units of the shape field, whose settled loop has 3 % third harmonic (secant method). */
KERNEL double hysteresis_loop_field_of_mol(double reversible)
{
    double high = -20.0;
    while (high < 40.0 && hysteresis_loop_excess(high, reversible, HYSTERESIS_LOOP_FEW_POINTS) <= 0.0) {
        high = high + 2.0;
    }
    double low = high - 2.0;
    double below = hysteresis_loop_excess(low, reversible, HYSTERESIS_LOOP_POINTS);
    double above = hysteresis_loop_excess(high, reversible, HYSTERESIS_LOOP_POINTS);
    for (ix _ = 0; _ < 20; _++) {
        if (magnitude_double(high - low) < 0x1.12e0be826d695p-30 || above == below) {
            break;
        }
        const double step = above * (high - low) / (above - below);
        low = high;
        below = above;
        high = high - step;
        above = hysteresis_loop_excess(high, reversible, HYSTERESIS_LOOP_POINTS);
    }
    return elementary_power_of_ten(0x1.999999999999ap-5 * high);
}
