/* Generated from print_through.py (fdb001ede05ade98); do not edit. SPDX-License-Identifier: ISC */

/*
 * What the turns of a reel print on each other: see :class:`tapeemu.processors.print_through.PrintThrough`.
 *
 * The echoes of both neighbours are read from one long line at places that move as the reel fills, added, and
 * filtered together: both turns are as far away, so their spectrum is the same.
 */

#include "print_through.h"

#define PRINT_THROUGH_AT 0
#define PRINT_THROUGH_CELL 1
#define PRINT_THROUGH_GLIDE_ARRAYS 2
#define PRINT_THROUGH_MOVING 2
#define PRINT_THROUGH_CELLS 512
#define PRINT_THROUGH_HOP 64
#define PRINT_THROUGH_POINTS 512
#define PRINT_THROUGH_TURN REAL(0x1.921fb54442d18p+2)
#define PRINT_THROUGH_PI REAL(0x1.921fb54442d18p+1)
#define PRINT_THROUGH_TAPS 32
#define PRINT_THROUGH_SQUARE 0
#define PRINT_THROUGH_PER_SAMPLE 1
#define PRINT_THROUGH_LEAST 2
#define PRINT_THROUGH_MOST 3
#define PRINT_THROUGH_PITCH 4
#define PRINT_THROUGH_PER_METRE 5
#define PRINT_THROUGH_POST 6
#define PRINT_THROUGH_PRE 7
#define PRINT_THROUGH_PLAN 8
#define PRINT_THROUGH_PLACE 0
#define PRINT_THROUGH_BEHIND 1
#define PRINT_THROUGH_LATE 2
#define PRINT_THROUGH_MOVED 3
#define PRINT_THROUGH_NODE 4
#define PRINT_THROUGH_COUNTS 5
#define PRINT_THROUGH_POST_LEVEL 0
#define PRINT_THROUGH_PRE_LEVEL 1
#define PRINT_THROUGH_LEVELS 2
#define PRINT_THROUGH_NODES 4

/*
 * Field that one coating prints on the other, as read there, by wave number times thickness of the coating.
 *
 * ``(1 - exp(-x))^2 / x exp(-a x)``, where `a` is the distance of the coatings over their thickness.
 */
KERNEL double print_through_print_law(double thick, double apart)
{
    const double once = -elementary_exponential_less_one(-thick);
    return once * once / thick * elementary_exponential(-apart * thick);
}

/* Wave number times thickness at which :func:`_print_law` is largest, by halves: its slope falls. */
KERNEL double print_through_law_peak(double apart)
{
    double low = 0x1.0c6f7a0b5ed8dp-20;
    double high = 4.0;
    for (ix _ = 0; _ < 80; _++) {
        const double middle = 0.5 * (low + high);
        if (2.0 / elementary_exponential_less_one(middle) - 1.0 / middle - apart > 0.0) {
            low = middle;
        } else {
            high = middle;
        }
    }
    return 0.5 * (low + high);
}

/* Level of an echo at a frequency, re that at its peak. */
KERNEL double print_through_print_gain(const PrintThroughSettings *settings, double frequency_hz)
{
    const double apart = settings->base_um / settings->coating_um;
    const double thick = 0x1.921fb54442d18p+2 * frequency_hz / (0x1.47ae147ae147bp-7 *
        settings->tape_speed_cm_s) * 0x1.0c6f7a0b5ed8dp-20 * settings->coating_um;
    if (thick <= 0.0) {
        return 0.0;
    }
    return print_through_print_law(thick, apart) / print_through_print_law(print_through_law_peak(apart),
        apart);
}

/* Frequency at which an echo is loudest. */
KERNEL double print_through_print_peak_hz(const PrintThroughSettings *settings)
{
    const double thick = print_through_law_peak(settings->base_um / settings->coating_um);
    return thick / (0x1.0c6f7a0b5ed8dp-20 * settings->coating_um) * 0x1.47ae147ae147bp-7 *
        settings->tape_speed_cm_s / 0x1.921fb54442d18p+2;
}

/* Thickness of a turn in metres. */
KERNEL double print_through_pitch(const PrintThroughSettings *settings)
{
    return 0x1.0c6f7a0b5ed8dp-20 * (settings->coating_um + settings->base_um);
}

