/* A case of proof.c, played by live.h: a setting moves before the second block if the case says so, and half way the
 * chain gives way to another of the same settings, which begins at the place on the tape that is reached. Fails with 3
 * if the second chain is not taken, with 4 if a first one that does not ring has not gone at the end. Stands in for
 * proof.c in the frames of the host and of the emulated board.
 *
 * SPDX-License-Identifier: ISC
 */
#define tapeemu_prove tapeemu_prove_alone
#include "proof.c"
#undef tapeemu_prove

#include "live.c"

enum { LIVE_LATENCY = 1024 };

EXPORTED int tapeemu_prove(const tapeemu_number *given, void *fast, size_t fast_bytes, void *slow, size_t slow_bytes,
    tapeemu_real *in, tapeemu_real *out, ptrdiff_t room, int64_t *told);

int tapeemu_prove(const tapeemu_number *given, void *fast, size_t fast_bytes, void *slow, size_t slow_bytes,
    tapeemu_real *in, tapeemu_real *out, ptrdiff_t room, int64_t *told)
{
    tapeemu_stage stages[TAPEEMU_MOST_STAGES];
    tapeemu_group groups[TAPEEMU_MOST_GROUPS];
    const tapeemu_number *cuts;
    tapeemu_setup setup = setup_of(given, stages, groups, &cuts);
    setup.slow_from = 0; /* all in one memory */
    const ptrdiff_t samples = (ptrdiff_t)given[CASE_SAMPLES].whole;
    const size_t need = tapeemu_size(&setup).fast, half = fast_bytes / 32 * 16;
    const size_t size = tapeemu_live_size(setup.sample_rate, setup.channels, setup.block, LIVE_LATENCY);
    if (need == 0 || size == 0)
        return 1;
    if (need > half || size > slow_bytes)
        return 2;
    tapeemu_live *live = tapeemu_live_create(setup.sample_rate, setup.channels, setup.block, LIVE_LATENCY, slow);
    tapeemu *chain = tapeemu_create(&setup, fast, NULL);
    tapeemu_live_take(live, chain);
    told[TOLD_LATENCY] = tapeemu_live_latency(live);
    told[TOLD_TAIL] = tapeemu_live_tail(live, given[CASE_LEVEL_DB].real);
    told[TOLD_FAST] = (int64_t)need;
    told[TOLD_SLOW] = (int64_t)size;
    const tapeemu_real *sources[TAPEEMU_MOST_CHANNELS];
    tapeemu_real *targets[TAPEEMU_MOST_CHANNELS];
    const ptrdiff_t cut = (ptrdiff_t)cuts[0].whole;
    for (ptrdiff_t start = 0; start < samples; start += cut) {
        const ptrdiff_t count = cut < samples - start ? cut : samples - start;
        if (start <= samples / 2 && samples / 2 < start + cut) {
            setup.place += start;
            if (!tapeemu_live_take(live, tapeemu_create(&setup, (char *)fast + half, NULL)))
                return 3;
        }
        if (start == cut && given[CASE_SET_STAGE].whole >= 0)
            tapeemu_set(tapeemu_live_chain(live), (int32_t)given[CASE_SET_STAGE].whole,
                (int32_t)given[CASE_SET_SETTING].whole, given[CASE_SET_VALUE].real);
        for (ptrdiff_t channel = 0; channel < setup.channels; channel++) {
            sources[channel] = in + channel * samples + start;
            targets[channel] = out + channel * room + start;
        }
        tapeemu_live_process(live, sources, targets, count);
    }
    told[TOLD_MADE] = samples;
    return tapeemu_rings(chain) || tapeemu_live_gone(live) == chain ? 0 : 4;
}
