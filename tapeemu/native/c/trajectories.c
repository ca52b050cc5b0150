/* Generated from trajectories.py (50b203becf18d8f6); do not edit. SPDX-License-Identifier: ISC */

/*
 * Trajectories that belong to the tape: any segment of them can be computed at any time, in any order.
 *
 * A trajectory is a sum of sines (rotating parts) and of Gaussian noise. It is a function of the absolute sample
 * index and of keys derived from the seed, and of nothing else: sines are evaluated from the exact number of
 * turns, noise is filtered from a counter-based hash. Hour ten costs what second one costs and is as exact.
 * Everything is defined in time, so the same key gives the same trajectory at every sample rate.
 *
 * A segment is made in pieces. What a piece is made from is kept for the next one, so a stream costs the same in
 * every block; a piece out of turn is made from nothing, to the same bits.
 *
 * Sines and slow noise are drawn as a curve first, by value and slope on a grid of 2.75 kHz or more, and
 * interpolated (cubic Hermite, common practice): a sine of 200 Hz keeps its rate of change within 0.06 %, one of
 * 20 Hz within 1e-6. Faster noise is added at every sample.
 */

#include "trajectories.h"

#define TRAJECTORIES_SEGMENT 4096
#define TRAJECTORIES_PIECE 128
#define TRAJECTORIES_SLOWEST_CURVE_HZ REAL(2750.0)
#define TRAJECTORIES_DEVIATIONS REAL(8.0)
#define TRAJECTORIES_BOUND 0
#define TRAJECTORIES_PEAK 1
#define TRAJECTORIES_SAMPLE_RATE 2
#define TRAJECTORIES_CONSTANT 3
#define TRAJECTORIES_START 4
#define TRAJECTORIES_SETTLING 5
#define TRAJECTORIES_PLAN_SIZE 6
#define TRAJECTORIES_BEHIND 0
#define TRAJECTORIES_POINTS 1
#define TRAJECTORIES_AMPLITUDE 0
#define TRAJECTORIES_CYCLES 1
#define TRAJECTORIES_PER_POINT 2
#define TRAJECTORIES_SINE_SIZE 3

/* Samples from one point of the curve to the next: a power of two. */
KERNEL ix trajectories_curve_step(double sample_rate)
{
    ix step = 1;
    while (sample_rate / (double)(2 * step) >= 2750.0) {
        step = 2 * step;
    }
    return step;
}

/*
 * Write the dimensions of the arrays of a :class:`Trajectory`, those of its noises included.
 *
 * Parameters
 * ----------
 * sines, noises : int
 *     How many.
 * octaves : int
 *     Of all noises together, from :func:`noise_octaves`.
 * highest_hz : float
 *     The largest of :func:`noise_highest`.
 * sample_rate : float
 *     Samples per second.
 * places : int
 *     Variants that go on side by side.
 * shapes : ndarray, shape (rows, 3)
 *     Gets one row an array; dimensions that it does not have are 1.
 * row : int
 *     First row to write to.
 *
 * Returns
 * -------
 * int
 *     The row after the last one.
 */
KERNEL ix trajectories_trajectory_shapes(ix sines, ix noises, ix octaves, double highest_hz, double
    sample_rate, ix places, int64s_2 shapes, ix row)
{
    row = memory_shapes_shape_row(TRAJECTORIES_PLAN_SIZE, 1, shapes, row);
    row = memory_shapes_shape_row(sines, 3, shapes, row);
    row = memory_shapes_shape_row(sines, TRAJECTORIES_SINE_SIZE, shapes, row);
    row = memory_shapes_shape_row(2 * places * sines, 8, shapes, row);
    /* As far as the last piece's end, in eights, which may begin just before it. */
    const ix step = trajectories_curve_step(sample_rate);
    row = memory_shapes_shape_row(2 * places, floor_division(TRAJECTORIES_PIECE, step) + 16, shapes, row);
    row = memory_shapes_shape_row(places, 2, shapes, row);
    row = memory_shapes_shape_row(places, 1, shapes, row);
    /* The noises. */
    row = memory_shapes_shape_row(noises, 1, shapes, row);
    row = memory_shapes_shape_row(noises, 3, shapes, row);
    row = memory_shapes_shape_row(noises, 4, shapes, row);
    row = memory_shapes_shape_row(noises, 1, shapes, row);
    row = memory_shapes_shape_row(2 * octaves, 32, shapes, row);
    row = memory_shapes_shape_row(2, octaves + 1, shapes, row);
    const ix rows = places * (octaves + noises);
    const ix longest = TRAJECTORIES_PIECE + 16 * step;
    const ix pairs = octave_noise_pairs_room(highest_hz, sample_rate, longest);
    row = memory_shapes_shape_row(rows, 2, shapes, row);
    row = memory_shapes_shape_row(rows, pairs + 31, shapes, row);
    row = memory_shapes_shape_row(rows, 2 * pairs, shapes, row);
    const ix columns = noises > 0 ? octave_noise_cubics_room(highest_hz, sample_rate, longest) : 1;
    return memory_shapes_shape_row(3, columns, shapes, row);
}

