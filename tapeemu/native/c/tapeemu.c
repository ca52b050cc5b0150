/* The whole library in one file: compile this. See tapeemu.h.
 *
 * SPDX-License-Identifier: ISC
 */
#define KERNEL static __attribute__((unused))

#include "tapeemu.h"

#include "subset.h"

#include "kernels.inc"

/* --- memory of the caller ------------------------------------------------------------------------------ */

#define ALIGNMENT ((size_t)16)

/* Between pieces a gap that no access may touch, in builds that look for such (-fsanitize=address). */
#if defined(__SANITIZE_ADDRESS__)
#define GAP ((size_t)64)
void __asan_poison_memory_region(void const volatile *address, size_t bytes);
#elif defined(__has_feature)
#if __has_feature(address_sanitizer)
#define GAP ((size_t)64)
void __asan_poison_memory_region(void const volatile *address, size_t bytes);
#endif
#endif

/* Memory that is handed out in pieces; without a beginning it is only counted. */
typedef struct {
    char *fast, *slow;
    size_t fast_used, slow_used, slow_from;
} Carver;

static void *piece(Carver *carver, size_t bytes)
{
    const bool slow = carver->slow_from > 0 && bytes >= carver->slow_from;
    size_t *used = slow ? &carver->slow_used : &carver->fast_used;
    char *start = slow ? carver->slow : carver->fast;
    void *given = start == NULL ? NULL : start + *used;
    const size_t whole = (bytes + ALIGNMENT - 1) / ALIGNMENT * ALIGNMENT;
#ifdef GAP
    if (start != NULL)
        __asan_poison_memory_region(start + *used + bytes, whole - bytes + GAP);
    *used += GAP;
#endif
    *used += whole;
    return given;
}

static void copy(void *to, const void *from, size_t bytes)
{
    char *at = to;
    const char *given = from;
    for (size_t i = 0; i < bytes; i++)
        at[i] = given[i];
}

/* Give an array its memory and its sizes. All arrays begin alike, with an address and then as many sizes as they have
 * dimensions: one function for all of them is a tenth of the code of a plug-in less. */
static void carve(Carver *carver, const int64_t *sizes, int rank, size_t element, void *array)
{
    struct {
        void *at;
        ix sizes[3];
    } made;
    size_t bytes = element;
    for (int axis = 0; axis < rank; axis++) {
        bytes *= (size_t)sizes[axis];
        made.sizes[axis] = (ix)sizes[axis];
    }
    made.at = piece(carver, bytes);
    copy(array, &made, sizeof(void *) + (size_t)rank * sizeof(ix));
}

static __attribute__((unused)) void fill_with_ones(int64_t *sizes, ix count)
{
    for (ix i = 0; i < count; i++)
        sizes[i] = 1;
}

static void clear(void *memory, size_t bytes)
{
    char *at = memory;
    for (size_t i = 0; i < bytes; i++)
        at[i] = 0;
}

/* --- settings ------------------------------------------------------------------------------------------ */

/* A table among the settings: its dimensions, then its values; NULL if it does not fit. */
static __attribute__((unused)) const tapeemu_number *table_at(
    const tapeemu_number *given, ix count, int rank, ix *at, ix *sizes)
{
    int64_t items = 1;
    if (count - *at < rank)
        return NULL;
    for (int axis = 0; axis < rank; axis++) {
        const int64_t size = given[*at + axis].whole;
        if (size < 0 || size > count)
            return NULL;
        sizes[axis] = (ix)size;
        items *= size;
        if (items > count)
            return NULL;
    }
    *at += rank;
    if (count - *at < items)
        return NULL;
    const tapeemu_number *values = given + *at;
    *at += (ix)items;
    return values;
}

/* A table as an array. Kernels do not write to settings. */
static __attribute__((unused)) double *read_reals(const tapeemu_number *values)
{
    return (double *)(uintptr_t)&values->real;
}

static __attribute__((unused)) int64_t *read_wholes(const tapeemu_number *values)
{
    return (int64_t *)(uintptr_t)&values->whole;
}

#include "dispatch.inc"

/* --- the chain ----------------------------------------------------------------------------------------- */

enum { ENVELOPE_COUNTS = 2 }; /* of Envelopes */

#define SHARE_SECONDS 0.03 /* in which the share of a mix goes to another */

typedef struct {
    int32_t kind;
    ix count, still_count, still_tapes;
    int64_t place;             /* on the tape, of the next sample */
    ix at;                     /* samples into the cell of the tape, see glides.c */
    ix summed;                 /* samples of the cell that `sums` hold */
    bool waits;                /* a setting was moved in this cell */
    bool follows;              /* a curve: what moves is told cell by cell */
    size_t bytes;              /* of its memory */
    tapeemu_number *settings;
    tapeemu_number *mean;      /* the settings over the cell */
    double *sums;              /* of every setting, over the samples of the cell that are past */
    const tapeemu_number *still_settings; /* NULL if there is no still tape */
    StageMemory memory;
    StageMemory *stills; /* one for each level of mixes around the stage: each dry path has its own */
} Stage;