/* Samples that the longest turn takes, rounded up. */
KERNEL ix print_through_longest_turn(const PrintThroughSettings *settings, double sample_rate)
{
    const double metres = 0x1.921fb54442d18p+2 * (0x1.0624dd2f1a9fcp-10 * settings->full_radius_mm + 0.5 *
        print_through_pitch(settings));
    return (ix)ceiling_of_double(metres / (0x1.47ae147ae147bp-7 * settings->tape_speed_cm_s) * sample_rate);
}

/* Samples by which what is read lags the input: whole hops that hold a turn, if one is heard ahead. */
KERNEL ix print_through_behind(const PrintThroughSettings *settings, double sample_rate)
{
    if (settings->pre_echo == 0) {
        return 0;
    }
    return PRINT_THROUGH_HOP * (floor_division(print_through_longest_turn(settings, sample_rate) +
        PRINT_THROUGH_TAPS, PRINT_THROUGH_HOP) + 1);
}

/* Samples by which the output is late: half a filter, and the longest turn if one is heard ahead. */
KERNEL ix print_through_latency(const PrintThroughSettings *settings, double sample_rate, ix channels)
{
    (void)channels;
    return print_through_behind(settings, sample_rate) + three_rates_latency(sample_rate);
}

/* Level of the echo behind the sound, by the turn below. */
KERNEL double print_through_post_db(const PrintThroughSettings *settings)
{
    return settings->heads_out == 1 ? settings->level_db - settings->asymmetry_db : settings->level_db;
}

/* Level of the echo ahead of the sound, by the turn above. */
KERNEL double print_through_pre_db(const PrintThroughSettings *settings)
{
    return settings->heads_out == 1 ? settings->level_db : settings->level_db - settings->asymmetry_db;
}

/* Gain of the echo behind the sound. */
KERNEL double print_through_post_gain(const PrintThroughSettings *settings)
{
    return elementary_power_of_ten(0x1.999999999999ap-5 * print_through_post_db(settings));
}

/* Gain of the echo ahead of the sound, if there is one. */
KERNEL double print_through_pre_gain(const PrintThroughSettings *settings)
{
    double gain = 0.0;
    if (settings->pre_echo == 1) {
        gain = elementary_power_of_ten(0x1.999999999999ap-5 * print_through_pre_db(settings));
    }
    return gain;
}

/* Samples that sound on: the longest turn and half a filter, if the echo is above the level. */
KERNEL ix print_through_tail(const PrintThroughSettings *settings, double sample_rate, ix channels, double
    level_db)
{
    (void)channels;
    if (print_through_post_db(settings) <= level_db) {
        return 0;
    }
    return print_through_longest_turn(settings, sample_rate) + PRINT_THROUGH_TAPS +
        three_rates_half(sample_rate);
}

/* Samples that sound ahead: the longest turn, if there is a pre-echo above the level. */
KERNEL ix print_through_lead(const PrintThroughSettings *settings, double sample_rate, double level_db)
{
    if (settings->pre_echo == 0 || print_through_pre_db(settings) <= level_db) {
        return 0;
    }
    return print_through_longest_turn(settings, sample_rate);
}

/* Write the shapes of the arrays of :class:`PrintThroughMemory`, a row for each. */
KERNEL void print_through_shapes(const PrintThroughSettings *settings, double sample_rate, ix channels,
    int64s_2 shapes)
{
    for (ix i = 0; i < shapes.n0; i++) {
        for (ix j = 0; j < shapes.n1; j++) {
            shapes.at[i * shapes.n1 + j] = INT64_C(1);
        }
    }
    const ix behind = print_through_behind(settings, sample_rate);
    const ix reach = larger_integer(print_through_longest_turn(settings, sample_rate) + PRINT_THROUGH_TAPS,
        three_rates_latency(sample_rate));
    shapes.at[0] = INT64_C(8);
    shapes.at[1 * shapes.n1] = INT64_C(5);
    shapes.at[2 * shapes.n1] = INT64_C(514);
    shapes.at[2 * shapes.n1 + 1] = INT64_C(32);
    shapes.at[3 * shapes.n1] = (int64_t)channels;
    shapes.at[3 * shapes.n1 + 1] = (int64_t)(PRINT_THROUGH_HOP * (floor_division(behind + reach,
        PRINT_THROUGH_HOP) + 4));
    for (ix row = 4; row < 7; row++) {
        shapes.at[row * shapes.n1] = (int64_t)channels;
        shapes.at[row * shapes.n1 + 1] = INT64_C(64);
    }
    for (ix row = 7; row < 10; row++) {
        shapes.at[row * shapes.n1] = INT64_C(64);
    }
    shapes.at[10 * shapes.n1] = INT64_C(2);
    shapes.at[10 * shapes.n1 + 1] = INT64_C(1024);
    shapes.at[11 * shapes.n1] = (int64_t)three_rates_work(sample_rate);
    const ix glide_row = three_rates_shapes(sample_rate, channels, shapes, 12);
    glides_glide_shapes(PRINT_THROUGH_LEVELS, glide_row, shapes);
    const ix after = glide_row + PRINT_THROUGH_GLIDE_ARRAYS;
    shapes.at[after * shapes.n1] = INT64_C(2);
    shapes.at[after * shapes.n1 + 1] = (int64_t)(floor_division(behind + PRINT_THROUGH_HOP,
        glides_glide_cell(sample_rate)) + 2 + PRINT_THROUGH_NODES);
    shapes.at[(after + 1) * shapes.n1] = INT64_C(2);
    shapes.at[(after + 1) * shapes.n1 + 1] = INT64_C(64);
}

