/* Generated from start_stop.py (4360112dfa637a9a); do not edit. SPDX-License-Identifier: ISC */

/*
 * Starts and stops of the transport, from settings to sound: see :class:`tapeemu.processors.start_stop.StartStop`.
 *
 * The head reads flux that the tape carries by place, not by time. Let ``s`` be what was recorded, by its place on
 * the tape, ``m`` the same through the low-pass of the treble time constant ``t``, and ``b`` one over the bass time
 * constant. The record equalisation has made ``m`` and ``b`` times its integral of it; the head gives the derivative
 * of that, and the replay equalisation ``(1 + t d/dt) / (d/dt + b)``, at the speed ``r`` and read at the place ``p``,
 *
 *     r s(p) + (1 - r) m(p) - w - t w',   w' = b ((1 - r) m(p) - w)
 *
 * which is ``s(p)`` alone at ``r = 1``. No derivative needs to be taken.
 */

#include "start_stop.h"

#define START_STOP_CELLS 512
#define START_STOP_FRICTION REAL(0x1.47ae147ae147bp-7)
#define START_STOP_SETTLING REAL(20.0)
#define START_STOP_SLOWNESS REAL(40.0)
#define START_STOP_OPENING REAL(5.0)
#define START_STOP_STOP 0
#define START_STOP_CUED 1
#define START_STOP_LOCKED 2
#define START_STOP_KIND 0
#define START_STOP_SECONDS 1
#define START_STOP_CONSTANT 2
#define START_STOP_REST 0
#define START_STOP_TAU 1
#define START_STOP_LAG 2
#define START_STOP_SPEED 3
#define START_STOP_PLACE 0
#define START_STOP_FIRST 1
#define START_STOP_OVER 2
#define START_STOP_WHAT 3
#define START_STOP_COLUMNS 4
#define START_STOP_LOW_POLE 0
#define START_STOP_BASS_POLE 1
#define START_STOP_SHARE 2
#define START_STOP_OPEN 3
#define START_STOP_NUMBERS 4
#define START_STOP_LATENCY 0
#define START_STOP_DELAY 1
#define START_STOP_RING 2
#define START_STOP_EVENTS 3
#define START_STOP_SETTLED 4
#define START_STOP_GROUPS 5
#define START_STOP_START 6
#define START_STOP_FED 7
#define START_STOP_MADE 8
#define START_STOP_EVENT 9
#define START_STOP_COUNTS 10
#define START_STOP_LOW 0
#define START_STOP_LOW_BELOW 1
#define START_STOP_HELD 2
#define START_STOP_BEFORE 3
#define START_STOP_UNDER 4
#define START_STOP_STATES 5
#define START_STOP_TAPS 48
#define START_STOP_MIRROR 64
#define START_STOP_STRETCH 256
#define START_STOP_LOW_HALF 16
#define START_STOP_BELOW_HALF 100
#define START_STOP_HISTORY 200
#define START_STOP_LOW_EDGE REAL(0x1.ae147ae147ae1p-2)
#define START_STOP_BELOW_PASS REAL(0x1.d1eb851eb851fp-2)
#define START_STOP_BELOW_STOP REAL(0x1.f53f7ced91687p-2)
#define START_STOP_KAISER REAL(0x1.41eb851eb851fp+3)
#define START_STOP_FULLY_BELOW REAL(0x1.47ae147ae147bp-7)
#define START_STOP_PI REAL(0x1.921fb54442d18p+1)
#define START_STOP_NEPERS_PER_DB REAL(0x1.d791c5f888823p-4)
#define START_STOP_NOTHING REAL(0x1.4484bfeebc2a0p-100)
#define START_STOP_LEAST_LAG REAL(0x1.0c6f7a0b5ed8dp-20)
#define START_STOP_POINTS 512
#define START_STOP_1 (ux)1

/*
 * Where the tape is behind an event.
 *
 * Parameters
 * ----------
 * kind : int
 *     Of the event.
 * lag, speed : float
 *     What a stop finds: samples that the tape is late, and its speed re the nominal one.
 * tau : float
 *     Time constant in samples.
 * elapsed : float
 *     Samples since the event.
 *
 * Returns
 * -------
 * lag : float
 *     Samples by which the tape is late; negative where it is ahead.
 * speed : float
 *     Re the nominal one.
 */
