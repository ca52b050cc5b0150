/* Generated from crosstalk.py (5590eba1c8cd1611); do not edit. SPDX-License-Identifier: ISC */

/* What a channel hears of the tracks beside its own: see :class:`tapeemu.processors.crosstalk.Crosstalk`. */

#include "crosstalk.h"

#define CROSSTALK_AT 0
#define CROSSTALK_CELL 1
#define CROSSTALK_REST 6
#define CROSSTALK_HOP 64
#define CROSSTALK_POINTS 512
#define CROSSTALK_TURN REAL(0x1.921fb54442d18p+2)
#define CROSSTALK_LAW_TO_HZ REAL(20000.0)
#define CROSSTALK_LAW_TO_TURNS REAL(0x1.ccccccccccccdp-2)
#define CROSSTALK_FARTHEST_SECONDS REAL(0x1.999999999999ap-7)
#define CROSSTALK_NONE_DB REAL(-120.0)
#define CROSSTALK_IN_HOP 0
#define CROSSTALK_COLUMN 1
#define CROSSTALK_LATE 2
#define CROSSTALK_HEARD 3
#define CROSSTALK_APART 4
#define CROSSTALK_COUNTS 5
#define CROSSTALK_FRINGING 0
#define CROSSTALK_COUPLING 1
#define CROSSTALK_NUMBERS 4

/* What the field beyond the edge of a track leaves so many tracks away: ``exp(-k g)``, g the distance. */
KERNEL double crosstalk_fringing_law(const CrosstalkSettings *settings, double frequency_hz, ix away)
{
    const double distance_mm = (double)away * settings->guard_mm + (double)(away - 1) *
        settings->track_width_mm;
    if (away > 1 && 0x1.999999999999ap-4 * distance_mm > 0x1.999999999999ap-7 * settings->tape_speed_cm_s) {
        return 0.0;
    }
    const double k = 0x1.921fb54442d18p+2 * frequency_hz / (0x1.47ae147ae147bp-7 * settings->tape_speed_cm_s);
    return elementary_exponential(-k * 0x1.0624dd2f1a9fcp-10 * distance_mm);
}

/* What goes from winding to winding, re 1 kHz: in proportion to frequency. */
KERNEL double crosstalk_coupling_law(double frequency_hz, double sample_rate)
{
    const double law_to = smaller_double(20000.0, 0x1.ccccccccccccdp-2 * sample_rate);
    const double beyond = smaller_double(larger_double((frequency_hz - law_to) / (0.5 * sample_rate - law_to),
        0.0), 1.0);
    return frequency_hz / 1000.0 * (0.5 + 0.5 * elementary_cosine_of_turns(0.5 * beyond));
}

/* Gain of the fringing at the longest wavelengths. */
KERNEL double crosstalk_fringing_gain(const CrosstalkSettings *settings)
{
    return settings->fringing_db > -120.0 ? elementary_power_of_ten(0x1.999999999999ap-5 *
        settings->fringing_db) : 0.0;
}