/* The share of a mix, on its way or at rest. */
typedef struct {
    double from, to, wanted;
    ix at, length;
    int64_t place; /* on the tape, of the next sample of the group's sound */
    bool follows;  /* a curve, which is told cell by cell of the tape */
    bool waits;    /* `wanted` is taken up when the next cell begins */
    double values[GLIDES_COLUMNS];
    int64_t counts[GLIDES_COUNTS];
} Share;

struct tapeemu {
    double sample_rate;
    int64_t place, track;
    ix channels, block, stage_count, group_count, levels;
    ix longest; /* most samples at any point of the chain for a full block */
    ix cell;    /* samples of a cell of the tape */
    ix bounds[TAPEEMU_PARTS + 1]; /* steps at which the parts begin, and where the last one ends */
    Stage *stages;
    Share *shares;
    real *scratch; /* blocks: current, what a stage makes, and one for each level */
    Envelopes envelopes; /* of the input; of a period of no samples if they are not asked for */
    ChainSettings settings;
    ChainMemory memory;
};

static bool valid(const tapeemu_setup *setup)
{
    if (setup == NULL || !(setup->sample_rate >= 1000.0 && setup->sample_rate <= 1000000.0))
        return false;
    if (setup->channels < 1 || setup->channels > TAPEEMU_MOST_CHANNELS)
        return false;
    if (setup->block < 1 || setup->block > TAPEEMU_LONGEST_BLOCK)
        return false;
    if (setup->control < 0 || setup->control > TAPEEMU_LONGEST_CONTROL)
        return false;
    if (setup->stage_count < 0 || setup->stage_count > TAPEEMU_MOST_STAGES)
        return false;
    if (setup->group_count < 0 || setup->group_count > TAPEEMU_MOST_GROUPS)
        return false;
    for (int32_t i = 0; i < setup->stage_count; i++) {
        const tapeemu_stage *stage = setup->stages + i;
        if (stage->settings == NULL || !stage_valid(stage->kind, stage->settings, stage->count))
            return false;
        if (stage->still != NULL && !stage_valid(stage->kind, stage->still, stage->still_count))
            return false;
    }
    int32_t first = 0;
    for (int32_t i = 0; i < setup->group_count; i++) {
        const tapeemu_group *group = setup->groups + i;
        if (group->first < first || group->behind <= group->first || group->behind > setup->stage_count)
            return false;
        if (!(group->share >= 0.0 && group->share <= 1.0))
            return false;
        for (int32_t k = 0; k < i; k++) /* beside or inside those before it */
            if (group->first < setup->groups[k].behind && group->behind > setup->groups[k].behind)
                return false;
        first = group->first;
    }
    return true;
}

static ix longer(ix samples, double ratio)
{
    return ratio == 1.0 ? samples : (ix)ceiling_of_double((double)samples * ratio) + 1;
}

/* How many mixes a stage stands in, one inside the other. */
static ix mixes_around(const tapeemu_setup *setup, ix stage)
{
    ix found = 0;
    for (int32_t i = 0; i < setup->group_count; i++) {
        const tapeemu_group *group = setup->groups + i;
        if (group->first <= stage && stage < group->behind && group->share < 1.0)
            found++;
    }
    return found;
}

/* Memory that a stage needs. */
static size_t stage_bytes(int32_t kind, const tapeemu_number *settings, ix count, double rate, ix channels)
{
    StageMemory counted;
    Carver carver = {NULL, NULL, 0, 0, 0};
    stage_carve(kind, settings, count, rate, channels, &carver, &counted);
    return carver.fast_used;
}