/* Fill the plan, and go to a place on the tape; the reel is the same for all tracks. */
KERNEL void print_through_design(const PrintThroughSettings *settings, double sample_rate, ix channels,
    int64_t start_sample, int64_t track, const PrintThroughMemory *memory)
{
    (void)track;
    doubles_1 plan = memory->plan;
    doubles_2 laws = memory->filters.laws;
    reader_table_design_reader(PRINT_THROUGH_TAPS, memory->scratch, memory->reader);
    for (ix level = 0; level < 3; level++) {
        for (ix i = 0; i < PRINT_THROUGH_POINTS; i++) {
            laws.at[level * laws.n1 + i] = print_through_print_gain(settings, three_rates_point_turns(level,
                i) * sample_rate);
        }
    }
    design_three_rates(&memory->filters, sample_rate, memory->work);
    const double hub = 0x1.0624dd2f1a9fcp-10 * settings->hub_radius_mm;
    const double full = 0x1.0624dd2f1a9fcp-10 * settings->full_radius_mm;
    const bool inwards = settings->heads_out == 1;
    const double pitch = inwards ? -print_through_pitch(settings) : print_through_pitch(settings);
    const double speed = 0x1.47ae147ae147bp-7 * settings->tape_speed_cm_s;
    plan.at[PRINT_THROUGH_LEAST] = hub * hub;
    plan.at[PRINT_THROUGH_MOST] = full * full;
    plan.at[PRINT_THROUGH_SQUARE] = inwards ? plan.at[PRINT_THROUGH_MOST] : plan.at[PRINT_THROUGH_LEAST];
    /* A length of tape covers as much of the reel's face, pi r^2, as its edge has. */
    plan.at[PRINT_THROUGH_PER_SAMPLE] = speed / sample_rate * pitch / 0x1.921fb54442d18p+1;
    plan.at[PRINT_THROUGH_PITCH] = pitch;
    plan.at[PRINT_THROUGH_PER_METRE] = sample_rate / speed;
    plan.at[PRINT_THROUGH_POST] = print_through_post_gain(settings);
    plan.at[PRINT_THROUGH_PRE] = print_through_pre_gain(settings);
    glides_glide_rest(PRINT_THROUGH_POST_LEVEL, plan.at[PRINT_THROUGH_POST], &memory->glide);
    glides_glide_rest(PRINT_THROUGH_PRE_LEVEL, plan.at[PRINT_THROUGH_PRE], &memory->glide);
    glides_glide_design(sample_rate, start_sample, &memory->glide);
    memory->counts.at[PRINT_THROUGH_BEHIND] = (int64_t)print_through_behind(settings, sample_rate);
    memory->counts.at[PRINT_THROUGH_LATE] = (int64_t)print_through_latency(settings, sample_rate, channels);
    print_through_seek(memory, start_sample);
}

/*
 * Go to other settings from the beginning of the next cell on; see :mod:`tapeemu.dsp.kernels.glides`.
 *
 * Of the settings those of `PRINT_THROUGH_MOVES` may differ from the ones that it was designed for.
 */
KERNEL void print_through_change(const PrintThroughSettings *settings, double sample_rate, ix channels, const
    PrintThroughMemory *memory)
{
    (void)sample_rate;
    (void)channels;
    glides_glide_target(PRINT_THROUGH_POST_LEVEL, print_through_post_gain(settings), &memory->glide);
    glides_glide_target(PRINT_THROUGH_PRE_LEVEL, print_through_pre_gain(settings), &memory->glide);
}