/* Gain of the coupling at 1 kHz: less by a step for every track between. */
KERNEL double crosstalk_coupling_gain(const CrosstalkSettings *settings, ix away)
{
    const double level_db = settings->coupling_db - (double)(away - 1) * settings->coupling_step_db;
    return settings->coupling_db > -120.0 ? elementary_power_of_ten(0x1.999999999999ap-5 * level_db) : 0.0;
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

/* Write the shapes of the arrays of a :class:`TrackFilter` from a row on; gives the row of the next one. */
KERNEL ix crosstalk_filter_shapes(double sample_rate, ix channels, int64s_2 shapes, ix row)
{
    ix behind = three_rates_shapes(sample_rate, channels, shapes, row);
    /* Of the filter that runs, taps are the second array, and the fifth is what raises a rate. */
    const ix taps = (ix)shapes.at[(row + 1) * shapes.n1];
    behind = memory_shapes_shape_row((ix)shapes.at[(row + 4) * shapes.n1], (ix)shapes.at[(row + 4) * shapes.n1
        + 1], shapes, behind);
    return memory_shapes_shape_row(taps, 1, shapes, memory_shapes_shape_row(taps, 1, shapes, behind));
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
    const bool further = settings->tracks_heard > 1;
    memory_shapes_shape_row(CROSSTALK_COUNTS, 1, shapes, 0);
    memory_shapes_shape_row(channels, CROSSTALK_HOP, shapes, 2);
    if (further) {
        memory_shapes_shape_row(channels, CROSSTALK_HOP, shapes, 3);
    }
    if (SETTINGS_MAY_MOVE) {
        memory_shapes_shape_row(channels, CROSSTALK_HOP, shapes, 4);
        memory_shapes_shape_row(CROSSTALK_NUMBERS, CROSSTALK_HOP, shapes, 5);
    }
    const ix row = memory_shapes_shape_row(three_rates_work(sample_rate), 1, shapes, 6);
    const ix arrays = crosstalk_filter_shapes(sample_rate, channels, shapes, row) - row;
    /* The line of the filter, which is the seventh of its arrays. */
    memory_shapes_shape_row(channels, (ix)shapes.at[(row + 6) * shapes.n1 + 1], shapes, 1);
    const ix stop_1 = smaller_integer(settings->tracks_heard, 3);
    for (ix away = 1; away < stop_1; away++) {
        crosstalk_filter_shapes(sample_rate, channels, shapes, row + away * arrays);
    }
    const ix late = three_rates_latency(sample_rate);
    glides_late_glide_shapes(CROSSTALK_NUMBERS, late, sample_rate, row + 3 * arrays, shapes);
}

/* Let a filter run with both laws at these gains. */
KERNEL void crosstalk_set_taps(const TrackFilter *filters, double fringing, double coupling)
{
    const ThreeRates rates = filters->rates;
    for (ix n = 0; n < rates.fast.n0; n++) {
        rates.fast.at[n] = (real)(fringing * (double)filters->fast.at[n] + coupling *
            (double)filters->odd.at[n]);
    }
    for (ix k = 0; k < rates.raising.n0; k++) {
        for (ix phase = 0; phase < rates.raising.n1; phase++) {
            filters->raised.at[k * filters->raised.n1 + phase] = (real)(fringing * (double)rates.raising.at[k
                * rates.raising.n1 + phase]);
        }
    }
}

/* Let all filters run with both laws as designed, or with the fringing alone at 0 dB. */
KERNEL void crosstalk_set_all_taps(const CrosstalkMemory *memory, bool apart)
{
    doubles_2 values = memory->glide.values;
    for (ix away = 1; away < (ix)memory->counts.at[CROSSTALK_HEARD] + 1; away++) {
        const double fringing = apart ? 1.0 : values.at[CROSSTALK_REST];
        const double coupling = apart ? 0.0 : values.at[(CROSSTALK_COUPLING + away - 1) * values.n1 +
            CROSSTALK_REST];
        if (away == 1) {
            crosstalk_set_taps(&memory->filters, fringing, coupling);
        } else if (away == 2) {
            crosstalk_set_taps(&memory->further, fringing, coupling);
        } else {
            crosstalk_set_taps(&memory->farthest, fringing, coupling);
        }
    }
    memory->counts.at[CROSSTALK_APART] = (int64_t)(apart ? 1 : 0);
}

/* Design both laws of tracks that are so many places away, each at 0 dB. */
KERNEL void crosstalk_design_filter(const CrosstalkSettings *settings, double sample_rate, ix away, const
    TrackFilter *filters, doubles_1 work)
{
    const ThreeRates rates = filters->rates;
    doubles_2 laws = rates.laws;
    for (ix level = 0; level < 3; level++) {
        for (ix i = 0; i < CROSSTALK_POINTS; i++) {
            laws.at[level * laws.n1 + i] = crosstalk_fringing_law(settings, three_rates_point_turns(level, i)
                * sample_rate, away);
        }
    }
    design_three_rates(&rates, sample_rate, work);
    for (ix n = 0; n < rates.fast.n0; n++) {
        filters->fast.at[n] = rates.fast.at[n];
    }
    for (ix i = 0; i < CROSSTALK_POINTS; i++) {
        laws.at[i] = crosstalk_coupling_law(three_rates_point_turns(0, i) * sample_rate, sample_rate);
    }
    three_rates_odd_taps((doubles_1){laws.at, laws.n1}, filters->odd);
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
    glides_glide_rest(CROSSTALK_FRINGING, crosstalk_fringing_gain(settings), &memory->glide);
    for (ix away = 1; away < CROSSTALK_NUMBERS; away++) {
        glides_glide_rest(CROSSTALK_COUPLING + away - 1, crosstalk_coupling_gain(settings, away),
            &memory->glide);
    }
    glides_glide_design(sample_rate, start_sample, &memory->glide);
    crosstalk_set_all_taps(memory, false);
    crosstalk_seek(memory, start_sample);
}

/*
 * Go to other settings from the beginning of the next cell on; see :mod:`tapeemu.dsp.kernels.glides`.
 *
 * Of the settings those of `CROSSTALK_MOVES` may differ from the ones that it was designed for.
 */
KERNEL void crosstalk_change(const CrosstalkSettings *settings, double sample_rate, ix channels, const
    CrosstalkMemory *memory)
{
    (void)sample_rate;
    (void)channels;
    glides_glide_target(CROSSTALK_FRINGING, crosstalk_fringing_gain(settings), &memory->glide);
    for (ix away = 1; away < CROSSTALK_NUMBERS; away++) {
        glides_glide_target(CROSSTALK_COUPLING + away - 1, crosstalk_coupling_gain(settings, away),
            &memory->glide);
    }
}

/* Go to another place on the tape; nothing that sounded before is left. */
KERNEL void crosstalk_seek(const CrosstalkMemory *memory, int64_t place)
{
    glides_glide_seek(place, &memory->glide);
    clear_three_rates(&memory->filters.rates);
    if (memory->counts.at[CROSSTALK_HEARD] > INT64_C(1)) {
        clear_three_rates(&memory->further.rates);
    }
    if (memory->counts.at[CROSSTALK_HEARD] > INT64_C(2)) {
        clear_three_rates(&memory->farthest.rates);
    }
    kept_rows_clear_rows(memory->dry);
    kept_rows_clear_rows(memory->heard);
    memory->counts.at[CROSSTALK_IN_HOP] = place - floor_division_64(place, INT64_C(64)) * INT64_C(64);
    memory->counts.at[CROSSTALK_COLUMN] = (int64_t)three_rates_next_hop(&memory->filters.rates, memory->dry);
}

/* Write to the filter's line what a hop's neighbours sound. */
KERNEL void crosstalk_add_neighbours(const CrosstalkMemory *memory, ix column)
{
    reals_2 dry = memory->dry;
    reals_2 line = memory->filters.rates.line;
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
        three_rates_next_hop_alone(&memory->further.rates);
    }
    if (memory->counts.at[CROSSTALK_HEARD] > INT64_C(2)) {
        three_rates_next_hop_alone(&memory->farthest.rates);
    }
}

