/* Generated from head_azimuth.py (67cf3874ee1cf432); do not edit. SPDX-License-Identifier: ISC */

/*
 * A head that stands askew, from its settings to sound: see :class:`tapeemu.processors.head_azimuth.HeadAzimuth`.
 *
 * Channels are read at places of their own, then all are averaged over the time that the slanted gap takes to pass a
 * point of the tape: a table of filters whose response is ``sin(x) / x``, by the length of that time.
 */

#include "head_azimuth.h"

#define HEAD_AZIMUTH_AT 0
#define HEAD_AZIMUTH_CELL 1
#define HEAD_AZIMUTH_GLIDE_ARRAYS 2
#define HEAD_AZIMUTH_BAND 1
#define HEAD_AZIMUTH_CELLS 512
#define HEAD_AZIMUTH_PIECE 128
#define HEAD_AZIMUTH_SEGMENT 4096
#define HEAD_AZIMUTH_HEAD_AZIMUTH UINT64_C(31)
#define HEAD_AZIMUTH_TWO_SIGMA REAL(0x1.f5c0331eeff84p+0)
#define HEAD_AZIMUTH_TURN REAL(0x1.921fb54442d18p+2)
#define HEAD_AZIMUTH_TAPS 48
#define HEAD_AZIMUTH_ROOM 1024
#define HEAD_AZIMUTH_ROW_SECONDS REAL(0x1.0c6f7a0b5ed8dp-19)
#define HEAD_AZIMUTH_POINTS 512
#define HEAD_AZIMUTH_FLAT REAL(0x1.3333333333333p-2)
#define HEAD_AZIMUTH_DELAY 0
#define HEAD_AZIMUTH_ROWS 1
#define HEAD_AZIMUTH_ANGLE 2
#define HEAD_AZIMUTH_FIRST 3
#define HEAD_AZIMUTH_DRAWN 4
#define HEAD_AZIMUTH_PLAN 5
#define HEAD_AZIMUTH_STANDING 0
#define HEAD_AZIMUTH_WANDERING 1
#define HEAD_AZIMUTH_NUMBERS 2
#define HEAD_AZIMUTH_NO_ANGLE_URAD REAL(0x1.12e0be826d695p-30)
#define HEAD_AZIMUTH_REACH 0
#define HEAD_AZIMUTH_HALF 1
#define HEAD_AZIMUTH_MOVES 2
#define HEAD_AZIMUTH_PLACE 3
#define HEAD_AZIMUTH_MADE 4
#define HEAD_AZIMUTH_PIECE_MADE 5
#define HEAD_AZIMUTH_FILLED 6
#define HEAD_AZIMUTH_READ 7
#define HEAD_AZIMUTH_COUNTS 8
#define HEAD_AZIMUTH_ONE (ux)1
#define HEAD_AZIMUTH_EIGHT (ux)8

/* Standard deviation of the angle in radians. */
KERNEL double head_azimuth_wander_rms(const HeadAzimuthSettings *settings)
{
    return settings->wander_urad * 0x1.0c6f7a0b5ed8dp-20 / 0x1.f5c0331eeff84p+0;
}

/* Tangent of an angle in radians below 0.05: series to the 7th power, relative error 2e-11. */
KERNEL double head_azimuth_tangent(double angle)
{
    const double z = angle * angle;
    return angle * (1.0 + z * (0x1.5555555555555p-2 + z * (0x1.1111111111111p-3 + z * 0x1.ba1ba1ba1ba1cp-5)));
}

/* Largest tangent of the angle. */
KERNEL double head_azimuth_steepest(const HeadAzimuthSettings *settings, double sample_rate)
{
    const double rms = head_azimuth_wander_rms(settings);
    double wander = 0.0;
    if (rms > 0.0) {
        const double low = settings->wander_low_hz;
        const double high = settings->wander_high_hz;
        wander = trajectories_noise_bound(HEAD_AZIMUTH_BAND, low, high, rms, 0.0, false, sample_rate);
    }
    return head_azimuth_tangent(magnitude_double(settings->azimuth_urad) * 0x1.0c6f7a0b5ed8dp-20 + wander);
}

/* Time in which the tape runs a length. */
KERNEL double head_azimuth_seconds_of(const HeadAzimuthSettings *settings, double length_mm)
{
    return 0x1.999999999999ap-4 * length_mm / settings->tape_speed_cm_s;
}

