/* Playing while the chain changes: one chain gives way to another without a click, at a latency that never changes.
 *
 *     tapeemu_live *live = tapeemu_live_create(rate, channels, block, latency, malloc(tapeemu_live_size(...)));
 *     tapeemu_live_take(live, chain);                the first chain sounds at once
 *     tapeemu_live_process(live, in, out, count);
 *     tapeemu_live_take(live, other);                from the next sample on the chain changes
 *     gone = tapeemu_live_gone(live);                the first chain, when it no longer sounds
 *
 * Chains are made, sought and freed by the caller, off the audio thread. Here nothing allocates memory, calls a library,
 * waits, keeps anything outside of the memory it is given, or calls itself. One thread at a time may use an object.
 *
 * How a chain gives way to another: both hear the input for 60 ms and the latency, the new one unheard; then what one
 * makes is faded into what the other makes, in 30 ms, with weights that add up to 1. So a change is never louder than
 * the louder of the two chains, and between equal chains nothing is heard but the start of filters that remember longer.
 * A tail that rings on adds to that: behind a reverb that is only wet noise can be 3 dB louder for a moment.
 *
 * Of chains that ring on (reverbs) three parts change place one by one: what stands before the reverbs, they
 * themselves, and what stands behind.
 * - The reverb keeps its tail. What the old part before made is faded into what the new one makes; the old reverb gets
 *   the one, the new reverb the other; the sum of both goes through what stands behind, which changes place on its own.
 *   So a drive before or behind always gets all of its sound, and noise is never heard twice.
 * - That needs a drive behind the reverbs of both chains, or of neither. If not, and the new chain has no reverb, the
 *   tail rings beside it. Otherwise (the order of reverb and drive changes, or a reverb is mixed with what drives) the
 *   outputs change place in 250 ms, and the sound stays even. A tail that is alone, the input being below -60 dBFS until
 *   then, rings on through its old chain, unless that chain adds sound of its own from the reverb on.
 *
 * A jump of the song's position is the same thing: a chain of the same settings, made at or sought to the new place.
 *
 * SPDX-License-Identifier: ISC
 */
#ifndef TAPEEMU_LIVE_H
#define TAPEEMU_LIVE_H

#include "tapeemu.h"

/* Chains held at once: the one that plays, one that is on its way in, one that rings. */
#define TAPEEMU_LIVE_CHAINS 3

/* A tail that has no end. */
#define TAPEEMU_ENDLESS INT64_MAX

typedef struct tapeemu_live tapeemu_live;

/* Memory it needs, in bytes, aligned as for any type; 0 if something is out of range.
 *
 * rate, channels: of all chains. block: samples worked on at once, 1 to TAPEEMU_LONGEST_BLOCK; decides memory and
 * speed, no sample. latency: samples by which the output is late, whatever plays; at least that of every chain. */
size_t tapeemu_live_size(double rate, int32_t channels, int32_t block, int64_t latency);

/* Make one in memory of that size; NULL if something is out of range. Until it has a chain the input passes, late. */
tapeemu_live *tapeemu_live_create(double rate, int32_t channels, int32_t block, int64_t latency, void *memory);

/* Begin the change to a chain, whose next sample is the next one that is processed.
 *
 * A chain that comes before the first sample, or before the first one after a reset, sounds at once. Returns false, and
 * leaves the chain to the caller, while a change is under way (at most 0.31 s and the latency, or 0.12 s and three times
 * the latency), while all places are taken by chains that were not fetched by tapeemu_live_gone, if the chain is here
 * already, if its rate or channels are others, if it is later than the latency, or if it changes the length. A chain
 * that still rings from an earlier change is faded in 30 ms. */
bool tapeemu_live_take(tapeemu_live *live, tapeemu *incoming);

/* Whether the tail of the chain that plays would ring on through a change to another one. Where it would not, an object
 * of its own for each of the two keeps it: the one that is left is given nothing more, and rings. */
bool tapeemu_live_keeps_tail(const tapeemu_live *live, const tapeemu *incoming);

/* Whether a change is under way. */
bool tapeemu_live_changing(const tapeemu_live *live);

/* A chain that no longer sounds, once; NULL if there is none. The caller frees or reuses it. */
tapeemu *tapeemu_live_gone(tapeemu_live *live);

/* The chain that plays, or is on its way in; NULL if there is none. Settings may be moved in it (tapeemu_set). */
tapeemu *tapeemu_live_chain(const tapeemu_live *live);

/* Let the input pass unchanged, equally late, or no longer; in 30 ms. The chain runs on meanwhile. */
void tapeemu_live_bypass(tapeemu_live *live, bool bypassed);

/* Process a block of any size, 0 included.
 *
 * in, out: one pointer a channel; each may be the same as its partner. How a signal is cut changes no sample. */
void tapeemu_live_process(
    tapeemu_live *live, const tapeemu_real *const *in, tapeemu_real *const *out, ptrdiff_t count);

/* Samples by which the output is late. */
int64_t tapeemu_live_latency(const tapeemu_live *live);

/* Samples that sound on above a level (dB, below 0) after the input has ended, without the latency; TAPEEMU_ENDLESS if
 * what plays sounds by itself. Chains that ring on are counted. */
int64_t tapeemu_live_tail(const tapeemu_live *live, double level_db);

/* Silence at once: as created with the chain that plays, which goes to a place on the tape. All other chains are gone. */
void tapeemu_live_reset(tapeemu_live *live, int64_t place);

#endif
