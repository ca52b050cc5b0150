/* Generated from crosstalk.py (fe0d050e790bc862); do not edit. SPDX-License-Identifier: ISC */

/* What a channel hears of the tracks beside its own: see :class:`tapeemu.processors.crosstalk.Crosstalk`. */

#include "crosstalk.h"

#define CROSSTALK_HOP 64
#define CROSSTALK_POINTS 512
#define CROSSTALK_TURN REAL(0x1.921fb54442d18p+2)
#define CROSSTALK_LAW_TO_HZ REAL(20000.0)
#define CROSSTALK_LAW_TO_TURNS REAL(0x1.ccccccccccccdp-2)
#define CROSSTALK_FARTHEST_SECONDS REAL(0x1.999999999999ap-7)
#define CROSSTALK_ARRAYS_OF_FILTER 12
#define CROSSTALK_IN_HOP 0
#define CROSSTALK_COLUMN 1
#define CROSSTALK_LATE 2
#define CROSSTALK_HEARD 3

/* What the field beyond the edge of a track leaves so many tracks away: ``exp(-k g)``, g the distance. */
KERNEL double crosstalk_fringing_gain(const CrosstalkSettings *settings, double frequency_hz, ix away)
{
    if (settings->fringing == 0) {
        return 0.0;
    }
    const double distance_mm = (double)away * settings->guard_mm + (double)(away - 1) *
        settings->track_width_mm;
    if (away > 1 && 0x1.999999999999ap-4 * distance_mm > 0x1.999999999999ap-7 * settings->tape_speed_cm_s) {
        return 0.0;
    }
    const double k = 0x1.921fb54442d18p+2 * frequency_hz / (0x1.47ae147ae147bp-7 * settings->tape_speed_cm_s);
    return elementary_power_of_ten(0x1.999999999999ap-5 * settings->fringing_db) * elementary_exponential(-k *
        0x1.0624dd2f1a9fcp-10 * distance_mm);
}

/* What goes from winding to winding: in proportion to frequency, less by a step for every track between. */
KERNEL double crosstalk_coupling_gain(const CrosstalkSettings *settings, double frequency_hz, double
    sample_rate, ix away)
{
    if (settings->coupling == 0) {
        return 0.0;
    }
    const double level_db = settings->coupling_db - (double)(away - 1) * settings->coupling_step_db;
    const double gain = elementary_power_of_ten(0x1.999999999999ap-5 * level_db) * frequency_hz / 1000.0;
    const double law_to = smaller_double(20000.0, 0x1.ccccccccccccdp-2 * sample_rate);
    const double beyond = smaller_double(larger_double((frequency_hz - law_to) / (0.5 * sample_rate - law_to),
        0.0), 1.0);
    return gain * (0.5 + 0.5 * elementary_cosine_of_turns(0.5 * beyond));
}

/* Samples by which the output is late: half a filter, nothing for one channel, which has no neighbour. */
KERNEL ix crosstalk_latency(const CrosstalkSettings *settings, double sample_rate, ix channels)
{
    (void)settings;
    return channels > 1 ? three_rates_latency(sample_rate) : 0;
}

/* Samples that sound on: the other half of the filter. */
KERNEL ix crosstalk_tail(const CrosstalkSettings *settings, double sample_rate, ix channels, double level_db)
{
    (void)settings;
    (void)level_db;
    return channels > 1 ? three_rates_half(sample_rate) : 0;
}

/* Write the shapes of the arrays of :class:`CrosstalkMemory`, a row for each. */
KERNEL void crosstalk_shapes(const CrosstalkSettings *settings, double sample_rate, ix channels, int64s_2
    shapes)
{
    for (ix i = 0; i < shapes.n0; i++) {
        for (ix j = 0; j < shapes.n1; j++) {
            shapes.at[i * shapes.n1 + j] = INT64_C(1);
        }
    }
    const ix stop_1 = smaller_integer(settings->tracks_heard, 3);
    for (ix away = 0; away < stop_1; away++) {
        three_rates_shapes(sample_rate, channels, shapes, 5 + away * CROSSTALK_ARRAYS_OF_FILTER);
    }
    shapes.at[0] = INT64_C(4);
    shapes.at[1 * shapes.n1] = (int64_t)channels;
    /* The line of the filter, which is the seventh of its arrays. */
    shapes.at[1 * shapes.n1 + 1] = shapes.at[11 * shapes.n1 + 1];
    shapes.at[2 * shapes.n1] = (int64_t)channels;
    shapes.at[2 * shapes.n1 + 1] = INT64_C(64);
    if (settings->tracks_heard > 1) {
        shapes.at[3 * shapes.n1] = (int64_t)channels;
        shapes.at[3 * shapes.n1 + 1] = INT64_C(64);
    }
    shapes.at[4 * shapes.n1] = (int64_t)three_rates_work(sample_rate);
}

