/* Playing while the chain changes: see live.h. Compile beside tapeemu.c, with the same switches.
 *
 * Every chain is in three parts, before, ringing and behind (tapeemu.h). Between them, at its input and at its output
 * stand weights, each of which rises or falls once, after a wait counted in samples. So nothing depends on how the
 * input is cut.
 *
 * Two weights that cross add up to 1, everywhere: what crosses is the same sound through two chains, whose powers
 * would add up to 2. And what drives is never given a part of its sound: of two halves it makes more than half each.
 *
 * SPDX-License-Identifier: ISC
 */
#include "live.h"

#define ALIGNMENT ((size_t)16)
#define FADE_SECONDS 0.03
#define LONG_FADE_SECONDS 0.25 /* where no tail can be kept */
#define RINGING_DB (-100.0) /* tails are kept down to here, and then faded */
#define QUIET ((tapeemu_real)1e-3) /* -60 dBFS: below, what drives is linear, and a tail is alone */

/* A weight that goes from one end to the other in `length` samples, after `wait` more. */
typedef struct {
    int64_t wait, at, length;
    bool rises;
} Fade;

/* A line whose samples come back `length` later. */
typedef struct {
    tapeemu_real *samples; /* one row of `length` a channel */
    int64_t length, at;
} Delay;

/* A place for a chain. */
typedef struct {
    tapeemu *chain; /* NULL: the place is free */
    Fade given;  /* of the input, to the part before */
    Fade fed;    /* of what that makes, to the part that rings */
    Fade rung;   /* of what that makes, to the parts behind, of which ever chain */
    Fade opened; /* of all that is rung, to the part behind */
    Fade heard;  /* of what that makes */
    uint32_t hears; /* slots, one bit each, whose ringing its part behind hears */
    int64_t late;   /* samples by which what is rung is late */
    tapeemu_real *past; /* what was rung, one row of `past_length` a channel */
    Delay delay; /* makes it as late as all others */
    tapeemu_real *memory;
} Slot;

struct tapeemu_live {
    double rate;
    int32_t channels, block;
    int64_t latency, fade, long_fade;
    int64_t past_at, past_length;
    int64_t change_left; /* samples until the change is over */
    bool fresh;          /* nothing was processed since it was made or reset */
    bool bypassed;       /* as asked for */
    int32_t playing;     /* slot that plays or is on its way in, or -1 */
    int32_t leaving;     /* slot that rings by itself if nothing is given to it, or -1 */
    int64_t decided_in;  /* samples until that is decided */
    tapeemu_real loudest; /* of what was given since */
    Fade wet;            /* weight of the chains against the input */
    Delay dry;
    Slot slots[TAPEEMU_LIVE_CHAINS];
    tapeemu_real *input, *fed, *made, *sum; /* blocks, one row of `block` a channel */
    tapeemu_real *weights; /* of what is rung, one row of `block` a slot */
};

/* --- weights ------------------------------------------------------------------------------------------- */

/* From 0 to 1 with three smooth derivatives at both ends; what rises and what falls add up to 1. */
static double risen(double way)
{
    const double squared = way * way;
    return squared * squared * (35.0 + way * (-84.0 + way * (70.0 - 20.0 * way)));
}

static Fade fade_after(int64_t wait, int64_t length, bool rises)
{
    const Fade fade = {wait, 0, length, rises};
    return fade;
}

/* A weight that has arrived. */
static Fade arrived(bool one)
{
    const Fade fade = {0, 1, 1, one};
    return fade;
}

static bool rests(const Fade *fade)
{
    return fade->at == fade->length;
}

/* Nothing is left of it, and never will be again. */
static bool silent(const Fade *fade)
{
    return rests(fade) && !fade->rises;
}

static bool whole(const Fade *fade)
{
    return fade->rises ? rests(fade) : fade->wait > 0 && fade->at == 0;
}

/* Its next value. */
static double step(Fade *fade)
{
    if (fade->wait > 0) {
        fade->wait--;
        return fade->rises ? 0.0 : 1.0;
    }
    if (fade->at < fade->length)
        fade->at++;
    const double way = risen((double)fade->at / (double)fade->length);
    return fade->rises ? way : 1.0 - way;
}