KERNEL start_stop_motion_result start_stop_motion(ix kind, double lag, double speed, double tau, double
    elapsed)
{
    const double x = elapsed / tau;
    const double left = elementary_exponential(-x);
    if (kind == START_STOP_STOP) {
        const double found = speed + 0x1.47ae147ae147bp-7;
        return (start_stop_motion_result){lag + tau * (0x1.028f5c28f5c29p+0 * x - found * (1.0 - left)), found
            * left - 0x1.47ae147ae147bp-7};
    }
    if (kind == START_STOP_CUED) {
        return (start_stop_motion_result){-tau * left, 1.0 - left};
    }
    const double slow = elementary_exponential(-x / 40.0);
    lag = tau * 40.0 / 39.0 * (slow - left);
    return (start_stop_motion_result){lag, 1.0 - (40.0 * left - slow) / 39.0};
}

/* Samples until a stopping tape is at rest, or a starting one within a millionth of a sample of its place. */
KERNEL double start_stop_lasting(ix kind, double speed, double tau)
{
    if (kind == START_STOP_STOP) {
        return tau * elementary_logarithm((speed + 0x1.47ae147ae147bp-7) / 0x1.47ae147ae147bp-7);
    }
    const double x = larger_double(1.0, elementary_logarithm(0x1.199999999999ap+0 * tau /
        0x1.0c6f7a0b5ed8dp-20));
    return kind == START_STOP_LOCKED ? 40.0 * tau * x : tau * x;
}

/* Lag in samples and speed that an event finds: what the one before it has left. */
KERNEL start_stop_found_by_result start_stop_found_by(const StartStopSettings *settings, double sample_rate,
    ix event)
{
    if (event == 0) {
        return (start_stop_found_by_result){0.0, 1.0};
    }
    const ix before = event - 1;
    const ix kind = (ix)settings->events.at[before * settings->events.n1 + START_STOP_KIND];
    if (kind == START_STOP_STOP) {
        return (start_stop_found_by_result){0.0, 0.0};
    }
    const double tau = settings->events.at[before * settings->events.n1 + START_STOP_CONSTANT] * sample_rate;
    const double elapsed = (settings->events.at[event * settings->events.n1 + START_STOP_SECONDS] -
        settings->events.at[before * settings->events.n1 + START_STOP_SECONDS]) * sample_rate;
    if (elapsed >= start_stop_lasting(kind, 0.0, tau)) {
        return (start_stop_found_by_result){0.0, 1.0};
    }
    const start_stop_motion_result result_1 = start_stop_motion(kind, 0.0, 0.0, tau, elapsed);
    const double lag = result_1.m0;
    const double speed = result_1.m1;
    return (start_stop_found_by_result){lag, speed};
}

/* Samples that the tape may be ahead. */
KERNEL ix start_stop_lead_of(const StartStopSettings *settings, double sample_rate)
{
    double most = 0.0;
    for (ix event = 0; event < settings->events.n0; event++) {
        if (settings->events.at[event * settings->events.n1 + START_STOP_KIND] == 1.0) {
            most = larger_double(most, settings->events.at[event * settings->events.n1 + START_STOP_CONSTANT]
                * sample_rate);
        }
    }
    return (ix)ceiling_of_double(most);
}

/* Samples that the tape may be late while it moves. */
KERNEL ix start_stop_lag_of(const StartStopSettings *settings, double sample_rate)
{
    double most = 0.0;
    for (ix event = 0; event < settings->events.n0; event++) {
        const double tau = settings->events.at[event * settings->events.n1 + START_STOP_CONSTANT] *
            sample_rate;
        const ix kind = (ix)settings->events.at[event * settings->events.n1 + START_STOP_KIND];
        if (kind == START_STOP_STOP) {
            const start_stop_found_by_result result_1 = start_stop_found_by(settings, sample_rate, event);
            const double lag = result_1.m0;
            const double speed = result_1.m1;
            const start_stop_motion_result result_2 = start_stop_motion(START_STOP_STOP, lag, speed, tau,
                start_stop_lasting(START_STOP_STOP, speed, tau));
            const double rest = result_2.m0;
            most = larger_double(most, larger_double(lag, rest));
        } else if (kind == START_STOP_LOCKED) {
            most = larger_double(most, 0x1.e666666666666p-1 * tau);
        }
    }
    return (ix)ceiling_of_double(most);
}

/* Whether the tape is ever faster than nominal. */
KERNEL bool start_stop_catches_up(const StartStopSettings *settings)
{
    bool found = false;
    for (ix event = 0; event < settings->events.n0; event++) {
        found = found || settings->events.at[event * settings->events.n1 + START_STOP_KIND] == 2.0;
    }
    return found;
}

/* Samples that the filters of the tape look ahead. */
KERNEL ix start_stop_filters_delay(const StartStopSettings *settings)
{
    return start_stop_catches_up(settings) ? 116 : START_STOP_LOW_HALF;
}