/* Go to another place on the tape; nothing that sounded before is left. */
KERNEL void print_through_seek(const PrintThroughMemory *memory, int64_t place)
{
    memory->counts.at[PRINT_THROUGH_PLACE] = place;
    memory->counts.at[PRINT_THROUGH_MOVED] = INT64_C(0);
    glides_glide_seek(place, &memory->glide);
    clear_three_rates(&memory->filters);
    kept_rows_clear_rows(memory->ring);
    kept_rows_clear_rows(memory->heard);
}

/* Radius of the reel in metres from its square; beyond its ends it stays what it is there. */
KERNEL double print_through_radius(double square, double least, double most)
{
    return square_root_double(smaller_double(larger_double(square, least), most));
}

/* Samples of the turn before, or after, the one of this radius. */
KERNEL double print_through_length_of_turn(doubles_1 plan, double radius, bool before)
{
    const double half = before ? -0.5 * plan.at[PRINT_THROUGH_PITCH] : 0.5 * plan.at[PRINT_THROUGH_PITCH];
    const double samples = 0x1.921fb54442d18p+2 * (radius + half) * plan.at[PRINT_THROUGH_PER_METRE];
    return samples;
}

/*
 * Samples from a place on the tape to the one a turn before it, or a turn after it.
 *
 * On a spiral whose radius grows by its pitch a turn, a turn is as long as the circle half a pitch inside, or
 * outside, the place.
 *
 * Parameters
 * ----------
 * plan : ndarray, shape (8,)
 *     Of the memory.
 * place : int64
 *     Index on the tape; beyond the ends of the reel its radius stays what it is there.
 * before : bool
 *     Whether it is the turn that passed the head before.
 */
KERNEL double print_through_turn_samples(doubles_1 plan, int64_t place, bool before)
{
    const double square = plan.at[PRINT_THROUGH_SQUARE] + (double)place * plan.at[PRINT_THROUGH_PER_SAMPLE];
    return print_through_length_of_turn(plan, print_through_radius(square, plan.at[PRINT_THROUGH_LEAST],
        plan.at[PRINT_THROUGH_MOST]), before);
}

/* Write the radius at every sample of a hop into the scratch memory: both turns are read from there. */
KERNEL void print_through_find_radii(const PrintThroughMemory *memory, int64_t first)
{
    doubles_1 plan = memory->plan;
    doubles_1 radii = (doubles_1){memory->scratch.at, memory->scratch.n1};
    const double square = plan.at[PRINT_THROUGH_SQUARE];
    const double per_sample = plan.at[PRINT_THROUGH_PER_SAMPLE];
    const double least = plan.at[PRINT_THROUGH_LEAST];
    const double most = plan.at[PRINT_THROUGH_MOST];
    const double begin = (double)first;
    for (ux i = (ux)0; i < (ux)64; i++) {
        radii.at[(ix)i] = print_through_radius(square + (begin + (double)(int32_t)i) * per_sample, least,
            most);
    }
}

/* Read a hop a turn before it or after it, from an index of the tape on, where its radii were found. */
KERNEL void print_through_read_turn(const PrintThroughMemory *memory, int64_t first, bool before, reals_2 out)
{
    doubles_1 plan = memory->plan;
    const Places places = memory->places;
    doubles_1 radii = (doubles_1){memory->scratch.at, memory->scratch.n1};
    int32s_1 left = places.left;
    int32s_1 row = places.row;
    reals_1 between = places.between;
    const int32_t columns = (int32_t)(memory->ring.n1 - PRINT_THROUGH_HOP);
    const int32_t start = (int32_t)(first - INT64_C(16) + INT64_C(1) - floor_division_64(first - INT64_C(16) +
        INT64_C(1), (int64_t)columns) * (int64_t)columns);
    /* Numbers of 32 bits, of which vectors are made. */
    const int32_t none = 0;
    for (ux i = (ux)0; i < (ux)64; i++) {
        const double turn = print_through_length_of_turn(plan, radii.at[(ix)i], before);
        const double at = (double)(int32_t)i;
        const double place = before ? at - turn : at + turn;
        const double whole = floor_of_double(place);
        const double cell = (place - whole) * 512.0;
        const double lower = floor_of_double(cell);
        int32_t column = start + (int32_t)whole;
        column += column < none ? columns : none;
        column -= column >= columns ? columns : none;
        left.at[(ix)i] = column;
        row.at[(ix)i] = (int32_t)lower;
        between.at[(ix)i] = (real)(cell - lower);
    }
    const Part part = (Part){0, 0, PRINT_THROUGH_HOP, 0};
    const ix channels = out.n0;
    for (ix one = 0; one < channels; one += 2) {
        interpolation_read_pair_32(memory->ring, memory->reader, &places, &part, one, smaller_integer(one + 1,
            channels - 1), out);
    }
}