/* Samples that are of one weight from here on, at most `count`, or 0 if it moves. */
static int64_t samples_at_rest(const Fade *fade, int64_t count)
{
    if (rests(fade))
        return count;
    return fade->wait < count ? fade->wait : count;
}

/* Samples until it arrives. */
static int64_t samples_left(const Fade *fade)
{
    return fade->wait + fade->length - fade->at;
}

/* Go so many samples on. */
static void skip(Fade *fade, int64_t count)
{
    if (count <= fade->wait) {
        fade->wait -= count;
        return;
    }
    fade->at += count - fade->wait;
    fade->wait = 0;
    if (fade->at > fade->length)
        fade->at = fade->length;
}

/* --- blocks -------------------------------------------------------------------------------------------- */

static void clear_samples(tapeemu_real *samples, int64_t count)
{
    for (int64_t k = 0; k < count; k++)
        samples[k] = 0;
}

/* Send rows, `apart` samples apart, through a delay, in place. */
static void delay_rows(Delay *delay, tapeemu_real *rows, int32_t channels, int64_t apart, int64_t count)
{
    if (delay->length == 0)
        return;
    int64_t behind = delay->at;
    for (int32_t channel = 0; channel < channels; channel++) {
        tapeemu_real *line = delay->samples + channel * delay->length;
        tapeemu_real *row = rows + channel * apart;
        int64_t at = delay->at;
        for (int64_t k = 0; k < count; k++) {
            const tapeemu_real waited = line[at];
            line[at] = row[k];
            row[k] = waited;
            at = at + 1 == delay->length ? 0 : at + 1;
        }
        behind = at;
    }
    delay->at = behind;
}

/* Multiply rows by a weight, which goes on. */
static void weigh_rows(Fade *fade, tapeemu_real *rows, int32_t channels, int64_t apart, int64_t count)
{
    if (whole(fade) && samples_at_rest(fade, count) == count) {
        skip(fade, count);
        return;
    }
    for (int64_t k = 0; k < count; k++) {
        const tapeemu_real weight = (tapeemu_real)step(fade);
        for (int32_t channel = 0; channel < channels; channel++)
            rows[channel * apart + k] *= weight;
    }
}

/* The next values of a weight, in a row. */
static void weights_of(Fade *fade, tapeemu_real *to, int64_t count)
{
    for (int64_t k = 0; k < count; k++)
        to[k] = (tapeemu_real)step(fade);
}

/* --- memory -------------------------------------------------------------------------------------------- */

static size_t rounded(size_t bytes)
{
    return (bytes + ALIGNMENT - 1) / ALIGNMENT * ALIGNMENT;
}

static size_t line_bytes(int32_t channels, int64_t samples)
{
    return rounded((size_t)channels * (size_t)samples * sizeof(tapeemu_real));
}

size_t tapeemu_live_size(double rate, int32_t channels, int32_t block, int64_t latency)
{
    if (!(rate >= 1000.0 && rate <= 1000000.0) || channels < 1 || channels > TAPEEMU_MOST_CHANNELS)
        return 0;
    if (block < 1 || block > TAPEEMU_LONGEST_BLOCK || latency < 0 || latency > (int64_t)1 << 24)
        return 0;
    return rounded(sizeof(tapeemu_live)) + 4 * line_bytes(channels, block) + line_bytes(TAPEEMU_LIVE_CHAINS, block) +
        (TAPEEMU_LIVE_CHAINS + 1) * line_bytes(channels, latency) +
        TAPEEMU_LIVE_CHAINS * line_bytes(channels, latency + block);
}

static tapeemu_real *piece_of(char **memory, size_t bytes)
{
    tapeemu_real *given = (tapeemu_real *)(void *)*memory;
    *memory += bytes;
    return given;
}

