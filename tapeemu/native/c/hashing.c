/* Generated from hashing.py (3d7b17295ba7854d); do not edit. SPDX-License-Identifier: ISC */

/*
 * The source of all randomness: counters, mixed until every bit depends on every bit of theirs.
 *
 * A random number is a function of a key and of a counter, so that any place of a tape is reached without what
 * lies before it. Keys are derived from a seed, from what they are for, and from a number. Integer arithmetic is
 * unsigned throughout; it wraps on purpose. Counter-based mixing: Steele, Lea, Flood, "Fast splittable
 * pseudorandom number generators", OOPSLA 2014.
 */

#include "hashing.h"

#define HASHING_WEYL UINT64_C(0x9e3779b97f4a7c15)
#define HASHING_MIX_1 UINT64_C(0xbf58476d1ce4e5b9)
#define HASHING_MIX_2 UINT64_C(0x94d049bb133111eb)
#define HASHING_SHIFT_30 UINT64_C(30)
#define HASHING_SHIFT_27 UINT64_C(27)
#define HASHING_SHIFT_31 UINT64_C(31)
#define HASHING_SHIFT_11 UINT64_C(11)
#define HASHING_SHIFT_8 UINT64_C(8)
#define HASHING_SHIFT_48 UINT64_C(48)
#define HASHING_EVEN_BYTES UINT64_C(0xff00ff00ff00ff)
#define HASHING_ONE_PER_PAIR UINT64_C(0x1000100010001)
#define HASHING_PER_2_53 REAL(0x1.0000000000000p-53)
#define HASHING_MEAN REAL(1020.0)
#define HASHING_SCALE REAL(0x1.39897e057846ep-8)

/* Finaliser of the SplitMix64 generator: 64 well mixed bits of a key and a counter. */
KERNEL uint64_t hashing_mix_hash(uint64_t key, uint64_t index)
{
    uint64_t z = key + index * HASHING_WEYL;
    z = (z ^ z >> HASHING_SHIFT_30) * HASHING_MIX_1;
    z = (z ^ z >> HASHING_SHIFT_27) * HASHING_MIX_2;
    return z ^ z >> HASHING_SHIFT_31;
}

/*
 * Key of one random part: of a seed, of what the part is for, and of its number.
 *
 * The seed is mixed before anything is added to it: neighbouring seeds have nothing in common.
 */
KERNEL uint64_t hashing_stream_key(uint64_t seed, uint64_t purpose, uint64_t number)
{
    return hashing_mix_hash(hashing_mix_hash(hashing_mix_hash(HASHING_WEYL, seed), purpose), number);
}

/* Uniform number in (0, 1), of a key and a counter: 53 bits. */
KERNEL double hashing_uniform(uint64_t key, uint64_t index)
{
    return ((double)(int64_t)(hashing_mix_hash(key, index) >> HASHING_SHIFT_11) + 0.5) *
        0x1.0000000000000p-53;
}

/*
 * White noise of unit variance, of a key and a counter: the sum of the eight bytes of a hash.
 *
 * It is within 4.9 of zero, so everything filtered from it is bounded.
 */
KERNEL double hashing_white(uint64_t key, uint64_t index)
{
    const uint64_t z = hashing_mix_hash(key, index);
    /* Pairs of bytes in four lanes of 16 bits; the product gathers the lanes' sum, at most 2040, in the uppermost. */
    const uint64_t total = ((z & HASHING_EVEN_BYTES) + (z >> HASHING_SHIFT_8 & HASHING_EVEN_BYTES)) *
        HASHING_ONE_PER_PAIR >> HASHING_SHIFT_48;
    return ((double)(int64_t)total - 1020.0) * 0x1.39897e057846ep-8;
}

/*
 * Write :func:`white` of successive counters.
 *
 * Parameters
 * ----------
 * key : uint64
 *     Of the noise.
 * first : int64
 *     Counter of the first number; negative ones too.
 * out : ndarray, shape (numbers,)
 *     Gets the noise.
 */
KERNEL void hashing_fill_white(uint64_t key, int64_t first, doubles_1 out)
{
    const uint64_t start = (uint64_t)first;
    for (ux i = (ux)0; i < (ux)out.n0; i++) {
        out.at[(ix)i] = hashing_white(key, start + (uint64_t)i);
    }
}