/* Largest magnitude of a noise: eight standard deviations of what it delivers; arguments as for it. */
KERNEL double trajectories_noise_bound(ix kind, double low_hz, double high_hz, double rms, double
    slope_db_per_octave, bool integrated, double sample_rate)
{
    return 8.0 * noise_spectrum_delivered_rms(kind, low_hz, high_hz, rms, slope_db_per_octave, integrated,
        sample_rate);
}

/* Begin the design of a trajectory: nothing moves yet. Sines and noises are then added in order. */
KERNEL void trajectories_begin_trajectory(double sample_rate, const Trajectory *memory)
{
    for (ix i = 0; i < memory->plan.n0; i++) {
        memory->plan.at[i] = 0.0;
    }
    memory->plan.at[TRAJECTORIES_SAMPLE_RATE] = sample_rate;
    for (ix place = 0; place < memory->stands.n0; place++) {
        memory->stands.at[place * memory->stands.n1 + TRAJECTORIES_POINTS] = INT64_C(0);
    }
    for (ix row = 0; row < memory->noises.held.n0; row++) {
        memory->noises.held.at[row * memory->noises.held.n1 + 1] = INT64_C(0);
    }
}

/*
 * Add ``amplitude * cos(2 pi (rate_hz * t + cycles))``.
 *
 * Parameters
 * ----------
 * number : int
 *     Which of the sines, from 0 on.
 * rate_hz : float
 *     Above 0, at most 250.
 * amplitude, cycles : float
 *     Peak; turns at time 0.
 * memory : Trajectory
 *     Gets it.
 */
KERNEL void trajectories_set_sine(ix number, double rate_hz, double amplitude, double cycles, const Trajectory
    *memory)
{
    const double sample_rate = memory->plan.at[TRAJECTORIES_SAMPLE_RATE];
    exact_places_set_rate(rate_hz, sample_rate, (uint64s_1){memory->turns.at + number * memory->turns.n1,
        memory->turns.n1});
    memory->sines.at[number * memory->sines.n1 + TRAJECTORIES_AMPLITUDE] = amplitude;
    memory->sines.at[number * memory->sines.n1 + TRAJECTORIES_CYCLES] = cycles;
    memory->sines.at[number * memory->sines.n1 + TRAJECTORIES_PER_POINT] =
        (double)trajectories_curve_step(sample_rate) * (rate_hz / sample_rate);
    memory->plan.at[TRAJECTORIES_PEAK] += magnitude_double(amplitude);
    memory->plan.at[TRAJECTORIES_BOUND] += magnitude_double(amplitude);
}

/* Add a noise; arguments as for :func:`design_noise`, in order from number 0 on. */
KERNEL void trajectories_set_noise(ix number, ix kind, uint64_t key, double low_hz, double high_hz, double
    rms, double slope_db_per_octave, bool integrated, const Trajectory *memory)
{
    const double sample_rate = memory->plan.at[TRAJECTORIES_SAMPLE_RATE];
    octave_noise_design_noise(number, kind, key, low_hz, high_hz, rms, slope_db_per_octave, integrated,
        sample_rate, sample_rate / (double)trajectories_curve_step(sample_rate), &memory->noises);
    memory->plan.at[TRAJECTORIES_BOUND] += trajectories_noise_bound(kind, low_hz, high_hz, rms,
        slope_db_per_octave, integrated, sample_rate);
}

/*
 * Let a trajectory plus a constant begin at exactly zero at index 0; the last step of a design.
 *
 * What the sum is at index 0 is taken off there, and less and less of it on the way from there, in both
 * directions, along a cubic whose slope never exceeds `fastest`. It remains a function of the absolute index
 * alone. Its bound grows by the peak of the sines, which may be all at one end at index 0 and all at the other
 * later, and by the constant.
 *
 * Parameters
 * ----------
 * constant : float
 *     Added everywhere.
 * fastest : float
 *     Largest change per sample that settling may add.
 * memory : Trajectory
 *     With all its sines and noises.
 * out : ndarray, shape (PIECE or more,)
 *     Scratch.
 */