/* Sizes of a chain, and where in the memory everything is; with memory also what is in it. */
static tapeemu_bytes lay(const tapeemu_setup *setup, tapeemu *chain, Carver carver)
{
    const bool real_memory = carver.fast != NULL;
    const double rate = setup->sample_rate;
    const ix channels = setup->channels, stages = setup->stage_count, groups = setup->group_count;

    (void)piece(&carver, sizeof(tapeemu));
    chain->sample_rate = rate;
    chain->place = setup->place;
    chain->track = setup->track;
    chain->channels = channels;
    chain->block = setup->block;
    chain->stage_count = stages;
    chain->group_count = groups;
    chain->cell = glides_glide_cell(rate);
    chain->stages = piece(&carver, (size_t)stages * sizeof(Stage));
    chain->shares = piece(&carver, (size_t)groups * sizeof(Share));

    /* What the plan of the chain is made from; on the stack while memory is only counted. */
    int64_t latencies[TAPEEMU_MOST_STAGES], still_latencies[TAPEEMU_MOST_STAGES], bounds[2 * TAPEEMU_MOST_GROUPS];
    double ratios[TAPEEMU_MOST_STAGES], shares[TAPEEMU_MOST_GROUPS];
    int64_t *kept_latencies = piece(&carver, (size_t)stages * sizeof(int64_t));
    int64_t *kept_still_latencies = piece(&carver, (size_t)stages * sizeof(int64_t));
    double *kept_ratios = piece(&carver, (size_t)stages * sizeof(double));
    int64_t *kept_bounds = piece(&carver, 2 * (size_t)groups * sizeof(int64_t));
    double *kept_shares = piece(&carver, (size_t)groups * sizeof(double));
    ChainSettings *plan = &chain->settings;
    plan->latencies = (int64s_1){real_memory ? kept_latencies : latencies, stages};
    plan->still_latencies = (int64s_1){real_memory ? kept_still_latencies : still_latencies, stages};
    plan->ratios = (doubles_1){real_memory ? kept_ratios : ratios, stages};
    plan->groups = (int64s_2){real_memory ? kept_bounds : bounds, groups, 2};
    plan->shares = (doubles_1){real_memory ? kept_shares : shares, groups};

    chain->longest = setup->block;
    ix samples = setup->block;
    for (ix i = 0; i < stages; i++) {
        const tapeemu_stage *given = setup->stages + i;
        const int32_t kind = given->kind;
        const ix count = given->count, still_count = given->still_count;
        tapeemu_number *settings = piece(&carver, (size_t)count * sizeof(tapeemu_number));
        tapeemu_number *mean = piece(&carver, (size_t)count * sizeof(tapeemu_number));
        double *sums = piece(&carver, (size_t)count * sizeof(double));
        tapeemu_number *still = NULL;
        if (given->still != NULL)
            still = piece(&carver, (size_t)still_count * sizeof(tapeemu_number));
        if (real_memory) {
            for (ix k = 0; k < count; k++)
                settings[k] = given->settings[k];
            for (ix k = 0; given->still != NULL && k < still_count; k++)
                still[k] = given->still[k];
        }
        const double ratio = stage_ratio(kind, given->settings, count);
        plan->ratios.at[i] = ratio;
        plan->latencies.at[i] = stage_latency(kind, given->settings, count, rate, channels);
        plan->still_latencies.at[i] = plan->latencies.at[i];
        if (given->still != NULL)
            plan->still_latencies.at[i] = stage_latency(kind, given->still, still_count, rate, channels);
        samples = longer(samples, ratio);
        if (samples > chain->longest)
            chain->longest = samples;
        StageMemory counted;
        Stage *stage = real_memory ? chain->stages + i : NULL;
        stage_carve(
            kind, given->settings, count, rate, channels, &carver, real_memory ? &stage->memory : &counted);
        const ix tapes = given->still != NULL ? mixes_around(setup, i) : 0;
        StageMemory *stills = piece(&carver, (size_t)tapes * sizeof(StageMemory));
        for (ix k = 0; k < tapes; k++)
            stage_carve(
                kind, given->still, still_count, rate, channels, &carver, real_memory ? stills + k : &counted);
        if (real_memory) {
            stage->kind = kind;
            stage->count = count;
            stage->still_count = still_count;
            stage->still_tapes = tapes;
            stage->stills = stills;
            stage->bytes = stage_bytes(kind, given->settings, count, rate, channels);
            stage->settings = settings;
            stage->mean = mean;
            stage->sums = sums;
            stage->still_settings = still;
        }
    }
    chain->levels = 0;
    for (ix i = 0; i < groups; i++) {
        const tapeemu_group *group = setup->groups + i;
        plan->groups.at[2 * i] = group->first;
        plan->groups.at[2 * i + 1] = group->behind;
        plan->shares.at[i] = group->share;
        ix around = 1; /* levels of mixes at this group */
        for (ix k = 0; k < i; k++)
            if (setup->groups[k].behind > group->first && setup->groups[k].share < 1.0)
                around++;
        if (group->share < 1.0 && around > chain->levels)
            chain->levels = around;
        if (real_memory)
            chain->shares[i] = (Share){.from = group->share, .to = group->share, .wanted = group->share, .at = 1, .length = 1};
    }

    int64_t sizes[3 * CHAIN_ARRAYS];
    fill_with_ones(sizes, 3 * CHAIN_ARRAYS);
    shape_chain(plan, channels, (int64s_2){sizes, CHAIN_ARRAYS, 3});
    chain_carve(&carver, sizes, &chain->memory);
    const size_t block = (size_t)channels * (size_t)chain->longest * sizeof(real);
    chain->scratch = piece(&carver, block * (size_t)(2 + chain->levels));
    const ix heard = setup->control > 0 ? channels : 0;
    chain->envelopes = (Envelopes){
        {piece(&carver, (size_t)heard * sizeof(double)), heard},
        {piece(&carver, ENVELOPE_COUNTS * sizeof(int64_t)), ENVELOPE_COUNTS}};
    if (real_memory)
        chain->envelopes.counts.at[ENVELOPES_PERIOD] = setup->control;
    return (tapeemu_bytes){carver.fast_used, carver.slow_used};
}