/* Half length of the filters of losses: 23 samples up to 50 kHz, doubled with every octave. */
KERNEL ix head_azimuth_half_length(double sample_rate)
{
    ix length = 24;
    while (sample_rate > 50000.0) {
        sample_rate = 0.5 * sample_rate;
        length = 2 * length;
    }
    return length - 1;
}

/* Samples to either side that the reader may need. */
KERNEL ix head_azimuth_reach_of(const HeadAzimuthSettings *settings, double sample_rate, ix channels)
{
    const double farthest = 0.5 * (double)(larger_integer(channels, settings->tracks) - 1) *
        head_azimuth_seconds_of(settings, settings->track_spacing_mm) * sample_rate;
    return (ix)ceiling_of_double(farthest * head_azimuth_steepest(settings, sample_rate)) + 24;
}

/* Samples by which the output is late. */
KERNEL ix head_azimuth_latency(const HeadAzimuthSettings *settings, double sample_rate, ix channels)
{
    return head_azimuth_reach_of(settings, sample_rate, channels) + head_azimuth_half_length(sample_rate);
}

/* Samples by which a channel may be ahead, with what its reading rings before: none of a straight head. */
KERNEL ix head_azimuth_lead(const HeadAzimuthSettings *settings, double sample_rate, ix channels)
{
    if (settings->azimuth_urad == 0.0 && settings->wander_urad == 0.0) {
        return 0;
    }
    return head_azimuth_latency(settings, sample_rate, channels);
}

/* Samples that may sound on: what a channel may lag, and half a filter. */
KERNEL ix head_azimuth_tail(const HeadAzimuthSettings *settings, double sample_rate, ix channels, double
    level_db)
{
    (void)level_db;
    return head_azimuth_latency(settings, sample_rate, channels);
}

/* Write the shapes of the arrays of :class:`HeadAzimuthMemory`, a row for each. */
KERNEL void head_azimuth_shapes(const HeadAzimuthSettings *settings, double sample_rate, ix channels, int64s_2
    shapes)
{
    const ix half = head_azimuth_half_length(sample_rate);
    const double longest = head_azimuth_seconds_of(settings, settings->track_width_mm) *
        head_azimuth_steepest(settings, sample_rate);
    const double low = settings->wander_low_hz;
    const double high = settings->wander_high_hz;
    ix row = memory_shapes_shape_row(HEAD_AZIMUTH_PLAN, 1, shapes, 0);
    row = memory_shapes_shape_row(HEAD_AZIMUTH_COUNTS, 1, shapes, row);
    row = memory_shapes_shape_row(514, HEAD_AZIMUTH_TAPS, shapes, row);
    row = memory_shapes_shape_row((ix)ceiling_of_double(longest / 0x1.0c6f7a0b5ed8dp-19) + 2, 2 * half + 2,
        shapes, row);
    row = memory_shapes_shape_row(channels, 2 * head_azimuth_reach_of(settings, sample_rate, channels) + 16 +
        HEAD_AZIMUTH_ROOM, shapes, row);
    /* One column more than is filled: the tap of zero that pads a row to whole vectors reads it. */
    row = memory_shapes_shape_row(channels, 2 * half + 2 + HEAD_AZIMUTH_ROOM, shapes, row);
    row = memory_shapes_shape_row(2, HEAD_AZIMUTH_SEGMENT, shapes, row);
    row = memory_shapes_shape_row(HEAD_AZIMUTH_PIECE, 1, shapes, row);
    for (ix _ = 0; _ < 3; _++) {
        row = memory_shapes_shape_row(HEAD_AZIMUTH_PIECE, 1, shapes, row);
    }
    const ix late = head_azimuth_reach_of(settings, sample_rate, channels) + HEAD_AZIMUTH_PIECE;
    glides_late_glide_shapes(HEAD_AZIMUTH_NUMBERS, late, sample_rate, row, shapes);
    row = row + HEAD_AZIMUTH_GLIDE_ARRAYS;
    const ix octaves = octave_noise_noise_octaves(HEAD_AZIMUTH_BAND, low, high, sample_rate);
    trajectories_trajectory_shapes(0, 1, octaves, noise_spectrum_noise_highest(HEAD_AZIMUTH_BAND, low, high,
        sample_rate), sample_rate, 1, shapes, row);
}