/*
 * Keep what the glide took up for the cell at which it is; from the first time that anything moves on.
 *
 * An echo that is heard ahead is made when the sound has passed, and its level is that of its own place. What was
 * before the first move, or before the render, is held to have been as the oldest that is known.
 */
KERNEL void print_through_keep_nodes(const PrintThroughMemory *memory)
{
    int64s_1 counts = memory->counts;
    doubles_2 values = memory->glide.values;
    doubles_2 nodes = memory->nodes;
    const ix columns = nodes.n1;
    const int64_t cell = floor_division_64(counts.at[PRINT_THROUGH_PLACE],
        memory->glide.counts.at[PRINT_THROUGH_CELL]);
    ix first = 3;
    if (counts.at[PRINT_THROUGH_MOVED] == INT64_C(0)) {
        counts.at[PRINT_THROUGH_MOVED] = INT64_C(1);
        counts.at[PRINT_THROUGH_NODE] = cell - INT64_C(1);
        first = 0;
        for (ix level = 0; level < PRINT_THROUGH_LEVELS; level++) {
            for (ix column = 0; column < columns; column++) {
                nodes.at[level * nodes.n1 + column] = values.at[level * values.n1 + 1];
            }
        }
    }
    if (counts.at[PRINT_THROUGH_NODE] == cell) {
        return;
    }
    counts.at[PRINT_THROUGH_NODE] = cell;
    for (ix back = first; back < PRINT_THROUGH_NODES; back++) {
        const int64_t kept = cell - (int64_t)(3 - back);
        const ix where = (ix)(kept - floor_division_64(kept, (int64_t)columns) * (int64_t)columns);
        for (ix level = 0; level < PRINT_THROUGH_LEVELS; level++) {
            nodes.at[level * nodes.n1 + where] = values.at[level * values.n1 + 1 + back];
        }
    }
}

/* Write the gains of a hop from a place on the tape on. */
KERNEL void print_through_find_levels(const PrintThroughMemory *memory, int64_t first)
{
    doubles_2 nodes = memory->nodes;
    const ix columns = nodes.n1;
    const int64_t length = memory->glide.counts.at[PRINT_THROUGH_CELL];
    const int64_t cell = floor_division_64(first, length);
    ix at = (ix)(first - cell * length);
    const int64_t oldest = cell - INT64_C(3);
    ix column = (ix)(oldest - floor_division_64(oldest, (int64_t)columns) * (int64_t)columns);
    for (ix i = 0; i < PRINT_THROUGH_HOP; i++) {
        if ((int64_t)at == length) {
            at = 0;
            column = column + 1 < columns ? column + 1 : 0;
        }
        const ix second = column + 1 < columns ? column + 1 : column + 1 - columns;
        const ix third = column + 2 < columns ? column + 2 : column + 2 - columns;
        const ix fourth = column + 3 < columns ? column + 3 : column + 3 - columns;
        const double u = (double)at / (double)length;
        for (ix level = 0; level < PRINT_THROUGH_LEVELS; level++) {
            memory->levels.at[level * memory->levels.n1 + i] = glides_spline(u, nodes.at[level * nodes.n1 +
                column], nodes.at[level * nodes.n1 + second], nodes.at[level * nodes.n1 + third],
                nodes.at[level * nodes.n1 + fourth]);
        }
        at += 1;
    }
}

