/* Generated from flutter_figures.py (0046b6e9d6ccf023); do not edit. SPDX-License-Identifier: ISC */

/*
 * The figure that a two-sigma flutter meter reads from sines and noise, weighted and unweighted.
 *
 * What a transport is scaled by is a setting that is solved for, so the same lines compute it on every machine.
 * :mod:`tapeemu.dsp.flutter_figure` says the same with a library, to check settings without compiling.
 */

#include "flutter_figures.h"

#define FLUTTER_FIGURES_FLUTTER_POINTS 16384
#define FLUTTER_FIGURES_CURVE_POINTS 17
#define FLUTTER_FIGURES_GRID 4000
#define FLUTTER_FIGURES_BAND_GRID 20000
#define FLUTTER_FIGURES_TWO_SIGMA REAL(0x1.f5c0331eeff84p+0)
#define FLUTTER_FIGURES_HALF_TURN REAL(0x1.921fb54442d18p+1)
#define FLUTTER_FIGURES_QUARTER_TURN REAL(0x1.921fb54442d18p+0)
#define FLUTTER_FIGURES_LN2 REAL(0x1.62e42fefa39efp-1)
#define FLUTTER_FIGURES_PER_DB REAL(0x1.8151824c7587fp+1)
#define FLUTTER_FIGURES_ROOT_PI REAL(0x1.c5bf891b4ef6bp+0)
#define FLUTTER_FIGURES_ROOT_2 REAL(0x1.6a09e667f3bcdp+0)
#define FLUTTER_FIGURES_FARTHEST REAL(6.5)
#define FLUTTER_FIGURES_SHARE REAL(0x1.999999999999ap-5)
#define FLUTTER_FIGURES_FEWEST_NOISE REAL(0x1.0624dd2f1a9fcp-10)

/*
 * Points of the weighting curve of IEC 60386 / AES6 (from memory): octaves above 1 Hz, dB, and slope there.
 *
 * Between points a monotone cubic (Fritsch & Butland, SIAM J. Sci. Stat. Comput. 5, 1984).
 */
