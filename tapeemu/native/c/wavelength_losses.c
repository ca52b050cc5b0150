/* Generated from wavelength_losses.py (a8bf6b80d472d10f); do not edit. SPDX-License-Identifier: ISC */

/*
 * What a tape and a head lose of short waves, and the equalisation that stands against it.
 *
 * With the wave number ``k = 2 pi f / v``, all as ratios of amplitudes and without phase:
 *
 * - spacing: ``exp(-k d)`` (Wallace, Bell System Technical Journal 30, 1951; from memory)
 * - thickness of the coating: ``(1 - exp(-k c)) / (k c)`` (the same)
 * - gap: ``sin(k g / 2) / (k g / 2)``, g the effective length, about 1.1 times the one under a
 *   microscope (rule of thumb, from memory)
 * - equalisation: the flux of a standard tape falls as one pole, ``1 / sqrt(1 + (2 pi f t)^2)`` (IEC 60094-1); its
 *   replay is the inverse.
 */

#include "wavelength_losses.h"

#define WAVELENGTH_LOSSES_TURN REAL(0x1.921fb54442d18p+2)
#define WAVELENGTH_LOSSES_LAW_TO_HZ REAL(20000.0)
#define WAVELENGTH_LOSSES_BEND_TO_HZ REAL(26000.0)
#define WAVELENGTH_LOSSES_PASS_BAND REAL(0x1.d0624dd2f1aa0p-2)
#define WAVELENGTH_LOSSES_LEAST REAL(0x1.0c6f7a0b5ed8dp-20)
#define WAVELENGTH_LOSSES_LIMIT_ORDER REAL(8.0)
#define WAVELENGTH_LOSSES_NEPERS_PER_DB REAL(0x1.d791c5f888823p-4)
#define WAVELENGTH_LOSSES_REFERENCE_HZ REAL(1000.0)
#define WAVELENGTH_LOSSES_MOST_LIMIT_DB REAL(40.0)
#define WAVELENGTH_LOSSES_KNEE_TURNS REAL(0x1.b333333333333p+1)
#define WAVELENGTH_LOSSES_KNEE_STEP REAL(0x1.028f5c28f5c29p+0)
#define WAVELENGTH_LOSSES_KNEE_BELOW REAL(0x1.999999999999ap-1)

/*
 * Frequency at which losses and equalisers are computed for a filter: the frequency itself up to 20 kHz.
 *
 * Above, it rises ever more slowly, along a parabola, level at 26 kHz or at half the sample rate, whichever
 * comes first; at rates below 44.1 kHz it begins to bend at 0.4535 of the rate. A filter of symmetric taps has
 * no slope at half the sample rate, and frequencies above hearing need no boost.
 */
KERNEL double wavelength_losses_flattened_frequency(double frequency_hz, double sample_rate)
{
    const double one = smaller_double(20000.0, 0x1.d0624dd2f1aa0p-2 * sample_rate);
    const double two = smaller_double(26000.0, 0.5 * sample_rate);
    const double u = smaller_double(larger_double((frequency_hz - one) / (two - one), 0.0), 1.0);
    return smaller_double(frequency_hz, one) + (two - one) * (u - 0.5 * u * u);
}

/* Flux of a standard tape over frequency, 1 at 0 Hz: the treble part of the equalisation. */
KERNEL double wavelength_losses_flux_curve(const Medium *medium, double frequency_hz)
{
    const double w = 0x1.921fb54442d18p+2 * frequency_hz * 0x1.0c6f7a0b5ed8dp-20 * medium->treble_us;
    return 1.0 / square_root_double(1.0 + w * w);
}

/* Radians per micrometre of tape. */
KERNEL double wavelength_losses_wave_number(const Medium *medium, double frequency_hz)
{
    return 0x1.921fb54442d18p+2 * frequency_hz / (10000.0 * medium->tape_speed_cm_s);
}

/* Loss in recording, as a ratio of amplitudes: that of a spacing of `record_loss_um` micrometres. */
KERNEL double wavelength_losses_recording_loss(const Medium *medium, double record_loss_um, double
    frequency_hz)
{
    return elementary_exponential(-wavelength_losses_wave_number(medium, frequency_hz) * record_loss_um);
}

/* Loss by spacing, thickness and gap, as a ratio of amplitudes; negative beyond the first zero of the gap. */
KERNEL double wavelength_losses_replay_losses(const Medium *medium, double frequency_hz)
{
    const double k = wavelength_losses_wave_number(medium, frequency_hz);
    const double thick = k * medium->coating_um;
    double loss = elementary_exponential(-k * medium->spacing_um);
    if (thick > 0.0) {
        loss = loss * (-elementary_exponential_less_one(-thick) / thick);
    }
    const double half = 0.5 * k * medium->gap_um;
    if (half > 0x1.0c6f7a0b5ed8dp-20) {
        loss = loss * (elementary_sine_of_turns(half / 0x1.921fb54442d18p+2) / half);
    }
    return loss;
}