tapeemu_bytes tapeemu_size(const tapeemu_setup *setup)
{
    tapeemu counted;
    if (!valid(setup))
        return (tapeemu_bytes){0, 0};
    return lay(setup, &counted, (Carver){NULL, NULL, 0, 0, setup->slow_from});
}

/* A stage stands at a place on the tape. */
static void begin_cell(const tapeemu *chain, Stage *stage, int64_t place)
{
    stage->at = (ix)floor_remainder_64(place, (int64_t)chain->cell);
    stage->summed = stage->at;
    stage->waits = false;
    for (ix k = 0; k < stage->count; k++)
        stage->sums[k] = stage->settings[k].real * (double)stage->at;
}

/* The numbers of a share that follows a curve, as the processors have theirs. */
static Glide glide_of(Share *share)
{
    return (Glide){{share->values, 1, GLIDES_COLUMNS}, {share->counts, GLIDES_COUNTS}};
}

/* Shares stand where they were going, and at the place on the tape of what their groups let out. */
static void seek_shares(tapeemu *chain)
{
    for (ix i = 0; i < chain->group_count; i++) {
        Share *share = chain->shares + i;
        const Glide glide = glide_of(share);
        share->from = share->to = share->wanted;
        share->at = share->length = 1;
        share->waits = false;
        share->place = chain->memory.heard.at[i];
        share->counts[GLIDES_CELL] = chain->cell;
        glides_glide_seek(chain->memory.heard.at[i], &glide);
        chain->memory.shares.at[i] = (real)share->wanted;
    }
}

static void begin_envelopes(tapeemu *chain, int64_t place)
{
    if (chain->envelopes.sums.n0 > 0)
        seek_envelopes(place, &chain->envelopes);
}

/* A stage, or a mix with all that is in it. */
typedef struct {
    ix first, behind; /* steps */
    int traits;
} Unit;

enum { RINGS = 1, DRIVES = 2, SOUNDS = 4 };

/* Traits of the stages in a row of steps, together. */
static int traits_of(const tapeemu *chain, ix first, ix behind)
{
    int traits = 0;
    for (ix i = first; i < behind; i++) {
        const int64_t *step = chain->memory.steps.at + 3 * i;
        if (step[0] != CHAIN_PROCESS)
            continue;
        const Stage *stage = chain->stages + step[2];
        traits |= stage_rings(stage->kind, stage->settings, stage->count) ? RINGS : 0;
        traits |= stage_drives(stage->kind, stage->settings, stage->count) ? DRIVES : 0;
        traits |= stage_adds_sound(stage->kind, stage->settings, stage->count) ? SOUNDS : 0;
    }
    return traits;
}

/* Where the parts are cut: between stages and mixes, of which what is mixed is one unit. */
static void find_parts(tapeemu *chain)
{
    Unit units[TAPEEMU_MOST_STAGES];
    ix count = 0, open = 0, begin = 0, at = 0;
    bool longer_way = false;
    for (; chain->memory.steps.at[3 * at] != CHAIN_END; at++) {
        const int64_t step = chain->memory.steps.at[3 * at];
        open += step == CHAIN_KEEP ? 1 : step == CHAIN_MIX ? -1 : 0;
        if (open > 0)
            continue;
        units[count++] = (Unit){begin, at + 1, traits_of(chain, begin, at + 1)};
        begin = at + 1;
    }
    for (ix i = 0; i < chain->stage_count; i++)
        longer_way = longer_way || chain->settings.ratios.at[i] != 1.0;
    ix last = count - 1;
    while (last >= 0 && (units[last].traits & RINGS) == 0)
        last--;
    const bool cut = last >= 0 && units[last].traits == RINGS && !longer_way;
    ix first = last;
    for (ix i = last; cut && i >= 0 && (units[i].traits & (DRIVES | SOUNDS)) == 0; i--)
        if (units[i].traits == RINGS)
            first = i;
    chain->bounds[TAPEEMU_BEFORE] = 0;
    chain->bounds[TAPEEMU_RINGING] = cut ? units[first].first : 0;
    chain->bounds[TAPEEMU_BEHIND] = cut ? units[last].behind : 0;
    chain->bounds[TAPEEMU_PARTS] = at;
}

/* A stage and its still tapes, as they are at a place on the tape. */
static void design(const tapeemu *chain, Stage *stage, int64_t start)
{
    stage_design(
        stage->kind, stage->settings, stage->count, chain->sample_rate, chain->channels, start, chain->track,
        &stage->memory);
    for (ix k = 0; k < stage->still_tapes; k++)
        stage_design(
            stage->kind, stage->still_settings, stage->still_count, chain->sample_rate, chain->channels, start,
            chain->track, stage->stills + k);
}

