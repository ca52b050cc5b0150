/* Generated from splices.py (74dbb1d5d398d3cc); do not edit. SPDX-License-Identifier: ISC */

/*
 * Splices of the tape, from settings to sound: see :class:`tapeemu.processors.splices.Splices`.
 *
 * A splice is a straight cut across the track: while it passes the head, the share of the new piece under the head's
 * width rises evenly. Between splices every sample is one of the input, so nothing is lost.
 */

#include "splices.h"

#define SPLICES_SECONDS 0
#define SPLICES_SHIFT 1
#define SPLICES_BLANK 2
#define SPLICES_WHOLE 0
#define SPLICES_LATER 1
#define SPLICES_EMPTY 2
#define SPLICES_PASSING 0
#define SPLICES_BETWEEN 1
#define SPLICES_NUMBERS 2
#define SPLICES_LATENCY 0
#define SPLICES_RING 1
#define SPLICES_SPLICES 2
#define SPLICES_FIRST_TRACK 3
#define SPLICES_START 4
#define SPLICES_MADE 5
#define SPLICES_COUNTS 6
#define SPLICES_PIECE 256

/* Whole samples by which a piece is later in the recording; none for blank tape. */
KERNEL int64_t splices_shift_of(const SplicesSettings *settings, double sample_rate, ix splice)
{
    if (settings->splices.at[splice * settings->splices.n1 + SPLICES_BLANK] == 1.0) {
        return INT64_C(0);
    }
    return (int64_t)floor_of_double(settings->splices.at[splice * settings->splices.n1 + SPLICES_SHIFT] *
        sample_rate + 0.5);
}

/* Samples that a piece is later in the recording, or earlier. */
KERNEL ix splices_furthest(const SplicesSettings *settings, double sample_rate, ix sign)
{
    int64_t most = INT64_C(0);
    for (ix splice = 0; splice < settings->splices.n0; splice++) {
        most = larger_integer_64(most, (int64_t)sign * splices_shift_of(settings, sample_rate, splice));
    }
    return (ix)most;
}

/* Samples by which the output is late: what a piece is later in the recording. */
KERNEL ix splices_latency(const SplicesSettings *settings, double sample_rate, ix channels)
{
    (void)channels;
    return splices_furthest(settings, sample_rate, 1);
}

/* Samples that may sound on: what a piece is earlier in the recording. */
KERNEL ix splices_tail(const SplicesSettings *settings, double sample_rate, ix channels, double level_db)
{
    (void)channels;
    (void)level_db;
    return splices_furthest(settings, sample_rate, -1);
}

/* Columns of the ring of tape. */
KERNEL ix splices_ring_of(const SplicesSettings *settings, double sample_rate)
{
    return splices_furthest(settings, sample_rate, 1) + splices_furthest(settings, sample_rate, -1) +
        SPLICES_PIECE + 1;
}

/* Write the shapes of the arrays of :class:`SplicesMemory`, a row for each. */
KERNEL void splices_shapes(const SplicesSettings *settings, double sample_rate, ix channels, int64s_2 shapes)
{
    const ix splices = larger_integer(1, settings->splices.n0);
    ix row = memory_shapes_shape_row(SPLICES_NUMBERS, 1, shapes, 0);
    row = memory_shapes_shape_row(SPLICES_COUNTS, 1, shapes, row);
    row = memory_shapes_shape_row(splices, 3, shapes, row);
    row = memory_shapes_shape_row(splices, 1, shapes, row);
    row = memory_shapes_shape_row(channels, 1, shapes, row);
    memory_shapes_shape_row(channels, splices_ring_of(settings, sample_rate), shapes, row);
}

/*
 * Fill the plan, for memory that is all zeros, and go to a place on the tape.
 *
 * The stem of track `k` lies ``k * channels`` tracks beside the first.
 */
