/* One case of a comparison between targets: a setup, a way to cut the input, the input; what comes out, and what is told.
 *
 * A case is numbers: the fixed ones of the enumeration below; for every stage its kind, the number of its settings,
 * that of a still tape's or 0, the settings, those of the still tape; for every group first, behind, share; then the
 * sizes of the blocks, which are taken in turn. The audio stands beside it, one channel after the other.
 *
 * SPDX-License-Identifier: ISC
 */
#include "tapeemu.h"

enum {
    CASE_RATE, CASE_CHANNELS, CASE_BLOCK, CASE_PLACE, CASE_TRACK, CASE_SLOW_FROM, CASE_STAGES, CASE_GROUPS,
    CASE_SAMPLES,  /* of every channel */
    CASE_CUTS,     /* sizes of blocks; none: only the memory is told */
    CASE_SOUGHT,   /* 1: created elsewhere, run, and brought to the place by seek */
    CASE_IN_PLACE, /* 1: output over input; only where the length stays */
    CASE_LEVEL_DB, /* for the tail */
    CASE_SET_STAGE, CASE_SET_SETTING, CASE_SET_VALUE, /* set before the second block; no stage: -1 */
    CASE_CONTROL,  /* samples of a control period; above 0 envelopes of the input stand behind the output */
    CASE_NUMBERS
};

enum { TOLD_LATENCY, TOLD_TAIL, TOLD_MADE, TOLD_FAST, TOLD_SLOW, TOLD_TICKS, TOLD_MOST, TOLD_DESIGN_TICKS, TOLD_VALUES, TOLD };

#ifndef TAPEEMU_TICKS
#define TAPEEMU_TICKS() 0
#endif

#ifdef __wasm__
#define EXPORTED __attribute__((visibility("default")))
#else
#define EXPORTED
#endif

EXPORTED int tapeemu_prove(const tapeemu_number *given, void *fast, size_t fast_bytes, void *slow, size_t slow_bytes,
    tapeemu_real *in, tapeemu_real *out, ptrdiff_t room, int64_t *told);
EXPORTED ptrdiff_t tapeemu_real_bytes(void);

ptrdiff_t tapeemu_real_bytes(void)
{
    return (ptrdiff_t)sizeof(tapeemu_real);
}

static int64_t since(int64_t before)
{
    return TAPEEMU_TICKS() - before;
}

/* The setup of a case, whose stages and groups go where there is room for them; `rest` becomes where its cuts stand. */
static tapeemu_setup setup_of(const tapeemu_number *given, tapeemu_stage *stages, tapeemu_group *groups,
    const tapeemu_number **rest)
{
    tapeemu_setup setup = {
        .sample_rate = given[CASE_RATE].real,
        .place = given[CASE_PLACE].whole,
        .track = given[CASE_TRACK].whole,
        .channels = (int32_t)given[CASE_CHANNELS].whole,
        .block = (int32_t)given[CASE_BLOCK].whole,
        .stage_count = (int32_t)given[CASE_STAGES].whole,
        .group_count = (int32_t)given[CASE_GROUPS].whole,
        .stages = stages,
        .groups = groups,
        .slow_from = (size_t)given[CASE_SLOW_FROM].whole,
        .control = (int32_t)given[CASE_CONTROL].whole,
    };
    const tapeemu_number *at = given + CASE_NUMBERS;
    for (int32_t i = 0; i < setup.stage_count; i++) {
        const int32_t count = (int32_t)at[1].whole;
        const int32_t still = (int32_t)at[2].whole;
        stages[i] = (tapeemu_stage){
            (int32_t)at[0].whole, count, at + 3, still > 0 ? at + 3 + count : NULL, still};
        at += 3 + count + still;
    }
    for (int32_t i = 0; i < setup.group_count; i++, at += 3)
        groups[i] = (tapeemu_group){(int32_t)at[0].whole, (int32_t)at[1].whole, at[2].real};
    *rest = at;
    return setup;
}