tapeemu_live *tapeemu_live_create(double rate, int32_t channels, int32_t block, int64_t latency, void *memory)
{
    if (tapeemu_live_size(rate, channels, block, latency) == 0 || memory == NULL)
        return NULL;
    tapeemu_live *live = memory;
    char *free_from = (char *)memory + rounded(sizeof(tapeemu_live));
    live->rate = rate;
    live->channels = channels;
    live->block = block;
    live->latency = latency;
    live->fade = (int64_t)(FADE_SECONDS * rate) + 1;
    live->long_fade = (int64_t)(LONG_FADE_SECONDS * rate) + 1;
    live->past_at = 0;
    live->past_length = latency + block;
    live->playing = -1;
    live->leaving = -1;
    live->bypassed = false;
    for (int32_t i = 0; i < TAPEEMU_LIVE_CHAINS; i++) {
        live->slots[i].chain = NULL;
        live->slots[i].hears = 0;
        live->slots[i].memory = piece_of(&free_from, line_bytes(channels, latency));
        live->slots[i].past = piece_of(&free_from, line_bytes(channels, live->past_length));
    }
    live->weights = piece_of(&free_from, line_bytes(TAPEEMU_LIVE_CHAINS, block));
    live->dry.samples = piece_of(&free_from, line_bytes(channels, latency));
    live->dry.length = latency;
    live->input = piece_of(&free_from, line_bytes(channels, block));
    live->fed = piece_of(&free_from, line_bytes(channels, block));
    live->made = piece_of(&free_from, line_bytes(channels, block));
    live->sum = piece_of(&free_from, line_bytes(channels, block));
    tapeemu_live_reset(live, 0);
    return live;
}

/* --- chains -------------------------------------------------------------------------------------------- */

static bool gone(const Slot *slot)
{
    return slot->chain != NULL && silent(&slot->heard) && silent(&slot->rung);
}

/* Where the weight of the chains shall go. */
static bool wet_wanted(const tapeemu_live *live)
{
    return live->playing >= 0 && !live->bypassed;
}

static int64_t part_latency(const tapeemu *chain, int32_t part)
{
    return tapeemu_part_of(chain, part).latency;
}

/* A chain in a place, as if it had always played there. */
static Slot *enter(tapeemu_live *live, int32_t place, tapeemu *chain)
{
    Slot *slot = live->slots + place;
    slot->chain = chain;
    slot->given = slot->fed = slot->rung = slot->opened = slot->heard = arrived(true);
    for (int32_t i = 0; i < TAPEEMU_LIVE_CHAINS; i++) /* of the chain that was here before, nobody hears any more */
        live->slots[i].hears &= ~(1u << place);
    slot->hears = 1u << place;
    slot->late = part_latency(chain, TAPEEMU_BEFORE) + part_latency(chain, TAPEEMU_RINGING);
    slot->delay.samples = slot->memory;
    slot->delay.length = live->latency - tapeemu_latency(chain);
    slot->delay.at = 0;
    clear_samples(slot->memory, (int64_t)live->channels * slot->delay.length);
    clear_samples(slot->past, (int64_t)live->channels * live->past_length);
    live->playing = place;
    return slot;
}

/* A weight at rest begins to fall at once, if it is to fall at all. */
static void hurry(Fade *fade)
{
    if (!fade->rises && fade->at == 0)
        fade->wait = 0;
}

static void leave_now(Slot *slot)
{
    slot->heard = slot->rung = arrived(false);
}

static bool fits(const tapeemu_live *live, const tapeemu *chain)
{
    return chain != NULL && tapeemu_channels(chain) == live->channels && tapeemu_rate(chain) == live->rate &&
        tapeemu_latency(chain) <= live->latency && tapeemu_length_ratio(chain) == 1.0;
}

bool tapeemu_live_changing(const tapeemu_live *live)
{
    return live->change_left > 0;
}

/* --- ways to give way ---------------------------------------------------------------------------------- */

typedef enum {
    WAY_WHOLE,  /* the outputs change place */
    WAY_LONG,   /* the same, slowly: there is a tail, and none of the other ways to keep it */
    WAY_SHARED, /* the tail goes through what stands behind in the new chain */
    WAY_OWN     /* the tail goes its old way, which is linear and silent, beside a chain that has none */
} Way;