KERNEL void trajectories_settle_trajectory(double constant, double fastest, const Trajectory *memory,
    doubles_1 out)
{
    doubles_1 plan = memory->plan;
    double start = constant;
    if (plan.at[TRAJECTORIES_BOUND] > 0.0) {
        trajectories_fill_piece(memory, INT64_C(0), 0, UINT64_C(0), (doubles_1){out.at, TRAJECTORIES_PIECE});
        start += out.at[0];
    }
    plan.at[TRAJECTORIES_CONSTANT] = constant;
    plan.at[TRAJECTORIES_START] = start;
    /* 1 - u**2 (3 - 2 u) falls by at most 1.5 per unit. At least a sample: one over a subnormal is infinite. */
    plan.at[TRAJECTORIES_SETTLING] = start != 0.0 ? larger_double(1.5 * magnitude_double(start) / fastest,
        1.0) : 0.0;
    plan.at[TRAJECTORIES_BOUND] += plan.at[TRAJECTORIES_PEAK] + magnitude_double(constant);
}

/*
 * Let a part of a trajectory begin at exactly zero at index 0 as the whole does, in the same time.
 *
 * Parameters
 * ----------
 * whole : Trajectory
 *     Settled by :func:`settle_trajectory`.
 * memory : Trajectory
 *     With some of its sines and noises, and no constant.
 * out : ndarray, shape (PIECE or more,)
 *     Scratch.
 */
KERNEL void trajectories_settle_with(const Trajectory *whole, const Trajectory *memory, doubles_1 out)
{
    doubles_1 plan = memory->plan;
    trajectories_fill_piece(memory, INT64_C(0), 0, UINT64_C(0), (doubles_1){out.at, TRAJECTORIES_PIECE});
    plan.at[TRAJECTORIES_START] = out.at[0];
    plan.at[TRAJECTORIES_SETTLING] = larger_double(whole->plan.at[TRAJECTORIES_SETTLING], 1.0);
    plan.at[TRAJECTORIES_BOUND] += magnitude_double(plan.at[TRAJECTORIES_START]);
}

/* What the constant of a trajectory has grown to at an index, on its way from nothing at index 0. */
KERNEL double trajectories_settled_constant(const Trajectory *memory, double index)
{
    const double constant = memory->plan.at[TRAJECTORIES_CONSTANT];
    if (constant == 0.0) {
        return 0.0;
    }
    const double u = smaller_double(magnitude_double(index) / memory->plan.at[TRAJECTORIES_SETTLING], 1.0);
    return constant * (u * u * (3.0 - 2.0 * u));
}

/*
 * Write the samples of a segment, from ``segment * SEGMENT`` on.
 *
 * Parameters
 * ----------
 * memory : Trajectory
 *     A finished design.
 * segment : int64
 *     Any; negative ones too.
 * variant : uint64
 *     Picks other random numbers for all its noises; 0 for those of their keys.
 * out : ndarray, shape (SEGMENT,)
 *     Gets the samples.
 */
KERNEL void trajectories_fill_trajectory(const Trajectory *memory, int64_t segment, uint64_t variant,
    doubles_1 out)
{
    for (ix begin = 0; begin < TRAJECTORIES_SEGMENT; begin += 128) {
        trajectories_fill_piece(memory, floor_division_64(segment * INT64_C(4096) + (int64_t)begin,
            INT64_C(128)), 0, variant, (doubles_1){out.at + begin, begin + TRAJECTORIES_PIECE - begin});
    }
}

/* Point of the curve that its first column holds for a piece: eights begin there. */
KERNEL ix trajectories_first_column(ix begin)
{
    return floor_division(begin, 8) * 8;
}

/*
 * Make the curve as far as a piece of a segment needs it.
 *
 * Parameters
 * ----------
 * memory, place, variant
 *     As for :func:`fill_piece`.
 * segment : int64
 *     Number of the segment.
 * piece : int
 *     Number of the piece in it.
 */
