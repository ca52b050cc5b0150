/* Generated from levels.py (1a92b573d7c8661a); do not edit. SPDX-License-Identifier: ISC */

/* Loops of the level meter that rendering uses: two biquads per channel, and peaks between samples. */

#include "levels.h"

#define LEVELS_STRETCH 64

/*
 * Add the energy behind two biquads to hop-long cells.
 *
 * Parameters
 * ----------
 * block : ndarray, shape (channels, samples)
 *     Audio.
 * coefficients : ndarray, shape (2, 5)
 *     b0, b1, b2, a1, a2 of each biquad.
 * state : ndarray, shape (channels, 2, 2)
 *     Transposed direct form II states, changed in place.
 * energy : ndarray, shape (channels, cells)
 *     Sums of squares, changed in place; the first cell may be partly filled.
 * filled : int
 *     Samples already in the first cell.
 * hop : int
 *     Samples per cell.
 *
 * Returns
 * -------
 * int
 *     Samples in the last, incomplete cell.
 */
KERNEL ix levels_weighted_energy(reals_2 block, reals_2 coefficients, reals_3 state, reals_2 energy, ix
    filled, ix hop)
{
    const ix samples = block.n1;
    for (ix channel = 0; channel < block.n0; channel++) {
        for (ix sample = 0; sample < samples; sample++) {
            real value = block.at[channel * block.n1 + sample];
            for (ix stage = 0; stage < 2; stage++) {
                const real output = coefficients.at[stage * coefficients.n1] * value + state.at[channel *
                    state.n1 * state.n2 + stage * state.n2];
                state.at[channel * state.n1 * state.n2 + stage * state.n2] = coefficients.at[stage *
                    coefficients.n1 + 1] * value - coefficients.at[stage * coefficients.n1 + 3] * output +
                    state.at[channel * state.n1 * state.n2 + stage * state.n2 + 1];
                state.at[channel * state.n1 * state.n2 + stage * state.n2 + 1] = coefficients.at[stage *
                    coefficients.n1 + 2] * value - coefficients.at[stage * coefficients.n1 + 4] * output;
                value = output;
            }
            energy.at[channel * energy.n1 + floor_division(filled + sample, hop)] += value * value;
        }
        for (ix stage = 0; stage < 2; stage++) {
            for (ix order = 0; order < 2; order++) {
                /* keeps silence out of the denormals */
                if (magnitude(state.at[channel * state.n1 * state.n2 + stage * state.n2 + order]) <
                    REAL(0x1.4484bfeebc2a0p-100)) {
                    state.at[channel * state.n1 * state.n2 + stage * state.n2 + order] = REAL(0.0);
                }
            }
        }
    }
    const ix last = floor_remainder(filled + samples, hop);
    return last;
}

/*
 * Largest magnitude of the audio between its samples.
 *
 * Parameters
 * ----------
 * padded : ndarray, shape (channels, samples + taps - 1)
 *     Audio with the history that the filter needs in front.
 * phases : ndarray, shape (positions, taps)
 *     Interpolation filter for each position between two samples.
 * overshoot : float
 *     Largest sum of tap magnitudes: no interpolated value exceeds its samples by more, so quiet
 *     stretches need no interpolation.
 * largest : float
 *     Largest magnitude known so far.
 *
 * Returns
 * -------
 * float
 *     Largest magnitude known now.
 */
KERNEL real levels_interpolated_peak(reals_2 padded, reals_2 phases, real overshoot, real largest)
{
    const ix positions = phases.n0;
    const ix taps = phases.n1;
    const ix samples = padded.n1 - taps + 1;
    for (ix channel = 0; channel < padded.n0; channel++) {
        for (ix start = 0; start < samples; start += 64) {
            const ix stop = smaller_integer(start + LEVELS_STRETCH, samples);
            real peak = REAL(0.0);
            for (ix sample = start; sample < stop + taps - 1; sample++) {
                peak = larger(peak, magnitude(padded.at[channel * padded.n1 + sample]));
            }
            if (peak * overshoot <= largest) {
                continue;
            }
            for (ix sample = start; sample < stop; sample++) {
                for (ix position = 0; position < positions; position++) {
                    real total = REAL(0.0);
                    for (ix tap = 0; tap < taps; tap++) {
                        total += phases.at[position * phases.n1 + tap] * padded.at[channel * padded.n1 +
                            sample + tap];
                    }
                    largest = larger(largest, magnitude(total));
                }
            }
        }
    }
    return largest;
}