KERNEL void flutter_figures_fill_curve(doubles_2 curve)
{
    double one = 0.0;
    double other = 0.0;
    curve.at[0] = 0x1.999999999999ap-4;
    curve.at[1] = -48.0;
    curve.at[1 * curve.n1] = 0x1.999999999999ap-3;
    curve.at[1 * curve.n1 + 1] = -0x1.e99999999999ap+4;
    curve.at[2 * curve.n1] = 0x1.428f5c28f5c29p-2;
    curve.at[2 * curve.n1 + 1] = -0x1.3b33333333333p+4;
    curve.at[3 * curve.n1] = 0x1.999999999999ap-2;
    curve.at[3 * curve.n1 + 1] = -15.0;
    curve.at[4 * curve.n1] = 0x1.428f5c28f5c29p-1;
    curve.at[4 * curve.n1 + 1] = -0x1.0cccccccccccdp+3;
    curve.at[5 * curve.n1] = 0x1.999999999999ap-1;
    curve.at[5 * curve.n1 + 1] = -6.0;
    curve.at[6 * curve.n1] = 1.0;
    curve.at[6 * curve.n1 + 1] = -0x1.0cccccccccccdp+2;
    curve.at[7 * curve.n1] = 0x1.999999999999ap+0;
    curve.at[7 * curve.n1 + 1] = -0x1.ccccccccccccdp+0;
    curve.at[8 * curve.n1] = 2.0;
    curve.at[8 * curve.n1 + 1] = -0x1.ccccccccccccdp-1;
    curve.at[9 * curve.n1] = 4.0;
    curve.at[9 * curve.n1 + 1] = 0.0;
    curve.at[10 * curve.n1] = 0x1.9333333333333p+2;
    curve.at[10 * curve.n1 + 1] = -0x1.ccccccccccccdp-1;
    curve.at[11 * curve.n1] = 10.0;
    curve.at[11 * curve.n1 + 1] = -0x1.0cccccccccccdp+1;
    curve.at[12 * curve.n1] = 20.0;
    curve.at[12 * curve.n1 + 1] = -0x1.799999999999ap+2;
    curve.at[13 * curve.n1] = 40.0;
    curve.at[13 * curve.n1 + 1] = -0x1.4cccccccccccdp+3;
    curve.at[14 * curve.n1] = 63.0;
    curve.at[14 * curve.n1 + 1] = -0x1.c666666666666p+3;
    curve.at[15 * curve.n1] = 100.0;
    curve.at[15 * curve.n1 + 1] = -0x1.14ccccccccccdp+4;
    curve.at[16 * curve.n1] = 200.0;
    curve.at[16 * curve.n1 + 1] = -23.0;
    for (ix k = 0; k < FLUTTER_FIGURES_CURVE_POINTS; k++) {
        curve.at[k * curve.n1] = elementary_logarithm(curve.at[k * curve.n1]) / 0x1.62e42fefa39efp-1;
    }
    const ix last = 16;
    for (ix k = 1; k < last; k++) {
        const double before = curve.at[k * curve.n1] - curve.at[(k - 1) * curve.n1];
        const double behind = curve.at[(k + 1) * curve.n1] - curve.at[k * curve.n1];
        one = (curve.at[k * curve.n1 + 1] - curve.at[(k - 1) * curve.n1 + 1]) / before;
        other = (curve.at[(k + 1) * curve.n1 + 1] - curve.at[k * curve.n1 + 1]) / behind;
        curve.at[k * curve.n1 + 2] = 0.0;
        if (one * other > 0.0) {
            const double first = 2.0 * behind + before;
            const double second = behind + 2.0 * before;
            curve.at[k * curve.n1 + 2] = (first + second) / (first / one + second / other);
        }
    }
    /* At the ends the parabola through three points; here it is monotone by itself. */
    double near = curve.at[1 * curve.n1] - curve.at[0];
    double far = curve.at[2 * curve.n1] - curve.at[1 * curve.n1];
    one = (curve.at[1 * curve.n1 + 1] - curve.at[1]) / near;
    other = (curve.at[2 * curve.n1 + 1] - curve.at[1 * curve.n1 + 1]) / far;
    curve.at[2] = ((2.0 * near + far) * one - near * other) / (near + far);
    near = curve.at[last * curve.n1] - curve.at[(last - 1) * curve.n1];
    far = curve.at[(last - 1) * curve.n1] - curve.at[(last - 2) * curve.n1];
    one = (curve.at[last * curve.n1 + 1] - curve.at[(last - 1) * curve.n1 + 1]) / near;
    other = (curve.at[(last - 1) * curve.n1 + 1] - curve.at[(last - 2) * curve.n1 + 1]) / far;
    curve.at[last * curve.n1 + 2] = ((2.0 * near + far) * one - near * other) / (near + far);
}

/* Gain of the weighting at the natural logarithm of a rate in Hz. */
KERNEL double flutter_figures_weight(doubles_2 curve, double log_hz)
{
    /* a millionth of a hertz */
    const double place = larger_double(log_hz / 0x1.62e42fefa39efp-1, -0x1.3ee7b471b3a95p+4);
    const ix last = 16;
    double level = 0.0;
    if (place <= curve.at[0]) {
        level = curve.at[1] + 18.0 * (place - curve.at[0]);
    } else if (place >= curve.at[last * curve.n1]) {
        level = curve.at[last * curve.n1 + 1] - 6.0 * (place - curve.at[last * curve.n1]);
    } else {
        ix k = 0;
        while (curve.at[(k + 1) * curve.n1] < place) {
            k += 1;
        }
        const double width = curve.at[(k + 1) * curve.n1] - curve.at[k * curve.n1];
        const double t = (place - curve.at[k * curve.n1]) / width;
        const double u = 1.0 - t;
        level = curve.at[k * curve.n1 + 1] * (1.0 + 2.0 * t) * u * u + width * curve.at[k * curve.n1 + 2] * t
            * u * u + curve.at[(k + 1) * curve.n1 + 1] * t * t * (3.0 - 2.0 * t) - width * curve.at[(k + 1) *
            curve.n1 + 2] * t * t * u;
    }
    return elementary_power_of_ten(0x1.999999999999ap-5 * level);
}

