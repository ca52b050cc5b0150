/* A chain of tape processors: sizes asked, memory given by the caller, the same samples on every machine.
 *
 * Nothing here allocates memory, calls a library, keeps anything outside of the memory it is given, or calls itself.
 * One thread at a time may use a chain; different chains have nothing in common.
 *
 *     tapeemu_bytes need = tapeemu_size(&setup);
 *     tapeemu *chain = tapeemu_create(&setup, malloc(need.fast), malloc(need.slow));
 *     made = tapeemu_process(chain, in, out, count);
 *
 * Build switches: see subset.h. All that includes this header must be built with the same TAPEEMU_SINGLE.
 *
 * SPDX-License-Identifier: ISC
 */
#ifndef TAPEEMU_H
#define TAPEEMU_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "settings.h"

#ifdef TAPEEMU_SINGLE
typedef float tapeemu_real;
#else
typedef double tapeemu_real;
#endif

/* Most stages, groups and channels of a chain, samples that are worked on at once, and samples of a control period. */
#define TAPEEMU_MOST_STAGES 16
#define TAPEEMU_MOST_GROUPS 16
#define TAPEEMU_MOST_CHANNELS 64
#define TAPEEMU_LONGEST_BLOCK 4096
#define TAPEEMU_LONGEST_CONTROL 1000000

/* A setting: settings.h says which member is meant. */
typedef union {
    double real;
    int64_t whole;
} tapeemu_number;

/* A processor in its place in a chain. */
typedef struct {
    int32_t kind;                   /* TAPEEMU_DRIVE, ... */
    int32_t count;                  /* of its settings */
    const tapeemu_number *settings; /* in the order of settings.h; copied */
    /* The same tape without its movements, only for a tape at the wrong speed that is mixed with its input, else NULL. */
    const tapeemu_number *still;
    int32_t still_count;
} tapeemu_stage;

/* A row of stages that is mixed with its own input, or a chain within the chain, or both. */
typedef struct {
    int32_t first;  /* number of its first stage */
    int32_t behind; /* number behind that of its last */
    double share;   /* of the processed signal, 0 to 1 */
} tapeemu_group;

/* What a chain is made of. */
typedef struct {
    double sample_rate; /* 1000 to 1000000 */
    int64_t place;      /* on the tape, of the first sample */
    int64_t track;      /* on the tape */
    int32_t channels;   /* 1 to TAPEEMU_MOST_CHANNELS */
    int32_t block;      /* samples worked on at once, 1 to TAPEEMU_LONGEST_BLOCK; decides memory and speed, no sample */
    int32_t stage_count;
    int32_t group_count;
    const tapeemu_stage *stages; /* in the order of the signal */
    const tapeemu_group *groups; /* in the order of their first stage, outer ones before inner ones */
    size_t slow_from;            /* arrays of so many bytes and more go to the slow memory; 0: none do */
    int32_t control;             /* samples of a control period, for envelopes of the input; 0: there are none */
} tapeemu_setup;

/* Memory that a chain needs, both aligned as for any type. */
typedef struct {
    size_t fast;
    size_t slow;
} tapeemu_bytes;

typedef struct tapeemu tapeemu;

/* Memory that a chain needs; zeros if the setup is not valid. */
tapeemu_bytes tapeemu_size(const tapeemu_setup *setup);

/* Make a chain in memory of that size; NULL if the setup is not valid. The setup may be forgotten afterwards. */
tapeemu *tapeemu_create(const tapeemu_setup *setup, void *fast, void *slow);

/* As created: nothing that sounded before is left, and the tape is where it was then. */
void tapeemu_reset(tapeemu *chain);

/* As if created with its first sample at this place on the tape. */
void tapeemu_seek(tapeemu *chain, int64_t place);

/* Process a block of any size.
 *
 * in, out: one pointer a channel; they may be the same. Only a tape at the wrong speed gives another number of samples
 * than it gets: at most tapeemu_most(chain, count), for which there must be room in out.
 * Returns the samples written. How a signal is cut into blocks changes no sample.
 */
ptrdiff_t tapeemu_process(tapeemu *chain, const tapeemu_real *const *in, tapeemu_real *const *out, ptrdiff_t count);

/* As tapeemu_process; beside it, how loud each channel of the input is.
 *
 * Where a control period ends in the block, its channels get a value each: the root of the mean square of the period's
 * samples. Periods are counted from the tape's beginning. envelopes: one pointer a channel, each with room for
 * count / control + 1 values, or NULL; *values gets how many were written for every channel, and may be NULL as well.
 * tapeemu_process goes on in the same periods without telling; tapeemu_process_part leaves them alone. */