KERNEL void trajectories_fill_curve(const Trajectory *memory, int64_t segment, ix place, uint64_t variant, ix
    piece)
{
    ix row = 0;
    double per_point = 0.0;
    const Noises noises = memory->noises;
    int64s_2 stands = memory->stands;
    doubles_1 values = (doubles_1){memory->curve.at + 2 * place * memory->curve.n1, memory->curve.n1};
    doubles_1 slopes = (doubles_1){memory->curve.at + (2 * place + 1) * memory->curve.n1, memory->curve.n1};
    const ix step = trajectories_curve_step(memory->plan.at[TRAJECTORIES_SAMPLE_RATE]);
    const ix in_piece = floor_division(TRAJECTORIES_PIECE, step);
    const int64_t first = segment * INT64_C(4096);
    const ix sines = memory->sines.n0;
    const ix begin = piece * in_piece;
    const ix column = trajectories_first_column(begin);
    ix made = (ix)stands.at[place * stands.n1 + TRAJECTORIES_POINTS];
    const int64_t behind = segment * INT64_C(32) + (int64_t)piece;
    if (piece > 0 && made > 0 && stands.at[place * stands.n1 + TRAJECTORIES_BEHIND] == behind) {
        const ux skipped = (ux)(column - trajectories_first_column(begin - in_piece));
        for (ux i = (ux)0; i < (ux)(made - column); i++) {
            values.at[(ix)i] = values.at[(ix)skipped + (ix)i];
            slopes.at[(ix)i] = slopes.at[(ix)skipped + (ix)i];
        }
    } else {
        made = column;
        for (ix number = 0; number < sines; number++) {
            row = 2 * (place * sines + number);
            const double cycles = exact_places_turns_of(first, (uint64s_1){memory->turns.at + number *
                memory->turns.n1, memory->turns.n1}) + memory->sines.at[number * memory->sines.n1 +
                TRAJECTORIES_CYCLES];
            per_point = memory->sines.at[number * memory->sines.n1 + TRAJECTORIES_PER_POINT];
            doubles_2 lanes = (doubles_2){memory->lanes.at + row * memory->lanes.n1, row + 2 - row,
                memory->lanes.n1};
            sines_begin_phasors(memory->sines.at[number * memory->sines.n1 + TRAJECTORIES_AMPLITUDE], cycles,
                per_point, lanes);
            sines_pass_phasors(per_point, floor_division(made, 8), lanes);
        }
    }
    const ix eights = floor_division(begin + in_piece + 8 - made, 8);
    if (eights > 0) {
        doubles_1 new_values = (doubles_1){values.at + made - column, made - column + 8 * eights - (made -
            column)};
        doubles_1 new_slopes = (doubles_1){slopes.at + made - column, made - column + 8 * eights - (made -
            column)};
        for (ux i = (ux)0; i < (ux)(8 * eights); i++) {
            new_values.at[(ix)i] = 0.0;
            new_slopes.at[(ix)i] = 0.0;
        }
        for (ix number = 0; number < sines; number++) {
            row = 2 * (place * sines + number);
            per_point = memory->sines.at[number * memory->sines.n1 + TRAJECTORIES_PER_POINT];
            sines_add_phasors(per_point, (doubles_2){memory->lanes.at + row * memory->lanes.n1, row + 2 - row,
                memory->lanes.n1}, new_values, new_slopes);
        }
        /* Column 3 of the layout: whether a noise is slow enough for the curve. */
        for (ix number = 0; number < noises.keys.n0; number++) {
            if (noises.layout.at[number * noises.layout.n1 + 3] == INT64_C(1)) {
                octave_noise_add_noise_curve(number, place, variant, first, step, made, &noises, new_values,
                    new_slopes);
            }
        }
    }
    stands.at[place * stands.n1 + TRAJECTORIES_BEHIND] = behind + INT64_C(1);
    stands.at[place * stands.n1 + TRAJECTORIES_POINTS] = (int64_t)(made + 8 * eights);
}

/*
 * Write the samples of a piece, from ``number * PIECE`` on.
 *
 * Parameters
 * ----------
 * memory : Trajectory
 *     A finished design.
 * number : int64
 *     Any; negative ones too. It costs least behind the one before.
 * place : int
 *     Which of the places of `memory` the variant takes, from 0 on.
 * variant : uint64
 *     Picks other random numbers for all its noises; 0 for those of their keys.
 * out : ndarray, shape (PIECE,)
 *     Gets the samples.
 */