/* Cosine of an angle in radians. */
KERNEL double flutter_figures_cosine(double angle)
{
    return elementary_cosine_of_turns(angle / 0x1.921fb54442d18p+2);
}

/* Density of the law of a random part, not yet normalised. */
KERNEL double flutter_figures_law_shape(double log_relative, double log_ratio, double octaves, double
    exponent)
{
    const double place = log_relative / log_ratio;
    if (!(place > -1.0 && place < octaves + 1.0)) {
        return 0.0;
    }
    const double beyond = smaller_double(larger_double(larger_double(-place, place - octaves), 0.0), 1.0);
    const double taper = flutter_figures_cosine(0x1.921fb54442d18p+0 * beyond);
    return taper * taper * elementary_exponential(exponent * log_relative);
}

/* Weighted power of the random part; laws and grids as in :mod:`tapeemu.dsp.noises`. */
KERNEL double flutter_figures_law_power(doubles_2 curve, double rms, double low_hz, double high_hz, double
    slope_db_per_octave)
{
    double relative = 0.0;
    double at = 0.0;
    double shape = 0.0;
    const double wide = elementary_logarithm(high_hz / low_hz);
    const double octaves = (double)larger_integer(1, (ix)ceiling_of_double(wide / 0x1.62e42fefa39efp-1 -
        0.25));
    const double log_ratio = wide / octaves;
    const double exponent = slope_db_per_octave / 0x1.8151824c7587fp+1;
    const double span = wide + 2.0 * log_ratio;
    const ix points = 64 * ((ix)floor_of_double(octaves) + 2);
    double total = 0.0;
    double before = 0.0;
    double at_before = 0.0;
    for (ix k = 0; k < points + 1; k++) {
        const double share = (double)k;
        relative = span * (share / (double)points) - log_ratio;
        at = elementary_exponential(relative);
        shape = flutter_figures_law_shape(relative, log_ratio, octaves, exponent);
        if (k > 0) {
            total += 0.5 * (shape + before) * (at - at_before);
        }
        before = shape;
        at_before = at;
    }
    double weighted = 0.0;
    for (ix k = 0; k < 4001; k++) {
        const double way = (double)k;
        relative = span * (way / 4000.0) - log_ratio;
        at = elementary_exponential(relative);
        const double gain = flutter_figures_weight(curve, relative + elementary_logarithm(low_hz));
        shape = flutter_figures_law_shape(relative, log_ratio, octaves, exponent) * gain * gain;
        if (k > 0) {
            weighted += 0.5 * (shape + before) * (at - at_before);
        }
        before = shape;
        at_before = at;
    }
    return rms * rms * weighted / total;
}

/* Raised cosine from 0 to 1. */
KERNEL double flutter_figures_rise(double at, double edge, double width)
{
    const double place = smaller_double(larger_double((at - edge) / (width * edge), -1.0), 1.0);
    return 0.5 * (1.0 + flutter_figures_cosine(0x1.921fb54442d18p+0 * (place - 1.0)));
}

/* Density of scrape flutter, not yet normalised. */
KERNEL double flutter_figures_band_shape(double at, double low_hz, double high_hz)
{
    const double amplitude = (1.0 - flutter_figures_rise(at, high_hz, 0x1.3333333333333p-3)) *
        flutter_figures_rise(at, low_hz, 0x1.6666666666666p-2);
    return amplitude * amplitude;
}

