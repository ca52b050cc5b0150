/* Generated from chain.py (5e1c036830747bf8); do not edit. SPDX-License-Identifier: ISC */

/*
 * Stages in a row: where each stands on the tape, and how a dry signal waits for the wet one it is mixed with.
 *
 * Which processor a stage is, no kernel needs to know. What a chain does is a list of steps: a stage on the current
 * block, or one of the moves of blocks here. Whoever runs them holds the stages, and a block more than the levels of
 * mixes within mixes.
 *
 * Stages are numbered in the order of the signal, through chains within the chain, bypassed ones left out. A group is
 * a row of stages that is mixed with its own input, or a chain within the chain, or both; it is never empty.
 */

#include "chain.h"

#define CHAIN_END 0
#define CHAIN_PROCESS 1
#define CHAIN_KEEP 2
#define CHAIN_DELAY 3
#define CHAIN_STILL 4
#define CHAIN_MIX 5
#define CHAIN_FIRST 0
#define CHAIN_BEHIND 1
#define CHAIN_START 0
#define CHAIN_LATE 1
#define CHAIN_OPEN_BEHIND 2
#define CHAIN_OPEN_GROUP 3
#define CHAIN_LATENCY 0
#define CHAIN_LENGTH_RATIO 1
#define CHAIN_LEVELS 2
#define CHAIN_COLUMN 0
#define CHAIN_LENGTH 1
#define CHAIN_PLACE 2

/* Place on the tape behind a stage that changes the length; halves go to the even side, as in Python. */
KERNEL int64_t chain_place_behind(int64_t place, double ratio)
{
    if (ratio == 1.0) {
        return place;
    }
    const double exact = ratio * (double)place;
    const double whole = floor_of_double(exact);
    const double rest = exact - whole;
    const int64_t near = (int64_t)whole;
    bool up = rest > 0.5;
    if (rest == 0.5) {
        up = floor_remainder_64(near, INT64_C(2)) != INT64_C(0);
    }
    return up ? near + INT64_C(1) : near;
}

/*
 * Write the dimensions of the arrays of :class:`ChainMemory`, one row each; unused ones are 1.
 *
 * Parameters
 * ----------
 * settings : ChainSettings
 *     Of the chain.
 * channels : int
 *     Channels of every block.
 * shapes : ndarray, shape (9, 3)
 *     Gets them.
 */
KERNEL void shape_chain(const ChainSettings *settings, ix channels, int64s_2 shapes)
{
    int64s_2 groups = settings->groups;
    const ix stages = settings->latencies.n0;
    ix steps = stages + 1;
    ix delays = 0;
    int64_t columns = INT64_C(0);
    for (ix group = 0; group < groups.n0; group++) {
        if (settings->shares.at[group] < 1.0) {
            steps += 3;
            delays += 1;
            const int64_t stop_1 = groups.at[group * groups.n1 + CHAIN_BEHIND];
            for (int64_t stage = groups.at[group * groups.n1 + CHAIN_FIRST]; stage < stop_1; stage++) {
                steps += 2;
                delays += 1;
                columns += settings->latencies.at[(ix)stage];
            }
        }
    }
    for (ix row = 0; row < shapes.n0; row++) {
        for (ix axis = 0; axis < shapes.n1; axis++) {
            shapes.at[row * shapes.n1 + axis] = INT64_C(1);
        }
    }
    shapes.at[0] = (int64_t)steps;
    shapes.at[1] = INT64_C(3);
    shapes.at[1 * shapes.n1] = (int64_t)stages;
    shapes.at[2 * shapes.n1] = INT64_C(3);
    shapes.at[3 * shapes.n1] = (int64_t)groups.n0;
    shapes.at[4 * shapes.n1] = (int64_t)delays;
    shapes.at[4 * shapes.n1 + 1] = INT64_C(3);
    shapes.at[5 * shapes.n1] = (int64_t)channels;
    shapes.at[5 * shapes.n1 + 1] = columns;
    shapes.at[6 * shapes.n1] = (int64_t)(groups.n0 + 1);
    shapes.at[6 * shapes.n1 + 1] = INT64_C(4);
    shapes.at[7 * shapes.n1] = (int64_t)(groups.n0 + 1);
    shapes.at[8 * shapes.n1] = (int64_t)groups.n0;
}

