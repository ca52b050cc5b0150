/* Generated from envelopes.py (678e2950db0a3330); do not edit. SPDX-License-Identifier: ISC */

/*
 * Envelopes of what comes in, at control rate: how loud each voice is, for lights and motors beside the sound.
 *
 * Time is divided into control periods, counted from the tape's beginning. At the end of each an envelope has a new
 * value: the root of the mean of the squares of the period's samples. It so needs no time of attack or release, a
 * tone reads its effective value, and one that is slower than a period is followed through its cycle.
 */

#include "envelopes.h"

#define ENVELOPES_AT 0
#define ENVELOPES_PERIOD 1

/* Go to a place on the tape: what lies before it in its period counts as silence. */
KERNEL void seek_envelopes(int64_t place, const Envelopes *memory)
{
    const int64_t period = memory->counts.at[ENVELOPES_PERIOD];
    memory->counts.at[ENVELOPES_AT] = place - floor_division_64(place, period) * period;
    for (ix channel = 0; channel < memory->sums.n0; channel++) {
        memory->sums.at[channel] = 0.0;
    }
}

/*
 * Go on by a block of any length.
 *
 * Parameters
 * ----------
 * block : ndarray, shape (channels, samples)
 *     What comes in.
 * memory : Envelopes
 *     Changed in place.
 * out : ndarray, shape (channels, ``samples // period + 1`` or more)
 *     Gets a value of every channel for every period that ends in the block.
 *
 * Returns
 * -------
 * int
 *     How many values a channel has got.
 */
KERNEL ix follow_envelopes(reals_2 block, const Envelopes *memory, reals_2 out)
{
    const int64_t period = memory->counts.at[ENVELOPES_PERIOD];
    const double length = (double)period;
    ix made = 0;
    ix done = 0;
    while (done < block.n1) {
        const ix count = (ix)smaller_integer_64(period - memory->counts.at[ENVELOPES_AT], (int64_t)(block.n1 -
            done));
        for (ix channel = 0; channel < block.n0; channel++) {
            double total = memory->sums.at[channel];
            for (ix k = 0; k < count; k++) {
                const double heard = (double)block.at[channel * block.n1 + done + k];
                total += heard * heard;
            }
            memory->sums.at[channel] = total;
        }
        done += count;
        memory->counts.at[ENVELOPES_AT] += (int64_t)count;
        if (memory->counts.at[ENVELOPES_AT] == period) {
            for (ix channel = 0; channel < block.n0; channel++) {
                out.at[channel * out.n1 + made] = (real)square_root_double(memory->sums.at[channel] / length);
                memory->sums.at[channel] = 0.0;
            }
            memory->counts.at[ENVELOPES_AT] = INT64_C(0);
            made += 1;
        }
    }
    return made;
}
