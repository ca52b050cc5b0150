/* Playing while the chain changes: see live.h. Compile beside tapeemu.c, with the same switches.
 *
 * Every chain has a weight at its input and one at its output, each of which rises or falls once, after a wait counted
 * in samples. So nothing depends on how the input is cut.
 *
 * SPDX-License-Identifier: ISC
 */
#include "live.h"

#define ALIGNMENT ((size_t)16)
#define FADE_SECONDS 0.03
#define RINGING_DB (-100.0) /* tails are kept down to here, and then faded */

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
    Fade fed, heard;
    Delay delay; /* makes it as late as all others */
    tapeemu_real *memory;
} Slot;

struct tapeemu_live {
    double rate;
    int32_t channels, block;
    int64_t latency, fade;
    int64_t change_left; /* samples until the change is over */
    bool fresh;          /* nothing was processed since it was made or reset */
    bool bypassed;       /* as asked for */
    int32_t playing;     /* slot that plays or is on its way in, or -1 */
    Fade wet;            /* weight of the chains against the input */
    Delay dry;
    Slot slots[TAPEEMU_LIVE_CHAINS];
    tapeemu_real *input, *fed, *made, *sum; /* blocks, one row of `block` a channel */
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
    return rounded(sizeof(tapeemu_live)) + 4 * line_bytes(channels, block) +
        (TAPEEMU_LIVE_CHAINS + 1) * line_bytes(channels, latency);
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
    live->playing = -1;
    live->bypassed = false;
    for (int32_t i = 0; i < TAPEEMU_LIVE_CHAINS; i++) {
        live->slots[i].chain = NULL;
        live->slots[i].memory = piece_of(&free_from, line_bytes(channels, latency));
    }
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
    return slot->chain != NULL && silent(&slot->heard);
}

/* Where the weight of the chains shall go. */
static bool wet_wanted(const tapeemu_live *live)
{
    return live->playing >= 0 && !live->bypassed;
}

static void enter(tapeemu_live *live, int32_t place, tapeemu *chain, Fade fed, Fade heard)
{
    Slot *slot = live->slots + place;
    slot->chain = chain;
    slot->fed = fed;
    slot->heard = heard;
    slot->delay.samples = slot->memory;
    slot->delay.length = live->latency - tapeemu_latency(chain);
    slot->delay.at = 0;
    clear_samples(slot->memory, (int64_t)live->channels * slot->delay.length);
    live->playing = place;
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
            before->heard = arrived(false);
        enter(live, place, incoming, arrived(true), arrived(true));
        live->wet = arrived(wet_wanted(live));
        return true;
    }
    for (int32_t i = 0; i < TAPEEMU_LIVE_CHAINS; i++) { /* those that ring on */
        Slot *slot = live->slots + i;
        if (slot != before && slot->chain != NULL && slot->heard.at == 0)
            slot->heard.wait = 0;
    }
    const int64_t unheard = 2 * live->fade + live->latency;
    const bool sources = before != NULL && (tapeemu_adds_sound(before->chain) || tapeemu_adds_sound(incoming));
    if (before != NULL && tapeemu_rings(before->chain) && !sources) {
        before->fed = fade_after(0, live->fade, false);
        const int64_t tail = tapeemu_tail(before->chain, RINGING_DB);
        before->heard = fade_after(live->fade + live->latency + tail, live->fade, false);
        enter(live, place, incoming, fade_after(0, live->fade, true), arrived(true));
        live->change_left = live->fade;
        return true;
    }
    live->change_left = unheard + live->fade;
    if (before != NULL) {
        before->heard = fade_after(unheard, live->fade, false);
        enter(live, place, incoming, fade_after(0, live->fade, true), fade_after(unheard, live->fade, true));
        return true;
    }
    enter(live, place, incoming, fade_after(0, live->fade, true), arrived(true));
    live->wet = live->bypassed ? arrived(false) : fade_after(unheard, live->fade, true);
    return true;
}

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

/* Add what a chain makes of the input to the sum, or write it there. */
static void play(tapeemu_live *live, Slot *slot, bool first, int64_t count)
{
    const tapeemu_real *in[TAPEEMU_MOST_CHANNELS];
    tapeemu_real *out[TAPEEMU_MOST_CHANNELS];
    const int64_t apart = live->block;
    for (int32_t channel = 0; channel < live->channels; channel++) {
        for (int64_t k = 0; k < count; k++)
            live->fed[channel * apart + k] = live->input[channel * apart + k];
        in[channel] = live->fed + channel * apart;
        out[channel] = live->made + channel * apart;
    }
    weigh_rows(&slot->fed, live->fed, live->channels, apart, count);
    (void)tapeemu_process(slot->chain, in, out, (ptrdiff_t)count);
    delay_rows(&slot->delay, live->made, live->channels, apart, count);
    weigh_rows(&slot->heard, live->made, live->channels, apart, count);
    for (int32_t channel = 0; channel < live->channels; channel++) {
        tapeemu_real *sum = live->sum + channel * apart;
        const tapeemu_real *made = out[channel];
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
    for (int32_t i = 0; i < TAPEEMU_LIVE_CHAINS; i++) {
        Slot *slot = live->slots + i;
        if (slot->chain == NULL || gone(slot))
            continue;
        play(live, slot, first, count);
        first = false;
    }
    if (first)
        clear_samples(live->sum, (int64_t)live->channels * live->block);
    delay_rows(&live->dry, live->input, live->channels, live->block, count);
    mix_dry(live, count);
    live->change_left = live->change_left > count ? live->change_left - count : 0;
}

void tapeemu_live_process(
    tapeemu_live *live, const tapeemu_real *const *in, tapeemu_real *const *out, ptrdiff_t count)
{
    for (ptrdiff_t start = 0; start < count;) {
        const ptrdiff_t now = count - start < live->block ? count - start : live->block;
        for (int32_t channel = 0; channel < live->channels; channel++)
            for (ptrdiff_t k = 0; k < now; k++)
                live->input[(ptrdiff_t)channel * live->block + k] = in[channel][start + k];
        process_piece(live, now);
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
        const int64_t left = slot->heard.wait + slot->heard.length - slot->heard.at;
        if (!slot->heard.rises && left < tail)
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
            slot->heard = arrived(false);
            continue;
        }
        tapeemu_seek(slot->chain, place);
        enter(live, i, slot->chain, arrived(true), arrived(true));
    }
    live->dry.at = 0;
    clear_samples(live->dry.samples, (int64_t)live->channels * live->latency);
    live->wet = arrived(wet_wanted(live));
    live->change_left = 0;
    live->fresh = true;
}
