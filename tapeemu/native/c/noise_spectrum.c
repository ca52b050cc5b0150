/* Generated from noise_spectrum.py (7ee7dadc94155647); do not edit. SPDX-License-Identifier: ISC */

/* Spectra of the noise that moves the tape: their shape, their power, and where they end. */

#include "noise_spectrum.h"

#define NOISE_SPECTRUM_LN2 REAL(0x1.62e42fefa39efp-1)
#define NOISE_SPECTRUM_TURN REAL(0x1.921fb54442d18p+2)
#define NOISE_SPECTRUM_NEPERS_PER_DB REAL(0x1.d791c5f888823p-4)
#define NOISE_SPECTRUM_LAW 0
#define NOISE_SPECTRUM_BAND 1
#define NOISE_SPECTRUM_HIGHEST_SHARE REAL(0x1.ccccccccccccdp-2)

/* Octaves between the edges of a law, rounded so that a ratio is 0.63 to 1.25 of them. */
KERNEL ix noise_spectrum_law_octaves(double low_hz, double high_hz)
{
    return larger_integer(1, (ix)ceiling_of_double(elementary_logarithm(high_hz / low_hz) /
        0x1.62e42fefa39efp-1 - 0.25));
}

/* Ratio of frequencies over which a law falls to nothing beyond its edges: an octave, or nearly. */
KERNEL double noise_spectrum_law_ratio(double low_hz, double high_hz)
{
    return elementary_exponential(elementary_logarithm(high_hz / low_hz) /
        (double)noise_spectrum_law_octaves(low_hz, high_hz));
}

/* Frequency from which on a spectrum is nothing. */
KERNEL double noise_spectrum_spectrum_end(ix kind, double low_hz, double high_hz)
{
    if (kind == NOISE_SPECTRUM_LAW) {
        return high_hz * noise_spectrum_law_ratio(low_hz, high_hz);
    }
    return 0x1.2666666666666p+0 * high_hz;
}

/* Frequency up to which a spectrum is nothing. */
KERNEL double noise_spectrum_spectrum_begin(ix kind, double low_hz, double high_hz)
{
    if (kind == NOISE_SPECTRUM_LAW) {
        return low_hz / noise_spectrum_law_ratio(low_hz, high_hz);
    }
    return 0x1.4cccccccccccdp-1 * low_hz;
}

/*
 * Amplitude of a spectrum at a frequency, not yet scaled.
 *
 * Parameters
 * ----------
 * kind : int
 *     LAW: the power density follows one slope between the edges; beyond, it falls along a squared cosine
 *     over the logarithm of the frequency, to nothing one `ratio` away. BAND: flat, the amplitude rises along a
 *     sine from 0.65 to 1.35 times the lower edge (which may be 0) and falls from 0.85 to 1.15 times the
 *     upper one.
 * low_hz, high_hz : float
 *     Edges.
 * slope_db_per_octave, ratio : float
 *     Of a law, see :func:`spectrum_ratio`.
 * frequency_hz : float
 *     0 or more.
 */
KERNEL double noise_spectrum_spectrum_shape(ix kind, double low_hz, double high_hz, double
    slope_db_per_octave, double ratio, double frequency_hz)
{
    double shape = 0.0;
    if (kind == NOISE_SPECTRUM_LAW) {
        if (frequency_hz <= low_hz / ratio || frequency_hz >= high_hz * ratio) {
            return 0.0;
        }
        const double octaves = elementary_logarithm(frequency_hz / low_hz) / 0x1.62e42fefa39efp-1;
        shape = elementary_exponential(slope_db_per_octave * 0x1.d791c5f888823p-4 * octaves);
        if (frequency_hz < low_hz || frequency_hz > high_hz) {
            const double beyond = larger_double(low_hz / frequency_hz, frequency_hz / high_hz);
            shape = shape * elementary_cosine_of_turns(0.25 * smaller_double(elementary_logarithm(beyond) /
                elementary_logarithm(ratio), 1.0));
        }
        return shape;
    }
    double place = smaller_double(larger_double((frequency_hz / high_hz - 1.0) / 0x1.3333333333333p-3, -1.0),
        1.0);
    shape = 0.5 * (1.0 - elementary_sine_of_turns(0.25 * place));
    if (low_hz > 0.0) {
        place = smaller_double(larger_double((frequency_hz / low_hz - 1.0) / 0x1.6666666666666p-2, -1.0),
            1.0);
        shape = shape * (0.5 * (1.0 + elementary_sine_of_turns(0.25 * place)));
    }
    return shape;
}