/* Make what is added to the sound, from the hop of input that begins at an index of the tape. */
KERNEL void print_through_hear_turns(const PrintThroughMemory *memory, int64_t first)
{
    const ThreeRates filters = memory->filters;
    reals_2 later = memory->later;
    reals_2 sooner = memory->sooner;
    const real post = (real)memory->plan.at[PRINT_THROUGH_POST];
    const real pre = (real)memory->plan.at[PRINT_THROUGH_PRE];
    const int64_t behind = memory->counts.at[PRINT_THROUGH_BEHIND];
    print_through_find_radii(memory, first - behind);
    print_through_read_turn(memory, first - behind, true, later);
    if (behind > INT64_C(0)) {
        print_through_read_turn(memory, first - behind, false, sooner);
    }
    const ux column = (ux)three_rates_next_hop(&filters, (reals_2){filters.line.at, 0, filters.line.n1});
    if (memory->counts.at[PRINT_THROUGH_MOVED] == INT64_C(1)) {
        print_through_find_levels(memory, first - behind);
        doubles_2 levels = memory->levels;
        for (ix channel = 0; channel < memory->ring.n0; channel++) {
            for (ux i = (ux)0; i < (ux)64; i++) {
                const double heard = levels.at[(ix)i] * (double)later.at[channel * later.n1 + (ix)i] +
                    levels.at[PRINT_THROUGH_PRE_LEVEL * levels.n1 + (ix)i] * (double)sooner.at[channel *
                    sooner.n1 + (ix)i];
                filters.line.at[channel * filters.line.n1 + (ix)column + (ix)i] = (real)heard;
            }
        }
    } else {
        for (ix channel = 0; channel < memory->ring.n0; channel++) {
            for (ux i = (ux)0; i < (ux)64; i++) {
                filters.line.at[channel * filters.line.n1 + (ix)column + (ix)i] = post * later.at[channel *
                    later.n1 + (ix)i] + pre * sooner.at[channel * sooner.n1 + (ix)i];
            }
        }
    }
    three_rates_filter_hop(&filters, filters.raising, memory->heard);
}

/*
 * Add to a block what the turns beside it have printed.
 *
 * Parameters
 * ----------
 * memory : PrintThroughMemory
 *     Changed in place.
 * block : ndarray, shape (channels, samples)
 *     Of any length.
 * out : ndarray, shape (channels, samples)
 *     Gets the result; may be `block` itself.
 */
KERNEL void print_through_process(const PrintThroughMemory *memory, reals_2 block, reals_2 out)
{
    int64s_1 counts = memory->counts;
    reals_2 ring = memory->ring;
    const ix channels = block.n0;
    const ix samples = block.n1;
    const ix columns = ring.n1 - PRINT_THROUGH_HOP;
    ix done = 0;
    while (done < samples) {
        const int64_t place = counts.at[PRINT_THROUGH_PLACE];
        const int64_t hop = floor_division_64(place, INT64_C(64)) * INT64_C(64);
        const ix begin = (ix)(place - hop);
        ix count = smaller_integer(samples - done, PRINT_THROUGH_HOP - begin);
        int64s_1 glides = memory->glide.counts;
        if (glides_glide_moves(&memory->glide)) {
            count = smaller_integer(count, (ix)(glides.at[PRINT_THROUGH_CELL] - glides.at[PRINT_THROUGH_AT]));
        }
        if (SETTINGS_MAY_MOVE && (glides.at[PRINT_THROUGH_MOVING] == INT64_C(1) ||
            counts.at[PRINT_THROUGH_MOVED] == INT64_C(1))) {
            print_through_keep_nodes(memory);
        }
        const ix column = (ix)(place - floor_division_64(place, (int64_t)columns) * (int64_t)columns);
        const int64_t dry = place - counts.at[PRINT_THROUGH_LATE];
        const ux back = (ux)(ix)(dry - floor_division_64(dry, (int64_t)columns) * (int64_t)columns);
        const ux to = (ux)column;
        const ux since = (ux)done;
        for (ix channel = 0; channel < channels; channel++) {
            for (ux i = (ux)0; i < (ux)count; i++) {
                ring.at[channel * ring.n1 + (ix)to + (ix)i] = block.at[channel * block.n1 + (ix)since +
                    (ix)i];
            }
            if (column < PRINT_THROUGH_HOP) {
                for (ux i = (ux)0; i < (ux)count; i++) {
                    ring.at[channel * ring.n1 + (ix)(ux)columns + (ix)to + (ix)i] = block.at[channel *
                        block.n1 + (ix)since + (ix)i];
                }
            }
            for (ux i = (ux)0; i < (ux)count; i++) {
                out.at[channel * out.n1 + (ix)since + (ix)i] = ring.at[channel * ring.n1 + (ix)back + (ix)i] +
                    memory->heard.at[channel * memory->heard.n1 + (ix)(ux)begin + (ix)i];
            }
        }
        glides_glide_pass(count, &memory->glide);
        counts.at[PRINT_THROUGH_PLACE] = place + (int64_t)count;
        done += count;
        if (begin + count == PRINT_THROUGH_HOP) {
            print_through_hear_turns(memory, hop);
        }
    }
}