/*
 * See whether levels move where the next hop lies on the tape, and if so, find them sample by sample.
 *
 * It is asked of the place alone: where a render began, and how it is cut, must not decide how it is added up.
 */
KERNEL void crosstalk_find_gains(const CrosstalkMemory *memory)
{
    const Glide glide = memory->glide;
    const ix first = (ix)(glide.counts.at[CROSSTALK_AT] - memory->counts.at[CROSSTALK_LATE]);
    const bool apart = glides_glide_moves(&glide) && !glides_glide_late_stands(first, CROSSTALK_HOP, &glide);
    if (apart != (memory->counts.at[CROSSTALK_APART] == INT64_C(1))) {
        crosstalk_set_all_taps(memory, apart);
    }
    if (apart) {
        for (ix number = 0; number < CROSSTALK_NUMBERS; number++) {
            for (ix i = 0; i < CROSSTALK_HOP; i++) {
                memory->gains.at[number * memory->gains.n1 + i] = (real)glides_glide_late_value(number, first
                    + i, &glide);
            }
        }
    }
}

/* Filter the hop that was written to the line of tracks so many places away. */
KERNEL void crosstalk_filter_tracks(const CrosstalkMemory *memory, const TrackFilter *filters, ix away,
    reals_2 out)
{
    if (SETTINGS_MAY_MOVE && memory->counts.at[CROSSTALK_APART] == INT64_C(1)) {
        three_rates_filter_hop_at_sample_rate(&filters->rates, filters->odd, memory->coupled);
        three_rates_filter_hop(&filters->rates, filters->raised, out);
        reals_1 fringing = (reals_1){memory->gains.at, memory->gains.n1};
        reals_1 coupling = (reals_1){memory->gains.at + (CROSSTALK_COUPLING + away - 1) * memory->gains.n1,
            memory->gains.n1};
        for (ix channel = 0; channel < out.n0; channel++) {
            for (ix i = 0; i < CROSSTALK_HOP; i++) {
                out.at[channel * out.n1 + i] = fringing.at[i] * out.at[channel * out.n1 + i] + coupling.at[i]
                    * memory->coupled.at[channel * memory->coupled.n1 + i];
            }
        }
    } else {
        three_rates_filter_hop(&filters->rates, filters->raised, out);
    }
}