static Way way_between(const tapeemu *old, const tapeemu *new)
{
    const tapeemu_part behind = tapeemu_part_of(old, TAPEEMU_BEHIND);
    const bool kept = !tapeemu_part_of(old, TAPEEMU_RINGING).empty;
    const bool open = !tapeemu_rings(new) || !tapeemu_part_of(new, TAPEEMU_RINGING).empty;
    /* A drive makes loud what comes to it soft: a tail that passes one it did not pass before, or no longer passes it,
     * would have another level. */
    if (kept && open && behind.drives == tapeemu_part_of(new, TAPEEMU_BEHIND).drives)
        return WAY_SHARED;
    /* Beside a chain that rings as well the sound of the last 100 ms would ring twice. */
    if (kept && !behind.drives && !behind.adds_sound && !tapeemu_rings(new))
        return WAY_OWN;
    return tapeemu_rings(old) ? WAY_LONG : WAY_WHOLE;
}

bool tapeemu_live_keeps_tail(const tapeemu_live *live, const tapeemu *incoming)
{
    return live->playing < 0 || way_between(live->slots[live->playing].chain, incoming) != WAY_LONG;
}

/* Samples after which a new part that is given sound makes what it always would have. */
static int64_t settling(const tapeemu_live *live)
{
    return 2 * live->fade + live->latency;
}

static int64_t later(int64_t one, int64_t other)
{
    return one > other ? one : other;
}

/* Both parts behind hear both tails. What rings is given from then on by the new part before instead of the old one
 * (fed_after), and what stands behind is heard instead of the old (heard_after). Where the tails are not equally late,
 * the later one is on time only behind its own chain: so one change comes after the other. */
static void give_way_shared(tapeemu_live *live, Slot *old, Slot *new)
{
    const tapeemu_part before = tapeemu_part_of(new->chain, TAPEEMU_BEFORE);
    const tapeemu_part behind = tapeemu_part_of(new->chain, TAPEEMU_BEHIND);
    const int64_t old_late = part_latency(old->chain, TAPEEMU_BEFORE);
    int64_t fed_after = before.empty ? 0 : settling(live);
    int64_t heard_after = behind.empty ? live->latency : settling(live);
    if (new->late > old->late)
        fed_after = later(fed_after, heard_after + live->fade);
    if (new->late < old->late)
        heard_after = later(heard_after, fed_after + live->fade + 2 * live->latency);
    if (!before.empty)
        new->given = fade_after(0, live->fade, true);
    if (!behind.empty)
        new->opened = fade_after(0, live->fade, true);
    old->fed = fade_after(fed_after + old_late, live->fade, false);
    new->fed = fade_after(fed_after + before.latency, live->fade, true);
    old->heard = fade_after(heard_after, live->fade, false);
    new->heard = fade_after(heard_after, live->fade, true);
    old->rung = fade_after(
        fed_after + live->fade + 2 * live->latency + tapeemu_tail(old->chain, RINGING_DB), live->fade, false);
    new->hears |= 1u << (old - live->slots);
    old->hears |= 1u << (new - live->slots);
    live->change_left = later(heard_after, fed_after + later(old_late, before.latency)) + live->fade;
}

/* The old chain is given less by as much as more is heard of the new one, and rings. */
static void give_way_beside(tapeemu_live *live, Slot *old, Slot *new)
{
    const int64_t heard_after = settling(live) + live->latency;
    new->given = fade_after(0, live->fade, true);
    new->heard = fade_after(heard_after, live->fade, true);
    old->fed = fade_after(settling(live) + part_latency(old->chain, TAPEEMU_BEFORE), live->fade, false);
    old->heard =
        fade_after(heard_after + live->fade + tapeemu_tail(old->chain, RINGING_DB), live->fade, false);
    old->rung = fade_after(old->heard.wait + live->fade, live->fade, false);
    live->change_left = heard_after + live->fade;
}

/* The outputs change place. */
static void give_way_whole(tapeemu_live *live, Slot *old, Slot *new, int64_t fade)
{
    new->given = fade_after(0, live->fade, true);
    new->heard = fade_after(settling(live), fade, true);
    old->heard = fade_after(settling(live), fade, false);
    old->rung = fade_after(settling(live) + fade, 1, false);
    live->change_left = settling(live) + fade;
}

/* As before, but if nothing is given to either until then, what the old chain rings goes on beside the new one, through
 * all that it has behind: nothing is halved before what drives. */