/*
 * Fill the table of filters: ``sin(x) / x`` with ``x = pi f w``, w the time of passing of a row.
 *
 * By its values at points in the middle of equal parts of the band, under a window, and exact at 0 Hz.
 */
KERNEL void head_azimuth_design_losses(double sample_rate, reals_2 losses)
{
    const ix half = floor_division(losses.n1, 2) - 1;
    for (ix row = 0; row < losses.n0; row++) {
        const double width = (double)row * 0x1.0c6f7a0b5ed8dp-19 * sample_rate;
        for (ix k = 0; k < losses.n1; k++) {
            losses.at[row * losses.n1 + k] = REAL(0.0);
        }
        if (row == 0) {
            losses.at[row * losses.n1 + half] = REAL(1.0);
            continue;
        }
        for (ix i = 0; i < HEAD_AZIMUTH_POINTS; i++) {
            const double turns = ((double)i + 0.5) * 0.5 / 512.0;
            const double law = elementary_sine_of_turns(0.5 * turns * width) / (0x1.921fb54442d18p+1 * turns *
                width);
            /* Cosines of multiples of an angle, by their recursion. */
            const double twice = 2.0 * elementary_cosine_of_turns(turns);
            double cosine = 1.0;
            double before = 0.5 * twice;
            for (ix n = 0; n < half + 1; n++) {
                losses.at[row * losses.n1 + half + n] = (real)((double)losses.at[row * losses.n1 + half + n] +
                    law * cosine);
                const double following = twice * cosine - before;
                before = cosine;
                cosine = following;
            }
        }
        double total = 0.0;
        for (ix n = 0; n < half + 1; n++) {
            const double beyond = smaller_double(larger_double(((double)n / ((double)half + 1.0) -
                0x1.3333333333333p-2) / 0x1.6666666666666p-1, 0.0), 1.0);
            losses.at[row * losses.n1 + half + n] = (real)((double)losses.at[row * losses.n1 + half + n] *
                (0.5 + 0.5 * elementary_cosine_of_turns(0.5 * beyond)));
            total += (double)(n == 0 ? losses.at[row * losses.n1 + half + n] : REAL(2.0) * losses.at[row *
                losses.n1 + half + n]);
        }
        for (ix n = 0; n < half + 1; n++) {
            losses.at[row * losses.n1 + half + n] = (real)((double)losses.at[row * losses.n1 + half + n] /
                total);
            losses.at[row * losses.n1 + half - n] = losses.at[row * losses.n1 + half + n];
        }
    }
}

/*
 * Fill the plan, and go to a place on the tape.
 *
 * Of a head of several tracks a stem hears its own, and the channels behind its first the tracks behind that;
 * what lies beyond the last track is read by the last ones.
 */
KERNEL void head_azimuth_design(const HeadAzimuthSettings *settings, double sample_rate, ix channels, int64_t
    start_sample, int64_t track, const HeadAzimuthMemory *memory)
{
    doubles_1 plan = memory->plan;
    int64s_1 counts = memory->counts;
    reader_table_design_reader(HEAD_AZIMUTH_TAPS, memory->course, memory->reader);
    head_azimuth_design_losses(sample_rate, memory->losses);
    plan.at[HEAD_AZIMUTH_DELAY] = head_azimuth_seconds_of(settings, settings->track_spacing_mm) * sample_rate;
    plan.at[HEAD_AZIMUTH_ROWS] = head_azimuth_seconds_of(settings, settings->track_width_mm) /
        0x1.0c6f7a0b5ed8dp-19;
    plan.at[HEAD_AZIMUTH_ANGLE] = settings->azimuth_urad * 0x1.0c6f7a0b5ed8dp-20;
    const ix heads = larger_integer(channels, settings->tracks);
    const ix first = smaller_integer(larger_integer((ix)track, 0), heads - channels);
    plan.at[HEAD_AZIMUTH_FIRST] = (double)first - 0.5 * (double)(heads - 1);
    const double rms = head_azimuth_wander_rms(settings);
    /* Of a head that stands, a wander is drawn as well, for one that begins later. */
    plan.at[HEAD_AZIMUTH_DRAWN] = rms > 0.0 ? settings->wander_urad : 1.0;
    glides_glide_rest(HEAD_AZIMUTH_STANDING, plan.at[HEAD_AZIMUTH_ANGLE], &memory->glide);
    glides_glide_rest(HEAD_AZIMUTH_WANDERING, (double)(rms > 0.0 ? REAL(1.0) : REAL(0.0)), &memory->glide);
    glides_glide_design(sample_rate, start_sample, &memory->glide);
    trajectories_begin_trajectory(sample_rate, &memory->wander);
    trajectories_set_noise(0, HEAD_AZIMUTH_BAND, hashing_stream_key(settings->seed, HEAD_AZIMUTH_HEAD_AZIMUTH,
        UINT64_C(0)), settings->wander_low_hz, settings->wander_high_hz, plan.at[HEAD_AZIMUTH_DRAWN] *
        0x1.0c6f7a0b5ed8dp-20 / 0x1.f5c0331eeff84p+0, 0.0, false, &memory->wander);
    counts.at[HEAD_AZIMUTH_REACH] = (int64_t)head_azimuth_reach_of(settings, sample_rate, channels);
    counts.at[HEAD_AZIMUTH_HALF] = (int64_t)head_azimuth_half_length(sample_rate);
    counts.at[HEAD_AZIMUTH_MOVES] = (int64_t)(rms > 0.0 ? 1 : 0);
    head_azimuth_seek(memory, start_sample);
}