/*
 * Write where stages and groups start for a chain that starts at a place on the tape, and silence its delays.
 *
 * A chain within the chain counts from its own beginning, as if it stood alone there.
 */
KERNEL void seek_chain(const ChainSettings *settings, int64_t place, const ChainMemory *memory)
{
    int64s_2 groups = settings->groups;
    int64s_1 starts = memory->starts;
    int64s_2 opened = memory->open;
    doubles_1 ratios = memory->open_ratios;
    const ix stages = settings->latencies.n0;
    ix depth = 0;
    opened.at[CHAIN_START] = place;
    opened.at[CHAIN_LATE] = INT64_C(0);
    opened.at[CHAIN_OPEN_BEHIND] = (int64_t)stages;
    ratios.at[0] = 1.0;
    ix group = 0;
    for (ix stage = 0; stage < stages; stage++) {
        while (group < groups.n0 && groups.at[group * groups.n1 + CHAIN_FIRST] == (int64_t)stage) {
            const int64_t begin = chain_place_behind(opened.at[depth * opened.n1 + CHAIN_START],
                ratios.at[depth]) - opened.at[depth * opened.n1 + CHAIN_LATE];
            depth += 1;
            opened.at[depth * opened.n1 + CHAIN_START] = begin;
            opened.at[depth * opened.n1 + CHAIN_LATE] = INT64_C(0);
            opened.at[depth * opened.n1 + CHAIN_OPEN_BEHIND] = groups.at[group * groups.n1 + CHAIN_BEHIND];
            opened.at[depth * opened.n1 + CHAIN_OPEN_GROUP] = (int64_t)group;
            ratios.at[depth] = 1.0;
            group += 1;
        }
        starts.at[stage] = chain_place_behind(opened.at[depth * opened.n1 + CHAIN_START], ratios.at[depth]) -
            opened.at[depth * opened.n1 + CHAIN_LATE];
        int64_t late = chain_place_behind(opened.at[depth * opened.n1 + CHAIN_LATE],
            settings->ratios.at[stage]);
        opened.at[depth * opened.n1 + CHAIN_LATE] = late + settings->latencies.at[stage];
        ratios.at[depth] = ratios.at[depth] * settings->ratios.at[stage];
        while (depth > 0 && opened.at[depth * opened.n1 + CHAIN_OPEN_BEHIND] == (int64_t)(stage + 1)) {
            const int64_t ended = opened.at[depth * opened.n1 + CHAIN_OPEN_GROUP];
            memory->heard.at[(ix)ended] = chain_place_behind(opened.at[depth * opened.n1 + CHAIN_START],
                ratios.at[depth]) - opened.at[depth * opened.n1 + CHAIN_LATE];
            late = chain_place_behind(opened.at[(depth - 1) * opened.n1 + CHAIN_LATE], ratios.at[depth]);
            opened.at[(depth - 1) * opened.n1 + CHAIN_LATE] = late + opened.at[depth * opened.n1 +
                CHAIN_LATE];
            ratios.at[depth - 1] = ratios.at[depth - 1] * ratios.at[depth];
            depth -= 1;
        }
    }
    memory->totals.at[CHAIN_LATENCY] = (double)opened.at[CHAIN_LATE];
    memory->totals.at[CHAIN_LENGTH_RATIO] = ratios.at[0];
    reset_chain(memory);
}

