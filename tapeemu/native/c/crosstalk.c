/* Generated from crosstalk.py (639435b11e63f149); do not edit. SPDX-License-Identifier: ISC */

/* What a channel hears of the tracks beside its own: see :class:`tapeemu.processors.crosstalk.Crosstalk`. */

#include "crosstalk.h"

#define CROSSTALK_HOP 64
#define CROSSTALK_POINTS 512
#define CROSSTALK_TURN REAL(0x1.921fb54442d18p+2)
#define CROSSTALK_LAW_TO_HZ REAL(20000.0)
#define CROSSTALK_LAW_TO_TURNS REAL(0x1.ccccccccccccdp-2)
#define CROSSTALK_IN_HOP 0
#define CROSSTALK_COLUMN 1
#define CROSSTALK_LATE 2

/* What the field beyond the edge of a track leaves at a distance: ``exp(-k g)``. */
KERNEL double crosstalk_fringing_gain(const CrosstalkSettings *settings, double frequency_hz)
{
    if (settings->fringing == 0) {
        return 0.0;
    }
    const double k = 0x1.921fb54442d18p+2 * frequency_hz / (0x1.47ae147ae147bp-7 * settings->tape_speed_cm_s);
    return elementary_power_of_ten(0x1.999999999999ap-5 * settings->fringing_db) * elementary_exponential(-k *
        0x1.0624dd2f1a9fcp-10 * settings->guard_mm);
}

/* What goes from winding to winding: in proportion to frequency. */
KERNEL double crosstalk_coupling_gain(const CrosstalkSettings *settings, double frequency_hz, double
    sample_rate)
{
    if (settings->coupling == 0) {
        return 0.0;
    }
    const double gain = elementary_power_of_ten(0x1.999999999999ap-5 * settings->coupling_db) * frequency_hz /
        1000.0;
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
    (void)settings;
    for (ix i = 0; i < shapes.n0; i++) {
        for (ix j = 0; j < shapes.n1; j++) {
            shapes.at[i * shapes.n1 + j] = INT64_C(1);
        }
    }
    three_rates_shapes(sample_rate, channels, shapes, 3);
    shapes.at[0] = INT64_C(3);
    shapes.at[1 * shapes.n1] = (int64_t)channels;
    /* The line of the filter, which is the seventh of its arrays. */
    shapes.at[1 * shapes.n1 + 1] = shapes.at[9 * shapes.n1 + 1];
    shapes.at[2 * shapes.n1] = (int64_t)channels;
    shapes.at[2 * shapes.n1 + 1] = INT64_C(64);
}

/* Fill the plan; crosstalk is the same everywhere on the tape. */
KERNEL void crosstalk_design(const CrosstalkSettings *settings, double sample_rate, ix channels, int64_t
    start_sample, int64_t track, const CrosstalkMemory *memory)
{
    (void)track;
    doubles_2 laws = memory->filters.laws;
    for (ix level = 0; level < 3; level++) {
        for (ix i = 0; i < CROSSTALK_POINTS; i++) {
            laws.at[level * laws.n1 + i] = crosstalk_fringing_gain(settings, three_rates_point_turns(level, i)
                * sample_rate);
        }
    }
    design_three_rates(&memory->filters);
    for (ix i = 0; i < CROSSTALK_POINTS; i++) {
        laws.at[i] = crosstalk_coupling_gain(settings, three_rates_point_turns(0, i) * sample_rate,
            sample_rate);
    }
    three_rates_add_odd_law(&memory->filters);
    memory->counts.at[CROSSTALK_LATE] = (int64_t)crosstalk_latency(settings, sample_rate, channels);
    crosstalk_seek(memory, start_sample);
}

/* Go to another place on the tape; nothing that sounded before is left. */
KERNEL void crosstalk_seek(const CrosstalkMemory *memory, int64_t place)
{
    clear_three_rates(&memory->filters);
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
            }
            counts.at[CROSSTALK_COLUMN] = (int64_t)three_rates_next_hop(&memory->filters, dry);
        }
        counts.at[CROSSTALK_IN_HOP] = (int64_t)begin;
    }
}