/* Samples by which the output is late: what the tape may be ahead, half the reader, and the filters. */
KERNEL ix start_stop_latency(const StartStopSettings *settings, double sample_rate, ix channels)
{
    (void)channels;
    return start_stop_lead_of(settings, sample_rate) + 24 + 2 + start_stop_filters_delay(settings);
}

/* Samples that may sound on: what the tape may be late, the reader, and what the equalisation holds. */
KERNEL ix start_stop_tail(const StartStopSettings *settings, double sample_rate, ix channels, double level_db)
{
    (void)channels;
    if (settings->events.n0 == 0) {
        return 0;
    }
    const double nepers = larger_double(0.0, (double)-START_STOP_NEPERS_PER_DB * level_db);
    return start_stop_lag_of(settings, sample_rate) + 24 + (ix)ceiling_of_double(nepers *
        0x1.0c6f7a0b5ed8dp-20 * settings->bass_us * sample_rate);
}

/* Columns of the ring of tape. */
KERNEL ix start_stop_ring_of(const StartStopSettings *settings, double sample_rate)
{
    const ix around = start_stop_lead_of(settings, sample_rate) + start_stop_lag_of(settings, sample_rate);
    return around + START_STOP_STRETCH + 128;
}

/* Write the shapes of the arrays of :class:`StartStopMemory`, a row for each. */
KERNEL void start_stop_shapes(const StartStopSettings *settings, double sample_rate, ix channels, int64s_2
    shapes)
{
    const ix groups = start_stop_catches_up(settings) ? 4 : 2;
    const ix events = larger_integer(1, settings->events.n0);
    ix row = memory_shapes_shape_row(START_STOP_NUMBERS, 1, shapes, 0);
    row = memory_shapes_shape_row(START_STOP_COUNTS, 1, shapes, row);
    row = memory_shapes_shape_row(events, START_STOP_COLUMNS, shapes, row);
    row = memory_shapes_shape_row(events, START_STOP_COLUMNS, shapes, row);
    row = memory_shapes_shape_row(33, 1, shapes, row);
    row = memory_shapes_shape_row(101, 1, shapes, row);
    row = memory_shapes_shape_row(514, START_STOP_TAPS, shapes, row);
    row = memory_shapes_shape_row(2 * channels, 456, shapes, row);
    row = memory_shapes_shape_row(groups * channels, start_stop_ring_of(settings, sample_rate) +
        START_STOP_MIRROR, shapes, row);
    row = memory_shapes_shape_row(channels, START_STOP_STATES, shapes, row);
    row = memory_shapes_shape_row(2, 2304, shapes, row);
    row = memory_shapes_shape_row(START_STOP_STRETCH, 1, shapes, row);
    row = memory_shapes_shape_row(groups * channels, START_STOP_STRETCH, shapes, row);
    for (ix _ = 0; _ < 3; _++) {
        row = memory_shapes_shape_row(START_STOP_STRETCH, 1, shapes, row);
    }
}

/*
 * Fit the taps that make a pole the low-pass of a time constant, phase included, up to 0.42 of the rate.
 *
 * Least squares over the band, whose normal equations are those of sines.
 *
 * Parameters
 * ----------
 * pole : float
 *     ``exp(-1 / treble)``.
 * treble : float
 *     Time constant in samples.
 * scratch : ndarray, shape (2, taps**2 or more)
 *     Scratch; the first row is taken for a matrix.
 * low : ndarray, shape (taps,)
 *     Gets the taps, the earliest sample's last.
 */
KERNEL void start_stop_design_low(double pole, double treble, doubles_2 scratch, reals_1 low)
{
    const ix size = low.n0;
    doubles_1 factor = (doubles_1){scratch.at, scratch.n1};
    doubles_1 right = (doubles_1){scratch.at + 1 * scratch.n1, scratch.n1};
    for (ix k = 0; k < size; k++) {
        right.at[k] = 0.0;
    }
    for (ix point = 0; point < START_STOP_POINTS; point++) {
        const double turns = 0x1.ae147ae147ae1p-2 * ((double)point + 0.5) / 512.0;
        const double w = 0x1.921fb54442d18p+2 * turns;
        /* (1 - pole exp(-jw)) / (1 + jw treble) */
        const double real_ = 1.0 - pole * elementary_cosine_of_turns(turns);
        const double imaginary = pole * elementary_sine_of_turns(turns);
        const double size_squared = 1.0 + w * w * treble * treble;
        const double wanted = (real_ + imaginary * w * treble) / size_squared;
        const double beside = (imaginary - real_ * w * treble) / size_squared;
        for (ix k = 0; k < size; k++) {
            const double angle = turns * (double)(k - START_STOP_LOW_HALF);
            right.at[k] += 2.0 * (wanted * elementary_cosine_of_turns(angle) - beside *
                elementary_sine_of_turns(angle)) / 512.0;
        }
    }
    for (ix row = 0; row < size; row++) {
        for (ix column = 0; column < row + 1; column++) {
            const ix apart = row - column;
            const double radians = 0x1.51c8b6fbe6351p+1 * (double)apart;
            factor.at[row * size + column] = apart == 0 ? 2.0 : 2.0 *
                elementary_sine_of_turns(0x1.ae147ae147ae1p-2 * (double)apart) / radians;
        }
    }
    small_systems_factorise_rows(size, factor);
    small_systems_solve_rows(size, factor, right);
    for (ix k = 0; k < size; k++) {
        low.at[k] = (real)right.at[k];
    }
}