/* Design the filter of tracks that are so many places away. */
KERNEL void crosstalk_design_filter(const CrosstalkSettings *settings, double sample_rate, ix away, const
    ThreeRates *filters, doubles_1 work)
{
    doubles_2 laws = filters->laws;
    for (ix level = 0; level < 3; level++) {
        for (ix i = 0; i < CROSSTALK_POINTS; i++) {
            laws.at[level * laws.n1 + i] = crosstalk_fringing_gain(settings, three_rates_point_turns(level, i)
                * sample_rate, away);
        }
    }
    design_three_rates(filters, sample_rate, work);
    for (ix i = 0; i < CROSSTALK_POINTS; i++) {
        laws.at[i] = crosstalk_coupling_gain(settings, three_rates_point_turns(0, i) * sample_rate,
            sample_rate, away);
    }
    three_rates_add_odd_law(filters);
}

/* Fill the plan; crosstalk is the same everywhere on the tape. */
KERNEL void crosstalk_design(const CrosstalkSettings *settings, double sample_rate, ix channels, int64_t
    start_sample, int64_t track, const CrosstalkMemory *memory)
{
    (void)track;
    crosstalk_design_filter(settings, sample_rate, 1, &memory->filters, memory->work);
    if (settings->tracks_heard > 1) {
        crosstalk_design_filter(settings, sample_rate, 2, &memory->further, memory->work);
    }
    if (settings->tracks_heard > 2) {
        crosstalk_design_filter(settings, sample_rate, 3, &memory->farthest, memory->work);
    }
    memory->counts.at[CROSSTALK_HEARD] = (int64_t)settings->tracks_heard;
    memory->counts.at[CROSSTALK_LATE] = (int64_t)crosstalk_latency(settings, sample_rate, channels);
    crosstalk_seek(memory, start_sample);
}

/* Go to another place on the tape; nothing that sounded before is left. */
KERNEL void crosstalk_seek(const CrosstalkMemory *memory, int64_t place)
{
    clear_three_rates(&memory->filters);
    if (memory->counts.at[CROSSTALK_HEARD] > INT64_C(1)) {
        clear_three_rates(&memory->further);
    }
    if (memory->counts.at[CROSSTALK_HEARD] > INT64_C(2)) {
        clear_three_rates(&memory->farthest);
    }
    for (ix channel = 0; channel < memory->dry.n0; channel++) {
        for (ix column = 0; column < memory->dry.n1; column++) {
            memory->dry.at[channel * memory->dry.n1 + column] = REAL(0.0);
        }
        for (ix i = 0; i < CROSSTALK_HOP; i++) {
            memory->heard.at[channel * memory->heard.n1 + i] = REAL(0.0);
        }
    }
    memory->counts.at[CROSSTALK_IN_HOP] = place - floor_division_64(place, INT64_C(64)) * INT64_C(64);
    memory->counts.at[CROSSTALK_COLUMN] = (int64_t)three_rates_next_hop(&memory->filters, memory->dry);
}

/* Write to the filter's line what a hop's neighbours sound. */
KERNEL void crosstalk_add_neighbours(const CrosstalkMemory *memory, ix column)
{
    reals_2 dry = memory->dry;
    reals_2 line = memory->filters.line;
    const ix last = dry.n0 - 1;
    for (ix channel = 0; channel < dry.n0; channel++) {
        const ix before = larger_integer(channel - 1, 0);
        const ix after = smaller_integer(channel + 1, last);
        if (channel == 0 || channel == last) {
            const ix only = channel == 0 ? after : before;
            for (ix i = column; i < column + CROSSTALK_HOP; i++) {
                line.at[channel * line.n1 + i] = dry.at[only * dry.n1 + i];
            }
        } else {
            for (ix i = column; i < column + CROSSTALK_HOP; i++) {
                line.at[channel * line.n1 + i] = dry.at[before * dry.n1 + i] + dry.at[after * dry.n1 + i];
            }
        }
    }
}

