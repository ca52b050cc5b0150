/* One input of the fuzzer against the C library: bytes choose a chain, how it is made, and what is done with it.
 *
 * Whatever they are: no access out of bounds, nothing undefined, no sample that is no number, setups that make no
 * sense refused. setups.inc, written by native.py, holds chains of which every setting is in its range.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "tapeemu.h"

#include "setups.inc"

#define CALLS 24
#define LONGEST 700

static const uint8_t *bytes;
static size_t left;

static unsigned take(unsigned below)
{
    if (left == 0 || below == 0)
        return 0;
    unsigned value = *bytes++;
    left--;
    if (below > 256 && left > 0) {
        value = value << 8 | *bytes++;
        left--;
    }
    return value % below;
}

static void check(bool holds, const char *what)
{
    if (!holds) {
        fprintf(stderr, "broken: %s\n", what);
        abort();
    }
}

static void use(tapeemu *chain, int32_t channels)
{
    tapeemu_real audio[4][LONGEST], made[4][2 * LONGEST + 64];
    const tapeemu_real *in[4];
    tapeemu_real *out[4];
    for (int call = 0; call < CALLS; call++) {
        switch (take(11)) {
        case 0:
            tapeemu_seek(chain, ((int64_t)take(65536) << take(24)) - 1000);
            break;
        case 1:
            tapeemu_reset(chain);
            break;
        case 2:
            tapeemu_set_share(chain, (int32_t)take(4) - 1, (double)take(12) / 10.0);
            break;
        case 3:
            tapeemu_set(chain, (int32_t)take(6) - 1, (int32_t)take(20), (double)take(1000) / 10.0);
            break;
        case 4:
            tapeemu_follow_share(chain, (int32_t)take(4) - 1, (double)take(12) / 10.0);
            break;
        case 5:
            tapeemu_follow(chain, (int32_t)take(6) - 1, (int32_t)take(20), (double)take(1000) / 10.0);
            break;
        case 6:
            tapeemu_follow_on(chain);
            break;
        case 7:
            check(tapeemu_latency(chain) >= 0 && tapeemu_tail(chain, -60.0) >= 0, "latency or tail below zero");
            break;
        default: {
            const ptrdiff_t count = (ptrdiff_t)take(LONGEST);
            const unsigned kind = take(5), level = take(40);
            for (int32_t channel = 0; channel < channels; channel++) {
                for (ptrdiff_t k = 0; k < count; k++) {
                    const double value = kind == 0   ? 0.0
                                         : kind == 1 ? (k == 0 ? 1.0 : 0.0)
                                         : kind == 2 ? (k % 2 ? 1.0 : -1.0)
                                         : kind == 3 ? 1e-40 * (double)k
                                                     : ((double)take(256) - 128.0) / 128.0;
                    audio[channel][k] = (tapeemu_real)(value * (double)(1u << level % 20) / 1024.0);
                }
                in[channel] = audio[channel];
                out[channel] = made[channel];
            }
            check(tapeemu_most(chain, count) <= 2 * LONGEST + 64, "more samples than there is room for");
            const ptrdiff_t now = tapeemu_process(chain, in, out, count);
            check(now >= 0 && now <= tapeemu_most(chain, count), "more samples than were promised");
            for (int32_t channel = 0; channel < channels; channel++)
                for (ptrdiff_t k = 0; k < now; k++)
                    check(made[channel][k] - made[channel][k] == 0, "a sample is no number");
        }
        }
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    bytes = data;
    left = size;
    tapeemu_setup setup = setups[take(SETUPS)];
    static const double rates[] = {22050.0, 44100.0, 48000.0, 96000.0, 192000.0, 0.0, -1.0, 1e9};
    setup.sample_rate = rates[take(100) < 90 ? take(5) : take(8)];
    setup.channels = (int32_t)take(100) < 90 ? (int32_t)take(4) + 1 : (int32_t)take(300) - 100;
    setup.block = (int32_t)take(100) < 90 ? (int32_t)take(512) + 1 : (int32_t)take(65536) - 1000;
    setup.place = (int64_t)take(65536) << take(24);
    setup.track = (int64_t)take(4);
    setup.slow_from = take(65536);
    if (take(50) == 1) { /* fewer stages, fewer than none, or more than there may be */
        const int32_t wanted = (int32_t)take(60) - 20;
        if (wanted < setup.stage_count || wanted > TAPEEMU_MOST_STAGES)
            setup.stage_count = wanted;
    }
    tapeemu_stage stages[TAPEEMU_MOST_STAGES];
    if (setup.stage_count > 0 && setup.stage_count <= TAPEEMU_MOST_STAGES && take(50) == 1) {
        memcpy(stages, setup.stages, (size_t)setup.stage_count * sizeof *stages);
        stages[0].count = (int32_t)take((unsigned)stages[0].count + 1);
        if (take(2))
            stages[0].kind = take(2) ? -1 - (int32_t)take(5) : TAPEEMU_KINDS + (int32_t)take(5);
        setup.stages = stages;
    }
    const tapeemu_bytes need = tapeemu_size(&setup);
    if (need.fast == 0) {
        check(tapeemu_create(&setup, &setup, &setup) == NULL, "a setup that is not valid was made");
        return 0;
    }
    check(setup.channels >= 1 && setup.channels <= TAPEEMU_MOST_CHANNELS, "channels out of range");
    if (setup.channels > 4 || need.fast + need.slow > (size_t)1 << 28)
        return 0;
    void *fast = malloc(need.fast), *slow = malloc(need.slow);
    tapeemu *chain = tapeemu_create(&setup, fast, slow);
    check(chain != NULL, "a valid setup was refused");
    use(chain, setup.channels);
    free(fast);
    free(slow);
    return 0;
}

#ifdef RANDOM_DRIVER
/* Where there is no fuzzer: random bytes from a seed, for a number of rounds. */
int main(int count, char **values)
{
    uint64_t state = count > 1 ? strtoull(values[1], NULL, 10) : 1;
    const long rounds = count > 2 ? strtol(values[2], NULL, 10) : 100;
    static uint8_t data[4096];
    for (long round = 0; round < rounds; round++) {
        for (size_t k = 0; k < sizeof data; k++) {
            state = state * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
            data[k] = (uint8_t)(state >> 56);
        }
        LLVMFuzzerTestOneInput(data, sizeof data);
    }
    return 0;
}
#endif