/* Add to what is heard a hop of the tracks that are so many places away on either side. */
KERNEL void crosstalk_add_further(const CrosstalkMemory *memory, const TrackFilter *filters, ix away, ix
    column)
{
    reals_2 dry = memory->dry;
    reals_2 line = filters->rates.line;
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
    crosstalk_filter_tracks(memory, filters, away, memory->part);
    for (ix channel = 0; channel < channels; channel++) {
        for (ix i = 0; i < CROSSTALK_HOP; i++) {
            memory->heard.at[channel * memory->heard.n1 + i] = memory->heard.at[channel * memory->heard.n1 +
                i] + memory->part.at[channel * memory->part.n1 + i];
        }
    }
}

/* Make what is added to the sound that is given out during the next hop. */
KERNEL void crosstalk_hear_tracks(const CrosstalkMemory *memory, ix column)
{
    if (SETTINGS_MAY_MOVE) {
        crosstalk_find_gains(memory);
    }
    crosstalk_add_neighbours(memory, column);
    crosstalk_filter_tracks(memory, &memory->filters, 1, memory->heard);
    if (memory->counts.at[CROSSTALK_HEARD] > INT64_C(1)) {
        crosstalk_add_further(memory, &memory->further, 2, column);
    }
    if (memory->counts.at[CROSSTALK_HEARD] > INT64_C(2)) {
        crosstalk_add_further(memory, &memory->farthest, 3, column);
    }
    crosstalk_make_room(memory);
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
        ix count = smaller_integer(samples - done, CROSSTALK_HOP - begin);
        if (glides_glide_moves(&memory->glide)) {
            count = smaller_integer(count, (ix)(memory->glide.counts.at[CROSSTALK_CELL] -
                memory->glide.counts.at[CROSSTALK_AT]));
        }
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
        glides_glide_pass(count, &memory->glide);
        begin += count;
        done += count;
        if (begin == CROSSTALK_HOP) {
            begin = 0;
            if (channels > 1) {
                crosstalk_hear_tracks(memory, column);
            }
            counts.at[CROSSTALK_COLUMN] = (int64_t)three_rates_next_hop(&memory->filters.rates, dry);
        }
        counts.at[CROSSTALK_IN_HOP] = (int64_t)begin;
    }
}
