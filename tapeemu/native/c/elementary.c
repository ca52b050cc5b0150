/* Generated from elementary.py (f578acc924316d52); do not edit. SPDX-License-Identifier: ISC */

/*
 * Elementary functions from multiplications and additions alone, so that no platform's library decides a bit.
 *
 * The last bits of sine, exponential and logarithm differ between mathematical libraries; these give the same on
 * every machine that rounds as IEEE 754 says. Series and reductions are those of any textbook of analysis. They work
 * in double precision in every build, because designs, phases and places stand on them.
 */

#include "elementary.h"

#define ELEMENTARY_TURN REAL(0x1.921fb54442d18p+2)
#define ELEMENTARY_LN2_HIGH REAL(0x1.62e42fee00000p-1)
#define ELEMENTARY_LN2_LOW REAL(0x1.a39ef35793c76p-33)
#define ELEMENTARY_PER_LN2 REAL(0x1.71547652b82fep+0)
#define ELEMENTARY_LN10 REAL(0x1.26bb1bbb55516p+1)
#define ELEMENTARY_PER_LN10 REAL(0x1.bcb7b1526e50ep-2)
#define ELEMENTARY_PER_LOG2 REAL(0x1.a934f0979a371p+1)
#define ELEMENTARY_LOG2_HIGH REAL(0x1.3441350900000p-2)
#define ELEMENTARY_LOG2_LOW REAL(0x1.ef3fde623e256p-35)
#define ELEMENTARY_ROOT_HALF REAL(0x1.6a09e667f3bcdp-1)
#define ELEMENTARY_LARGEST_EXPONENT REAL(0x1.62e42fefa39efp+9)
#define ELEMENTARY_SMALLEST_EXPONENT REAL(-0x1.74910d52d3052p+9)
#define ELEMENTARY_LARGEST_POWER REAL(0x1.34413509f79fep+8)
#define ELEMENTARY_SMALLEST_POWER REAL(-0x1.439999999999ap+8)

/* Sine of an angle from -pi/4 to pi/4, in radians: Taylor series to the 17th power. */
KERNEL double elementary_sine_near(double x)
{
    const double z = x * x;
    double s = z / 0x1.437eeecd80000p+48 - 0x1.ae7f3e733b81fp-41;
    s = z * s + 0x1.6124613a86d09p-33;
    s = z * s - 0x1.ae64567f544e4p-26;
    s = z * s + 0x1.71de3a556c734p-19;
    s = z * s - 0x1.a01a01a01a01ap-13;
    s = z * s + 0x1.1111111111111p-7;
    s = z * s - 0x1.5555555555555p-3;
    return x + x * (z * s);
}

/* Cosine of an angle from -pi/4 to pi/4, in radians: Taylor series to the 18th power. */
KERNEL double elementary_cosine_near(double x)
{
    const double z = x * x;
    double s = 0x1.ae7f3e733b81fp-45 - z / 0x1.6beecca730000p+52;
    s = z * s - 0x1.93974a8c07c9dp-37;
    s = z * s + 0x1.1eed8eff8d898p-29;
    s = z * s - 0x1.27e4fb7789f5cp-22;
    s = z * s + 0x1.a01a01a01a01ap-16;
    s = z * s - 0x1.6c16c16c16c17p-10;
    s = z * s + 0x1.5555555555555p-5;
    const double half = 0.5 * z;
    const double rest = 1.0 - half;
    return rest + (1.0 - rest - half + z * z * s);
}

/* Sine of an angle in whole turns: absolute error at most 3e-16 for the angle as given, exact at quarters. */
KERNEL double elementary_sine_of_turns(double turns)
{
    double value = 0.0;
    turns = turns - floor_of_double(turns);
    const ix eighth = (ix)floor_of_double(8.0 * turns);
    if (eighth == 0) {
        value = elementary_sine_near(0x1.921fb54442d18p+2 * turns);
    } else if (eighth <= 2) {
        value = elementary_cosine_near(0x1.921fb54442d18p+2 * (turns - 0.25));
    } else if (eighth <= 4) {
        value = -elementary_sine_near(0x1.921fb54442d18p+2 * (turns - 0.5));
    } else if (eighth <= 6) {
        value = -elementary_cosine_near(0x1.921fb54442d18p+2 * (turns - 0.75));
    } else {
        value = elementary_sine_near(0x1.921fb54442d18p+2 * (turns - 1.0));
    }
    return value;
}