/* Half of a low-pass that leaves 0.455 of the rate, and is 100 dB down from 0.4895 on: Kaiser's window. */
KERNEL void start_stop_design_below(reals_1 below)
{
    const double middle = 0x1.e395810624dd3p-1;
    double total = 0.0;
    for (ix k = 0; k < below.n0; k++) {
        const double along = (double)k / ((double)below.n0 - 0.5);
        const double window = elementary_bessel_i0(0x1.41eb851eb851fp+3 * square_root_double(1.0 - along *
            along)) / elementary_bessel_i0(0x1.41eb851eb851fp+3);
        const double tap = k == 0 ? middle * window : elementary_sine_of_turns(0.5 * middle * (double)k) /
            (0x1.921fb54442d18p+1 * (double)k) * window;
        below.at[k] = (real)tap;
        total += k == 0 ? tap : 2.0 * tap;
    }
    for (ix k = 0; k < below.n0; k++) {
        below.at[k] = (real)((double)below.at[k] / total);
    }
}

/* Fill the plan, for memory that is all zeros, and go to a place on the tape; all tracks move alike. */
KERNEL void start_stop_design(const StartStopSettings *settings, double sample_rate, ix channels, int64_t
    start_sample, int64_t track, const StartStopMemory *memory)
{
    (void)track;
    int64s_1 counts = memory->counts;
    const double treble = 0x1.0c6f7a0b5ed8dp-20 * settings->treble_us * sample_rate;
    const double bass = 0x1.0c6f7a0b5ed8dp-20 * settings->bass_us * sample_rate;
    memory->plan.at[START_STOP_LOW_POLE] = elementary_exponential(-1.0 / treble);
    memory->plan.at[START_STOP_BASS_POLE] = elementary_exponential(-1.0 / bass);
    memory->plan.at[START_STOP_SHARE] = treble / bass;
    memory->plan.at[START_STOP_OPEN] = 5.0 * bass;
    counts.at[START_STOP_LATENCY] = (int64_t)start_stop_latency(settings, sample_rate, channels);
    counts.at[START_STOP_DELAY] = (int64_t)start_stop_filters_delay(settings);
    counts.at[START_STOP_RING] = (int64_t)start_stop_ring_of(settings, sample_rate);
    counts.at[START_STOP_EVENTS] = (int64_t)settings->events.n0;
    counts.at[START_STOP_SETTLED] = (int64_t)(ix)ceiling_of_double(20.0 * bass);
    counts.at[START_STOP_GROUPS] = (int64_t)(start_stop_catches_up(settings) ? 4 : 2);
    for (ix event = 0; event < settings->events.n0; event++) {
        const ix kind = (ix)settings->events.at[event * settings->events.n1 + START_STOP_KIND];
        const double place = settings->events.at[event * settings->events.n1 + START_STOP_SECONDS] *
            sample_rate;
        const double tau = settings->events.at[event * settings->events.n1 + START_STOP_CONSTANT] *
            sample_rate;
        const start_stop_found_by_result result_1 = start_stop_found_by(settings, sample_rate, event);
        const double lag = result_1.m0;
        const double speed = result_1.m1;
        const double whole = floor_of_double(place);
        const double rest = place - whole;
        memory->motions.at[event * memory->motions.n1 + START_STOP_REST] = rest;
        memory->motions.at[event * memory->motions.n1 + START_STOP_TAU] = tau;
        memory->motions.at[event * memory->motions.n1 + START_STOP_LAG] = lag;
        memory->motions.at[event * memory->motions.n1 + START_STOP_SPEED] = speed;
        memory->places.at[event * memory->places.n1 + START_STOP_PLACE] = (int64_t)whole;
        memory->places.at[event * memory->places.n1 + START_STOP_FIRST] = (int64_t)-floor_of_double(-place);
        memory->places.at[event * memory->places.n1 + START_STOP_OVER] = (int64_t)whole +
            (int64_t)(ix)ceiling_of_double(rest + start_stop_lasting(kind, speed, tau));
        memory->places.at[event * memory->places.n1 + START_STOP_WHAT] = (int64_t)kind;
    }
    start_stop_design_low(memory->plan.at[START_STOP_LOW_POLE], treble, memory->delays, memory->low);
    start_stop_design_below(memory->below);
    reader_table_design_reader(START_STOP_TAPS, memory->delays, memory->table);
    start_stop_seek(memory, start_sample);
}