KERNEL void trajectories_fill_piece(const Trajectory *memory, int64_t number, ix place, uint64_t variant,
    doubles_1 out)
{
    doubles_1 plan = memory->plan;
    const Noises noises = memory->noises;
    if (memory->variants.at[place] != variant) {
        memory->variants.at[place] = variant;
        memory->stands.at[place * memory->stands.n1 + TRAJECTORIES_POINTS] = INT64_C(0);
        if (noises.keys.n0 > 0) {
            octave_noise_forget_nodes(place, &noises);
        }
    }
    const int64_t segment = floor_division_64(number, INT64_C(32));
    const ix piece = (ix)(number - segment * INT64_C(32));
    const ix step = trajectories_curve_step(plan.at[TRAJECTORIES_SAMPLE_RATE]);
    trajectories_fill_curve(memory, segment, place, variant, piece);
    const ix begin = piece * floor_division(TRAJECTORIES_PIECE, step);
    const ix column = begin - trajectories_first_column(begin);
    trajectories_expand((doubles_1){memory->curve.at + 2 * place * memory->curve.n1 + column, memory->curve.n1
        - column}, (doubles_1){memory->curve.at + (2 * place + 1) * memory->curve.n1 + column,
        memory->curve.n1 - column}, step, out);
    for (ix noise = 0; noise < noises.keys.n0; noise++) {
        if (noises.layout.at[noise * noises.layout.n1 + 3] == INT64_C(0)) {
            octave_noise_add_noise_samples(noise, place, variant, segment * INT64_C(4096), piece *
                TRAJECTORIES_PIECE, &noises, out);
        }
    }
    if (plan.at[TRAJECTORIES_CONSTANT] != 0.0) {
        for (ux i = (ux)0; i < (ux)out.n0; i++) {
            out.at[(ix)i] += plan.at[TRAJECTORIES_CONSTANT];
        }
    }
    const int64_t nearest = larger_integer_64(segment, -segment - INT64_C(1)) * INT64_C(4096);
    if ((double)nearest < plan.at[TRAJECTORIES_SETTLING]) {
        trajectories_settle((double)(number * INT64_C(128)), 1.0 / plan.at[TRAJECTORIES_SETTLING],
            plan.at[TRAJECTORIES_START], out);
    }
    const double bound = plan.at[TRAJECTORIES_BOUND];
    for (ux i = (ux)0; i < (ux)out.n0; i++) {
        out.at[(ix)i] = smaller_double(larger_double(out.at[(ix)i], -bound), bound);
    }
}

/*
 * Take `start` off a trajectory at index 0, and less of it away from there, to nothing at the duration.
 *
 * Parameters
 * ----------
 * first : float
 *     Index of the first point of `out`, in samples from the beginning of the tape.
 * per_duration : float
 *     One over the duration in samples.
 * start : float
 *     What is taken off at index 0.
 * out : ndarray, shape (samples,)
 *     Changed in place.
 */
KERNEL void trajectories_settle(double first, double per_duration, double start, doubles_1 out)
{
    for (ux i = (ux)0; i < (ux)out.n0; i++) {
        const double u = smaller_double(magnitude_double(first + (double)i) * per_duration, 1.0);
        out.at[(ix)i] -= start * (1.0 - u * u * (3.0 - 2.0 * u));
    }
}

/*
 * Let a trajectory grow from zero at index 0, in both directions, to itself at the duration.
 *
 * Arguments as for :func:`settle`.
 */
KERNEL void trajectories_begin_at_zero(double first, double per_duration, doubles_1 out)
{
    for (ux i = (ux)0; i < (ux)out.n0; i++) {
        const double u = smaller_double(magnitude_double(first + (double)i) * per_duration, 1.0);
        out.at[(ix)i] *= u * u * (3.0 - 2.0 * u);
    }
}

/*
 * Interpolate a grid to every sample (cubic Hermite).
 *
 * Parameters
 * ----------
 * values, slopes : ndarray, shape (samples // step + 1 or more,)
 *     At every point of the grid; slopes per interval.
 * step : int
 *     Samples in an interval.
 * out : ndarray, shape (samples,)
 *     Gets the samples; as many as whole intervals.
 */
KERNEL void trajectories_expand(doubles_1 values, doubles_1 slopes, ix step, doubles_1 out)
{
    const real unit = (real)(1.0 / (double)step);
    const ux width = (ux)step;
    for (ux interval = (ux)0; interval < (ux)floor_division(out.n0, step); interval++) {
        const double first = values.at[(ix)interval];
        const double rise = values.at[(ix)interval + (ix)(ux)1] - first;
        const double left = slopes.at[(ix)interval];
        const double bend = slopes.at[(ix)interval + (ix)(ux)1] + left - 2.0 * rise;
        const double lean = rise - left - bend;
        const ux base = interval * width;
        for (ux i = (ux)0; i < width; i++) {
            const double u = (double)i * (double)unit;
            out.at[(ix)base + (ix)i] = first + u * (left + u * (lean + u * bend));
        }
    }
}
