/* Generated from line_filters.py (cc5ee6536070ee2b); do not edit. SPDX-License-Identifier: ISC */

/*
 * What the filters of the lines of a feedback delay network do: gain, level and time of one pass through a line.
 *
 * All lines' filters lie in one array, see :data:`FILTER_ROWS`; :mod:`tapeemu.dsp.kernels.absorption` designs them.
 */

#include "line_filters.h"

#define LINE_FILTERS_PER_NEPER_DB REAL(0x1.15f2ced384f29p+2)

/* How many sections every line's filter has. */
KERNEL ix line_filters_section_count(doubles_3 filters)
{
    return (ix)filters.at[1 * filters.n2];
}

/* ``|1 + once / z + twice / z^2| ^ 2`` at an angle with this cosine and sine. */
KERNEL double line_filters_quadratic_power(double once, double twice, double cosine, double sine)
{
    const double real_part = 1.0 + once * cosine + twice * (2.0 * cosine * cosine - 1.0);
    const double imaginary_part = once * sine + twice * (2.0 * cosine * sine);
    return real_part * real_part + imaginary_part * imaginary_part;
}

/* Power gain of one pass through a line, its gain included, at an angle with this cosine and sine. */
KERNEL double line_filters_pass_power(doubles_3 filters, ix line, double cosine, double sine)
{
    double power = filters.at[line] * filters.at[line];
    const ix stop_1 = 1 + line_filters_section_count(filters);
    for (ix section = 1; section < stop_1; section++) {
        const double e = filters.at[section * filters.n1 * filters.n2 + 2 * filters.n2 + line];
        const double f = filters.at[section * filters.n1 * filters.n2 + 3 * filters.n2 + line];
        const double above = line_filters_quadratic_power(filters.at[section * filters.n1 * filters.n2 + line]
            + e, filters.at[section * filters.n1 * filters.n2 + 1 * filters.n2 + line] + f, cosine, sine);
        power *= above / line_filters_quadratic_power(e, f, cosine, sine);
    }
    return power;
}

/* Group delay of ``1 + once / z + twice / z^2`` in samples: the derivative of its logarithm. */
KERNEL double line_filters_quadratic_delay(double once, double twice, double cosine, double sine)
{
    const double double_cosine = 2.0 * cosine * cosine - 1.0;
    const double double_sine = 2.0 * cosine * sine;
    const double real_part = 1.0 + once * cosine + twice * double_cosine;
    const double imaginary_part = once * sine + twice * double_sine;
    const double real_slope = once * cosine + 2.0 * (twice * double_cosine);
    const double imaginary_slope = once * sine + 2.0 * (twice * double_sine);
    const double power = real_part * real_part + imaginary_part * imaginary_part;
    return (real_slope * real_part + imaginary_slope * imaginary_part) / power;
}

/*
 * Group delay of a line's filter in samples, at an angle with this cosine and sine.
 *
 * A filter whose loss changes over frequency delays, or hastens. Where a decay lasts for few periods that is
 * as much as 4 % of the pass, and the decay is as much longer or shorter.
 */
KERNEL double line_filters_filter_delay(doubles_3 filters, ix line, double cosine, double sine)
{
    double delay = 0.0;
    const ix stop_1 = 1 + line_filters_section_count(filters);
    for (ix section = 1; section < stop_1; section++) {
        const double e = filters.at[section * filters.n1 * filters.n2 + 2 * filters.n2 + line];
        const double f = filters.at[section * filters.n1 * filters.n2 + 3 * filters.n2 + line];
        delay += line_filters_quadratic_delay(filters.at[section * filters.n1 * filters.n2 + line] + e,
            filters.at[section * filters.n1 * filters.n2 + 1 * filters.n2 + line] + f, cosine, sine) -
            line_filters_quadratic_delay(e, f, cosine, sine);
    }
    return delay;
}

/* Level of a power. */
KERNEL double line_filters_power_db(double power)
{
    return 0x1.15f2ced384f29p+2 * elementary_logarithm(power);
}

/* Level of one pass through a line at a frequency, all its gains included. */
KERNEL double line_filters_loop_level_db(doubles_3 filters, ix line, double frequency_hz, double sample_rate)
{
    const double turns = frequency_hz / sample_rate;
    return line_filters_power_db(line_filters_pass_power(filters, line, elementary_cosine_of_turns(turns),
        elementary_sine_of_turns(turns)));
}

/* Decay time that a line's pass stands for: ``-3 M / (fs log10 |H(f)|)``, M with the filter's group delay. */
KERNEL double line_filters_loop_decay_seconds(doubles_3 filters, int64_t delay, ix line, double frequency_hz,
    double sample_rate)
{
    const double turns = frequency_hz / sample_rate;
    const double cosine = elementary_cosine_of_turns(turns);
    const double sine = elementary_sine_of_turns(turns);
    const double samples = (double)delay + line_filters_filter_delay(filters, line, cosine, sine);
    return -60.0 * samples / (sample_rate * line_filters_power_db(line_filters_pass_power(filters, line,
        cosine, sine)));
}

/* Copy gains and sections. */
KERNEL void line_filters_copy_filters(doubles_3 source, doubles_3 target)
{
    const ix stop_1 = 1 + line_filters_section_count(source);
    for (ix row = 0; row < stop_1; row++) {
        for (ix part = 0; part < 4; part++) {
            for (ix line = 0; line < source.n2; line++) {
                target.at[row * target.n1 * target.n2 + part * target.n2 + line] = source.at[row * source.n1 *
                    source.n2 + part * source.n2 + line];
            }
        }
    }
}
