/* Generated from dropouts.py (50abaafcb5ac5ced); do not edit. SPDX-License-Identifier: ISC */

/*
 * Dropouts: a Poisson process in time, any stretch of which can be found without what came before.
 *
 * Each second of the tape is a cell of its own: hashed uniform numbers give the number of dropouts in it (Poisson)
 * and place them evenly. Counts of disjoint cells are independent and places within a cell are even, which is a
 * homogeneous Poisson process exactly: the gaps between dropouts are exponential. None is ever stored; a cell holds
 * at most ten times the mean number and a hundred, which a Poisson number exceeds once in 1e80 cells.
 */

#include "dropouts.h"

#define DROPOUTS_CELL 1
#define DROPOUTS_NODES 5
#define DROPOUTS_PER_SECOND 0
#define DROPOUTS_NONE 1
#define DROPOUTS_LEAST_DB 2
#define DROPOUTS_DB_SPAN 3
#define DROPOUTS_SHORTEST 4
#define DROPOUTS_LENGTH_SPAN 5
#define DROPOUTS_LONGEST 6
#define DROPOUTS_DB_PER_NEPER REAL(0x1.15f2ced384f28p+3)

/*
 * Prepare a law: depth and length are distributed evenly on a logarithmic scale between their limits.
 *
 * Parameters
 * ----------
 * per_minute : float
 *     Mean number of dropouts, 0 to 6,000.
 * least_db, most_db : float
 *     Limits of the depth.
 * shortest_ms, longest_ms : float
 *     Limits of the length.
 * law : ndarray, shape (LAW_NUMBERS,)
 *     Gets it.
 */
KERNEL void dropouts_dropout_law(double per_minute, double least_db, double most_db, double shortest_ms,
    double longest_ms, doubles_1 law)
{
    law.at[DROPOUTS_PER_SECOND] = per_minute / 60.0;
    law.at[DROPOUTS_NONE] = elementary_exponential(-per_minute / 60.0);
    law.at[DROPOUTS_LEAST_DB] = least_db;
    law.at[DROPOUTS_DB_SPAN] = elementary_logarithm(most_db / least_db);
    law.at[DROPOUTS_SHORTEST] = shortest_ms;
    law.at[DROPOUTS_LENGTH_SPAN] = elementary_logarithm(longest_ms / shortest_ms);
    law.at[DROPOUTS_LONGEST] = longest_ms;
}

/* How many dropouts a cell holds: the Poisson quantile of its first number, by adding up probabilities. */
KERNEL ix dropouts_count(doubles_1 law, uint64_t base)
{
    const double mean = law.at[DROPOUTS_PER_SECOND];
    const double share = hashing_uniform(base, UINT64_C(0));
    double probability = law.at[DROPOUTS_NONE];
    double total = probability;
    ix count = 0;
    while (share > total && (double)count < 10.0 * mean + 100.0) {
        count += 1;
        probability = probability * mean / (double)count;
        total += probability;
    }
    return count;
}

/* Where in its cell the centre of a dropout lies, in seconds; `number` counts from 0. */
KERNEL double dropouts_place(uint64_t base, ix number)
{
    return hashing_uniform(base, (uint64_t)(3 * number + 1));
}

/* Where between the limits, on a logarithmic scale, the depth of a dropout lies. */
KERNEL double dropouts_share_of_depth(uint64_t base, ix number)
{
    return hashing_uniform(base, (uint64_t)(3 * number + 2));
}

/* Depth of a dropout in dB, and its length in ms; `number` counts from 0. */
KERNEL dropouts__size_result dropouts_size(doubles_1 law, uint64_t base, ix number)
{
    const double depth = law.at[DROPOUTS_LEAST_DB] * elementary_exponential(dropouts_share_of_depth(base,
        number) * law.at[DROPOUTS_DB_SPAN]);
    const double length = law.at[DROPOUTS_SHORTEST] * elementary_exponential(hashing_uniform(base,
        (uint64_t)(3 * number + 3)) * law.at[DROPOUTS_LENGTH_SPAN]);
    return (dropouts__size_result){depth, length};
}