static void give_way_slowly(tapeemu_live *live, Slot *old, Slot *new)
{
    give_way_whole(live, old, new, live->long_fade);
    if (tapeemu_part_of(old->chain, TAPEEMU_RINGING).adds_sound || tapeemu_part_of(old->chain, TAPEEMU_BEHIND).adds_sound)
        return;
    live->leaving = (int32_t)(old - live->slots);
    live->decided_in = settling(live);
    live->loudest = 0;
}

static void decide(tapeemu_live *live)
{
    Slot *old = live->slots + live->leaving, *new = live->slots + live->playing;
    live->leaving = -1;
    if (live->loudest > QUIET)
        return;
    /* Within a millisecond, while nothing sounds: of sound that begins soon no part goes to what drives. */
    const int64_t quick = live->fade / 32 + 1;
    old->fed = fade_after(0, quick, false);
    new->heard = fade_after(live->latency, quick, true);
    old->heard = fade_after(live->latency + tapeemu_tail(old->chain, RINGING_DB), live->fade, false);
    old->rung = fade_after(old->heard.wait + live->fade, live->fade, false);
}

bool tapeemu_live_take(tapeemu_live *live, tapeemu *incoming)
{
    int32_t place = -1;
    for (int32_t i = 0; i < TAPEEMU_LIVE_CHAINS; i++) {
        if (live->slots[i].chain == incoming)
            return false;
        if (live->slots[i].chain == NULL && place < 0)
            place = i;
    }
    if (live->change_left > 0 || place < 0 || !fits(live, incoming))
        return false;
    Slot *before = live->playing < 0 ? NULL : live->slots + live->playing;
    if (live->fresh) {
        if (before != NULL)
            leave_now(before);
        enter(live, place, incoming);
        live->wet = arrived(wet_wanted(live));
        return true;
    }
    for (int32_t i = 0; i < TAPEEMU_LIVE_CHAINS; i++) { /* those that ring on */
        Slot *slot = live->slots + i;
        if (slot == before || slot->chain == NULL)
            continue;
        hurry(&slot->heard);
        hurry(&slot->rung);
    }
    Slot *new = enter(live, place, incoming);
    if (before == NULL) {
        new->given = fade_after(0, live->fade, true);
        live->change_left = settling(live) + live->fade;
        live->wet = live->bypassed ? arrived(false) : fade_after(settling(live), live->fade, true);
        return true;
    }
    switch (way_between(before->chain, incoming)) {
    case WAY_SHARED:
        give_way_shared(live, before, new);
        break;
    case WAY_OWN:
        give_way_beside(live, before, new);
        break;
    case WAY_LONG:
        give_way_slowly(live, before, new);
        break;
    default:
        give_way_whole(live, before, new, live->fade);
        break;
    }
    return true;
}

/* --- chains that leave --------------------------------------------------------------------------------- */

tapeemu *tapeemu_live_gone(tapeemu_live *live)
{
    for (int32_t i = 0; i < TAPEEMU_LIVE_CHAINS; i++) {
        Slot *slot = live->slots + i;
        if (!gone(slot))
            continue;
        tapeemu *chain = slot->chain;
        slot->chain = NULL;
        return chain;
    }
    return NULL;
}

tapeemu *tapeemu_live_chain(const tapeemu_live *live)
{
    return live->playing < 0 ? NULL : live->slots[live->playing].chain;
}

void tapeemu_live_bypass(tapeemu_live *live, bool bypassed)
{
    live->bypassed = bypassed;
    if (live->fresh)
        live->wet = arrived(wet_wanted(live));
}

/* --- sound --------------------------------------------------------------------------------------------- */

/* Rows of a buffer. */
static void rows_of(const tapeemu_live *live, tapeemu_real *buffer, tapeemu_real **rows)
{
    for (int32_t channel = 0; channel < live->channels; channel++)
        rows[channel] = buffer + (int64_t)channel * live->block;
}

/* Send a buffer through a part of a chain, in place. */
static void run_part(tapeemu_live *live, const Slot *slot, int32_t part, tapeemu_real *buffer, int64_t count)
{
    tapeemu_real *rows[TAPEEMU_MOST_CHANNELS];
    if (tapeemu_part_of(slot->chain, part).empty)
        return;
    rows_of(live, buffer, rows);
    (void)tapeemu_process_part(slot->chain, part, (const tapeemu_real *const *)rows, rows, (ptrdiff_t)count);
}