KERNEL void splices_design(const SplicesSettings *settings, double sample_rate, ix channels, int64_t
    start_sample, int64_t track, const SplicesMemory *memory)
{
    int64s_1 counts = memory->counts;
    const double turns = settings->angle_degrees / 360.0;
    /* Millimetres along the tape for one across, in samples. */
    const double along = elementary_cosine_of_turns(turns) / elementary_sine_of_turns(turns) *
        0x1.999999999999ap-4 * sample_rate / settings->tape_speed_cm_s;
    memory->plan.at[SPLICES_PASSING] = settings->track_width_mm * along;
    memory->plan.at[SPLICES_BETWEEN] = settings->track_spacing_mm * along;
    counts.at[SPLICES_LATENCY] = (int64_t)splices_latency(settings, sample_rate, channels);
    counts.at[SPLICES_RING] = (int64_t)splices_ring_of(settings, sample_rate);
    counts.at[SPLICES_SPLICES] = (int64_t)settings->splices.n0;
    counts.at[SPLICES_FIRST_TRACK] = track * (int64_t)channels;
    for (ix splice = 0; splice < settings->splices.n0; splice++) {
        const double place = settings->splices.at[splice * settings->splices.n1 + SPLICES_SECONDS] *
            sample_rate;
        memory->cuts.at[splice * memory->cuts.n1 + SPLICES_WHOLE] = (int64_t)floor_of_double(place);
        memory->rests.at[splice] = place - floor_of_double(place);
        memory->cuts.at[splice * memory->cuts.n1 + SPLICES_LATER] = splices_shift_of(settings, sample_rate,
            splice);
        memory->cuts.at[splice * memory->cuts.n1 + SPLICES_EMPTY] = (int64_t)(settings->splices.at[splice *
            settings->splices.n1 + SPLICES_BLANK] == 1.0 ? 1 : 0);
    }
    splices_seek(memory, start_sample);
}

/* Go to a place on the tape, as if made there. */
KERNEL void splices_seek(const SplicesMemory *memory, int64_t place)
{
    memory->counts.at[SPLICES_START] = place;
    memory->counts.at[SPLICES_MADE] = INT64_C(0);
    kept_rows_clear_rows(memory->line);
    for (ix channel = 0; channel < memory->current.n0; channel++) {
        memory->current.at[channel] = INT64_C(-1);
    }
}

/*
 * Read a block of any length from a tape with splices.
 *
 * Parameters
 * ----------
 * memory : SplicesMemory
 *     Plan and state.
 * block : ndarray, shape (channels, samples)
 *     What goes onto the tape.
 * out : ndarray, shape (channels, samples)
 *     Gets what is read; may be `block` itself.
 */
KERNEL void splices_process(const SplicesMemory *memory, reals_2 block, reals_2 out)
{
    int64s_1 counts = memory->counts;
    const int64_t ring = counts.at[SPLICES_RING];
    ix taken = 0;
    while (taken < block.n1) {
        const ix count = smaller_integer(block.n1 - taken, SPLICES_PIECE);
        for (ix channel = 0; channel < block.n0; channel++) {
            reals_1 line = (reals_1){memory->line.at + channel * memory->line.n1, memory->line.n1};
            ix place = (ix)floor_remainder_64(counts.at[SPLICES_MADE], ring);
            for (ix i = 0; i < count; i++) {
                line.at[place] = block.at[channel * block.n1 + taken + i];
                place += 1;
                if (place == line.n0) {
                    place = 0;
                }
            }
        }
        for (ix channel = 0; channel < block.n0; channel++) {
            ix done = 0;
            while (done < count) {
                done += splices_next_outputs(memory, channel, done, count - done, taken + done, out);
            }
        }
        counts.at[SPLICES_MADE] += (int64_t)count;
        taken += count;
    }
}

/* Samples since the middle of a splice passed the head of a channel. */
KERNEL double splices_since(const SplicesMemory *memory, ix channel, ix splice, int64_t place)
{
    const ix channels = memory->line.n0;
    const double apart = (double)(memory->counts.at[SPLICES_FIRST_TRACK] + (int64_t)channel) - 0.5 *
        (double)(channels - 1);
    double since = (double)(place - memory->cuts.at[splice * memory->cuts.n1 + SPLICES_WHOLE]);
    since -= memory->rests.at[splice] + apart * memory->plan.at[SPLICES_BETWEEN];
    return since;
}

/*
 * Read the next outputs of a channel into columns from `at` on, until a splice begins or ends.
 *
 * Returns
 * -------
 * int
 *     How many were made, `most` or fewer.
 */