tapeemu *tapeemu_create(const tapeemu_setup *setup, void *fast, void *slow)
{
    const tapeemu_bytes bytes = tapeemu_size(setup);
    if (bytes.fast == 0 || fast == NULL || (slow == NULL && bytes.slow > 0))
        return NULL;
    clear(fast, bytes.fast);
    clear(slow, bytes.slow);
    tapeemu *chain = fast;
    lay(setup, chain, (Carver){fast, slow, 0, 0, setup->slow_from});
    plan_chain(&chain->settings, setup->place, &chain->memory);
    for (ix i = 0; i < chain->stage_count; i++) {
        Stage *stage = chain->stages + i;
        const int64_t start = chain->memory.starts.at[i];
        design(chain, stage, start);
        stage->place = start;
        begin_cell(chain, stage, start);
    }
    seek_shares(chain);
    begin_envelopes(chain, setup->place);
    find_parts(chain);
    return chain;
}

void tapeemu_seek(tapeemu *chain, int64_t place)
{
    seek_chain(&chain->settings, place, &chain->memory);
    seek_shares(chain);
    begin_envelopes(chain, place);
    for (ix i = 0; i < chain->stage_count; i++) {
        Stage *stage = chain->stages + i;
        if (SETTINGS_MAY_MOVE && stage->waits)
            stage_change(
                stage->kind, stage->settings, stage->count, chain->sample_rate, chain->channels, &stage->memory);
        stage->place = chain->memory.starts.at[i];
        begin_cell(chain, stage, stage->place);
        stage_seek(stage->kind, &stage->memory, chain->memory.starts.at[i]);
        for (ix k = 0; k < stage->still_tapes; k++)
            stage_seek(stage->kind, stage->stills + k, chain->memory.starts.at[i]);
    }
}

void tapeemu_reset(tapeemu *chain)
{
    tapeemu_seek(chain, chain->place);
}

/* --- sound --------------------------------------------------------------------------------------------- */

/* Rows that stand `from` apart are moved to stand `to` apart, nearer. */
static void close_up(real *block, ix channels, ix from, ix to)
{
    for (ix channel = 1; from != to && channel < channels; channel++)
        for (ix k = 0; k < to; k++)
            block[channel * to + k] = block[channel * from + k];
}

/* Run a stage on a block of `count`; returns the samples made, and swaps the blocks where they are not the same. */
static ix run_stage(const tapeemu *chain, int32_t kind, const StageMemory *memory, double ratio, real **block, real **other,
    ix count)
{
    const ix channels = chain->channels;
    if (ratio == 1.0)
        return stage_process(kind, memory, (reals_2){*block, channels, count}, (reals_2){*block, channels, count});
    const ix room = longer(count, ratio);
    const ix made =
        stage_process(kind, memory, (reals_2){*block, channels, count}, (reals_2){*other, channels, room});
    close_up(*other, channels, room, made);
    real *swapped = *block;
    *block = *other;
    *other = swapped;
    return made;
}

/* A stage has gone on by samples. At the beginning of a cell what was moved in the one before holds from then on. */
static void pass(const tapeemu *chain, Stage *stage, ix count)
{
    stage->place += count;
    stage->at += count;
    if (stage->at < chain->cell)
        return;
    stage->at = (ix)floor_remainder_64((int64_t)stage->at, (int64_t)chain->cell);
    if (!SETTINGS_MAY_MOVE || !stage->waits)
        return;
    begin_cell(chain, stage, (int64_t)stage->at);
    stage_change(stage->kind, stage->settings, stage->count, chain->sample_rate, chain->channels, &stage->memory);
}

/* Run a stage that changes no length on some samples of a block, `*other` as its work. */
static void run_piece(const tapeemu *chain, const Stage *stage, real *block, real *other, ix count, ix first, ix behind)
{
    const ix samples = behind - first;
    const reals_2 piece = {other, chain->channels, samples};
    for (ix channel = 0; channel < chain->channels; channel++)
        for (ix k = 0; k < samples; k++)
            other[channel * samples + k] = block[channel * count + first + k];
    (void)stage_process(stage->kind, &stage->memory, piece, piece);
    for (ix channel = 0; channel < chain->channels; channel++)
        for (ix k = 0; k < samples; k++)
            block[channel * count + first + k] = other[channel * samples + k];
}

/* Run a stage of the chain. One that waits for its cell is stopped where that begins, also behind a tape at another speed,
 * where no sample of the input may stand there. */
static ix run_whole(const tapeemu *chain, Stage *stage, double ratio, real **block, real **other, ix count)
{
    const ix left = chain->cell - stage->at;
    ix made = count;
    if (stage->follows && stage->waits && ratio == 1.0 && left < count) {
        run_piece(chain, stage, *block, *other, count, 0, left);
        pass(chain, stage, left);
        run_piece(chain, stage, *block, *other, count, left, count);
        pass(chain, stage, count - left);
    } else {
        made = run_stage(chain, stage->kind, &stage->memory, ratio, block, other, count);
        pass(chain, stage, count);
    }
    return made;
}

