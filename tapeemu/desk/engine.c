/* What the page of the desk needs of the library beyond its own interface: a setup as a row of numbers.
 *
 * The row: sample rate, channels, block, place, track, stages, groups; for every stage its kind, the number of its
 * settings, that of a still tape's or 0, the settings, those of the still tape; for every group first, behind, share.
 * Addresses are the page's to choose; nothing is kept here.
 *
 * SPDX-License-Identifier: ISC
 */
#include "../native/c/live.h"

#define EXPORTED __attribute__((visibility("default")))

enum { ROW_RATE, ROW_CHANNELS, ROW_BLOCK, ROW_PLACE, ROW_TRACK, ROW_STAGES, ROW_GROUPS, ROW_NUMBERS };

EXPORTED size_t desk_bytes(const tapeemu_number *row);
EXPORTED tapeemu *desk_create(const tapeemu_number *row, void *memory);
EXPORTED double desk_latency(const tapeemu *chain);
EXPORTED double desk_tail(const tapeemu *chain, double level_db);
EXPORTED void desk_seek(tapeemu *chain, double place);
EXPORTED size_t desk_live_bytes(double rate, double channels, double latency);
EXPORTED tapeemu_live *desk_live_create(double rate, double channels, double latency, void *memory);

enum { LIVE_BLOCK = 256 };

static tapeemu_setup setup_of(const tapeemu_number *row, tapeemu_stage *stages, tapeemu_group *groups)
{
    const int32_t stage_count = (int32_t)row[ROW_STAGES].real;
    const int32_t group_count = (int32_t)row[ROW_GROUPS].real;
    const tapeemu_number *at = row + ROW_NUMBERS;
    for (int32_t i = 0; i < stage_count && i < TAPEEMU_MOST_STAGES; i++) {
        const int32_t count = (int32_t)at[1].real;
        const int32_t still = (int32_t)at[2].real;
        stages[i] =
            (tapeemu_stage){(int32_t)at[0].real, count, at + 3, still > 0 ? at + 3 + count : NULL, still};
        at += 3 + count + still;
    }
    for (int32_t i = 0; i < group_count && i < TAPEEMU_MOST_GROUPS; i++, at += 3)
        groups[i] = (tapeemu_group){(int32_t)at[0].real, (int32_t)at[1].real, at[2].real};
    return (tapeemu_setup){
        .sample_rate = row[ROW_RATE].real,
        .place = (int64_t)row[ROW_PLACE].real,
        .track = (int64_t)row[ROW_TRACK].real,
        .channels = (int32_t)row[ROW_CHANNELS].real,
        .block = (int32_t)row[ROW_BLOCK].real,
        .stage_count = stage_count,
        .group_count = group_count,
        .stages = stages,
        .groups = groups,
    };
}

/* Memory that a chain needs; 0 if the row is not valid. */
size_t desk_bytes(const tapeemu_number *row)
{
    tapeemu_stage stages[TAPEEMU_MOST_STAGES];
    tapeemu_group groups[TAPEEMU_MOST_GROUPS];
    const tapeemu_setup setup = setup_of(row, stages, groups);
    return tapeemu_size(&setup).fast;
}

/* Make a chain in memory of that size; NULL if the row is not valid. */
tapeemu *desk_create(const tapeemu_number *row, void *memory)
{
    tapeemu_stage stages[TAPEEMU_MOST_STAGES];
    tapeemu_group groups[TAPEEMU_MOST_GROUPS];
    const tapeemu_setup setup = setup_of(row, stages, groups);
    return tapeemu_create(&setup, memory, NULL);
}

/* As in tapeemu.h, with numbers that scripts have. */
double desk_latency(const tapeemu *chain)
{
    return (double)tapeemu_latency(chain);
}

double desk_tail(const tapeemu *chain, double level_db)
{
    return (double)tapeemu_tail(chain, level_db);
}

void desk_seek(tapeemu *chain, double place)
{
    tapeemu_seek(chain, (int64_t)place);
}

/* As in live.h, with numbers that scripts have. */
size_t desk_live_bytes(double rate, double channels, double latency)
{
    return tapeemu_live_size(rate, (int32_t)channels, LIVE_BLOCK, (int64_t)latency);
}

tapeemu_live *desk_live_create(double rate, double channels, double latency, void *memory)
{
    return tapeemu_live_create(rate, (int32_t)channels, LIVE_BLOCK, (int64_t)latency, memory);
}