KERNEL ix splices_next_outputs(const SplicesMemory *memory, ix channel, ix done, ix most, ix at, reals_2 out)
{
    int64s_1 counts = memory->counts;
    const int64_t reached = counts.at[SPLICES_MADE] + (int64_t)done - counts.at[SPLICES_LATENCY];
    const int64_t place = counts.at[SPLICES_START] + reached;
    const double half = 0.5 * memory->plan.at[SPLICES_PASSING];
    ix splice = (ix)memory->current.at[channel];
    /* The last one that has begun to pass. */
    while ((int64_t)(splice + 1) < counts.at[SPLICES_SPLICES] && splices_since(memory, channel, splice + 1,
        place) > -half) {
        splice += 1;
    }
    memory->current.at[channel] = (int64_t)splice;
    ix count = most;
    if ((int64_t)(splice + 1) < counts.at[SPLICES_SPLICES]) {
        /* Samples that do not see the next one yet. */
        const double ahead = -half - splices_since(memory, channel, splice + 1, place);
        if (ahead < (double)count) {
            count = larger_integer(1, (ix)floor_of_double(ahead) + 1);
        }
    }
    reals_1 line = (reals_1){memory->line.at + channel * memory->line.n1, memory->line.n1};
    if (splice < 0) {
        splices_copy(line, reached, count, at, (reals_1){out.at + channel * out.n1, out.n1});
        return smaller_integer(count, most);
    }
    const double since = splices_since(memory, channel, splice, place);
    if (since < half) {
        count = smaller_integer(count, larger_integer(1, (ix)ceiling_of_double(half - since)));
        splices_cross(memory, splice, line, reached, since, count, at, (reals_1){out.at + channel * out.n1,
            out.n1});
    } else if (memory->cuts.at[splice * memory->cuts.n1 + SPLICES_EMPTY] == INT64_C(1)) {
        for (ix i = 0; i < count; i++) {
            out.at[channel * out.n1 + at + i] = REAL(0.0);
        }
    } else {
        splices_copy(line, reached + memory->cuts.at[splice * memory->cuts.n1 + SPLICES_LATER], count, at,
            (reals_1){out.at + channel * out.n1, out.n1});
    }
    return count;
}

/* Read numbers as they are from the ring, from one on. */
KERNEL void splices_copy(reals_1 line, int64_t first, ix count, ix at, reals_1 out)
{
    const int64_t size = (int64_t)line.n0;
    ix place = (ix)floor_remainder_64(first, size);
    for (ix i = 0; i < count; i++) {
        out.at[at + i] = line.at[place];
        place += 1;
        if (place == line.n0) {
            place = 0;
        }
    }
}

/* Both pieces are under the head: each by its share of the track's width. */
KERNEL void splices_cross(const SplicesMemory *memory, ix splice, reals_1 line, int64_t reached, double since,
    ix count, ix at, reals_1 out)
{
    const int64_t size = (int64_t)line.n0;
    real before_sounds = REAL(1.0);
    int64_t before_later = INT64_C(0);
    if (splice > 0) {
        before_later = memory->cuts.at[(splice - 1) * memory->cuts.n1 + SPLICES_LATER];
        before_sounds = memory->cuts.at[(splice - 1) * memory->cuts.n1 + SPLICES_EMPTY] == INT64_C(1) ?
            REAL(0.0) : REAL(1.0);
    }
    const real sounds = memory->cuts.at[splice * memory->cuts.n1 + SPLICES_EMPTY] == INT64_C(1) ? REAL(0.0) :
        REAL(1.0);
    ix old = (ix)floor_remainder_64(reached + before_later, size);
    ix new = (ix)floor_remainder_64(reached + memory->cuts.at[splice * memory->cuts.n1 + SPLICES_LATER],
        size);
    for (ix i = 0; i < count; i++) {
        const double share = (since + (double)i) / memory->plan.at[SPLICES_PASSING] + 0.5;
        out.at[at + i] = (real)((1.0 - share) * (double)before_sounds * (double)line.at[old] + share *
            (double)sounds * (double)line.at[new]);
        old += 1;
        new += 1;
        if (old == line.n0) {
            old = 0;
        }
        if (new == line.n0) {
            new = 0;
        }
    }
}