/*
 * Go to other settings from the beginning of the next cell on; see :mod:`tapeemu.dsp.kernels.glides`.
 *
 * Of the settings those of `HEAD_AZIMUTH_MOVES` may differ from the ones that it was designed for.
 */
KERNEL void head_azimuth_change(const HeadAzimuthSettings *settings, double sample_rate, ix channels, const
    HeadAzimuthMemory *memory)
{
    (void)sample_rate;
    (void)channels;
    const double angle = magnitude_double(settings->azimuth_urad) > 0x1.12e0be826d695p-30 ?
        settings->azimuth_urad * 0x1.0c6f7a0b5ed8dp-20 : 0.0;
    glides_glide_target(HEAD_AZIMUTH_STANDING, angle, &memory->glide);
    glides_glide_target(HEAD_AZIMUTH_WANDERING, settings->wander_urad / memory->plan.at[HEAD_AZIMUTH_DRAWN],
        &memory->glide);
}

/* Go to a place on the tape, as if made there. */
KERNEL void head_azimuth_seek(const HeadAzimuthMemory *memory, int64_t place)
{
    int64s_1 counts = memory->counts;
    glides_glide_seek(place, &memory->glide);
    counts.at[HEAD_AZIMUTH_PLACE] = place - counts.at[HEAD_AZIMUTH_REACH];
    counts.at[HEAD_AZIMUTH_MADE] = INT64_C(0);
    counts.at[HEAD_AZIMUTH_FILLED] = INT64_C(2) * counts.at[HEAD_AZIMUTH_REACH];
    counts.at[HEAD_AZIMUTH_READ] = INT64_C(2) * counts.at[HEAD_AZIMUTH_HALF];
    kept_rows_clear_rows(memory->line);
    kept_rows_clear_rows(memory->shifted);
}

/*
 * Write the tangent of the angle in a piece of the tape.
 *
 * Parameters
 * ----------
 * memory : HeadAzimuthMemory
 *     Designed.
 * piece : int64
 *     Number of the piece, any; negative ones too.
 * out : ndarray, shape (PIECE,)
 *     Gets it.
 */
KERNEL void head_azimuth_azimuth_tangents(const HeadAzimuthMemory *memory, int64_t piece, doubles_1 out)
{
    const double angle = memory->plan.at[HEAD_AZIMUTH_ANGLE];
    if (memory->counts.at[HEAD_AZIMUTH_MOVES] == INT64_C(1)) {
        trajectories_fill_piece(&memory->wander, piece, 0, UINT64_C(0), out);
        for (ux i = (ux)0; i < (ux)128; i++) {
            out.at[(ix)i] = head_azimuth_tangent(angle + out.at[(ix)i]);
        }
    } else {
        const double tangent = head_azimuth_tangent(angle);
        for (ux i = (ux)0; i < (ux)128; i++) {
            out.at[(ix)i] = tangent;
        }
    }
}