/* Go to a place on the tape, as if made there. */
KERNEL void start_stop_seek(const StartStopMemory *memory, int64_t place)
{
    int64s_1 counts = memory->counts;
    counts.at[START_STOP_START] = place;
    counts.at[START_STOP_FED] = INT64_C(0);
    counts.at[START_STOP_MADE] = INT64_C(0);
    counts.at[START_STOP_EVENT] = INT64_C(-1);
    kept_rows_clear_rows(memory->line);
    kept_rows_clear_rows(memory->recent);
    kept_rows_clear_precise_rows(memory->states);
}

/*
 * Read a block of any length from a tape that starts and stops.
 *
 * Parameters
 * ----------
 * memory : StartStopMemory
 *     Plan and state.
 * block : ndarray, shape (channels, samples)
 *     What goes onto the tape.
 * out : ndarray, shape (channels, samples)
 *     Gets what is read; may be `block` itself.
 */
KERNEL void start_stop_process(const StartStopMemory *memory, reals_2 block, reals_2 out)
{
    int64s_1 counts = memory->counts;
    ix taken = 0;
    while (taken < block.n1) {
        const ix count = smaller_integer(block.n1 - taken, START_STOP_STRETCH);
        start_stop_lay(memory, block, taken, count);
        counts.at[START_STOP_FED] += (int64_t)count;
        const ix end = taken + count;
        while (taken < end) {
            taken = taken + start_stop_next_outputs(memory, end - taken, taken, out);
        }
    }
}

/* Write numbers into a ring, from a place on; its first columns stand behind its end as well. */
KERNEL void start_stop_put(reals_1 row, ix place, ix ring, ix first, reals_1 recent, ix count)
{
    const ix to_end = smaller_integer(count, ring - place);
    const ix around = count - to_end;
    const ux here = (ux)place;
    const ux since = (ux)first;
    const ux end = (ux)ring;
    const ux turned = (ux)(first + to_end);
    for (ux i = (ux)0; i < (ux)to_end; i++) {
        row.at[(ix)here + (ix)i] = recent.at[(ix)since + (ix)i];
    }
    const ux stop_1 = (ux)larger_integer(0, smaller_integer(to_end, START_STOP_MIRROR - place));
    for (ux i = (ux)0; i < stop_1; i++) {
        row.at[(ix)end + (ix)here + (ix)i] = recent.at[(ix)since + (ix)i];
    }
    for (ux i = (ux)0; i < (ux)around; i++) {
        row.at[(ix)i] = recent.at[(ix)turned + (ix)i];
    }
    const ux stop_2 = (ux)smaller_integer(around, START_STOP_MIRROR);
    for (ux i = (ux)0; i < stop_2; i++) {
        row.at[(ix)end + (ix)i] = recent.at[(ix)turned + (ix)i];
    }
}

/* Low-pass numbers of which the first lies in column `first`; returns what the pole holds at the end. */
KERNEL double start_stop_low_passed(reals_1 recent, ix first, ix count, reals_1 low, double pole, double held,
    reals_1 out)
{
    const ux begin = (ux)(first + START_STOP_LOW_HALF);
    /* Tap by tap over all numbers, which fit into vectors side by side. */
    for (ux i = (ux)0; i < (ux)count; i++) {
        out.at[(ix)i] = low.at[0] * recent.at[(ix)begin + (ix)i];
    }
    for (ux k = START_STOP_1; k < (ux)low.n0; k++) {
        const real tap = low.at[(ix)k];
        for (ux i = (ux)0; i < (ux)count; i++) {
            out.at[(ix)i] += tap * recent.at[(ix)begin - (ix)k + (ix)i];
        }
    }
    for (ux i = (ux)0; i < (ux)count; i++) {
        held = pole * held + (double)out.at[(ix)i];
        if (magnitude_double(held) < 0x1.4484bfeebc2a0p-100) {
            held = 0.0;
        }
        out.at[(ix)i] = (real)held;
    }
    return held;
}