/* Natural logarithm of the gain that would make up for all losses: the flux curve over them. */
KERNEL double wavelength_losses_wanted(const Medium *medium, double record_loss_um, double frequency_hz)
{
    const double lost = larger_double(magnitude_double(wavelength_losses_replay_losses(medium, frequency_hz)),
        0x1.0c6f7a0b5ed8dp-20) * wavelength_losses_recording_loss(medium, record_loss_um, frequency_hz);
    return elementary_logarithm(wavelength_losses_flux_curve(medium, frequency_hz) / lost);
}

/*
 * By how much the response falls from 1 kHz to the frequency of the tolerance, with a limit of the boost.
 *
 * Losses and equalisers alone: neither the face of the head nor another bias than the optimum is part of it.
 */
KERNEL double wavelength_losses_response_fall_db(const Medium *medium, double record_loss_um, double limit_db)
{
    const double limit = 0x1.d791c5f888823p-4 * limit_db;
    const double at_edge = elementary_exponential(8.0 * (wavelength_losses_wanted(medium, record_loss_um,
        medium->tolerance_to_hz) - limit));
    const double at_one = elementary_exponential(8.0 * (wavelength_losses_wanted(medium, record_loss_um,
        1000.0) - limit));
    return elementary_logarithm((1.0 + at_edge) / (1.0 + at_one)) / 0x1.d791c5f888823p-1;
}

/*
 * Most that the record equaliser raises: as set, or what gives the fall that is set; below 0 if none does.
 *
 * The inverse of :func:`response_fall_db`, in closed form.
 */
KERNEL double wavelength_losses_boost_limit_db(const Medium *medium, double record_loss_um)
{
    if (medium->tolerance_db <= 0.0) {
        return medium->boost_limit_db;
    }
    const double fall = elementary_exponential(0x1.d791c5f888823p-1 * medium->tolerance_db);
    const double at_edge = elementary_exponential(8.0 * wavelength_losses_wanted(medium, record_loss_um,
        medium->tolerance_to_hz));
    const double at_one = elementary_exponential(8.0 * wavelength_losses_wanted(medium, record_loss_um,
        1000.0));
    const double left = at_edge - fall * at_one;
    if (left <= 0.0) {
        return -1.0;
    }
    return elementary_logarithm(left / (fall - 1.0)) / 0x1.d791c5f888823p-1;
}

/*
 * Time to each side within which a filter must make the sharpest bend of the response from a frequency on.
 *
 * The response bends where the record equaliser comes to its limit, and beside a zero of the gap, where it
 * comes there and leaves it again. How sharply is told by how steeply what it should do passes the limit: a
 * smooth minimum of order eight rings on, until 70 dB are gone, for 3.4 s where that is one neper a hertz. 0
 * without a bend up to 26 kHz.
 */
KERNEL double wavelength_losses_knee_seconds(const Medium *medium, double record_loss_um, double from_hz)
{
    const double limit = 0x1.d791c5f888823p-4 * wavelength_losses_boost_limit_db(medium, record_loss_um);
    double low = 0x1.999999999999ap-1 * from_hz;
    double before = wavelength_losses_wanted(medium, record_loss_um, low) - limit;
    double steepest = 0.0;
    while (low < 26000.0) {
        const double high = 0x1.028f5c28f5c29p+0 * low;
        const double here = wavelength_losses_wanted(medium, record_loss_um, high) - limit;
        if ((here > 0.0) != (before > 0.0)) {
            steepest = larger_double(steepest, magnitude_double(here - before) / (high - low));
        }
        low = high;
        before = here;
    }
    return 0x1.b333333333333p+1 * steepest;
}

/* What the record equaliser does: the flux curve over all losses, up to its limit, which it nears smoothly. */
KERNEL double wavelength_losses_pre_emphasis(const Medium *medium, double record_loss_um, double frequency_hz)
{
    const double wanted = wavelength_losses_wanted(medium, record_loss_um, frequency_hz);
    double limit = 0x1.d791c5f888823p-4 * medium->boost_limit_db;
    if (medium->tolerance_db > 0.0) {
        limit = 0x1.d791c5f888823p-4 * smaller_double(larger_double(wavelength_losses_boost_limit_db(medium,
            record_loss_um), 0.0), 40.0);
    }
    /* A smooth minimum of the two: 0.004 dB below `wanted` where that is 6 dB under the limit. */
    const double over = 8.0 * (wanted - limit);
    if (over < -40.0) {
        return elementary_exponential(wanted);
    }
    return elementary_exponential(limit - elementary_logarithm(1.0 + elementary_exponential(-over)) / 8.0);
}