/* As :func:`azimuth_tangents`, for an angle that moves: to the cell's end, where it is made again. */
KERNEL void head_azimuth_moving_tangents(const HeadAzimuthMemory *memory, int64_t piece, doubles_1 out)
{
    int64s_1 counts = memory->glide.counts;
    trajectories_fill_piece(&memory->wander, piece, 0, UINT64_C(0), out);
    /* From the cell's first sample to the piece's. */
    const ix first = (ix)(counts.at[HEAD_AZIMUTH_AT] - memory->counts.at[HEAD_AZIMUTH_REACH] + piece *
        INT64_C(128) - memory->counts.at[HEAD_AZIMUTH_PLACE]);
    for (ix i = 0; i < HEAD_AZIMUTH_PIECE; i++) {
        const ix at = smaller_integer(first + i, (ix)counts.at[HEAD_AZIMUTH_CELL] - 1);
        const double angle = glides_glide_late_value(HEAD_AZIMUTH_STANDING, at, &memory->glide);
        out.at[i] = head_azimuth_tangent(angle + glides_glide_late_value(HEAD_AZIMUTH_WANDERING, at,
            &memory->glide) * out.at[i]);
    }
}

/* Make the delays and the losses of a piece. */
KERNEL void head_azimuth_fill_course(const HeadAzimuthMemory *memory, int64_t piece)
{
    doubles_1 delays = (doubles_1){memory->course.at + 1 * memory->course.n1, HEAD_AZIMUTH_PIECE};
    if (glides_glide_moves(&memory->glide)) {
        head_azimuth_moving_tangents(memory, piece, delays);
    } else {
        head_azimuth_azimuth_tangents(memory, piece, delays);
    }
    const double last = (double)(memory->losses.n0 - 2);
    const double per_tangent = memory->plan.at[HEAD_AZIMUTH_ROWS];
    const double delay = memory->plan.at[HEAD_AZIMUTH_DELAY];
    for (ux i = (ux)0; i < (ux)128; i++) {
        memory->course.at[(ix)i] = 0.0;
        memory->rows.at[(ix)i] = (real)smaller_double(per_tangent * magnitude_double(delays.at[(ix)i]), last);
        delays.at[(ix)i] = delay * delays.at[(ix)i];
    }
    memory->counts.at[HEAD_AZIMUTH_PIECE_MADE] = piece;
    memory->counts.at[HEAD_AZIMUTH_MADE] = INT64_C(1);
}

/* Read a channel at its places; the first tap of a place 0 lies on a column, the first result on another. */
KERNEL void head_azimuth_read_one(reals_1 line, reals_2 reader, const Places *places, ix column, ix count, ix
    at, reals_1 out)
{
    int32s_1 left = places->left;
    int32s_1 row = places->row;
    reals_1 between = places->between;
    for (ux i = (ux)0; i < (ux)count; i++) {
        const ux cell = (ux)row.at[(ix)i];
        const real share = between.at[(ix)i];
        /* Rows by themselves: a compiler then sees that they are not the lanes, and keeps those in registers. */
        reals_1 below = (reals_1){reader.at + (ix)cell * reader.n1, reader.n1};
        reals_1 above = (reals_1){reader.at + ((ix)cell + (ix)HEAD_AZIMUTH_ONE) * reader.n1, reader.n1};
        reals_1 heard = (reals_1){line.at + (ix)(ux)(column + (ix)left.at[(ix)i]), line.n0 - (ix)(ux)(column +
            (ix)left.at[(ix)i])};
        real lanes_lanes[8] = {0};
        const reals_1 lanes = {lanes_lanes, 8};
        for (ux group = (ux)0; group < (ux)6; group++) {
            IN_LANES
            for (ux j = (ux)0; j < HEAD_AZIMUTH_EIGHT; j++) {
                const ux k = HEAD_AZIMUTH_EIGHT * group + j;
                lanes.at[(ix)j] += (below.at[(ix)k] + share * (above.at[(ix)k] - below.at[(ix)k])) *
                    heard.at[(ix)k];
            }
        }
        out.at[(ix)(ux)at + (ix)i] = dot_products_sum_of_eight(lanes);
    }
}

/* Move the last columns to the front of a line. */
KERNEL void head_azimuth_keep(reals_2 line, ix filled, ix kept)
{
    const ux skipped = (ux)(filled - kept);
    for (ix channel = 0; channel < line.n0; channel++) {
        for (ux i = (ux)0; i < (ux)kept; i++) {
            line.at[channel * line.n1 + (ix)i] = line.at[channel * line.n1 + (ix)skipped + (ix)i];
        }
    }
}

