/* Generated from driven_sine.py (e97a7c612ac87c9b); do not edit. SPDX-License-Identifier: ISC */

/*
 * A sine through a hyperbolic tangent: its harmonics, and the drive that gives a distortion.
 *
 * Distortion is THD_F (IEC 60268-3, 14.12): rms of the harmonics over the fundamental. Harmonics by Fourier analysis.
 */

#include "driven_sine.h"

#define DRIVEN_SINE_LEAST_DRIVE_DB REAL(-40.0)
#define DRIVEN_SINE_MOST_DRIVE_DB REAL(60.0)
#define DRIVEN_SINE_MOST_QUARTER 2048
#define DRIVEN_SINE_EXPONENT REAL(45.0)
#define DRIVEN_SINE_PERCENT_OF_PEAK REAL(0x1.1ad7bc01366b8p+7)

/* ``(tanh(x + b) - tanh b) / (1 - tanh(b)^2)`` with rest = tanh b, by the addition theorem of the tangent. */
KERNEL double driven_sine_curve(double x, double rest)
{
    const double straight = elementary_tangent_hyperbolic(x);
    return straight / (1.0 + rest * straight);
}

/*
 * Points of a quarter of the period with which the quadrature is exact to rounding, as far as 2048 suffice.
 *
 * The curve has poles where ``peak * sin(angle)`` is i pi / 2, so n points of the period leave an error of
 * exp(-n e) with ``sinh e = pi / (2 peak)``. An offset moves the poles further away.
 */
KERNEL ix driven_sine_quarter_points(double peak)
{
    const double s = 0x1.921fb54442d18p+0 / peak;
    if (s > 0x1.e848000000000p+19) {
        return 4;
    }
    const double distance = elementary_logarithm(s + square_root_double(1.0 + s * s));
    return smaller_integer(larger_integer((ix)ceiling_of_double(45.0 / (4.0 * distance)), 4),
        DRIVEN_SINE_MOST_QUARTER);
}

/*
 * Fundamental amplitude, and rms of all harmonics, of a driven sine (unity small-signal gain).
 *
 * Fourier coefficients by the rule of equal steps over one period, which converges geometrically for an
 * analytic periodic function; exact to rounding up to a gain times level of about 300.
 *
 * Parameters
 * ----------
 * drive_db : float
 *     Gain into the curve.
 * level_dbfs : float
 *     Level of the sine.
 * asymmetry_percent : float
 *     Output at rest, in percent of the saturated level.
 *
 * Returns
 * -------
 * fundamental, harmonics : float
 *     Peak of the one, rms of the others together.
 */
KERNEL driven_sine_driven_sine_result driven_sine_driven_sine(double drive_db, double level_dbfs, double
    asymmetry_percent)
{
    double place = 0.0;
    double sine = 0.0;
    double up = 0.0;
    double down = 0.0;
    const double gain = elementary_power_of_ten(0x1.999999999999ap-5 * drive_db);
    const double peak = gain * elementary_power_of_ten(0x1.999999999999ap-5 * level_dbfs);
    const double rest = 0x1.47ae147ae147bp-7 * asymmetry_percent;
    const ix points = driven_sine_quarter_points(peak);
    const double whole = 2.0 * (double)points;
    double fundamental = 0.0;
    double mean = 0.0;
    /* The quarters of the period mirror each other, so half of the points say all. */
    for (ix k = 0; k < points; k++) {
        place = (double)k + 0.5;
        sine = elementary_sine_of_turns(place / (2.0 * whole));
        up = driven_sine_curve(peak * sine, rest);
        down = driven_sine_curve(-peak * sine, rest);
        fundamental += (up - down) * sine;
        mean += up + down;
    }
    fundamental = 2.0 * fundamental / whole;
    mean = mean / whole;
    double power = 0.0;
    for (ix k = 0; k < points; k++) {
        place = (double)k + 0.5;
        sine = elementary_sine_of_turns(place / (2.0 * whole));
        up = driven_sine_curve(peak * sine, rest) - fundamental * sine - mean;
        down = driven_sine_curve(-peak * sine, rest) + fundamental * sine - mean;
        power += up * up + down * down;
    }
    return (driven_sine_driven_sine_result){fundamental / gain, square_root_double(power / whole) / gain};
}

/* THD_F in percent; arguments as for :func:`driven_sine`. */
KERNEL double driven_sine_driven_thd_percent(double drive_db, double level_dbfs, double asymmetry_percent)
{
    const driven_sine_driven_sine_result result_1 = driven_sine_driven_sine(drive_db, level_dbfs,
        asymmetry_percent);
    const double fundamental = result_1.m0;
    const double harmonics = result_1.m1;
    return 0x1.1ad7bc01366b8p+7 * harmonics / fundamental;
}

/*
 * Drive in dB at which a sine of that level has that distortion (bisection; it rises with drive).
 *
 * Of a distortion out of reach, the nearer of LEAST_DRIVE_DB and MOST_DRIVE_DB.
 */
KERNEL double driven_sine_drive_that_gives(double thd_percent, double level_dbfs, double asymmetry_percent)
{
    double low = -40.0;
    double high = 60.0;
    while (high - low > 0x1.12e0be826d695p-30) {
        const double middle = 0.5 * (low + high);
        if (driven_sine_driven_thd_percent(middle, level_dbfs, asymmetry_percent) < thd_percent) {
            low = middle;
        } else {
            high = middle;
        }
    }
    return 0.5 * (low + high);
}

/* Gain that gives a driven sine its rms back, harmonics included; arguments as for :func:`driven_sine`. */
KERNEL double driven_sine_matching_gain(double drive_db, double level_dbfs, double asymmetry_percent)
{
    const driven_sine_driven_sine_result result_1 = driven_sine_driven_sine(drive_db, level_dbfs,
        asymmetry_percent);
    const double fundamental = result_1.m0;
    const double harmonics = result_1.m1;
    const double given = elementary_power_of_ten(0x1.999999999999ap-5 * level_dbfs);
    return given / square_root_double(fundamental * fundamental + 2.0 * harmonics * harmonics);
}