ptrdiff_t tapeemu_process_with_envelopes(tapeemu *chain, const tapeemu_real *const *in, tapeemu_real *const *out,
    ptrdiff_t count, tapeemu_real *const *envelopes, ptrdiff_t *values);

/* Most samples that a block of so many can give. */
ptrdiff_t tapeemu_most(const tapeemu *chain, ptrdiff_t count);

/* Samples by which the output is late. */
int64_t tapeemu_latency(const tapeemu *chain);

/* As set up. */
double tapeemu_rate(const tapeemu *chain);
int32_t tapeemu_channels(const tapeemu *chain);

/* Samples that leave per sample that enters: 1 but for a tape at the wrong speed. */
double tapeemu_length_ratio(const tapeemu *chain);

/* Whether it sounds by itself (noise, hum), and whether it has a tail that is to be heard to its end (a reverb). */
bool tapeemu_adds_sound(const tapeemu *chain);
bool tapeemu_rings(const tapeemu *chain);

/* Samples that sound on above a level (dB, below 0) after the input has ended, without the latency. */
int64_t tapeemu_tail(const tapeemu *chain, double level_db);

/* A chain in three parts, for who makes one chain give way to another (live.h): what stands before its reverbs, they
 * themselves, and what stands behind. Reverbs with nothing but linear and silent stages between them are one part; of
 * others it is the last one. All of a chain stands behind that does not ring, that has a reverb in one mix with what
 * drives or sounds by itself, or that changes the length on its way. */
enum { TAPEEMU_BEFORE, TAPEEMU_RINGING, TAPEEMU_BEHIND, TAPEEMU_PARTS };

typedef struct {
    int64_t latency;  /* samples; of the three they add up to that of the chain */
    bool empty;       /* no stage: it passes its input */
    bool drives;      /* not linear */
    bool adds_sound;  /* as of a chain */
} tapeemu_part;

tapeemu_part tapeemu_part_of(const tapeemu *chain, int32_t part);

/* As tapeemu_process, for one part, whose input is what the part before it made. Every sample must go through all. */
ptrdiff_t tapeemu_process_part(
    tapeemu *chain, int32_t part, const tapeemu_real *const *in, tapeemu_real *const *out, ptrdiff_t count);

/* Move a setting that is real to a value, from the next sample on; settings.h says which can move.
 *
 * What follows from it goes there smoothly, to the second derivative, in 15 to 20 ms, and is at the middle of its way
 * after 12.5 ms. Settings that follow a straight line in small steps follow it 12.5 ms later.
 * Returns false, and does nothing, if it cannot, or if the value needs more memory than the stage was made with (a
 * strong drive runs at a higher rate than a soft one): make a new chain then. */
bool tapeemu_set(tapeemu *chain, int32_t stage, int32_t setting, double value);

/* Move the share of a group's processed signal, 0 to 1, smoothly in 30 ms; while it is on its way, afterwards. A group made
 * with the share 1 is not mixed, and cannot. */
bool tapeemu_set_share(tapeemu *chain, int32_t group, double share);

/* Let a setting follow a curve that is known ahead: a value to take up at the beginning of the next cell of the tape (5 ms
 * as the stage counts it, see glides.c). What is given at the beginning of a cell is the mean of the curve over a cell
 * round the beginning of the third one on; the sound then is that of Python's curves. False as with tapeemu_set. */
bool tapeemu_follow(tapeemu *chain, int32_t stage, int32_t setting, double value);

/* The same for the share of a group; its cells are those of the tape at the group's end. */
bool tapeemu_follow_share(tapeemu *chain, int32_t group, double share);

/* The same for who cannot stop where a cell begins, as behind a tape at another speed, where no sample of the input may
 * stand there: what is given is taken up when the stage, or the group, comes to its next cell. Give the value for that cell,
 * one round the beginning of the fourth one on from now; a call of tapeemu_process then is shorter than a cell, at most
 * half as long. */
bool tapeemu_follow_next(tapeemu *chain, int32_t stage, int32_t setting, double value);
bool tapeemu_follow_share_next(tapeemu *chain, int32_t group, double share);

/* Number of the cell of the tape in which the next sample of a stage stands, of what a group lets out; 0 if there is none. */
int64_t tapeemu_cell(const tapeemu *chain, int32_t stage);
int64_t tapeemu_share_cell(const tapeemu *chain, int32_t group);

/* Let all that follows go on by a cell without sound. Behind each value but the last, the first sample has its curve's
 * past: give those of the cells from two before to two behind its own, and then the third. Stages that hear ahead read
 * values as late as they are: for the bits of Python begin as many cells earlier (20 cells, 0.1 s, do for all). */
void tapeemu_follow_on(tapeemu *chain);

#endif