/* Weighted power of scrape flutter. */
KERNEL double flutter_figures_band_power(doubles_2 curve, double rms, double low_hz, double high_hz)
{
    const double step = 0x1.3333333333333p+0 * high_hz / 20000.0;
    double total = 0.0;
    for (ix k = 0; k < FLUTTER_FIGURES_BAND_GRID; k++) {
        const double place = (double)k;
        const double one = flutter_figures_band_shape(place * step, low_hz, high_hz);
        const double other = flutter_figures_band_shape((place + 1.0) * step, low_hz, high_hz);
        total += 0.5 * step * (one + other);
    }
    double weighted = 0.0;
    double before = 0.0;
    double at_before = 0.0;
    const double lowest = elementary_logarithm(0.5 * low_hz);
    const double span = elementary_logarithm(0x1.3333333333333p+0 * high_hz) - lowest;
    for (ix k = 0; k < 4001; k++) {
        const double way = (double)k;
        const double log_hz = lowest + span * (way / 4000.0);
        const double at = elementary_exponential(log_hz);
        const double gain = flutter_figures_weight(curve, log_hz);
        const double shape = flutter_figures_band_shape(at, low_hz, high_hz) * gain * gain;
        if (k > 0) {
            weighted += 0.5 * (shape + before) * (at - at_before);
        }
        before = shape;
        at_before = at;
    }
    return rms * rms * weighted / total;
}

/*
 * Share of a Gaussian of standard deviation root 1/2 above x, twice: erfc(x), to 1e-12.
 *
 * Power series with positive terms below 3 (Abramowitz & Stegun 7.1.6), continued fraction (7.1.14) above.
 */
KERNEL double flutter_figures_gaussian_above(double x)
{
    const double size = magnitude_double(x);
    double value = 0.0;
    if (size < 3.0) {
        double term = size;
        double total = size;
        double order = 1.0;
        while (term > total * 0x1.cd2b297d889bcp-54) {
            term = term * 2.0 * size * size / (2.0 * order + 1.0);
            total += term;
            order += 1.0;
        }
        value = 1.0 - 0x1.20dd750429b6dp+0 * elementary_exponential(-size * size) * total;
    } else if (size < 6.5) {
        double part = size;
        double level = 30.0;
        while (level > 0.0) {
            part = size + 0.5 * level / part;
            level -= 1.0;
        }
        value = elementary_exponential(-size * size) / (0x1.c5bf891b4ef6bp+0 * part);
    }
    return x >= 0.0 ? value : 2.0 - value;
}

/*
 * Level that the sum of sines and Gaussian noise exceeds in magnitude for 5 % of the time.
 *
 * Phases by an additive sequence on the generalised golden ratio; for each the Gaussian tail is exact.
 *
 * Parameters
 * ----------
 * lines : ndarray, shape (parts, columns)
 *     Peaks of the sines in that column, none negative.
 * column : int
 *     Which.
 * rms : float
 *     Standard deviation of the noise.
 * work : ndarray, shape (FLUTTER_POINTS,)
 *     For the sums.
 */