/* Samples until a cell begins that must be told of, at most `count`. */
static ix until_told(const tapeemu *chain, ix count)
{
    for (ix i = 0; i < chain->stage_count; i++)
        if (chain->stages[i].waits)
            count = smaller_integer(count, chain->cell - chain->stages[i].at);
    return count;
}

/* Where a share is on its way. */
static double share_now(const Share *share)
{
    const double way = (double)share->at / (double)share->length, squared = way * way;
    const double risen = squared * squared * (35.0 + way * (-84.0 + way * (70.0 - 20.0 * way)));
    return share->from + (share->to - share->from) * risen;
}

/* Mix a sample of all channels. */
static void mix_sample(real part, ix k, reals_2 dry, reals_2 wet)
{
    for (ix channel = 0; channel < wet.n0; channel++) {
        real *heard = wet.at + channel * wet.n1 + k;
        *heard = (1 - part) * dry.at[channel * dry.n1 + k] + part * *heard;
    }
}

/* A share that follows a curve goes on by samples. One that stands is taken for one that will move, as in Python. */
static double pass_share(Share *share, ix count)
{
    const Glide glide = glide_of(share);
    const double now = glides_glide_value(0, (ix)share->counts[GLIDES_AT], &glide);
    share->counts[GLIDES_MOVING] = 1;
    glides_glide_pass(count, &glide);
    if (share->waits && count > 0 && share->counts[GLIDES_AT] == 0) {
        share->waits = false;
        glides_glide_target(0, share->wanted, &glide);
    }
    return now;
}

/* Mix a processed signal with its input, into the former, by a share that may move. */
static void mix(Share *share, real *now, reals_2 dry, reals_2 wet)
{
    share->place += wet.n1;
    if (share->follows) {
        for (ix k = 0; k < wet.n1; k++)
            mix_sample((real)pass_share(share, 1), k, dry, wet);
        return;
    }
    share->counts[GLIDES_AT] = floor_remainder_64(share->counts[GLIDES_AT] + wet.n1, share->counts[GLIDES_CELL]);
    if (share->at == share->length && share->to == share->wanted) {
        chain_mix_blocks(*now, dry, wet);
        return;
    }
    for (ix k = 0; k < wet.n1; k++) {
        if (share->at == share->length && share->to != share->wanted) {
            share->from = share->to;
            share->to = share->wanted;
            share->at = 0;
        }
        if (share->at < share->length)
            share->at++;
        mix_sample((real)share_now(share), k, dry, wet);
    }
    *now = (real)share->to;
}

/* Steps of the chain on at most a block; `*current` holds it, one row after the other. */
static ix run_steps(tapeemu *chain, ix first, ix behind, real **current, real **other, real **dry, ix count)
{
    const ix channels = chain->channels;
    ix dry_counts[TAPEEMU_MOST_GROUPS]; /* of each level: beside a tape at the wrong speed they differ */
    for (ix i = first; i < behind; i++) {
        const int64_t *step = chain->memory.steps.at + 3 * i;
        const ix number = (ix)step[2];
        real **level = dry + step[1];
        ix *dry_count = dry_counts + step[1];
        switch (step[0]) {
        case CHAIN_PROCESS: {
            const double ratio = chain->settings.ratios.at[number];
            count = run_whole(chain, chain->stages + number, ratio, current, other, count);
            break;
        }
        case CHAIN_KEEP:
            chain_keep_block((reals_2){*current, channels, count}, (reals_2){*level, channels, count});
            *dry_count = count;
            break;
        case CHAIN_DELAY:
            chain_delay_step(&chain->memory, number, (reals_2){*level, channels, *dry_count});
            break;
        case CHAIN_STILL: {
            const Stage *stage = chain->stages + number;
            *dry_count = run_stage(
                chain, stage->kind, stage->stills + step[1], chain->settings.ratios.at[number], level, other, *dry_count);
            break;
        }
        case CHAIN_MIX:
            mix(chain->shares + number, chain->memory.shares.at + number, (reals_2){*level, channels, count},
                (reals_2){*current, channels, count});
            break;
        default:
            break;
        }
    }
    return count;
}

static ptrdiff_t process_steps(tapeemu *chain, ix first, ix behind, const tapeemu_real *const *in,
    tapeemu_real *const *out, ptrdiff_t count)
{
    const ix channels = chain->channels;
    const ix block = channels * chain->longest;
    real *blocks[2 + TAPEEMU_MOST_GROUPS];
    for (ix k = 0; k < 2 + chain->levels; k++)
        blocks[k] = chain->scratch + k * block;
    ix written = 0;
    for (ix start = 0; start < count;) {
        const ix now = until_told(chain, smaller_integer(chain->block, count - start));
        for (ix channel = 0; channel < channels; channel++)
            for (ix k = 0; k < now; k++)
                blocks[0][channel * now + k] = in[channel][start + k];
        const ix made = run_steps(chain, first, behind, &blocks[0], &blocks[1], &blocks[2], now);
        for (ix channel = 0; channel < channels; channel++)
            for (ix k = 0; k < made; k++)
                out[channel][written + k] = blocks[0][channel * made + k];
        start += now;
        written += made;
    }
    return written;
}