/* The part before and the part that rings, into the past. */
static void ring(tapeemu_live *live, Slot *slot, int64_t count)
{
    const int64_t apart = live->block;
    if (silent(&slot->fed)) {
        clear_samples(live->fed, live->channels * apart);
    } else {
        for (int64_t k = 0; k < live->channels * apart; k++)
            live->fed[k] = live->input[k];
        weigh_rows(&slot->given, live->fed, live->channels, apart, count);
        run_part(live, slot, TAPEEMU_BEFORE, live->fed, count);
        weigh_rows(&slot->fed, live->fed, live->channels, apart, count);
    }
    run_part(live, slot, TAPEEMU_RINGING, live->fed, count);
    for (int32_t channel = 0; channel < live->channels; channel++) {
        tapeemu_real *past = slot->past + channel * live->past_length;
        int64_t at = live->past_at;
        for (int64_t k = 0; k < count; k++) {
            past[at] = live->fed[channel * apart + k];
            at = at + 1 == live->past_length ? 0 : at + 1;
        }
    }
    weights_of(&slot->rung, live->weights + (slot - live->slots) * apart, count);
}

/* Add what a slot rang to a buffer, as late as the part behind of another expects it. */
static void hear(const tapeemu_live *live, const Slot *slot, const Slot *from, tapeemu_real *buffer, int64_t count)
{
    const int64_t wait = slot->late > from->late ? slot->late - from->late : 0;
    const tapeemu_real *weights = live->weights + (from - live->slots) * live->block;
    int64_t first = live->past_at - wait;
    if (first < 0)
        first += live->past_length;
    for (int32_t channel = 0; channel < live->channels; channel++) {
        const tapeemu_real *past = from->past + channel * live->past_length;
        tapeemu_real *row = buffer + (int64_t)channel * live->block;
        int64_t at = first;
        for (int64_t k = 0; k < count; k++) {
            row[k] += weights[k] * past[at];
            at = at + 1 == live->past_length ? 0 : at + 1;
        }
    }
}

/* Add what the part behind makes of what rings to the sum, or write it there. */
static void play(tapeemu_live *live, Slot *slot, const bool *sounds, bool first, int64_t count)
{
    const int64_t apart = live->block;
    clear_samples(live->made, live->channels * apart);
    for (int32_t i = 0; i < TAPEEMU_LIVE_CHAINS; i++)
        if ((slot->hears >> i & 1) != 0 && sounds[i])
            hear(live, slot, live->slots + i, live->made, count);
    weigh_rows(&slot->opened, live->made, live->channels, apart, count);
    run_part(live, slot, TAPEEMU_BEHIND, live->made, count);
    delay_rows(&slot->delay, live->made, live->channels, apart, count);
    weigh_rows(&slot->heard, live->made, live->channels, apart, count);
    for (int32_t channel = 0; channel < live->channels; channel++) {
        tapeemu_real *sum = live->sum + channel * apart;
        const tapeemu_real *made = live->made + channel * apart;
        for (int64_t k = 0; k < count; k++)
            sum[k] = first ? made[k] : sum[k] + made[k];
    }
}

/* The chains against the input, which is delayed already, into the sum. */
static void mix_dry(tapeemu_live *live, int64_t count)
{
    const int64_t apart = live->block;
    for (int64_t k = 0; k < count; k++) {
        /* A fade that was asked to turn back does so when it has arrived: in the middle it would have a corner. */
        if (rests(&live->wet) && live->wet.rises != wet_wanted(live))
            live->wet = fade_after(0, live->fade, wet_wanted(live));
        const bool only_wet = rests(&live->wet) && live->wet.rises;
        const tapeemu_real wet = (tapeemu_real)step(&live->wet);
        if (only_wet)
            continue;
        for (int32_t channel = 0; channel < live->channels; channel++) {
            tapeemu_real *sum = live->sum + channel * apart + k;
            const tapeemu_real dry = live->input[channel * apart + k];
            *sum = silent(&live->wet) ? dry : *sum * wet + dry * (1 - wet);
        }
    }
}