/* Cosine of an angle in whole turns: error and quarters as for :func:`sine_of_turns`. */
KERNEL double elementary_cosine_of_turns(double turns)
{
    double value = 0.0;
    turns = turns - floor_of_double(turns);
    const ix eighth = (ix)floor_of_double(8.0 * turns);
    if (eighth == 0) {
        value = elementary_cosine_near(0x1.921fb54442d18p+2 * turns);
    } else if (eighth <= 2) {
        value = -elementary_sine_near(0x1.921fb54442d18p+2 * (turns - 0.25));
    } else if (eighth <= 4) {
        value = -elementary_cosine_near(0x1.921fb54442d18p+2 * (turns - 0.5));
    } else if (eighth <= 6) {
        value = elementary_sine_near(0x1.921fb54442d18p+2 * (turns - 0.75));
    } else {
        value = elementary_cosine_near(0x1.921fb54442d18p+2 * (turns - 1.0));
    }
    return value;
}

/* ``x * 2 ** exponent``, exact but where the result is too small for full precision. */
KERNEL double elementary_times_power_of_two(double x, ix exponent)
{
    double factor = 2.0;
    if (exponent < 0) {
        factor = 0.5;
        exponent = -exponent;
    }
    while (exponent > 0) {
        if (floor_remainder(exponent, 2) == 1) {
            x = x * factor;
        }
        exponent = floor_division(exponent, 2);
        if (exponent > 0) {
            factor = factor * factor;
        }
    }
    return x;
}

/* ``(exp(r) - 1 - r) / r ** 2`` for r from -0.35 to 0.35: Taylor series to the 13th power. */
KERNEL double elementary_exponential_rest(double r)
{
    double s = r / 0x1.7328cc0000000p+32 + 0x1.1eed8eff8d898p-29;
    s = r * s + 0x1.ae64567f544e4p-26;
    s = r * s + 0x1.27e4fb7789f5cp-22;
    s = r * s + 0x1.71de3a556c734p-19;
    s = r * s + 0x1.a01a01a01a01ap-16;
    s = r * s + 0x1.a01a01a01a01ap-13;
    s = r * s + 0x1.6c16c16c16c17p-10;
    s = r * s + 0x1.1111111111111p-7;
    s = r * s + 0x1.5555555555555p-5;
    s = r * s + 0x1.5555555555555p-3;
    return r * s + 0.5;
}

/* ``exp(r + lost) * 2 ** exponent`` for r from -0.35 to 0.35, and `lost` the last bits of it. */
KERNEL double elementary_scaled_exponential(double r, double lost, ix exponent)
{
    const double value = 1.0 + (r + (lost + r * r * elementary_exponential_rest(r)));
    /* In two steps: the power alone may be beyond the range where the product is not. */
    const ix part = floor_division(exponent, 2);
    return elementary_times_power_of_two(elementary_times_power_of_two(value, part), exponent - part);
}

/* Exponential function: relative error at most 5e-16; 0 and infinity beyond the range of numbers. */
KERNEL double elementary_exponential(double x)
{
    if (x > 0x1.62e42fefa39efp+9) {
        return (double)INFINITE;
    }
    if (x < -0x1.74910d52d3052p+9) {
        return 0.0;
    }
    const ix exponent = (ix)floor_of_double(x * 0x1.71547652b82fep+0 + 0.5);
    const double whole = (double)exponent;
    const double high = x - whole * 0x1.62e42fee00000p-1;
    const double low = whole * 0x1.a39ef35793c76p-33;
    const double r = high - low;
    return elementary_scaled_exponential(r, high - r - low, exponent);
}

/* ``exp(x) - 1``: relative error at most 1e-15, also for the smallest x. */
KERNEL double elementary_exponential_less_one(double x)
{
    if (magnitude_double(x) < 0x1.6666666666666p-2) {
        return x + x * x * elementary_exponential_rest(x);
    }
    return elementary_exponential(x) - 1.0;
}

/* ``10 ** x``: relative error at most 5e-16; 0 and infinity beyond the range of numbers. */
KERNEL double elementary_power_of_ten(double x)
{
    if (x > 0x1.34413509f79fep+8) {
        return (double)INFINITE;
    }
    if (x < -0x1.439999999999ap+8) {
        return 0.0;
    }
    const ix exponent = (ix)floor_of_double(x * 0x1.a934f0979a371p+1 + 0.5);
    const double whole = (double)exponent;
    const double r = (x - whole * 0x1.3441350900000p-2 - whole * 0x1.ef3fde623e256p-35) *
        0x1.26bb1bbb55516p+1;
    return elementary_scaled_exponential(r, 0.0, exponent);
}