/* Silence the delays of a chain. */
KERNEL void reset_chain(const ChainMemory *memory)
{
    kept_rows_clear_rows(memory->lines);
    for (ix delay = 0; delay < memory->rings.n0; delay++) {
        memory->rings.at[delay * memory->rings.n1 + CHAIN_PLACE] = INT64_C(0);
    }
}

/* Write a step, and return where the next one goes. */
KERNEL ix chain_add_step(const ChainMemory *memory, ix at, ix step, ix level, ix number)
{
    memory->steps.at[at * memory->steps.n1] = (int64_t)step;
    memory->steps.at[at * memory->steps.n1 + 1] = (int64_t)level;
    memory->steps.at[at * memory->steps.n1 + 2] = (int64_t)number;
    return at + 1;
}

/* Write the step of a delay, and return where the next step goes. */
KERNEL ix chain_add_delay(const ChainMemory *memory, ix at, ix level, ix delay, int64_t samples)
{
    int64_t column = INT64_C(0);
    if (delay > 0) {
        column = memory->rings.at[(delay - 1) * memory->rings.n1 + CHAIN_COLUMN] + memory->rings.at[(delay -
            1) * memory->rings.n1 + CHAIN_LENGTH];
    }
    memory->rings.at[delay * memory->rings.n1 + CHAIN_COLUMN] = column;
    memory->rings.at[delay * memory->rings.n1 + CHAIN_LENGTH] = samples;
    memory->rings.at[delay * memory->rings.n1 + CHAIN_PLACE] = INT64_C(0);
    return chain_add_step(memory, at, CHAIN_DELAY, level, delay);
}

/*
 * Write the steps of a chain.
 *
 * Beside a processor its input is as late; beside a tape at the wrong speed it is the same tape without its
 * movements. Delays in a row are one.
 *
 * Parameters
 * ----------
 * settings : ChainSettings
 *     Of the chain.
 * start_sample : int64
 *     Place on the tape of the first sample that enters.
 * memory : ChainMemory
 *     Of the shapes that :func:`shape_chain` gives; gets the plan, and is silent.
 */
KERNEL void plan_chain(const ChainSettings *settings, int64_t start_sample, const ChainMemory *memory)
{
    int64s_2 groups = settings->groups;
    int64s_2 opened = memory->open;
    const ix stages = settings->latencies.n0;
    ix at = 0;
    ix delay = 0;
    ix depth = 0;
    ix level = 0;
    ix levels = 0;
    ix group = 0;
    for (ix number = 0; number < groups.n0; number++) {
        memory->shares.at[number] = (real)settings->shares.at[number];
    }
    for (ix stage = 0; stage < stages; stage++) {
        while (group < groups.n0 && groups.at[group * groups.n1 + CHAIN_FIRST] == (int64_t)stage) {
            opened.at[depth * opened.n1 + CHAIN_OPEN_GROUP] = (int64_t)group;
            depth += 1;
            if (settings->shares.at[group] < 1.0) {
                at = chain_add_step(memory, at, CHAIN_KEEP, level, group);
                level += 1;
                levels = larger_integer(levels, level);
            }
            group += 1;
        }
        at = chain_add_step(memory, at, CHAIN_PROCESS, 0, stage);
        while (depth > 0 && groups.at[(ix)opened.at[(depth - 1) * opened.n1 + CHAIN_OPEN_GROUP] * groups.n1 +
            CHAIN_BEHIND] == (int64_t)(stage + 1)) {
            depth -= 1;
            const int64_t ended = opened.at[depth * opened.n1 + CHAIN_OPEN_GROUP];
            if (settings->shares.at[(ix)ended] < 1.0) {
                level -= 1;
                int64_t waiting = INT64_C(0);
                const int64_t stop_1 = groups.at[(ix)ended * groups.n1 + CHAIN_BEHIND];
                for (int64_t inner = groups.at[(ix)ended * groups.n1 + CHAIN_FIRST]; inner < stop_1; inner++)
                    {
                    waiting += settings->latencies.at[(ix)inner];
                    if (settings->ratios.at[(ix)inner] != 1.0) {
                        waiting -= settings->latencies.at[(ix)inner];
                        if (waiting > INT64_C(0)) {
                            at = chain_add_delay(memory, at, level, delay, waiting);
                            delay += 1;
                        }
                        at = chain_add_step(memory, at, CHAIN_STILL, level, (ix)inner);
                        waiting = settings->latencies.at[(ix)inner] - settings->still_latencies.at[(ix)inner];
                    }
                }
                if (waiting > INT64_C(0)) {
                    at = chain_add_delay(memory, at, level, delay, waiting);
                    delay += 1;
                }
                at = chain_add_step(memory, at, CHAIN_MIX, level, (ix)ended);
            }
        }
    }
    chain_add_step(memory, at, CHAIN_END, 0, 0);
    memory->totals.at[CHAIN_LEVELS] = (double)levels;
    seek_chain(settings, start_sample, memory);
}