/*
 * Write the dropouts of a second of the tape, of any size and sign.
 *
 * Parameters
 * ----------
 * key : uint64
 *     Of the dropouts.
 * law : ndarray, shape (LAW_NUMBERS,)
 *     From :func:`dropout_law`.
 * cell : int64
 *     Number of the second.
 * out : ndarray, shape (MOST_IN_CELL, 3)
 *     Gets their centres in seconds from the beginning of the cell, depths in dB and lengths in ms.
 *
 * Returns
 * -------
 * int
 *     How many there are.
 */
KERNEL ix dropouts_list_cell(uint64_t key, doubles_1 law, int64_t cell, doubles_2 out)
{
    const uint64_t base = hashing_mix_hash(key, (uint64_t)cell);
    const ix count = dropouts_count(law, base);
    for (ix number = 0; number < count; number++) {
        const dropouts__size_result result_1 = dropouts_size(law, base, number);
        const double depth = result_1.m0;
        const double length = result_1.m1;
        out.at[number * out.n1] = dropouts_place(base, number);
        out.at[number * out.n1 + 1] = depth;
        out.at[number * out.n1 + 2] = length;
    }
    return count;
}

/*
 * Deepen `out` to `depth` round `centre`: a flat floor with raised-cosine edges; the deeper dip wins.
 *
 * Parameters
 * ----------
 * centre : float
 *     Of the dip, in samples.
 * half_flat, half_all : float
 *     Half the length of the floor, and of the whole dip, in samples.
 * depth : float
 *     Of the floor, in dB.
 * begin : int
 *     Sample that the first of `out` is.
 * out : ndarray, shape (samples,)
 *     Depth of all dips in dB, changed in place.
 */
KERNEL void dropouts_dip(double centre, double half_flat, double half_all, double depth, ix begin, reals_1
    out)
{
    const ix first = larger_integer(begin, (ix)ceiling_of_double(centre - half_all));
    const ix last = smaller_integer(begin + out.n0 - 1, (ix)floor_of_double(centre + half_all));
    const double per_edge = 0.5 / (half_all - half_flat);
    for (ix i = first; i < last + 1; i++) {
        const double away = magnitude_double((double)i - centre);
        double level = depth;
        if (away > half_flat) {
            level = depth * 0.5 * (1.0 + elementary_cosine_of_turns((away - half_flat) * per_edge));
        }
        out.at[i - begin] = larger(out.at[i - begin], (real)level);
    }
}

/* Find what is left of the level in a dropout that lies at a share of the way between the limits. */
KERNEL void dropouts_find_nodes(double share, const MovingDepth *moving)
{
    doubles_2 values = moving->glide.values;
    for (ix k = 0; k < DROPOUTS_NODES; k++) {
        const double least = values.at[moving->number * values.n1 + k];
        const double depth = least * elementary_exponential(share *
            elementary_logarithm(values.at[(moving->number + 1) * values.n1 + k] / least));
        moving->nodes.at[k] = elementary_power_of_ten(-0x1.999999999999ap-5 * depth);
    }
}

/*
 * As :func:`dip`, with a floor that moves.
 *
 * What glides is the level that is left, as with all gains: the depth itself could fall by all its decibels in a
 * millisecond. Samples before the cell before, and behind this one, hold the level at that end: they are made at
 * another time.
 */
