/* Generated from offset_filter.py (1a309137ec893ed5); do not edit. SPDX-License-Identifier: ISC */

/* The filter that takes an offset out: a first-order high-pass with its zero at 0 Hz. */

#include "offset_filter.h"

#define OFFSET_FILTER_FLUSH REAL(0x1.4484bfeebc2a0p-100)
#define OFFSET_FILTER_LN10 REAL(0x1.26bb1bbb55516p+1)

/* Pole of the filter with a corner (-3 dB) in Hz. */
KERNEL double offset_filter_offset_pole(double corner_hz, double sample_rate)
{
    return elementary_exponential(-0x1.921fb54442d18p+2 * corner_hz / sample_rate);
}

/* Samples until the answer of the filter to a step has fallen to a level re its beginning; 0 from 0 dB on. */
KERNEL ix offset_filter_offset_tail(double corner_hz, double sample_rate, double level_db)
{
    if (level_db >= 0.0) {
        return 0;
    }
    return (ix)ceiling_of_double(level_db * 0x1.26bb1bbb55516p+1 * sample_rate / (-0x1.f6a7a2955385ep+6 *
        corner_hz));
}

/*
 * High-pass in place: ``y[n] = keep * y[n-1] + x[n] - x[n-1]``.
 *
 * A constant, such as a remanent magnetisation, leaves differences of exactly zero; an output below 1e-30
 * becomes zero, so silence ends in exact zeros and never in denormal numbers.
 *
 * Parameters
 * ----------
 * audio : ndarray, shape (samples,)
 *     Of one channel; changed in place.
 * keep : float
 *     Pole of the filter, 0 to 1.
 * state : ndarray, shape (OFFSET_STATE,)
 *     x[n-1] and y[n-1], changed in place.
 */
KERNEL void offset_filter_block_offset(reals_1 audio, double keep, doubles_1 state)
{
    double before = state.at[0];
    double out = state.at[1];
    for (ix t = 0; t < audio.n0; t++) {
        const double now = (double)audio.at[t];
        out = out * keep + (now - before);
        out = magnitude_double(out) > 0x1.4484bfeebc2a0p-100 ? out : 0.0;
        audio.at[t] = (real)out;
        before = now;
    }
    state.at[0] = before;
    state.at[1] = out;
}