/* Envelopes of a block of the input, a channel at a time: rows of a caller need not stand side by side. */
static ptrdiff_t follow_input(
    tapeemu *chain, const tapeemu_real *const *in, ptrdiff_t count, tapeemu_real *const *envelopes)
{
    const int64_t period = chain->envelopes.counts.at[ENVELOPES_PERIOD];
    const int64_t at = chain->envelopes.counts.at[ENVELOPES_AT];
    real untold = 0;
    ix made = 0;
    for (ix channel = 0; channel < chain->envelopes.sums.n0; channel++) {
        const Envelopes one = {{chain->envelopes.sums.at + channel, 1}, chain->envelopes.counts};
        one.counts.at[ENVELOPES_AT] = at;
        made = 0;
        for (ix start = 0; start < count;) {
            const ix left = (ix)(period - one.counts.at[ENVELOPES_AT]);
            const ix now = smaller_integer(left, count - start);
            real *row = (real *)(uintptr_t)(in[channel] + start);
            real *to = envelopes == NULL ? &untold : envelopes[channel] + made;
            made += follow_envelopes((reals_2){row, 1, now}, &one, (reals_2){to, 1, 1});
            start += now;
        }
    }
    return made;
}

ptrdiff_t tapeemu_process(tapeemu *chain, const tapeemu_real *const *in, tapeemu_real *const *out, ptrdiff_t count)
{
    return tapeemu_process_with_envelopes(chain, in, out, count, NULL, NULL);
}

ptrdiff_t tapeemu_process_with_envelopes(tapeemu *chain, const tapeemu_real *const *in, tapeemu_real *const *out,
    ptrdiff_t count, tapeemu_real *const *envelopes, ptrdiff_t *values)
{
    const ptrdiff_t told = follow_input(chain, in, count, envelopes);
    if (values != NULL)
        *values = told;
    return process_steps(chain, 0, chain->bounds[TAPEEMU_PARTS], in, out, count);
}

ptrdiff_t tapeemu_process_part(
    tapeemu *chain, int32_t part, const tapeemu_real *const *in, tapeemu_real *const *out, ptrdiff_t count)
{
    return process_steps(chain, chain->bounds[part], chain->bounds[part + 1], in, out, count);
}

tapeemu_part tapeemu_part_of(const tapeemu *chain, int32_t part)
{
    const ix first = chain->bounds[part], behind = chain->bounds[part + 1];
    int64_t latency = 0;
    for (ix i = first; i < behind; i++)
        if (chain->memory.steps.at[3 * i] == CHAIN_PROCESS)
            latency += chain->settings.latencies.at[chain->memory.steps.at[3 * i + 2]];
    const int traits = traits_of(chain, first, behind);
    return (tapeemu_part){latency, first == behind, (traits & DRIVES) != 0, (traits & SOUNDS) != 0};
}

ptrdiff_t tapeemu_most(const tapeemu *chain, ptrdiff_t count)
{
    ix most = count;
    for (ix i = 0; i < chain->stage_count; i++)
        most = longer(most, chain->settings.ratios.at[i]);
    return most;
}

int64_t tapeemu_latency(const tapeemu *chain)
{
    return (int64_t)chain->memory.totals.at[CHAIN_LATENCY];
}

double tapeemu_rate(const tapeemu *chain)
{
    return chain->sample_rate;
}

int32_t tapeemu_channels(const tapeemu *chain)
{
    return (int32_t)chain->channels;
}

double tapeemu_length_ratio(const tapeemu *chain)
{
    return chain->memory.totals.at[CHAIN_LENGTH_RATIO];
}

bool tapeemu_adds_sound(const tapeemu *chain)
{
    for (ix i = 0; i < chain->stage_count; i++)
        if (stage_adds_sound(chain->stages[i].kind, chain->stages[i].settings, chain->stages[i].count))
            return true;
    return false;
}

bool tapeemu_rings(const tapeemu *chain)
{
    for (ix i = 0; i < chain->stage_count; i++)
        if (stage_rings(chain->stages[i].kind, chain->stages[i].settings, chain->stages[i].count))
            return true;
    return false;
}

int64_t tapeemu_tail(const tapeemu *chain, double level_db)
{
    int64_t tail = 0;
    for (ix i = 0; i < chain->stage_count; i++) {
        const Stage *stage = chain->stages + i;
        tail += stage_tail(
            stage->kind, stage->settings, stage->count, chain->sample_rate, chain->channels, level_db);
    }
    return tail;
}

/* The stage of which a setting can move to a value; NULL if it cannot. */
static Stage *movable(const tapeemu *chain, int32_t number, int32_t setting, double value)
{
    if (number < 0 || number >= chain->stage_count)
        return NULL;
    Stage *stage = chain->stages + number;
    if (!stage_moves(stage->kind, setting))
        return NULL;
    for (ix k = 0; k < stage->count; k++)
        stage->mean[k] = stage->settings[k];
    stage->mean[setting].real = value;
    if (stage_bytes(stage->kind, stage->mean, stage->count, chain->sample_rate, chain->channels) > stage->bytes)
        return NULL; /* a strong drive runs at a higher rate than a soft one */
    return stage;
}

