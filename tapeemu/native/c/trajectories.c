/* Generated from trajectories.py (9536c7c32bc4b849); do not edit. SPDX-License-Identifier: ISC */

/*
 * Trajectories that belong to the tape: any segment of them can be computed at any time, in any order.
 *
 * A trajectory is a sum of sines (rotating parts) and of Gaussian noise. It is a function of the absolute sample
 * index and of keys derived from the seed, and of nothing else: sines are evaluated from the exact number of
 * turns, noise is filtered from a counter-based hash. Hour ten costs what second one costs and is as exact.
 * Everything is defined in time, so the same key gives the same trajectory at every sample rate.
 *
 * Sines and slow noise are drawn as a curve first, by value and slope on a grid of 2.75 kHz or more, and
 * interpolated (cubic Hermite, common practice): a sine of 200 Hz keeps its rate of change within 0.06 %, one of
 * 20 Hz within 1e-6. Faster noise is added at every sample.
 */

#include "trajectories.h"

#define TRAJECTORIES_SEGMENT 4096
#define TRAJECTORIES_SLOWEST_CURVE_HZ REAL(2750.0)
#define TRAJECTORIES_DEVIATIONS REAL(8.0)
#define TRAJECTORIES_BOUND 0
#define TRAJECTORIES_PEAK 1
#define TRAJECTORIES_SAMPLE_RATE 2
#define TRAJECTORIES_CONSTANT 3
#define TRAJECTORIES_START 4
#define TRAJECTORIES_SETTLING 5
#define TRAJECTORIES_PLAN_SIZE 6
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
    sample_rate, int64s_2 shapes, ix row)
{
    row = memory_shapes_shape_row(TRAJECTORIES_PLAN_SIZE, 1, shapes, row);
    row = memory_shapes_shape_row(sines, 3, shapes, row);
    row = memory_shapes_shape_row(sines, TRAJECTORIES_SINE_SIZE, shapes, row);
    row = memory_shapes_shape_row(2, 8, shapes, row);
    row = memory_shapes_shape_row(2, floor_division(TRAJECTORIES_SEGMENT,
        trajectories_curve_step(sample_rate)) + 8, shapes, row);
    /* The noises. */
    row = memory_shapes_shape_row(noises, 1, shapes, row);
    row = memory_shapes_shape_row(noises, 3, shapes, row);
    row = memory_shapes_shape_row(noises, 4, shapes, row);
    row = memory_shapes_shape_row(noises, 1, shapes, row);
    row = memory_shapes_shape_row(2 * octaves, 32, shapes, row);
    row = memory_shapes_shape_row(2, octaves + 1, shapes, row);
    return memory_shapes_shape_row(4, octave_noise_noise_scratch(highest_hz, sample_rate,
        TRAJECTORIES_SEGMENT), shapes, row);
}

/* Largest magnitude of a noise: eight standard deviations of what it delivers; arguments as for it. */
KERNEL double trajectories_noise_bound(ix kind, double low_hz, double high_hz, double rms, double
    slope_db_per_octave, bool integrated, double sample_rate)
{
    return 8.0 * octave_noise_delivered_rms(kind, low_hz, high_hz, rms, slope_db_per_octave, integrated,
        sample_rate);
}

/* Begin the design of a trajectory: nothing moves yet. Sines and noises are then added in order. */
KERNEL void trajectories_begin_trajectory(double sample_rate, const Trajectory *memory)
{
    for (ix i = 0; i < memory->plan.n0; i++) {
        memory->plan.at[i] = 0.0;
    }
    memory->plan.at[TRAJECTORIES_SAMPLE_RATE] = sample_rate;
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
 * out : ndarray, shape (SEGMENT,)
 *     Scratch.
 */
KERNEL void trajectories_settle_trajectory(double constant, double fastest, const Trajectory *memory,
    doubles_1 out)
{
    doubles_1 plan = memory->plan;
    double start = constant;
    if (plan.at[TRAJECTORIES_BOUND] > 0.0) {
        trajectories_fill_trajectory(memory, INT64_C(0), UINT64_C(0), out);
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
    doubles_1 plan = memory->plan;
    doubles_1 values = (doubles_1){memory->curve.at, memory->curve.n1};
    doubles_1 slopes = (doubles_1){memory->curve.at + 1 * memory->curve.n1, memory->curve.n1};
    const Noises noises = memory->noises;
    const int64_t first = segment * INT64_C(4096);
    const ix step = trajectories_curve_step(plan.at[TRAJECTORIES_SAMPLE_RATE]);
    for (ux i = (ux)0; i < (ux)values.n0; i++) {
        values.at[(ix)i] = 0.0;
        slopes.at[(ix)i] = 0.0;
    }
    for (ix number = 0; number < memory->sines.n0; number++) {
        const double cycles = exact_places_turns_of(first, (uint64s_1){memory->turns.at + number *
            memory->turns.n1, memory->turns.n1}) + memory->sines.at[number * memory->sines.n1 +
            TRAJECTORIES_CYCLES];
        const double per_point = memory->sines.at[number * memory->sines.n1 + TRAJECTORIES_PER_POINT];
        sines_add_phasor(memory->sines.at[number * memory->sines.n1 + TRAJECTORIES_AMPLITUDE], cycles,
            per_point, memory->lanes, values, slopes);
    }
    /* Column 3 of the layout: whether a noise is slow enough for the curve. */
    for (ix number = 0; number < noises.keys.n0; number++) {
        if (noises.layout.at[number * noises.layout.n1 + 3] == INT64_C(1)) {
            octave_noise_add_noise_curve(number, variant, first, step, &noises, values, slopes);
        }
    }
    trajectories_expand(values, slopes, step, out);
    for (ix number = 0; number < noises.keys.n0; number++) {
        if (noises.layout.at[number * noises.layout.n1 + 3] == INT64_C(0)) {
            octave_noise_add_noise_samples(number, variant, first, &noises, out);
        }
    }
    if (plan.at[TRAJECTORIES_CONSTANT] != 0.0) {
        for (ux i = (ux)0; i < (ux)out.n0; i++) {
            out.at[(ix)i] += plan.at[TRAJECTORIES_CONSTANT];
        }
    }
    const int64_t nearest = larger_integer_64(segment, -segment - INT64_C(1)) * INT64_C(4096);
    if ((double)nearest < plan.at[TRAJECTORIES_SETTLING]) {
        trajectories_settle((double)first, 1.0 / plan.at[TRAJECTORIES_SETTLING], plan.at[TRAJECTORIES_START],
            out);
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