/* Make room for the next hop in the lines of tracks that are no neighbours; it begins on the same column. */
KERNEL void crosstalk_make_room(const CrosstalkMemory *memory)
{
    if (memory->counts.at[CROSSTALK_HEARD] > INT64_C(1)) {
        three_rates_next_hop_alone(&memory->further);
    }
    if (memory->counts.at[CROSSTALK_HEARD] > INT64_C(2)) {
        three_rates_next_hop_alone(&memory->farthest);
    }
}

/* Add to what is heard a hop of the tracks that are so many places away on either side. */
KERNEL void crosstalk_add_further(const CrosstalkMemory *memory, const ThreeRates *filters, ix away, ix
    column)
{
    reals_2 dry = memory->dry;
    reals_2 line = filters->line;
    const ix channels = dry.n0;
    for (ix channel = 0; channel < channels; channel++) {
        const ix before = channel - away;
        const ix after = channel + away;
        for (ix i = column; i < column + CROSSTALK_HOP; i++) {
            line.at[channel * line.n1 + i] = REAL(0.0);
        }
        if (before >= 0) {
            for (ix i = column; i < column + CROSSTALK_HOP; i++) {
                line.at[channel * line.n1 + i] = dry.at[before * dry.n1 + i];
            }
        }
        if (after < channels) {
            for (ix i = column; i < column + CROSSTALK_HOP; i++) {
                line.at[channel * line.n1 + i] = line.at[channel * line.n1 + i] + dry.at[after * dry.n1 + i];
            }
        }
    }
    three_rates_filter_hop(filters, memory->part);
    for (ix channel = 0; channel < channels; channel++) {
        for (ix i = 0; i < CROSSTALK_HOP; i++) {
            memory->heard.at[channel * memory->heard.n1 + i] = memory->heard.at[channel * memory->heard.n1 +
                i] + memory->part.at[channel * memory->part.n1 + i];
        }
    }
}

/*
 * Add to every channel what it hears of those beside it.
 *
 * Parameters
 * ----------
 * memory : CrosstalkMemory
 *     Changed in place.
 * block : ndarray, shape (channels, samples)
 *     Of any length.
 * out : ndarray, shape (channels, samples)
 *     Gets the result; may be `block` itself.
 */
KERNEL void crosstalk_process(const CrosstalkMemory *memory, reals_2 block, reals_2 out)
{
    int64s_1 counts = memory->counts;
    reals_2 dry = memory->dry;
    const ix channels = block.n0;
    const ix samples = block.n1;
    const ix late = (ix)counts.at[CROSSTALK_LATE];
    ix done = 0;
    while (done < samples) {
        ix begin = (ix)counts.at[CROSSTALK_IN_HOP];
        const ix count = smaller_integer(samples - done, CROSSTALK_HOP - begin);
        const ix column = (ix)counts.at[CROSSTALK_COLUMN];
        const ux to = (ux)(column + begin);
        const ux back = (ux)(column + begin - late);
        const ux since = (ux)done;
        for (ix channel = 0; channel < channels; channel++) {
            for (ux i = (ux)0; i < (ux)count; i++) {
                dry.at[channel * dry.n1 + (ix)to + (ix)i] = block.at[channel * block.n1 + (ix)since + (ix)i];
            }
            for (ux i = (ux)0; i < (ux)count; i++) {
                out.at[channel * out.n1 + (ix)since + (ix)i] = dry.at[channel * dry.n1 + (ix)back + (ix)i] +
                    memory->heard.at[channel * memory->heard.n1 + (ix)(ux)begin + (ix)i];
            }
        }
        begin += count;
        done += count;
        if (begin == CROSSTALK_HOP) {
            begin = 0;
            if (channels > 1) {
                crosstalk_add_neighbours(memory, column);
                three_rates_filter_hop(&memory->filters, memory->heard);
                if (counts.at[CROSSTALK_HEARD] > INT64_C(1)) {
                    crosstalk_add_further(memory, &memory->further, 2, column);
                }
                if (counts.at[CROSSTALK_HEARD] > INT64_C(2)) {
                    crosstalk_add_further(memory, &memory->farthest, 3, column);
                }
                crosstalk_make_room(memory);
            }
            counts.at[CROSSTALK_COLUMN] = (int64_t)three_rates_next_hop(&memory->filters, dry);
        }
        counts.at[CROSSTALK_IN_HOP] = (int64_t)begin;
    }
}