bool tapeemu_set(tapeemu *chain, int32_t stage_number, int32_t setting, double value)
{
    Stage *stage = movable(chain, stage_number, setting, value);
    if (stage == NULL)
        return false;
    for (ix k = 0; k < stage->count; k++)
        if (stage_moves(stage->kind, k))
            stage->sums[k] += stage->settings[k].real * (double)(stage->at - stage->summed);
    stage->summed = stage->at;
    stage->settings[setting].real = value;
    /* What is taken up next is the mean over the cell, so that a change within it is heard at its sample. */
    for (ix k = 0; k < stage->count; k++)
        if (stage_moves(stage->kind, k))
            stage->mean[k].real =
                (stage->sums[k] + stage->settings[k].real * (double)(chain->cell - stage->at)) / (double)chain->cell;
    stage->waits = true;
    stage_change(stage->kind, stage->mean, stage->count, chain->sample_rate, chain->channels, &stage->memory);
    return true;
}

static bool share_moves(const tapeemu *chain, int32_t group, double share)
{
    return group >= 0 && group < chain->group_count && chain->settings.shares.at[group] < 1.0 && share >= 0.0 &&
        share <= 1.0;
}

bool tapeemu_set_share(tapeemu *chain, int32_t group, double share)
{
    if (!share_moves(chain, group, share))
        return false;
    Share *moved = chain->shares + group;
    if (moved->follows) {
        moved->from = moved->to = pass_share(moved, 0);
        moved->follows = moved->waits = false;
        moved->at = moved->length;
    }
    moved->wanted = share;
    if (moved->at == moved->length)
        moved->at = moved->length = (ix)(SHARE_SECONDS * chain->sample_rate) + 1;
    return true;
}

/* --- curves -------------------------------------------------------------------------------------------- */

bool tapeemu_follow(tapeemu *chain, int32_t stage_number, int32_t setting, double value)
{
    Stage *stage = movable(chain, stage_number, setting, value);
    if (stage == NULL)
        return false;
    stage->follows = true;
    stage->settings[setting].real = value;
    stage_change(stage->kind, stage->settings, stage->count, chain->sample_rate, chain->channels, &stage->memory);
    begin_cell(chain, stage, (int64_t)stage->at);
    return true;
}

bool tapeemu_follow_next(tapeemu *chain, int32_t stage_number, int32_t setting, double value)
{
    Stage *stage = movable(chain, stage_number, setting, value);
    if (stage == NULL)
        return false;
    stage->follows = true;
    stage->waits = true;
    stage->settings[setting].real = value;
    return true;
}

int64_t tapeemu_cell(const tapeemu *chain, int32_t stage)
{
    if (stage < 0 || stage >= chain->stage_count)
        return 0;
    return floor_division_64(chain->stages[stage].place, (int64_t)chain->cell);
}

/* A share that shall follow a curve, from where it is; NULL if it cannot. */
static Share *following(tapeemu *chain, int32_t group, double share)
{
    if (!share_moves(chain, group, share))
        return NULL;
    Share *moved = chain->shares + group;
    const Glide glide = glide_of(moved);
    if (!moved->follows) {
        glides_glide_rest(0, share_now(moved), &glide);
        moved->follows = true;
    }
    moved->wanted = share;
    return moved;
}

bool tapeemu_follow_share(tapeemu *chain, int32_t group, double share)
{
    Share *moved = following(chain, group, share);
    if (moved == NULL)
        return false;
    const Glide glide = glide_of(moved);
    glides_glide_target(0, share, &glide);
    return true;
}

bool tapeemu_follow_share_next(tapeemu *chain, int32_t group, double share)
{
    Share *moved = following(chain, group, share);
    if (moved == NULL)
        return false;
    moved->waits = true;
    return true;
}

int64_t tapeemu_share_cell(const tapeemu *chain, int32_t group)
{
    if (group < 0 || group >= chain->group_count)
        return 0;
    return floor_division_64(chain->shares[group].place, (int64_t)chain->cell);
}

void tapeemu_follow_on(tapeemu *chain)
{
    for (ix i = 0; i < chain->stage_count; i++) {
        const Glide *glide = stage_glide(chain->stages[i].kind, &chain->stages[i].memory);
        if (chain->stages[i].follows && glide != NULL)
            glides_glide_on(glide);
    }
    for (ix i = 0; i < chain->group_count; i++) {
        const Glide glide = glide_of(chain->shares + i);
        if (!chain->shares[i].follows)
            continue;
        glides_glide_on(&glide);
        glide.counts.at[GLIDES_MOVING] = 1; /* a share that stands is taken for one that will move */
    }
}