static void process_piece(tapeemu_live *live, int64_t count)
{
    bool first = true;
    bool sounds[TAPEEMU_LIVE_CHAINS];
    for (int32_t i = 0; i < TAPEEMU_LIVE_CHAINS; i++) {
        Slot *slot = live->slots + i;
        sounds[i] = slot->chain != NULL && !gone(slot);
        if (sounds[i])
            ring(live, slot, count);
    }
    for (int32_t i = 0; i < TAPEEMU_LIVE_CHAINS; i++) {
        Slot *slot = live->slots + i;
        if (!sounds[i] || silent(&slot->heard))
            continue;
        play(live, slot, sounds, first, count);
        first = false;
    }
    live->past_at += count;
    if (live->past_at >= live->past_length)
        live->past_at -= live->past_length;
    if (first)
        clear_samples(live->sum, (int64_t)live->channels * live->block);
    delay_rows(&live->dry, live->input, live->channels, live->block, count);
    mix_dry(live, count);
    live->change_left = live->change_left > count ? live->change_left - count : 0;
}

/* How loud it is, until it is decided on what leaves. */
static void listen(tapeemu_live *live, int64_t count)
{
    for (int32_t channel = 0; channel < live->channels; channel++)
        for (int64_t k = 0; k < count; k++) {
            const tapeemu_real sample = live->input[channel * (int64_t)live->block + k];
            const tapeemu_real loud = sample < 0 ? -sample : sample;
            live->loudest = loud > live->loudest ? loud : live->loudest;
        }
}

void tapeemu_live_process(
    tapeemu_live *live, const tapeemu_real *const *in, tapeemu_real *const *out, ptrdiff_t count)
{
    for (ptrdiff_t start = 0; start < count;) {
        ptrdiff_t now = count - start < live->block ? count - start : live->block;
        if (live->leaving >= 0 && live->decided_in < now)
            now = (ptrdiff_t)live->decided_in;
        for (int32_t channel = 0; channel < live->channels; channel++)
            for (ptrdiff_t k = 0; k < now; k++)
                live->input[(ptrdiff_t)channel * live->block + k] = in[channel][start + k];
        if (live->leaving >= 0)
            listen(live, now);
        process_piece(live, now);
        if (live->leaving >= 0 && (live->decided_in -= now) == 0)
            decide(live);
        for (int32_t channel = 0; channel < live->channels; channel++)
            for (ptrdiff_t k = 0; k < now; k++)
                out[channel][start + k] = live->sum[(ptrdiff_t)channel * live->block + k];
        start += now;
        live->fresh = false;
    }
}

int64_t tapeemu_live_latency(const tapeemu_live *live)
{
    return live->latency;
}

int64_t tapeemu_live_tail(const tapeemu_live *live, double level_db)
{
    int64_t longest = 0;
    for (int32_t i = 0; i < TAPEEMU_LIVE_CHAINS; i++) {
        const Slot *slot = live->slots + i;
        if (slot->chain == NULL || gone(slot))
            continue;
        if (i == live->playing && tapeemu_adds_sound(slot->chain))
            return TAPEEMU_ENDLESS;
        int64_t tail = tapeemu_tail(slot->chain, level_db);
        const int64_t left = later(samples_left(&slot->heard), samples_left(&slot->rung));
        if (i != live->playing && left < tail)
            tail = left;
        if (tail > longest)
            longest = tail;
    }
    return longest;
}

void tapeemu_live_reset(tapeemu_live *live, int64_t place)
{
    for (int32_t i = 0; i < TAPEEMU_LIVE_CHAINS; i++) {
        Slot *slot = live->slots + i;
        if (slot->chain == NULL)
            continue;
        if (i != live->playing) {
            leave_now(slot);
            continue;
        }
        tapeemu_seek(slot->chain, place);
        enter(live, i, slot->chain);
    }
    live->dry.at = 0;
    clear_samples(live->dry.samples, (int64_t)live->channels * live->latency);
    live->wet = arrived(wet_wanted(live));
    live->leaving = -1;
    live->change_left = 0;
    live->fresh = true;
}
