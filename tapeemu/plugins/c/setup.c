/* From a preset to a chain of the library. SPDX-License-Identifier: ISC */

/* A chain and its twin, with the memory they live in. When the song's position jumps, the twin goes there and takes
 * over, while the other rings. */
typedef struct Made {
    tapeemu *chains[2];
    bool sounding[2]; /* with the live engine */
    int64_t latency, tail; /* tail below 0: it has no end */
    int64_t run_in; /* samples of silence to be fed before the first */
    int channels;
    struct Made *next; /* in the list of those that are to be freed */
} Made;

#define HELD_BACK 8         /* samples, as in the chain in Python */
#define TAIL_DB (-140.0)    /* hosts call silence what is below 1e-7 */
#define RUN_IN_DB (-120.0)

typedef struct {
    tapeemu_setup setup;
    tapeemu_stage stages[TAPEEMU_MOST_STAGES];
    tapeemu_group groups[TAPEEMU_MOST_GROUPS];
    Numbers numbers[TAPEEMU_MOST_STAGES];
    int top[TAPEEMU_MOST_STAGES]; /* number of the outermost stage that each belongs to */
    bool adds_sound[TAPEEMU_MOST_STAGES];
} Setup;

/* The stages that are not bypassed, in a row, and who is mixed with whom; false if something does not fit. */
static bool flatten(const Preset *preset, int first, int behind, int top, Setup *to)
{
    for (int k = first; k < behind; k = preset->stages[k].behind) {
        const StageText *stage = preset->stages + k;
        const int32_t here = to->setup.stage_count;
        const int outermost = top < 0 ? k : top;
        if (stage->bypass)
            continue;
        if (stage->kind == CHAIN_KIND) {
            const int32_t group = to->setup.group_count;
            if (group == TAPEEMU_MOST_GROUPS)
                return false;
            to->setup.group_count++;
            if (!flatten(preset, k + 1, stage->behind, outermost, to))
                return false;
            if (to->setup.stage_count == here) /* without a stage in it a chain is its own input */
                to->setup.group_count = group;
            else
                to->groups[group] = (tapeemu_group){here, to->setup.stage_count, stage->mix_percent / 100.0};
            continue;
        }
        if (here == TAPEEMU_MOST_STAGES || !numbers_of(stage, to->numbers + here))
            return false;
        to->stages[here] = (tapeemu_stage){
            KINDS[stage->kind].native, to->numbers[here].count, to->numbers[here].numbers, NULL, 0};
        to->top[here] = outermost;
        to->adds_sound[here] = stage_adds_sound(
            to->stages[here].kind, to->numbers[here].numbers, to->numbers[here].count);
        to->setup.stage_count++;
        if (stage->mix_percent / 100.0 < 1.0) {
            if (to->setup.group_count == TAPEEMU_MOST_GROUPS)
                return false;
            to->groups[to->setup.group_count++] = (tapeemu_group){here, here + 1, stage->mix_percent / 100.0};
        }
    }
    return true;
}

/* What sounds behind a source has heard it before the beginning, as in the chain in Python. */
static int64_t run_in_of(const Setup *setup, double rate, int channels)
{
    int64_t samples = 0;
    int source = -1;
    for (int32_t k = 0; k < setup->setup.stage_count; k++) {
        const tapeemu_stage *stage = setup->stages + k;
        if (source >= 0 && setup->top[k] != source)
            samples += stage_tail(stage->kind, stage->settings, stage->count, rate, channels, RUN_IN_DB) +
                stage_latency(stage->kind, stage->settings, stage->count, rate, channels);
        if (source < 0 && setup->adds_sound[k])
            source = setup->top[k];
    }
    return samples > 0 ? samples + HELD_BACK : 0;
}

static bool setup_of(const Preset *preset, double rate, int channels, int block, int64_t track, Setup *to)
{
    memset(&to->setup, 0, sizeof to->setup);
    if (!flatten(preset, 0, preset->stage_count, -1, to))
        return false;
    to->setup.sample_rate = rate;
    to->setup.track = track;
    to->setup.channels = channels;
    to->setup.block = block;
    to->setup.stages = to->stages;
    to->setup.groups = to->groups;
    return true;
}

/* Put a chain at a place on the tape, as if it had always run. */
static void place_chain(const Made *made, tapeemu *chain, int64_t place)
{
    enum { PIECE = 64 };
    tapeemu_real silence[PIECE] = {0}, lost[PIECE];
    const tapeemu_real *in[TAPEEMU_MOST_CHANNELS];
    tapeemu_real *out[TAPEEMU_MOST_CHANNELS];
    tapeemu_seek(chain, place - made->run_in);
    for (int channel = 0; channel < made->channels; channel++) {
        in[channel] = silence;
        out[channel] = lost;
    }
    for (int64_t left = made->run_in; left > 0; left -= PIECE)
        tapeemu_process(chain, in, out, (ptrdiff_t)(left < PIECE ? left : PIECE));
}

/* Make a chain; NULL if the settings do not fit, or there is no memory. Not for the audio thread. */
static Made *make(const Preset *preset, double rate, int channels, int block, int64_t track, int64_t place)
{
    Setup *setup = malloc(sizeof *setup);
    Made *made = NULL;
    if (setup != NULL && setup_of(preset, rate, channels, block, track, setup)) {
        setup->setup.place = place;
        const tapeemu_bytes bytes = tapeemu_size(&setup->setup);
        const size_t each = (bytes.fast + 63) & ~(size_t)63;
        made = bytes.fast == 0 ? NULL : calloc(1, sizeof *made + 2 * each + 64);
        if (made != NULL) {
            char *behind = (char *)(((uintptr_t)(made + 1) + 63) & ~(uintptr_t)63);
            made->channels = channels;
            for (int k = 0; k < 2; k++)
                made->chains[k] = tapeemu_create(&setup->setup, behind + (size_t)k * each, NULL);
            made->latency = tapeemu_latency(made->chains[0]);
            made->tail = tapeemu_tail(made->chains[0], TAIL_DB) + made->latency;
            for (int32_t k = 0; k < setup->setup.stage_count; k++)
                if (setup->adds_sound[k])
                    made->tail = -1;
            made->run_in = run_in_of(setup, rate, channels);
        }
    }
    free(setup);
    return made;
}
