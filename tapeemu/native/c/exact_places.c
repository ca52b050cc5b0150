/* Generated from exact_places.py (6ef32827d8542206); do not edit. SPDX-License-Identifier: ISC */

/*
 * Exact places on the tape: where a sample stands on another grid, whatever the hour.
 *
 * A rate per sample is held in fixed point, a whole part and 128 bits behind the point, and multiplied with the
 * 64-bit index of the sample in integers: the place is within 2**-64 of a node of the exact one, for every index.
 * Integer arithmetic wraps on purpose. Long multiplication and division: any textbook.
 */

#include "exact_places.h"

#define EXACT_PLACES_0 UINT64_C(0)
#define EXACT_PLACES_1 UINT64_C(1)
#define EXACT_PLACES_SHIFT_11 UINT64_C(11)
#define EXACT_PLACES_SHIFT_32 UINT64_C(32)
#define EXACT_PLACES_LOW_32 UINT64_C(0xffffffff)
#define EXACT_PLACES_PER_2_53 REAL(0x1.0000000000000p-53)

/*
 * Divide two rates to 128 bits behind the point.
 *
 * Long division by halves: twice a remainder less the divisor is exact in floating point, so no bit is lost.
 *
 * Parameters
 * ----------
 * rate_hz : float
 *     Nodes, or turns, per second; 0 or more, below 2**53 sample rates.
 * sample_rate : float
 *     Samples per second.
 * words : ndarray, shape (3,)
 *     Gets the quotient: whole part, first and last 64 bits behind the point.
 */
KERNEL void exact_places_set_rate(double rate_hz, double sample_rate, uint64s_1 words)
{
    double scaled = sample_rate;
    ix steps = 0;
    while (scaled <= rate_hz) {
        scaled = 2.0 * scaled;
        steps += 1;
    }
    double rest = rate_hz;
    uint64_t whole = EXACT_PLACES_0;
    for (ix _ = 0; _ < steps; _++) {
        scaled = 0.5 * scaled;
        whole = whole + whole;
        if (rest >= scaled) {
            rest = rest - scaled;
            whole = whole + EXACT_PLACES_1;
        }
    }
    words.at[0] = whole;
    for (ix word = 1; word < 3; word++) {
        uint64_t bits = EXACT_PLACES_0;
        for (ix _ = 0; _ < 64; _++) {
            rest = 2.0 * rest;
            bits = bits + bits;
            if (rest >= sample_rate) {
                rest = rest - sample_rate;
                bits = bits + EXACT_PLACES_1;
            }
        }
        words.at[word] = bits;
    }
}

/* Upper 64 bits of the product of two unsigned words. */
KERNEL uint64_t exact_places_upper_half(uint64_t a, uint64_t b)
{
    const uint64_t a_low = a & EXACT_PLACES_LOW_32;
    const uint64_t a_high = a >> EXACT_PLACES_SHIFT_32;
    const uint64_t b_low = b & EXACT_PLACES_LOW_32;
    const uint64_t b_high = b >> EXACT_PLACES_SHIFT_32;
    const uint64_t crossed = a_high * b_low + (a_low * b_low >> EXACT_PLACES_SHIFT_32);
    const uint64_t other = a_low * b_high + (crossed & EXACT_PLACES_LOW_32);
    return a_high * b_high + (crossed >> EXACT_PLACES_SHIFT_32) + (other >> EXACT_PLACES_SHIFT_32);
}

/*
 * Whole and fractional part of a sample's index times a rate.
 *
 * Parameters
 * ----------
 * sample : int64
 *     Any; negative ones too.
 * words : ndarray, shape (3,)
 *     From :func:`set_rate`.
 *
 * Returns
 * -------
 * whole : int64
 *     Rounded down; modulo 2**64.
 * fraction : float
 *     From 0 up to, and not including, 1: 53 bits.
 */
KERNEL exact_places_place_of_result exact_places_place_of(int64_t sample, uint64s_1 words)
{
    const uint64_t index = (uint64_t)sample;
    const uint64_t behind = words.at[1] * index;
    uint64_t whole = words.at[0] * index + exact_places_upper_half(words.at[1], index);
    uint64_t added = exact_places_upper_half(words.at[2], index);
    if (sample < INT64_C(0)) {
        /* An index below zero stands for itself less 2**64. */
        whole = whole - words.at[1];
        added = added - words.at[2];
        /* The sign of `added` goes on to the whole part; it is -1 or, for a word of zeros, nothing. */
        if (words.at[2] > EXACT_PLACES_0) {
            whole = whole - EXACT_PLACES_1;
        }
    }
    const uint64_t total = behind + added;
    if (total < behind) {
        whole = whole + EXACT_PLACES_1;
    }
    return (exact_places_place_of_result){(int64_t)whole, (double)(int64_t)(total >> EXACT_PLACES_SHIFT_11) *
        0x1.0000000000000p-53};
}

/* The fractional part alone of a sample's index times a rate; arguments as for :func:`place_of`. */
KERNEL double exact_places_turns_of(int64_t sample, uint64s_1 words)
{
    const uint64_t index = (uint64_t)sample;
    uint64_t added = exact_places_upper_half(words.at[2], index);
    if (sample < INT64_C(0)) {
        added = added - words.at[2];
    }
    const uint64_t behind = words.at[1] * index + added;
    return (double)(int64_t)(behind >> EXACT_PLACES_SHIFT_11) * 0x1.0000000000000p-53;
}