KERNEL void dropouts_moving_dip(double centre, double half_flat, double half_all, ix begin, const MovingDepth
    *moving, reals_1 out)
{
    const ix first = larger_integer(begin, (ix)ceiling_of_double(centre - half_all));
    const ix last = smaller_integer(begin + out.n0 - 1, (ix)floor_of_double(centre + half_all));
    const double per_edge = 0.5 / (half_all - half_flat);
    const ix cell = (ix)moving->glide.counts.at[DROPOUTS_CELL];
    doubles_1 nodes = moving->nodes;
    for (ix i = first; i < last + 1; i++) {
        const ix place = smaller_integer(larger_integer(moving->at + i - begin, -cell), cell - 1);
        const ix column = place >= 0 ? 1 : 0;
        const double share = (double)(place >= 0 ? place : place + cell) / (double)cell;
        const double left = glides_spline(share, nodes.at[column], nodes.at[column + 1], nodes.at[column + 2],
            nodes.at[column + 3]);
        double level = (double)-DROPOUTS_DB_PER_NEPER * elementary_logarithm(left);
        const double away = magnitude_double((double)i - centre);
        if (away > half_flat) {
            level = level * 0.5 * (1.0 + elementary_cosine_of_turns((away - half_flat) * per_edge));
        }
        out.at[i - begin] = larger(out.at[i - begin], (real)level);
    }
}

/*
 * Write the depth of all dropouts of a stretch of the tape.
 *
 * Parameters
 * ----------
 * key : uint64
 *     Of the dropouts.
 * law : ndarray, shape (LAW_NUMBERS,)
 *     From :func:`dropout_law`.
 * sample_rate : float
 *     Samples per second.
 * first : int64
 *     Index on the tape of the sample that others are counted from.
 * begin : int
 *     How far behind it the stretch begins.
 * moving : MovingDepth
 *     Limits of the depth, where they move.
 * out : ndarray, shape (samples,)
 *     Gets the depth in dB, positive; left alone if no dropout comes near.
 *
 * Returns
 * -------
 * bool
 *     Whether one comes near.
 */
KERNEL bool add_dropouts(uint64_t key, doubles_1 law, double sample_rate, int64_t first, ix begin, const
    MovingDepth *moving, reals_1 out)
{
    if (law.at[DROPOUTS_PER_SECOND] <= 0.0) {
        return false;
    }
    bool found = false;
    const ix size = out.n0;
    const double reach = 0x1.89374bc6a7efap-11 * law.at[DROPOUTS_LONGEST] * sample_rate;
    /* The float of a large index only chooses the cells that are looked through, with a sample to spare on either */
    /* side; places come from whole numbers. */
    const ix end = begin + size;
    const int64_t lowest = (int64_t)floor_of_double(((double)(first + (int64_t)begin) - reach - 1.0) /
        sample_rate);
    const int64_t highest = (int64_t)floor_of_double(((double)(first + (int64_t)end) + reach + 1.0) /
        sample_rate);
    const int64_t whole = (int64_t)floor_of_double(sample_rate);
    const double whole_rate = (double)whole;
    for (int64_t cell = lowest; cell < highest + INT64_C(1); cell++) {
        const uint64_t base = hashing_mix_hash(key, (uint64_t)cell);
        const ix count = dropouts_count(law, base);
        if (count > 0) {
            const double cells = (double)cell;
            const double away = (double)(cell * whole - first);
            const double start = away + cells * (sample_rate - whole_rate);
            for (ix number = 0; number < count; number++) {
                const double centre = start + dropouts_place(base, number) * sample_rate;
                if (centre + reach < (double)begin || centre - reach > (double)end) {
                    continue;
                }
                if (!found) {
                    for (ix i = 0; i < size; i++) {
                        out.at[i] = REAL(0.0);
                    }
                    found = true;
                }
                const dropouts__size_result result_1 = dropouts_size(law, base, number);
                const double depth = result_1.m0;
                const double length = result_1.m1;
                const double samples = 0x1.0624dd2f1a9fcp-10 * length * sample_rate;
                if (SETTINGS_MAY_MOVE && moving->number >= 0) {
                    dropouts_find_nodes(dropouts_share_of_depth(base, number), moving);
                    dropouts_moving_dip(centre, 0.25 * samples, 0.75 * samples, begin, moving, out);
                } else {
                    dropouts_dip(centre, 0.25 * samples, 0.75 * samples, depth, begin, out);
                }
            }
        }
    }
    return found;
}
