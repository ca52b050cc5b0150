/* Generated from octave_decay.py (a658fb269544de79); do not edit. SPDX-License-Identifier: ISC */

/*
 * What an octave filter reads of a decay whose time changes over frequency.
 *
 * An octave holds a range of decay times, and the skirts of its filter let the neighbours in, whose slower decay
 * is what remains in the end. The reading is therefore not the decay time at the centre. Here it is computed as
 * a meter would find it: the energy that is left after t seconds behind the filter is the integral of
 * ``|F(f)|^2 T(f) exp(-13.8 t / T(f))`` over frequency, f (Schroeder's backward integration of a decay that
 * starts equally strong everywhere), and a straight line is fitted to its level from -5 to -35 dB (T30, ISO 3382-1).
 *
 * Filters of class 1 (IEC 61260-1) differ in their skirts. The reference is a Butterworth band-pass of nine
 * poles a side, half way between those of seven and of fourteen poles (pyfar's octaves). Behind either of them,
 * and behind the octaves of `measure`, tables designed with it read within 1 % of what was set where neighbours
 * differ by 2:1, and within 2 % at the limit of 2.5:1. A filter of five poles reads up to 3 % more; one of three,
 * which barely meets the class, a fifth more.
 */

#include "octave_decay.h"

#define OCTAVE_DECAY_MOMENTS 160
#define OCTAVE_DECAY_LN2 REAL(0x1.62e42fefa39efp-1)
#define OCTAVE_DECAY_PER_OCTAVE REAL(24.0)
#define OCTAVE_DECAY_BESIDE_OCTAVES REAL(2.0)
#define OCTAVE_DECAY_REACH REAL(0x1.000000044b830p+2)
#define OCTAVE_DECAY_HIGHEST REAL(0x1.fef9db22d0e56p-2)
#define OCTAVE_DECAY_EDGE_DIFFERENCE REAL(0x1.6a09e667f3bcdp-1)
#define OCTAVE_DECAY_NEPERS REAL(0x1.ba18a998fffa0p+3)
#define OCTAVE_DECAY_PER_NEPER_DB REAL(0x1.15f2ced384f29p+2)
#define OCTAVE_DECAY_READ_TO_SECONDS REAL(0x1.6666666666666p-1)
#define OCTAVE_DECAY_FITTED 64
#define OCTAVE_DECAY_FROM_DB REAL(5.0)
#define OCTAVE_DECAY_TO_DB REAL(35.0)
#define OCTAVE_DECAY_NOTHING REAL(0x1.16c262777579cp-133)

/* Natural logarithm of the lowest frequency of a reading, in Hz. */
KERNEL double octave_decay_lowest(double first_hz)
{
    return elementary_logarithm(first_hz) - 0x1.62e42fefa39efp+0;
}

/* Natural logarithm of the highest frequency of a reading, in Hz. */
KERNEL double octave_decay_highest(double last_hz, double sample_rate)
{
    return smaller_double(elementary_logarithm(last_hz) + 0x1.62e42fefa39efp+0,
        elementary_logarithm(0x1.fef9db22d0e56p-2 * sample_rate));
}

/* How many frequencies readings of the octaves from a first to a last centre are made of. */
KERNEL ix octave_decay_reading_points(double first_hz, double last_hz, double sample_rate)
{
    const double octaves = (octave_decay_highest(last_hz, sample_rate) - octave_decay_lowest(first_hz)) /
        0x1.62e42fefa39efp-1;
    return 1 + (ix)ceiling_of_double(octaves * 24.0);
}

/*
 * Write the frequencies at which the decay must be known: to two octaves beside, below half the rate.
 *
 * Parameters
 * ----------
 * first_hz, last_hz : float
 *     Centres of the octaves at both ends.
 * sample_rate : float
 * out : ndarray, shape (points,)
 *     As many as :func:`reading_points` says; gets a geometric series, in hertz.
 */
KERNEL void octave_decay_fill_reading_frequencies(double first_hz, double last_hz, double sample_rate,
    doubles_1 out)
{
    const double low = octave_decay_lowest(first_hz);
    const double high = octave_decay_highest(last_hz, sample_rate);
    const double steps = (double)(out.n0 - 1);
    for (ix k = 0; k < out.n0; k++) {
        const double place = (double)k;
        out.at[k] = elementary_exponential(low + (high - low) * (place / steps));
    }
}

/*
 * Add what is left of one frequency's energy at all moments, which lie like squares of whole numbers.
 *
 * ``exp(-a j^2)`` goes from j to j + 1 by a factor that itself goes by a constant factor.
 */