/*
 * Read a block of any length.
 *
 * Parameters
 * ----------
 * memory : HeadAzimuthMemory
 *     Changed in place.
 * block : ndarray, shape (channels, samples)
 *     What lies on the tape.
 * out : ndarray, shape (channels, samples)
 *     Gets what the head reads; may be `block` itself.
 */
KERNEL void head_azimuth_process(const HeadAzimuthMemory *memory, reals_2 block, reals_2 out)
{
    int64s_1 counts = memory->counts;
    reals_2 line = memory->line;
    reals_2 shifted = memory->shifted;
    const ix channels = block.n0;
    const ix samples = block.n1;
    const ix reach = (ix)counts.at[HEAD_AZIMUTH_REACH];
    const ix half = (ix)counts.at[HEAD_AZIMUTH_HALF];
    ix done = 0;
    while (done < samples) {
        const int64_t piece = floor_division_64(counts.at[HEAD_AZIMUTH_PLACE], INT64_C(128));
        const ix begin = (ix)(counts.at[HEAD_AZIMUTH_PLACE] - piece * INT64_C(128));
        if (counts.at[HEAD_AZIMUTH_MADE] == INT64_C(0) || counts.at[HEAD_AZIMUTH_PIECE_MADE] != piece) {
            head_azimuth_fill_course(memory, piece);
        }
        ix filled = (ix)counts.at[HEAD_AZIMUTH_FILLED];
        ix read = (ix)counts.at[HEAD_AZIMUTH_READ];
        if (filled == line.n1) {
            head_azimuth_keep(line, filled, 2 * reach);
            filled = 2 * reach;
        }
        if (read == shifted.n1 - 1) {
            head_azimuth_keep(shifted, read, 2 * half);
            read = 2 * half;
        }
        ix count = smaller_integer(samples - done, HEAD_AZIMUTH_PIECE - begin);
        const bool moving = glides_glide_moves(&memory->glide);
        if (moving) {
            count = smaller_integer(count, (ix)(memory->glide.counts.at[HEAD_AZIMUTH_CELL] -
                memory->glide.counts.at[HEAD_AZIMUTH_AT]));
        }
        count = smaller_integer(count, smaller_integer(line.n1 - filled, shifted.n1 - 1 - read));
        const ux to = (ux)filled;
        const ux since = (ux)done;
        /* The column under the first sample of the stretch at no delay. */
        const ix here = filled - reach - begin;
        for (ix channel = 0; channel < channels; channel++) {
            for (ux i = (ux)0; i < (ux)count; i++) {
                line.at[channel * line.n1 + (ix)to + (ix)i] = block.at[channel * block.n1 + (ix)since +
                    (ix)i];
            }
            const double share = (double)channel + memory->plan.at[HEAD_AZIMUTH_FIRST];
            if (share == 0.0) {
                for (ux i = (ux)0; i < (ux)count; i++) {
                    shifted.at[channel * shifted.n1 + (ix)(ux)read + (ix)i] = line.at[channel * line.n1 +
                        (ix)(ux)(filled - reach) + (ix)i];
                }
            } else {
                interpolation_locate(memory->course, share, 0.0, 0.0, 512.0, begin, count, &memory->places);
                const ix column = here - 23;
                head_azimuth_read_one((reals_1){line.at + channel * line.n1, line.n1}, memory->reader,
                    &memory->places, column, count, read, (reals_1){shifted.at + channel * shifted.n1,
                    shifted.n1});
            }
        }
        /* The filter hears half its length ahead of what it gives out, so its loss is that of half a length later. */
        reals_1 rows = (reals_1){memory->rows.at + begin, begin + count - begin};
        for (ix first = 0; first < channels; first += 2) {
            const ix second = smaller_integer(first + 1, channels - 1);
            spacing_loss_filter_pair(shifted, memory->losses, rows, read - 2 * half, first, second, done,
                out);
        }
        counts.at[HEAD_AZIMUTH_FILLED] = (int64_t)(filled + count);
        counts.at[HEAD_AZIMUTH_READ] = (int64_t)(read + count);
        counts.at[HEAD_AZIMUTH_PLACE] += (int64_t)count;
        glides_glide_pass(count, &memory->glide);
        if (moving && memory->glide.counts.at[HEAD_AZIMUTH_AT] == INT64_C(0)) {
            counts.at[HEAD_AZIMUTH_MADE] = INT64_C(0);
        }
        done += count;
    }
}