/* Filter numbers of which the first lies in column `first`, linear in phase, into the new columns. */
KERNEL void start_stop_without_top(reals_1 recent, ix first, ix count, reals_1 below, reals_1 out)
{
    const ux middle = (ux)first;
    const ux begin = (ux)200;
    for (ux i = (ux)0; i < (ux)count; i++) {
        out.at[(ix)begin + (ix)i] = below.at[0] * recent.at[(ix)middle + (ix)i];
    }
    for (ux k = START_STOP_1; k < (ux)below.n0; k++) {
        const real tap = below.at[(ix)k];
        for (ux i = (ux)0; i < (ux)count; i++) {
            out.at[(ix)begin + (ix)i] += tap * (recent.at[(ix)middle - (ix)k + (ix)i] + recent.at[(ix)middle +
                (ix)k + (ix)i]);
        }
    }
}

/* Whether nothing happens any more: the tape is only copied, or stands. */
KERNEL bool start_stop_runs_on(const StartStopMemory *memory)
{
    int64s_1 counts = memory->counts;
    const ix event = (ix)counts.at[START_STOP_EVENT];
    if ((int64_t)(event + 1) < counts.at[START_STOP_EVENTS]) {
        return false;
    }
    return event < 0 || counts.at[START_STOP_START] + counts.at[START_STOP_MADE] -
        counts.at[START_STOP_LATENCY] >= memory->places.at[event * memory->places.n1 + START_STOP_OVER];
}

/* Lay samples onto the tape: as they are; while its speed may change, low-passed and less the top too. */
KERNEL void start_stop_lay(const StartStopMemory *memory, reals_2 block, ix taken, ix count)
{
    int64s_1 counts = memory->counts;
    const ix channels = block.n0;
    const ix ring = (ix)counts.at[START_STOP_RING];
    const ix delay = (ix)counts.at[START_STOP_DELAY];
    const ix first = START_STOP_HISTORY - delay;
    const ix place = (ix)floor_remainder_64(counts.at[START_STOP_FED] - (int64_t)delay, (int64_t)ring);
    const double pole = memory->plan.at[START_STOP_LOW_POLE];
    reals_1 scratch = (reals_1){memory->read.at, memory->read.n1};
    const bool changes = !start_stop_runs_on(memory);
    for (ix channel = 0; channel < channels; channel++) {
        reals_1 recent = (reals_1){memory->recent.at + channel * memory->recent.n1, memory->recent.n1};
        doubles_1 states = (doubles_1){memory->states.at + channel * memory->states.n1, memory->states.n1};
        for (ix i = 0; i < count; i++) {
            recent.at[START_STOP_HISTORY + i] = block.at[channel * block.n1 + taken + i];
        }
        start_stop_put((reals_1){memory->line.at + channel * memory->line.n1, memory->line.n1}, place, ring,
            first, recent, count);
        if (changes) {
            states.at[START_STOP_LOW] = start_stop_low_passed(recent, first, count, memory->low, pole,
                states.at[START_STOP_LOW], scratch);
            start_stop_put((reals_1){memory->line.at + (channels + channel) * memory->line.n1,
                memory->line.n1}, place, ring, 0, scratch, count);
        }
        if (changes && counts.at[START_STOP_GROUPS] == INT64_C(4)) {
            reals_1 below = (reals_1){memory->recent.at + (channels + channel) * memory->recent.n1,
                memory->recent.n1};
            start_stop_without_top(recent, 100, count, memory->below, below);
            const ix behind = 184;
            start_stop_put((reals_1){memory->line.at + (2 * channels + channel) * memory->line.n1,
                memory->line.n1}, place, ring, behind, below, count);
            states.at[START_STOP_LOW_BELOW] = start_stop_low_passed(below, behind, count, memory->low, pole,
                states.at[START_STOP_LOW_BELOW], scratch);
            start_stop_put((reals_1){memory->line.at + (3 * channels + channel) * memory->line.n1,
                memory->line.n1}, place, ring, 0, scratch, count);
            for (ix i = 0; i < START_STOP_HISTORY; i++) {
                below.at[i] = below.at[count + i];
            }
        }
        for (ix i = 0; i < START_STOP_HISTORY; i++) {
            recent.at[i] = recent.at[count + i];
        }
    }
}

/*
 * Read the next outputs, into columns of `out` from `at` on, until the tape does something else.
 *
 * Returns
 * -------
 * int
 *     How many were made, `most` or fewer.
 */