/* Natural logarithm: relative error at most 5e-16; minus infinity at 0, no number below. */
KERNEL double elementary_logarithm(double x)
{
    if (!(x > 0.0)) {
        return (double)(x == 0.0 ? -INFINITE : NO_NUMBER);
    }
    if (x == (double)INFINITE) {
        return x;
    }
    ix exponent = 0;
    ix step = 512;
    while (step > 0) {
        const double power = elementary_times_power_of_two(1.0, step);
        while (x >= power) {
            x = x / power;
            exponent += step;
        }
        while (x * power < 1.0) {
            x = x * power;
            exponent -= step;
        }
        step = floor_division(step, 2);
    }
    if (x < 1.0) {
        x = 2.0 * x;
        exponent -= 1;
    }
    /* from 1/2 to 1 */
    x = 0.5 * x;
    exponent += 1;
    if (x < 0x1.6a09e667f3bcdp-1) {
        x = 2.0 * x;
        exponent -= 1;
    }
    const double f = x - 1.0;
    const double s = f / (2.0 + f);
    const double z = s * s;
    double t = z / 23.0 + 0x1.8618618618618p-5;
    t = z * t + 0x1.af286bca1af28p-5;
    t = z * t + 0x1.e1e1e1e1e1e1ep-5;
    t = z * t + 0x1.1111111111111p-4;
    t = z * t + 0x1.3b13b13b13b14p-4;
    t = z * t + 0x1.745d1745d1746p-4;
    t = z * t + 0x1.c71c71c71c71cp-4;
    t = z * t + 0x1.2492492492492p-3;
    t = z * t + 0x1.999999999999ap-3;
    t = z * t + 0x1.5555555555555p-2;
    /* log(1 + f) = f - f^2/2 + s (f^2/2 + 2 z^... ), written so that f itself carries no rounding. */
    const double half = 0.5 * f * f;
    const double rest = s * (half + 2.0 * z * t);
    const double whole = (double)exponent;
    return whole * 0x1.62e42fee00000p-1 - (half - (rest + whole * 0x1.a39ef35793c76p-33) - f);
}

/* Logarithm to the base of ten: relative error at most 1e-15; ends as for :func:`logarithm`. */
KERNEL double elementary_logarithm_of_ten(double x)
{
    return elementary_logarithm(x) * 0x1.bcb7b1526e50ep-2;
}

/* Hyperbolic tangent: relative error at most 1e-15, odd to the last bit. */
KERNEL double elementary_tangent_hyperbolic(double x)
{
    const double size = magnitude_double(x);
    if (size < 0x1.3333333333333p-2) {
        const double z = x * x;
        /* Continued fraction of tanh (Lambert), which converges fast this near to zero. */
        double part = 21.0 + z / 23.0;
        part = 19.0 + z / part;
        part = 17.0 + z / part;
        part = 15.0 + z / part;
        part = 13.0 + z / part;
        part = 11.0 + z / part;
        part = 9.0 + z / part;
        part = 7.0 + z / part;
        part = 5.0 + z / part;
        part = 3.0 + z / part;
        return x / (1.0 + z / part);
    }
    double value = 1.0;
    if (size <= 20.0) {
        value = 1.0 - 2.0 / (elementary_exponential(2.0 * size) + 1.0);
    }
    return x > 0.0 ? value : -value;
}

/*
 * Modified Bessel function of the first kind, order 0, up to 30: relative error at most 1e-14.
 *
 * Power series ``sum ((x / 2) ^ k / k!) ^ 2`` (Abramowitz & Stegun 9.6.12), all of whose terms are positive.
 */
KERNEL double elementary_bessel_i0(double x)
{
    const double quarter = 0.25 * x * x;
    double term = 1.0;
    double total = 1.0;
    double order = 1.0;
    while (term > total * 0x1.70ef54646d497p-57) {
        term = term * quarter / (order * order);
        total += term;
        order += 1.0;
    }
    return total;
}

/* Squared cosine from nothing at `zero` to 1 at `one`, in either direction, and level beyond. */
KERNEL double elementary_fade(double x, double zero, double one)
{
    const double u = smaller_double(larger_double((x - zero) / (one - zero), 0.0), 1.0);
    return 0.5 - 0.5 * elementary_cosine_of_turns(0.5 * u);
}