KERNEL void octave_decay_add_falling(double weight, double seconds, double moment, doubles_1 left)
{
    const double steps = 159.0;
    const double rate = 0x1.ba18a998fffa0p+3 * moment / (seconds * steps * steps);
    double factor = elementary_exponential(-rate);
    const double change = factor * factor;
    double value = weight;
    for (ix j = 0; j < OCTAVE_DECAY_MOMENTS; j++) {
        left.at[j] += value;
        value = value * factor;
        factor = factor * change;
        if (value < 0x1.16c262777579cp-133) {
            break;
        }
    }
}

/* Moment at which the level has fallen so far: straight lines between those that are known. */
KERNEL double octave_decay_moment_of_fall(double wanted_db, doubles_1 fall_db, double longest)
{
    const double steps = 159.0;
    ix j = 1;
    while (j < 159 && fall_db.at[j] < wanted_db) {
        j += 1;
    }
    const double before = (double)(j - 1);
    const double behind = (double)j;
    const double start = longest * (before / steps) * (before / steps);
    const double end = longest * (behind / steps) * (behind / steps);
    const double way = (wanted_db - fall_db.at[j - 1]) / (fall_db.at[j] - fall_db.at[j - 1]);
    return start + smaller_double(larger_double(way, 0.0), 1.0) * (end - start);
}

/* Decay time of the straight line from 5 to 35 dB down, by least squares over evenly spaced moments. */
KERNEL double octave_decay_fitted_decay(doubles_1 fall_db, double longest)
{
    const double first = octave_decay_moment_of_fall(5.0, fall_db, longest);
    const double last = octave_decay_moment_of_fall(35.0, fall_db, longest);
    const double steps = 159.0;
    const double fitted_steps = 63.0;
    double squares = 0.0;
    double products = 0.0;
    ix j = 1;
    for (ix k = 0; k < OCTAVE_DECAY_FITTED; k++) {
        const double part = (double)k;
        const double way = part / fitted_steps;
        const double moment = first + way * (last - first);
        double before = (double)(j - 1);
        double behind = (double)j;
        while (j < 159 && longest * (behind / steps) * (behind / steps) < moment) {
            j += 1;
            before = (double)(j - 1);
            behind = (double)j;
        }
        const double start = longest * (before / steps) * (before / steps);
        const double end = longest * (behind / steps) * (behind / steps);
        const double fall = fall_db.at[j - 1] + (fall_db.at[j] - fall_db.at[j - 1]) * ((moment - start) / (end
            - start));
        const double place = (way - 0.5) * (last - first);
        squares += place * place;
        products += place * fall;
    }
    return 60.0 * squares / products;
}

/*
 * T30 of an octave band.
 *
 * Parameters
 * ----------
 * centre_hz : float
 *     Centre of the octave.
 * frequencies_hz : ndarray, shape (points,)
 *     From :func:`fill_reading_frequencies`.
 * decay_seconds : ndarray, shape (points,)
 *     Seconds per 60 dB at each of them.
 * left : ndarray, shape (MOMENTS,)
 *     Scratch.
 *
 * Returns
 * -------
 * float
 *     Seconds.
 */
KERNEL double octave_decay_octave_reading(double centre_hz, doubles_1 frequencies_hz, doubles_1 decay_seconds,
    doubles_1 left)
{
    double slowest = 0.0;
    for (ix k = 0; k < frequencies_hz.n0; k++) {
        const bool near = frequencies_hz.at[k] * 0x1.000000044b830p+2 >= centre_hz && frequencies_hz.at[k] <=
            centre_hz * 0x1.000000044b830p+2;
        if (near && decay_seconds.at[k] > slowest) {
            slowest = decay_seconds.at[k];
        }
    }
    const double longest = 0x1.6666666666666p-1 * slowest;
    for (ix j = 0; j < OCTAVE_DECAY_MOMENTS; j++) {
        left.at[j] = 0.0;
    }
    for (ix k = 0; k < frequencies_hz.n0; k++) {
        if (frequencies_hz.at[k] * 0x1.000000044b830p+2 >= centre_hz && frequencies_hz.at[k] <= centre_hz *
            0x1.000000044b830p+2) {
            const double ratio = frequencies_hz.at[k] / centre_hz;
            const double detuning = (ratio - 1.0 / ratio) / 0x1.6a09e667f3bcdp-1;
            const double second = detuning * detuning;
            const double fourth = second * second;
            const double sixteenth = fourth * fourth * (fourth * fourth);
            /* The series is geometric: the width of each step is in proportion to its frequency. */
            const double weight = ratio * decay_seconds.at[k] / (1.0 + second * sixteenth);
            octave_decay_add_falling(weight, decay_seconds.at[k], longest, left);
        }
    }
    const double whole = left.at[0];
    for (ix j = 0; j < OCTAVE_DECAY_MOMENTS; j++) {
        left.at[j] = (double)-OCTAVE_DECAY_PER_NEPER_DB * elementary_logarithm(left.at[j] / whole);
    }
    return octave_decay_fitted_decay(left, longest);
}