KERNEL ix start_stop_next_outputs(const StartStopMemory *memory, ix most, ix at, reals_2 out)
{
    int64s_1 counts = memory->counts;
    int64s_2 places = memory->places;
    const int64_t reached = counts.at[START_STOP_MADE] - counts.at[START_STOP_LATENCY];
    const int64_t place = counts.at[START_STOP_START] + reached;
    while (counts.at[START_STOP_EVENT] + INT64_C(1) < counts.at[START_STOP_EVENTS] &&
        places.at[((ix)counts.at[START_STOP_EVENT] + 1) * places.n1 + START_STOP_FIRST] <= place) {
        counts.at[START_STOP_EVENT] += INT64_C(1);
    }
    const ix event = (ix)counts.at[START_STOP_EVENT];
    int64_t count = (int64_t)most;
    if ((int64_t)(event + 1) < counts.at[START_STOP_EVENTS]) {
        count = smaller_integer_64(count, places.at[(event + 1) * places.n1 + START_STOP_FIRST] - place);
    }
    bool stands = false;
    if (event < 0) {
        stands = counts.at[START_STOP_EVENTS] > INT64_C(0) && places.at[START_STOP_WHAT] != INT64_C(0);
        if (stands) {
            start_stop_silence((ix)count, at, out);
        } else {
            start_stop_run(memory, reached, (ix)count, at, out);
        }
    } else if (place < places.at[event * places.n1 + START_STOP_OVER]) {
        count = smaller_integer_64(count, places.at[event * places.n1 + START_STOP_OVER] - place);
        start_stop_move(memory, event, reached, (ix)count, at, out);
    } else if (places.at[event * places.n1 + START_STOP_WHAT] != INT64_C(0)) {
        start_stop_run(memory, reached, (ix)count, at, out);
    } else if (place < places.at[event * places.n1 + START_STOP_OVER] + counts.at[START_STOP_SETTLED]) {
        count = smaller_integer_64(count, places.at[event * places.n1 + START_STOP_OVER] +
            counts.at[START_STOP_SETTLED] - place);
        start_stop_settle(memory, (ix)count, at, out);
    } else {
        start_stop_silence((ix)count, at, out);
    }
    counts.at[START_STOP_MADE] += count;
    return (ix)count;
}

/* Write silence: the tape stands. */
KERNEL void start_stop_silence(ix count, ix at, reals_2 out)
{
    for (ix channel = 0; channel < out.n0; channel++) {
        for (ix i = 0; i < count; i++) {
            out.at[channel * out.n1 + at + i] = REAL(0.0);
        }
    }
}

/* Copy what was recorded: the tape runs at its speed. */
KERNEL void start_stop_run(const StartStopMemory *memory, int64_t reached, ix count, ix at, reals_2 out)
{
    const ix ring = (ix)memory->counts.at[START_STOP_RING];
    const ix first = (ix)floor_remainder_64(reached, (int64_t)ring);
    for (ix channel = 0; channel < out.n0; channel++) {
        memory->states.at[channel * memory->states.n1 + START_STOP_HELD] = 0.0;
        memory->states.at[channel * memory->states.n1 + START_STOP_BEFORE] = 0.0;
        ix place = first;
        ix done = 0;
        while (done < count) {
            const ux here = (ux)place;
            const ux to = (ux)(at + done);
            const ix some = smaller_integer(count - done, ring - place);
            for (ux i = (ux)0; i < (ux)some; i++) {
                out.at[channel * out.n1 + (ix)to + (ix)i] = memory->line.at[channel * memory->line.n1 +
                    (ix)here + (ix)i];
            }
            done += some;
            place = 0;
        }
    }
}

/* Let die away what the equalisation holds: the tape has come to rest. */
KERNEL void start_stop_settle(const StartStopMemory *memory, ix count, ix at, reals_2 out)
{
    const double pole = memory->plan.at[START_STOP_BASS_POLE];
    const double share = memory->plan.at[START_STOP_SHARE];
    for (ix channel = 0; channel < out.n0; channel++) {
        doubles_1 states = (doubles_1){memory->states.at + channel * memory->states.n1, memory->states.n1};
        const double under = states.at[START_STOP_UNDER];
        double held = states.at[START_STOP_HELD];
        double before = states.at[START_STOP_BEFORE];
        for (ix i = 0; i < count; i++) {
            held = pole * held + (1.0 - pole) * 0.5 * (under + before);
            before = under;
            out.at[channel * out.n1 + at + i] = (real)((1.0 - share) * (under - held));
        }
        states.at[START_STOP_HELD] = held;
        states.at[START_STOP_BEFORE] = before;
    }
}