KERNEL double flutter_figures_exceeded(doubles_2 lines, ix column, double rms, doubles_1 work)
{
    double step = 0.0;
    ix moving = 0;
    double largest = 0.0;
    double peaks = 0.0;
    for (ix k = 0; k < lines.n0; k++) {
        if (lines.at[k * lines.n1 + column] > 0.0) {
            moving += 1;
            largest = larger_double(largest, lines.at[k * lines.n1 + column]);
            peaks += lines.at[k * lines.n1 + column];
        }
    }
    if (moving == 0) {
        return rms * 0x1.f5c0331eeff84p+0;
    }
    const double noise = larger_double(rms, 0x1.0624dd2f1a9fcp-10 * largest);
    const double dimensions = (double)(moving + 1);
    double root = 1.5;
    for (ix _ = 0; _ < 60; _++) {
        root = elementary_exponential(elementary_logarithm(1.0 + root) / dimensions);
    }
    for (ix point = 0; point < FLUTTER_FIGURES_FLUTTER_POINTS; point++) {
        double total = 0.0;
        const double place = (double)point;
        step = 1.0;
        for (ix k = 0; k < lines.n0; k++) {
            if (lines.at[k * lines.n1 + column] > 0.0) {
                step = step / root;
                total += lines.at[k * lines.n1 + column] * elementary_cosine_of_turns(0.5 + place * step);
            }
        }
        work.at[point] = total;
    }
    double low = 0.0;
    double high = peaks + 10.0 * noise;
    double level = 0.5 * high;
    const double per_noise = 1.0 / (noise * 0x1.6a09e667f3bcdp+0);
    for (ix _ = 0; _ < 60; _++) {
        double tails = 0.0;
        double density = 0.0;
        for (ix point = 0; point < FLUTTER_FIGURES_FLUTTER_POINTS; point++) {
            const double one = (level - work.at[point]) * per_noise;
            const double other = (level + work.at[point]) * per_noise;
            if (magnitude_double(one) < 6.5) {
                tails += flutter_figures_gaussian_above(one);
                density += elementary_exponential(-one * one);
            } else if (one < 0.0) {
                tails += 2.0;
            }
            if (magnitude_double(other) < 6.5) {
                tails += flutter_figures_gaussian_above(other);
                density += elementary_exponential(-other * other);
            } else if (other < 0.0) {
                tails += 2.0;
            }
        }
        const double excess = 0.5 * tails / 16384.0 - 0x1.999999999999ap-5;
        if (excess > 0.0) {
            low = level;
        } else {
            high = level;
        }
        const double slope = density * per_noise / 0x1.c5bf891b4ef6bp+14;
        step = slope > 0.0 ? excess / slope : 0.0;
        double nearer = level + step;
        if (!(nearer > low && nearer < high)) {
            nearer = 0.5 * (low + high);
        }
        if (magnitude_double(nearer - level) <= 0x1.19799812dea11p-40 * (peaks + noise)) {
            return nearer;
        }
        level = nearer;
    }
    return level;
}

/*
 * Two-sigma figures of a speed deviation, weighted and unweighted.
 *
 * Parameters
 * ----------
 * lines : ndarray, shape (parts, 3)
 *     Rate in Hz and peak, as a ratio, of every sine; the third column is written to.
 * random_rms, random_low_hz, random_high_hz, slope_db_per_octave : float
 *     Standard deviation of the random part as a ratio, the edges of its law, and its slope.
 * scrape_rms, scrape_low_hz, scrape_high_hz : float
 *     The same of scrape flutter, whose density is flat.
 * curve : ndarray, shape (17, 3)
 *     Gets the curve of weighting.
 * work : ndarray, shape (FLUTTER_POINTS,)
 *     Is written to.
 * figures : ndarray, shape (2,)
 *     Gets both in percent.
 */
KERNEL void flutter_figures_flutter_figures(doubles_2 lines, double random_rms, double random_low_hz, double
    random_high_hz, double slope_db_per_octave, double scrape_rms, double scrape_low_hz, double
    scrape_high_hz, doubles_2 curve, doubles_1 work, doubles_1 figures)
{
    flutter_figures_fill_curve(curve);
    double power = 0.0;
    if (random_rms > 0.0) {
        power += flutter_figures_law_power(curve, random_rms, random_low_hz, random_high_hz,
            slope_db_per_octave);
    }
    if (scrape_rms > 0.0) {
        power += flutter_figures_band_power(curve, scrape_rms, scrape_low_hz, scrape_high_hz);
    }
    for (ix k = 0; k < lines.n0; k++) {
        lines.at[k * lines.n1 + 2] = lines.at[k * lines.n1 + 1] * flutter_figures_weight(curve,
            elementary_logarithm(lines.at[k * lines.n1]));
    }
    const double both = square_root_double(random_rms * random_rms + scrape_rms * scrape_rms);
    figures.at[0] = 100.0 * flutter_figures_exceeded(lines, 2, square_root_double(power), work);
    figures.at[1] = 100.0 * flutter_figures_exceeded(lines, 1, both, work);
}