/* What :func:`spectrum_shape` takes as the ratio: that of a law. */
KERNEL double noise_spectrum_spectrum_ratio(ix kind, double low_hz, double high_hz)
{
    return kind == NOISE_SPECTRUM_LAW ? noise_spectrum_law_ratio(low_hz, high_hz) : 1.0;
}

/* Integral over frequency of the square of :func:`spectrum_shape`. */
KERNEL double noise_spectrum_noise_power(ix kind, double low_hz, double high_hz, double slope_db_per_octave)
{
    if (kind == NOISE_SPECTRUM_BAND && 0x1.599999999999ap+0 * low_hz <= 0x1.b333333333333p-1 * high_hz) {
        /* In closed form: the mean square of a rising edge is 3/8. */
        return 0x1.ecccccccccccdp-1 * high_hz - 0x1.1666666666666p+0 * low_hz;
    }
    const double begin = noise_spectrum_spectrum_begin(kind, low_hz, high_hz);
    const double end = noise_spectrum_spectrum_end(kind, low_hz, high_hz);
    return noise_spectrum_power_between(kind, low_hz, high_hz, slope_db_per_octave, false, begin, end);
}

/*
 * Integral of a spectrum's square, or of that of its integral over time, between two frequencies above 0.
 *
 * Midpoints over the logarithm of the frequency, 24 an octave or more.
 */
KERNEL double noise_spectrum_power_between(ix kind, double low_hz, double high_hz, double slope_db_per_octave,
    bool integrated, double begin, double end)
{
    const double ratio = noise_spectrum_spectrum_ratio(kind, low_hz, high_hz);
    const double width = elementary_logarithm(end / begin);
    const ix parts = larger_integer(96, (ix)ceiling_of_double(0x1.14ff58be0a23fp+5 * width));
    const double step = width / (double)parts;
    const double growth = elementary_exponential(step);
    double frequency = begin * elementary_exponential(0.5 * step);
    double power = 0.0;
    for (ix _ = 0; _ < parts; _++) {
        double shape = noise_spectrum_spectrum_shape(kind, low_hz, high_hz, slope_db_per_octave, ratio,
            frequency);
        if (integrated) {
            shape = shape / (0x1.921fb54442d18p+2 * frequency);
        }
        power += step * frequency * shape * shape;
        frequency = frequency * growth;
    }
    return power;
}

/*
 * Standard deviation of what a noise delivers, by its spectrum.
 *
 * Arguments as for :func:`tapeemu.dsp.kernels.octave_noise.design_noise`.
 */
KERNEL double noise_spectrum_delivered_rms(ix kind, double low_hz, double high_hz, double rms, double
    slope_db_per_octave, bool integrated, double sample_rate)
{
    double begin = noise_spectrum_spectrum_begin(kind, low_hz, high_hz);
    const double end = smaller_double(noise_spectrum_spectrum_end(kind, low_hz, high_hz), 0x1.ccccccccccccdp-2
        * sample_rate);
    if (rms <= 0.0 || begin >= end) {
        return 0.0;
    }
    if (!integrated && end == noise_spectrum_spectrum_end(kind, low_hz, high_hz)) {
        return rms;
    }
    if (begin <= 0.0) {
        /* Of a band down to 0 Hz nearly nothing lies below. */
        begin = 0x1.a36e2eb1c432dp-14 * end;
    }
    const double power = noise_spectrum_power_between(kind, low_hz, high_hz, slope_db_per_octave, integrated,
        begin, end);
    return rms * square_root_double(power / noise_spectrum_noise_power(kind, low_hz, high_hz,
        slope_db_per_octave));
}

/*
 * Highest frequency of the octaves of a noise: twice the centre of the topmost that the sample rate can carry.
 *
 * It is the end of the spectrum, halved until the centre lies below 0.45 of the sample rate.
 */
KERNEL double noise_spectrum_noise_highest(ix kind, double low_hz, double high_hz, double sample_rate)
{
    double highest = noise_spectrum_spectrum_end(kind, low_hz, high_hz);
    while (0.5 * highest > 0x1.ccccccccccccdp-2 * sample_rate) {
        highest = 0.5 * highest;
    }
    return highest;
}