/* Run a case. The rows of out are `room` samples long, and there are twice as many with envelopes. Returns 0; 1 if the setup is not valid, 2 if memory is short. */
int tapeemu_prove(const tapeemu_number *given, void *fast, size_t fast_bytes, void *slow, size_t slow_bytes,
    tapeemu_real *in, tapeemu_real *out, ptrdiff_t room, int64_t *told)
{
    tapeemu_stage stages[TAPEEMU_MOST_STAGES];
    tapeemu_group groups[TAPEEMU_MOST_GROUPS];
    const tapeemu_number *cuts;
    tapeemu_setup setup = setup_of(given, stages, groups, &cuts);

    const bool sought = given[CASE_SOUGHT].whole != 0;
    if (sought)
        setup.place = 12345;
    const tapeemu_bytes need = tapeemu_size(&setup);
    told[TOLD_FAST] = (int64_t)need.fast;
    told[TOLD_SLOW] = (int64_t)need.slow;
    if (need.fast == 0)
        return 1;
    if (given[CASE_CUTS].whole == 0)
        return 0;
    if (need.fast > fast_bytes || need.slow > slow_bytes)
        return 2;
    int64_t before = TAPEEMU_TICKS();
    tapeemu *chain = tapeemu_create(&setup, fast, slow);
    told[TOLD_DESIGN_TICKS] = since(before);
    const ptrdiff_t samples = (ptrdiff_t)given[CASE_SAMPLES].whole;
    const ptrdiff_t channels = setup.channels;
    const tapeemu_real *sources[TAPEEMU_MOST_CHANNELS];
    tapeemu_real *targets[TAPEEMU_MOST_CHANNELS], *envelopes[TAPEEMU_MOST_CHANNELS];
    if (sought) {
        for (ptrdiff_t channel = 0; channel < channels; channel++) {
            sources[channel] = in + channel * samples;
            targets[channel] = out + channel * room;
        }
        tapeemu_process(chain, sources, targets, samples < 777 ? samples : 777);
        tapeemu_seek(chain, given[CASE_PLACE].whole);
    }
    told[TOLD_LATENCY] = tapeemu_latency(chain);
    told[TOLD_TAIL] = tapeemu_tail(chain, given[CASE_LEVEL_DB].real);
    told[TOLD_MOST] = 0;
    told[TOLD_TICKS] = 0;
    const bool in_place = given[CASE_IN_PLACE].whole != 0;
    ptrdiff_t made = 0, turn = 0, values = 0;
    for (ptrdiff_t start = 0; start < samples;) {
        ptrdiff_t count = (ptrdiff_t)cuts[turn++ % (ptrdiff_t)given[CASE_CUTS].whole].whole;
        if (count > samples - start)
            count = samples - start;
        for (ptrdiff_t channel = 0; channel < channels; channel++) {
            sources[channel] = in + channel * samples + start;
            targets[channel] = in_place ? in + channel * samples + start : out + channel * room + made;
            envelopes[channel] = out + (channels + channel) * room + values;
        }
        if (turn == 2 && given[CASE_SET_STAGE].whole >= 0)
            tapeemu_set(chain, (int32_t)given[CASE_SET_STAGE].whole, (int32_t)given[CASE_SET_SETTING].whole,
                given[CASE_SET_VALUE].real);
        before = TAPEEMU_TICKS();
        ptrdiff_t told_now = 0;
        const ptrdiff_t now = setup.control > 0
            ? tapeemu_process_with_envelopes(chain, sources, targets, count, envelopes, &told_now)
            : tapeemu_process(chain, sources, targets, count);
        const int64_t ticks = since(before);
        told[TOLD_TICKS] += ticks;
        if (ticks > told[TOLD_MOST])
            told[TOLD_MOST] = ticks;
        if (in_place)
            for (ptrdiff_t channel = 0; channel < channels; channel++)
                for (ptrdiff_t k = 0; k < now; k++)
                    out[channel * room + made + k] = targets[channel][k];
        start += count;
        made += now;
        values += told_now;
    }
    told[TOLD_MADE] = made;
    told[TOLD_VALUES] = values;
    return 0;
}