/* Copy a block, shape (channels, samples). */
KERNEL void chain_keep_block(reals_2 block, reals_2 dry)
{
    for (ix channel = 0; channel < block.n0; channel++) {
        for (ix sample = 0; sample < block.n1; sample++) {
            dry.at[channel * dry.n1 + sample] = block.at[channel * block.n1 + sample];
        }
    }
}

/*
 * Delay a block by whole samples, in place or not.
 *
 * Parameters
 * ----------
 * line : ndarray, shape (channels, columns)
 *     Samples that wait.
 * first, length : int
 *     Columns of this delay in it; its length is the delay.
 * place : int
 *     Column among them where the next sample goes.
 * block, out : ndarray, shape (channels, samples)
 *     Input and output; they may be the same.
 *
 * Returns
 * -------
 * int
 *     The next place.
 */
KERNEL ix chain_delay_block(reals_2 line, ix first, ix length, ix place, reals_2 block, reals_2 out)
{
    const ix samples = block.n1;
    ix after = place;
    for (ix channel = 0; channel < block.n0; channel++) {
        ix at = place;
        for (ix sample = 0; sample < samples; sample++) {
            real value = block.at[channel * block.n1 + sample];
            if (length > 0) {
                const real waited = line.at[channel * line.n1 + first + at];
                line.at[channel * line.n1 + first + at] = value;
                value = waited;
                at += 1;
                if (at == length) {
                    at = 0;
                }
            }
            out.at[channel * out.n1 + sample] = value;
        }
        after = at;
    }
    return after;
}

/* The step DELAY on a block, shape (channels, samples), in place. */
KERNEL void chain_delay_step(const ChainMemory *memory, ix number, reals_2 block)
{
    int64s_2 rings = memory->rings;
    const ix first = (ix)rings.at[number * rings.n1 + CHAIN_COLUMN];
    const ix length = (ix)rings.at[number * rings.n1 + CHAIN_LENGTH];
    const ix place = (ix)rings.at[number * rings.n1 + CHAIN_PLACE];
    rings.at[number * rings.n1 + CHAIN_PLACE] = (int64_t)chain_delay_block(memory->lines, first, length,
        place, block, block);
}

/*
 * Mix a processed signal with its input, into the former.
 *
 * Parameters
 * ----------
 * share : float
 *     Of the processed signal, 0 to 1.
 * dry, wet : ndarray, shape (channels, samples)
 *     Input, as late as the processed signal, and the processed signal, which gets the mix.
 */
KERNEL void chain_mix_blocks(real share, reals_2 dry, reals_2 wet)
{
    const real rest = REAL(1.0) - share;
    for (ix channel = 0; channel < wet.n0; channel++) {
        for (ix sample = 0; sample < wet.n1; sample++) {
            wet.at[channel * wet.n1 + sample] = rest * dry.at[channel * dry.n1 + sample] + share *
                wet.at[channel * wet.n1 + sample];
        }
    }
}
