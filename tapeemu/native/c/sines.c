/* Generated from sines.py (b9454b4543a196fe); do not edit. SPDX-License-Identifier: ISC */

/* The loop behind rotating parts: a sine by value and slope. */

#include "sines.h"

#define SINES_8 (ux)8

/*
 * Begin ``amplitude * cos(2 pi (cycles + i cycles_per_step))`` at ``i = 0``.
 *
 * Parameters
 * ----------
 * amplitude : float
 *     Peak.
 * cycles, cycles_per_step : float
 *     Phase at the first point, and its change from point to point, in turns.
 * lanes : ndarray, shape (2, 8)
 *     Gets real and imaginary parts of eight phasors.
 */
KERNEL void sines_begin_phasors(double amplitude, double cycles, double cycles_per_step, doubles_2 lanes)
{
    for (ix lane = 0; lane < 8; lane++) {
        const double turns = cycles + cycles_per_step * (double)lane;
        lanes.at[lane] = amplitude * elementary_cosine_of_turns(turns);
        lanes.at[1 * lanes.n1 + lane] = amplitude * elementary_sine_of_turns(turns);
    }
}

/* Go on by so many times eight points, as :func:`add_phasors` does. */
KERNEL void sines_pass_phasors(double cycles_per_step, ix eights, doubles_2 lanes)
{
    const double turn_real = elementary_cosine_of_turns(8.0 * cycles_per_step);
    const double turn_imaginary = elementary_sine_of_turns(8.0 * cycles_per_step);
    for (ix _ = 0; _ < eights; _++) {
        for (ux lane = (ux)0; lane < SINES_8; lane++) {
            const double real_ = lanes.at[(ix)lane];
            const double imaginary = lanes.at[1 * lanes.n1 + (ix)lane];
            lanes.at[(ix)lane] = real_ * turn_real - imaginary * turn_imaginary;
            lanes.at[1 * lanes.n1 + (ix)lane] = real_ * turn_imaginary + imaginary * turn_real;
        }
    }
}

/*
 * Add the sine that was begun, and its slope per step, at the next points.
 *
 * Eight phasors side by side, each eight steps ahead at a time, so that none waits for its predecessor.
 *
 * Parameters
 * ----------
 * cycles_per_step : float
 *     As it was begun with.
 * lanes : ndarray, shape (2, 8)
 *     From :func:`begin_phasors`; goes on.
 * out_values, out_slopes : ndarray, shape (points,)
 *     Are added to; a multiple of eight points.
 */
KERNEL void sines_add_phasors(double cycles_per_step, doubles_2 lanes, doubles_1 out_values, doubles_1
    out_slopes)
{
    const double turn = 0x1.921fb54442d18p+2 * cycles_per_step;
    const double turn_real = elementary_cosine_of_turns(8.0 * cycles_per_step);
    const double turn_imaginary = elementary_sine_of_turns(8.0 * cycles_per_step);
    for (ix block = 0; block < floor_division(out_values.n0, 8); block++) {
        const ux base = (ux)(8 * block);
        for (ux lane = (ux)0; lane < SINES_8; lane++) {
            const double real_ = lanes.at[(ix)lane];
            const double imaginary = lanes.at[1 * lanes.n1 + (ix)lane];
            out_values.at[(ix)base + (ix)lane] += real_;
            out_slopes.at[(ix)base + (ix)lane] -= turn * imaginary;
            lanes.at[(ix)lane] = real_ * turn_real - imaginary * turn_imaginary;
            lanes.at[1 * lanes.n1 + (ix)lane] = real_ * turn_imaginary + imaginary * turn_real;
        }
    }
}