/* Read the tape where it is while it changes its speed, through head and equalisation. */
KERNEL void start_stop_move(const StartStopMemory *memory, ix event, int64_t reached, ix count, ix at, reals_2
    out)
{
    int64s_1 counts = memory->counts;
    const ix kind = (ix)memory->places.at[event * memory->places.n1 + START_STOP_WHAT];
    const int64_t place = counts.at[START_STOP_START] + reached;
    const double since = (double)(place - memory->places.at[event * memory->places.n1 + START_STOP_PLACE]) -
        memory->motions.at[event * memory->motions.n1 + START_STOP_REST];
    double fastest = 0.0;
    for (ix i = 0; i < count; i++) {
        const start_stop_motion_result result_1 = start_stop_motion(kind, memory->motions.at[event *
            memory->motions.n1 + START_STOP_LAG], memory->motions.at[event * memory->motions.n1 +
            START_STOP_SPEED], memory->motions.at[event * memory->motions.n1 + START_STOP_TAU], since +
            (double)i);
        const double lag = result_1.m0;
        const double speed = result_1.m1;
        memory->delays.at[i] = lag;
        memory->speeds.at[i] = speed;
        fastest = larger_double(fastest, speed);
    }
    interpolation_locate(memory->delays, 0.0, 0.0, 0.0, 512.0, 0, count, &memory->stretch);
    const int64_t ring = counts.at[START_STOP_RING];
    const int64_t first = reached - INT64_C(23);
    for (ix i = 0; i < count; i++) {
        memory->stretch.left.at[i] = (int32_t)floor_remainder_64(first + (int64_t)memory->stretch.left.at[i],
            ring);
    }
    const ix channels = out.n0;
    const Part part = (Part){0, 0, count, 0};
    for (ix channel = 0; channel < channels; channel++) {
        interpolation_read_pair_48(memory->line, memory->table, &memory->stretch, &part, channel, channels +
            channel, memory->read);
        if (counts.at[START_STOP_GROUPS] == INT64_C(4) && fastest > 1.0) {
            const ix upper = 2 * channels + channel;
            interpolation_read_pair_48(memory->line, memory->table, &memory->stretch, &part, upper, channels +
                upper, memory->read);
            for (ix i = 0; i < count; i++) {
                const double much = smaller_double(1.0, larger_double(0.0, (memory->speeds.at[i] - 1.0) /
                    0x1.47ae147ae147bp-7));
                for (ix group = 0; group < 2; group++) {
                    const ix row = group * channels + channel;
                    const real less = memory->read.at[(2 * channels + row) * memory->read.n1 + i] -
                        memory->read.at[row * memory->read.n1 + i];
                    memory->read.at[row * memory->read.n1 + i] = (real)((double)memory->read.at[row *
                        memory->read.n1 + i] + much * (double)less);
                }
            }
        }
        if (kind != START_STOP_STOP && place == memory->places.at[event * memory->places.n1 +
            START_STOP_FIRST]) {
            /* It stood there, and what the equalisation had was gone. */
            memory->states.at[channel * memory->states.n1 + START_STOP_HELD] =
                (double)memory->read.at[(channels + channel) * memory->read.n1];
            memory->states.at[channel * memory->states.n1 + START_STOP_BEFORE] =
                (double)memory->read.at[(channels + channel) * memory->read.n1];
        }
        start_stop_equalise(memory, channel, channels + channel, count, at, out);
    }
    if (kind != START_STOP_STOP && since < memory->plan.at[START_STOP_OPEN]) {
        for (ix channel = 0; channel < channels; channel++) {
            for (ix i = 0; i < count; i++) {
                out.at[channel * out.n1 + at + i] = (real)((double)out.at[channel * out.n1 + at + i] *
                    smaller_double(1.0, (since + (double)i) / memory->plan.at[START_STOP_OPEN]));
            }
        }
    }
}

/* The replay head and its equalisation, see the module. */
KERNEL void start_stop_equalise(const StartStopMemory *memory, ix channel, ix low_row, ix count, ix at,
    reals_2 out)
{
    const double pole = memory->plan.at[START_STOP_BASS_POLE];
    const double share = memory->plan.at[START_STOP_SHARE];
    doubles_1 states = (doubles_1){memory->states.at + channel * memory->states.n1, memory->states.n1};
    double held = states.at[START_STOP_HELD];
    double before = states.at[START_STOP_BEFORE];
    double low = 0.0;
    for (ix i = 0; i < count; i++) {
        const double speed = memory->speeds.at[i];
        low = (double)memory->read.at[low_row * memory->read.n1 + i];
        const double slow = (1.0 - speed) * low;
        held = pole * held + (1.0 - pole) * 0.5 * (slow + before);
        if (magnitude_double(held) < 0x1.4484bfeebc2a0p-100) {
            held = 0.0;
        }
        before = slow;
        out.at[channel * out.n1 + at + i] = (real)(speed * (double)memory->read.at[channel * memory->read.n1 +
            i] + slow - held - share * (slow - held));
    }
    states.at[START_STOP_HELD] = held;
    states.at[START_STOP_BEFORE] = before;
    states.at[START_STOP_UNDER] = low;
}
